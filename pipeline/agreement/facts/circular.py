"""Statistics of angles in degrees, where 359 and 1 are neighbours. Source: Zar, Biostatistical Analysis, chapters 26 and 27.

Differences of angles are taken on the near side, in (-180, 180], and on the far side, in (0, 360]. Where two trackers differ by about half
a turn the near side would tear their differences in two; `side_of` says by the mean direction which side they lie together on.
"""

import math
from typing import NamedTuple

import numpy as np
import polars as pl

from schemas.metrics import METRICS

NEAR, FAR = "", " far"


class Side(NamedTuple):
    """The side that differences are read on, and what is added to them to bring their mean into (-180, 180]; arrays of one shape."""

    far: np.ndarray
    less: np.ndarray


def mean_vector(degrees: np.ndarray) -> tuple[float, float]:
    """Direction in (-180, 180] and length of the mean of unit vectors; direction nan where they cancel out."""
    mean = complex(np.exp(1j * np.radians(degrees)).mean())
    return (math.degrees(math.atan2(mean.imag, mean.real)) if abs(mean) > 1e-9 else math.nan), abs(mean)


def circular_sd(length: np.ndarray | float) -> np.ndarray:
    """Circular standard deviation in degrees, sqrt(-2 ln R), from the length R of the mean unit vector."""
    return np.asarray(np.degrees(np.sqrt(-2 * np.log(np.clip(length, 1e-300, 1.0)))))


def sides(metric: str) -> tuple[str, ...]:
    """What the names of a metric's facts end in: an angle has two sets of them, one for each side."""
    return (NEAR, FAR) if METRICS[metric].circular else (NEAR,)


def side_of(cos: np.ndarray, sin: np.ndarray) -> Side:
    """The side away from whose cut the differences lie, from the sums of their cosines and sines."""
    far = cos < 0
    return Side(far, np.where(far & (sin < 0), -360.0, 0.0))


def difference(metric: str) -> pl.Expr:
    """b - a of a metric; a circular one wrapped to (-180, 180]."""
    plain = pl.col(f"b.{metric}") - pl.col(f"a.{metric}")
    return wrapped(plain) if METRICS[metric].circular else plain


def wrapped(degrees: pl.Expr) -> pl.Expr:
    """An angle brought to (-180, 180]."""
    return 180.0 - (180.0 - degrees) % 360.0


def on_side(differences: np.ndarray, side: str) -> np.ndarray:
    """Differences in (-180, 180] as they read on a side."""
    return np.where(differences <= 0, differences + 360.0, differences) if side == FAR else differences
