"""Bias and limits of agreement of two trackers, with intervals that know that the pitches of one night belong together.

All figures are arrays with one row per group of nights (pair and slice), whatever further axes the moments have (metrics).
Sources: Bland & Altman, Lancet 1986;1:307 (limits) and J Biopharm Stat 2007;17:571 (one-way split where the true value varies);
Carkeet, Optom Vis Sci 2015;92:e71 (exact interval of a limit); over few nights generalized pivots (pivots.py); over
many Zou, Stat Methods Med 2013;22:630 (MOVER interval). Coverage of all intervals on
simulated seasons: tests/benchmarks/bench_agreement.py.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.agreement.bias.pivots import half_width_95, middle_95, pivots_of_nights
from pipeline.agreement.facts.moments import NightMoments, combined, total

Z = 1.96  # the limits that hold 95 % of differences, as published
LEAST_PITCHES = 3
EXACT, PIVOTS, MOVER, TOO_FEW = "exact (noncentral t)", "generalized pivots over nights", "MOVER over nights", "too few"
# With so many nights MOVER covers as well as pivots do, and costs nothing; with fewer it is too wide.
MANY_NIGHTS = 20
# Rows worked on at once: bounds the memory
_AT_ONCE = 500


class Split(NamedTuple):
    """Differences split into night-to-night and within-night variance; `n0` is the effective number of pitches a night, `nn` and `nnn` the sums of n squared and cubed."""

    n: np.ndarray
    nights: np.ndarray
    bias: np.ndarray
    ms_between: np.ndarray
    ms_within: np.ndarray
    n0: np.ndarray
    nn: np.ndarray
    nnn: np.ndarray
    var_between: np.ndarray
    var_within: np.ndarray
    sd: np.ndarray

    @property
    def whole(self) -> np.ndarray:
        """Where there is nothing to split: one night, or one pitch each night."""
        return np.asarray((self.nights == 1) | (self.nights == self.n))


class Limits(NamedTuple):
    """95 % limits of agreement, each with its 95 % interval; nan where there are too few pitches to say."""

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
    """One-way analysis of variance of the differences with the night as group (Bland & Altman 2007).

    With one night, or one pitch each night, there is nothing to split and `sd` is the plain standard deviation of differences.
    """
    groups = moments.groups
    n, k, nn, nnn = (
        total(column, groups) for column in (moments.n, (moments.n > 0).astype(float), moments.n**2, moments.n**3)
    )
    bias, about_mean = combined(moments.n, moments.d, moments.dd, groups)
    within = total(moments.dd, groups)
    whole = (k == 1) | (k == n)
    with np.errstate(divide="ignore", invalid="ignore"):
        plain = about_mean / (n - 1)
        ms_between = np.where(whole, np.nan, np.maximum(about_mean - within, 0.0) / (k - 1))
        ms_within = np.where(whole, plain, within / (n - k))
        n0 = np.where(whole, 1.0, (n - nn / n) / (k - 1))
        var_between = np.where(k == 1, 0.0, np.maximum((ms_between - ms_within) / n0, 0.0))
        sd = np.sqrt(np.where(whole, plain, var_between + ms_within))
    return Split(n, k, bias, ms_between, ms_within, n0, nn, nnn, var_between, ms_within, sd)


def limits_of_agreement(split: Split) -> Limits:
    """Interval of the bias and the limits bias ± 1.96 sd with their intervals: exact for one night's pitches, over nights by pivots or MOVER."""
    exact, many, few_nights = _exact(split), _mover_by_night(split), _pivots_by_night(split)
    by_night = [np.where(split.nights < MANY_NIGHTS, few, end) for few, end in zip(few_nights, many, strict=True)]
    few = split.n < LEAST_PITCHES
    over_nights = np.where(split.nights < MANY_NIGHTS, PIVOTS, MOVER)
    method = np.where(few, TOO_FEW, np.where(split.whole, EXACT, over_nights)).astype(object)
    ends = [
        np.where(few, np.nan, np.where(split.whole, one, other)) for one, other in zip(exact, by_night, strict=True)
    ]
    return Limits._make([*ends, method])


def exact_interval_of_limit(bias: np.ndarray, sd: np.ndarray, n: np.ndarray) -> Interval:
    """Upper limit bias + 1.96 sd of n independent differences with its exact 95 % interval, by the noncentral t distribution (Carkeet 2015)."""
    from scipy.special import nctdtrit

    sizes, which = np.unique(np.maximum(n, 2), return_inverse=True)
    low, high = (nctdtrit(sizes - 1, Z * np.sqrt(sizes), p)[which].reshape(np.shape(n)) for p in (0.025, 0.975))
    se = sd / np.sqrt(n)
    return Interval(bias + Z * sd, bias + low * se, bias + high * se)


def mover_interval_of_limit(bias: Interval, sd: Interval, z: float = Z) -> tuple[np.ndarray, np.ndarray]:
    """Interval of bias + z sd by the method of variance estimates recovery (Zou 2013)."""
    limit = bias.value + z * sd.value
    low, high = np.minimum(z * sd.low, z * sd.high), np.maximum(z * sd.low, z * sd.high)
    return (
        limit - np.hypot(bias.value - bias.low, z * sd.value - low),
        limit + np.hypot(bias.high - bias.value, high - z * sd.value),
    )


def interval_of_sd(sd: ArrayLike, df: ArrayLike) -> Interval:
    """A standard deviation with `df` degrees of freedom and its interval (chi-square, 95 %)."""
    (low, high), middle = _chi_square_ends(np.asarray(df, float)), np.asarray(sd, float)
    return Interval(middle, middle * np.sqrt(low), middle * np.sqrt(high))


def interval_of_mean(mean: ArrayLike, se: ArrayLike, df: ArrayLike) -> Interval:
    """A mean and its interval (Student t, 95 %)."""
    from scipy.special import stdtrit

    middle, half = np.asarray(mean, float), stdtrit(np.asarray(df, float), 0.975) * np.asarray(se, float)
    return Interval(middle, middle - half, middle + half)


def _exact(split: Split) -> tuple[np.ndarray, ...]:
    with np.errstate(divide="ignore", invalid="ignore"):
        bias = interval_of_mean(split.bias, split.sd / np.sqrt(split.n), split.n - 1)
    # only where it is asked for: the noncentral t takes its time
    n = np.where(split.whole & (split.n >= LEAST_PITCHES), split.n, LEAST_PITCHES)
    high = exact_interval_of_limit(split.bias, split.sd, n)
    low = tuple(2 * split.bias - end for end in (high.value, high.high, high.low))
    return (*bias[1:], *low, *high)


def _pivots_by_night(split: Split) -> tuple[np.ndarray, ...]:
    """Ends of the bias, lower limit with ends, upper limit with ends; nan where nights are one or many."""
    rows = np.flatnonzero((~split.whole & (split.n >= LEAST_PITCHES) & (split.nights < MANY_NIGHTS)).ravel())
    found = np.full((6, split.n.size), np.nan)
    for part in np.array_split(rows, max(1, math.ceil(len(rows) / _AT_ONCE))):
        if len(part):
            found[:, part] = _ends_of_rows(*(column.ravel()[part] for column in split))
    bias_low, bias_high, *ends = (column.reshape(split.n.shape) for column in found)
    return bias_low, bias_high, split.bias - Z * split.sd, *ends[:2], split.bias + Z * split.sd, *ends[2:]


def _ends_of_rows(
    n: np.ndarray,
    nights: np.ndarray,
    bias: np.ndarray,
    ms_between: np.ndarray,
    ms_within: np.ndarray,
    _n0: np.ndarray,
    nn: np.ndarray,
    nnn: np.ndarray,
    *_spread: np.ndarray,
) -> np.ndarray:
    drawn = pivots_of_nights(bias, ms_between, ms_within, n, nights, nn, nnn)
    spread = Z * np.sqrt(drawn.variance)
    half = half_width_95(bias, drawn)
    limits = (end for figure in (drawn.mean - spread, drawn.mean + spread) for end in middle_95(figure))
    return np.stack([bias - half, bias + half, *limits])


def _mover_by_night(split: Split) -> tuple[np.ndarray, ...]:
    with np.errstate(divide="ignore", invalid="ignore"):
        bias = interval_of_mean(split.bias, *_se_of_bias(split))
        sd = _interval_of_total_sd(split)
        low, high = mover_interval_of_limit(bias, sd, -Z), mover_interval_of_limit(bias, sd, Z)
        return (*bias[1:], split.bias - Z * split.sd, *low, split.bias + Z * split.sd, *high)


def _se_of_bias(split: Split) -> tuple[np.ndarray, np.ndarray]:
    """Standard error of the plain mean and its degrees of freedom: nights are what repeats, exactly so where all are equally long.

    With unequal nights the mean's variance is a mix of both mean squares, its degrees of freedom by Satterthwaite.
    """
    share = split.nn / split.n**2
    between = share / split.n0 * split.ms_between
    within = (1 / split.n - share / split.n0) * split.ms_within
    variance = np.maximum(between + within, split.ms_between / split.n)
    spread = between**2 / (split.nights - 1) + within**2 / (split.n - split.nights)
    df = np.where(spread > 0, np.minimum(variance**2 / spread, split.nights - 1), split.nights - 1)
    return np.sqrt(variance), df


def _interval_of_total_sd(split: Split) -> Interval:
    """MOVER on the two mean squares: total variance = MSB/n0 + (1 - 1/n0) MSW (Zou 2013, with the one-way split's own n0)."""
    parts = split.ms_between / split.n0, (1 - 1 / split.n0) * split.ms_within
    ends = [_chi_square_ends(df) for df in (split.nights - 1, split.n - split.nights)]
    below, above = (
        sum((part * (end[side] - 1)) ** 2 for part, end in zip(parts, ends, strict=True)) for side in (0, 1)
    )
    variance = split.sd**2
    low, high = np.maximum(variance - np.sqrt(below), 0.0), variance + np.sqrt(above)
    return Interval(split.sd, np.sqrt(low), np.sqrt(high))


def _chi_square_ends(df: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    from scipy.special import chdtri

    return np.asarray(df / chdtri(df, 0.025)), np.asarray(df / chdtri(df, 0.975))
