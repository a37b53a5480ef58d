"""Which pairs of records are worth comparing: windows of each unit, and the cells of all units inside their bands."""

from typing import NamedTuple

import numpy as np

from pipeline.matching.clocks.search import COARSE_S, Clock
from pipeline.matching.data.arrays import Bools, Floats, Ints, ranges
from pipeline.matching.data.records import Unit


class Window(NamedTuple):
    """The band of one unit: places of the rows and columns that are kept, and for each row its first and last kept column."""

    rows: Ints
    columns: Ints
    low: Ints
    high: Ints


class Cells(NamedTuple):
    """Pairs of records inside the bands, flat, unit by unit and row by row; `row` counts the rows of all units.

    `i`, `j`: places in the streams; `first`, `second`: rows of the records; `leads`: the first is the earlier; evidence in nats.
    """

    unit: Ints
    row: Ints
    column: Ints
    i: Ints
    j: Ints
    first: Ints
    second: Ints
    leads: Bools
    time_gap_s: Floats
    time: Floats
    readings: Floats
    label: Floats
    posterior: Floats

    @property
    def evidence(self) -> Floats:
        """All that speaks for a pair but its place in the order."""
        return self.readings + self.time + self.label


class Blocks(NamedTuple):
    """Stretches of rows that share no column with the others: first row, rows, columns, first column, widest row, first cell, unit."""

    start: Ints
    rows: Ints
    columns: Ints
    first_column: Ints
    width: Ints
    cell: Ints
    unit: Ints
    opens: Bools
    closes: Bools


class Bands(NamedTuple):
    """Bands of all units end to end: per row its unit, first and last column (columns of all units are counted on)."""

    unit: Ints
    low: Ints
    high: Ints
    clocked: Bools
    blocks: Blocks


def timed_window(unit: Unit, clock: Clock, reach_s: float, within: Window | None) -> Window:
    """Pairs within `reach_s` of the clock path, and `within` a window of all rows if there is one.

    Records with no partner that near are left out: nobody else has them.
    """
    m = len(unit.second.rows)
    first_s, second_s = unit.first.filled_s, unit.second.filled_s - clock.offset_s
    # near pairs: a clock that was set back can bring the second stream out of the order of time
    order = np.argsort(second_s, kind="stable")
    begin = np.searchsorted(second_s[order], first_s - reach_s, "right")
    size = np.maximum(np.searchsorted(second_s[order], first_s + reach_s, "left") - begin, 0)
    near = np.repeat(np.arange(len(first_s)), size), order[ranges(begin, size)]
    row, column = _with_unstamped(unit, clock, reach_s, *near)
    if within is not None:
        inside = (column >= within.low[row]) & (column <= within.high[row])
        row, column = row[inside], column[inside]
    if not len(row):
        return Window(row, row, row, row)
    start = np.flatnonzero(np.diff(row, prepend=-1))
    low = np.minimum.accumulate(np.minimum.reduceat(column, start)[::-1])[::-1]
    high = np.maximum.accumulate(np.maximum.reduceat(column, start))
    covered = np.zeros(m + 1, dtype=np.int64)
    np.add.at(covered, low, 1)
    np.add.at(covered, high + 1, -1)
    inside = np.cumsum(covered)[:m] > 0
    place = np.cumsum(inside) - 1
    low, high = place[low], place[high]
    # what only the second stream has between two rows is taken before the later row: the band must reach there
    before = np.maximum.reduceat(np.where(second_s[column] <= first_s[row], column, -1), start)
    upto = np.where(before >= 0, place[before], low - 1)
    high[:-1] = np.maximum(high[:-1], upto[1:])
    return Window(row[start], np.flatnonzero(inside), low, np.maximum.accumulate(high))


def _with_unstamped(unit: Unit, clock: Clock, reach_s: float, row: Ints, column: Ints) -> tuple[Ints, Ints]:
    """The near pairs, and those of records without a stamp: these may be of any time between the stamps before and after."""
    missing = [np.flatnonzero(np.isnan(stream.seen_s)) for stream in (unit.first, unit.second)]
    if not len(missing[0]) and not len(missing[1]):
        return row, column
    low, high = _stamps_around(unit.first.seen_s)
    other_low, other_high = _stamps_around(unit.second.seen_s - clock.offset_s)
    i, j = np.nonzero((low[missing[0], None] - reach_s < other_high) & (high[missing[0], None] + reach_s > other_low))
    b, a = np.nonzero((other_low[missing[1], None] < high + reach_s) & (other_high[missing[1], None] > low - reach_s))
    pairs = np.concatenate(
        [np.stack([row, column]), np.stack([missing[0][i], j]), np.stack([a, missing[1][b]])], axis=1
    )
    once: Ints = np.unique(pairs, axis=1)
    return once[0], once[1]


def _stamps_around(seen_s: Floats) -> tuple[Floats, Floats]:
    """The stamp of each record; of one that has none the latest before and the first after, of those in its stretch."""
    known = ~np.isnan(seen_s)
    at = np.arange(len(seen_s))
    before = np.maximum.accumulate(np.where(known, at, -1))
    after = np.minimum.accumulate(np.where(known, at, len(seen_s))[::-1])[::-1]
    padded = np.concatenate([[-np.inf], seen_s, [np.inf]])
    return padded[before + 1], padded[after + 1]


def whole_window(unit: Unit) -> Window:
    """Every pair."""
    n, m = len(unit.first.rows), len(unit.second.rows)
    return Window(np.arange(n), np.arange(m), np.zeros(n, dtype=np.int64), np.full(n, m - 1))


def heaviest_chain(gain: Floats) -> tuple[Ints, Ints, float]:
    """(rows, columns, total) of the chain of pairs, rising in both, whose gains (first, second; not negative) add up to most.

    Needleman and Wunsch's recursion (1970) with gaps that cost nothing, one row at a time.
    """
    n, m = gain.shape
    best = np.zeros((n + 1, m + 1), dtype=gain.dtype)
    for row in range(n):
        np.add(best[row, :-1], gain[row], out=best[row + 1, 1:])
        np.maximum(best[row + 1], best[row], out=best[row + 1])
        np.maximum.accumulate(best[row + 1], out=best[row + 1])
    rows, columns, i, j = [], [], n, m
    while i and j:
        here = best[i, j]
        if best[i - 1, j] == here:
            i -= 1
        elif best[i, j - 1] == here:
            j = int(
                np.searchsorted(best[i, : j + 1], here)
            )  # the row never falls: jump to where this value was reached
        else:
            i, j = i - 1, j - 1
            rows.append(i)
            columns.append(j)
    return np.array(rows[::-1], dtype=np.int64), np.array(columns[::-1], dtype=np.int64), float(best[n, m])


def chain_window(i: Ints, j: Ints, shape: tuple[int, ...], margin: int) -> Window:
    """The band around a chain of pairs: from the pair before to the pair after each row, and a margin of records on both sides."""
    n, m = shape
    at = np.arange(n)
    before = np.concatenate([[0], j])[np.searchsorted(i, at, "right")]
    after = np.concatenate([j, [m - 1]])[np.searchsorted(i, at, "left")]
    # a record may also belong to a row next to the one that the chain gave it
    before = before[np.maximum(at - margin // 3, 0)]
    after = after[np.minimum(at + margin // 3, n - 1)]
    low, high = np.maximum(before - margin, 0), np.minimum(after + margin, m - 1)
    low[0], high[-1] = 0, m - 1
    return Window(at, np.arange(m), np.minimum.accumulate(low[::-1])[::-1], np.maximum.accumulate(high))


def closed_window(i: Ints, j: Ints, shape: tuple[int, int], margin: int) -> Window:
    """The band that holds the given pairs (i not falling), and a margin of records on both sides."""
    n, m = shape
    low, high = np.full(n, m), np.full(n, -1)
    np.minimum.at(low, i, j)
    np.maximum.at(high, i, j)
    low = np.minimum.accumulate(low[::-1])[::-1]
    high = np.maximum.accumulate(high)
    # rows without a pair lie between the pair before and the pair after
    low, high = np.minimum(low, np.maximum(high, 0)), np.maximum(high, np.minimum(low, m - 1))
    low, high = np.maximum(low - margin, 0), np.minimum(high + margin, m - 1)
    low[0], high[-1] = 0, m - 1
    return Window(np.arange(n), np.arange(m), np.minimum.accumulate(low[::-1])[::-1], np.maximum.accumulate(high))


def pinned_window(i: Ints, j: Ints, shape: tuple[int, int], pairs: int) -> Window:
    """The band that pairs which are sure leave (i ascending): each row may reach to the columns of so many of them before and after.

    Pairs that cross others pin nothing down.
    """
    n, m = shape
    in_order = uncrossed(j)
    i, j = i[in_order], j[in_order]
    at = np.arange(n)
    low = np.concatenate([np.zeros(pairs, dtype=np.int64), j])[np.searchsorted(i, at, "left")]
    high = np.concatenate([j, np.full(pairs, m - 1)])[np.searchsorted(i, at, "right") + pairs - 1]
    return Window(at, np.arange(m), low, high)


def uncrossed(j: Ints) -> Bools:
    """Which of the pairs, by their columns in the order of their rows, cross no other."""
    return np.asarray((j >= np.maximum.accumulate(j)) & (j <= np.minimum.accumulate(j[::-1])[::-1]))


def shared_window(one: Window, other: Window) -> Window:
    """What two windows of the same rows have in common; rows where that is nothing keep those of the first."""
    low, high = np.maximum(one.low, other.low), np.minimum(one.high, other.high)
    apart = low > high
    low, high = np.where(apart, one.low, low), np.where(apart, one.high, high)
    low, high = np.minimum.accumulate(low[::-1])[::-1], np.maximum.accumulate(high)
    return Window(one.rows, one.columns, low, high)


def join_windows(units: list[Unit], windows: list[Window], clocks: list[Clock | None]) -> tuple[Bands, Cells]:
    """All windows end to end, and their cells (evidence still 0)."""
    rows = np.array([len(w.rows) for w in windows], dtype=np.int64)
    columns = np.array([len(w.columns) for w in windows], dtype=np.int64)
    shift = np.cumsum(columns) - columns
    unit = np.repeat(np.arange(len(units)), rows)
    low = _joined([w.low for w in windows]) + shift[unit]
    high = _joined([w.high for w in windows]) + shift[unit]
    row_i, column_j = _joined([w.rows for w in windows]), _joined([w.columns for w in windows])
    record_i = _joined([u.first.rows[w.rows] for u, w in zip(units, windows, strict=True)])
    record_j = _joined([u.second.rows[w.columns] for u, w in zip(units, windows, strict=True)])
    clocked = np.array([clock is not None for clock in clocks], dtype=bool)
    wide = high - low + 1
    row = np.repeat(np.arange(len(low)), wide)
    column = low[row] + np.arange(len(row)) - np.repeat(np.cumsum(wide) - wide, wide)
    pairs = list(zip(units, windows, clocks, strict=True))
    first_s = _joined_floats([u.first.filled_s[w.rows] for u, w, _ in pairs])
    second_s = _joined_floats([(u.second.filled_s - (c.offset_s if c else 0.0))[w.columns] for u, w, c in pairs])
    known = (
        _joined_floats([u.first.seen_s[w.rows] for u, w, _ in pairs])[row]
        + _joined_floats([u.second.seen_s[w.columns] for u, w, _ in pairs])[column]
    )
    gap = second_s[column] - first_s[row]
    of = unit[row]
    leads = ~clocked[of] | (gap > 0)
    none = np.zeros(len(row))
    gap = np.where(np.isnan(known) | ~clocked[of], np.nan, gap)
    cells = Cells(
        of,
        row,
        column,
        row_i[row],
        column_j[column],
        record_i[row],
        record_j[column],
        leads,
        gap,
        none,
        none,
        none,
        none,
    )
    return Bands(unit, low, high, clocked, blocks_of(unit, low, high)), cells


def _joined(parts: list[Ints]) -> Ints:
    return np.concatenate([np.zeros(0, dtype=np.int64), *parts])


def _joined_floats(parts: list[Floats]) -> Floats:
    return np.concatenate([np.zeros(0), *parts])


def blocks_of(unit: Ints, low: Ints, high: Ints) -> Blocks:
    """Cut wherever a row shares no column with the rows before it."""
    wide = high - low + 1
    if not len(low):
        none = np.zeros(0, dtype=np.int64)
        return Blocks(none, none, none, none, none, none, none, none > 0, none > 0)
    start = np.flatnonzero(np.concatenate([[True], low[1:] > high[:-1]]))
    end = np.concatenate([start[1:], [len(low)]])
    cell = np.cumsum(wide) - wide
    of = unit[start]
    turn = np.diff(of) != 0
    return Blocks(
        start=start,
        rows=end - start,
        columns=high[end - 1] - low[start] + 1,
        first_column=low[start],
        width=np.maximum.reduceat(wide, start),
        cell=cell[start],
        unit=of,
        opens=np.concatenate([[True], turn]),
        closes=np.concatenate([turn, [True]]),
    )


def is_coarse(unit: Unit) -> bool:
    """Stamps too coarse to order neighbours by."""
    return unit.resolution_s > COARSE_S
