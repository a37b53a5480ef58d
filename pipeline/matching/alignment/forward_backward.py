"""Forward-backward of a pair hidden Markov model of two streams.

It aligns one to one and keeps the order. States (Durbin, Eddy, Krogh, Mitchison, Biological Sequence Analysis, 1998,
chapter 4): M, both trackers have the pitch; X, only the first; Y, only the second. In the code they are `both`, `first`
and `second`. Between two matches, records that only one stream has are taken in order of time (without clocks: the
first stream's first), so that each alignment has exactly one path, which stays inside the band. One more move crosses
two neighbors, which happens when two mounds are in use. Many stream pairs are worked at once, record by record of the
first streams: all that is in the band at one level lies end to end, without padding. README.md, section "Alignment".
"""

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Bools, Floats, Ints, ranges

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Evidence above this (natural log) counts as this, so that products of a few pairs stay within doubles.
_MAX_EVIDENCE = 60.0
# Levels between two rescalings. One level can add a factor of e^60, the parts before, at and after a pair are
# multiplied, and the largest double is e^709.
_LEVELS_BETWEEN_RESCALING = 4


class Transitions(NamedTuple):
    """Transition weights between states, one value per stream pair.

    Those to and from `both` must not be 0. `_start` holds before the first match, `_end` after the last. `crossed`:
    factor of two crossed pairs.
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

    def take(self, pairs: Ints) -> "Transitions":
        """Return those of some stream pairs."""
        return Transitions(*(column[pairs] for column in self))


class Band(NamedTuple):
    """The bands of several stream pairs, end to end.

    `evidence`, `first_is_earlier` (cells,): log-likelihood ratio, and whether the first stream's record is the earlier
    (without clocks: always); by stream pair, row and column. `low`, `high` (rows of all stream pairs,): first and last
    column of each row; neither falls from row to row. The first row of a stream pair begins at column 0, its last row
    ends at the last column. `rows`, `columns`, `is_clocked` (stream pairs,): lengths of the two streams, and whether
    clocks order them; then all records left of a row's band are earlier.
    """

    evidence: Floats
    first_is_earlier: Bools
    low: Ints
    high: Ints
    rows: Ints
    columns: Ints
    is_clocked: Bools


class Moves(NamedTuple):
    """Expected numbers of moves, by stream pair.

    `crossed`: crossings of two neighbors. Where runs of unmatched records end: `first_both`, `second_both` with a
    match, `first_second`, `second_first` with a run of the other stream.
    """

    crossed: Floats
    first_both: Floats
    first_second: Floats
    second_both: Floats
    second_first: Floats

    def only(self, pairs: Ints) -> "Moves":
        """Return those of some stream pairs."""
        return Moves(*(count[pairs] for count in self))

    def put(self, pairs: Ints, new: "Moves") -> "Moves":
        """Return the same with those of some stream pairs replaced."""
        counts = Moves(*(count.copy() for count in self))
        for count, of_new in zip(counts, new, strict=True):
            count[pairs] = of_new
        return counts


class Alignments(NamedTuple):
    """Result by cell and by stream pair.

    `posterior` (cells,). `log_evidence` (stream pairs,): log(sum over alignments / no pair in common).
    """

    posterior: Floats
    log_evidence: Floats
    moves: Moves


class _Spans(NamedTuple):
    """Spans of columns end to end.

    `low`, `size`: first column and number of columns. `start`: position of the first column. The last span is empty;
    its position, after all others, represents everything outside of the spans.
    """

    low: Ints
    size: Ints
    start: Ints


class _Lines(NamedTuple):
    """Rows of the lattice of every stream pair in both directions.

    Backward is the same recursion as forward, read from the end. A line's nodes count the records of the second stream
    that are taken, its `level` those of the first, both in the line's direction; `row` is the level counted forward.
    Lines are sorted by level; `ends[k]` of them have level k or less. `before`, `before_2`: lines one and two levels
    below. `forward`, `backward`: lines at which each row of the band is taken. `meeting` (2, levels): forward and
    backward line of each level of the forward direction. `complete`: the backward line at which both streams are taken
    completely.
    """

    spans: _Spans
    stream_pair: Ints
    level: Ints
    row: Ints
    is_backward: Bools
    ends: Ints
    before: Ints
    before_2: Ints
    forward: Ints
    backward: Ints
    meeting: Ints
    complete: Ints


class _PairWeights(NamedTuple):
    """Weights by cell of the band, and a last cell of weight 0.

    `weight` is that of the pair, `crossed` that of two crossed pairs that end there. The crossed pairs are (row, column
    - 1) and (row - 1, column): two neighbors that the trackers saw in different order; `above` is the cell of the
    second. `forward`, `backward`: nodes at which the pair was taken last.
    """

    weight: Floats
    crossed: Floats
    above: Ints
    forward: Ints
    backward: Ints


class _Lattice(NamedTuple):
    """Positions that lead to each node, and the weights of these transitions.

    A position outside the band is that of a last node, which holds 0. `diagonals` (2, nodes): one record of both
    streams less, or two; `both`: weights of the pair or the crossed pairs. `same`: one record of the first stream less;
    `first` (3, nodes): weights of coming from `both`, `first`, `second`. `second` (2, nodes): weights of coming, from
    the node before, from `both` and `first`; `run_weights[k]`: of 2^k more records in state `second`.
    """

    diagonals: Ints
    both: Floats
    same: Ints
    first: Floats
    second: Floats
    run_weights: list[Floats]


def forward_backward(band: Band, transitions: Transitions) -> Alignments:
    """Return posteriors and the evidence that the streams show one session."""
    lines = _lines(band)
    pairs = _pair_weights(band, lines, transitions)
    lattice = _lattice(band, lines, pairs, transitions)
    return _alignments(band, lines, pairs, lattice, transitions, *_accumulate(lines, lattice, transitions))


def single_records(evidence: Floats, first_is_earlier: Bools, transitions: Transitions) -> Alignments:
    """Do the same for streams of one record each.

    The two match, or the earlier one comes before the other.
    """
    match = np.exp(np.minimum(evidence, _MAX_EVIDENCE)) * transitions.both_both
    first_then_second = transitions.both_first * transitions.first_second
    no_match = np.where(first_is_earlier, first_then_second, transitions.both_second * transitions.second_first)
    posterior, none = match / (match + no_match), np.zeros_like(evidence)
    first_comes, second_comes = (np.where(comes, 1 - posterior, 0.0) for comes in (first_is_earlier, ~first_is_earlier))
    moves = Moves(none, second_comes, first_comes, first_comes, second_comes)
    return Alignments(posterior, np.log(match + no_match), moves)


def _lines(band: Band) -> _Lines:
    stream_pair = np.repeat(np.arange(len(band.rows)), band.rows + 1)
    row = ranges(np.zeros_like(band.rows), band.rows + 1)
    # before any record is taken, the band is that of the first row
    record = (np.cumsum(band.rows) - band.rows)[stream_pair] + np.maximum(row - 1, 0)
    low, high, count = band.low[record], band.high[record] + 1, len(row)
    level = np.concatenate([row, band.rows[stream_pair] - row])
    order = np.argsort(level, kind="stable")
    position = np.full(2 * count + 1, 2 * count)
    position[order] = np.arange(2 * count)
    below = np.repeat([-1, 1], count)
    before, before_2 = (
        position[np.where(level >= n, np.arange(2 * count) + n * below, 2 * count)[order]] for n in (1, 2)
    )
    size = np.append(np.tile(high - low + 1, 2)[order], 0)
    return _Lines(
        spans=_Spans(
            np.append(np.concatenate([low, band.columns[stream_pair] - high])[order], 0), size, np.cumsum(size) - size
        ),
        stream_pair=np.tile(stream_pair, 2)[order],
        level=level[order],
        row=np.tile(row, 2)[order],
        is_backward=order >= count,
        ends=np.cumsum(np.bincount(level)),
        before=before,
        before_2=before_2,
        forward=position[:count][row > 0],
        backward=position[count:-1][row > 0],
        meeting=position[:-1].reshape(2, count),
        complete=position[count:-1][row == 0],
    )


def _positions(spans: _Spans, before: Ints, shift: int) -> Ints:
    """Return the position of each column, less `shift`, in the span before it.

    Where that span does not hold it, the last position.
    """
    own = spans.size[:-1]
    at = ranges(spans.low[:-1] - spans.low[before] - shift, own)
    inside = (at >= 0) & (at < np.repeat(spans.size[before], own))
    return np.where(inside, at + np.repeat(spans.start[before], own), spans.start[-1])


def _pair_weights(band: Band, lines: _Lines, transitions: Transitions) -> _PairWeights:
    rows, cells = len(band.low), len(band.evidence)
    size = np.append(band.high - band.low + 1, 0)
    spans = _Spans(np.append(band.low, 0), size, np.cumsum(size) - size)
    before = np.arange(rows) - 1
    before[np.cumsum(band.rows) - band.rows] = rows
    above = _positions(spans, before, 0)
    weight = np.append(np.exp(np.minimum(band.evidence, _MAX_EVIDENCE)), 0.0)
    crossed = np.zeros_like(weight)
    crossed[1:-1] = weight[:-2] * weight[above[1:]]
    crossed[spans.start] = 0.0
    crossed[:-1] *= np.repeat(np.repeat(transitions.crossed, band.rows), size[:-1])
    # forward, the first node of a line has no pair; backward, the last
    forward = ranges(lines.spans.start[lines.forward] + 1, size[:-1])
    backward = np.repeat((lines.spans.start[lines.backward] + size[:-1] - 1) + spans.start[:-1], size[:-1])
    return _PairWeights(weight, crossed, above, forward, backward - np.arange(cells))


def _lattice(band: Band, lines: _Lines, pairs: _PairWeights, transitions: Transitions) -> _Lattice:
    """Return the positions and weights of all transitions.

    Backward, a transition has the weight of its reverse. The weight of a state includes the transition from it to a
    pair that would be taken next, so that these transitions need no weights of their own. All others are multiplied by
    that of the state they lead to, over that of their own.
    """
    (low, size, start), cells = (column[:-1] for column in lines.spans), len(band.evidence)
    back, t = lines.is_backward, transitions.take(lines.stream_pair)
    same, diagonal = _positions(lines.spans, lines.before, 0), _positions(lines.spans, lines.before, 1)
    diagonal_2 = _positions(lines.spans, lines.before_2, 2)
    # the pair that a transition to a node takes: forward that of the node, backward that of the node it comes from
    pair = np.full(int(lines.spans.start[-1]) + 1, cells)
    pair[pairs.forward] = pair[pairs.backward] = np.arange(cells)
    backward = np.flatnonzero(np.repeat(back, size))
    taken, crossing = pair[:-1].copy(), pair[:-1].copy()
    taken[backward], crossing[backward] = pair[diagonal[backward]], pair[diagonal_2[backward]]
    both_both = np.append(np.repeat(np.repeat(transitions.both_both, band.rows), band.high - band.low + 1), 0.0)
    # a path may end in any state: backward it begins without a transition from a pair
    first_opens = np.where(back & (lines.level == 1), t.both_first, t.both_first * t.first_both / t.both_both)
    second_opens = np.where(back & (lines.level == 0), t.both_second, t.both_second * t.second_both / t.both_both)
    first_turns = np.where(
        back, t.first_second * t.both_first / t.both_second, t.second_first * t.first_both / t.second_both
    )
    second_turns = np.where(
        back, t.second_first * t.both_second / t.both_first, t.first_second * t.second_both / t.first_both
    )
    is_next = np.append(band.first_is_earlier, False)[taken] | np.repeat(~band.is_clocked[lines.stream_pair], size)
    is_next ^= np.repeat(back, size)
    stays = np.repeat(t.first_first, size)
    at_start, at_end = low == 0, low + size - 1 == band.columns[lines.stream_pair]
    stays[start[at_start]] = np.where(back, t.first_first_end, t.first_first_start)[at_start]
    stays[(start + size - 1)[at_end]] = np.where(back, t.first_first_start, t.first_first_end)[at_end]
    runs_on = np.where(lines.row < band.rows[lines.stream_pair], t.second_second, t.second_second_end)
    runs_on = np.where(lines.row > 0, runs_on, t.second_second_start)
    second = np.stack([np.repeat(second_opens, size), np.repeat(second_turns, size) * is_next])
    second[:, start] = 0.0
    return _Lattice(
        diagonals=np.stack([diagonal, diagonal_2]),
        both=np.stack([(pairs.weight * both_both)[taken], (pairs.crossed * both_both)[crossing]]),
        same=same,
        first=np.stack([np.repeat(first_opens, size), stays, np.repeat(first_turns, size) * ~is_next]),
        second=second,
        run_weights=_run_weights(runs_on, size),
    )


def _run_weights(stays: Floats, size: Ints) -> list[Floats]:
    """Return the weights of 1, 2, 4, ... more records in state `second`.

    They belong to the node that such a run reaches. They are 0 where they would begin before the line. By doubling, the
    sum at a node is computed in the same order whatever comes before and after its line: to the last bit, a result does
    not depend on other streams of its batch.
    """
    at, weight, out = ranges(np.zeros_like(size), size), np.repeat(stays, size), list[Floats]()
    while (reach := 1 << len(out)) < size.max():
        out.append(np.where(at >= reach, weight, 0.0))
        weight = weight * weight
    return out


def _accumulate(lines: _Lines, lattice: _Lattice, transitions: Transitions) -> tuple[Floats, Floats]:
    """Return (weight of `both`, `first`, `second` and all at each node, log of its scale by line)."""
    size, start = lines.spans.size, lines.spans.start
    states, log_scale = np.zeros((4, int(start[-1]) + 1)), np.zeros(len(size))
    both, first, second, summed = states
    cuts = [0, *lines.ends.tolist()]
    begins = slice(0, cuts[1])
    both[start[begins]] = np.where(lines.is_backward[begins], 1.0, transitions.both_both[lines.stream_pair[begins]])
    longest, ratio = np.maximum.reduceat(size[:-1], cuts[:-1]).tolist(), None
    for level, ((begin, end), (a, b)) in enumerate(zip(pairwise(cuts), pairwise(start[cuts].tolist()), strict=True)):
        before = lines.before[begin:end]
        if level:
            # a pair, or two that cross; the latter come from two levels below, where the scale may differ
            terms = summed.take(lattice.diagonals[:, a:b])
            terms *= lattice.both[:, a:b]
            if ratio is not None:
                terms[1] /= np.repeat(ratio[before - cuts[level - 1]], size[begin:end])
            np.add.reduce(terms, axis=0, out=both[a:b])
            # one record of the first stream only
            terms = states[:3].take(lattice.same[a:b], axis=1)
            terms *= lattice.first[:, a:b]
            np.add.reduce(terms, axis=0, out=first[a:b])
        # one record of the second stream only, and then more of them
        terms = states[:2, a : b - 1] * lattice.second[:, a + 1 : b]
        np.add.reduce(terms, axis=0, out=second[a + 1 : b])
        for power in range((longest[level] - 1).bit_length()):
            reach = 1 << power
            reached = second[a + reach : b]
            reached += second[a : b - reach] * lattice.run_weights[power][a + reach : b]
        np.add.reduce(states[:3, a:b], axis=0, out=summed[a:b])
        log_scale[begin:end] = log_scale[before]
        ratio = None
        if level % _LEVELS_BETWEEN_RESCALING == 0:
            top = np.maximum.reduceat(summed[a:b], start[begin:end] - a)
            ratio = np.where(top > 0, top, 1.0)
            states[:, a:b] /= np.repeat(ratio, size[begin:end])
            log_scale[begin:end] += np.log(ratio)
    return states, log_scale


def _alignments(
    band: Band,
    lines: _Lines,
    pairs: _PairWeights,
    lattice: _Lattice,
    transitions: Transitions,
    states: Floats,
    log_scale: Floats,
) -> Alignments:
    """Return forward weight x pair weight x backward weight over the total."""
    summed = states[3]
    complete = lines.spans.start[lines.complete] + lines.spans.size[lines.complete] - 1
    log_total = np.log(np.maximum(summed[complete], 1e-300)) + log_scale[lines.complete]
    after, log_after = summed[pairs.backward], log_scale[lines.backward] - np.repeat(log_total, band.rows)

    def posterior_share(weight: Floats, position: Ints, before: Ints) -> Floats:
        factor = np.exp(np.minimum(log_scale[before[lines.forward]] + log_after, 600.0))
        own = weight[:-1] * summed[position[pairs.forward]] * after * np.repeat(factor, band.high - band.low + 1)
        return np.append(own, 0.0)

    posterior = posterior_share(pairs.weight, lattice.diagonals[0], lines.before)
    crossed = posterior_share(pairs.crossed, lattice.diagonals[1], lines.before_2)
    # (row, column - 1) is the cell before
    posterior[:-1] += crossed[1:]
    posterior[pairs.above] += crossed[:-1]
    stream_pair = np.repeat(np.repeat(np.arange(len(log_total)), band.rows), band.high - band.low + 1)
    crossings = np.bincount(stream_pair, crossed[:-1], len(log_total)).astype(float)
    moves = Moves(crossings, *_run_ends(lines, lattice, transitions, states, log_scale, log_total))
    return Alignments(np.minimum(posterior[:-1], 1.0), log_total, moves)


def _run_ends(
    lines: _Lines, lattice: _Lattice, transitions: Transitions, states: Floats, log_scale: Floats, log_total: Floats
) -> list[Floats]:
    """Return how often runs end in each way, by stream pair, as in `Moves`.

    At a node, a path comes from the forward state and goes on with the backward state. Both directions weigh a run with
    its beginning and its end, so that only what joins them is left to weigh. The end of both streams counts as a match.
    """
    (forward, backward), spans = lines.meeting, lines.spans
    size, pair = spans.size[forward], lines.stream_pair[forward]
    own = ranges(np.zeros_like(size), size)
    before = np.repeat(spans.start[forward], size) + own
    after = np.repeat(spans.start[backward] + size - 1, size) - own
    factor = np.exp(np.minimum(log_scale[forward] + log_scale[backward] - log_total[pair], 600.0))
    t = transitions.take(pair)
    turned, turns = np.append(lattice.second[1], 0.0), np.repeat(factor / (t.both_second * t.second_both), size)
    ends = np.repeat(factor / t.both_both, size)
    # at the end of both streams, no match follows
    last = (np.cumsum(size) - 1)[lines.level[backward] == 0]
    nodes = np.repeat(pair, size)

    def expected(come: int, go: int, weight: Floats) -> Floats:
        share = states[come, before] * states[go, after] * weight
        return np.asarray(np.bincount(nodes, share, len(log_total)), dtype=float)

    def with_end(ended: Floats) -> Floats:
        weight = ends.copy()
        weight[last] *= transitions.both_both / ended
        return weight

    both, first, second = range(3)
    return [
        expected(first, both, with_end(transitions.first_both)),
        expected(first, second, turns * turned[before + 1]),
        expected(second, both, with_end(transitions.second_both)),
        expected(second, first, turns * turned[after + 1]),
    ]
