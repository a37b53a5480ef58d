"""Consensus of several estimates, and adjustment for multiple testing."""

import math
from typing import NamedTuple

import numpy as np

# Bisection steps: to the last bit of the variance.
_BISECTIONS = 100


class Combined(NamedTuple):
    """Consensus mean, its standard error, SD between estimates, and Birge ratio."""

    mean: float
    se: float
    between_sd: float
    birge: float


def combine(values: np.ndarray, variances: np.ndarray) -> Combined:
    """Return Paule & Mandel's consensus mean (J Res NBS 1982;87:377).

    The variance between estimates is the one that brings chi-square to its expected value.
    """
    k = len(values)
    _, chi_square = _weighted_mean(values, variances, 0.0)
    birge = math.sqrt(chi_square / (k - 1)) if k > 1 else 0.0
    low, high = 0.0, 0.0
    if birge > 1:
        # from 0 to where even the farthest estimates agree
        high = float((values.max() - values.min()) ** 2)
        for _ in range(_BISECTIONS):
            middle = (low + high) / 2
            _, chi_square = _weighted_mean(values, variances, middle)
            low, high = (middle, high) if chi_square > k - 1 else (low, middle)
    between = (low + high) / 2
    mean, _ = _weighted_mean(values, variances, between)
    return Combined(mean, float((1 / (variances + between)).sum()) ** -0.5, math.sqrt(between), birge)


def benjamini_hochberg(p_values: np.ndarray) -> np.ndarray:
    """Return p-values adjusted for false discoveries (Benjamini & Hochberg 1995).

    Rejecting those under 0.05 keeps false discoveries under 5 % of them.
    """
    # same as scipy.stats.false_discovery_control, whose import alone takes longer than this step
    k = len(p_values)
    order = np.argsort(p_values)
    scaled = p_values[order] * k / np.arange(1, k + 1)
    adjusted = np.empty(k)
    adjusted[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return adjusted


def _weighted_mean(values: np.ndarray, variances: np.ndarray, between: float) -> tuple[float, float]:
    """Return the weighted mean and the chi-square of the estimates about it."""
    weights = 1 / (variances + between)
    mean = float((weights * values).sum() / weights.sum())
    return mean, float((weights * (values - mean) ** 2).sum())
