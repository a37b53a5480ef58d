"""Bias and limits of agreement of two trackers, with intervals over nights.

All figures are arrays with one row per group of nights (pair and slice) and any further axes of the moments (metrics). Sources: limits,
Bland & Altman, Lancet 1986;1:307; one-way split where the true value varies, J Biopharm Stat 2007;17:571; exact interval of a limit,
Carkeet, Optom Vis Sci 2015;92:e71; over few nights generalized pivots (pivots.py); over many nights MOVER, Zou, Stat Methods Med
2013;22:630. Coverage of all intervals on simulated seasons: tests/benchmarks/bench_agreement.py.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.agreement.bias.pivots import NightSizes, half_width_95, middle_95, pivots_of_nights
from pipeline.agreement.facts.moments import NightMoments, combine_means, segment_sum

# Bias +- 1.96 SD holds 95 % of normal differences (Bland & Altman 1986).
Z = 1.96
# With fewer pitches no limits are given (our choice, no source).
LEAST_PITCHES = 3
# Values of column interval_method.
EXACT, PIVOTS, MOVER, TOO_FEW = "exact (noncentral t)", "generalized pivots over nights", "MOVER over nights", "too few"
# From here on MOVER covers as well as pivots and costs nothing; with fewer nights it is too wide (bench_agreement, coverage table).
MANY_NIGHTS = 20
# Rows per batch: bounds the memory of rows x DRAWS arrays.
_BATCH_ROWS = 500


class Split(NamedTuple):
    """Variance of differences split into night-to-night and within-night parts.

    `n0` is the effective number of pitches a night, `squares` and `cubes` the sums over nights of squared and cubed pitch counts.
    """

    n: np.ndarray
    nights: np.ndarray
    bias: np.ndarray
    ms_between: np.ndarray
    ms_within: np.ndarray
    n0: np.ndarray
    squares: np.ndarray
    cubes: np.ndarray
    var_between: np.ndarray
    var_within: np.ndarray
    sd: np.ndarray

    @property
    def one_level(self) -> np.ndarray:
        """Where there is nothing to split: a single night, or one pitch each night."""
        return np.asarray((self.nights == 1) | (self.nights == self.n))

    @property
    def sizes(self) -> NightSizes:
        """Pitches, nights and sums of squared and cubed pitch counts."""
        return NightSizes(self.n, self.nights, self.squares, self.cubes)

    def flat_rows(self, selected: np.ndarray) -> "Split":
        """Flatten every column and select from it."""
        return Split(*(column.ravel()[selected] for column in self))


class Limits(NamedTuple):
    """Interval of the bias and 95 % limits of agreement, each with its 95 % interval.

    Nan where there are too few pitches.
    """

    bias_low: np.ndarray
    bias_high: np.ndarray
    low: np.ndarray
    low_low: np.ndarray
    low_high: np.ndarray
    high: np.ndarray
    high_low: np.ndarray
    high_high: np.ndarray
    method: np.ndarray


class Interval(NamedTuple):
    """An estimate and the ends of its 95 % interval."""

    value: np.ndarray
    low: np.ndarray
    high: np.ndarray


def split_by_night(moments: NightMoments) -> Split:
    """Split the variance of differences by night (one-way analysis of variance).

    Source: Bland & Altman 2007. With one night, or one pitch each night, `sd` is the plain standard deviation of the differences.
    """
    groups = moments.groups
    n, k, squares, cubes = (
        segment_sum(column, groups) for column in (moments.n, (moments.n > 0).astype(float), moments.n**2, moments.n**3)
    )
    bias, about_mean = combine_means(moments.n, moments.d, moments.dd, groups)
    within = segment_sum(moments.dd, groups)
    one_level = (k == 1) | (k == n)
    with np.errstate(divide="ignore", invalid="ignore"):
        plain = about_mean / (n - 1)
        ms_between = np.where(one_level, np.nan, np.maximum(about_mean - within, 0.0) / (k - 1))
        ms_within = np.where(one_level, plain, within / (n - k))
        n0 = np.where(one_level, 1.0, (n - squares / n) / (k - 1))
        var_between = np.where(k == 1, 0.0, np.maximum((ms_between - ms_within) / n0, 0.0))
        sd = np.sqrt(np.where(one_level, plain, var_between + ms_within))
    return Split(n, k, bias, ms_between, ms_within, n0, squares, cubes, var_between, ms_within, sd)


def limits_of_agreement(split: Split) -> Limits:
    """Return the interval of the bias, and the limits of agreement with theirs.

    The limits are bias +- 1.96 SD. Exact for one night's pitches; over nights by pivots (few) or MOVER (many).
    """
    exact, mover, pivots = _exact_ends(split), _mover_ends(split), _pivot_ends(split)
    few_nights = split.nights < MANY_NIGHTS
    by_night = [np.where(few_nights, few, many) for few, many in zip(pivots, mover, strict=True)]
    few_pitches = split.n < LEAST_PITCHES
    method_over_nights = np.where(few_nights, PIVOTS, MOVER)
    method = np.where(few_pitches, TOO_FEW, np.where(split.one_level, EXACT, method_over_nights)).astype(object)
    ends = [
        np.where(few_pitches, np.nan, np.where(split.one_level, one, several))
        for one, several in zip(exact, by_night, strict=True)
    ]
    return Limits._make([*ends, method])


def exact_interval_of_limit(bias: np.ndarray, sd: np.ndarray, n: np.ndarray) -> Interval:
    """Return the upper limit of n independent differences with its exact interval.

    The limit is bias + 1.96 SD, the interval 95 %. By the noncentral t distribution (Carkeet 2015).
    """
    from scipy.special import nctdtrit

    sizes, index = np.unique(np.maximum(n, 2), return_inverse=True)
    low, high = (nctdtrit(sizes - 1, Z * np.sqrt(sizes), p)[index].reshape(np.shape(n)) for p in (0.025, 0.975))
    se = sd / np.sqrt(n)
    return Interval(bias + Z * sd, bias + low * se, bias + high * se)


def mover_interval_of_limit(bias: Interval, sd: Interval, z: float = Z) -> tuple[np.ndarray, np.ndarray]:
    """Return the interval of bias + z SD by MOVER (Zou 2013)."""
    limit = bias.value + z * sd.value
    low, high = np.minimum(z * sd.low, z * sd.high), np.maximum(z * sd.low, z * sd.high)
    return (
        limit - np.hypot(bias.value - bias.low, z * sd.value - low),
        limit + np.hypot(bias.high - bias.value, high - z * sd.value),
    )


def interval_of_sd(sd: ArrayLike, df: ArrayLike) -> Interval:
    """Return a standard deviation and its 95 % interval (chi-square, `df`)."""
    (low, high), middle = _chi_square_ends(np.asarray(df, float)), np.asarray(sd, float)
    return Interval(middle, middle * np.sqrt(low), middle * np.sqrt(high))


def interval_of_mean(mean: ArrayLike, se: ArrayLike, df: ArrayLike) -> Interval:
    """Return a mean and its 95 % interval (Student's t)."""
    from scipy.special import stdtrit

    middle, half = np.asarray(mean, float), stdtrit(np.asarray(df, float), 0.975) * np.asarray(se, float)
    return Interval(middle, middle - half, middle + half)


def _exact_ends(split: Split) -> tuple[np.ndarray, ...]:
    """Return the first eight fields of Limits for independent pitches."""
    with np.errstate(divide="ignore", invalid="ignore"):
        bias = interval_of_mean(split.bias, split.sd / np.sqrt(split.n), split.n - 1)
    # other rows get a placeholder: the noncentral t is slow
    n = np.where(split.one_level & (split.n >= LEAST_PITCHES), split.n, LEAST_PITCHES)
    high = exact_interval_of_limit(split.bias, split.sd, n)
    low = tuple(2 * split.bias - end for end in (high.value, high.high, high.low))
    return (*bias[1:], *low, *high)


def _pivot_ends(split: Split) -> tuple[np.ndarray, ...]:
    """Return the first eight fields of Limits by pivots.

    Nan for one night and for many.
    """
    few_nights = ~split.one_level & (split.n >= LEAST_PITCHES) & (split.nights < MANY_NIGHTS)
    rows = np.flatnonzero(few_nights.ravel())
    ends = np.full((6, split.n.size), np.nan)
    for batch in np.array_split(rows, max(1, math.ceil(len(rows) / _BATCH_ROWS))):
        if len(batch):
            ends[:, batch] = _pivot_ends_of_rows(split.flat_rows(batch))
    bias_low, bias_high, *limits = (column.reshape(split.n.shape) for column in ends)
    return bias_low, bias_high, split.bias - Z * split.sd, *limits[:2], split.bias + Z * split.sd, *limits[2:]


def _pivot_ends_of_rows(split: Split) -> np.ndarray:
    """Return 6 x rows: ends of the bias, of the lower limit and of the upper limit."""
    draws = pivots_of_nights(split.bias, split.ms_between, split.ms_within, split.sizes)
    spread = Z * np.sqrt(draws.variance)
    half = half_width_95(split.bias, draws)
    limits = (end for limit in (draws.mean - spread, draws.mean + spread) for end in middle_95(limit))
    return np.stack([split.bias - half, split.bias + half, *limits])


def _mover_ends(split: Split) -> tuple[np.ndarray, ...]:
    """Return the first eight fields of Limits by MOVER."""
    with np.errstate(divide="ignore", invalid="ignore"):
        bias = interval_of_mean(split.bias, *_se_of_bias(split))
        sd = _interval_of_total_sd(split)
        low, high = mover_interval_of_limit(bias, sd, -Z), mover_interval_of_limit(bias, sd, Z)
        return (*bias[1:], split.bias - Z * split.sd, *low, split.bias + Z * split.sd, *high)


def _se_of_bias(split: Split) -> tuple[np.ndarray, np.ndarray]:
    """Return the standard error of the plain mean and its degrees of freedom.

    Nights are the unit of repetition. Exact for nights of equal size. With unequal nights the mean's variance mixes both mean squares,
    with degrees of freedom by Satterthwaite.
    """
    share = split.squares / split.n**2
    between = share / split.n0 * split.ms_between
    within = (1 / split.n - share / split.n0) * split.ms_within
    variance = np.maximum(between + within, split.ms_between / split.n)
    spread = between**2 / (split.nights - 1) + within**2 / (split.n - split.nights)
    df = np.where(spread > 0, np.minimum(variance**2 / spread, split.nights - 1), split.nights - 1)
    return np.sqrt(variance), df


def _interval_of_total_sd(split: Split) -> Interval:
    """MOVER on the two mean squares.

    Total variance = MSB / n0 + (1 - 1 / n0) MSW (Zou 2013, with this split's own n0).
    """
    parts = split.ms_between / split.n0, (1 - 1 / split.n0) * split.ms_within
    ends = [_chi_square_ends(df) for df in (split.nights - 1, split.n - split.nights)]
    below, above = (
        sum((part * (end[side] - 1)) ** 2 for part, end in zip(parts, ends, strict=True)) for side in (0, 1)
    )
    variance = split.sd**2
    low, high = np.maximum(variance - np.sqrt(below), 0.0), variance + np.sqrt(above)
    return Interval(split.sd, np.sqrt(low), np.sqrt(high))


def _chi_square_ends(df: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the factors that turn a variance into the ends of its 95 % interval."""
    from scipy.special import chdtri

    return np.asarray(df / chdtri(df, 0.025)), np.asarray(df / chdtri(df, 0.975))
