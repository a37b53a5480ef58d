"""Windows: which records of two streams are worth comparing."""

from typing import NamedTuple

import numpy as np

from pipeline.matching.clocks.search import Clock
from pipeline.matching.data.arrays import Bools, Floats, Ints, ranges
from pipeline.matching.data.streams import StreamPair


class Window(NamedTuple):
    """The band of one stream pair.

    `rows`, `columns`: positions of the records that are kept in both streams. `low`, `high`: first and last kept
    column of each row, as positions in `columns`.
    """

    rows: Ints
    columns: Ints
    low: Ints
    high: Ints

    @property
    def is_empty(self) -> bool:
        """Whether nothing is compared."""
        return not len(self.rows)


_NOTHING = np.zeros(0, dtype=np.int64)
EMPTY_WINDOW = Window(_NOTHING, _NOTHING, _NOTHING, _NOTHING)


def full_window(streams: StreamPair) -> Window:
    """Return the window of every pair."""
    n, m = streams.shape
    return Window(np.arange(n), np.arange(m), np.zeros(n, dtype=np.int64), np.full(n, m - 1))


def window_near_clock(streams: StreamPair, clock: Clock, reach_s: float, within: Window | None) -> Window:
    """Return the pairs within `reach_s` of the clock path, inside `within`.

    `within` is a window of all rows. Records without such a pair are left out.
    """
    m = len(streams.second.rows)
    first_s, second_s = streams.first.filled_s, streams.second.filled_s - clock.offset_s
    # a clock that was set back can bring the second stream out of the order of time
    order = np.argsort(second_s, kind="stable")
    begin = np.searchsorted(second_s[order], first_s - reach_s, "right")
    size = np.maximum(np.searchsorted(second_s[order], first_s + reach_s, "left") - begin, 0)
    near = np.repeat(np.arange(len(first_s)), size), order[ranges(begin, size)]
    row, column = _with_unstamped(streams, clock, reach_s, *near)
    if within is not None:
        inside = (column >= within.low[row]) & (column <= within.high[row])
        row, column = row[inside], column[inside]
    if not len(row):
        return EMPTY_WINDOW
    start = np.flatnonzero(np.diff(row, prepend=-1))
    low = np.minimum.accumulate(np.minimum.reduceat(column, start)[::-1])[::-1]
    high = np.maximum.accumulate(np.maximum.reduceat(column, start))
    covered = np.zeros(m + 1, dtype=np.int64)
    np.add.at(covered, low, 1)
    np.add.at(covered, high + 1, -1)
    inside = np.cumsum(covered)[:m] > 0
    position = np.cumsum(inside) - 1
    low, high = position[low], position[high]
    # an alignment takes unmatched records of the second stream before the later of two rows: the band must reach there
    before = np.maximum.reduceat(np.where(second_s[column] <= first_s[row], column, -1), start)
    last_before = np.where(before >= 0, position[before], low - 1)
    high[:-1] = np.maximum(high[:-1], last_before[1:])
    return Window(row[start], np.flatnonzero(inside), low, np.maximum.accumulate(high))


def _with_unstamped(streams: StreamPair, clock: Clock, reach_s: float, row: Ints, column: Ints) -> tuple[Ints, Ints]:
    """Add the pairs of records without a stamp.

    Their time can be anything between the stamps before and after.
    """
    missing = [np.flatnonzero(np.isnan(stream.seen_s)) for stream in (streams.first, streams.second)]
    if not len(missing[0]) and not len(missing[1]):
        return row, column
    low, high = _stamps_around(streams.first.seen_s)
    other_low, other_high = _stamps_around(streams.second.seen_s - clock.offset_s)
    i, j = np.nonzero((low[missing[0], None] - reach_s < other_high) & (high[missing[0], None] + reach_s > other_low))
    b, a = np.nonzero((other_low[missing[1], None] < high + reach_s) & (other_high[missing[1], None] > low - reach_s))
    pairs = np.concatenate(
        [np.stack([row, column]), np.stack([missing[0][i], j]), np.stack([a, missing[1][b]])], axis=1
    )
    unique: Ints = np.unique(pairs, axis=1)
    return unique[0], unique[1]


def _stamps_around(seen_s: Floats) -> tuple[Floats, Floats]:
    """Return the last stamp up to each record, and the first from it on.

    Infinite at the ends.
    """
    known = ~np.isnan(seen_s)
    position = np.arange(len(seen_s))
    before = np.maximum.accumulate(np.where(known, position, -1))
    after = np.minimum.accumulate(np.where(known, position, len(seen_s))[::-1])[::-1]
    padded = np.concatenate([[-np.inf], seen_s, [np.inf]])
    return padded[before + 1], padded[after + 1]


def heaviest_chain(gain: Floats) -> tuple[Ints, Ints, float]:
    """Return (rows, columns, total) of the chain of pairs with the largest gain.

    A chain rises in rows and columns. `gain` (first, second) is not negative. The recursion of Needleman and Wunsch
    (1970) with free gaps, row by row.
    """
    n, m = gain.shape
    best = np.zeros((n + 1, m + 1), dtype=gain.dtype)
    for row in range(n):
        np.add(best[row, :-1], gain[row], out=best[row + 1, 1:])
        np.maximum(best[row + 1], best[row], out=best[row + 1])
        np.maximum.accumulate(best[row + 1], out=best[row + 1])
    rows, columns, i, j = [], [], n, m
    while i and j:
        total = best[i, j]
        if best[i - 1, j] == total:
            i -= 1
        elif best[i, j - 1] == total:
            # the row never falls: jump to where it reached this total
            j = int(np.searchsorted(best[i, : j + 1], total))
        else:
            i, j = i - 1, j - 1
            rows.append(i)
            columns.append(j)
    return np.array(rows[::-1], dtype=np.int64), np.array(columns[::-1], dtype=np.int64), float(best[n, m])


def window_around_chain(i: Ints, j: Ints, shape: tuple[int, ...], margin: int) -> Window:
    """Return the band around a chain of pairs, plus a margin.

    It reaches from the pair before each row to the pair after it.
    """
    n, m = shape
    row = np.arange(n)
    before = np.concatenate([[0], j])[np.searchsorted(i, row, "right")]
    after = np.concatenate([j, [m - 1]])[np.searchsorted(i, row, "left")]
    # the true partner of a record may be in the chain at a neighboring row
    before = before[np.maximum(row - margin // 3, 0)]
    after = after[np.minimum(row + margin // 3, n - 1)]
    return _monotone_window(np.maximum(before - margin, 0), np.minimum(after + margin, m - 1), m)


def window_around_pairs(i: Ints, j: Ints, shape: tuple[int, int], margin: int) -> Window:
    """Return the band that holds the given pairs (i ascending), plus a margin."""
    n, m = shape
    low, high = np.full(n, m), np.full(n, -1)
    np.minimum.at(low, i, j)
    np.maximum.at(high, i, j)
    low = np.minimum.accumulate(low[::-1])[::-1]
    high = np.maximum.accumulate(high)
    # rows without a pair lie between the pair before and the pair after
    low, high = np.minimum(low, np.maximum(high, 0)), np.maximum(high, np.minimum(low, m - 1))
    return _monotone_window(np.maximum(low - margin, 0), np.minimum(high + margin, m - 1), m)


def _monotone_window(low: Ints, high: Ints, columns: int) -> Window:
    """Return a window from the first corner to the last with rising bounds."""
    low[0], high[-1] = 0, columns - 1
    low, high = np.minimum.accumulate(low[::-1])[::-1], np.maximum.accumulate(high)
    return Window(np.arange(len(low)), np.arange(columns), low, high)


def window_between_pins(i: Ints, j: Ints, shape: tuple[int, int], pins: int) -> Window:
    """Return the band that sure pairs (i ascending) leave.

    Each row reaches to so many of them before and after. Pairs that cross others are no pins.
    """
    n, m = shape
    in_order = is_uncrossed(j)
    i, j = i[in_order], j[in_order]
    row = np.arange(n)
    low = np.concatenate([np.zeros(pins, dtype=np.int64), j])[np.searchsorted(i, row, "left")]
    high = np.concatenate([j, np.full(pins, m - 1)])[np.searchsorted(i, row, "right") + pins - 1]
    return Window(row, np.arange(m), low, high)


def is_uncrossed(j: Ints) -> Bools:
    """Return which pairs, by their columns in order of rows, cross no other."""
    return np.asarray((j >= np.maximum.accumulate(j)) & (j <= np.minimum.accumulate(j[::-1])[::-1]))


def intersection(one: Window, other: Window) -> Window:
    """Return what two windows of the same rows share.

    Rows without a common column keep those of the first.
    """
    low, high = np.maximum(one.low, other.low), np.minimum(one.high, other.high)
    disjoint = low > high
    low, high = np.where(disjoint, one.low, low), np.where(disjoint, one.high, high)
    low, high = np.minimum.accumulate(low[::-1])[::-1], np.maximum.accumulate(high)
    return Window(one.rows, one.columns, low, high)
