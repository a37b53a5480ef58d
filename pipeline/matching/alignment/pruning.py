"""Prune the bands before forward-backward.

Nothing crosses an anchor, and hopeless cells are left out. Both save time only. On simulated seasons the results differ
by less than other fits do (tests/test_matching.py).
"""

from collections.abc import Callable

import numpy as np

from pipeline.matching.alignment.bands import Bands, Cells, split_blocks
from pipeline.matching.alignment.windows import is_uncrossed
from pipeline.matching.data.arrays import Bools, Floats, Ints

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# An anchor is a pair with at least this evidence (natural log) ...
_ANCHOR = 9.0
# ... which leads all other pairs of its two records by this much ...
_ANCHOR_LEAD = 10.0
# ... and whose crossed neighbors all have less than this.
_MAY_BE_CROSSED = -9.0
# A pin is a pair with at least this evidence that is the best of both its records.
_PIN = 6.0
# A pair loses this much evidence for each pin that it crosses.
_CROSSED_PIN_COST = 3.0
# A pair with less evidence than this, after that loss, is hopeless.
_HOPELESS = -10.0
# A column left or right of every band.
_FAR_COLUMN = 1 << 60


def keep_between_anchors(bands: Bands, cells: Cells, evidence: Floats) -> tuple[Ints, Ints, Bands]:
    """Return (cells left, their rows, bands) if nothing may cross an anchor.

    An anchor's evidence is overwhelming, nothing comes near it in its row and column, and nothing that crosses it has
    any evidence; the chance that it is wrong is below exp(-9). Mostly up to three records are left between anchors.
    """
    row, column = _anchors(bands, cells, evidence)
    if not len(row):
        return np.arange(len(cells.row)), cells.row, bands
    rows = np.arange(len(bands.low))
    before, after = np.searchsorted(row, rows, "right"), np.searchsorted(row, rows, "left")
    is_anchor_row = before > after
    low = np.maximum(bands.low, np.concatenate([[-1], column])[before] + ~is_anchor_row)
    high = np.minimum(bands.high, np.concatenate([column, [_FAR_COLUMN]])[after] - ~is_anchor_row)
    left = low <= high
    position = np.cumsum(left) - 1
    kept = np.flatnonzero((cells.column >= low[cells.row]) & (cells.column <= high[cells.row]))
    stream_pair, low, high = bands.stream_pair[left], low[left], high[left]
    pruned = Bands(stream_pair, low, high, bands.is_clocked, split_blocks(stream_pair, low, high))
    return kept, position[cells.row[kept]], pruned


def drop_hopeless(
    bands: Bands, row: Ints, column: Ints, evidence: Floats, first_is_earlier: Bools
) -> tuple[Ints, Bands]:
    """Return (which cells are left, bands) without hopeless ends of rows.

    Cells come by rows. A row keeps the cells that no path can do without: those where the time order of both streams
    passes it, along which runs of unmatched records go. Streams without a clock have no such order and keep all cells.
    """
    is_clocked = bands.is_clocked[bands.stream_pair]
    adjusted = evidence - _CROSSED_PIN_COST * _crossed_pins(row, column, evidence)
    promising = (adjusted > _HOPELESS) | ~is_clocked[row]
    first = _outermost(np.minimum, row, column, promising | first_is_earlier, bands.high)
    last = _outermost(np.maximum, row, column, promising, bands.low)
    earlier = _outermost(np.maximum, row, column, ~first_is_earlier, bands.low - 1)
    last = np.maximum(last, first)
    # records that only the second stream has before the next row, or before that row's partner, are taken in this row
    continues = np.flatnonzero(bands.stream_pair[1:] == bands.stream_pair[:-1])
    last[continues] = np.maximum(last[continues], np.maximum(earlier, last - 1)[continues + 1])
    blocks = bands.blocks
    first[blocks.start], ends = bands.low[blocks.start], blocks.start + blocks.rows - 1
    last[ends] = bands.high[ends]
    low = np.minimum.accumulate(first[::-1])[::-1]
    high = np.minimum(np.maximum.accumulate(last), bands.high)
    kept = np.flatnonzero((column >= low[row]) & (column <= high[row]))
    return kept, Bands(bands.stream_pair, low, high, bands.is_clocked, split_blocks(bands.stream_pair, low, high))


def _outermost(pick: np.ufunc, row: Ints, column: Ints, chosen: Bools, default: Ints) -> Ints:
    """Return the first or last column of the chosen cells in each row.

    Rows without any get `default`.
    """
    out = default.copy()
    row, column = row[chosen], column[chosen]
    if len(row):
        start = np.flatnonzero(np.diff(row, prepend=-1))
        out[row[start]] = pick.reduceat(column, start)
    return out


def _crossed_pins(row: Ints, column: Ints, evidence: Floats) -> Ints:
    """Return how many pins each cell crosses; pins cross no other pin."""
    # whatever beats a pin is itself strong
    strong = np.flatnonzero(evidence >= _PIN)
    best = _in_row_and_column(_is_best, row[strong], column[strong], evidence[strong])
    i, j = row[strong[best]], column[strong[best]]
    in_order = is_uncrossed(j)
    above = np.searchsorted(i[in_order], np.arange(row.max(initial=-1) + 1))
    left = np.searchsorted(j[in_order], np.arange(column.max(initial=-1) + 1))
    return np.asarray(np.abs(above[row] - left[column]))


def _anchors(bands: Bands, cells: Cells, evidence: Floats) -> tuple[Ints, Ints]:
    """Return (row, column) of the anchors, both ascending."""
    # every anchor leads all weaker cells by far
    near = np.flatnonzero(evidence > _ANCHOR - _ANCHOR_LEAD)
    strong = _in_row_and_column(_stands_out, cells.row[near], cells.column[near], evidence[near])
    chosen = near[strong & (evidence[near] >= _ANCHOR)]
    positive = np.flatnonzero(evidence > 0.0)
    rightmost, leftmost = np.full(len(bands.low) + 1, -1), np.full(len(bands.low) + 1, _FAR_COLUMN)
    np.maximum.at(rightmost, cells.row[positive] + 1, cells.column[positive])
    np.minimum.at(leftmost, cells.row[positive], cells.column[positive])
    rightmost, leftmost = np.maximum.accumulate(rightmost), np.minimum.accumulate(leftmost[::-1])[::-1]
    row, column = cells.row[chosen], cells.column[chosen]
    is_anchor = (rightmost[row] <= column) & (leftmost[row + 1] >= column)
    is_anchor &= ~_may_be_crossed(bands, cells, evidence, chosen)
    return row[is_anchor], column[is_anchor]


def _in_row_and_column(test: Callable[[Ints, Floats], Bools], row: Ints, column: Ints, evidence: Floats) -> Bools:
    """Return whether cells, sorted by rows, pass a test in row and column."""
    out, by_column = test(row, evidence), np.argsort(column, kind="stable")
    out[by_column] &= test(column[by_column], evidence[by_column])
    return out


def _is_best(line: Ints, evidence: Floats) -> Bools:
    """Return whether each cell is the best of its line (row or column)."""
    start = np.flatnonzero(np.diff(line, prepend=-1))
    if not len(start):
        return np.zeros(0, dtype=bool)
    return np.asarray(evidence >= np.repeat(np.maximum.reduceat(evidence, start), np.diff(np.append(start, len(line)))))


def _stands_out(line: Ints, evidence: Floats) -> Bools:
    """Return whether each cell leads all others of its line (row or column)."""
    start = np.flatnonzero(np.diff(line, prepend=-1))
    size = np.diff(np.append(start, len(line)))
    best = _is_best(line, evidence)
    second = np.maximum.reduceat(np.where(best, -np.inf, evidence), start)
    return np.asarray(best & (evidence - np.repeat(second, size) >= _ANCHOR_LEAD))


def _may_be_crossed(bands: Bands, cells: Cells, evidence: Floats, chosen: Ints) -> Bools:
    """Return whether two neighbors of each pair may be a pair that crosses it.

    One tracker saw that pitch before, the other after.
    """
    size = bands.high - bands.low + 1
    first_cell = np.cumsum(size) - size
    out = np.zeros(len(chosen), dtype=bool)
    for up, right in ((-1, 1), (1, -1)):
        row, column = cells.row[chosen] + up, cells.column[chosen] + right
        inside = (row >= 0) & (row < len(size))
        row = np.where(inside, row, 0)
        inside &= (column >= bands.low[row]) & (column <= bands.high[row])
        cell = np.where(inside, first_cell[row] + column - bands.low[row], 0)
        out |= inside & (evidence[cell] > _MAY_BE_CROSSED)
    return out
