"""One pitch, told whole: who saw it, what each read, why they are one pitch, and where each preferred value came from."""

import contextlib
from pathlib import Path
from typing import Any

import duckdb
from rich.console import Console

from pipeline.errors import PitchledgerError
from pipeline.publishing import open_published
from pipeline.reports.printing import harmless, make_table
from schemas.metrics import METRICS


def print_pitch(folder: Path, any_id: str, out: Console) -> None:
    """Print the pitch of a pitch id (also one of earlier runs) or of a sighting id. Raises PitchledgerError where there is none."""
    with contextlib.closing(open_published(folder)) as con:
        pitch_id = _resolve(con, any_id)
        if pitch_id != any_id:
            out.print(harmless(f"{any_id} is in pitch {pitch_id} now."))
        (pitch,) = _dicts(con, "select * from pitches where pitch_id = ?", pitch_id)
        sightings = _dicts(
            con,
            "select * from sightings where pitch_id = ? order by list_position(string_split(?, ','), tracker)",
            pitch_id,
            pitch["trackers"],
        )
        ids = [sighting["sighting_id"] for sighting in sightings]
        pairs = _dicts(
            con,
            "select * from match_pairs where list_contains(?, sighting_a) or list_contains(?, sighting_b) order by probability desc",
            ids,
            ids,
        )
        values = _dicts(con, "select * from pitch_values where pitch_id = ?", pitch_id)
    _print_head(pitch, out)
    _print_sightings(sightings, out)
    _print_readings(sightings, {value["metric"]: value for value in values}, out)
    _print_reasons(pitch, sightings, pairs, out)


def _resolve(con: duckdb.DuckDBPyConnection, any_id: str) -> str:
    """The pitch that the id leads to."""
    found = con.execute(
        """select pitch_id from pitches where pitch_id = $1
        union all select pitch_id from pitch_aliases where old_pitch_id = $1
        union all select pitch_id from sightings where sighting_id = $1
        union all select sightings.pitch_id from set_aside join sightings on sightings.sighting_id = set_aside.of_sighting_id where set_aside.sighting_id = $1""",
        [any_id],
    ).fetchone()
    if found is None:
        raise PitchledgerError(
            f"no pitch or sighting has the id '{any_id}'; `pitchledger query \"from pitch_log limit 10\"` lists some"
        )
    if found[0] is None:
        raise PitchledgerError(f"'{any_id}' is no pitch any more: a person decided so (decisions.csv)")
    return str(found[0])


def _dicts(con: duckdb.DuckDBPyConnection, sql: str, *values: object) -> list[dict[str, Any]]:
    answer = con.execute(sql, list(values))
    names = [column[0] for column in answer.description or []]
    return [dict(zip(names, row, strict=True)) for row in answer.fetchall()]


def _print_head(pitch: dict[str, Any], out: Console) -> None:
    when = (
        f"{pitch['thrown_at']:%H:%M:%S} UTC by {pitch['thrown_at_by']}"
        if pitch["thrown_at"]
        else "no clock saw it: placed by order"
    )
    out.print(
        harmless(f"Pitch {pitch['pitch_id']}: number {pitch['pitch_number']} of {pitch['session_id']}, {when}"),
        style="bold",
    )
    who = pitch["pitcher_id"] or pitch["pitcher_label"] or "unknown pitcher"
    state = [
        f"{name} {pitch[name]}" for name in ("inning", "half", "outs", "balls", "strikes") if pitch[name] is not None
    ]
    out.print(
        harmless(
            f"{who} ({pitch['pitcher_label']}); {pitch['pitch_type'] or 'type unknown'}; {pitch['pitch_call'] or 'call unknown'}; {', '.join(state)}"
        )
    )
    doubt = "; DOUBTFUL: a person should look" if pitch["doubtful"] else ""
    out.print(
        harmless(
            f"Seen by {pitch['trackers']}. Probability that this is right: {_probability(pitch['match_probability'])}{doubt}"
        )
    )
    for flag, words in (
        ("pitcher_conflict", "the trackers name different pitchers"),
        ("label_conflict", "the trackers' labels differ"),
    ):
        if pitch[flag]:
            out.print(f"Note: {words}.")
    out.print()


def _print_sightings(sightings: list[dict[str, Any]], out: Console) -> None:
    rows = [
        (
            s["tracker"],
            s["sighting_id"],
            f"{s['thrown_at']:%H:%M:%S.%f}"[:-3] if s["thrown_at"] else "-",
            s["clock_resolution_s"] or "order only",
            s["pitcher_label"] or "-",
            s["pitch_type"] or "-",
            s["station_by"] or "-",
            f"{s['file_id']} row {s['file_row']}",
        )
        for s in sightings
    ]
    out.print(
        make_table(
            "Sightings (each by its own clock, UTC)",
            ("tracker", "sighting", "stamp", "step s", "pitcher", "type", "station by", "file"),
            rows,
            numbers_from=9,
        )
    )
    out.print()


def _print_readings(sightings: list[dict[str, Any]], values: dict[str, dict[str, Any]], out: Console) -> None:
    columns = ["metric", *(s["tracker"] for s in sightings), "preferred", "from", "spread", "± 1 SD", "note"]
    rows = []
    for metric in METRICS.values():
        if metric.name not in values:
            continue
        value = values[metric.name]
        apart = f"{value['stands_apart']} stands apart from the others" if value["stands_apart"] else ""
        readings = [_number(s[metric.name]) for s in sightings]
        source = value["trackers"] if value["policy"] == "prefer" else f"{value['policy']} of {value['trackers']}"
        spread = _number(value["spread"]) if value["seen_by"] > 1 else ""
        rows.append(
            (
                metric.name,
                *readings,
                _number(value["value"]),
                source,
                spread,
                _number(value["uncertainty"]) or "not known",
                apart,
            )
        )
    out.print(make_table("Readings side by side", columns, rows))
    out.print()


def _print_reasons(
    pitch: dict[str, Any], sightings: list[dict[str, Any]], pairs: list[dict[str, Any]], out: Console
) -> None:
    if not pairs:
        out.print("No other tracker's record comes into question: nothing was merged.")
        return
    inside = {sighting["sighting_id"] for sighting in sightings}
    together = [pair for pair in pairs if pair["sighting_a"] in inside and pair["sighting_b"] in inside]
    rivals = [pair for pair in pairs if pair not in together]
    for title, some in (("Why these are one pitch", together), ("Other records that came into question", rivals)):
        if some:
            out.print(title, style="bold")
            for pair in some:
                out.print(harmless(f"- {_pair_sentence(pair)}"))


def _pair_sentence(pair: dict[str, Any]) -> str:
    from pipeline.matching.wording import pair_sentence

    return pair_sentence(pair)


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.3f}".rstrip("0").rstrip(".")


def _probability(value: float) -> str:
    return f"{value:.3f}" if value < 0.9995 else "above 0.999"
