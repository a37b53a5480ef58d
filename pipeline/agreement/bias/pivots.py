"""Intervals of bias, spread and limits from nights that wander, by generalized pivots.

What is not known (the mean, the variance between nights, that within them) is drawn as often as the data allow: the mean squares over
chi-squares, the mean over a normal. Of any figure made from these the middle 95 % is its interval. Source: Weerahandi, JASA 1993;88:899;
for one-way random effects Krishnamoorthy & Mathew, Statistical Tolerance Regions (Wiley 2009), chapter 5. The draws are the same
evenly spread points each time, so that the same nights give the same interval.
"""

from functools import cache
from typing import NamedTuple

import numpy as np

DRAWS = 400
# the 10th from either end of 400
_LOW, _HIGH, _WITHIN = 9, 390, 379
# Above these degrees of freedom Wilson & Hilferty's cube root is as good as the chi-square itself.
_LARGE_DF = 40.0


class Pivots(NamedTuple):
    """Rows x DRAWS: the mean and the total variance (between nights and within) as they may be."""

    mean: np.ndarray
    variance: np.ndarray


def pivots_of_nights(
    mean: np.ndarray,
    ms_between: np.ndarray,
    ms_within: np.ndarray,
    n: np.ndarray,
    nights: np.ndarray,
    squares: np.ndarray,
    cubes: np.ndarray,
) -> Pivots:
    """From one-way splits, one a row: mean, mean squares, pitches, nights, and the sums of the nights' squared and cubed numbers of pitches."""
    n0 = (n - squares / n) / (nights - 1)
    df = df_between(ms_between, ms_within, n, nights, squares, cubes)
    between = (ms_between * df)[:, None] / _chi_squares(df, 0)
    within = (ms_within * (n - nights))[:, None] / _chi_squares(n - nights, 2)
    lasting = (between - within) / n0[:, None]
    # the plain mean of pitches: unequal nights share its variance unequally
    share, size = (squares / n**2)[:, None], n[:, None]
    of_mean = np.where(lasting > 0, share * lasting + within / size, between / size)
    variance = between / n0[:, None] + (1 - 1 / n0)[:, None] * within
    return Pivots(mean[:, None] - even_normals(1) * np.sqrt(of_mean), np.maximum(variance, 0.0))


def half_width_95(mean: np.ndarray, draws: Pivots) -> np.ndarray:
    """Half the interval of each row's mean, which is symmetric about it: 95 % of the draws lie so near."""
    return np.asarray(np.partition(np.abs(draws.mean - mean[:, None]), _WITHIN, axis=1)[:, _WITHIN])


def middle_95(draws: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Ends of the middle 95 % of each row's draws."""
    ordered = np.partition(draws, (_LOW, _HIGH), axis=1)
    return ordered[:, _LOW], ordered[:, _HIGH]


@cache
def even_normals(place: int) -> np.ndarray:
    """Standard normal variates that lie evenly, one of several lots that have nothing to do with each other."""
    from scipy.special import ndtri

    return np.asarray(ndtri(_even_points()[place]))


def df_between(
    ms_between: np.ndarray,
    ms_within: np.ndarray,
    n: np.ndarray,
    nights: np.ndarray,
    squares: np.ndarray,
    cubes: np.ndarray,
) -> np.ndarray:
    """Degrees of freedom of the mean square between unequal nights, by its first two moments (Searle, Linear Models 1971, chapter 11)."""
    n0 = (n - squares / n) / (nights - 1)
    lasting = np.maximum((ms_between - ms_within) / n0, 0.0)
    expected = (nights - 1) * (ms_within + n0 * lasting)
    mixed = 2 * ms_within * lasting * (n - squares / n)
    variance = 2 * (ms_within**2 * (nights - 1) + mixed + lasting**2 * (squares - 2 * cubes / n + squares**2 / n**2))
    with np.errstate(divide="ignore", invalid="ignore"):
        df = np.where(variance > 0, 2 * expected**2 / variance, nights - 1)
    return np.asarray(np.clip(np.round(4 * df) / 4, 1.0, nights - 1))


def _chi_squares(df: np.ndarray, place: int) -> np.ndarray:
    """Rows x DRAWS chi-square variates."""
    from scipy.special import chdtri

    sizes, row = np.unique(df, return_inverse=True)
    points, normals = _even_points()[place], even_normals(place)
    small = sizes < _LARGE_DF
    found = np.empty((len(sizes), DRAWS))
    found[small] = chdtri(sizes[small, None], points)
    part = 2 / (9 * sizes[~small, None])
    found[~small] = sizes[~small, None] * (1 - part - normals * np.sqrt(part)) ** 3
    return np.asarray(found[row])


@cache
def _even_points() -> np.ndarray:
    """DRAWS points of the unit cube of 4 dimensions that lie evenly: Hammersley's (Ann NY Acad Sci 1960;86:844), in bases 2, 3 and 5."""
    return np.stack([(np.arange(DRAWS) + 0.5) / DRAWS, _mirrored(2), _mirrored(3), _mirrored(5)])


def _mirrored(base: int) -> np.ndarray:
    """1, 2, ... with the digits mirrored at the point (van der Corput)."""
    number, value, place = np.arange(1, DRAWS + 1), np.zeros(DRAWS), 1.0
    while number.any():
        place /= base
        value += place * (number % base)
        number = number // base
    return value
