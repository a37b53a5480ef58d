"""Order-preserving one-to-one alignment of two streams: a pair hidden Markov model, forward and backward.

States: M (both trackers have the pitch), X (only the first), Y (only the second); Durbin, Eddy, Krogh, Mitchison, Biological Sequence
Analysis, 1998, chapter 4. Between two matches, records that only one has are taken in order of time (without clocks: the first
tracker's first), so that every alignment has exactly one path and that path stays inside the band. One more move lets two neighbours
cross, which happens when two mounds are in use. Many pairs of streams are worked at once, record by record of the first streams: all
that is in the band at one level lies end to end, without padding.
"""

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Bools, Floats, Ints, ranges

_HIGHEST_EVIDENCE = 60.0


class Steps(NamedTuple):
    """Weights of moving between states, one value per pair of streams; `_start` and `_end` hold before the first and after the last.

    Those to and from `both` must not be 0.
    """

    both_both: Floats
    both_first: Floats
    both_second: Floats
    first_first: Floats
    first_second: Floats
    first_both: Floats
    second_second: Floats
    second_first: Floats
    second_both: Floats
    first_first_start: Floats
    first_first_end: Floats
    second_second_start: Floats
    second_second_end: Floats
    crossed: Floats


class Band(NamedTuple):
    """Evidence inside the bands of pairs of streams, end to end: `evidence`, `first_leads` (cells,) by pair of streams, row and column.

    `low`, `high` (rows of all,): first and last column of each row; no alignment goes by way of other cells. Neither falls from row to
    row; a pair of streams' first row begins at column 0, its last ends at its last column.
    `first_leads`: whether the first stream's record is the earlier (without clocks: always).
    `rows`, `columns`, `clocked` (pairs of streams,): lengths of the two streams; with clocks, what lies left of a row's band is earlier.
    """

    evidence: Floats
    first_leads: Bools
    low: Ints
    high: Ints
    rows: Ints
    columns: Ints
    clocked: Bools


class Aligned(NamedTuple):
    """`posterior` of each cell of the band; `log_evidence` of each pair of streams: log(sum over alignments / nothing in common)."""

    posterior: Floats
    log_evidence: Floats


class _Spans(NamedTuple):
    """Stretches of columns end to end: the first column of each, how many there are, and the place of the first.

    The last stretch is empty; its place, after all others, stands for what is in none.
    """

    low: Ints
    size: Ints
    start: Ints


class _Lines(NamedTuple):
    """Rows of the lattice of every pair of streams in both directions: what can follow a node is what came before it, read backward.

    A line's nodes say how many records of the second stream are taken, its `level` how many of the first, both counted in the line's
    direction; `row` is the level counted forward. Lines are sorted by level; `ends[k]` of them have level k or less.
    `before`, `before_2`: the lines one and two levels below. `forward`, `backward`: the lines at which each row of the band is taken.
    `whole`: the backward line where all of both streams is.
    """

    spans: _Spans
    unit: Ints
    level: Ints
    row: Ints
    is_backward: Bools
    ends: Ints
    before: Ints
    before_2: Ints
    forward: Ints
    backward: Ints
    whole: Ints


class _Pairs(NamedTuple):
    """By cell of the band, and a last one of weight 0: weight of the pair, and of two crossed pairs that end here.

    Those are (row, column - 1) and (row - 1, column): two neighbours that the trackers saw in different order; `above` is the cell of
    the second. `forward`, `backward`: nodes at which the pair was taken last, by direction.
    """

    weight: Floats
    crossed: Floats
    above: Ints
    forward: Ints
    backward: Ints


class _Lattice(NamedTuple):
    """Places that lead to each node and the weights of these steps; a place outside the band is that of a last node, which holds 0.

    `diagonals` (2, nodes): where one record of both streams less is taken, or two; `both`: weights of the pair or the crossed pairs.
    `same`: where one of the first stream less is taken; `first` (3, nodes): weights of coming from a pair, from the first's own and
    from the second's own. `second` (2, nodes): weights of coming, from the node before, from a pair and from the first's own;
    `carried[k]`: of 2^k more records of the second's own.
    """

    diagonals: Ints
    both: Floats
    same: Ints
    first: Floats
    second: Floats
    carried: list[Floats]


def align(band: Band, steps: Steps) -> Aligned:
    """Posterior probability of each pair of records, and the evidence that the streams show the same session at all."""
    lines = _lines(band)
    pairs = _pairs(band, lines, steps)
    lattice = _lattice(band, lines, pairs, steps)
    return _posterior(band, lines, pairs, lattice, *_gathered(lines, lattice, steps))


def align_singles(evidence: Floats, first_leads: Bools, steps: Steps) -> Aligned:
    """The same for streams of one record each, (pairs of streams,): the two are a pair, or the one that leads comes before the other."""
    together = np.exp(np.minimum(evidence, _HIGHEST_EVIDENCE)) * steps.both_both
    apart = np.where(first_leads, steps.both_first * steps.first_second, steps.both_second * steps.second_first)
    return Aligned(together / (together + apart), np.log(together + apart))


def _lines(band: Band) -> _Lines:
    unit = np.repeat(np.arange(len(band.rows)), band.rows + 1)
    row = ranges(np.zeros_like(band.rows), band.rows + 1)
    # where no record is taken yet, the band is that of the first
    record = (np.cumsum(band.rows) - band.rows)[unit] + np.maximum(row - 1, 0)
    low, high, count = band.low[record], band.high[record] + 1, len(row)
    level = np.concatenate([row, band.rows[unit] - row])
    order = np.argsort(level, kind="stable")
    place = np.full(2 * count + 1, 2 * count)
    place[order] = np.arange(2 * count)
    below = np.repeat([-1, 1], count)
    before, before_2 = (place[np.where(level >= n, np.arange(2 * count) + n * below, 2 * count)[order]] for n in (1, 2))
    size = np.append(np.tile(high - low + 1, 2)[order], 0)
    return _Lines(
        spans=_Spans(
            np.append(np.concatenate([low, band.columns[unit] - high])[order], 0), size, np.cumsum(size) - size
        ),
        unit=np.tile(unit, 2)[order],
        level=level[order],
        row=np.tile(row, 2)[order],
        is_backward=order >= count,
        ends=np.cumsum(np.bincount(level)),
        before=before,
        before_2=before_2,
        forward=place[:count][row > 0],
        backward=place[count:-1][row > 0],
        whole=place[count:-1][row == 0],
    )


def _places(spans: _Spans, before: Ints, shift: int) -> Ints:
    """Place of each column, less `shift`, in the stretch `before` its own; the place after all where that does not hold it."""
    own = spans.size[:-1]
    at = ranges(spans.low[:-1] - spans.low[before] - shift, own)
    inside = (at >= 0) & (at < np.repeat(spans.size[before], own))
    return np.where(inside, at + np.repeat(spans.start[before], own), spans.start[-1])


def _pairs(band: Band, lines: _Lines, steps: Steps) -> _Pairs:
    rows, cells = len(band.low), len(band.evidence)
    size = np.append(band.high - band.low + 1, 0)
    spans = _Spans(np.append(band.low, 0), size, np.cumsum(size) - size)
    before = np.arange(rows) - 1
    before[np.cumsum(band.rows) - band.rows] = rows
    above = _places(spans, before, 0)
    weight = np.append(np.exp(np.minimum(band.evidence, _HIGHEST_EVIDENCE)), 0.0)
    crossed = np.zeros_like(weight)
    crossed[1:-1] = weight[:-2] * weight[above[1:]]
    crossed[spans.start] = 0.0
    crossed[:-1] *= np.repeat(np.repeat(steps.crossed, band.rows), size[:-1])
    # forward, the first node of a line has no pair; backward, the last
    forward = ranges(lines.spans.start[lines.forward] + 1, size[:-1])
    backward = np.repeat((lines.spans.start[lines.backward] + size[:-1] - 1) + spans.start[:-1], size[:-1])
    return _Pairs(weight, crossed, above, forward, backward - np.arange(cells))


def _lattice(band: Band, lines: _Lines, pairs: _Pairs, steps: Steps) -> _Lattice:
    """Backward, a step has the weight of its reverse. A state's weight holds the step from it to a pair that would be taken next, so
    that those steps need no weights of their own: others are multiplied by that of the state they lead to, over that of their own."""
    (low, size, start), cells = (column[:-1] for column in lines.spans), len(band.evidence)
    back, s = lines.is_backward, Steps(*(column[lines.unit] for column in steps))
    same, diagonal = _places(lines.spans, lines.before, 0), _places(lines.spans, lines.before, 1)
    diagonal_2 = _places(lines.spans, lines.before_2, 2)
    # the pair that a step to a node takes: forward it is that of the node, backward that of the node that the step comes from
    pair = np.full(int(lines.spans.start[-1]) + 1, cells)
    pair[pairs.forward] = pair[pairs.backward] = np.arange(cells)
    turned = np.flatnonzero(np.repeat(back, size))
    taken, crossing = pair[:-1].copy(), pair[:-1].copy()
    taken[turned], crossing[turned] = pair[diagonal[turned]], pair[diagonal_2[turned]]
    both_both = np.append(np.repeat(np.repeat(steps.both_both, band.rows), band.high - band.low + 1), 0.0)
    # a path may end in any state: backward it begins without a step from a pair
    first_opens = np.where(back & (lines.level == 1), s.both_first, s.both_first * s.first_both / s.both_both)
    second_opens = np.where(back & (lines.level == 0), s.both_second, s.both_second * s.second_both / s.both_both)
    first_turns = np.where(
        back, s.first_second * s.both_first / s.both_second, s.second_first * s.first_both / s.second_both
    )
    second_turns = np.where(
        back, s.second_first * s.both_second / s.both_first, s.first_second * s.second_both / s.first_both
    )
    leads = np.append(band.first_leads, False)[taken] | np.repeat(~band.clocked[lines.unit], size)
    leads ^= np.repeat(back, size)
    stays, at_start, at_end = np.repeat(s.first_first, size), low == 0, low + size - 1 == band.columns[lines.unit]
    stays[start[at_start]] = np.where(back, s.first_first_end, s.first_first_start)[at_start]
    stays[(start + size - 1)[at_end]] = np.where(back, s.first_first_start, s.first_first_end)[at_end]
    carries = np.where(lines.row < band.rows[lines.unit], s.second_second, s.second_second_end)
    carries = np.where(lines.row > 0, carries, s.second_second_start)
    second = np.stack([np.repeat(second_opens, size), np.repeat(second_turns, size) * leads])
    second[:, start] = 0.0
    return _Lattice(
        diagonals=np.stack([diagonal, diagonal_2]),
        both=np.stack([(pairs.weight * both_both)[taken], (pairs.crossed * both_both)[crossing]]),
        same=same,
        first=np.stack([np.repeat(first_opens, size), stays, np.repeat(first_turns, size) * ~leads]),
        second=second,
        carried=_carried(carries, size),
    )


def _carried(carries: Floats, size: Ints) -> list[Floats]:
    """Weights of going on for 1, 2, 4, ... records in a line, at the node that this leads to; 0 where it would begin before the line.

    By doubling, the sum at a node is made the same way whatever comes before and after its line, so that a result does not depend, to
    the last bit, on the streams that are worked in the same batch.
    """
    at, weight, out = ranges(np.zeros_like(size), size), np.repeat(carries, size), list[Floats]()
    while (reach := 1 << len(out)) < size.max():
        out.append(np.where(at >= reach, weight, 0.0))
        weight = weight * weight
    return out


def _gathered(lines: _Lines, lattice: _Lattice, steps: Steps) -> tuple[Floats, Floats]:
    """(weight gathered at each node before a pair that would be taken next, log of its scale by line)."""
    size, start = lines.spans.size, lines.spans.start
    states, log_scale = np.zeros((4, int(start[-1]) + 1)), np.zeros(len(size))
    both, first, second, gathered = states
    cuts = [0, *lines.ends.tolist()]
    begins = slice(0, cuts[1])
    both[start[begins]] = np.where(lines.is_backward[begins], 1.0, steps.both_both[lines.unit[begins]])
    longest, ratio = np.maximum.reduceat(size[:-1], cuts[:-1]).tolist(), None
    for level, ((begin, end), (a, b)) in enumerate(zip(pairwise(cuts), pairwise(start[cuts].tolist()), strict=True)):
        before = lines.before[begin:end]
        if level:
            # a pair, or two that cross; the latter from two levels below, where the scale may be another
            ways = gathered.take(lattice.diagonals[:, a:b])
            ways *= lattice.both[:, a:b]
            if ratio is not None:
                ways[1] /= np.repeat(ratio[before - cuts[level - 1]], size[begin:end])
            np.add.reduce(ways, axis=0, out=both[a:b])
            # a record of the first stream alone
            ways = states[:3].take(lattice.same[a:b], axis=1)
            ways *= lattice.first[:, a:b]
            np.add.reduce(ways, axis=0, out=first[a:b])
        # one of the second alone, and then more of them
        ways = states[:2, a : b - 1] * lattice.second[:, a + 1 : b]
        np.add.reduce(ways, axis=0, out=second[a + 1 : b])
        for power in range((longest[level] - 1).bit_length()):
            reach = 1 << power
            reached = second[a + reach : b]
            reached += second[a : b - reach] * lattice.carried[power][a + reach : b]
        np.add.reduce(states[:3, a:b], axis=0, out=gathered[a:b])
        log_scale[begin:end] = log_scale[before]
        ratio = None
        if level % _LEVELS_BETWEEN == 0:
            top = np.maximum.reduceat(gathered[a:b], start[begin:end] - a)
            ratio = np.where(top > 0, top, 1.0)
            states[:, a:b] /= np.repeat(ratio, size[begin:end])
            log_scale[begin:end] += np.log(ratio)
    return gathered, log_scale


# levels between two rescalings: one can add a factor of e^60, what is before, at and after a pair is multiplied, and the largest double
# is e^709
_LEVELS_BETWEEN = 4


def _posterior(
    band: Band, lines: _Lines, pairs: _Pairs, lattice: _Lattice, gathered: Floats, log_scale: Floats
) -> Aligned:
    """What was gathered before each pair, its own weight, and what can follow, over the total."""
    whole = lines.spans.start[lines.whole] + lines.spans.size[lines.whole] - 1
    log_total = np.log(np.maximum(gathered[whole], 1e-300)) + log_scale[lines.whole]
    after, log_after = gathered[pairs.backward], log_scale[lines.backward] - np.repeat(log_total, band.rows)

    def share(weight: Floats, place: Ints, before: Ints) -> Floats:
        factor = np.exp(np.minimum(log_scale[before[lines.forward]] + log_after, 600.0))
        own = weight[:-1] * gathered[place[pairs.forward]] * after * np.repeat(factor, band.high - band.low + 1)
        return np.append(own, 0.0)

    posterior = share(pairs.weight, lattice.diagonals[0], lines.before)
    crossed = share(pairs.crossed, lattice.diagonals[1], lines.before_2)
    # (row, column - 1) is the cell before
    posterior[:-1] += crossed[1:]
    posterior[pairs.above] += crossed[:-1]
    return Aligned(np.minimum(posterior[:-1], 1.0), log_total)
