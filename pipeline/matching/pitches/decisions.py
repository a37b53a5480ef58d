"""Read people's decisions about pairs and pitches; a decision overrides every probability."""

from datetime import date
from typing import NamedTuple

import polars as pl

from pipeline.matching.data.records import Records
from pipeline.settings.people import throwers

_PAIR_KINDS = ("same_pitch", "not_same_pitch")
PROBLEMS = {"kind": pl.String, "subject": pl.String, "object": pl.String, "problem": pl.String}

# One line of decisions.csv: kind, subject, object.
_Line = tuple[str, str, str | None]


class _Source(NamedTuple):
    """Which tracker recorded a sighting, where and when."""

    tracker: str
    venue: str | None
    station: str | None
    baseball_day: date


class Decisions(NamedTuple):
    """`same`, `apart`: pairs of sighting ids that are one pitch, or not. `no_pitch`: sightings that are not a pitch.

    `thrown_by`: sightings whose pitcher a person named. `problems`: one row per decision that cannot be applied.
    """

    same: tuple[tuple[str, str], ...]
    apart: tuple[tuple[str, str], ...]
    no_pitch: frozenset[str]
    thrown_by: frozenset[str]
    problems: pl.DataFrame

    def row_pairs(self, records: Records) -> tuple[list[tuple[int, int]], set[tuple[int, int]]]:
        """Return (same, apart) as pairs of rows, lower row first; pairs with a sighting that has no row are left out."""
        if not self.same and not self.apart:
            return [], set()
        row_of = {sighting: row for row, sighting in enumerate(records.frame["sighting_id"].to_list())}
        same, apart = (
            {(min(row_of[a], row_of[b]), max(row_of[a], row_of[b])) for a, b in pairs if a in row_of and b in row_of}
            for pairs in (self.same, self.apart)
        )
        return sorted(same), apart


def resolve_decisions(decisions: pl.DataFrame, sightings: pl.DataFrame) -> Decisions:
    """Return the decisions that apply to these sightings, whatever the order of their lines.

    Where two lines contradict each other, the one that keeps records apart wins and the other is a problem.
    """
    lines = (
        decisions.filter(pl.col("kind").is_in([*_PAIR_KINDS, "no_pitch"]))
        .select("kind", "subject", "object")
        .unique()
        .sort("kind", "subject", "object")
    )
    sources = _sources(sightings, [*lines.get_column("subject"), *lines.get_column("object").drop_nulls()])
    no_pitch = frozenset(subject for kind, subject, _ in lines.iter_rows() if kind == "no_pitch")
    pairs = {
        kind: {(min(a, b), max(a, b)) for k, a, b in lines.iter_rows() if k == kind and a and b} for kind in _PAIR_KINDS
    }
    problems = [
        (*line, problem)
        for line in lines.iter_rows()
        if (problem := _problem(line, sources, no_pitch, pairs["not_same_pitch"]))
    ]
    refused = {(kind, *sorted((a, b or ""))) for kind, a, b, _ in problems}
    return Decisions(
        same=tuple(pair for pair in sorted(pairs["same_pitch"]) if ("same_pitch", *pair) not in refused),
        apart=tuple((a, b) for a, b in sorted(pairs["not_same_pitch"]) if a in sources and b in sources),
        no_pitch=no_pitch & sources.keys(),
        thrown_by=frozenset(throwers(decisions).get_column("sighting_id").to_list()),
        problems=pl.DataFrame(problems, schema=PROBLEMS, orient="row"),
    )


def _sources(sightings: pl.DataFrame, ids: list[str]) -> dict[str, _Source]:
    if not ids:
        return {}
    columns = sightings.select("sighting_id", "tracker", "venue", "station", "baseball_day")
    return {
        sighting: _Source(*source) for sighting, *source in columns.filter(pl.col("sighting_id").is_in(ids)).iter_rows()
    }


def _problem(
    line: _Line, sources: dict[str, _Source], no_pitch: frozenset[str], apart: set[tuple[str, str]]
) -> str | None:
    """Return why a decision cannot be applied, or None."""
    kind, a, b = line
    unknown = [sighting for sighting in ((a,) if kind == "no_pitch" else (a, b)) if sighting not in sources]
    if unknown:
        return f"no sighting has the id {unknown[0]}"
    if kind != "same_pitch" or b is None:
        return None
    if (min(a, b), max(a, b)) in apart:
        return "another decision says that these two are not one pitch; they are kept apart"
    source_a, source_b = sources[a], sources[b]
    if source_a.tracker == source_b.tracker:
        return f"both are from tracker {source_a.tracker}, and a pitch holds one sighting per tracker; use no_pitch to set a double record aside"
    if a in no_pitch or b in no_pitch:
        return "another decision says that one of them is not a pitch"
    return _too_far_apart(source_a, source_b)


def _too_far_apart(a: _Source, b: _Source) -> str | None:
    """Two sightings of one pitch share venue, baseball day and station; the station of one of them may be unknown."""
    if (a.venue, a.baseball_day) != (b.venue, b.baseball_day):
        return (
            f"they are from different venues or baseball days ({a.venue} {a.baseball_day}, {b.venue} {b.baseball_day})"
        )
    if a.station is None and b.station is None:
        return "the station of both is unknown"
    if a.station is not None and b.station is not None and a.station != b.station:
        return f"they are from different stations ({a.station}, {b.station})"
    return None
