"""Contracts: the columns of a table with their types, units, definitions and limits. A contract is the only list of columns.

Made from it: the order and types of a frame (`conform`), the checks (`validate`), the warehouse table and its comments, the Parquet
field metadata, and the data dictionary in sql/README.md. Contracts are tuples of columns and not pandera classes, because importing
pandera takes 0.36 s and most steps only need the names of columns; `validate` builds the pandera schema from the contract.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import polars as pl

from pipeline.errors import PitchledgerError
from schemas.metrics import METRICS, TRAJECTORY

if TYPE_CHECKING:
    from pandera.polars import Check, DataFrameSchema

UTC_TIME = pl.Datetime("us", "UTC")
_AXES = {"x": "x (toward the catcher's right)", "y": "y (toward the mound)", "z": "z (up)"}
SHOWN_VALUES = 3


class Column(NamedTuple):
    """One column. `unit` is "" if it has none; `allowed` lists all values; `low` and `high` themselves are allowed."""

    name: str
    dtype: pl.DataType | type[pl.DataType]
    definition: str
    unit: str = ""
    nullable: bool = True
    allowed: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, eq=False)
class Contract:
    """One table. `row` says what one row is; `key` is unique (empty: rows may repeat); rows are sorted by `order`, then by key."""

    table: str
    row: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    order: tuple[str, ...] = ()

    @cached_property
    def names(self) -> tuple[str, ...]:
        """The column names in their order."""
        return tuple(column.name for column in self.columns)

    @property
    def by_night(self) -> bool:
        """Whether each row belongs to a baseball day; such tables are stored by season and month."""
        return any(column.name == "baseball_day" and not column.nullable for column in self.columns)

    def polars_schema(self) -> pl.Schema:
        """Return the columns and types of the frame."""
        return self._empty.schema

    def empty(self) -> pl.DataFrame:
        """Return the table without rows."""
        return self._empty.clone()

    @cached_property
    def _empty(self) -> pl.DataFrame:
        # Making one takes 0.5 ms, and a night needs each several times.
        return pl.DataFrame(schema={column.name: column.dtype for column in self.columns})


class ContractError(PitchledgerError):
    """A table breaks its contract: an error of the program, never of an export."""


def required(
    name: str, dtype: pl.DataType | type[pl.DataType], definition: str, unit: str = "", allowed: tuple[str, ...] = ()
) -> Column:
    """Return a column that is never null."""
    return Column(name, dtype, definition, unit, False, allowed)


def count(name: str, definition: str, unit: str = "rows") -> Column:
    """Return a column with a count: a whole number from 0, never null."""
    return Column(name, pl.UInt32, definition, unit, False)


def baseball_day() -> Column:
    """Return the column with the baseball day."""
    return required("baseball_day", pl.Date, "local date at the venue; the day changes at 4 am")


def share(name: str, definition: str, nullable: bool = True) -> Column:
    """Return a column from 0 to 1."""
    return Column(name, pl.Float64, definition, "ratio", nullable, (), 0.0, 1.0)


def metric_columns() -> tuple[Column, ...]:
    """Return the metric columns. They have no limits: the ledger may widen them, and plausibility.py checks them."""
    return tuple(Column(m.name, pl.Float64, m.definition, m.unit) for m in METRICS.values())


def trajectory_columns() -> tuple[Column, ...]:
    """Return the trajectory columns: position, velocity and acceleration (gravity included) at trajectory_y_ft."""
    kinds = {"ft": "position", "ft/s": "velocity", "ft/s^2": "acceleration (gravity included)"}
    return tuple(
        Column(
            name,
            pl.Float64,
            f"{kinds[unit]} of the ball along {_AXES[name.split('_')[1][-1]]}, at the point trajectory_y_ft from the plate's back tip",
            unit,
        )
        for name, unit in TRAJECTORY.items()
    )


def conform(frame: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """Return the frame with exactly the contract's columns, order and types. A missing nullable column becomes null.

    A frame without rows needs no columns. Raises ContractError if a column that is never null is missing, or if a value cannot become the
    column's type.
    """
    if frame.is_empty():
        return contract.empty()
    missing = [column.name for column in contract.columns if not column.nullable and column.name not in frame.columns]
    if missing:
        raise ContractError(
            f"table {contract.table}: missing column(s) {', '.join(missing)}; the frame has {', '.join(frame.columns)}"
        )
    try:
        return frame.select(_typed_column(column, column.name in frame.columns) for column in contract.columns)
    except pl.exceptions.PolarsError as problem:
        raise ContractError(f"table {contract.table}: {problem}") from problem


def _typed_column(column: Column, present: bool) -> pl.Expr:
    if present:
        return pl.col(column.name).cast(column.dtype)
    return pl.lit(None, dtype=column.dtype).alias(column.name)


def in_order(frame: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """Sort the rows by the contract's order and key, or by all columns: the same rows always give the same table."""
    by = (*contract.order, *(contract.key or contract.names))
    return frame.sort(*dict.fromkeys(by), nulls_last=False)


def validate(frame: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """Return the frame if it keeps the contract: columns, order, types, nulls, values, limits and a unique key.

    Raises ContractError with table, column, check and first values of every failure. Pandera writes the failures, but runs only if `keeps`
    finds one: it takes 0.6 s to start and 0.3 s for 300 columns, and a night takes two seconds. A test compares both verdicts.
    """
    if not keeps(frame, contract):
        raise ContractError("\n".join(failures_of(frame, contract)))
    return frame


def keeps(frame: pl.DataFrame, contract: Contract) -> bool:
    """Return whether the frame keeps its contract, in one pass of polars."""
    if frame.schema != contract.polars_schema():
        return False
    if frame.is_empty():
        return True
    if contract.key and frame.select(contract.key).is_duplicated().any():
        return False
    broken = [rule for column in contract.columns for rule in _violations(column)]
    return not frame.select(pl.any_horizontal(broken)).to_series().item() if broken else True


def _violations(column: Column) -> list[pl.Expr]:
    """Return one expression per rule of the column: whether any row breaks it."""
    cell, rules = pl.col(column.name), []
    if not column.nullable:
        rules.append(cell.is_null())
    if column.allowed:
        rules.append(~cell.is_in(column.allowed))
    if column.low is not None:
        rules.append(cell < column.low)
    if column.high is not None:
        rules.append(cell > column.high)
    if column.dtype == pl.Float64:
        rules.append(cell.is_nan())
    return [rule.any().alias(f"{column.name} {place}") for place, rule in enumerate(rules)]


def failures_of(frame: pl.DataFrame, contract: Contract) -> list[str]:
    """List what breaks the contract according to pandera, one line per column and check."""
    from pandera.errors import SchemaErrors

    lines = _nan_lines(frame, contract)
    try:
        pandera_schema(contract).validate(frame, lazy=True)
    except SchemaErrors as failures:
        lines += _failure_lines(contract, failures.failure_cases)
    return lines


def _nan_lines(frame: pl.DataFrame, contract: Contract) -> list[str]:
    """Report NaN, which is not null and passes every check of pandera: it would reach the analysts' averages."""
    rows = frame.select(pl.col(pl.Float64).is_nan().sum()).to_dicts()
    return [
        f"table {contract.table}, column {name}: NaN in {n} value(s); a value that was not measured must be null"
        for row in rows
        for name, n in row.items()
        if n
    ]


def pandera_schema(contract: Contract) -> "DataFrameSchema":
    """Return the contract as a pandera schema: strict, ordered, without coercion."""
    import pandera.polars as pa

    columns = {
        column.name: pa.Column(
            column.dtype,
            checks=_checks(column),
            nullable=column.nullable,
            description=column.definition,
            metadata={"unit": column.unit, "definition": column.definition},
        )
        for column in contract.columns
    }
    return pa.DataFrameSchema(
        columns, name=contract.table, strict=True, ordered=True, unique=list(contract.key) or None
    )


def _checks(column: Column) -> list["Check"]:
    import pandera.polars as pa

    if column.allowed:
        return [pa.Check.isin(column.allowed)]
    if column.low is not None and column.high is not None:
        return [pa.Check.in_range(column.low, column.high)]
    if column.low is not None:
        return [pa.Check.ge(column.low)]
    return []


def _failure_lines(contract: Contract, failures: pl.DataFrame) -> list[str]:
    """Return one line per column and check that failed, with the first values."""
    cases = failures.select("column", "check", pl.col("failure_case").cast(pl.String), "index")
    lines = cases.group_by("column", "check", maintain_order=True).agg(
        pl.len().alias("rows"),
        pl.col("failure_case").unique(maintain_order=True).head(SHOWN_VALUES),
        pl.col("index").head(SHOWN_VALUES),
    )
    return [_failure_line(contract.table, *row) for row in lines.iter_rows()]


def _failure_line(
    table: str, column: str | None, check: str, rows: int, values: Iterable[str | None], index: Iterable[int | None]
) -> str:
    where = ", ".join(str(row) for row in index if row is not None)
    first = ", ".join(str(value) for value in values)
    return f"table {table}, column {column}: {check} fails on {rows} value(s), first {first}" + (
        f" (row {where})" if where else ""
    )
