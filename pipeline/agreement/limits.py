"""Bias and limits of agreement of two trackers, with intervals that know that the pitches of one night belong together.

Sources: Bland & Altman, Lancet 1986;1:307 (limits) and J Biopharm Stat 2007;17:571 (one-way split where the true value varies);
Carkeet, Optom Vis Sci 2015;92:e71 (exact interval of a limit); Zou, Stat Methods Med 2013;22:630 (MOVER interval).
"""

import math
from typing import NamedTuple

import numpy as np

from pipeline.agreement.readings import NightSums

Z = 1.96  # the limits that hold 95 % of differences, as published


class Split(NamedTuple):
    """Differences split into night-to-night and within-night variance; `n0` is the effective number of pitches a night."""

    n: int
    nights: int
    bias: float
    ms_between: float
    ms_within: float
    n0: float
    var_between: float
    var_within: float
    sd: float


class Limits(NamedTuple):
    """95 % limits of agreement, each with its 95 % interval; null (nan) where there are too few pitches to say."""

    bias_low: float
    bias_high: float
    low: float
    low_low: float
    low_high: float
    high: float
    high_low: float
    high_high: float
    method: str


_NAN = math.nan
TOO_FEW = Limits(_NAN, _NAN, _NAN, _NAN, _NAN, _NAN, _NAN, _NAN, "too few")


def split_by_night(sums: NightSums) -> Split:
    """One-way analysis of variance of the differences with the night as group (Bland & Altman 2007).

    With one night, or one pitch each night, there is nothing to split and `sd` is the plain standard deviation of differences.
    """
    n, k = int(sums.n.sum()), len(sums.n)
    mean = sums.d.sum() / n
    about_mean = float(sums.dd.sum() - n * mean**2)
    within = float((sums.dd - sums.d**2 / sums.n).sum())
    if k == 1 or k == n:
        variance = max(about_mean, 0.0) / (n - 1) if n > 1 else math.nan
        return Split(
            n, k, sums.d0 + mean, math.nan, variance, 1.0, 0.0 if k == 1 else math.nan, variance, math.sqrt(variance)
        )
    ms_between, ms_within = max(about_mean - within, 0.0) / (k - 1), max(within, 0.0) / (n - k)
    n0 = (n - (sums.n**2).sum() / n) / (k - 1)
    var_between = max((ms_between - ms_within) / n0, 0.0)
    return Split(
        n, k, sums.d0 + mean, ms_between, ms_within, n0, var_between, ms_within, math.sqrt(var_between + ms_within)
    )


def limits_of_agreement(sums: NightSums) -> Limits:
    """Interval of the bias and the limits bias ± 1.96 sd with their intervals: exact for one night's pitches, MOVER over nights."""
    split = split_by_night(sums)
    if split.n < 3:
        return TOO_FEW
    if split.nights in (1, split.n):
        return _exact(split)
    return _mover_by_night(split, sums)


def exact_interval_of_limit(bias: float, sd: float, n: int, z: float = Z) -> tuple[float, float]:
    """Exact 95 % interval of the limit bias + z sd of n independent differences, by the noncentral t distribution (Carkeet 2015)."""
    from scipy.special import nctdtrit

    ends = nctdtrit(n - 1, z * math.sqrt(n), [0.025, 0.975])
    return bias + ends[0] * sd / math.sqrt(n), bias + ends[1] * sd / math.sqrt(n)


def mover_interval_of_limit(
    bias: tuple[float, float, float], sd: tuple[float, float, float], z: float = Z
) -> tuple[float, float]:
    """Interval of bias + z sd from (estimate, low, high) of each, by the method of variance estimates recovery (Zou 2013)."""
    limit = bias[0] + z * sd[0]
    low, high = sorted((z * sd[1], z * sd[2]))
    return (
        limit - math.hypot(bias[0] - bias[1], z * sd[0] - low),
        limit + math.hypot(bias[2] - bias[0], high - z * sd[0]),
    )


def interval_of_sd(sd: float, df: float) -> tuple[float, float, float]:
    """Estimate, low and high of a standard deviation with `df` degrees of freedom (chi-square, 95 %)."""
    from scipy.special import chdtri

    return sd, sd * math.sqrt(df / chdtri(df, 0.025)), sd * math.sqrt(df / chdtri(df, 0.975))


def interval_of_mean(mean: float, se: float, df: float) -> tuple[float, float, float]:
    """Estimate, low and high of a mean (Student t, 95 %)."""
    from scipy.special import stdtrit

    half = float(stdtrit(df, 0.975)) * se
    return mean, mean - half, mean + half


def _exact(split: Split) -> Limits:
    bias = interval_of_mean(split.bias, split.sd / math.sqrt(split.n), split.n - 1)
    high = exact_interval_of_limit(split.bias, split.sd, split.n)
    low = (2 * split.bias - high[1], 2 * split.bias - high[0])
    return Limits(*bias[1:], split.bias - Z * split.sd, *low, split.bias + Z * split.sd, *high, "exact (noncentral t)")


def _mover_by_night(split: Split, sums: NightSums) -> Limits:
    bias = interval_of_mean(split.bias, *_se_of_bias(split, sums))
    sd = _interval_of_total_sd(split)
    low, high = mover_interval_of_limit(bias, sd, -Z), mover_interval_of_limit(bias, sd, Z)
    return Limits(*bias[1:], split.bias - Z * split.sd, *low, split.bias + Z * split.sd, *high, "MOVER over nights")


def _se_of_bias(split: Split, sums: NightSums) -> tuple[float, float]:
    """Standard error of the plain mean and its degrees of freedom: nights are what repeats, exactly so where all are equally long.

    With unequal nights the mean's variance is a mix of both mean squares, its degrees of freedom by Satterthwaite.
    """
    share = float((sums.n**2).sum()) / split.n**2
    between = share / split.n0 * split.ms_between
    within = (1 / split.n - share / split.n0) * split.ms_within
    variance = max(between + within, split.ms_between / split.n)
    spread = between**2 / (split.nights - 1) + within**2 / (split.n - split.nights)
    return math.sqrt(variance), min(variance**2 / spread, split.nights - 1) if spread else split.nights - 1


def _interval_of_total_sd(split: Split) -> tuple[float, float, float]:
    """MOVER on the two mean squares: total variance = MSB/n0 + (1 - 1/n0) MSW (Zou 2013, with the one-way split's own n0)."""
    parts = np.array([split.ms_between / split.n0, (1 - 1 / split.n0) * split.ms_within])
    low, high = np.array([_chi_square_ends(split.nights - 1), _chi_square_ends(split.n - split.nights)]).T
    below = math.sqrt(float(((parts * (1 - low)) ** 2).sum()))
    above = math.sqrt(float(((parts * (high - 1)) ** 2).sum()))
    total = split.sd**2
    return split.sd, math.sqrt(max(total - below, 0.0)), math.sqrt(total + above)


def _chi_square_ends(df: int) -> tuple[float, float]:
    from scipy.special import chdtri

    return float(df / chdtri(df, 0.025)), float(df / chdtri(df, 0.975))
