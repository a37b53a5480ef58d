"""Streams, and pairs of streams that may show one session.

A stream is what one tracker wrote in one go.
"""

from itertools import pairwise
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.matching.data.arrays import Bools, Floats, Ints, median
from pipeline.matching.data.device_order import device_order
from pipeline.matching.data.records import LABELS, Records

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Stamps coarser than this many seconds do not show the order of neighbors. Most devices stamp to 1 s or finer.
COARSE_S = 2.0
# Up to this many files of one tracker on a station-day, each is a stream of its own. More are pieces of one session.
_MAX_SEPARATE_FILES = 4
# A record that follows the one before within this share of the usual wait is rarely the next pitch: it may be a throw
# back, which two trackers can each record. Common practice, no source.
_SOON = 0.6
# A stream whose records lack a stamp in more than this share has no clock to use.
_MAX_UNSTAMPED = 0.5
# A file without stamps and counts is grouped by pitcher if its label changes at most once more often than it has labels, ...
_EXTRA_LABEL_CHANGES = 1
# ... it has at least so many labels, ...
_LABELS_OF_GROUPED_FILE = 3
# ... and so many rows. The three values are common practice without a source: a game has more changes, a short bullpen fewer arms.
_ROWS_OF_GROUPED_FILE = 40
# Nearby events are at least this many seconds away, past a double trigger ...
_NEARBY_FROM_S = 2.7
# ... and at most this many, before the next pitch of the mound.
_NEARBY_TO_S = 6.0
# Floor of the density of nearby events per second.
_MIN_NEARBY_RATE = 0.0015


_PITCHER = list(LABELS).index("pitcher")


class Stream(NamedTuple):
    """Records of one tracker on one station-day in device order.

    `rows`: rows of the records. `seen_s`: their stamps, nan where missing. `filled_s`: the same, missing stamps
    interpolated. `resolution_s`: width of a stamp, nan for a stream without a usable clock. `is_soon`: the record
    follows the one before sooner than most pitches do. `nearby_rate`: density per second of other events of the
    stream near an event.
    """

    day: int
    tracker: int
    rows: Ints
    seen_s: Floats
    resolution_s: float
    filled_s: Floats
    is_soon: Bools
    nearby_rate: float


class StreamPair(NamedTuple):
    """Two streams of a station-day that may show one session.

    `first` is of the tracker whose id sorts first; `numbers` are the two streams' places in the list of streams.
    """

    first: Stream
    second: Stream
    numbers: tuple[int, int]

    @property
    def day(self) -> int:
        """Code of the station-day."""
        return self.first.day

    @property
    def trackers(self) -> tuple[int, int]:
        """Codes of the two trackers, ascending."""
        return self.first.tracker, self.second.tracker

    @property
    def shape(self) -> tuple[int, int]:
        """Numbers of records."""
        return len(self.first.rows), len(self.second.rows)

    @property
    def resolutions_s(self) -> tuple[float, float]:
        """Widths of both streams' stamps."""
        return self.first.resolution_s, self.second.resolution_s

    @property
    def resolution_s(self) -> float:
        """Width of the coarser stream's stamps; nan if either has no clock."""
        return float(np.maximum(self.first.resolution_s, self.second.resolution_s))

    @property
    def is_coarse(self) -> bool:
        """Whether the stamps are too coarse to order neighbors."""
        return self.resolution_s > COARSE_S


def find_streams(records: Records) -> list[Stream]:
    """Split the records into streams."""
    sequence = records.frame["sequence"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    session = records.frame["native_session"].fill_null("").to_list()
    streams: list[Stream] = []
    for rows in _rows_by_code(records.tracker_day):
        parts = [
            _stream(records, sequence, part)
            for file_rows in _rows_by_code(records.file[rows], rows)
            for session_rows in _split_sessions(records, sequence, session, file_rows)
            for part in _split_label_runs(records, sequence, session_rows)
        ]
        streams += _join_pieces(records, parts)
    return streams


def pair_streams(streams: list[Stream]) -> list[StreamPair]:
    """Return every pair of streams of two trackers on one station-day."""
    by_day: dict[int, list[tuple[int, Stream]]] = {}
    for number, stream in enumerate(streams):
        by_day.setdefault(stream.day, []).append((number, stream))
    pairs = [
        StreamPair(first, second, (number, other))
        for numbered in by_day.values()
        for number, first in numbered
        for other, second in numbered
        if first.tracker < second.tracker
    ]
    return sorted(pairs, key=lambda pair: (pair.trackers, pair.day, pair.numbers))


def _rows_by_code(codes: Ints, rows: Ints | None = None) -> list[Ints]:
    """Split rows by their code, in order of the code."""
    rows = np.arange(len(codes)) if rows is None else rows
    if not len(rows):
        return []
    order = np.argsort(codes, kind="stable")
    return np.split(rows[order], np.flatnonzero(np.diff(codes[order])) + 1)


def _split_sessions(records: Records, sequence: Floats, session: list[str], rows: Ints) -> list[Ints]:
    """Split one file by session if it has no clock and its numbers repeat.

    Else it is one stream.
    """
    if not np.isnan(records.seen_s[rows]).all():
        return [rows]
    names = [session[r] for r in rows.tolist()]
    if len(set(names)) < 2 or len(np.unique(sequence[rows])) == len(rows):
        return [rows]
    return [rows[[name == other for other in names]] for name in sorted(set(names))]


def _split_label_runs(records: Records, sequence: Floats, rows: Ints) -> list[Ints]:
    """Split one file where its pitcher label changes, if it has neither stamps nor counts and is grouped by pitcher.

    The order of such groups is not that of the session, but the order inside a group is.
    """
    label = records.labels[rows, _PITCHER]
    if (
        len(rows) < _ROWS_OF_GROUPED_FILE
        or not np.isnan(records.seen_s[rows]).all()
        or not np.isnan(sequence[rows]).all()
    ):
        return [rows]
    changes, labels = np.flatnonzero(np.diff(label)) + 1, len(np.unique(label))
    if labels < _LABELS_OF_GROUPED_FILE or len(changes) > labels + _EXTRA_LABEL_CHANGES:
        return [rows]
    return np.split(rows, changes)


def _stream(records: Records, sequence: Floats, rows: Ints) -> Stream:
    rows = rows[device_order(sequence[rows], records.seen_s[rows])]
    resolution = records.resolution_s[rows]
    if np.isnan(resolution).mean() > _MAX_UNSTAMPED:
        return _timed_stream(records, rows, np.full(len(rows), np.nan), np.nan)
    usual = _usual_resolution(resolution)
    # a stamp much coarser than the others would mislead: its record keeps its place by order alone
    seen = np.where(resolution > max(10 * usual, COARSE_S), np.nan, records.seen_s[rows])
    return _timed_stream(records, rows, seen, usual)


def _timed_stream(records: Records, rows: Ints, seen_s: Floats, resolution_s: float) -> Stream:
    filled_s = _interpolated(seen_s)
    wait = np.diff(filled_s, prepend=-np.inf)
    is_soon = wait < _SOON * median(wait) if len(wait) > 1 else np.zeros(len(wait), dtype=bool)
    day, tracker = int(records.day[rows[0]]), int(records.tracker[rows[0]])
    return Stream(day, tracker, rows, seen_s, resolution_s, filled_s, is_soon, _nearby_rate(seen_s))


def _interpolated(seen_s: Floats) -> Floats:
    """Fill missing stamps between their neighbors' stamps."""
    known = np.flatnonzero(~np.isnan(seen_s))
    if len(known) == len(seen_s) or not len(known):
        return seen_s
    return np.interp(np.arange(len(seen_s)), known, seen_s[known])


def _nearby_rate(seen_s: Floats) -> float:
    """Return the density per second of other events of the same stream near an event."""
    known = np.sort(seen_s[~np.isnan(seen_s)])
    if len(known) < 2:
        return _MIN_NEARBY_RATE
    after_s = known + _NEARBY_TO_S, known + _NEARBY_FROM_S
    near = np.searchsorted(known, after_s[0], "right") - np.searchsorted(known, after_s[1], "left")
    return max(_MIN_NEARBY_RATE, float(near.mean() / (_NEARBY_TO_S - _NEARBY_FROM_S)))


def _usual_resolution(resolution: Floats) -> float:
    """Return the median of the known resolutions; usually they are all the same."""
    least, most = np.nanmin(resolution), np.nanmax(resolution)
    return float(least if least == most else np.nanquantile(resolution, 0.5, method="nearest"))


def _join_pieces(records: Records, streams: list[Stream]) -> list[Stream]:
    """Join many files with clocks that do not overlap, earliest first.

    A few files stay separate.
    """
    timed = sorted((s for s in streams if not np.isnan(s.resolution_s)), key=lambda s: (np.nanmin(s.seen_s), s.rows[0]))
    untimed = [s for s in streams if np.isnan(s.resolution_s)]
    if len(timed) <= _MAX_SEPARATE_FILES:
        return timed + untimed
    overlap = any(np.nanmax(a.seen_s) >= np.nanmin(b.seen_s) for a, b in pairwise(timed))
    mixed = len({s.resolution_s > COARSE_S for s in timed}) > 1
    if overlap or mixed:
        return timed + untimed
    rows, seen_s = (np.concatenate(parts) for parts in zip(*((s.rows, s.seen_s) for s in timed), strict=True))
    return [_timed_stream(records, rows, seen_s, max(s.resolution_s for s in timed)), *untimed]
