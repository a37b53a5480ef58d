"""Several estimates of one thing made into one, and many tests kept from crying wolf."""

import math
from typing import NamedTuple

import numpy as np


class Combined(NamedTuple):
    """Mean of estimates that scatter beyond their own errors, its standard error, the SD between them, and the Birge ratio."""

    mean: float
    se: float
    between_sd: float
    birge: float


def combine(values: np.ndarray, variances: np.ndarray) -> Combined:
    """Paule & Mandel's consensus mean (J Res NBS 1982;87:377): the variance between estimates is what brings chi-square to its mean."""
    k = len(values)
    fixed = _weighted(values, variances, 0.0)
    birge = math.sqrt(fixed[1] / (k - 1)) if k > 1 else 0.0
    low, high = 0.0, 0.0
    if birge > 1:
        # from 0 to where even the farthest estimates agree
        high = float((values.max() - values.min()) ** 2)
        for _ in range(100):
            middle = (low + high) / 2
            low, high = (middle, high) if _weighted(values, variances, middle)[1] > k - 1 else (low, middle)
    between = (low + high) / 2
    return Combined(
        _weighted(values, variances, between)[0],
        float((1 / (variances + between)).sum()) ** -0.5,
        math.sqrt(between),
        birge,
    )


def benjamini_hochberg(p_values: np.ndarray) -> np.ndarray:
    """Adjusted p-values: rejecting those under 0.05 keeps false discoveries under 5 % of them (Benjamini & Hochberg 1995)."""
    # as scipy.stats.false_discovery_control, whose import alone takes longer than all of this step
    k = len(p_values)
    order = np.argsort(p_values)
    scaled = p_values[order] * k / np.arange(1, k + 1)
    adjusted = np.empty(k)
    adjusted[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return adjusted


def _weighted(values: np.ndarray, variances: np.ndarray, between: float) -> tuple[float, float]:
    weights = 1 / (variances + between)
    mean = float((weights * values).sum() / weights.sum())
    return mean, float((weights * (values - mean) ** 2).sum())
