"""One pitch, told whole: who saw it, what each read, why they are one pitch, and where each preferred value came from."""

import math
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl
from rich.console import Console

from pipeline.errors import PitchledgerError
from pipeline.matching.explain import explain_double, explain_pairs
from pipeline.physics.frames import clock_from_axis
from pipeline.reports.printing import harmless, make_table
from pipeline.warehouse.query import ONE_ROW_PER_FILE_ID, published_connection
from schemas.metrics import METRICS, Metric

Row = dict[str, Any]


class UnknownIdError(PitchledgerError):
    """The id that was asked for is no pitch's and no sighting's."""

    exit_code = 2


class Told(NamedTuple):
    """All that the tables say of one pitch."""

    pitch: Row
    sightings: list[Row]
    pairs: pl.DataFrame
    doubles: list[Row]
    values: dict[str, Row]
    set_aside: list[Row]
    nulled: list[Row]


def print_pitch(folder: Path, any_id: str, out: Console) -> None:
    """Print the pitch of a pitch id (also one of earlier runs) or of a sighting id. Raises UnknownIdError where there is none."""
    with published_connection(folder) as con:
        pitch_id = _resolve(con, any_id)
        told = _read(con, pitch_id)
    if pitch_id != any_id:
        out.print(harmless(f"{any_id} is in pitch {pitch_id} now."))
    _print_head(told.pitch, out)
    _print_sightings(told, out)
    _print_readings(told, out)
    out.print("Why these are one pitch" if len(told.sightings) > 1 else "Why it stands alone", style="bold")
    for sentence in [*explain_pairs(told.pairs), *map(explain_double, told.doubles)]:
        out.print(harmless(f"- {sentence}"))


def _resolve(con: duckdb.DuckDBPyConnection, any_id: str) -> str:
    """The pitch that the id leads to."""
    found = con.execute(
        """select pitch_id from pitches where pitch_id = $1
        union all select pitch_id from pitch_aliases where old_pitch_id = $1
        union all select pitch_id from sightings where sighting_id = $1
        union all select pitch_id from pitch_aliases where old_pitch_id = 'p' || substr($1, 2) and $1 like 's%'
        union all select sightings.pitch_id from set_aside join sightings on sightings.sighting_id = of_sighting_id
            where set_aside.sighting_id = 's' || substr($1, 2)
        union all select null from set_aside where sighting_id = 's' || substr($1, 2)""",
        [any_id],
    ).fetchall()
    if not found:
        raise UnknownIdError(
            f"no pitch or sighting has the id '{any_id}'; `pitchledger query 'from pitch_log limit 10'` lists some"
        )
    if found[0][0] is None:
        raise UnknownIdError(f"'{any_id}' is no pitch any more: a person decided so (decisions.csv)")
    return str(found[0][0])


def _read(con: duckdb.DuckDBPyConnection, pitch_id: str) -> Told:
    (pitch,) = _dicts(
        con,
        "select pitches.*, players.name from pitches left join players on players.player_id = pitcher_id where pitch_id = $id",
        id=pitch_id,
    )
    sightings = _dicts(
        con,
        f"""select sightings.*, file_name from sightings
        left join (select file_id, file_name from {ONE_ROW_PER_FILE_ID}) using (file_id)
        where pitch_id = $id order by list_position(string_split($trackers, ','), tracker)""",
        id=pitch_id,
        trackers=pitch["trackers"],
    )
    ids = [sighting["sighting_id"] for sighting in sightings]
    pairs = con.sql(
        "from match_pairs where list_contains($ids, sighting_a) or list_contains($ids, sighting_b)", params={"ids": ids}
    ).pl()
    doubles = _dicts(
        con,
        "from double_triggers where list_contains($ids, sighting_id) or list_contains($ids, of_sighting_id) order by all",
        ids=ids,
    )
    values = _dicts(con, "from pitch_values where pitch_id = $id", id=pitch_id)
    aside = _dicts(
        con,
        "from set_aside where list_contains($ids, of_sighting_id) or list_contains($ids, sighting_id) order by file_id, file_row",
        ids=ids,
    )
    nulled = _dicts(
        con,
        """select quarantine.tracker, quarantine.reason from quarantine join sightings using (file_id, file_row)
        where level = 'value' and pitch_id = $id order by all""",
        id=pitch_id,
    )
    return Told(pitch, sightings, pairs, doubles, {value["metric"]: value for value in values}, aside, nulled)


def _dicts(con: duckdb.DuckDBPyConnection, sql: str, **values: object) -> list[Row]:
    rows: list[Row] = con.sql(sql, params=values).pl().to_dicts()
    return rows


# ---- who and when ------------------------------------------------------------------------------------------------------------------------


def _print_head(pitch: Row, out: Console) -> None:
    clock = (
        f"{pitch['thrown_at']:%H:%M:%S} UTC by {pitch['thrown_at_by']}"
        if pitch["thrown_at"]
        else "no clock saw it: placed by order"
    )
    out.print(
        harmless(f"Pitch {pitch['pitch_id']}: number {pitch['pitch_number']} of {pitch['session_id']}, {clock}"),
        style="bold",
    )
    state = [
        f"{name} {pitch[name]}" for name in ("inning", "half", "outs", "balls", "strikes") if pitch[name] is not None
    ]
    facts = [
        _pitcher(pitch),
        pitch["pitch_type"] or "type unknown",
        pitch["pitch_result"] or "call unknown",
        ", ".join(state),
    ]
    out.print(harmless("; ".join(fact for fact in facts if fact)))
    doubt = "; DOUBTFUL: a person should look" if pitch["doubtful"] else ""
    trackers = pitch["trackers"].replace(",", ", ")
    out.print(
        harmless(
            f"Seen by {trackers}. Probability that this is right: {_probability(pitch['match_probability'])}{doubt}"
        )
    )
    flags = {
        "pitcher_conflict": "the trackers name different pitchers",
        "label_conflict": "the trackers' labels differ",
    }
    for flag, words in flags.items():
        if pitch[flag]:
            out.print(f"Note: {words}.")
    out.print()


def _pitcher(pitch: Row) -> str:
    if pitch["pitcher_id"]:
        by = ", as a person decided" if pitch["pitcher_by"] == "person" else ""
        return f"{pitch['name'] or pitch['pitcher_label']} ({pitch['pitcher_id']}{by})"
    return f"{pitch['pitcher_label']} (not settled who that is)" if pitch["pitcher_label"] else "unknown pitcher"


def _probability(value: float) -> str:
    return f"{value:.3f}" if value < 0.9995 else "above 0.999"


def _print_sightings(told: Told, out: Console) -> None:
    gaps = _gaps(told)
    rows = [
        (
            s["tracker"],
            s["sighting_id"],
            f"{s['thrown_at']:%H:%M:%S.%f}"[:-3] if s["thrown_at"] else "order only",
            f"{s['clock_resolution_s']:g}" if s["clock_resolution_s"] else "",
            gaps.get(s["sighting_id"], ""),
            s["pitcher_label"] or "-",
            s["pitch_type"] or "-",
        )
        for s in told.sightings
    ]
    columns = ("tracker", "sighting", "stamp", "step s", "gap s", "pitcher", "type")
    title = "Sightings, each by its own clock (UTC); gap: to the first, clocks set right"
    out.print(make_table(title, columns, rows, numbers_from=99, whole=("sighting", "stamp", "type")))
    for s in told.sightings:
        changes = [f"{c['metric']} {c['raw_value']:g} -> {s[c['metric']]:g}" for c in s["corrections"] or ()]
        corrected = f"; corrected: {', '.join(changes)}" if changes else ""
        out.print(
            harmless(
                f"  {s['tracker']}: {s['file_name']} row {s['file_row']}; station by {s['station_by'] or 'nobody'}{corrected}"
            )
        )
    for a in told.set_aside:
        out.print(harmless(f"  {a['tracker']} row {a['file_row']} is set aside ({a['kind']}): {a['why']}"))
    for q in told.nulled:
        out.print(harmless(f"  {q['tracker']}: a reading left out: {q['reason']}"))
    out.print()


def _gaps(told: Told) -> dict[str, str]:
    """By sighting, its time less that of the pitch's first sighting, after clock correction."""
    first = told.sightings[0]["sighting_id"]
    told_gaps = {}
    for pair in told.pairs.iter_rows(named=True):
        if pair["sighting_a"] == first and pair["time_gap_s"] is not None:
            told_gaps[pair["sighting_b"]] = f"{pair['time_gap_s']:+.2f}"
    return told_gaps


# ---- readings ----------------------------------------------------------------------------------------------------------------------------


def _print_readings(told: Told, out: Console) -> None:
    columns = ["metric", *(s["tracker"] for s in told.sightings), "preferred", "spread", "± 1 SD"]
    rows = [_reading_row(metric, told) for metric in METRICS.values() if metric.name in told.values]
    out.print(make_table("Readings side by side; * made the preferred value", columns, rows, whole=columns))
    if "spin_axis_deg" in told.values:
        (face,) = clock_from_axis(np.array([told.values["spin_axis_deg"]["value"]]))
        out.print(harmless(f"  spin axis on a clock face as the pitcher sees it: {face}"))
    for name, value in told.values.items():
        if value["policy"] != "prefer":
            out.print(harmless(f"  {name}: {value['policy']} of {value['trackers'].replace(',', ', ')}"))
        if value["stands_apart"]:
            out.print(harmless(f"  {name}: {value['stands_apart']} stands apart from the others and was not preferred"))
    out.print()


def _reading_row(metric: Metric, told: Told) -> tuple[str, ...]:
    value = told.values[metric.name]
    sources = value["trackers"].split(",")
    readings = (_marked(_number(metric, s[metric.name]), s["tracker"] in sources) for s in told.sightings)
    spread = _number(metric, value["spread"]) if value["seen_by"] > 1 else ""
    uncertainty = _number(metric, value["uncertainty"]) or "not known"
    return (metric.name, *readings, _number(metric, value["value"]), spread, uncertainty)


def _marked(reading: str, is_source: bool) -> str:
    return f"{reading}{'*' if is_source else ' '}" if reading else ""


def _number(metric: Metric, value: float | None) -> str:
    """To a tenth of what two trackers may differ by: more digits would only seem exact."""
    decimals = max(0, 1 - math.floor(math.log10(metric.tolerance)))
    return "" if value is None else f"{value:.{decimals}f}"
