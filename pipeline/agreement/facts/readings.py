"""Two trackers' readings of the same pitches side by side, in an order that is the same however the sightings came."""

from collections.abc import Iterator
from itertools import combinations
from typing import NamedTuple

import numpy as np
import polars as pl

from schemas.metrics import METRICS, TRAJECTORY

# Below this share of active spin the axis is the direction of almost nothing (common practice, no source).
LEAST_SPIN_EFFICIENCY = 0.25
# Pitches that are alike in these make a cell: all slices are made of cells.
CELL = ["baseball_day", "station", "pitch_type"]


class Pair(NamedTuple):
    """`readings`: one row per pitch seen by both, with `a.<metric>`, `b.<metric>`, `group` and the columns of CELL; a is the better rank."""

    tracker_a: str
    tracker_b: str
    readings: pl.DataFrame


def in_order_of_rank(trackers: list[str], ranks: dict[str, int]) -> list[str]:
    """Trackers from the one believed first; those without a rank last, by name."""
    return sorted(trackers, key=lambda tracker: (ranks.get(tracker, len(ranks) + 10_000), tracker))


class Placed(NamedTuple):
    """`sightings` with `group`, the number of the pitch that each is of (null: of none); `thrown`: the pitches in order of these numbers.

    Numbers stand for ids wherever sightings are put together: a million of them are joined in a quarter of the time.
    """

    sightings: pl.DataFrame
    thrown: pl.DataFrame


def placed(sightings: pl.DataFrame, matches: pl.DataFrame, pitches: pl.DataFrame) -> Placed:
    """Pitches are numbered by night, station, pitch type and id, of `pitches` whatever there are: only the order of numbers is used."""
    thrown = pitches.select(
        "pitch_id",
        "baseball_day",
        pl.col("station", "pitch_type").fill_null("unknown"),
        "pitcher_id",
        pl.coalesce("pitcher_id", "pitcher_label").alias("pitcher"),
    ).sort(*CELL, "pitch_id")
    # a pitch's group bears the number of its sighting of best rank
    numbers = thrown.select(group_id="s" + pl.col("pitch_id").str.slice(1)).with_row_index("group")
    of = matches.select("sighting_id", "group_id").join(numbers, on="group_id").drop("group_id")
    group = sightings.select("sighting_id").join(of, on="sighting_id", how="left", maintain_order="left")["group"]
    return Placed(sightings.with_columns(group), thrown)


def shared_sightings(seen: Placed) -> pl.DataFrame:
    """Sightings of pitches that two trackers or more saw, in order of `group`, with the pitch's own day, station, type and pitcher."""
    sightings, thrown = seen
    shared = sightings.select("group", "tracker", *metrics_of(sightings), *_flights_of(sightings)).filter(
        _times_seen(seen) > 1
    )
    context = thrown.select(*CELL, "pitcher").select(pl.all().gather(shared["group"]))
    return (
        shared.hstack(context)
        .sort("group", "tracker", maintain_order=True)
        .with_columns(group=pl.col("group").rle_id())
        .pipe(_axis_only_where_spin_is_active)
    )


def _times_seen(seen: Placed) -> pl.Series:
    """By sighting, how many sightings are of its pitch; 0 where it is of none."""
    group = seen.sightings["group"]
    counts = np.bincount(group.drop_nulls().to_numpy(), minlength=seen.thrown.height)
    return pl.Series(counts, dtype=pl.UInt32).gather(group).fill_null(0)


def metrics_of(frame: pl.DataFrame, prefix: str = "") -> list[str]:
    """The metrics that the frame has columns of."""
    return [name for name in METRICS if prefix + name in frame.columns]


def pair_up(shared: pl.DataFrame, ranks: dict[str, int]) -> Iterator[Pair]:
    """Every two trackers that saw at least one pitch together, in order of rank."""
    trackers = in_order_of_rank(shared["tracker"].unique().to_list(), ranks)
    by_tracker = {tracker: shared.filter(pl.col("tracker") == tracker) for tracker in trackers}
    for tracker_a, tracker_b in combinations(trackers, 2):
        readings = _side_by_side(by_tracker[tracker_a], by_tracker[tracker_b])
        if readings.height:
            yield Pair(tracker_a, tracker_b, readings)


def _axis_only_where_spin_is_active(shared: pl.DataFrame) -> pl.DataFrame:
    if not {"spin_axis_deg", "spin_efficiency"} <= set(shared.columns):
        return shared
    inactive = (pl.col("spin_efficiency") < LEAST_SPIN_EFFICIENCY).any().over("group")
    return shared.with_columns(
        pl.when(inactive.not_() | inactive.is_null()).then("spin_axis_deg").alias("spin_axis_deg")
    )


def _side_by_side(of_a: pl.DataFrame, of_b: pl.DataFrame) -> pl.DataFrame:
    readings, flights = metrics_of(of_a), _flights_of(of_a)
    # trajectories say something only where both trackers give them
    if flights and all(of[flights[0]].null_count() < of.height for of in (of_a, of_b)):
        readings += flights
    a = of_a.select("group", *CELL, *(pl.col(name).alias(f"a.{name}") for name in readings))
    b = of_b.select("group", *(pl.col(name).alias(f"b.{name}") for name in readings))
    return a.join(b, on="group", maintain_order="left")


def _flights_of(frame: pl.DataFrame) -> list[str]:
    return [name for name in TRAJECTORY if name in frame.columns]
