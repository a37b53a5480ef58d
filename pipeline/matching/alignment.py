"""Order-preserving one-to-one alignment of two streams: a pair hidden Markov model, forward and backward.

States: M (both trackers have the pitch), X (only the first), Y (only the second); Durbin, Eddy, Krogh, Mitchison, Biological Sequence
Analysis, 1998, chapter 4. Between two matches, records that only one has are taken in order of time (without clocks: the first
tracker's first), so that every alignment has exactly one path and that path stays inside the band. One more move lets two neighbours
cross, which happens when two mounds are in use. Many pairs of streams are worked at once, row by row.
"""

from typing import NamedTuple

import numpy as np

from pipeline.matching.arrays import Bools, Floats, Ints

_HIGHEST_EVIDENCE = 60.0


class Steps(NamedTuple):
    """Weights of moving between states, one value per pair of streams; `_start` and `_end` hold before the first and after the last."""

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
    """Evidence inside a band: `evidence[u, i, c]` is that of record i of the first stream with record `low[u, i] + c` of the second.

    Cells that are not in the band hold -inf; `wide[u, i]` cells from `low` are in it, and no alignment goes by way of others.
    `rows[u]`, `columns[u]` are the lengths; rows past the end repeat the last `low`.
    `first_leads[u, i, c]`: whether record i is earlier than record `low[u, i] + c - 1` of the second stream (without clocks: always).
    """

    evidence: Floats
    first_leads: Bools
    low: Ints
    wide: Ints
    rows: Ints
    columns: Ints


class Aligned(NamedTuple):
    """`posterior` has the shape of the band's evidence; `log_evidence[u]` is log(sum over alignments / nothing in common)."""

    posterior: Floats
    log_evidence: Floats


class _Lattice(NamedTuple):
    """Everything by row, prefix lengths counted from the row's low column; arrays (rows + 1, units, width + 1) unless said.

    `match`, `cross`: weights of a pair and of two crossed pairs that end here; `stay_first`, `to_first`, `to_second`: weights of going
    on with the first stream, from the second to the first, from the first to the second; `stay_second`: (rows + 1, units, 1).
    `inside`: 1 where an alignment may pass, else 0.
    `same`, `diagonal`, `diagonal_2`: places in the row before (one and two columns back, and two rows); `ahead`, `ahead_diagonal`,
    `ahead_diagonal_2`: places in the row after. A place outside the band leads to a cell that holds 0.
    """

    match: Floats
    cross: Floats
    stay_first: Floats
    to_first: Floats
    to_second: Floats
    stay_second: Floats
    finish: Floats
    inside: Floats
    same: Ints
    diagonal: Ints
    diagonal_2: Ints
    ahead: Ints
    ahead_diagonal: Ints
    ahead_diagonal_2: Ints


def align(band: Band, steps: Steps) -> Aligned:
    """Posterior probability of each pair of records, and the evidence that the streams show the same session at all."""
    lattice = _lattice(band, steps)
    s = Steps(*(value[:, None] for value in steps))
    before, log_before, log_total = _forward(lattice, band, s)
    after, log_after = _backward(lattice, s)
    return Aligned(_posterior(lattice, before, after, log_before, log_after, log_total), log_total)


def align_singles(evidence: Floats, first_leads: Bools, steps: Steps) -> Aligned:
    """The same for streams of one record each, (pairs of streams,): the two are a pair, or the one that leads comes before the other."""
    together = np.exp(np.minimum(evidence, _HIGHEST_EVIDENCE)) * steps.both_both
    apart = np.where(first_leads, steps.both_first * steps.first_second, steps.both_second * steps.second_first)
    return Aligned(together / (together + apart), np.log(together + apart))


def _lattice(band: Band, steps: Steps) -> _Lattice:
    """Rows 0..n and prefix lengths low..low+width of every pair of streams."""
    units, rows, width = band.evidence.shape
    low = np.concatenate([band.low[:, :1], band.low], axis=1).T  # (rows + 1, units)
    prefix = low[:, :, None] + np.arange(width + 1)
    match = np.zeros((rows + 1, units, width + 1))
    leads = np.ones((rows + 1, units, width + 1))
    leads[1:] = band.first_leads.transpose(1, 0, 2)
    match[1:, :, 1:] = np.exp(np.minimum(band.evidence, _HIGHEST_EVIDENCE)).transpose(1, 0, 2)
    base = (np.arange(units) * (width + 2))[:, None]
    shift = np.diff(low, axis=0, prepend=low[:1])[:, :, None]
    shift_2 = shift + np.concatenate([shift[:1], shift[:-1]])
    back = np.concatenate([shift[1:], np.zeros_like(shift[:1])])
    back_2 = back + np.concatenate([back[1:], back[-1:]])
    at = np.arange(width + 1)
    same = _places(at + shift, width, base)
    wide = np.concatenate([band.wide[:, :1], band.wide], axis=1).T
    at_end = prefix == band.columns[:, None]
    last_row = (np.arange(rows + 1)[:, None] == band.rows)[:, :, None]
    s = Steps(*(value[:, None] for value in steps))
    stay_second = np.where(last_row, s.second_second_end, s.second_second)
    stay_second[0] = s.second_second_start
    return _Lattice(
        match=match,
        cross=_crossed(match, same, steps),
        stay_first=np.where(prefix == 0, s.first_first_start, np.where(at_end, s.first_first_end, s.first_first)),
        to_first=s.second_first * (1 - leads),
        to_second=s.first_second * leads,
        stay_second=stay_second,
        finish=(last_row & at_end).astype(float),
        inside=(at <= wide[:, :, None]).astype(float),
        same=same,
        diagonal=_places(at + shift - 1, width, base),
        diagonal_2=_places(at + shift_2 - 2, width, base),
        ahead=_places(at - back, width, base),
        ahead_diagonal=_places(at - back + 1, width, base),
        ahead_diagonal_2=_places(at - back_2 + 2, width, base),
    )


def _places(at: Ints, width: int, base: Ints) -> Ints:
    """Flat place of column `at` in a row padded by one zero cell; columns outside lead to the zero cell."""
    return np.where((at < 0) | (at > width), width + 1, at) + base


def _crossed(match: Floats, same: Ints, steps: Steps) -> Floats:
    """Weight of records (i, p - 1) and (i - 1, p) being pairs: two neighbours that the trackers saw in different order."""
    padded = np.concatenate([match[:-1], np.zeros((*match[:-1].shape[:-1], 1))], axis=-1)
    before = np.take_along_axis(padded.reshape(len(padded), -1), same[1:].reshape(len(padded), -1), axis=1)
    cross = np.zeros_like(match)
    cross[1:, :, 1:] = match[1:, :, :-1] * before.reshape(match[1:].shape)[:, :, 1:]
    return cross * steps.crossed[:, None]


def _forward(lattice: _Lattice, band: Band, s: Steps) -> tuple[Floats, Floats, Floats]:
    """Weight gathered before a match at each place, its log scale by row, and the log of the total."""
    rows, units, width = lattice.match.shape
    before, log_before = np.zeros((rows, units, width + 1)), np.zeros((rows, units))
    log_total = np.full(units, -np.inf)
    going, turning = np.zeros((units, width + 1)), np.zeros((units, width + 1))
    states = np.zeros((3, units, width))
    states[0] = (np.arange(width) + band.low[:, :1]) == 0
    scale: Floats = np.zeros(units)
    ratio: Floats | None = None
    turns = bool(lattice.to_first.any())
    ends = set(band.rows.tolist())
    for row in range(rows):
        both, first, second = states
        if row:
            np.multiply(s.both_first, both, out=going[:, :-1])
            going[:, :-1] += lattice.stay_first[row - 1] * first
            new = lattice.match[row] * before[row - 1].take(lattice.diagonal[row])
            if row > 1:
                crossed = before[row - 2].take(lattice.diagonal_2[row])
                new += lattice.cross[row] * (crossed if ratio is None else crossed / ratio)
            both[:] = new
            first[:] = going.take(lattice.same[row])
            if turns:
                turning[:, :-1] = second
                first += lattice.to_first[row] * turning.take(lattice.same[row])
        source = s.both_second * both[:, :-1] + lattice.to_second[row][:, 1:] * first[:, :-1]
        second[:, 1:] = _carried_on(source, lattice.stay_second[row])
        states *= lattice.inside[row]
        ratio = _rescaled(states) if row % _ROWS_BETWEEN == 0 else None
        if ratio is not None:
            scale = scale + np.log(ratio[:, 0])
        before[row, :, :-1] = s.both_both * both + s.first_both * first + s.second_both * second
        log_before[row] = scale
        if row in ends:
            done = np.flatnonzero(band.rows == row)
            last = band.columns[done] - band.low[done, max(row - 1, 0)]
            log_total[done] = np.log(np.maximum(states[:, done, last].sum(axis=0), 1e-300)) + scale[done]
    return before, log_before, log_total


# rows between two rescalings: a row can add a factor of e^60, what is before, at and after a pair is multiplied, and the largest
# double is e^709
_ROWS_BETWEEN = 4


def _rescaled(states: Floats) -> Floats:
    """Divide the states (states, units, width) by their largest value; what they were divided by, (units, 1)."""
    top = states.max(axis=(0, 2))
    ratio = np.where(top > 0, top, 1.0)[:, None]
    states /= ratio
    return np.asarray(ratio)


def _backward(lattice: _Lattice, s: Steps) -> tuple[Floats, Floats]:
    """Weight of all that can follow a match at each place, and its log scale by row."""
    rows, units, width = lattice.match.shape
    after, log_after = np.zeros((rows, units, width)), np.zeros((rows, units))
    weight, crossing, crossing_2, ahead_first, ahead_turned = np.zeros((5, units, width + 1))
    states = np.zeros((2, units, width))
    scale: Floats = np.zeros(units)
    ratio: Floats | None = None
    turns = bool(lattice.to_first.any())
    for row in range(rows - 1, 0, -1):
        following = weight.take(lattice.ahead_diagonal[row])
        if row < rows - 2:
            crossed = crossing_2.take(lattice.ahead_diagonal_2[row])
            following += crossed if ratio is None else crossed / ratio
        first = ahead_first.take(lattice.ahead[row])
        source = s.second_both * following + lattice.finish[row]
        if turns:
            source += ahead_turned.take(lattice.ahead[row])
        source *= lattice.inside[row]
        second = _carried_on(source[:, ::-1], lattice.stay_second[row])[:, ::-1]
        both, go_on = states
        np.multiply(s.both_both, following, out=both)
        both += s.both_first * first
        both += lattice.finish[row]
        both[:, :-1] += s.both_second * second[:, 1:]
        np.multiply(s.first_both, following, out=go_on)
        go_on += lattice.stay_first[row] * first
        go_on += lattice.finish[row]
        go_on[:, :-1] += lattice.to_second[row][:, 1:] * second[:, 1:]
        states *= lattice.inside[row]
        ratio = _rescaled(states) if row % _ROWS_BETWEEN == 0 else None
        if ratio is not None:
            scale = scale + np.log(ratio[:, 0])
        after[row], log_after[row] = both, scale
        crossing_2[:] = crossing
        np.multiply(lattice.match[row], both, out=weight[:, :-1])
        np.multiply(lattice.cross[row], both, out=crossing[:, :-1])
        ahead_first[:, :-1] = go_on
        if turns:
            np.multiply(lattice.to_first[row], go_on, out=ahead_turned[:, :-1])
    return after, log_after


def _posterior(
    lattice: _Lattice, before: Floats, after: Floats, log_before: Floats, log_after: Floats, log_total: Floats
) -> Floats:
    """What was gathered before each pair, its own weight, and what can follow, over the total."""
    rows, units, width = lattice.match.shape
    flat, by_row = before.reshape(rows, -1), (np.arange(rows) * units * (width + 1))[:, None, None]
    factor = np.exp(np.minimum(log_before[:-1] + log_after[1:] - log_total, 600.0))[:, :, None]
    own = lattice.match[1:] * after[1:] * flat.take(lattice.diagonal[1:] + by_row[:-1]) * factor
    posterior = own[:, :, 1:]
    if rows > 2:
        factor = np.exp(np.minimum(log_before[:-2] + log_after[2:] - log_total, 600.0))[:, :, None]
        crossed = lattice.cross[2:] * after[2:] * flat.take(lattice.diagonal_2[2:] + by_row[:-2]) * factor
        posterior[1:, :, :-1] += crossed[:, :, 2:]
        padded = np.concatenate([crossed, np.zeros((rows - 2, units, 1))], axis=-1)
        posterior[:-1] += padded.ravel().take(lattice.ahead[1:-1] + by_row[:-2])[:, :, 1:]
    return np.asarray(np.minimum(posterior.transpose(1, 0, 2), 1.0))


def _carried_on(start: Floats, stay: Floats) -> Floats:
    """y[p] = start[p] + stay * y[p - 1] along each row; `stay` is (rows, 1).

    By doubling: the sum at a place is made the same way wherever the row begins and whatever is padded to it, so that a result does
    not depend, to the last bit, on the streams that are worked in the same batch.
    """
    carried, reach, factor = start.copy(), 1, stay
    while reach < start.shape[1]:
        carried[:, reach:] += factor * carried[:, :-reach]
        reach, factor = 2 * reach, factor * factor
    return carried
