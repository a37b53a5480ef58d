"""Does the bias grow with the reading, and how close do the readings lie to the line y = x.

Sources: Deming regression as in CLSI EP09 (analytic errors: Strike 1991); concordance: Lin, Biometrics 1989;45:255 with the 2000
correction, divisor n.
"""

import math
from typing import NamedTuple

import numpy as np

from pipeline.agreement.limits import interval_of_mean
from pipeline.agreement.readings import NightSums

LEAST_NIGHTS_FOR_JACKKNIFE = 5


class Line(NamedTuple):
    """b = intercept + slope * a, errors in both; standard errors over nights (jackknife) or, for few nights, over pitches (analytic)."""

    slope: float
    intercept: float
    se_slope: float
    se_intercept: float
    df: int
    method: str


class Concordance(NamedTuple):
    """Lin's coefficient, its standard error and 95 % interval (z-transformed)."""

    value: float
    se: float
    low: float
    high: float


class _Moments(NamedTuple):
    n: np.ndarray
    mean_x: np.ndarray
    mean_y: np.ndarray
    var_x: np.ndarray
    var_y: np.ndarray
    cov: np.ndarray


def deming(sums: NightSums, error_ratio: float = 1.0) -> Line:
    """Deming regression of y on x; `error_ratio` = variance of x's errors / variance of y's errors."""
    whole = _moments(sums)
    slope, intercept = (float(value[0]) for value in _deming_line(whole, error_ratio))
    if len(sums.n) < LEAST_NIGHTS_FOR_JACKKNIFE:
        return Line(slope, intercept, *_analytic_errors(whole, slope), int(whole.n[0]) - 2, "analytic")
    left_out = _deming_line(_moments_without_each_night(sums), error_ratio)
    return Line(
        slope,
        intercept,
        _jackknife_se(left_out[0]),
        _jackknife_se(left_out[1]),
        len(sums.n) - 1,
        "jackknife over nights",
    )


def interval_of_line(line: Line) -> tuple[float, float, float, float]:
    """95 % intervals: slope low and high, intercept low and high."""
    slope = interval_of_mean(line.slope, line.se_slope, line.df)
    intercept = interval_of_mean(line.intercept, line.se_intercept, line.df)
    return slope[1], slope[2], intercept[1], intercept[2]


def concordance(sums: NightSums) -> Concordance:
    """Lin's concordance coefficient; interval on the z scale, jackknife over nights where there are enough, else Lin's own formula."""
    moments = _moments(sums)
    value = float(_lin(moments)[0])
    if 1 < len(sums.n) < LEAST_NIGHTS_FOR_JACKKNIFE and len(sums.n) < moments.n[0]:
        return Concordance(value, math.nan, math.nan, math.nan)  # few nights: what they share is unknown
    if len(sums.n) in (1, moments.n[0]):
        se = _lin_se(moments, value)
        return Concordance(value, se, *_z_interval(value, se / (1 - value**2), 1.959963984540054))
    left_out = np.arctanh(np.clip(_lin(_moments_without_each_night(sums)), -1 + 1e-15, 1 - 1e-15))
    se_z = _jackknife_se(left_out)
    half = interval_of_mean(0.0, 1.0, len(sums.n) - 1)[2]
    return Concordance(value, se_z * (1 - value**2), *_z_interval(value, se_z, half))


def _moments(sums: NightSums) -> _Moments:
    totals = [np.atleast_1d(column.sum()) for column in sums[:6]]
    return _centred(totals, sums)


def _moments_without_each_night(sums: NightSums) -> _Moments:
    return _centred([column.sum() - column for column in sums[:6]], sums)


def _centred(totals: list[np.ndarray], sums: NightSums) -> _Moments:
    n, x, y, xx, yy, xy = totals
    return _Moments(
        n, sums.x0 + x / n, sums.y0 + y / n, xx / n - (x / n) ** 2, yy / n - (y / n) ** 2, xy / n - x * y / n**2
    )


def _deming_line(moments: _Moments, error_ratio: float) -> tuple[np.ndarray, np.ndarray]:
    excess = error_ratio * moments.var_y - moments.var_x
    root = np.sqrt(excess**2 + 4 * error_ratio * moments.cov**2)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (excess + root) / (2 * error_ratio * moments.cov)
    # upright where the readings of a do not vary: no line that b could be told by
    slope = np.where(np.isfinite(slope), slope, math.nan)
    return slope, moments.mean_y - slope * moments.mean_x


def _analytic_errors(moments: _Moments, slope: float) -> tuple[float, float]:
    spread = float(moments.var_x[0] * moments.var_y[0])
    r_squared = float(moments.cov[0] ** 2) / spread if spread > 0 else 0.0
    if moments.n[0] < 3 or not r_squared > 0:
        return math.nan, math.nan
    se_slope = math.sqrt(slope**2 * max(1 - r_squared, 0.0) / r_squared / (moments.n[0] - 2))
    return se_slope, se_slope * math.sqrt(float(moments.var_x[0] + moments.mean_x[0] ** 2))


def _jackknife_se(left_out: np.ndarray) -> float:
    k = len(left_out)
    return math.sqrt((k - 1) / k * float(((left_out - left_out.mean()) ** 2).sum()))


def _lin(moments: _Moments) -> np.ndarray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(2 * moments.cov / (moments.var_x + moments.var_y + (moments.mean_x - moments.mean_y) ** 2))


def _lin_se(moments: _Moments, ccc: float) -> float:
    """Lin 1989, equation for the variance with the correction of 2000 (n - 2 in the divisor)."""
    n, cov = float(moments.n[0]), float(moments.cov[0])
    spread = math.sqrt(float(moments.var_x[0] * moments.var_y[0]))
    if n < 3 or not spread > 0 or cov == 0:
        return math.nan
    r, u2 = cov / spread, float(moments.mean_x[0] - moments.mean_y[0]) ** 2 / spread
    variance = (1 - r**2) * ccc**2 * (1 - ccc**2) / r**2 + 2 * ccc**3 * (1 - ccc) * u2 / r - ccc**4 * u2**2 / (2 * r**2)
    return math.sqrt(max(variance, 0.0) / (n - 2))


def _z_interval(value: float, se_z: float, half: float) -> tuple[float, float]:
    centre = math.atanh(min(max(value, -1 + 1e-15), 1 - 1e-15))
    return math.tanh(centre - half * se_z), math.tanh(centre + half * se_z)
