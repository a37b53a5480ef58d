"""Outings of pitchers on one tracker.

Per-night facts, histories by night and pitcher, and how much outings vary.
"""

import math
from collections.abc import Mapping
from datetime import date
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.facts.readings import GroupedSightings

# Release point: a pitcher's own varies little, so several pitchers that move together mean that the device moved.
POSITIONS = ("release_side_ft", "release_height_ft", "extension_ft")
# Speed and spin: cold, rest and a season's build-up move many pitchers together.
PACE = ("release_speed_mph", "spin_rate_rpm")
# Metrics that are watched against own history.
CHARTED = (*POSITIONS, *PACE)
# Where the ball crossed the plate separates a turned frame from a shifted one.
PLATE = ("plate_side_ft", "plate_height_ft")
# An outing with fewer pitches is left out (common practice, no source).
LEAST_PITCHES = 5
# With fewer steps between a pitcher's successive outings the spread of outings is unknown (our choice, no source).
LEAST_STEPS = 8
# Variance of a median over that of a mean, normal readings: pi / 2.
_MEDIAN_VARIANCE = 1.571
# MAD to SD of normal readings: 1 / (normal quantile of 0.75).
_MAD_TO_SD = 1.4826
# A squared step between outings counts as at most this many SDs (Huber's proposal 2).
_STEP_CLIP = 2.0
# Mean of squared normal steps clipped at _STEP_CLIP.
_CLIPPED_SQUARE = 0.9205
# Efficiency of that estimate relative to plain squares, for normal steps.
_EFFICIENCY = 0.88
# The shared part of outings is shrunk to 0 as if by this many pairs of unrelated pitchers (our choice, no source).
_PRIOR_PAIRS = 20
# Rounds of the alternating fit of outings and pitch types.
_ROUNDS = 8


class PitcherHistory(NamedTuple):
    """One tracker and metric, nights x pitchers.

    Value of each outing and its variance (nan = no outing), and pitches.
    """

    tracker: str
    metric: str
    days: list[date]
    value: np.ndarray
    within: np.ndarray
    pitches: np.ndarray


class OutingSpread(NamedTuple):
    """SD of a pitcher's outings about his level, its df, and the shared part.

    `shared` is the part of the variance that a night's pitchers have in common.
    """

    sd: float
    df: float
    shared: float


def outing_facts(grouped: GroupedSightings) -> pl.DataFrame:
    """Return one row per tracker, night, pitcher and pitch type.

    `n.<metric>`, `center.<metric>`, `spread.<metric>`. `center` is the median, `spread` 1.4826 MAD. A night's rows come from that night's
    sightings only. Pitchers that are not on the roster are left out: one label may be two people.
    """
    names = [name for name in (*CHARTED, *PLATE) if name in grouped.sightings.columns]
    by = ["baseball_day", "pitcher", "pitch_type"]
    pitches = grouped.pitches.select("baseball_day", pl.col("pitcher_id").alias("pitcher"), "pitch_type")
    # one number per outing and pitch type: cheaper to group by than three names
    numbered = pitches.with_columns(key=pl.struct(by).rank("dense"))
    key_by_pitch = numbered.select(key=pl.when(pl.col("pitcher").is_not_null()).then("key"))["key"]
    read = grouped.sightings.select("tracker", *names, key=key_by_pitch.gather(grouped.sightings["group"])).drop_nulls(
        "key"
    )
    facts = read.group_by("tracker", "key").agg(_outing_statistics(names))
    named = facts.join(numbered.unique("key"), on="key").select("tracker", *by, pl.exclude("tracker", "key", *by))
    return named.sort("tracker", *by)


def pitcher_histories(outings: pl.DataFrame) -> dict[tuple[str, str], PitcherHistory]:
    """Return the history of each (tracker, metric) from `outing_facts` of any nights."""
    names = [name.removeprefix("n.") for name in outings.columns if name.startswith("n.")]
    histories = {}
    for (tracker,), facts in outings.group_by("tracker", maintain_order=True):
        for metric in names:
            measured = facts.filter(pl.col(f"n.{metric}") > 0)
            if measured.height:
                histories[str(tracker), metric] = _history(str(tracker), metric, measured)
    return histories


def outing_spread(histories: Mapping[tuple[str, str], PitcherHistory], metric: str) -> OutingSpread | None:
    """Estimate how much a pitcher's outings vary.

    From successive outings on all trackers. None where too few pitchers came back.
    """
    of_metric = [history for key, history in sorted(histories.items()) if key[1] == metric]
    steps = [outing_steps(history.value, history.within) for history in of_metric]
    # trackers see the same outings, so the tracker that saw most says how many there are
    most = max((len(distances) for distances, _ in steps), default=0)
    if most < LEAST_STEPS:
        return None
    sd = outing_sd(*(np.concatenate(part) for part in zip(*steps, strict=True)))
    return OutingSpread(sd, _EFFICIENCY * most, _shared_share(of_metric) if sd > 0 else 0.0)


def outing_steps(value: np.ndarray, within: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return distances from each outing to the same pitcher's next.

    With the variances due to pitches within both outings.
    """
    pitcher, night = np.nonzero(np.isfinite(value.T))
    same = pitcher[1:] == pitcher[:-1]
    values, variances = value[night, pitcher], within[night, pitcher]
    return np.abs(np.diff(values))[same], (variances[1:] + variances[:-1])[same]


def outing_sd(steps: np.ndarray, within: np.ndarray) -> float:
    """Estimate the SD of outings about each pitcher's level.

    From `outing_steps`, by Huber's proposal 2.
    """
    low, high = 0.0, float(steps.max()) + 1e-12
    for _ in range(40):
        middle = (low + high) / 2
        squares = np.minimum(steps**2 / (2 * middle**2 + within + 1e-18), _STEP_CLIP**2)
        low, high = (middle, high) if squares.mean() > _CLIPPED_SQUARE else (low, middle)
    return (low + high) / 2


def _outing_statistics(names: list[str]) -> list[pl.Expr]:
    statistics = []
    for name in names:
        values = pl.col(name).drop_nulls()
        spread = _MAD_TO_SD * (values - values.median()).abs().median()
        statistics += [
            values.len().alias(f"n.{name}"),
            values.median().alias(f"center.{name}"),
            spread.alias(f"spread.{name}"),
        ]
    return statistics


def _history(tracker: str, metric: str, facts: pl.DataFrame) -> PitcherHistory:
    """Combine an outing's pitch types into one value.

    It is their mean, after removing each type's usual difference for that pitcher.
    """
    n, centers = facts[f"n.{metric}"].to_numpy().astype(float), facts[f"center.{metric}"].to_numpy()
    night, pitcher = (facts[name].rank("dense").to_numpy().astype(int) - 1 for name in ("baseball_day", "pitcher"))
    pitch_type = facts.select(pl.struct("pitcher", "pitch_type").rank("dense")).to_series().to_numpy().astype(int) - 1
    shape = (night.max() + 1, pitcher.max() + 1)
    outing = night * shape[1] + pitcher
    value, usual = np.zeros(shape[0] * shape[1]), np.zeros(pitch_type.max() + 1)
    counts, type_counts = np.bincount(outing, n, len(value)), np.bincount(pitch_type, n)
    with np.errstate(invalid="ignore", divide="ignore"):
        for _ in range(_ROUNDS):
            value = np.bincount(outing, n * (centers - usual[pitch_type]), len(value)) / counts
            usual = np.bincount(pitch_type, n * (centers - value[outing])) / type_counts
        spread = float(np.average(facts[f"spread.{metric}"].to_numpy(), weights=n))
        within = _MEDIAN_VARIANCE * spread**2 / counts
    few = counts < LEAST_PITCHES
    value, within = np.where(few, math.nan, value), np.where(few, math.nan, within)
    days = facts["baseball_day"].unique().sort().to_list()
    pitches = counts.reshape(shape).astype(int)
    return PitcherHistory(tracker, metric, days, value.reshape(shape), within.reshape(shape), pitches)


def _shared_share(histories: list[PitcherHistory]) -> float:
    """Estimate the share of an outing's variance that a night's pitchers share.

    It comes from how often two pitchers of a night moved the same way, shrunk to 0 where there are few pairs.
    """
    alike = pairs = 0.0
    for history in histories:
        last = np.full(history.value.shape[1], math.nan)
        for row in history.value:
            moved = np.sign((row - last)[np.isfinite(row - last)])
            both, total = len(moved) * (len(moved) - 1) / 2, float(moved.sum())
            alike, pairs = alike + (total**2 - float((moved**2).sum())) / 2, pairs + both
            last = np.where(np.isfinite(row), row, last)
    # signs of normal steps with correlation r have a mean product of 2/pi asin r; a step contains the shared part of two outings
    return min(max(2 * math.sin(math.pi / 2 * alike / (pairs + _PRIOR_PAIRS)), 0.0), 1.0)
