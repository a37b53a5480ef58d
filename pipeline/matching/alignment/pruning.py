"""What of the bands is left to be aligned once the evidence is known: nothing that crosses a pair beyond doubt, little that is hopeless."""

from collections.abc import Callable

import numpy as np

from pipeline.matching.alignment.bands import Bands, Cells, blocks_of, uncrossed
from pipeline.matching.data.arrays import Bools, Floats, Ints

# a pair beyond doubt: its evidence, its lead over the others of its records, and what a pair crossed with it must have (natural log)
_ANCHOR, _ANCHOR_LEAD, _MAY_BE_CROSSED = 9.0, 10.0, -9.0
# a pair that may hold its place: its evidence; what another pair loses for each of these that it crosses; what makes a pair hopeless
_PIN, _CROSSED, _HOPELESS = 6.0, 3.0, -10.0


def between_anchors(bands: Bands, cells: Cells, evidence: Floats) -> tuple[Ints, Ints, Bands]:
    """(cells that are left, their rows, the bands) when no alignment may cross an anchor: a pair beyond doubt.

    An anchor's evidence is overwhelming, in its row and column nothing comes near it, and nothing that crosses it has any evidence;
    the chance that such a pair is none is under exp(-9). Between two anchors there are mostly none or two or three records left.
    """
    row, column = _anchors(bands, cells, evidence)
    if not len(row):
        return np.arange(len(cells.unit)), cells.row, bands
    at = np.arange(len(bands.low))
    before, after = np.searchsorted(row, at, "right"), np.searchsorted(row, at, "left")
    own = before > after
    low = np.maximum(bands.low, np.concatenate([[-1], column])[before] + ~own)
    high = np.minimum(bands.high, np.concatenate([column, [1 << 60]])[after] - ~own)
    left = low <= high
    place = np.cumsum(left) - 1
    kept = np.flatnonzero((cells.column >= low[cells.row]) & (cells.column <= high[cells.row]))
    unit, low, high = bands.unit[left], low[left], high[left]
    narrowed = Bands(unit, low, high, bands.clocked, blocks_of(unit, low, high))
    return kept, place[cells.row[kept]], narrowed


def without_hopeless(bands: Bands, row: Ints, column: Ints, evidence: Floats, leads: Bools) -> tuple[Ints, Bands]:
    """(which of the cells are left, the bands) when the hopeless cells at either side of a row are left out; cells are by rows.

    A row keeps what no path of the alignment can do without: where the time order of both streams passes it, on which runs of records
    without partners go. Streams without a clock have no such order and keep all.
    """
    clocked = bands.clocked[bands.unit]
    worth = (evidence - _CROSSED * _pins_crossed(row, column, evidence) > _HOPELESS) | ~clocked[row]
    first, last, earlier = (
        _extreme(np.minimum, row, column, worth | leads, bands.high),
        _extreme(np.maximum, row, column, worth, bands.low),
        _extreme(np.maximum, row, column, ~leads, bands.low - 1),
    )
    last = np.maximum(last, first)
    # what only the second stream has before the next row, or before that row's partner, is taken in this row
    goes_on = np.flatnonzero(bands.unit[1:] == bands.unit[:-1])
    last[goes_on] = np.maximum(last[goes_on], np.maximum(earlier, last - 1)[goes_on + 1])
    blocks = bands.blocks
    first[blocks.start], ends = bands.low[blocks.start], blocks.start + blocks.rows - 1
    last[ends] = bands.high[ends]
    low = np.minimum.accumulate(first[::-1])[::-1]
    high = np.minimum(np.maximum.accumulate(last), bands.high)
    kept = np.flatnonzero((column >= low[row]) & (column <= high[row]))
    return kept, Bands(bands.unit, low, high, bands.clocked, blocks_of(bands.unit, low, high))


def _extreme(pick: np.ufunc, row: Ints, column: Ints, some: Bools, otherwise: Ints) -> Ints:
    """First or last column of some cells in each row, `otherwise` where it has none."""
    out = otherwise.copy()
    row, column = row[some], column[some]
    if len(row):
        start = np.flatnonzero(np.diff(row, prepend=-1))
        out[row[start]] = pick.reduceat(column, start)
    return out


def _pins_crossed(row: Ints, column: Ints, evidence: Floats) -> Ints:
    """How many pins each cell crosses: pairs that are each other's best, whose evidence is strong and that cross no other."""
    # whatever is better than a pin is among the strong
    strong = np.flatnonzero(evidence >= _PIN)
    best = _in_both_lines(_is_best, row[strong], column[strong], evidence[strong])
    i, j = row[strong[best]], column[strong[best]]
    in_order = uncrossed(j)
    above = np.searchsorted(i[in_order], np.arange(row.max(initial=-1) + 1))
    left = np.searchsorted(j[in_order], np.arange(column.max(initial=-1) + 1))
    return np.asarray(np.abs(above[row] - left[column]))


def _anchors(bands: Bands, cells: Cells, evidence: Floats) -> tuple[Ints, Ints]:
    """(row, column) of the pairs beyond doubt, both ascending."""
    # all others are so weak that every anchor leads them by far
    near = np.flatnonzero(evidence > _ANCHOR - _ANCHOR_LEAD)
    strong = _in_both_lines(_stands_out, cells.row[near], cells.column[near], evidence[near])
    chosen = near[strong & (evidence[near] >= _ANCHOR)]
    telling = np.flatnonzero(evidence > 0.0)
    rightmost, leftmost = np.full(len(bands.low) + 1, -1), np.full(len(bands.low) + 1, 1 << 60)
    np.maximum.at(rightmost, cells.row[telling] + 1, cells.column[telling])
    np.minimum.at(leftmost, cells.row[telling], cells.column[telling])
    rightmost, leftmost = np.maximum.accumulate(rightmost), np.minimum.accumulate(leftmost[::-1])[::-1]
    row, column = cells.row[chosen], cells.column[chosen]
    alone = (rightmost[row] <= column) & (leftmost[row + 1] >= column)
    alone &= ~_may_have_crossed(bands, cells, evidence, chosen)
    return row[alone], column[alone]


def _in_both_lines(holds: Callable[[Ints, Floats], Bools], row: Ints, column: Ints, evidence: Floats) -> Bools:
    """Whether something holds of cells, sorted by rows, both in their rows and in their columns."""
    out, by_column = holds(row, evidence), np.argsort(column, kind="stable")
    out[by_column] &= holds(column[by_column], evidence[by_column])
    return out


def _is_best(line: Ints, evidence: Floats) -> Bools:
    """Whether each cell is the best of its line (row or column, sorted)."""
    start = np.flatnonzero(np.diff(line, prepend=-1))
    if not len(start):
        return np.zeros(0, dtype=bool)
    return np.asarray(evidence >= np.repeat(np.maximum.reduceat(evidence, start), np.diff(np.append(start, len(line)))))


def _stands_out(line: Ints, evidence: Floats) -> Bools:
    """Whether each cell leads all others of its line (row or column, sorted) by far."""
    start = np.flatnonzero(np.diff(line, prepend=-1))
    size = np.diff(np.append(start, len(line)))
    best = _is_best(line, evidence)
    second = np.maximum.reduceat(np.where(best, -np.inf, evidence), start)
    return np.asarray(best & (evidence - np.repeat(second, size) >= _ANCHOR_LEAD))


def _may_have_crossed(bands: Bands, cells: Cells, evidence: Floats, chosen: Ints) -> Bools:
    """Whether the two neighbours of a pair may be another pair, seen by one tracker before it and by the other after."""
    size = bands.high - bands.low + 1
    first_cell = np.cumsum(size) - size
    out = np.zeros(len(chosen), dtype=bool)
    for up, right in ((-1, 1), (1, -1)):
        row, column = cells.row[chosen] + up, cells.column[chosen] + right
        there = (row >= 0) & (row < len(size))
        row = np.where(there, row, 0)
        there &= (column >= bands.low[row]) & (column <= bands.high[row])
        at = np.where(there, first_cell[row] + column - bands.low[row], 0)
        out |= there & (evidence[at] > _MAY_BE_CROSSED)
    return out
