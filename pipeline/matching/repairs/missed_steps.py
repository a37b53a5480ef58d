"""Find steps of a clock that the first search missed.

They show among the records that the alignment left unmatched. The first search uses a few readings of each pair; it can
miss a step that only three or four records precede or follow. Between two sure pairs, or beyond the last one, the
unmatched records of both streams are compared in full: if several of them match one another at one common offset, the
clock was set there. Where the path steps from one sure pair to the next, a single pair can be enough: the clock was set
twice in a row, with one pitch in between. README.md, section "When the first clock is wrong".
"""

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pipeline.matching.alignment.align_round import Fit
from pipeline.matching.alignment.search import Search
from pipeline.matching.clocks.search import STEP_COST, Clock
from pipeline.matching.data.arrays import Bools, Floats, Ints
from pipeline.matching.data.days import Days
from pipeline.matching.data.streams import StreamPair
from pipeline.matching.evidence.models import Models

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Pairs of unmatched records in one stretch that are compared at most; more are a session that was not found at all.
_MAX_PAIRS = 4000
# Evidence (natural log) of two pairs at one offset, beyond their readings.
_SAME_OFFSET = 4.0
# Evidence that one more step needs beside a known step, and for each doubling of the pairs to choose from log 2 more:
# clocks that are set by hand or over a network are often set again at once. Common practice, no source.
SECOND_STEP_COST = 8.0
# Evidence for a step that leaves one side without unmatched records: two runs of misses are rare in one stretch.
_NONE_LEFT = 6.0
# Evidence that records need to move to the segment on the other side of a known step.
_OTHER_SIDE_COST = 2.0
# Share of the smaller stream that must be matched: steps do not cut up a session that badly.
_MIN_MATCHED = 0.3
# Pairs with less evidence from readings and labels do not count. A misread pair has about 0; at a common offset it counts for the step.
_MIN_EVIDENCE = -_SAME_OFFSET / 2
# Neighbors that a step brought to one time have less evidence: such a pair does not separate unmatched records.
_SURE_EVIDENCE = 8.0
# Time differences at one offset lie within this many spreads of it.
_WIDTH = 3.0


class _Leftover(NamedTuple):
    """Pairs of unmatched records, (pairs,), by stream pair and stretch.

    A stretch lies between two sure pairs. `before`, `after`: position in the second stream of the sure pair before and
    after the stretch (-1 and the length of the stream: none). `fewer`, `more`: unmatched records of both sides in the
    stretch. `i`, `j`: positions in the streams; `first`, `second`: rows.
    """

    stream_pair: Ints
    before: Ints
    after: Ints
    fewer: Ints
    more: Ints
    i: Ints
    j: Ints
    first: Ints
    second: Ints
    gap_s: Floats
    evidence: Floats

    def take(self, keep: Ints) -> "_Leftover":
        """Return some of the pairs."""
        return self._replace(**{name: column[keep] for name, column in self._asdict().items()})


def add_missed_steps(days: Days, models: Models, search: Search, fit: Fit, only_stepped: bool) -> Search:
    """Return the search with each step that unmatched records show.

    `only_stepped`: look only beside steps that are known.
    """
    left = _with_evidence(days, models, _unmatched_pairs(days, search, fit, only_stepped))
    regions = list(search.regions)
    turns = np.flatnonzero((np.diff(left.stream_pair) != 0) | (np.diff(left.before) != 0)) + 1
    for start, end in pairwise([0, *turns.tolist(), len(left.stream_pair)] if len(left.stream_pair) else []):
        p = int(left.stream_pair[start])
        clock = regions[p].clock
        assert clock is not None
        regions[p] = regions[p]._replace(clock=_best_move(clock, left.take(np.arange(start, end))))
    return search.put_regions(np.arange(len(regions)), regions)


def _unmatched_pairs(days: Days, search: Search, fit: Fit, only_stepped: bool) -> _Leftover:
    """Pair the unmatched records between the same sure pairs."""
    cells = fit.cells
    # a pair that only its time supports may be on the wrong side of a step
    evidence = cells.readings + cells.label
    matched = np.flatnonzero((cells.posterior > 0.5) & (evidence > 0))
    cuts = np.searchsorted(cells.stream_pair[matched], np.arange(len(days) + 1))
    parts: list[tuple[Ints, ...]] = [(np.zeros(0, dtype=np.int64),) * 9]
    for p, (streams, region) in enumerate(zip(days.stream_pairs, search.regions, strict=True)):
        own = matched[cuts[p] : cuts[p + 1]]
        enough = len(own) >= _MIN_MATCHED * min(streams.shape)
        clock = region.clock
        if clock is not None and enough and not streams.is_coarse and clock.steps >= only_stepped:
            sure = own[_separating(streams, cells.i[own], cells.j[own], evidence[own])]
            parts += _stretches(p, streams, clock, (cells.i[sure], cells.j[sure]), only_stepped)
    pair, before, after, fewer, more, i, j, first, second = (np.concatenate(c) for c in zip(*parts, strict=True))
    gap_s = days.records.seen_s[second] - days.records.seen_s[first]
    return _Leftover(pair, before, after, fewer, more, i, j, first, second, gap_s, np.zeros(len(gap_s)))


def _separating(streams: StreamPair, i: Ints, j: Ints, evidence: Floats) -> Ints:
    """Return the sure pairs.

    All but weak ones that separate two unmatched records from each other.
    """
    free_before_i, free_after_i = _is_free_beside(i, streams.shape[0])
    free_before_j, free_after_j = _is_free_beside(j, streams.shape[1])
    separates = free_before_i & free_after_j | free_after_i & free_before_j
    return np.flatnonzero((evidence > _SURE_EVIDENCE) | ~separates)


def _is_free_beside(taken: Ints, size: int) -> tuple[Bools, Bools]:
    """Return whether the records before, and after, each match are unmatched."""
    free = np.ones(size + 2, dtype=bool)
    free[0] = free[-1] = False
    free[taken + 1] = False
    return free[taken], free[taken + 2]


def _stretches(
    p: int, streams: StreamPair, clock: Clock, sure: tuple[Ints, Ints], only_stepped: bool
) -> list[tuple[Ints, ...]]:
    """Return the pairs of unmatched records of one stream pair by stretch.

    The columns of `_Leftover` up to the rows.
    """
    i, stretch_i = _unmatched(sure[0], streams.first.seen_s)
    j, stretch_j = _unmatched(sure[1], streams.second.seen_s)
    bounds = np.concatenate([[-1], np.sort(sure[1]), [len(streams.second.rows)]])
    out: list[tuple[Ints, ...]] = []
    for stretch in np.intersect1d(stretch_i, stretch_j).tolist():
        own_i, own_j = i[stretch_i == stretch], j[stretch_j == stretch]
        before, after = int(bounds[stretch]), int(bounds[stretch + 1])
        fewer, more = sorted((len(own_i), len(own_j)))
        # one pair alone does not show a step where none is known
        promising = _is_step_between(clock, before, after) or (fewer > 1 and not only_stepped)
        if promising and fewer * more <= _MAX_PAIRS:
            a, b = np.repeat(own_i, len(own_j)), np.tile(own_j, len(own_i))
            constant = (np.full(len(a), value) for value in (p, before, after, fewer, more))
            out.append((*constant, a, b, streams.first.rows[a], streams.second.rows[b]))
    return out


def _is_step_between(clock: Clock, before: int, after: int) -> bool:
    """Return whether the path steps between two positions (or ends)."""
    return bool(clock.segment[max(before, 0)] != clock.segment[min(after, len(clock.segment) - 1)])


def _unmatched(taken: Ints, seen_s: Floats) -> tuple[Ints, Ints]:
    """Return (positions of stamped records without a sure pair, stretches).

    A stretch is the number of sure pairs before it.
    """
    free = ~np.isnan(seen_s)
    free[taken] = False
    positions = np.flatnonzero(free)
    return positions, np.searchsorted(np.sort(taken), positions)


def _with_evidence(days: Days, models: Models, left: _Leftover) -> _Leftover:
    """Keep the pairs whose readings and labels support one pitch.

    Also any two records that are left alone.
    """
    evidence = models.log_ratio(days.records, days.model_of[left.stream_pair], left.first, left.second)
    keep = np.flatnonzero((evidence > _MIN_EVIDENCE) | (left.more == 1))
    return left._replace(evidence=evidence).take(keep)


def _best_move(clock: Clock, left: _Leftover) -> Clock:
    """Return the path with another offset for some pairs of a stretch.

    For those with the most evidence, if it is enough.
    """
    width = _WIDTH * clock.sigma_s
    on_path = np.abs(clock.offset_s[left.j] - left.gap_s) <= width
    off_path = np.flatnonzero(~on_path)
    stepped = _is_step_between(clock, int(left.before[0]), int(left.after[0]))
    if len(off_path) < (1 if stepped else 2):
        return clock
    compatible = (left.i[:, None] != left.i[off_path]) & (left.j[:, None] != left.j[off_path])
    compatible[off_path, np.arange(len(off_path))] = True
    together = compatible & (np.abs(left.gap_s[:, None] - left.gap_s[off_path]) <= width)
    score = ((left.evidence + _SAME_OFFSET) @ together) - _SAME_OFFSET
    for best in np.argsort(-score, kind="stable").tolist():
        moved = _move(clock, left, np.flatnonzero(together[:, best]), float(score[best]), on_path)
        if moved is not None:
            return moved
    return clock


def _move(clock: Clock, left: _Leftover, members: Ints, score: float, on_path: Bools) -> Clock | None:
    """Return the path with the offset of some pairs of a stretch.

    None if that gains too little.
    """
    before, after = int(left.before[0]), int(left.after[0])
    if len(members) < 2 and not _is_step_between(clock, before, after):
        return None
    gain = score + _side_evidence(left, members, np.flatnonzero(on_path))
    offset = float(np.median(left.gap_s[members]))
    start, end = int(left.j[members].min()), int(left.j[members].max()) + 1
    for neighbor in (start - 1, end):
        inside = 0 <= neighbor < len(clock.offset_s)
        fits = inside and abs(float(clock.offset_s[neighbor]) - offset) <= _WIDTH * clock.sigma_s
        if fits and gain + _SAME_OFFSET > _OTHER_SIDE_COST:
            return _with_offset(clock, start, end, float(clock.offset_s[neighbor]), int(clock.segment[neighbor]))
    is_first, is_last = before < 0, after == len(clock.offset_s)
    stepped = not is_first and not is_last and _is_step_between(clock, before, after)
    cost = SECOND_STEP_COST + math.log(left.fewer[0] * left.more[0]) if stepped else STEP_COST
    if gain <= cost or (len(members) < 2 and not stepped):
        return None
    return _with_offset(clock, 0 if is_first else start, after if is_last else end, offset, -1)


def _side_evidence(left: _Leftover, members: Ints, on_path: Ints) -> float:
    """Return the evidence for an offset beside its pairs' own.

    For none left unmatched, less that of the pairs on the path it breaks.
    """
    start, end = left.j[members].min(), left.j[members].max()
    inside = (left.j[on_path] >= start) & (left.j[on_path] <= end)
    broken = inside | np.isin(left.i[on_path], left.i[members])
    none_left = len(members) + (~broken).sum() >= left.fewer[0]
    return float(_NONE_LEFT * none_left - (left.evidence[on_path[broken]] + _SAME_OFFSET).sum())


def _with_offset(clock: Clock, start: int, end: int, offset: float, segment: int) -> Clock:
    """Return the path with another offset from record `start` up to `end`.

    Segment -1 is a new one.
    """
    path, number = clock.offset_s.copy(), clock.segment.copy()
    path[start:end], number[start:end] = offset, segment
    return clock._replace(offset_s=path, segment=np.concatenate([[0], np.cumsum(np.diff(number) != 0)]))
