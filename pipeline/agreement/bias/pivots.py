"""Intervals of bias, spread and limits by generalized pivots.

They hold where differences vary from night to night. The unknowns (mean, variance between nights, variance within nights) are drawn
repeatedly from their pivots: mean squares over chi-squares, the mean over a normal. The interval of any figure made from them is the
middle 95 % of its draws. Source: Weerahandi, JASA 1993;88:899; for one-way random effects Krishnamoorthy & Mathew, Statistical Tolerance
Regions (Wiley 2009), chapter 5. The draws are a fixed set of evenly spread points, so the same nights always give the same interval.
"""

from functools import cache
from typing import NamedTuple

import numpy as np

# Draws per row. With 400 the exact Student interval is met within 5 % (tests/test_agreement_intervals.py).
DRAWS = 400
# The 10th draw from either end of 400: the ends of the middle 95 %.
_LOW, _HIGH = 9, 390
# The 380th smallest distance of 400: 95 % of the draws are within it.
_WITHIN = 379
# Above these degrees of freedom Wilson & Hilferty's cube root is as exact as the chi-square itself.
_LARGE_DF = 40.0


class NightSizes(NamedTuple):
    """Pitches, nights, and sums over nights of squared and cubed pitch counts.

    Arrays of one shape.
    """

    pitches: np.ndarray
    nights: np.ndarray
    squares: np.ndarray
    cubes: np.ndarray

    @property
    def per_night(self) -> np.ndarray:
        """Effective number of pitches a night (n0 of a one-way layout)."""
        return np.asarray((self.pitches - self.squares / self.pitches) / (self.nights - 1))

    def rows(self, selected: np.ndarray) -> "NightSizes":
        """Select rows by index or mask."""
        return NightSizes(*(column[selected] for column in self))


class Pivots(NamedTuple):
    """Possible values of the mean and of the total variance, rows x DRAWS.

    The total variance is that between and within nights.
    """

    mean: np.ndarray
    variance: np.ndarray


def pivots_of_nights(mean: np.ndarray, ms_between: np.ndarray, ms_within: np.ndarray, sizes: NightSizes) -> Pivots:
    """Draw mean and total variance of one-way layouts, one per row."""
    n, nights, squares, _ = sizes
    n0 = sizes.per_night
    df = df_between(ms_between, ms_within, sizes)
    between = (ms_between * df)[:, None] / _chi_squares(df, 0)
    within = (ms_within * (n - nights))[:, None] / _chi_squares(n - nights, 2)
    night_variance = (between - within) / n0[:, None]
    # variance of the plain mean over pitches, in which nights of unequal size have unequal weight
    share, size = (squares / n**2)[:, None], n[:, None]
    mean_variance = np.where(night_variance > 0, share * night_variance + within / size, between / size)
    variance = between / n0[:, None] + (1 - 1 / n0)[:, None] * within
    return Pivots(mean[:, None] - even_normals(1) * np.sqrt(mean_variance), np.maximum(variance, 0.0))


def half_width_95(mean: np.ndarray, draws: Pivots) -> np.ndarray:
    """Return half the width of each row's interval of the mean, which is symmetric.

    95 % of the draws are within it.
    """
    return np.asarray(np.partition(np.abs(draws.mean - mean[:, None]), _WITHIN, axis=1)[:, _WITHIN])


def middle_95(draws: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the ends of the middle 95 % of each row's draws."""
    ordered = np.partition(draws, (_LOW, _HIGH), axis=1)
    return ordered[:, _LOW], ordered[:, _HIGH]


@cache
def even_normals(dimension: int) -> np.ndarray:
    """Return DRAWS evenly spread standard normal variates.

    Different dimensions (0-3) are uncorrelated.
    """
    from scipy.special import ndtri

    return np.asarray(ndtri(_even_points()[dimension]))


def df_between(ms_between: np.ndarray, ms_within: np.ndarray, sizes: NightSizes) -> np.ndarray:
    """Return the degrees of freedom of the mean square between unequal nights.

    By its first two moments. Source: Searle, Linear Models (Wiley 1971), chapter 11.
    """
    n, nights, squares, cubes = sizes
    n0 = sizes.per_night
    night_variance = np.maximum((ms_between - ms_within) / n0, 0.0)
    expected = (nights - 1) * (ms_within + n0 * night_variance)
    mixed = 2 * ms_within * night_variance * (n - squares / n)
    variance = 2 * (
        ms_within**2 * (nights - 1) + mixed + night_variance**2 * (squares - 2 * cubes / n + squares**2 / n**2)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        df = np.where(variance > 0, 2 * expected**2 / variance, nights - 1)
    # quarters, so that rows of nearly equal df share one set of chi-squares
    return np.asarray(np.clip(np.round(4 * df) / 4, 1.0, nights - 1))


def _chi_squares(df: np.ndarray, dimension: int) -> np.ndarray:
    """Return rows x DRAWS chi-square variates."""
    from scipy.special import chdtri

    sizes, row = np.unique(df, return_inverse=True)
    points, normals = _even_points()[dimension], even_normals(dimension)
    small = sizes < _LARGE_DF
    variates = np.empty((len(sizes), DRAWS))
    variates[small] = chdtri(sizes[small, None], points)
    part = 2 / (9 * sizes[~small, None])
    variates[~small] = sizes[~small, None] * (1 - part - normals * np.sqrt(part)) ** 3
    return np.asarray(variates[row])


@cache
def _even_points() -> np.ndarray:
    """Return DRAWS evenly spread points of the 4-dimensional unit cube.

    Hammersley's set (Ann NY Acad Sci 1960;86:844).
    """
    return np.stack([(np.arange(DRAWS) + 0.5) / DRAWS, _van_der_corput(2), _van_der_corput(3), _van_der_corput(5)])


def _van_der_corput(base: int) -> np.ndarray:
    """Return 1, 2, ..., DRAWS with their digits in `base` mirrored at the point."""
    number, value, digit = np.arange(1, DRAWS + 1), np.zeros(DRAWS), 1.0
    while number.any():
        digit /= base
        value += digit * (number % base)
        number = number // base
    return value
