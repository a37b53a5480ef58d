"""Counts, means and sums of squares per segment of rows.

What a night keeps, and how nights combine. A segment's figures come from its own rows alone, in their order. They are the same to the
last bit whatever other rows are in the frame. Combining: Chan, Golub & LeVeque, Am Stat 1983;37:242.
"""

from typing import NamedTuple

import numpy as np
import polars as pl


class Segments(NamedTuple):
    """Groups of consecutive rows.

    The first row of each group and how many rows it has.
    """

    starts: np.ndarray
    counts: np.ndarray


class NightMoments(NamedTuple):
    """Moments per night of paired readings x, y and their difference d.

    `n` counts pairs; `x`, `y`, `d` are means; `xx`, `yy`, `xy`, `dd` are sums of squares and products about the means. Nights are the first
    axis, `groups` are segments of nights, and a night without a reading has n = 0. Figures made from the moments have one row per group.
    """

    n: np.ndarray
    x: np.ndarray
    y: np.ndarray
    d: np.ndarray
    xx: np.ndarray
    yy: np.ndarray
    xy: np.ndarray
    dd: np.ndarray
    groups: Segments


def segment_by(frame: pl.DataFrame, columns: list[str]) -> Segments:
    """Split rows wherever one of `columns` changes."""
    change = frame.select(pl.sum_horizontal(pl.col(columns).rle_id())).to_series().to_numpy().astype(np.int64)
    return segment(change)


def segment(numbers: np.ndarray) -> Segments:
    """Split an array wherever its value changes."""
    starts = np.flatnonzero(np.diff(numbers, prepend=numbers[:1] - 1))
    return Segments(starts, np.diff(starts, append=len(numbers)))


def first_rows(frame: pl.DataFrame, segments: Segments) -> pl.DataFrame:
    """Return the first row of each segment."""
    return frame.select(pl.all().gather(segments.starts))


def segment_sum(values: np.ndarray, segments: Segments) -> np.ndarray:
    """Sum each segment along the first axis."""
    return np.asarray(np.add.reduceat(values, segments.starts, axis=0))


def repeat_per_row(values: np.ndarray, segments: Segments) -> np.ndarray:
    """Repeat each segment's value once for each of its rows."""
    return np.repeat(values, segments.counts, axis=0)


def center(values: np.ndarray, used: np.ndarray, n: np.ndarray, segments: Segments) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean of each segment's `used` values, and each value minus it.

    `n` counts the used values; unused values give 0.
    """
    mean = segment_sum(np.where(used, values, 0.0), segments) / np.maximum(n, 1)
    return mean, np.where(used, values - repeat_per_row(mean, segments), 0.0)


def combine_means(
    n: np.ndarray, mean: np.ndarray, squares: np.ndarray, segments: Segments
) -> tuple[np.ndarray, np.ndarray]:
    """Combine counts, means and sums of squares of parts into those of each segment."""
    overall = segment_sum(n * mean, segments) / np.maximum(segment_sum(n, segments), 1)
    deviation = mean - repeat_per_row(overall, segments)
    return overall, segment_sum(squares + n * deviation * deviation, segments)


def combine_products(n: np.ndarray, x: np.ndarray, y: np.ndarray, xy: np.ndarray, segments: Segments) -> np.ndarray:
    """Combine means x, y and sums of products xy of parts into each segment's."""
    size = np.maximum(segment_sum(n, segments), 1)
    deviation_x, deviation_y = (
        part - repeat_per_row(segment_sum(n * part, segments) / size, segments) for part in (x, y)
    )
    return segment_sum(xy + n * deviation_x * deviation_y, segments)


def night_moments(x: np.ndarray, y: np.ndarray, nights: np.ndarray) -> NightMoments:
    """Return the moments per night of paired readings as one group.

    `nights` gives each pair's night in any sortable form.
    """
    night = np.unique(np.asarray(nights), return_inverse=True)[1]
    order = np.argsort(night, kind="stable")
    x, y = np.asarray(x, float)[order], np.asarray(y, float)[order]
    segments = segment(night[order])
    one_group = Segments(np.array([0]), np.array([len(segments.starts)]))
    return NightMoments._make([*paired_moments(x, y, y - x, segments), one_group])


def paired_moments(x: np.ndarray, y: np.ndarray, d: np.ndarray, segments: Segments) -> list[np.ndarray]:
    """Return the first eight fields of NightMoments per segment.

    Pairs whose d is nan are left out.
    """
    used = ~np.isnan(d)
    n = segment_sum(used.astype(float), segments)
    (mean_x, x), (mean_y, y), (mean_d, d) = (center(values, used, n, segments) for values in (x, y, d))
    return [n, mean_x, mean_y, mean_d, *(segment_sum(product, segments) for product in (x * x, y * y, x * y, d * d))]
