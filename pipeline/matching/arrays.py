"""Names of the arrays that the matching passes about."""

from typing import Any, TypeAlias

import numpy as np
import polars as pl
from numpy.typing import NDArray

Ints: TypeAlias = NDArray[np.integer[Any]]
Floats: TypeAlias = NDArray[np.floating[Any]]
Singles: TypeAlias = NDArray[np.float32]
Bools: TypeAlias = NDArray[np.bool_]
PolarsType: TypeAlias = pl.DataType | type[pl.DataType]
