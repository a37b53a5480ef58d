"""A second look at what a clock path has left over: a stretch that both trackers wrote, but that a step of the clock put out of reach.

The first search for the path (`clock`) sees a few readings of each pair; a step that is followed, or preceded, by three or four records
only can be missed by it. Between two pairs that are sure, or beyond the last one, the records that both sides have left are compared in
full: where several of them are one another's partners at one common offset, the clock was set there. Where the path steps from one sure
pair to the next, a single pair may be enough: that clock was set twice in a row, with one pitch in between.
"""

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pipeline.matching.alignment.align_round import Place
from pipeline.matching.alignment.bands import Cells, is_coarse
from pipeline.matching.clocks.search import Clock
from pipeline.matching.data.arrays import Bools, Floats, Ints
from pipeline.matching.data.records import Records, Unit
from pipeline.matching.evidence.labels import LabelModel, label_evidence
from pipeline.matching.evidence.readings import ReadingModel, log_ratio

# pairs of leftover records in one stretch that are looked at; more are a session that was not found at all, not a step
_MOST_PAIRS = 4000
# evidence that a step must have (natural log, as in `clock`), and what two pairs at one offset say beyond their readings
_STEP_COST, _SAME_OFFSET = 14.0, 4.0
# evidence that one more step must have where there is one already, and one pair less to choose from: clocks that are set by hand, or over
# a network, are often set once more at once; common practice, no source
_SECOND_STEP_COST = 8.0
# what it says for a step that it leaves one side without any record that the other missed: two runs of misses are rare in one place
_NONE_LEFT = 6.0
# evidence that records must have to go over to the stretch on the other side of a step
_OTHER_SIDE = 2.0
# share of the shorter stream that must be in pairs: a unit with fewer is no session that its clock's steps cut up
_ENOUGH = 0.3
# pairs with less say nothing
_TELLING = 0.5
# neighbours that a step brought to one time have less; such a pair is no wall between two records that it left without their partners
_BEYOND_CHANCE = 8.0
# time differences of one offset lie within so many spreads of it
_WIDTH = 3.0


class _Leftover(NamedTuple):
    """Pairs of leftover records, (pairs,): unit; place in the second stream of the sure pair before the stretch and of the one after
    (-1 and its length: none); records that the poorer and the richer side have left in the stretch; places in the streams, rows, time
    difference and evidence."""

    unit: Ints
    before: Ints
    after: Ints
    poorer: Ints
    richer: Ints
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
    only_stepped: bool = False,
) -> list[Place]:
    """The places; where a unit's leftover records show a step of its clock, with that step in its path.

    `only_stepped`: nothing but the surroundings of steps that are known is looked at.
    """
    left = _telling(records, which, models, _leftover(records, units, cells, places, only_stepped))
    out = list(places)
    turns = np.flatnonzero((np.diff(left.unit) != 0) | (np.diff(left.before) != 0)) + 1
    for start, end in pairwise([0, *turns.tolist(), len(left.unit)] if len(left.unit) else []):
        u = int(left.unit[start])
        clock = out[u].clock
        assert clock is not None
        out[u] = out[u]._replace(clock=_moved(clock, left.take(np.arange(start, end))))
    return out


def without_weak_steps(units: list[Unit], cells: Cells, places: list[Place], from_the_left: bool) -> dict[int, Place]:
    """By unit, its place without the stretches whose pairs say less than a step costs: the clock before (or after) goes on through them.

    A stretch of a path that a few coincidences made can keep true pairs apart. Whether the path without it is better is for a round to say.
    """
    told = np.flatnonzero(cells.posterior > 0.5)
    cuts = np.searchsorted(cells.unit[told], np.arange(len(units) + 1))
    out: dict[int, Place] = {}
    for u, place in enumerate(places):
        clock = place.clock
        if clock is None or clock.segment[-1] == 0 or is_coarse(units[u]):
            continue
        mine = told[cuts[u] : cuts[u + 1]]
        gain = np.bincount(clock.segment[cells.j[mine]], cells.evidence[mine], int(clock.segment[-1]) + 1)
        # of a clock set twice in a row, with one pitch in between, that pitch has paid (`_SECOND_STEP_COST`)
        paid = (gain >= min(_STEP_COST, float(gain.max()))) | (np.bincount(clock.segment) == 1)
        strong = paid[clock.segment]
        if not strong.all():
            at = np.flatnonzero(strong)
            near = (
                np.searchsorted(at, np.arange(len(strong)), "right") - 1
                if from_the_left
                else np.searchsorted(at, np.arange(len(strong)))
            )
            source = at[np.clip(near, 0, len(at) - 1)]
            steps = (np.diff(source) != 0) & (np.abs(np.diff(clock.offset_s[source])) > _WIDTH * clock.sigma_s)
            segment = np.concatenate([[0], np.cumsum(steps & (np.diff(clock.segment[source]) != 0))])
            out[u] = Place(clock._replace(offset_s=clock.offset_s[source], segment=segment), None, place.lent)
    return out


def _leftover(records: Records, units: list[Unit], cells: Cells, places: list[Place], only_stepped: bool) -> _Leftover:
    """Every two records without a partner that lie between the same sure pairs of their streams."""
    # a pair that only its time speaks for may stand at the wrong side of a step
    say = cells.readings + cells.label
    told = np.flatnonzero((cells.posterior > 0.5) & (say > 0))
    cuts = np.searchsorted(cells.unit[told], np.arange(len(units) + 1))
    parts: list[tuple[Ints, ...]] = [(np.zeros(0, dtype=np.int64),) * 9]
    for u, (unit, place) in enumerate(zip(units, places, strict=True)):
        mine = told[cuts[u] : cuts[u + 1]]
        enough = len(mine) >= _ENOUGH * min(len(unit.first.rows), len(unit.second.rows))
        clock = place.clock
        if clock is not None and enough and not is_coarse(unit) and clock.segment[-1] >= only_stepped:
            sure = mine[_walls(unit, cells.i[mine], cells.j[mine], say[mine])]
            parts += _stretches(u, unit, clock, (cells.i[sure], cells.j[sure]), only_stepped)
    of, before, after, poorer, richer, i, j, first, second = (np.concatenate(c) for c in zip(*parts, strict=True))
    gap = records.seen_s[second] - records.seen_s[first]
    return _Leftover(of, before, after, poorer, richer, i, j, first, second, gap, np.zeros(len(gap)))


def _walls(unit: Unit, i: Ints, j: Ints, say: Floats) -> Ints:
    """Which pairs (places in the streams) are sure: all but those that say little and cut two leftover records off from each other."""
    before_i, after_i = _free_beside(i, len(unit.first.rows))
    before_j, after_j = _free_beside(j, len(unit.second.rows))
    return np.flatnonzero((say > _BEYOND_CHANCE) | ~(before_i & after_j | after_i & before_j))


def _free_beside(taken: Ints, size: int) -> tuple[Bools, Bools]:
    """Whether the record before, and the one after, each of those in pairs is in none."""
    free = np.ones(size + 2, dtype=bool)
    free[0] = free[-1] = False
    free[taken + 1] = False
    return free[taken], free[taken + 2]


def _stretches(u: int, unit: Unit, clock: Clock, sure: tuple[Ints, Ints], only_stepped: bool) -> list[tuple[Ints, ...]]:
    """The leftover pairs of one unit, stretch by stretch: the columns of `_Leftover` up to the rows."""
    i, first = _without_partner(sure[0], unit.first.seen_s)
    j, second = _without_partner(sure[1], unit.second.seen_s)
    walls = np.concatenate([[-1], np.sort(sure[1]), [len(unit.second.rows)]])
    out: list[tuple[Ints, ...]] = []
    for stretch in np.intersect1d(first, second).tolist():
        ours, theirs = i[first == stretch], j[second == stretch]
        before, after = int(walls[stretch]), int(walls[stretch + 1])
        sizes = sorted((len(ours), len(theirs)))
        # one pair alone shows no step where there is none
        telling = _is_stepped(clock, before, after) or (sizes[0] > 1 and not only_stepped)
        if telling and sizes[0] * sizes[1] <= _MOST_PAIRS:
            a, b = np.repeat(ours, len(theirs)), np.tile(theirs, len(ours))
            same = (np.full(len(a), value) for value in (u, before, after, *sizes))
            out.append((*same, a, b, unit.first.rows[a], unit.second.rows[b]))
    return out


def _is_stepped(clock: Clock, before: int, after: int) -> bool:
    """Whether the path steps between two places of the second stream (or its ends)."""
    return bool(clock.segment[max(before, 0)] != clock.segment[min(after, len(clock.segment) - 1)])


def _without_partner(taken: Ints, seen_s: Floats) -> tuple[Ints, Ints]:
    """(places of the stamped records that are in no pair, how many pairs come before each)."""
    free = ~np.isnan(seen_s)
    free[taken] = False
    at = np.flatnonzero(free)
    return at, np.searchsorted(np.sort(taken), at)


def _telling(
    records: Records, which: Ints, models: tuple[ReadingModel, LabelModel | None], left: _Leftover
) -> _Leftover:
    """The pairs whose readings and labels speak for one pitch, and two records that are left alone, whatever these say."""
    of = which[left.unit]
    say = log_ratio(models[0], of, records.readings, left.first, left.second)
    if models[1] is not None:
        say = say + label_evidence(models[1], of, records.labels, left.first, left.second)
    keep = np.flatnonzero((say > _TELLING) | (left.richer == 1))
    return left._replace(evidence=say).take(keep)


def _moved(clock: Clock, left: _Leftover) -> Clock:
    """The path with another offset for some pairs of the stretch: those that say most, of those for which enough speaks."""
    width = _WIDTH * clock.sigma_s
    on_path = np.abs(clock.offset_s[left.j] - left.gap_s) <= width
    off_path = np.flatnonzero(~on_path)
    stepped = _is_stepped(clock, int(left.before[0]), int(left.after[0]))
    if len(off_path) < (1 if stepped else 2):
        return clock
    apart = (left.i[:, None] != left.i[off_path]) & (left.j[:, None] != left.j[off_path])
    apart[off_path, np.arange(len(off_path))] = True
    together = apart & (np.abs(left.gap_s[:, None] - left.gap_s[off_path]) <= width)
    score = ((left.evidence + _SAME_OFFSET) @ together) - _SAME_OFFSET
    for best in np.argsort(-score, kind="stable").tolist():
        moved = _with_offset_of(clock, left, np.flatnonzero(together[:, best]), float(score[best]), on_path)
        if moved is not None:
            return moved
    return clock


def _beside(left: _Leftover, mine: Ints, on_path: Ints) -> float:
    """What speaks for an offset of some pairs but their own evidence: no record left, less the pairs on the path that it takes apart."""
    start, end = left.j[mine].min(), left.j[mine].max()
    inside = (left.j[on_path] >= start) & (left.j[on_path] <= end)
    lost = inside | np.isin(left.i[on_path], left.i[mine])
    none_left = len(mine) + (~lost).sum() >= left.poorer[0]
    return float(_NONE_LEFT * none_left - (left.evidence[on_path[lost]] + _SAME_OFFSET).sum())


def _with_offset_of(clock: Clock, left: _Leftover, mine: Ints, score: float, on_path: Bools) -> Clock | None:
    """The path with the offset of some pairs of a stretch, if what that gains is enough."""
    if len(mine) < 2 and not _is_stepped(clock, int(left.before[0]), int(left.after[0])):
        return None
    gain = score + _beside(left, mine, np.flatnonzero(on_path))
    offset = float(np.median(left.gap_s[mine]))
    start, end = int(left.j[mine].min()), int(left.j[mine].max()) + 1
    for neighbour in (start - 1, end):
        inside = 0 <= neighbour < len(clock.offset_s)
        fits = inside and abs(float(clock.offset_s[neighbour]) - offset) <= _WIDTH * clock.sigma_s
        if fits and gain + _SAME_OFFSET > _OTHER_SIDE:
            return _with_stretch(clock, start, end, float(clock.offset_s[neighbour]), int(clock.segment[neighbour]))
    before, after = int(left.before[0]), int(left.after[0])
    first, last = before < 0, after == len(clock.offset_s)
    stepped = not first and not last and _is_stepped(clock, before, after)
    cost = _SECOND_STEP_COST + math.log(left.poorer[0] * left.richer[0]) if stepped else _STEP_COST
    if gain <= cost or (len(mine) < 2 and not stepped):
        return None
    return _with_stretch(clock, 0 if first else start, after if last else end, offset, -1)


def _with_stretch(clock: Clock, start: int, end: int, offset: float, segment: int) -> Clock:
    """The path with another offset from record `start` up to `end`, as part of a segment or as one of its own (-1)."""
    path, number = clock.offset_s.copy(), clock.segment.copy()
    path[start:end], number[start:end] = offset, segment
    return clock._replace(offset_s=path, segment=np.concatenate([[0], np.cumsum(np.diff(number) != 0)]))
