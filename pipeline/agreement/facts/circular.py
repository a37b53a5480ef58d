"""Statistics of angles in degrees, where 359 and 1 are neighbors.

Source: Zar, Biostatistical Analysis, chapters 26 and 27. A difference of angles is kept on two branches: near, in (-180, 180], and far,
in (0, 360]. Where two trackers differ by about half a turn, the near branch would split their differences in two. `choose_branch` takes
the branch on which they lie together, by their mean direction.
"""

import math
from typing import NamedTuple, TypeVar

import numpy as np
import polars as pl

from schemas.metrics import METRICS

# What the column names of a metric's facts end in, by branch.
NEAR = ""
FAR = " far"

Degrees = TypeVar("Degrees", np.ndarray, pl.Expr)


class Branch(NamedTuple):
    """The branch that differences are read on, and the offset to add.

    The offset brings their mean into (-180, 180]. Arrays of one shape.
    """

    far: np.ndarray
    offset: np.ndarray


def mean_vector(degrees: np.ndarray) -> tuple[float, float]:
    """Return direction in (-180, 180] and length of the mean unit vector.

    The direction is nan where the vectors cancel out.
    """
    mean = complex(np.exp(1j * np.radians(degrees)).mean())
    return (math.degrees(math.atan2(mean.imag, mean.real)) if abs(mean) > 1e-9 else math.nan), abs(mean)


def circular_sd(length: np.ndarray | float) -> np.ndarray:
    """Return the circular standard deviation in degrees, sqrt(-2 ln R).

    R is the length of the mean unit vector.
    """
    return np.asarray(np.degrees(np.sqrt(-2 * np.log(np.clip(length, 1e-300, 1.0)))))


def branches(metric: str) -> tuple[str, ...]:
    """Return the endings of a metric's fact columns: an angle has one set per branch."""
    return (NEAR, FAR) if METRICS[metric].circular else (NEAR,)


def choose_branch(cos: np.ndarray, sin: np.ndarray) -> Branch:
    """Choose the branch whose cut is opposite the mean direction.

    `cos` and `sin` are sums over the differences.
    """
    far = cos < 0
    return Branch(far, np.where(far & (sin < 0), -360.0, 0.0))


def difference(metric: str) -> pl.Expr:
    """b - a of a metric; for an angle wrapped to (-180, 180]."""
    plain = pl.col(f"b.{metric}") - pl.col(f"a.{metric}")
    return wrap_angle(plain) if METRICS[metric].circular else plain


def wrap_angle(degrees: Degrees) -> Degrees:
    """Wrap an angle to (-180, 180]."""
    wrapped: Degrees = 180.0 - (180.0 - degrees) % 360.0
    return wrapped


def on_branch(differences: np.ndarray, branch: str) -> np.ndarray:
    """Move differences in (-180, 180] to a branch."""
    return np.where(differences <= 0, differences + 360.0, differences) if branch == FAR else differences
