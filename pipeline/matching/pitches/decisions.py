"""What people decided in review; it wins over every probability."""

from datetime import date
from typing import NamedTuple

import polars as pl

from pipeline.matching.data.records import Records
from pipeline.settings.people import throwers

_PAIR_KINDS = ("same_pitch", "not_same_pitch")
PROBLEMS = {"kind": pl.String, "subject": pl.String, "object": pl.String, "problem": pl.String}


class _Seat(NamedTuple):
    """Where a sighting was made, by whom and when."""

    tracker: str
    venue: str | None
    station: str | None
    baseball_day: date


class Decided(NamedTuple):
    """Pairs of sighting ids that are one pitch (`same`), that are not (`apart`), sightings that are none, those of which somebody said who
    threw them, and problems found."""

    same: tuple[tuple[str, str], ...]
    apart: tuple[tuple[str, str], ...]
    no_pitch: frozenset[str]
    thrown_by: frozenset[str]
    problems: pl.DataFrame

    def places(self, records: Records) -> tuple[list[tuple[int, int]], set[tuple[int, int]]]:
        """The same pairs as rows of the records; pairs with a sighting that is not among them are left out."""
        place = (
            {sighting: row for row, sighting in enumerate(records.frame["sighting_id"].to_list())}
            if self.same or self.apart
            else {}
        )
        same, apart = (
            [(place[a], place[b]) for a, b in pairs if a in place and b in place] for pairs in (self.same, self.apart)
        )
        return sorted((min(p), max(p)) for p in same), {(min(p), max(p)) for p in apart}


def read_decisions(decisions: pl.DataFrame, sightings: pl.DataFrame) -> Decided:
    """Decisions about pairs and pitches, in an order of their own; contradictions are told and the one that keeps apart holds."""
    about = (
        decisions.filter(pl.col("kind").is_in([*_PAIR_KINDS, "no_pitch"]))
        .select("kind", "subject", "object")
        .unique()
        .sort("kind", "subject", "object")
    )
    known = _seats(sightings, [*about.get_column("subject"), *about.get_column("object").drop_nulls()])
    no_pitch = frozenset(s for kind, s, _ in about.iter_rows() if kind == "no_pitch")
    pairs = {
        kind: {(min(a, b), max(a, b)) for k, a, b in about.iter_rows() if k == kind and a and b} for kind in _PAIR_KINDS
    }
    problems = [problem for row in about.iter_rows() if (problem := _problem(row, known, no_pitch, pairs))]
    bad = {(kind, *sorted((a, b or ""))) for kind, a, b, _ in problems}
    same = tuple(p for p in sorted(pairs["same_pitch"]) if ("same_pitch", *p) not in bad)
    apart = tuple(p for p in sorted(pairs["not_same_pitch"]) if p[0] in known and p[1] in known)
    thrown_by = frozenset(throwers(decisions).get_column("sighting_id").to_list())
    told = pl.DataFrame(problems, schema=PROBLEMS, orient="row")
    return Decided(same, apart, no_pitch & known.keys(), thrown_by, told)


def _seats(sightings: pl.DataFrame, ids: list[str]) -> dict[str, _Seat]:
    if not ids:
        return {}
    named = sightings.select("sighting_id", "tracker", "venue", "station", "baseball_day").filter(
        pl.col("sighting_id").is_in(ids)
    )
    return {i: _Seat(*seat) for i, *seat in named.iter_rows()}


def _problem(
    row: tuple[str, str, str | None],
    known: dict[str, _Seat],
    no_pitch: frozenset[str],
    pairs: dict[str, set[tuple[str, str]]],
) -> tuple[str, str, str | None, str] | None:
    kind, a, b = row
    if kind == "no_pitch":
        return None if a in known else (*row, f"no sighting has the id {a}")
    unknown = [i for i in (a, b) if i not in known]
    if unknown:
        return (*row, f"no sighting has the id {unknown[0]}")
    assert b is not None
    if kind == "not_same_pitch":
        return None
    if (min(a, b), max(a, b)) in pairs["not_same_pitch"]:
        return (*row, "another decision says that these two are not one pitch; they are kept apart")
    one, other = known[a], known[b]
    if one.tracker == other.tracker:
        return (
            *row,
            f"both are of tracker {one.tracker}; a pitch holds one sighting of a tracker (no_pitch sets a double record aside)",
        )
    if a in no_pitch or b in no_pitch:
        return (*row, "another decision says that one of them is no pitch")
    return _too_far_apart(row, one, other)


def _too_far_apart(
    row: tuple[str, str, str | None], one: _Seat, other: _Seat
) -> tuple[str, str, str | None, str] | None:
    """Two sightings of one pitch are at one venue and station and on one baseball day; one of the stations may be unknown."""
    if (one.venue, one.baseball_day) != (other.venue, other.baseball_day):
        said = f"{one.venue} {one.baseball_day}, {other.venue} {other.baseball_day}"
        return (*row, f"they are of different venues or baseball days ({said})")
    if one.station is None and other.station is None:
        return (*row, "the station of both is unknown")
    if one.station is not None and other.station is not None and one.station != other.station:
        return (*row, f"they are at different stations ({one.station}, {other.station})")
    return None
