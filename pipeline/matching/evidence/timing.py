"""Densities of the time difference of one pitch's two records.

Time differences are residuals about the clock path.
"""

import math

import numpy as np

from pipeline.matching.data.arrays import Floats
from pipeline.matching.data.streams import COARSE_S

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Spread of a device's own timing error in seconds, beyond the rounding of its stamp.
_DEVICE_SD_S = 0.3
# The same beside a coarse stamp, whose width hides any smaller error.
_COARSE_DEVICE_VARIANCE = 1.0
# Share of pairs whose time difference is an outlier.
_OUTLIER_SHARE = 0.015
# An outlier's spread is this many times the usual spread ...
_OUTLIER_FACTOR = 3
# ... plus this many seconds.
_OUTLIER_EXTRA_S = 0.8


def start_sigma(first_resolution_s: float, second_resolution_s: float) -> float:
    """Return the spread of time differences to start with.

    It comes from the devices' own errors and the rounding of the stamps. A stamp rounded to a width w has variance w^2
    / 12. A coarse stamp is a box of its own (`box_density`), so that only the finer stamp counts for the spread.
    """
    low, high = sorted((first_resolution_s, second_resolution_s))
    if high > COARSE_S:
        return math.sqrt(_COARSE_DEVICE_VARIANCE + low**2 / 12)
    return math.sqrt(_DEVICE_SD_S**2 + (low**2 + high**2) / 12)


def density(residual_s: Floats, sigma_s: Floats | float) -> Floats:
    """Return the density per second of a residual of fine stamps.

    A normal with an outlier normal mixed in.
    """
    usual = (1 - _OUTLIER_SHARE) * _normal(residual_s, sigma_s)
    return usual + _OUTLIER_SHARE * _normal(residual_s, _OUTLIER_FACTOR * sigma_s + _OUTLIER_EXTRA_S)


def box_density(residual_s: Floats, sigma_s: Floats | float, resolution_s: Floats | float) -> Floats:
    """Return the density per second of a residual of coarse stamps.

    A box of one stamp's width with soft edges.
    """
    half = resolution_s / 2
    return (normal_cdf((residual_s + half) / sigma_s) - normal_cdf((residual_s - half) / sigma_s)) / resolution_s


def _normal(x: Floats, sigma: Floats | float) -> Floats:
    return np.asarray(np.exp(-0.5 * (x / sigma) ** 2) / (math.sqrt(2 * math.pi) * sigma))


_CDF_X = np.linspace(-6, 6, 2401)
_CDF = np.array([0.5 * math.erfc(-x / math.sqrt(2)) for x in _CDF_X.tolist()])


def normal_cdf(x: Floats) -> Floats:
    """Return the normal distribution function to 1e-6, from a table.

    Importing scipy.special costs a run 0.4 s.
    """
    return np.asarray(np.interp(x, _CDF_X, _CDF))
