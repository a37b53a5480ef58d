"""A second look at what a clock path has left over: a stretch that both trackers wrote, but that a step of the clock put out of reach.

The first search for the path (`clock`) sees a few readings of each pair; a step that is followed, or preceded, by three or four records
only can be missed by it. Between two pairs that are sure, or beyond the last one, the records that both sides have left are compared in
full: where several of them are one another's partners at one common offset, the clock was set there.
"""

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pipeline.matching.arrays import Floats, Ints
from pipeline.matching.bands import Cells, is_coarse
from pipeline.matching.clock import Clock
from pipeline.matching.fitting import Place
from pipeline.matching.labels import LabelModel, label_evidence
from pipeline.matching.readings import ReadingModel, log_ratio
from pipeline.matching.records import Records, Unit

# pairs of leftover records in one stretch that are looked at; more are a session that was not found at all, not a step
_MOST_PAIRS = 4000
# evidence that a step must have (natural log, as in `clock`), and what two pairs at one offset say beyond their readings
_STEP_COST, _SAME_OFFSET = 14.0, 4.0
# what it says for a step that it leaves one side without any record that the other missed: two runs of misses are rare in one place
_NONE_LEFT = 6.0
# evidence that a record must have to go over to the stretch on the other side of a step
_OTHER_SIDE = 2.0
# share of the shorter stream that must be in pairs: a unit with fewer is no session that its clock's steps cut up
_ENOUGH = 0.3
# pairs with less say nothing
_TELLING = 0.5
# time differences of one offset lie within so many spreads of it
_WIDTH = 3.0


class _Leftover(NamedTuple):
    """Pairs of leftover records, (pairs,): unit; sure pairs before and in all; records that the poorer side has left in the stretch;
    places in the streams, rows, time difference and evidence."""

    unit: Ints
    stretch: Ints
    last: Ints
    poorer: Ints
    i: Ints
    j: Ints
    first: Ints
    second: Ints
    gap_s: Floats
    evidence: Floats

    def take(self, keep: Ints) -> "_Leftover":
        """Some of the pairs."""
        return self._replace(**{name: column[keep] for name, column in self._asdict().items()})


def with_steps(
    records: Records,
    units: list[Unit],
    which: Ints,
    models: tuple[ReadingModel, LabelModel | None],
    cells: Cells,
    places: list[Place],
) -> list[Place]:
    """The places; where a unit's leftover records show a step of its clock, with that step in its path."""
    left = _telling(records, which, models, _leftover(records, units, cells, places))
    out = list(places)
    turns = np.flatnonzero((np.diff(left.unit) != 0) | (np.diff(left.stretch) != 0)) + 1
    for start, end in pairwise([0, *turns.tolist(), len(left.unit)] if len(left.unit) else []):
        u = int(left.unit[start])
        clock = out[u].clock
        assert clock is not None
        out[u] = out[u]._replace(clock=_moved(clock, left.take(np.arange(start, end))))
    return out


def _leftover(records: Records, units: list[Unit], cells: Cells, places: list[Place]) -> _Leftover:
    """Every two records without a partner that lie between the same sure pairs of their streams."""
    # a pair that only its time speaks for may stand at the wrong side of a step
    told = np.flatnonzero((cells.posterior > 0.5) & (cells.readings + cells.label > 0))
    cuts = np.searchsorted(cells.unit[told], np.arange(len(units) + 1))
    parts: list[tuple[Ints, ...]] = [(np.zeros(0, dtype=np.int64),) * 8]
    for u, (unit, place) in enumerate(zip(units, places, strict=True)):
        mine = told[cuts[u] : cuts[u + 1]]
        enough = len(mine) >= _ENOUGH * min(len(unit.first.rows), len(unit.second.rows))
        if place.clock is not None and enough and not is_coarse(unit):
            parts += _stretches(u, unit, cells.i[mine], cells.j[mine])
    of, stretch, last, poorer, i, j, first, second = (np.concatenate(column) for column in zip(*parts, strict=True))
    gap = records.seen_s[second] - records.seen_s[first]
    return _Leftover(of, stretch, last, poorer, i, j, first, second, gap, np.zeros(len(gap)))


def _stretches(u: int, unit: Unit, taken_i: Ints, taken_j: Ints) -> list[tuple[Ints, ...]]:
    """The leftover pairs of one unit, stretch by stretch: the columns of `_Leftover` up to the rows."""
    i, first = _without_partner(taken_i, unit.first.seen_s)
    j, second = _without_partner(taken_j, unit.second.seen_s)
    out: list[tuple[Ints, ...]] = []
    for stretch in np.intersect1d(first, second).tolist():
        ours, theirs = i[first == stretch], j[second == stretch]
        if len(ours) * len(theirs) <= _MOST_PAIRS:
            a, b = np.repeat(ours, len(theirs)), np.tile(theirs, len(ours))
            same = (np.full(len(a), value) for value in (u, stretch, len(taken_i), min(len(ours), len(theirs))))
            out.append((*same, a, b, unit.first.rows[a], unit.second.rows[b]))
    return out


def _without_partner(taken: Ints, seen_s: Floats) -> tuple[Ints, Ints]:
    """(places of the stamped records that are in no pair, how many pairs come before each)."""
    free = ~np.isnan(seen_s)
    free[taken] = False
    at = np.flatnonzero(free)
    return at, np.searchsorted(np.sort(taken), at)


def _telling(
    records: Records, which: Ints, models: tuple[ReadingModel, LabelModel | None], left: _Leftover
) -> _Leftover:
    """The pairs whose readings and labels speak for one pitch."""
    of = which[left.unit]
    say = log_ratio(models[0], of, records.readings, left.first, left.second)
    if models[1] is not None:
        say = say + label_evidence(models[1], of, records.labels, left.first, left.second)
    keep = np.flatnonzero(say > _TELLING)
    return left._replace(evidence=say).take(keep)


def _moved(clock: Clock, left: _Leftover) -> Clock:
    """The path with the stretch's best offset, if enough speaks for it."""
    width = _WIDTH * clock.sigma_s
    apart = (left.i[:, None] != left.i) & (left.j[:, None] != left.j) | np.eye(len(left.i), dtype=bool)
    together = apart & (np.abs(left.gap_s[:, None] - left.gap_s) <= width)
    score = (together * (left.evidence + _SAME_OFFSET)).sum(axis=1) - _SAME_OFFSET
    mine = np.flatnonzero(together[int(np.argmax(score))])
    offset = float(np.median(left.gap_s[mine]))
    start, end = int(left.j[mine].min()), int(left.j[mine].max()) + 1
    if np.abs(clock.offset_s[start:end] - offset).max() <= width:
        return clock
    for neighbour in (start - 1, end):
        inside = 0 <= neighbour < len(clock.offset_s)
        if inside and abs(float(clock.offset_s[neighbour]) - offset) <= width and score.max() > _OTHER_SIDE:
            return _with_stretch(clock, start, end, float(clock.offset_s[neighbour]), int(clock.segment[neighbour]))
    if len(mine) < 2 or score.max() + _NONE_LEFT * (len(mine) >= left.poorer[0]) <= _STEP_COST:
        return clock
    start = 0 if left.stretch[0] == 0 else start
    end = len(clock.offset_s) if left.stretch[0] == left.last[0] else end
    return _with_stretch(clock, start, end, offset, -1)


def _with_stretch(clock: Clock, start: int, end: int, offset: float, segment: int) -> Clock:
    """The path with another offset from record `start` up to `end`, as part of a segment or as one of its own (-1)."""
    path, number = clock.offset_s.copy(), clock.segment.copy()
    path[start:end], number[start:end] = offset, segment
    return clock._replace(offset_s=path, segment=np.concatenate([[0], np.cumsum(np.diff(number) != 0)]))
