"""One pitch in full: which trackers saw it, what each read, why it is one pitch, and where each preferred value came from."""

from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl
from rich.console import Console

from pipeline.errors import PitchledgerError
from pipeline.matching.explain import explain_double, explain_pairs
from pipeline.physics.frames import clock_from_axis
from pipeline.reports.directory import Directory, read_directory
from pipeline.reports.printing import harmless, make_table
from pipeline.warehouse.query import published_connection
from pipeline.words import clock_words, pluralize, weekday_words
from schemas.metrics import METRICS

Row = dict[str, Any]

STATION_SOURCES = {
    "ledger": "station from ledger.toml",
    "export": "station from the export",
    "matching": "station found by matching",
    None: "station unknown",
}


class UnknownIdError(PitchledgerError):
    """The requested id belongs to no pitch and no sighting."""

    exit_code = 2


class PitchReport(NamedTuple):
    """All that the tables hold about one pitch. `values` by metric; `decimals` of each metric."""

    pitch: Row
    sightings: list[Row]
    pairs: pl.DataFrame
    doubles: list[Row]
    values: dict[str, Row]
    set_aside: list[Row]
    lost_values: list[Row]
    decimals: dict[str, int]
    directory: Directory

    @property
    def zone(self) -> str:
        """The time zone of the pitch's venue."""
        return self.directory.zone(self.pitch["venue"])


def print_pitch(folder: Path, any_id: str, out: Console) -> None:
    """Print the pitch of a pitch id, also one of an earlier run, or of a sighting id. Raises UnknownIdError if there is none."""
    with published_connection(folder) as con:
        pitch_id = _resolve(con, any_id)
        report = _read_report(con, pitch_id)
    if pitch_id != any_id:
        out.print(harmless(f"{any_id} is now in pitch {pitch_id}."))
    _print_head(report, out)
    _print_sightings(report, out)
    _print_readings(report, out)
    is_alone = len(report.sightings) == 1
    out.print(
        "Why no other record is part of this pitch" if is_alone else "Why these records are one pitch", style="bold"
    )
    doubles = (row | {"tracker": report.directory.tracker(row["tracker"])} for row in report.doubles)
    for sentence in [*explain_pairs(report.pairs, report.directory.trackers), *map(explain_double, doubles)]:
        out.print(harmless(f"- {sentence}"))


def _resolve(con: duckdb.DuckDBPyConnection, any_id: str) -> str:
    """Return the current pitch of an id. Raises UnknownIdError."""
    found = con.execute(
        """select pitch_id from pitches where pitch_id = $1
        union all select pitch_id from pitch_aliases where old_pitch_id = $1
        union all select pitch_id from sightings where sighting_id = $1
        union all select pitch_id from pitch_aliases where old_pitch_id = 'p' || substr($1, 2) and $1 like 's%'
        union all select sightings.pitch_id from set_aside join sightings on sightings.sighting_id = kept_sighting_id
            where set_aside.sighting_id = 's' || substr($1, 2)
        union all select null from set_aside where sighting_id = 's' || substr($1, 2)""",
        [any_id],
    ).fetchall()
    if not found:
        raise UnknownIdError(
            f"no pitch or sighting has the id '{any_id}'. `pitchledger query 'from pitch_log limit 10'` lists some."
        )
    if found[0][0] is None:
        raise UnknownIdError(f"'{any_id}' is no longer a pitch: a line of decisions.csv says so.")
    return str(found[0][0])


def _read_report(con: duckdb.DuckDBPyConnection, pitch_id: str) -> PitchReport:
    (pitch,) = _rows(con, "from pitches where pitch_id = $id", id=pitch_id)
    sightings = _rows(
        con,
        """select sightings.*, file_name from sightings left join distinct_exports using (file_id)
        where pitch_id = $id order by list_position(string_split($trackers, ','), sightings.tracker)""",
        id=pitch_id,
        trackers=pitch["trackers"],
    )
    ids = [sighting["sighting_id"] for sighting in sightings]
    return PitchReport(
        pitch=pitch,
        sightings=sightings,
        pairs=con.sql(
            "from match_pairs where list_contains($ids, sighting_a) or list_contains($ids, sighting_b)",
            params={"ids": ids},
        ).pl(),
        doubles=_rows(
            con,
            "from double_triggers where list_contains($ids, sighting_id) or list_contains($ids, kept_sighting_id) order by all",
            ids=ids,
        ),
        values={row["metric"]: row for row in _rows(con, "from pitch_values where pitch_id = $id", id=pitch_id)},
        set_aside=_rows(
            con,
            "from set_aside where list_contains($ids, kept_sighting_id) or list_contains($ids, sighting_id) order by file_id, file_row",
            ids=ids,
        ),
        lost_values=_rows(
            con,
            """select quarantine.tracker, quarantine.reason from quarantine join sightings using (file_id, file_row)
            where level = 'value' and pitch_id = $id order by all""",
            id=pitch_id,
        ),
        decimals={row["metric"]: row["decimals"] for row in _rows(con, "select metric, decimals from metrics")},
        directory=read_directory(con),
    )


def _rows(con: duckdb.DuckDBPyConnection, sql: str, **values: object) -> list[Row]:
    rows: list[Row] = con.sql(sql, params=values).pl().to_dicts()
    return rows


# ---- who and when ------------------------------------------------------------------------------------------------------------------------


def _print_head(report: PitchReport, out: Console) -> None:
    pitch, directory = report.pitch, report.directory
    when = weekday_words(pitch["baseball_day"])
    if pitch["thrown_at"]:
        time = clock_words(pitch["thrown_at"], report.zone, seconds=True)
        when += f", {time} by the clock of {directory.tracker(pitch['thrown_at_by'])}"
    else:
        when += ", placed by order (no clock saw it)"
    title = f"Pitch {pitch['pitch_id']}: number {pitch['pitch_number']} of {pitch['session_id']}, {when}"
    out.print(harmless(title), style="bold")
    facts = [
        _pitcher_words(pitch, directory),
        _label_words(pitch["pitch_type"], "pitch type"),
        _label_words(pitch["pitch_result"], "result"),
        *_state_words(pitch),
    ]
    out.print(harmless("; ".join(facts)))
    out.print(harmless(f"Seen by {directory.tracker_list(pitch['trackers'].split(','))}."))
    doubt = ". This is a DOUBTFUL match: please review it" if pitch["doubtful"] else ""
    out.print(harmless(f"Probability that the match is right: {_percent(pitch['match_probability'])}{doubt}."))
    notes = {
        "pitcher_conflict": "Note: the trackers name different pitchers.",
        "label_conflict": "Note: the trackers name different pitch types.",
    }
    for flag, note in notes.items():
        if pitch[flag]:
            out.print(note)
    out.print()


def _pitcher_words(pitch: Row, directory: Directory) -> str:
    if pitch["pitcher_id"]:
        decided = ", by a line of decisions.csv" if pitch["pitcher_by"] == "person" else ""
        return f"{directory.player(pitch['pitcher_id'])}{decided}"
    return f"{pitch['pitcher_label']} (this name needs your decision)" if pitch["pitcher_label"] else "pitcher unknown"


def _label_words(label: str | None, name: str) -> str:
    return label.replace("_", " ") if label and label != "unknown" else f"{name} unknown"


def _state_words(pitch: Row) -> list[str]:
    """Return what is known of inning, outs and count: ["top of inning 1", "0 outs", "count 0-0"]."""
    inning = [f"{pitch['half']} of inning {pitch['inning']}" if pitch["half"] else f"inning {pitch['inning']}"]
    return [
        *(inning if pitch["inning"] is not None else []),
        *([pluralize(pitch["outs"], "out")] if pitch["outs"] is not None else []),
        *([f"count {pitch['balls']}-{pitch['strikes']}"] if None not in (pitch["balls"], pitch["strikes"]) else []),
    ]


def _percent(probability: float) -> str:
    return f"{100 * probability:.1f}%" if probability < 0.9995 else "above 99.9%"


def _print_sightings(report: PitchReport, out: Console) -> None:
    gaps = _gaps(report)
    rows = [
        (
            sighting["tracker"],
            sighting["sighting_id"],
            clock_words(sighting["thrown_at"], report.zone, milliseconds=True)
            if sighting["thrown_at"]
            else "order only",
            f"{sighting['clock_resolution_s']:g}" if sighting["clock_resolution_s"] else "",
            gaps.get(sighting["sighting_id"], ""),
            sighting["pitcher_label"] or "-",
            sighting["pitch_type"] or "-",
        )
        for sighting in report.sightings
    ]
    columns = ("tracker", "sighting", "own clock", "resolution s", "gap s", "pitcher", "type")
    out.print("Sightings (gap: time after the first, with clocks corrected)", style="bold")
    out.print(make_table(columns, rows, numbers_from=99, whole=("sighting", "own clock", "type")))
    for sighting in report.sightings:
        station = STATION_SOURCES.get(sighting["station_by"], f"station by {sighting['station_by']}")
        changes = [
            f"{METRICS[c['metric']].words} {c['raw_value']:.6g} to {sighting[c['metric']]:.6g} {METRICS[c['metric']].unit}"
            for c in sighting["corrections"] or ()
        ]
        corrected = f"; corrected: {', '.join(changes)}" if changes else ""
        place = f"{sighting['file_name']} row {sighting['file_row']}"
        out.print(harmless(f"  {sighting['tracker']}: {place}; {station}{corrected}"))
    for row in report.set_aside:
        out.print(harmless(f"  {row['tracker']} row {row['file_row']} is set aside ({row['kind']}): {row['why']}"))
    for row in report.lost_values:
        out.print(harmless(f"  {row['tracker']}: a reading was left out: {row['reason']}"))
    out.print()


def _gaps(report: PitchReport) -> dict[str, str]:
    """Return each sighting's time minus that of the pitch's first sighting, with clocks corrected."""
    first = report.sightings[0]["sighting_id"]
    pairs = report.pairs.filter(pl.col("sighting_a") == first, pl.col("time_gap_s").is_not_null())
    return {sighting: f"{gap:+.2f}" for sighting, gap in pairs.select("sighting_b", "time_gap_s").iter_rows()}


# ---- readings ----------------------------------------------------------------------------------------------------------------------------


def _print_readings(report: PitchReport, out: Console) -> None:
    columns = ["metric", *(sighting["tracker"] for sighting in report.sightings), "preferred", "spread", "± 1 SD"]
    rows = [_reading_row(metric, report) for metric in METRICS if metric in report.values]
    out.print("Readings (* is the source of the preferred value)", style="bold")
    out.print(make_table(columns, rows, whole=columns))
    if "spin_axis_deg" in report.values:
        (face,) = clock_from_axis(np.array([report.values["spin_axis_deg"]["value"]]))
        out.print(harmless(f"  Spin axis on a clock face, as the pitcher sees it: {face}."))
    for metric, value in report.values.items():
        if value["policy"] != "prefer":
            out.print(
                harmless(f"  {METRICS[metric].words}: {value['policy']} of {value['trackers'].replace(',', ', ')}.")
            )
        if value["outliers"]:
            out.print(
                harmless(f"  {METRICS[metric].words}: {value['outliers']} is too far from the others to be preferred.")
            )
    out.print()


def _reading_row(metric: str, report: PitchReport) -> tuple[str, ...]:
    value = report.values[metric]
    sources = value["trackers"].split(",")

    def digits(number: float | None) -> str:
        return "" if number is None else f"{number:.{report.decimals[metric]}f}"

    readings = []
    for sighting in report.sightings:
        mark = "*" if sighting["tracker"] in sources else " "
        readings.append("" if sighting[metric] is None else digits(sighting[metric]) + mark)
    spread = digits(value["spread"]) if value["seen_by"] > 1 else ""
    unit = "" if METRICS[metric].unit == "ratio" else f", {METRICS[metric].unit}"
    return (
        f"{METRICS[metric].words}{unit}",
        *readings,
        digits(value["value"]),
        spread,
        digits(value["uncertainty"]) or "not known",
    )
