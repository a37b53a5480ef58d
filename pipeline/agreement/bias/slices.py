"""Slices of all nights, with their moments and robust statistics."""

import os
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.bias.all_nights import AllNights
from pipeline.agreement.bias.limits import LEAST_PITCHES
from pipeline.agreement.facts.cells import MOMENTS
from pipeline.agreement.facts.circular import circular_sd
from pipeline.agreement.facts.moments import (
    NightMoments,
    Segments,
    combine_means,
    combine_products,
    segment,
    segment_sum,
)
from schemas.metrics import METRICS

# Values of column slice_by that a complete table has.
SLICES = ("all", "pitch_type", "month", "station")
# Ordinary limits hold for differences of angles up to this spread; quantiles replace them above (our choice, no source).
WIDEST_CIRCULAR_SD_DEG = 40.0


class Slices(NamedTuple):
    """One way of slicing. `order` sorts the cells by pair and slice.

    In that order `nights` are segments of cells by slice and night, `slices` segments of cells by slice, and `groups` segments of nights by
    slice. `pair` and `names` say which pair and slice each segment is; `wide` marks angles that spread too widely for limits, slices x metrics.
    """

    slice_by: str
    order: np.ndarray
    nights: Segments
    groups: Segments
    slices: Segments
    pair: np.ndarray
    names: list[str]
    wide: np.ndarray


class Robust(NamedTuple):
    """Median and median absolute deviation, slices x metrics.

    For widely spread angles also the quantiles that hold 95 %.
    """

    median: np.ndarray
    mad: np.ndarray
    low: np.ndarray
    high: np.ndarray


def slice_cells(nights: AllNights, slice_by: str) -> Slices:
    """Slice the cells by one of SLICES, or by `before_corrections`.

    The latter gives one slice per pair.
    """
    names, number = np.unique(_slice_names(nights.cells, slice_by), return_inverse=True)
    # stable, so that within a slice the nights stay in order
    part = nights.pair * len(names) + number
    order = np.argsort(part, kind="stable")
    part, night = part[order], nights.night[order]
    by_night = segment(part * (night.max() - night.min() + 2) + night - night.min())
    groups, by_slice = segment(part[by_night.starts]), segment(part)
    first = part[by_night.starts][groups.starts]
    slice_names = [str(names[index]) for index in first % len(names)]
    wide = _wide_angles(nights, order, by_slice)
    return Slices(slice_by, order, by_night, groups, by_slice, first // len(names), slice_names, wide)


def slice_moments(nights: AllNights, slices: Slices) -> NightMoments:
    """Combine the moments of the cells by slice and night."""
    n, a, b, d, aa, bb, ab, dd = (nights.figure(name)[slices.order] for name in MOMENTS)
    (x, xx), (y, yy), (mean_d, squares) = (
        combine_means(n, mean, about, slices.nights) for mean, about in ((a, aa), (b, bb), (d, dd))
    )
    products = combine_products(n, a, b, ab, slices.nights)
    return NightMoments(segment_sum(n, slices.nights), x, y, mean_d, xx, yy, products, squares, slices.groups)


def count_beyond_tolerance(nights: AllNights, slices: Slices) -> np.ndarray:
    """Count differences beyond the tolerance, slices x metrics."""
    beyond = np.column_stack([nights.cells[f"beyond.{metric}"].to_numpy() for metric in nights.metrics])
    return segment_sum(beyond[slices.order], slices.slices)


def robust_statistics(nights: AllNights, slices: Slices) -> Robust:
    """Return robust statistics of the differences themselves, slices x metrics."""
    counts = nights.cell_rows.counts[slices.order]
    ends = np.cumsum(counts)
    rows = np.repeat(nights.cell_rows.starts[slices.order] - (ends - counts), counts) + np.arange(ends[-1])
    starts = (ends - counts)[slices.slices.starts]
    edges = [*starts.tolist(), int(ends[-1])]
    statistics = np.full((4, len(starts), len(nights.metrics)), np.nan)

    def fill(indexes: range) -> None:
        # one buffer for all metrics: allocating memory costs more than the work itself
        buffer = np.empty(len(rows))
        for index in indexes:
            np.take(nights.differences[nights.metrics[index]], rows, out=buffer, mode="clip")
            has_nan = bool(np.isnan(buffer).any())
            for number, (start, end) in enumerate(pairwise(edges)):
                values = buffer[start:end][~np.isnan(buffer[start:end])] if has_nan else buffer[start:end]
                if len(values):
                    statistics[:, number, index] = _robust_of(values, bool(slices.wide[number, index]))

    # over a long history this is most of the step's work, and numpy releases the interpreter lock meanwhile
    workers = max(min(os.cpu_count() or 1, len(nights.metrics)), 1)
    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(fill, [range(worker, len(nights.metrics), workers) for worker in range(workers)]))
    return Robust(*statistics)


def _slice_names(cells: pl.DataFrame, slice_by: str) -> np.ndarray:
    if slice_by in ("all", "before_corrections"):
        return np.full(cells.height, "")
    names = cells["baseball_day"].dt.strftime("%Y-%m") if slice_by == "month" else cells[slice_by]
    return names.to_numpy().astype(str)


def _wide_angles(nights: AllNights, order: np.ndarray, slices: Segments) -> np.ndarray:
    wide = np.zeros((len(slices.starts), len(nights.metrics)), bool)
    for index, metric in enumerate(nights.metrics):
        if METRICS[metric].circular:
            columns = (nights.cells[f"{name}.{metric}"].to_numpy()[order] for name in ("n", "cos", "sin"))
            n, cos, sin = (segment_sum(column, slices) for column in columns)
            spread = circular_sd(np.hypot(cos, sin) / np.maximum(n, 1))
            wide[:, index] = (spread > WIDEST_CIRCULAR_SD_DEG) & (n >= LEAST_PITCHES)
    return wide


def _robust_of(values: np.ndarray, wide: bool) -> tuple[float, float, float, float]:
    """Return the fields of Robust for one slice and metric; overwrites `values`."""
    low, high = np.quantile(values, [0.025, 0.975]) if wide else (np.nan, np.nan)
    median = _median_in_place(values)
    np.subtract(values, median, out=values)
    np.abs(values, out=values)
    return median, _median_in_place(values), float(low), float(high)


def _median_in_place(values: np.ndarray) -> float:
    """Return the median; reorders `values`."""
    middle = len(values) // 2
    values.partition(middle)
    upper = float(values[middle])
    return upper if len(values) % 2 else (float(values[:middle].max()) + upper) / 2
