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

    Cells that are not in the band hold -inf; `rows[u]`, `columns[u]` are the lengths; rows past the end repeat the last `low`.
    `first_leads[u, i, c]`: whether record i is earlier than record `low[u, i] + c - 1` of the second stream (without clocks: always).
    """

    evidence: Floats
    first_leads: Bools
    low: Ints
    rows: Ints
    columns: Ints


class Aligned(NamedTuple):
    """`posterior` has the shape of the band's evidence; `log_evidence[u]` is log(sum over alignments / nothing in common)."""

    posterior: Floats
    log_evidence: Floats


class _Lattice(NamedTuple):
    """Everything by row, prefix lengths counted from low[u, i]: match weights, crossing weights, places in the row before."""

    match: Floats
    cross: Floats
    valid: Floats
    leads: Floats
    at_start: Bools
    at_end: Bools
    last_row: Bools
    same: Ints
    diagonal: Ints
    diagonal_2: Ints


def align(band: Band, steps: Steps) -> Aligned:
    """Posterior probability of each pair of records, and the evidence that the streams show the same session at all."""
    lattice = _lattice(band, steps)
    gathered, log_scale, log_total = _forward(lattice, band, steps)
    posterior = _backward(lattice, band, steps, gathered, log_scale, log_total)
    return Aligned(posterior, log_total)


def _lattice(band: Band, steps: Steps) -> _Lattice:
    """Rows 0..n and prefix lengths low..low+width of every pair of streams; index `width + 1` is a cell that holds 0."""
    units, rows, width = band.evidence.shape
    low = np.concatenate([band.low[:, :1], band.low], axis=1).T  # (rows + 1, units)
    prefix = low[:, :, None] + np.arange(width + 1)
    inside = (np.arange(rows + 1)[:, None] <= band.rows)[:, :, None]
    valid = (inside & (prefix <= band.columns[:, None])).astype(float)
    match = np.zeros((rows + 1, units, width + 1))
    leads = np.ones((rows + 1, units, width + 1))
    leads[1:] = band.first_leads.transpose(1, 0, 2)
    match[1:, :, 1:] = np.exp(np.minimum(band.evidence, _HIGHEST_EVIDENCE)).transpose(1, 0, 2)
    base = (np.arange(units) * (width + 2))[:, None]
    moved = np.diff(low, axis=0, prepend=low[:1])[:, :, None] + np.arange(width + 1)
    same, diagonal = _places(moved, width, base), _places(moved - 1, width, base)
    moved_2 = moved + np.concatenate([moved[:1], moved[:-1]])[:, :, :1]
    diagonal_2 = _places(moved_2 - 2, width, base)
    at_start, at_end = prefix == 0, prefix == band.columns[:, None]
    last_row = (np.arange(rows + 1)[:, None] == band.rows)[:, :, None]
    return _Lattice(
        match, _crossed(match, same, steps), valid, leads, at_start, at_end, last_row, same, diagonal, diagonal_2
    )


def _places(at: Ints, width: int, base: Ints) -> Ints:
    """Flat place of column `at` in a row padded by one zero cell; columns outside lead to the zero cell."""
    return np.where((at < 0) | (at > width), width + 1, at) + base


def _crossed(match: Floats, same: Ints, steps: Steps) -> Floats:
    """Weight of records (i, p - 1) and (i - 1, p) being pairs: two neighbours that the trackers saw in different order."""
    before = np.take_along_axis(
        _padded(match[:-1]).reshape(len(match) - 1, -1), same[1:].reshape(len(match) - 1, -1), axis=1
    )
    cross = np.zeros_like(match)
    cross[1:, :, 1:] = match[1:, :, :-1] * before.reshape(match[1:].shape)[:, :, 1:]
    return cross * steps.crossed[:, None]


def _padded(row: Floats) -> Floats:
    return np.concatenate([row, np.zeros((*row.shape[:-1], 1))], axis=-1)


def _forward(lattice: _Lattice, band: Band, steps: Steps) -> tuple[Floats, Floats, Floats]:
    """Weight gathered before a match at each place (scaled by row), its log scale, and the log of the total."""
    rows, units, width = lattice.match.shape
    s = Steps(*(value[:, None] for value in steps))
    gathered = np.zeros((rows, units, width + 1))
    log_scale = np.zeros((rows, units))
    log_total = np.full(units, -np.inf)
    both = ((np.arange(width) + band.low[:, :1]) == 0).astype(float)
    only_first, only_second = np.zeros_like(both), np.zeros_like(both)
    scale = np.zeros(units)
    ratio = np.ones(units)
    for row in range(rows):
        if row:
            kept = lattice.match[row] * gathered[row - 1].ravel()[lattice.diagonal[row]]
            if row > 1:
                kept += lattice.cross[row] * (gathered[row - 2].ravel()[lattice.diagonal_2[row]] / ratio[:, None])
            ending = _first_first(lattice, s, row - 1)
            one = _padded(s.both_first * both + ending * only_first).ravel()[lattice.same[row]]
            after_second = _padded(s.second_first * only_second).ravel()[lattice.same[row]]
            both = kept * lattice.valid[row]
            only_first = (one + after_second * (1 - lattice.leads[row])) * lattice.valid[row]
        ending = (
            s.second_second_start if row == 0 else np.where(lattice.last_row[row], s.second_second_end, s.second_second)
        )
        only_second = (
            _carried(s.both_second * both, s.first_second * only_first, lattice.leads[row], ending) * lattice.valid[row]
        )
        top = np.maximum(np.maximum(both, only_first), only_second).max(axis=1)
        ratio = np.where(top > 0, top, 1.0)
        both, only_first, only_second = both / ratio[:, None], only_first / ratio[:, None], only_second / ratio[:, None]
        scale = scale + np.log(ratio)
        gathered[row, :, :width] = s.both_both * both + s.first_both * only_first + s.second_both * only_second
        log_scale[row] = scale
        done = np.flatnonzero(band.rows == row)
        if len(done):
            last = band.columns[done] - (band.low[done, row - 1] if row else band.low[done, 0])
            total = (both + only_first + only_second)[done, last]
            log_total[done] = np.log(np.maximum(total, 1e-300)) + scale[done]
    return gathered, log_scale, log_total


def _first_first(lattice: _Lattice, s: Steps, row: int) -> Floats:
    return np.where(
        lattice.at_start[row], s.first_first_start, np.where(lattice.at_end[row], s.first_first_end, s.first_first)
    )


class _Ahead(NamedTuple):
    """What can follow the places of a row, in the row's scale: a match or crossing; a record of the first stream, after both or
    first, and after second; a crossing that ends two rows further (at the places of the row before)."""

    following: Floats
    first: Floats
    first_after_second: Floats
    crossing: Floats


def _backward(
    lattice: _Lattice, band: Band, steps: Steps, gathered: Floats, log_scale: Floats, log_total: Floats
) -> Floats:
    """Posterior of each cell: what was gathered before it, its own weight, and what can still follow."""
    rows, units, width = lattice.match.shape
    s = Steps(*(value[:, None] for value in steps))
    posterior = np.zeros((units, rows - 1, width - 1))
    ahead = _Ahead(*(np.zeros((units, width)) for _ in _Ahead._fields))
    scale = np.zeros(units)
    for row in range(rows - 1, 0, -1):
        both, first = _still_to_come(lattice, band, s, row, ahead)
        top = np.maximum(both, first).max(axis=1)
        ratio = np.where(top > 0, top, 1.0)
        both, first, crossing_2 = both / ratio[:, None], first / ratio[:, None], ahead.crossing / ratio[:, None]
        scale = scale + np.log(ratio)
        weight, crossing = lattice.match[row] * both, lattice.cross[row] * both
        factor = np.exp(np.minimum(log_scale[row - 1] + scale - log_total, 600.0))[:, None]
        posterior[:, row - 1] += (weight * gathered[row - 1].ravel()[lattice.diagonal[row]] * factor)[:, 1:]
        if row > 1:
            factor = np.exp(np.minimum(log_scale[row - 2] + scale - log_total, 600.0))[:, None]
            crossed = crossing * gathered[row - 2].ravel()[lattice.diagonal_2[row]] * factor
            posterior[:, row - 1, :-1] += crossed[:, 2:]
            posterior[:, row - 2] += _spread(lattice.same[row], crossed)[:, 1:]
        ahead = _Ahead(
            _spread(lattice.diagonal[row], weight) + crossing_2,
            _spread(lattice.same[row], first),
            _spread(lattice.same[row], first * (1 - lattice.leads[row])),
            _spread(lattice.diagonal_2[row], crossing),
        )
    return np.minimum(posterior, 1.0)


def _still_to_come(lattice: _Lattice, band: Band, s: Steps, row: int, ahead: _Ahead) -> tuple[Floats, Floats]:
    """Weight of all that can follow each place of a row, after both and after first."""
    width = lattice.match.shape[2]
    finish = (
        lattice.last_row[row] & ((np.arange(width) + band.low[:, row - 1, None]) == band.columns[:, None])
    ).astype(float)
    ending = np.where(lattice.last_row[row], s.second_second_end, s.second_second)
    ending_first = _first_first(lattice, s, row)
    after_second = _running(
        (finish + s.second_both * ahead.following + s.second_first * ahead.first_after_second)[:, ::-1], ending
    )[:, ::-1]
    next_second = np.concatenate([after_second[:, 1:], np.zeros((len(finish), 1))], axis=1)
    leads = np.concatenate([lattice.leads[row][:, 1:], np.zeros((len(finish), 1))], axis=1)
    both = finish + s.both_both * ahead.following + s.both_first * ahead.first + s.both_second * next_second
    first = finish + s.first_both * ahead.following + ending_first * ahead.first + s.first_second * leads * next_second
    return both * lattice.valid[row], first * lattice.valid[row]


def _spread(places: Ints, values: Floats) -> Floats:
    """The reverse of taking by place: each value goes back to where it came from."""
    units, width = values.shape
    target = np.zeros(units * (width + 1))
    target[places.ravel()] = values.ravel()
    return target.reshape(units, width + 1)[:, :width]


def _carried(both: Floats, first: Floats, leads: Floats, stay: Floats) -> Floats:
    """y[p] = both[p - 1] + leads[p] * first[p - 1] + stay * y[p - 1] along each row, y[0] = 0."""
    out = np.zeros_like(both)
    out[:, 1:] = _running(both[:, :-1] + leads[:, 1:] * first[:, :-1], stay)
    return out


def _running(start: Floats, stay: Floats) -> Floats:
    """y[p] = start[p] + stay * y[p - 1] along each row; `stay` is (rows, 1)."""
    width = start.shape[1]
    if width * -np.log(float(stay.min())) < 600.0:
        power = stay ** np.arange(width)
        return np.asarray(np.cumsum(start / power, axis=1) * power)
    carried, reach, factor = start.copy(), 1, stay
    while reach < width:
        carried[:, reach:] = carried[:, reach:] + factor * carried[:, :-reach]
        reach, factor = 2 * reach, factor * factor
    return carried
