"""Sightings as arrays, in one canonical order."""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.matching.data.arrays import Floats, Ints
from schemas.metrics import METRICS

METRIC_NAMES: tuple[str, ...] = tuple(METRICS)
# Labels compared as evidence, never as truth: name of the label, and the columns that make it up.
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
_IDENTITY = (
    "sighting_id",
    "tracker",
    "venue",
    "station",
    "baseball_day",
    "file_id",
    "native_session",
    "file_order",
    "sequence",
)


class Records(NamedTuple):
    """All sightings with a station, as arrays.

    Sorted by station, day, tracker, file and order in the file. `frame`: their identity columns. `day` (station-day),
    `tracker`, `file`: codes. `seen_s`: middle of the stamp in seconds after midnight UTC of the baseball day (nan: no
    clock). `resolution_s`: width of the stamp. `readings`: (records, metrics), nan where not measured. `labels`:
    (records, labels) codes, -1 where unknown.
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

    @property
    def tracker_day(self) -> Ints:
        """Code of each record's tracker and station-day, ascending."""
        return np.asarray(self.day * len(self.trackers) + self.tracker)


def build_records(sightings: pl.DataFrame) -> Records:
    """Turn the sightings that have a station into arrays."""
    order = ["station", "baseball_day", "venue", "tracker", "file_id", "file_order", "sighting_id"]
    located = sightings.filter(pl.col("station").is_not_null()).sort(order)
    located = located.with_columns(_person_key("pitcher"), _person_key("batter"))
    day_start = pl.col("baseball_day").cast(pl.Datetime("us", "UTC"))
    seen = (pl.col("thrown_at") - day_start).dt.total_microseconds() / 1e6 + pl.col("clock_resolution_s") / 2
    return Records(
        frame=located.select(_IDENTITY),
        trackers=tuple(sorted(located["tracker"].unique().to_list())),
        day=_codes(located, ("venue", "station", "baseball_day")),
        tracker=_codes(located, ("tracker",)),
        file=_codes(located, ("tracker", "file_id")),
        seen_s=located.select(seen.alias("seen"))["seen"].cast(pl.Float64).fill_null(np.nan).to_numpy().copy(),
        resolution_s=located["clock_resolution_s"].cast(pl.Float64).fill_null(np.nan).to_numpy().copy(),
        readings=located.select(pl.col(METRIC_NAMES).cast(pl.Float64).fill_null(np.nan)).to_numpy().copy(),
        labels=_label_codes(located),
    )


def pitcher_key() -> pl.Expr:
    """Return the pitcher of a row as one word: the id, or else the normalized label."""
    return _person_key("pitcher")


def pitcher_words() -> pl.Expr:
    """Return the pitcher label of a row, normalized."""
    return _normalized_label("pitcher")


def rank_order(ranks: Mapping[str, int], trackers: tuple[str, ...]) -> Ints:
    """Return the position of each tracker by rank.

    Ties, and trackers without a rank, by name.
    """
    by_rank = sorted(trackers, key=lambda name: (ranks.get(name, 10**6), name))
    return np.array([by_rank.index(name) for name in trackers], dtype=np.int64)


def _person_key(role: str) -> pl.Expr:
    label = _normalized_label(role)
    return pl.coalesce(f"{role}_id", pl.when(label != "").then(label)).alias(f"{role}_key")


def _normalized_label(role: str) -> pl.Expr:
    """Return a label without case and punctuation, its words sorted.

    Empty if nothing is left.
    """
    label = pl.col(f"{role}_label")
    # thousands of rows hold a few names: normalize each name once
    names = label.unique(maintain_order=True)
    normalized = (
        names.str.to_lowercase()
        .str.replace_all(r"[^\p{L}\p{N}]+", " ")
        .str.strip_chars()
        .str.split(" ")
        .list.sort()
        .list.join(" ")
    )
    return label.replace_strict(names, normalized, return_dtype=pl.String)


def _codes(frame: pl.DataFrame, columns: tuple[str, ...]) -> Ints:
    return frame.select(pl.struct(columns).rank("dense").cast(pl.Int64) - 1).to_series().to_numpy().copy()


def _label_codes(frame: pl.DataFrame) -> Ints:
    """Number each label by the order of its text; -1 where a part is unknown."""
    codes = [
        pl.when(pl.all_horizontal(pl.col(c).is_not_null() & (pl.col(c).cast(pl.String) != "unknown") for c in columns))
        .then(pl.concat_str([pl.col(c).cast(pl.String) for c in columns], separator="|"))
        .rank("dense")
        .cast(pl.Int64)
        .fill_null(0)
        .alias(name)
        - 1
        for name, columns in LABELS.items()
    ]
    return frame.select(codes).to_numpy().astype(np.int64).reshape(len(frame), len(LABELS))
