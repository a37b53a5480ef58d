"""What one tracker's exports show, and how much of it makes a finding."""

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# fewer pitches than this show nothing (common practice, no source)
LEAST_PITCHES = 20
# a majority that chance and misreads do not make (common practice, no source)
MAJORITY = 0.8
# of arms: what one arm does may be its own way to throw (common practice, no source)
LEAST_ARMS = 2
# a pitch is compared where it moves by this much sideways and up together: the direction of a smaller break is mostly noise (in)
LEAST_BREAK_IN = 6.0
# sideways distance of a hand that shows which arm threw (ft)
LEAST_SIDE_FT = 0.5
# a fastball's speed, as a share of the arm's fastest (common practice, no source)
_HARD_SHARE = 0.95
# ... if the arm also throws pitches below this share of it (common practice, no source)
_SLOW_SHARE = 0.92
_FASTBALLS = ("four_seam", "two_seam", "sinker")


class Finding(NamedTuple):
    """One definition that the readings contradict, and the likely answer. `problem` names no tracker."""

    metric: str
    problem: str
    what_to_do: str


class Evidence(NamedTuple):
    """What one tracker's exports show.

    `sightings`: columns of table sightings. `impossible`: metric and value (Float64) of readings removed as impossible. `sources`: metric,
    unit, definition, null_reason and affected, as in table metric_sources.
    """

    sightings: pl.DataFrame
    impossible: pl.DataFrame
    sources: pl.DataFrame


def with_facts(sightings: pl.DataFrame) -> pl.DataFrame:
    """Add `arm` (the label), `arm_sign` (the x of the arm side by the hand, null if unknown) and `is_hard` (whether it is a fastball).

    A fastball is named so, or is among the fastest of an arm that also throws slower pitches: an arm that throws one pitch only may throw
    curveballs.
    """
    arm = pl.coalesce("pitcher_id", "pitcher_label", "pitcher_native_id", pl.lit(""))
    speed = pl.col("release_speed_mph")
    fastest, slowest = (speed.quantile(level).over("arm") for level in (0.95, 0.05))
    is_named = (pl.col("pitch_type").is_not_null() & (pl.col("pitch_type") != "unknown")).any().over("arm")
    by_speed = (speed >= _HARD_SHARE * fastest) & (slowest <= _SLOW_SHARE * fastest)
    return sightings.with_columns(arm=arm).with_columns(
        arm_sign=pl.col("pitcher_hand").replace_strict(
            {"right": -1.0, "left": 1.0}, default=None, return_dtype=pl.Float64
        ),
        is_hard=pl.when(is_named).then(pl.col("pitch_type").is_in(_FASTBALLS)).otherwise(by_speed).fill_null(False),
    )


def share_of(mask: pl.Series) -> float:
    """Return the share of a mask that is true; 0 for an empty one."""
    share = mask.mean()
    return float(share) if isinstance(share, float) else 0.0


def is_enough(pitches: pl.DataFrame, arms: int = 1) -> bool:
    """Return whether there are enough pitches, of enough arms."""
    return pitches.height >= LEAST_PITCHES and pitches.get_column("arm").n_unique() >= arms


def opposed_share(pitches: pl.DataFrame, first: str, second: str) -> float | None:
    """Return the share of pitches on which two columns have opposite signs; None without a majority of enough pitches and arms."""
    if not is_enough(pitches, LEAST_ARMS):
        return None
    share = share_of(pitches.get_column(first) * pitches.get_column(second) < 0)
    return share if share >= MAJORITY else None


def arm_side_sign(pitches: pl.DataFrame) -> pl.Series:
    """Return the sign of the arm side's x: by the pitcher's hand, or else by the side on which the ball is released."""
    side = pl.col("release_side_ft")
    by_side = pl.when(side.abs() >= LEAST_SIDE_FT).then(side.sign())
    return pitches.select(pl.coalesce("arm_sign", by_side).alias("arm_sign")).to_series()


def source_text(evidence: Evidence, metric: str, column: str) -> str:
    """Return the unit or definition of a metric by the profile; empty where it has none."""
    found = evidence.sources.filter(pl.col("metric") == metric).get_column(column).drop_nulls()
    return str(found[0]) if found.len() else ""
