"""Array types of the matching, and what numpy lacks or does slowly."""

from typing import Any, TypeAlias

import numpy as np
import polars as pl
from numpy.typing import NDArray

Ints: TypeAlias = NDArray[np.integer[Any]]
Floats: TypeAlias = NDArray[np.floating[Any]]
Singles: TypeAlias = NDArray[np.float32]
Bools: TypeAlias = NDArray[np.bool_]
PolarsType: TypeAlias = pl.DataType | type[pl.DataType]


def median(values: Floats) -> float:
    """Return the median of a few values, none of them nan.

    The one of numpy takes ten times as long.
    """
    ordered, half = np.sort(values), len(values) // 2
    return float(ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2)


def medians(values: Floats) -> Floats:
    """Return the medians along the last axis, nan where it is empty.

    The one of numpy warns there, and is slow.
    """
    if not values.shape[-1]:
        return np.full(values.shape[:-1], np.nan)
    rows = np.sort(values).reshape(-1, values.shape[-1])
    count, row = (~np.isnan(rows)).sum(axis=1), np.arange(len(rows))
    middle = (rows[row, np.maximum(count - 1, 0) // 2] + rows[row, count // 2]) / 2
    return np.where(count > 0, middle, np.nan).reshape(values.shape[:-1])


def ranges(start: Ints, size: Ints) -> Ints:
    """Concatenate the ranges start[k], start[k] + 1, ... with size[k] numbers each."""
    return np.asarray(np.arange(int(size.sum())) + np.repeat(start - (np.cumsum(size) - size), size))


def gather(by_pair: list[Bools], pair: Ints, position: Ints) -> Bools:
    """Return by_pair[pair[k]][position[k]] for every k."""
    sizes = np.array([len(values) for values in by_pair], dtype=np.int64)
    values = np.concatenate([np.zeros(0, dtype=bool), *by_pair])
    return np.asarray(values[(np.cumsum(sizes) - sizes)[pair] + position])
