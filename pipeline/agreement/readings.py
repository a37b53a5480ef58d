"""Two trackers' readings of the same pitches side by side, and their sums by night: all that the statistics below are made from."""

from collections.abc import Iterator
from itertools import combinations
from typing import NamedTuple

import numpy as np
import polars as pl

from schemas.metrics import METRICS, TRAJECTORY

# Below this share of active spin the axis is the direction of almost nothing (common practice, no source).
LEAST_SPIN_EFFICIENCY = 0.25


class Pair(NamedTuple):
    """`readings`: one row per pitch seen by both, with `a.<metric>`, `b.<metric>`, baseball_day, month, station, pitch_type, pitcher; a is the better rank."""

    tracker_a: str
    tracker_b: str
    readings: pl.DataFrame


class NightSums(NamedTuple):
    """Sums over the pitches of each night (arrays of one length) about the shifts `x0`, `y0`, `d0`; d = y - x, wrapped where circular."""

    n: np.ndarray
    x: np.ndarray
    y: np.ndarray
    xx: np.ndarray
    yy: np.ndarray
    xy: np.ndarray
    d: np.ndarray
    dd: np.ndarray
    x0: float = 0.0
    y0: float = 0.0
    d0: float = 0.0


def in_order_of_rank(trackers: list[str], ranks: dict[str, int]) -> list[str]:
    """Trackers from the one believed first; those without a rank last, by name."""
    return sorted(trackers, key=lambda tracker: (ranks.get(tracker, len(ranks) + 10_000), tracker))


def shared_sightings(sightings: pl.DataFrame, matches: pl.DataFrame, pitches: pl.DataFrame) -> pl.DataFrame:
    """Sightings of pitches that two trackers or more saw, with group_id and the pitch's own day, month, station, type and pitcher."""
    groups = matches.filter(pl.len().over("group_id") > 1).select("sighting_id", "group_id")
    readings = [name for name in (*METRICS, *TRAJECTORY) if name in sightings.columns]
    return (
        sightings.select("sighting_id", "tracker", *readings)
        .join(groups, on="sighting_id")
        .join(_contexts(pitches), on="group_id")
        .pipe(_axis_only_where_spin_is_active)
        .sort("baseball_day", "group_id", "tracker")
    )


def pair_up(shared: pl.DataFrame, ranks: dict[str, int]) -> Iterator[Pair]:
    """Every two trackers that saw at least one pitch together."""
    trackers = in_order_of_rank(shared["tracker"].unique().to_list(), ranks)
    by_tracker = {tracker: shared.filter(pl.col("tracker") == tracker) for tracker in trackers}
    for tracker_a, tracker_b in combinations(trackers, 2):
        readings = _side_by_side(by_tracker[tracker_a], by_tracker[tracker_b])
        if readings.height:
            yield Pair(tracker_a, tracker_b, readings)


def measured_by_both(pair: Pair) -> list[str]:
    """Metrics of which the pair has at least two common readings."""
    names = [name for name in METRICS if f"a.{name}" in pair.readings.columns]
    both = pair.readings.select((pl.col(f"a.{name}") + pl.col(f"b.{name}")).count().alias(name) for name in names)
    return [name for name in names if both.item(0, name) >= 2]


def difference(metric: str) -> pl.Expr:
    """b - a of a metric; a circular one wrapped to (-180, 180]."""
    plain = pl.col(f"b.{metric}") - pl.col(f"a.{metric}")
    return wrapped(plain) if METRICS[metric].circular else plain


def wrapped(degrees: pl.Expr) -> pl.Expr:
    """An angle brought to (-180, 180]."""
    return 180.0 - (180.0 - degrees) % 360.0


def night_sums(x: np.ndarray, y: np.ndarray, nights: np.ndarray) -> NightSums:
    """Sums by night of paired readings x, y of one length; `nights` holds each pair's night in any form that sorts."""
    frame = pl.DataFrame({"a.value": np.asarray(x, float), "b.value": np.asarray(y, float), "night": nights})
    shifts = (float(np.mean(x)), float(np.mean(y)), float(np.mean(np.asarray(y, float) - np.asarray(x, float))))
    plain = pl.col("b.value") - pl.col("a.value")
    cells = frame.group_by("night").agg(sum_expressions("value", plain, shifts)).sort("night")
    return sums_of(cells, "value", shifts)


def sum_expressions(metric: str, d: pl.Expr, shifts: tuple[float, float, float]) -> list[pl.Expr]:
    """The sums of NightSums as polars aggregations, named `<metric>.<sum>`."""
    taken = d.is_not_null()
    x, y = (pl.col(f"{side}.{metric}").filter(taken) - shift for side, shift in zip("ab", shifts, strict=False))
    d = d.drop_nulls() - shifts[2]
    sums = {"n": d.len(), "x": x.sum(), "y": y.sum(), "xx": (x * x).sum(), "yy": (y * y).sum(), "xy": (x * y).sum()}
    sums |= {"d": d.sum(), "dd": (d * d).sum()}
    return [value.alias(f"{metric}.{name}") for name, value in sums.items()]


def sums_of(cells: pl.DataFrame, metric: str, shifts: tuple[float, float, float]) -> NightSums:
    """The NightSums of one metric from a frame that has one row per night."""
    columns = [cells[f"{metric}.{name}"].to_numpy().astype(float) for name in NightSums._fields[:8]]
    return NightSums._make([*columns, *shifts])


def nights_of(sums: NightSums, start: int, end: int) -> NightSums:
    """The sums of nights start..end-1, those without a reading left out."""
    held = sums.n[start:end] > 0
    return NightSums._make([*(column[start:end][held] for column in sums[:8]), *sums[8:]])


def _contexts(pitches: pl.DataFrame) -> pl.DataFrame:
    return pitches.select(
        ("s" + pl.col("pitch_id").str.slice(1)).alias("group_id"),
        "pitch_id",
        "baseball_day",
        pl.col("baseball_day").dt.strftime("%Y-%m").alias("month"),
        "station",
        pl.col("pitch_type").fill_null("unknown"),
        pl.coalesce("pitcher_id", "pitcher_label").alias("pitcher"),
    )


def _axis_only_where_spin_is_active(shared: pl.DataFrame) -> pl.DataFrame:
    if not {"spin_axis_deg", "spin_efficiency"} <= set(shared.columns):
        return shared
    inactive = (pl.col("spin_efficiency") < LEAST_SPIN_EFFICIENCY).any().over("group_id")
    return shared.with_columns(
        pl.when(inactive.not_() | inactive.is_null()).then("spin_axis_deg").alias("spin_axis_deg")
    )


def _side_by_side(of_a: pl.DataFrame, of_b: pl.DataFrame) -> pl.DataFrame:
    readings = [name for name in METRICS if name in of_a.columns]
    # trajectories say something only where both trackers give them
    flights = [name for name in TRAJECTORY if name in of_a.columns]
    if flights and all(of[flights[0]].null_count() < of.height for of in (of_a, of_b)):
        readings += flights
        flights = []
    a = of_a.rename({name: f"a.{name}" for name in readings}).drop("tracker", "sighting_id", *flights)
    b = of_b.select("group_id", *(pl.col(name).alias(f"b.{name}") for name in readings))
    return a.join(b, on="group_id", maintain_order="left")
