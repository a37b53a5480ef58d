"""Whether the bias changes with the reading, and how close readings are to y = x.

All figures are arrays with one row per group of nights, as in limits.py. Sources: Deming regression as in CLSI EP09 (analytic errors:
Strike 1991); concordance: Lin, Biometrics 1989;45:255 with the correction of 2000, divisor n.
"""

from typing import NamedTuple, Self

import numpy as np

from pipeline.agreement.bias.limits import MANY_NIGHTS, Interval, interval_of_mean, split_by_night
from pipeline.agreement.bias.pivots import even_normals, middle_95, pivots_of_nights
from pipeline.agreement.facts.moments import (
    NightMoments,
    combine_means,
    combine_products,
    repeat_per_row,
    segment_sum,
)

# With fewer nights the spread of the left-out estimates says too little (our choice, no source).
LEAST_NIGHTS_FOR_JACKKNIFE = 5
# With two nights, what a night's pitches have in common is unknown.
LEAST_NIGHTS_FOR_PIVOTS = 3
# Values of column regression_method.
ANALYTIC, JACKKNIFE = "analytic", "jackknife over nights"
# 97.5 % quantile of the normal distribution.
_NORMAL_975 = 1.959963984540054


class Line(NamedTuple):
    """b = intercept + slope * a with errors in both.

    Standard errors over nights (jackknife) or, for few nights, over pitches.
    """

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


class _PitchMoments(NamedTuple):
    """Count, means, variances and covariance (divisor n) of any set of pitches."""

    n: np.ndarray
    mean_x: np.ndarray
    mean_y: np.ndarray
    var_x: np.ndarray
    var_y: np.ndarray
    cov: np.ndarray

    @classmethod
    def over_nights(cls, moments: NightMoments) -> Self:
        """Combine each group's nights."""
        n = segment_sum(moments.n, moments.groups)
        size = np.maximum(n, 1)
        mean_x, xx = combine_means(moments.n, moments.x, moments.xx, moments.groups)
        mean_y, yy = combine_means(moments.n, moments.y, moments.yy, moments.groups)
        xy = combine_products(moments.n, moments.x, moments.y, moments.xy, moments.groups)
        return cls(n, mean_x, mean_y, xx / size, yy / size, xy / size)

    def without_each_night(self, moments: NightMoments) -> "_PitchMoments":
        """Remove each night in turn from its group: one row per night."""
        n_all, mean_x, mean_y, var_x, var_y, cov = (repeat_per_row(column, moments.groups) for column in self)
        rest = n_all - moments.n
        size = np.maximum(rest, 1)
        x, y = moments.x - mean_x, moments.y - mean_y
        # a night takes with it its own squares, and those of its mean about the mean of the rest
        weight = moments.n * n_all / size
        return _PitchMoments(
            rest,
            mean_x - moments.n * x / size,
            mean_y - moments.n * y / size,
            np.maximum(n_all * var_x - moments.xx - weight * x * x, 0.0) / size,
            np.maximum(n_all * var_y - moments.yy - weight * y * y, 0.0) / size,
            (n_all * cov - moments.xy - weight * x * y) / size,
        )

    @property
    def total_spread(self) -> np.ndarray:
        """The denominator of Lin's coefficient."""
        return np.asarray(self.var_x + self.var_y + (self.mean_x - self.mean_y) ** 2)


def deming(moments: NightMoments, error_ratio: np.ndarray | float = 1.0) -> Line:
    """Fit a Deming regression of y on x.

    `error_ratio` = variance of x's errors / variance of y's errors, one for all groups or one for each.
    """
    pitches, nights = _PitchMoments.over_nights(moments), _count_nights(moments)
    ratio = np.broadcast_to(np.asarray(error_ratio, float), pitches.n.shape)
    slope, intercept = _deming_line(pitches, ratio)
    many = nights >= LEAST_NIGHTS_FOR_JACKKNIFE
    left_out = _deming_line(pitches.without_each_night(moments), repeat_per_row(ratio, moments.groups))
    over_nights = [_jackknife_se(values, moments, nights) for values in left_out]
    over_pitches = _analytic_errors(pitches, slope)
    se_slope, se_intercept = (
        np.where(many, by_night, by_pitch) for by_night, by_pitch in zip(over_nights, over_pitches, strict=True)
    )
    method = np.where(many, JACKKNIFE, ANALYTIC).astype(object)
    return Line(slope, intercept, se_slope, se_intercept, np.where(many, nights - 1, pitches.n - 2), method)


def intervals_of_line(line: Line) -> tuple[Interval, Interval]:
    """Return the 95 % intervals of slope and intercept."""
    slope = interval_of_mean(line.slope, line.se_slope, line.df)
    return slope, interval_of_mean(line.intercept, line.se_intercept, line.df)


def concordance(moments: NightMoments) -> Concordance:
    """Return Lin's concordance coefficient with its interval on the z scale.

    One night, or one pitch each night: Lin's own formula. Few nights: pivots of the mean squared difference (pivots.py), jackknife for the
    spread of the readings. Many nights: jackknife. Two nights have no interval.
    """
    pitches, nights = _PitchMoments.over_nights(moments), _count_nights(moments)
    value = _lin(pitches)
    one_level = (nights == 1) | (nights == pitches.n)
    left_out = pitches.without_each_night(moments)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_formula = _lin_se(pitches, value)
        se_z = np.where(one_level, by_formula / (1 - value**2), _jackknife_se(_to_z(_lin(left_out)), moments, nights))
        half = np.where(one_level, _NORMAL_975, interval_of_mean(0.0, 1.0, nights - 1).high)
    ends = np.stack([np.tanh(_to_z(value) - half * se_z), np.tanh(_to_z(value) + half * se_z)])
    few = ~one_level & (nights < MANY_NIGHTS)
    by_pivots = few & (nights >= LEAST_NIGHTS_FOR_PIVOTS) & (pitches.n > nights)
    ends[:, few] = np.nan
    ends[:, by_pivots] = _pivot_ends(moments, pitches, left_out, by_pivots)
    se_z = np.where(few, (_to_z(ends[1]) - _to_z(ends[0])) / (2 * half), se_z)
    return Concordance(value, np.where(one_level, by_formula, se_z * (1 - value**2)), ends[0], ends[1])


def _pivot_ends(
    moments: NightMoments, pitches: _PitchMoments, left_out: _PitchMoments, selected: np.ndarray
) -> np.ndarray:
    """Return the ends of the interval of the concordance where `selected`.

    The coefficient is taken as 1 - E d^2 / (var x + var y + (mean x - mean y)^2). The mean square difference is drawn by pivots. The
    denominator's spread comes from leaving out each night in turn.
    """
    split = split_by_night(moments)
    bias, ms_between, ms_within = (column[selected] for column in (split.bias, split.ms_between, split.ms_within))
    draws = pivots_of_nights(bias, ms_between, ms_within, split.sizes.rows(selected))
    nights = split.nights[selected]
    se = _jackknife_se(np.log(left_out.total_spread), moments, split.nights)[selected]
    # the normal points are stretched so that the ends of the interval are those of Student's t
    stretched = se * interval_of_mean(0.0, 1.0, nights - 1).high / _NORMAL_975
    spread = pitches.total_spread[selected, None] * np.exp(stretched[:, None] * even_normals(3))
    return np.maximum(middle_95(1 - (draws.mean**2 + draws.variance) / spread), -1.0)


def _count_nights(moments: NightMoments) -> np.ndarray:
    return segment_sum((moments.n > 0).astype(float), moments.groups)


def _deming_line(moments: _PitchMoments, error_ratio: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    excess = error_ratio * moments.var_y - moments.var_x
    root = np.sqrt(excess**2 + 4 * error_ratio * moments.cov**2)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (excess + root) / (2 * error_ratio * moments.cov)
    # infinite where a's readings do not vary: there is no line to fit
    slope = np.where(np.isfinite(slope), slope, np.nan)
    return slope, moments.mean_y - slope * moments.mean_x


def _analytic_errors(moments: _PitchMoments, slope: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    spread = moments.var_x * moments.var_y
    with np.errstate(divide="ignore", invalid="ignore"):
        r_squared = np.where(spread > 0, moments.cov**2 / spread, 0.0)
        variance = slope**2 * np.maximum(1 - r_squared, 0.0) / r_squared / (moments.n - 2)
        se_slope = np.sqrt(np.where((moments.n >= 3) & (r_squared > 0), variance, np.nan))
    return se_slope, se_slope * np.sqrt(moments.var_x + moments.mean_x**2)


def _jackknife_se(left_out: np.ndarray, moments: NightMoments, nights: np.ndarray) -> np.ndarray:
    """Return standard errors from each group's estimates without one of its nights.

    Nights without a reading do not count.
    """
    used, groups = moments.n > 0, moments.groups
    k = np.maximum(nights, 1)
    middle = segment_sum(np.where(used, left_out, 0.0), groups) / k
    squares = segment_sum(np.where(used, (left_out - repeat_per_row(middle, groups)) ** 2, 0.0), groups)
    return np.asarray(np.sqrt((k - 1) / k * squares))


def _lin(moments: _PitchMoments) -> np.ndarray:
    with np.errstate(divide="ignore", invalid="ignore"):
        # readings that are almost equal could give more than 1 by rounding
        return np.asarray(np.clip(2 * moments.cov / moments.total_spread, -1.0, 1.0))


def _lin_se(moments: _PitchMoments, ccc: np.ndarray) -> np.ndarray:
    """Return the standard error of Lin 1989, with the correction of 2000.

    The correction puts n - 2 in the divisor.
    """
    spread = np.sqrt(moments.var_x * moments.var_y)
    r, u2 = moments.cov / spread, (moments.mean_x - moments.mean_y) ** 2 / spread
    variance = (1 - r**2) * ccc**2 * (1 - ccc**2) / r**2 + 2 * ccc**3 * (1 - ccc) * u2 / r - ccc**4 * u2**2 / (2 * r**2)
    defined = (moments.n >= 3) & (spread > 0) & (moments.cov != 0)
    return np.asarray(np.sqrt(np.where(defined, np.maximum(variance, 0.0), np.nan) / (moments.n - 2)))


def _to_z(value: np.ndarray) -> np.ndarray:
    return np.asarray(np.arctanh(np.clip(value, -1 + 1e-15, 1 - 1e-15)))
