"""Two trackers' readings of the same pitches side by side.

Their order does not depend on the order of the sightings.
"""

from collections.abc import Iterator
from itertools import combinations
from typing import NamedTuple

import numpy as np
import polars as pl

from schemas.metrics import METRICS, TRAJECTORY

# Below this share of active spin the spin axis is nearly undefined (common practice, no source).
LEAST_SPIN_EFFICIENCY = 0.25
# Pitches with equal values of these form a cell; every slice is a set of cells.
CELL = ["baseball_day", "station", "pitch_type"]
# Trackers without a rank come after all that have one.
_UNRANKED = 10_000


class Pair(NamedTuple):
    """One row per pitch that both trackers saw.

    `a.<metric>`, `b.<metric>`, `group` and the columns of CELL; a has the better rank.
    """

    tracker_a: str
    tracker_b: str
    readings: pl.DataFrame


class GroupedSightings(NamedTuple):
    """Sightings with `group`, the number of their pitch, and pitches in that order.

    `group` is null where a sighting has no pitch. Numbers replace ids in joins: a million sightings are joined in a quarter of the time.
    """

    sightings: pl.DataFrame
    pitches: pl.DataFrame


def sort_by_rank(trackers: list[str], ranks: dict[str, int]) -> list[str]:
    """Sort trackers by rank, 1 first; those without a rank come last, by name."""
    return sorted(trackers, key=lambda tracker: (ranks.get(tracker, len(ranks) + _UNRANKED), tracker))


def group_sightings(sightings: pl.DataFrame, matches: pl.DataFrame, pitches: pl.DataFrame) -> GroupedSightings:
    """Number the pitches and give each sighting its pitch's number.

    Pitches are in order of night, station, pitch type and id. Only the order of the numbers is used, so `pitches` may hold more nights
    than the sightings.
    """
    numbered = pitches.select(
        "pitch_id",
        "baseball_day",
        pl.col("station", "pitch_type").fill_null("unknown"),
        "pitcher_id",
        pl.coalesce("pitcher_id", "pitcher_label").alias("pitcher"),
    ).sort(*CELL, "pitch_id")
    # a pitch's group_id is the id of its best-ranked sighting, and its pitch_id has the same digits
    numbers = numbered.select(group_id="s" + pl.col("pitch_id").str.slice(1)).with_row_index("group")
    by_sighting = matches.select("sighting_id", "group_id").join(numbers, on="group_id").drop("group_id")
    joined = sightings.select("sighting_id").join(by_sighting, on="sighting_id", how="left", maintain_order="left")
    return GroupedSightings(sightings.with_columns(joined["group"]), numbered)


def shared_sightings(grouped: GroupedSightings) -> pl.DataFrame:
    """Return sightings of pitches that two or more trackers saw, in order of `group`.

    `baseball_day`, `station`, `pitch_type` and `pitcher` are the pitch's own.
    """
    sightings, pitches = grouped
    shared = sightings.select("group", "tracker", *metrics_in(sightings), *_trajectory_in(sightings)).filter(
        _sightings_per_pitch(grouped) > 1
    )
    context = pitches.select(*CELL, "pitcher").select(pl.all().gather(shared["group"]))
    return (
        shared.hstack(context)
        .sort("group", "tracker", maintain_order=True)
        .with_columns(group=pl.col("group").rle_id())
        .pipe(_drop_axis_of_inactive_spin)
    )


def metrics_in(frame: pl.DataFrame, prefix: str = "") -> list[str]:
    """Return the metrics that the frame has columns for."""
    return [name for name in METRICS if prefix + name in frame.columns]


def pair_up(shared: pl.DataFrame, ranks: dict[str, int]) -> Iterator[Pair]:
    """Yield every two trackers that saw at least one pitch together, in order of rank."""
    trackers = sort_by_rank(shared["tracker"].unique().to_list(), ranks)
    by_tracker = {tracker: shared.filter(pl.col("tracker") == tracker) for tracker in trackers}
    for tracker_a, tracker_b in combinations(trackers, 2):
        readings = _side_by_side(by_tracker[tracker_a], by_tracker[tracker_b])
        if readings.height:
            yield Pair(tracker_a, tracker_b, readings)


def _sightings_per_pitch(grouped: GroupedSightings) -> pl.Series:
    """Count, for each sighting, the sightings of its pitch; 0 where it has no pitch."""
    group = grouped.sightings["group"]
    counts = np.bincount(group.drop_nulls().to_numpy(), minlength=grouped.pitches.height)
    return pl.Series(counts, dtype=pl.UInt32).gather(group).fill_null(0)


def _drop_axis_of_inactive_spin(shared: pl.DataFrame) -> pl.DataFrame:
    if not {"spin_axis_deg", "spin_efficiency"} <= set(shared.columns):
        return shared
    inactive = (pl.col("spin_efficiency") < LEAST_SPIN_EFFICIENCY).any().over("group")
    return shared.with_columns(
        pl.when(inactive.not_() | inactive.is_null()).then("spin_axis_deg").alias("spin_axis_deg")
    )


def _side_by_side(sightings_a: pl.DataFrame, sightings_b: pl.DataFrame) -> pl.DataFrame:
    names, trajectory = metrics_in(sightings_a), _trajectory_in(sightings_a)
    # trajectories are compared only where both trackers give them
    if trajectory and all(frame[trajectory[0]].null_count() < frame.height for frame in (sightings_a, sightings_b)):
        names += trajectory
    a = sightings_a.select("group", *CELL, *(pl.col(name).alias(f"a.{name}") for name in names))
    b = sightings_b.select("group", *(pl.col(name).alias(f"b.{name}") for name in names))
    return a.join(b, on="group", maintain_order="left")


def _trajectory_in(frame: pl.DataFrame) -> list[str]:
    return [name for name in TRAJECTORY if name in frame.columns]
