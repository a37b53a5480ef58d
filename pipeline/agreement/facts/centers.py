"""Robust center of each night's differences, from that night alone.

The points of the control charts. Huber's M-estimate with k = 1.5, scaled by the night's own median absolute deviation (Huber 1964). Below
ten pitches that deviation is raised by the factors of Croux & Rousseeuw, COMPSTAT 1992:411, which make it unbiased for normal readings.
"""

from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.facts.circular import branches, on_branch
from pipeline.agreement.facts.moments import Segments, first_rows, repeat_per_row, segment, segment_sum
from pipeline.agreement.facts.readings import metrics_in

# Huber's tuning constant: 1.5 robust SDs (Huber 1964).
HUBER_K = 1.5
# Steps toward the center at most.
_MOST_STEPS = 30
# A center has converged once a step is below this share of the clip.
_CONVERGED = 1e-7
# Factors of Croux & Rousseeuw 1992 by number of pitches, from 0 on.
_SMALL_SAMPLE_FACTOR = np.array([1.0, 1.0, 1.196, 1.495, 1.363, 1.206, 1.2, 1.14, 1.129, 1.107])
# MAD to SD of normal readings: 1 / (normal quantile of 0.75).
_MAD_TO_SD = 1.4826
# Mean absolute deviation to SD of normal readings: sqrt(pi / 2).
_MEAN_DEVIATION_TO_SD = 1.2533


class Centers(NamedTuple):
    """Per night: pitches, center, clipped sum of squares, and pitches within the clip.

    The sum of squares is of residuals clipped at Huber's bound.
    """

    n: np.ndarray
    center: np.ndarray
    clipped: np.ndarray
    inside: np.ndarray


class _Readings(NamedTuple):
    """Values to center, which were measured, their segments and counts."""

    values: np.ndarray
    measured: np.ndarray
    n: np.ndarray
    segments: Segments


def centers_by_night(differences: pl.DataFrame) -> pl.DataFrame:
    """Return one row per night of one pair.

    `baseball_day` and the Centers of each metric (an angle per branch), `n.<metric>`... `differences` has the pair's differences in order
    of nights.
    """
    segments = segment(differences["baseball_day"].to_physical().to_numpy())
    columns = list(first_rows(differences.select("baseball_day"), segments))
    for metric in metrics_in(differences, "d."):
        near = differences[f"d.{metric}"].cast(pl.Float64).to_numpy()
        for branch in branches(metric):
            centers = centers_of_segments(on_branch(near, branch), segments)._asdict()
            columns += [pl.Series(f"{name}.{metric}{branch}", values) for name, values in centers.items()]
    return pl.DataFrame(columns)


def centers_of_segments(values: np.ndarray, segments: Segments) -> Centers:
    """Return Huber's estimate for each segment, nan left out.

    0 where a segment has no value.
    """
    measured = ~np.isnan(values)
    n = segment_sum(measured.astype(float), segments)
    readings = _Readings(values, measured, n, segments)
    start = _medians(values, segments)
    clip = _clips(readings, start)
    bound = repeat_per_row(clip, segments)
    centers = _converge(readings, start, clip)
    residuals = np.where(measured, values - repeat_per_row(centers, segments), 0.0)
    inside = segment_sum((measured & (np.abs(residuals) <= bound)).astype(float), segments)
    return Centers(n, centers, segment_sum(np.clip(residuals, -bound, bound) ** 2, segments), inside)


def standard_errors(centers: Centers) -> np.ndarray:
    """Return the standard error of each night's center.

    It comes from the spread within nights, pooled over nights; every night has a pitch.
    """
    pitches, nights = centers.n.sum(), len(centers.n)
    inside = centers.inside.sum() / pitches
    # each night's own center was estimated, which costs one degree of freedom per night
    variance = centers.clipped.sum() / max(pitches - nights, 1) / inside**2
    return np.asarray((np.sqrt(variance) if variance > 0 else 1e-12) / np.sqrt(centers.n))


def _clips(readings: _Readings, median: np.ndarray) -> np.ndarray:
    """Return, per segment, the distance beyond which a reading's pull is bounded."""
    values, measured, n, segments = readings
    distance = np.abs(values - repeat_per_row(median, segments))
    mad = _MAD_TO_SD * _medians(distance, segments) * _SMALL_SAMPLE_FACTOR[np.where(n < 10, n, 0).astype(int)]
    # where more than half of the readings are equal, the mean absolute deviation replaces the MAD
    mean_distance = _MEAN_DEVIATION_TO_SD * segment_sum(np.where(measured, distance, 0.0), segments) / np.maximum(n, 1)
    return np.asarray(HUBER_K * np.where(mad > 0, mad, mean_distance))


def _converge(readings: _Readings, centers: np.ndarray, clip: np.ndarray) -> np.ndarray:
    values, measured, n, segments = readings
    bound, size = repeat_per_row(clip, segments), np.maximum(n, 1)
    moving = clip > 0
    for _ in range(_MOST_STEPS):
        pull = np.where(measured, np.clip(values - repeat_per_row(centers, segments), -bound, bound), 0.0)
        # each night stops by its own rule, so that other nights in the frame change nothing
        step = np.where(moving, segment_sum(pull, segments) / size, 0.0)
        centers = centers + step
        moving = np.abs(step) > _CONVERGED * clip
        if not moving.any():
            break
    return centers


def _medians(values: np.ndarray, segments: Segments) -> np.ndarray:
    """Return the median of each segment, nan left out; 0 where a segment has no value."""
    index = np.repeat(np.arange(len(segments.starts)), segments.counts)
    frame = pl.DataFrame({"segment": index, "value": values}, nan_to_null=True)
    medians = frame.group_by("segment", maintain_order=True).agg(pl.col("value").median())
    return medians["value"].fill_null(0.0).to_numpy()
