"""Counts, means and sums of squares of runs of rows: what is kept of a night, and what combines exactly whenever nights came.

Every figure of a run comes from that run's rows alone, in their order, so it is the same to the last bit whatever stands beside it.
Combining: Chan, Golub & LeVeque, Am Stat 1983;37:242.
"""

from typing import NamedTuple

import numpy as np
import polars as pl


class Runs(NamedTuple):
    """Rows that belong together and stand together: the first row of each run, and how many rows it has."""

    starts: np.ndarray
    counts: np.ndarray


class NightMoments(NamedTuple):
    """Paired readings x, y and their difference d (wrapped where circular) by night: count, means, sums of squares and products about them.

    Nights are the first axis, with runs of them in `groups`; a night without a reading has n = 0. Figures made from it have one row per group.
    """

    n: np.ndarray
    x: np.ndarray
    y: np.ndarray
    d: np.ndarray
    xx: np.ndarray
    yy: np.ndarray
    xy: np.ndarray
    dd: np.ndarray
    groups: Runs


def runs_of(frame: pl.DataFrame, by: list[str]) -> Runs:
    """Runs of rows that are alike in the columns `by`."""
    change = frame.select(pl.sum_horizontal(pl.col(by).rle_id())).to_series().to_numpy().astype(np.int64)
    return runs_from(change)


def runs_from(numbers: np.ndarray) -> Runs:
    """Runs of equal numbers."""
    starts = np.flatnonzero(np.diff(numbers, prepend=numbers[:1] - 1))
    return Runs(starts, np.diff(starts, append=len(numbers)))


def first_rows(frame: pl.DataFrame, runs: Runs) -> pl.DataFrame:
    """The first row of each run."""
    return frame.select(pl.all().gather(runs.starts))


def total(values: np.ndarray, runs: Runs) -> np.ndarray:
    """Sum of each run, along the first axis."""
    return np.asarray(np.add.reduceat(values, runs.starts, axis=0))


def spread_out(values: np.ndarray, runs: Runs) -> np.ndarray:
    """Each run's value at each of its rows."""
    return np.repeat(values, runs.counts, axis=0)


def centred(values: np.ndarray, held: np.ndarray, n: np.ndarray, runs: Runs) -> tuple[np.ndarray, np.ndarray]:
    """Mean of each run's `held` values (`n` of them), and each value about it; 0 where none is held."""
    mean = total(np.where(held, values, 0.0), runs) / np.maximum(n, 1)
    return mean, np.where(held, values - spread_out(mean, runs), 0.0)


def combined(n: np.ndarray, mean: np.ndarray, squares: np.ndarray, runs: Runs) -> tuple[np.ndarray, np.ndarray]:
    """Means and sums of squares about them of runs of parts, from the parts' own."""
    whole = total(n * mean, runs) / np.maximum(total(n, runs), 1)
    about = mean - spread_out(whole, runs)
    return whole, total(squares + n * about * about, runs)


def combined_products(n: np.ndarray, x: np.ndarray, y: np.ndarray, xy: np.ndarray, runs: Runs) -> np.ndarray:
    """Sums of products about the means of runs of parts, from the parts' means x, y and their own sums."""
    size = np.maximum(total(n, runs), 1)
    about_x, about_y = (part - spread_out(total(n * part, runs) / size, runs) for part in (x, y))
    return total(xy + n * about_x * about_y, runs)


def night_moments(x: np.ndarray, y: np.ndarray, nights: np.ndarray) -> NightMoments:
    """Moments by night of paired readings x, y of one length, as one group; `nights` holds each pair's night in any form that sorts."""
    night = np.unique(np.asarray(nights), return_inverse=True)[1]
    order = np.argsort(night, kind="stable")
    x, y = np.asarray(x, float)[order], np.asarray(y, float)[order]
    runs = runs_from(night[order])
    return NightMoments._make([*paired_moments(x, y, y - x, runs), Runs(np.array([0]), np.array([len(runs.starts)]))])


def paired_moments(x: np.ndarray, y: np.ndarray, d: np.ndarray, runs: Runs) -> list[np.ndarray]:
    """The first eight of NightMoments by run; pairs whose d is nan are left out."""
    held = ~np.isnan(d)
    n = total(held.astype(float), runs)
    (mean_x, x), (mean_y, y), (mean_d, d) = (centred(values, held, n, runs) for values in (x, y, d))
    return [n, mean_x, mean_y, mean_d, *(total(product, runs) for product in (x * x, y * y, x * y, d * d))]
