"""Bands: the windows of all stream pairs end to end, and the cells inside them."""

from typing import NamedTuple

import numpy as np

from pipeline.matching.alignment.windows import Window
from pipeline.matching.clocks.search import Clock
from pipeline.matching.data.arrays import Bools, Floats, Ints
from pipeline.matching.data.streams import StreamPair


class Cells(NamedTuple):
    """Pairs of records inside the bands, flat, by stream pair and row.

    `row`, `column` count on over all windows. `i`, `j`: positions in the two streams. `first`, `second`: rows of the
    records. `first_is_earlier`: by the clocks (always, without clocks). `time_gap_s`: second minus first, about the
    clock path; nan without. `time`, `readings`, `label`: log-likelihood ratios. `order`: what the other records of both
    streams add to them, nan where the alignment has no doubt. `posterior`: probability that the two records are one
    pitch.
    """

    stream_pair: Ints
    row: Ints
    column: Ints
    i: Ints
    j: Ints
    first: Ints
    second: Ints
    first_is_earlier: Bools
    time_gap_s: Floats
    time: Floats
    readings: Floats
    label: Floats
    order: Floats
    posterior: Floats

    @property
    def evidence(self) -> Floats:
        """Log-likelihood ratio of everything but the order."""
        return self.readings + self.time + self.label

    def take(self, cells: Ints) -> "Cells":
        """Return some of the cells."""
        return self._replace(**{name: column[cells] for name, column in self._asdict().items()})


class Blocks(NamedTuple):
    """Stretches of rows that share no column with other rows.

    `start`, `rows`: first row and number of rows. `first_column`, `columns`: the same of columns. `cell`: first cell.
    `is_first`, `is_last`: whether the block is the first or last of its stream pair.
    """

    start: Ints
    rows: Ints
    columns: Ints
    first_column: Ints
    cell: Ints
    stream_pair: Ints
    is_first: Bools
    is_last: Bools


class Bands(NamedTuple):
    """Bands of all stream pairs end to end.

    `stream_pair`, `low`, `high` (rows,): stream pair, first and last column. `is_clocked` (stream pairs,): whether a
    clock path orders the records.
    """

    stream_pair: Ints
    low: Ints
    high: Ints
    is_clocked: Bools
    blocks: Blocks


def join_windows(
    stream_pairs: list[StreamPair], windows: list[Window], clocks: list[Clock | None]
) -> tuple[Bands, Cells]:
    """Lay all windows end to end; return bands and cells (evidence still 0)."""
    rows = np.array([len(w.rows) for w in windows], dtype=np.int64)
    columns = np.array([len(w.columns) for w in windows], dtype=np.int64)
    shift = np.cumsum(columns) - columns
    pair_of_row = np.repeat(np.arange(len(stream_pairs)), rows)
    low = _concatenated([w.low for w in windows]) + shift[pair_of_row]
    high = _concatenated([w.high for w in windows]) + shift[pair_of_row]
    row_i, column_j = _concatenated([w.rows for w in windows]), _concatenated([w.columns for w in windows])
    is_clocked = np.array([clock is not None for clock in clocks], dtype=bool)
    size = high - low + 1
    row = np.repeat(np.arange(len(low)), size)
    column = low[row] + np.arange(len(row)) - np.repeat(np.cumsum(size) - size, size)
    triples = list(zip(stream_pairs, windows, clocks, strict=True))
    record_i = _concatenated([s.first.rows[w.rows] for s, w, _ in triples])
    record_j = _concatenated([s.second.rows[w.columns] for s, w, _ in triples])
    first_s = _concatenated_floats([s.first.filled_s[w.rows] for s, w, _ in triples])
    second_s = _concatenated_floats(
        [(s.second.filled_s - (c.offset_s if c else 0.0))[w.columns] for s, w, c in triples]
    )
    stamped = (
        _concatenated_floats([s.first.seen_s[w.rows] for s, w, _ in triples])[row]
        + _concatenated_floats([s.second.seen_s[w.columns] for s, w, _ in triples])[column]
    )
    gap = second_s[column] - first_s[row]
    stream_pair = pair_of_row[row]
    zeros = np.zeros(len(row))
    cells = Cells(
        stream_pair=stream_pair,
        row=row,
        column=column,
        i=row_i[row],
        j=column_j[column],
        first=record_i[row],
        second=record_j[column],
        first_is_earlier=~is_clocked[stream_pair] | (gap > 0),
        time_gap_s=np.where(np.isnan(stamped) | ~is_clocked[stream_pair], np.nan, gap),
        time=zeros,
        readings=zeros,
        label=zeros,
        order=zeros,
        posterior=zeros,
    )
    return Bands(pair_of_row, low, high, is_clocked, split_blocks(pair_of_row, low, high)), cells


def _concatenated(parts: list[Ints]) -> Ints:
    return np.concatenate([np.zeros(0, dtype=np.int64), *parts])


def _concatenated_floats(parts: list[Floats]) -> Floats:
    return np.concatenate([np.zeros(0), *parts])


def split_blocks(stream_pair: Ints, low: Ints, high: Ints) -> Blocks:
    """Cut the bands wherever a row shares no column with the rows before it."""
    if not len(low):
        none = np.zeros(0, dtype=np.int64)
        return Blocks(none, none, none, none, none, none, none > 0, none > 0)
    start = np.flatnonzero(np.concatenate([[True], low[1:] > high[:-1]]))
    end = np.concatenate([start[1:], [len(low)]])
    size = high - low + 1
    first_cell = np.cumsum(size) - size
    turn = np.diff(stream_pair[start]) != 0
    return Blocks(
        start=start,
        rows=end - start,
        columns=high[end - 1] - low[start] + 1,
        first_column=low[start],
        cell=first_cell[start],
        stream_pair=stream_pair[start],
        is_first=np.concatenate([[True], turn]),
        is_last=np.concatenate([turn, [True]]),
    )
