"""Statistics of angles in degrees, where 359 and 1 are neighbours. Source: Zar, Biostatistical Analysis, chapters 26 and 27."""

import math

import numpy as np


def mean_vector(degrees: np.ndarray) -> tuple[float, float]:
    """Direction in (-180, 180] and length of the mean of unit vectors; direction nan where they cancel out."""
    mean = complex(np.exp(1j * np.radians(degrees)).mean())
    return (math.degrees(math.atan2(mean.imag, mean.real)) if abs(mean) > 1e-9 else math.nan), abs(mean)


def circular_sd(length: float) -> float:
    """Circular standard deviation in degrees, sqrt(-2 ln R), from the length R of the mean unit vector."""
    return math.degrees(math.sqrt(-2 * math.log(min(max(length, 1e-300), 1.0))))
