"""The sightings as arrays: one canonical order, streams per tracker, and the pairs of streams that may show one session."""

from collections.abc import Mapping
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.matching.clocks.search import COARSE_S, crowding
from pipeline.matching.data.arrays import Bools, Floats, Ints, median
from pipeline.matching.data.device_order import device_order
from schemas.metrics import METRICS

METRIC_NAMES: tuple[str, ...] = tuple(METRICS)
# labels compared as evidence, never as truth: (what is told, the columns it is made of)
LABELS: dict[str, tuple[str, ...]] = {
    "pitcher": ("pitcher_key",),
    "pitch_type": ("pitch_type",),
    "batter": ("batter_key",),
    "batter_side": ("batter_side",),
    "pitch_result": ("pitch_result",),
    "inning": ("inning", "half"),
    "count": ("balls", "strikes"),
    "outs": ("outs",),
}
# so many files of one tracker on a station-day are aligned each by itself; more must be pieces of a session
_MOST_FILES_APART = 4
# throws back, which two trackers can note separately, come sooner than the next pitch does: by less than this share of the usual wait;
# common practice, no source
_HURRIED = 0.6


class Records(NamedTuple):
    """All sightings with a station, in canonical order (station, day, tracker, file, order in the file).

    `frame` holds their identity columns; `seen_s` is the middle of the stamp in seconds after midnight UTC of the baseball day
    (nan: no clock), `resolution_s` its width; `readings` is (n, metrics), nan where not measured; `labels` is (n, labels) codes, -1
    where not known; `day` and `tracker` are codes, `file` too.
    """

    frame: pl.DataFrame
    trackers: tuple[str, ...]
    day: Ints
    tracker: Ints
    file: Ints
    seen_s: Floats
    resolution_s: Floats
    readings: Floats
    labels: Ints


class Stream(NamedTuple):
    """Records of one tracker on one station-day in the order it saw them; `resolution_s` nan when there is no clock to use.

    `filled_s`: the stamps, missing ones between their neighbours'; `hurried`: records that come too soon after the one before for most
    pitches; `crowding`: density per second of other records near one.
    """

    rows: Ints
    seen_s: Floats
    resolution_s: float
    filled_s: Floats
    hurried: Bools
    crowding: float


class Unit(NamedTuple):
    """Two streams that may show one session: `first` of the tracker whose id sorts first; numbers are places in the list of streams."""

    day: int
    trackers: tuple[int, int]
    first: Stream
    second: Stream
    first_stream: int
    second_stream: int

    @property
    def resolution_s(self) -> float:
        """Coarser of the two clocks' resolutions, nan when either has no clock."""
        return float(np.maximum(self.first.resolution_s, self.second.resolution_s))


def take_records(sightings: pl.DataFrame) -> Records:
    """The sightings that have a station, as arrays."""
    order = ["station", "baseball_day", "venue", "tracker", "file_id", "file_order", "sighting_id"]
    located = sightings.filter(pl.col("station").is_not_null()).sort(order)
    located = located.with_columns(_key("pitcher"), _key("batter"))
    day_start = pl.col("baseball_day").cast(pl.Datetime("us", "UTC"))
    seen = (pl.col("thrown_at") - day_start).dt.total_microseconds() / 1e6 + pl.col("clock_resolution_s") / 2
    trackers = tuple(sorted(located["tracker"].unique().to_list()))
    return Records(
        frame=located.select(
            "sighting_id",
            "tracker",
            "venue",
            "station",
            "baseball_day",
            "file_id",
            "native_session",
            "file_order",
            "sequence",
        ),
        trackers=trackers,
        day=_codes(located, ("venue", "station", "baseball_day")),
        tracker=_codes(located, ("tracker",)),
        file=_codes(located, ("tracker", "file_id")),
        seen_s=located.select(seen.alias("seen"))["seen"].cast(pl.Float64).fill_null(np.nan).to_numpy().copy(),
        resolution_s=located["clock_resolution_s"].cast(pl.Float64).fill_null(np.nan).to_numpy().copy(),
        readings=located.select(pl.col(METRIC_NAMES).cast(pl.Float64).fill_null(np.nan)).to_numpy().copy(),
        labels=_label_codes(located),
    )


def streams_of(records: Records) -> list[tuple[int, int, Stream]]:
    """(station-day, tracker, stream) for each run of records that one device wrote in one go."""
    found: list[tuple[int, int, Stream]] = []
    owner = records.day * len(records.trackers) + records.tracker
    sequence = records.frame["sequence"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    session = records.frame["native_session"].fill_null("").to_list()
    for rows in _blocks(owner):
        parts = [
            _stream(records, sequence, part)
            for file_rows in _blocks(records.file[rows], rows)
            for part in _sessions(records, sequence, session, file_rows)
        ]
        found += [(int(records.day[rows[0]]), int(records.tracker[rows[0]]), stream) for stream in _joined(parts)]
    return found


def units_of(streams_by_owner: list[tuple[int, int, Stream]]) -> list[Unit]:
    """Every pair of streams of two trackers on one station-day."""
    by_day: dict[int, list[tuple[int, int, Stream]]] = {}
    for number, (day, tracker, stream) in enumerate(streams_by_owner):
        by_day.setdefault(day, []).append((number, tracker, stream))
    found = [
        Unit(day, (tracker_a, tracker_b), a, b, number_a, number_b)
        for day, streams in by_day.items()
        for number_a, tracker_a, a in streams
        for number_b, tracker_b, b in streams
        if tracker_a < tracker_b
    ]
    return sorted(found, key=lambda unit: (unit.trackers, unit.day, unit.first_stream, unit.second_stream))


def pitcher_key() -> pl.Expr:
    """Whose throw a row says it is, as one word."""
    return _key("pitcher")


def pitcher_words() -> pl.Expr:
    """How a row writes its pitcher, as one word."""
    return _words("pitcher")


def _key(who: str) -> pl.Expr:
    """A person as one word: the id where it is known, else the label without case, accents of writing or order of names."""
    words = _words(who)
    return pl.coalesce(f"{who}_id", pl.when(words != "").then(words)).alias(f"{who}_key")


def _words(who: str) -> pl.Expr:
    """A label without case, accents of writing or order of names; empty where it says nothing."""
    label = pl.col(f"{who}_label")
    # of thousands of rows, a few names: each is taken apart once
    written = label.unique(maintain_order=True)
    words = (
        written.str.to_lowercase()
        .str.replace_all(r"[^\p{L}\p{N}]+", " ")
        .str.strip_chars()
        .str.split(" ")
        .list.sort()
        .list.join(" ")
    )
    return label.replace_strict(written, words, return_dtype=pl.String)


def _codes(frame: pl.DataFrame, columns: tuple[str, ...]) -> Ints:
    return frame.select(pl.struct(columns).rank("dense").cast(pl.Int64) - 1).to_series().to_numpy().copy()


def _label_codes(frame: pl.DataFrame) -> Ints:
    """Codes by order of the text, -1 where any part is missing or says nothing."""
    told = [
        pl.when(pl.all_horizontal(pl.col(c).is_not_null() & (pl.col(c).cast(pl.String) != "unknown") for c in columns))
        .then(pl.concat_str([pl.col(c).cast(pl.String) for c in columns], separator="|"))
        .rank("dense")
        .cast(pl.Int64)
        .fill_null(0)
        .alias(name)
        - 1
        for name, columns in LABELS.items()
    ]
    return frame.select(told).to_numpy().astype(np.int64).reshape(len(frame), len(LABELS))


def _blocks(codes: Ints, rows: Ints | None = None) -> list[Ints]:
    """Rows that share a code, in order of the code."""
    rows = np.arange(len(codes)) if rows is None else rows
    if not len(rows):
        return []
    order = np.argsort(codes, kind="stable")
    return np.split(rows[order], np.flatnonzero(np.diff(codes[order])) + 1)


def _sessions(records: Records, sequence: Floats, session: list[str], rows: Ints) -> list[Ints]:
    """One file is one stream, unless it has no clock and its sessions use the same numbers again: then each session is one."""
    if not np.isnan(records.seen_s[rows]).all():
        return [rows]
    own = [session[r] for r in rows.tolist()]
    if len(set(own)) < 2 or len(np.unique(sequence[rows])) == len(rows):
        return [rows]
    return [rows[[name == other for other in own]] for name in sorted(set(own))]


def _stream(records: Records, sequence: Floats, rows: Ints) -> Stream:
    rows = rows[device_order(sequence[rows], records.seen_s[rows])]
    resolution = records.resolution_s[rows]
    if np.isnan(resolution).mean() > 0.5:
        return _paced(rows, np.full(len(rows), np.nan), np.nan)
    usual = _usual(resolution)
    # a stamp much coarser than the others would mislead: its row keeps its place by order
    seen = np.where(resolution > max(10 * usual, COARSE_S), np.nan, records.seen_s[rows])
    return _paced(rows, seen, usual)


def _paced(rows: Ints, seen_s: Floats, resolution_s: float) -> Stream:
    """The stream with what its stamps say of the time between its records."""
    filled_s = _filled_in(seen_s)
    wait = np.diff(filled_s, prepend=-np.inf)
    hurried = wait < _HURRIED * median(wait) if len(wait) > 1 else np.zeros(len(wait), dtype=bool)
    return Stream(rows, seen_s, resolution_s, filled_s, hurried, crowding(seen_s))


def _filled_in(seen_s: Floats) -> Floats:
    """Missing stamps between their neighbours'."""
    known = np.flatnonzero(~np.isnan(seen_s))
    if len(known) == len(seen_s) or not len(known):
        return seen_s
    return np.interp(np.arange(len(seen_s)), known, seen_s[known])


def _usual(resolution: Floats) -> float:
    """The middle one of those that are known; mostly they are all the same."""
    least, most = np.nanmin(resolution), np.nanmax(resolution)
    return float(least if least == most else np.nanquantile(resolution, 0.5, method="nearest"))


def _joined(streams: list[Stream]) -> list[Stream]:
    """Many files with clocks that do not overlap become one stream, earliest first; a few stay apart, each with a clock of its own."""
    timed = sorted((s for s in streams if not np.isnan(s.resolution_s)), key=lambda s: (np.nanmin(s.seen_s), s.rows[0]))
    untimed = [s for s in streams if np.isnan(s.resolution_s)]
    if len(timed) <= _MOST_FILES_APART:
        return timed + untimed
    apart = all(np.nanmax(a.seen_s) < np.nanmin(b.seen_s) for a, b in pairwise(timed))
    alike = len({s.resolution_s > COARSE_S for s in timed}) == 1
    if not (apart and alike):
        return timed + untimed
    rows = np.concatenate([s.rows for s in timed])
    return [_paced(rows, np.concatenate([s.seen_s for s in timed]), max(s.resolution_s for s in timed)), *untimed]


def orders(ranks: Mapping[str, int], trackers: tuple[str, ...]) -> Ints:
    """Place of each tracker by rank, ties and trackers without a rank by name."""
    by_rank = sorted(trackers, key=lambda name: (ranks.get(name, 10**6), name))
    return np.array([by_rank.index(name) for name in trackers], dtype=np.int64)
