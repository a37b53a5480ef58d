"""Does the bias grow with the reading, and how close do the readings lie to the line y = x.

All figures are arrays with one row per group of nights, as in limits.py.
Sources: Deming regression as in CLSI EP09 (analytic errors: Strike 1991); concordance: Lin, Biometrics 1989;45:255 with the 2000
correction, divisor n.
"""

from typing import NamedTuple

import numpy as np

from pipeline.agreement.bias.limits import MANY_NIGHTS, Interval, interval_of_mean, split_by_night
from pipeline.agreement.bias.pivots import even_normals, middle_95, pivots_of_nights
from pipeline.agreement.facts.moments import NightMoments, combined, combined_products, spread_out, total

LEAST_NIGHTS_FOR_JACKKNIFE, LEAST_NIGHTS_FOR_PIVOTS = 5, 3
ANALYTIC, JACKKNIFE = "analytic", "jackknife over nights"


class Line(NamedTuple):
    """b = intercept + slope * a, errors in both; standard errors over nights (jackknife) or, for few nights, over pitches (analytic)."""

    slope: np.ndarray
    intercept: np.ndarray
    se_slope: np.ndarray
    se_intercept: np.ndarray
    df: np.ndarray
    method: np.ndarray


class Concordance(NamedTuple):
    """Lin's coefficient, its standard error and 95 % interval (z-transformed)."""

    value: np.ndarray
    se: np.ndarray
    low: np.ndarray
    high: np.ndarray


class _Moments(NamedTuple):
    """Count, means, variances and covariance (divisor n) of any lot of pitches."""

    n: np.ndarray
    mean_x: np.ndarray
    mean_y: np.ndarray
    var_x: np.ndarray
    var_y: np.ndarray
    cov: np.ndarray


def deming(moments: NightMoments, error_ratio: np.ndarray | float = 1.0) -> Line:
    """Deming regression of y on x; `error_ratio` = variance of x's errors / variance of y's errors, one for all groups or one for each."""
    whole, nights = _whole(moments), _nights(moments)
    ratio = np.broadcast_to(np.asarray(error_ratio, float), whole.n.shape)
    slope, intercept = _deming_line(whole, ratio)
    many = nights >= LEAST_NIGHTS_FOR_JACKKNIFE
    left_out = _deming_line(_without_each_night(moments, whole), spread_out(ratio, moments.groups))
    over_nights = [_jackknife_se(values, moments, nights) for values in left_out]
    over_pitches = _analytic_errors(whole, slope)
    se_slope, se_intercept = (np.where(many, one, other) for one, other in zip(over_nights, over_pitches, strict=True))
    method = np.where(many, JACKKNIFE, ANALYTIC).astype(object)
    return Line(slope, intercept, se_slope, se_intercept, np.where(many, nights - 1, whole.n - 2), method)


def intervals_of_line(line: Line) -> tuple[Interval, Interval]:
    """95 % intervals of slope and intercept."""
    slope = interval_of_mean(line.slope, line.se_slope, line.df)
    return slope, interval_of_mean(line.intercept, line.se_intercept, line.df)


def concordance(moments: NightMoments) -> Concordance:
    """Lin's concordance coefficient with its interval on the z scale.

    One night, or one pitch each night: Lin's own formula. Few nights: pivots of the mean squared difference (pivots.py), jackknife for the
    spread of the readings. Many: jackknife over nights. None with two nights: what a night's pitches share is then unknown.
    """
    whole, nights = _whole(moments), _nights(moments)
    value = _lin(whole)
    single = (nights == 1) | (nights == whole.n)
    left_out = _without_each_night(moments, whole)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_formula = _lin_se(whole, value)
        se_z = np.where(single, by_formula / (1 - value**2), _jackknife_se(_to_z(_lin(left_out)), moments, nights))
        half = np.where(single, 1.959963984540054, interval_of_mean(0.0, 1.0, nights - 1).high)
    ends = np.stack([np.tanh(_to_z(value) - half * se_z), np.tanh(_to_z(value) + half * se_z)])
    few = ~single & (nights < MANY_NIGHTS)
    told = few & (nights >= LEAST_NIGHTS_FOR_PIVOTS) & (whole.n > nights)
    ends[:, few] = np.nan
    ends[:, told] = _by_pivots(moments, whole, left_out, told)
    se_z = np.where(few, (_to_z(ends[1]) - _to_z(ends[0])) / (2 * half), se_z)
    return Concordance(value, np.where(single, by_formula, se_z * (1 - value**2)), ends[0], ends[1])


def _by_pivots(moments: NightMoments, whole: _Moments, left_out: _Moments, told: np.ndarray) -> np.ndarray:
    """Ends of 1 - E d^2 / (var x + var y + (mean x - mean y)^2) where `told`: the mean square by pivots, the rest by how it changes without a night."""
    split = split_by_night(moments)
    drawn = pivots_of_nights(
        *(column[told] for column in (split.bias, *split[3:5], split.n, split.nights, *split[6:8]))
    )
    nights = split.nights[told]
    se = _jackknife_se(np.log(_all_spread(left_out)), moments, split.nights)[told]
    # the normal points stretched to Student's t at the ends of the interval
    wide = se * interval_of_mean(0.0, 1.0, nights - 1).high / 1.959963984540054
    spread = _all_spread(whole)[told, None] * np.exp(wide[:, None] * even_normals(3))
    return np.maximum(middle_95(1 - (drawn.mean**2 + drawn.variance) / spread), -1.0)


def _all_spread(moments: _Moments) -> np.ndarray:
    return np.asarray(moments.var_x + moments.var_y + (moments.mean_x - moments.mean_y) ** 2)


def _nights(moments: NightMoments) -> np.ndarray:
    return total((moments.n > 0).astype(float), moments.groups)


def _whole(moments: NightMoments) -> _Moments:
    n = total(moments.n, moments.groups)
    size = np.maximum(n, 1)
    mean_x, xx = combined(moments.n, moments.x, moments.xx, moments.groups)
    mean_y, yy = combined(moments.n, moments.y, moments.yy, moments.groups)
    xy = combined_products(moments.n, moments.x, moments.y, moments.xy, moments.groups)
    return _Moments(n, mean_x, mean_y, xx / size, yy / size, xy / size)


def _without_each_night(moments: NightMoments, whole: _Moments) -> _Moments:
    """The moments of each group without one of its nights, for every night."""
    n_all, mean_x, mean_y, var_x, var_y, cov = (spread_out(column, moments.groups) for column in whole)
    rest = n_all - moments.n
    size = np.maximum(rest, 1)
    x, y = moments.x - mean_x, moments.y - mean_y
    # what a night takes with it: its own squares, and those of its mean about the mean of the rest
    weight = moments.n * n_all / size
    return _Moments(
        rest,
        mean_x - moments.n * x / size,
        mean_y - moments.n * y / size,
        np.maximum(n_all * var_x - moments.xx - weight * x * x, 0.0) / size,
        np.maximum(n_all * var_y - moments.yy - weight * y * y, 0.0) / size,
        (n_all * cov - moments.xy - weight * x * y) / size,
    )


def _deming_line(moments: _Moments, error_ratio: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    excess = error_ratio * moments.var_y - moments.var_x
    root = np.sqrt(excess**2 + 4 * error_ratio * moments.cov**2)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (excess + root) / (2 * error_ratio * moments.cov)
    # upright where the readings of a do not vary: no line that b could be told by
    slope = np.where(np.isfinite(slope), slope, np.nan)
    return slope, moments.mean_y - slope * moments.mean_x


def _analytic_errors(moments: _Moments, slope: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    spread = moments.var_x * moments.var_y
    with np.errstate(divide="ignore", invalid="ignore"):
        r_squared = np.where(spread > 0, moments.cov**2 / spread, 0.0)
        variance = slope**2 * np.maximum(1 - r_squared, 0.0) / r_squared / (moments.n - 2)
        se_slope = np.sqrt(np.where((moments.n >= 3) & (r_squared > 0), variance, np.nan))
    return se_slope, se_slope * np.sqrt(moments.var_x + moments.mean_x**2)


def _jackknife_se(left_out: np.ndarray, moments: NightMoments, nights: np.ndarray) -> np.ndarray:
    """From each group's estimates without one of its nights; a night without a reading leaves nothing out."""
    held, groups = moments.n > 0, moments.groups
    k = np.maximum(nights, 1)
    middle = total(np.where(held, left_out, 0.0), groups) / k
    squares = total(np.where(held, (left_out - spread_out(middle, groups)) ** 2, 0.0), groups)
    return np.asarray(np.sqrt((k - 1) / k * squares))


def _lin(moments: _Moments) -> np.ndarray:
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = moments.var_x + moments.var_y + (moments.mean_x - moments.mean_y) ** 2
        # of readings that are all but the same, rounding would make it more than 1
        return np.asarray(np.clip(2 * moments.cov / apart, -1.0, 1.0))


def _lin_se(moments: _Moments, ccc: np.ndarray) -> np.ndarray:
    """Lin 1989, equation for the variance with the correction of 2000 (n - 2 in the divisor)."""
    spread = np.sqrt(moments.var_x * moments.var_y)
    r, u2 = moments.cov / spread, (moments.mean_x - moments.mean_y) ** 2 / spread
    variance = (1 - r**2) * ccc**2 * (1 - ccc**2) / r**2 + 2 * ccc**3 * (1 - ccc) * u2 / r - ccc**4 * u2**2 / (2 * r**2)
    told = (moments.n >= 3) & (spread > 0) & (moments.cov != 0)
    return np.asarray(np.sqrt(np.where(told, np.maximum(variance, 0.0), np.nan) / (moments.n - 2)))


def _to_z(value: np.ndarray) -> np.ndarray:
    return np.asarray(np.arctanh(np.clip(value, -1 + 1e-15, 1 - 1e-15)))
