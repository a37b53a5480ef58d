"""Which of two trackers moved, by a third tracker or by the same pitchers."""

import math
from collections.abc import Mapping
from datetime import date
from typing import NamedTuple

import polars as pl

from pipeline.agreement.drift.pair_charts import Chart, Stretch
from schemas.metrics import METRICS

# Odds of 19 to 1, as a difference of squared distances in standard errors.
_SURE = 2 * math.log(19)
# Beyond this (99 % of chi-square, 2 df) neither tracker alone explains the change.
_NO_FIT = 9.21
# Pitchers before and after the change that a comparison with their own readings needs (common practice, no source).
_LEAST_PITCHERS = 3


class Mover(NamedTuple):
    """The tracker that moved ("" = unknown), and the evidence for it in words."""

    tracker: str
    how: str


UNKNOWN_MOVER = Mover("", "no third tracker, and too few of the same pitchers before and after")


class Evidence(NamedTuple):
    """What besides a pair's own chart shows which tracker moved.

    `charts` of all pairs by (tracker_a, tracker_b, metric); `pitcher_means`: one row per tracker, night, pitcher and pitch type with
    `n.<metric>` and `mean.<metric>` of the pitches that another tracker saw too.
    """

    charts: Mapping[tuple[str, str, str], Chart]
    pitcher_means: pl.DataFrame


class _Change(NamedTuple):
    """A change on a chart: its size, and the days before and after it."""

    chart: Chart
    size: float
    before: list[date]
    after: list[date]


def who_moved(chart: Chart, usual: Stretch, stretch: Stretch, evidence: Evidence) -> Mover:
    """Decide which tracker caused the change from stretch `usual` to `stretch`."""
    before, after = chart.days[usual.start : usual.end], chart.days[stretch.start : stretch.end]
    change = _Change(chart, chart.shift(before, after)[0], before, after)
    return (
        _by_third_tracker(change, evidence.charts) or _by_own_pitchers(change, evidence.pitcher_means) or UNKNOWN_MOVER
    )


def _by_third_tracker(change: _Change, charts: Mapping[tuple[str, str, str], Chart]) -> Mover | None:
    tracker_a, tracker_b, _ = change.chart.key
    thirds = {name for key in charts for name in key[:2]} - {tracker_a, tracker_b}
    for third in sorted(thirds):
        (shift_a, variance_a), (shift_b, variance_b) = (
            _shift_against(third, tracker, change, charts) for tracker in (tracker_a, tracker_b)
        )
        if math.isnan(shift_a + shift_b):
            continue
        # a moved: a - third fell by the change and b - third stayed; b moved: b - third rose by it and a - third stayed
        a_moved = (shift_a + change.size) ** 2 / variance_a + shift_b**2 / variance_b
        b_moved = shift_a**2 / variance_a + (shift_b - change.size) ** 2 / variance_b
        if min(a_moved, b_moved) < _NO_FIT and abs(a_moved - b_moved) > _SURE:
            mover, other = (tracker_a, tracker_b) if a_moved < b_moved else (tracker_b, tracker_a)
            return Mover(mover, f"{third} still agrees with {other} as before")
    return None


def _shift_against(
    third: str, tracker: str, change: _Change, charts: Mapping[tuple[str, str, str], Chart]
) -> tuple[float, float]:
    """Return the shift of tracker - third from before to after, and its variance.

    Nan where they have no chart.
    """
    metric = change.chart.metric
    if (third, tracker, metric) in charts:
        return charts[third, tracker, metric].shift(change.before, change.after)
    if (tracker, third, metric) in charts:
        shift, variance = charts[tracker, third, metric].shift(change.before, change.after)
        return -shift, variance
    return math.nan, math.nan


def _by_own_pitchers(change: _Change, pitcher_means: pl.DataFrame) -> Mover | None:
    """Return the tracker whose readings of the same pitchers changed.

    The other tracker's readings of them did not change.
    """
    tracker_a, tracker_b, metric = change.chart.key
    if METRICS[metric].circular:
        return None
    change_a, change_b = (_change_of_means(tracker, change, pitcher_means) for tracker in (tracker_a, tracker_b))
    if change_a is None or change_b is None:
        return None
    # pitchers change equally for both trackers, so the tracker that is nearer to no change is the steady one
    variance = max(change_a[1], change_b[1])
    distance_a, distance_b = change_a[0] ** 2 / variance, change_b[0] ** 2 / variance
    if abs(distance_a - distance_b) <= _SURE:
        return None
    mover, other = (tracker_a, tracker_b) if distance_a > distance_b else (tracker_b, tracker_a)
    return Mover(mover, f"{other} reads the same pitchers as before")


def _change_of_means(tracker: str, change: _Change, pitcher_means: pl.DataFrame) -> tuple[float, float] | None:
    """Return the mean change over pitchers and pitch types, and its variance.

    None with too few pitchers.
    """
    metric = change.chart.metric
    n = pl.col(f"n.{metric}")
    read = pitcher_means.filter((pl.col("tracker") == tracker) & (n > 0) & pl.col("pitcher").is_not_null())
    before, after = (
        read.filter(pl.col("baseball_day").is_in(days))
        .group_by("pitcher", "pitch_type")
        .agg(((n * pl.col(f"mean.{metric}")).sum() / n.sum()).alias("mean"), n.sum().alias("n"))
        for days in (change.before, change.after)
    )
    both = before.join(after, on=["pitcher", "pitch_type"], suffix="_after").sort("pitcher", "pitch_type")
    if both["pitcher"].n_unique() < _LEAST_PITCHERS:
        return None
    n_before, n_after = both["n"].to_numpy().astype(float), both["n_after"].to_numpy().astype(float)
    weights = n_before * n_after / (n_before + n_after)
    changes = (both["mean_after"] - both["mean"]).to_numpy()
    mean = float((weights * changes).sum() / weights.sum())
    k = len(changes)
    return mean, float((weights**2 * (changes - mean) ** 2).sum()) / float(weights.sum()) ** 2 * k / (k - 1)
