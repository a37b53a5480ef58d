"""What a table is: its columns, their types, units, definitions and limits. One `Contract` per table is the only list of columns.

From it are made: the order and types of a frame (`conform`), the checks (`validate`), the warehouse's table and its comments, the
Parquet field metadata, and the data dictionary in sql/README.md. Contracts are plain tuples and not pandera classes, so that a step which
only needs the names of columns does not pay for the import of pandera (0.36 s); `validate` builds the pandera schema from them.
"""

from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

import polars as pl

from pipeline.errors import PitchledgerError
from schemas.metrics import METRICS, TRAJECTORY

if TYPE_CHECKING:
    from pandera.polars import Check, DataFrameSchema

UTC_TIME = pl.Datetime("us", "UTC")
SHOWN_VALUES = 3


class Column(NamedTuple):
    """One column. `unit` is "" where it has none; `allowed` closes the list of values, `low` and `high` are both allowed themselves."""

    name: str
    dtype: pl.DataType | type[pl.DataType]
    definition: str
    unit: str = ""
    nullable: bool = True
    allowed: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None


class Contract(NamedTuple):
    """One table. `row` says what one row is; `key` is unique (empty: rows may repeat); rows are stored in `order`, then by key."""

    table: str
    row: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    order: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """The columns' names in their order."""
        return tuple(column.name for column in self.columns)

    @property
    def by_night(self) -> bool:
        """Whether rows belong to a baseball day: such tables are stored by season and month."""
        return any(column.name == "baseball_day" and not column.nullable for column in self.columns)

    def polars_schema(self) -> pl.Schema:
        """The frame's columns and types."""
        return pl.Schema({column.name: column.dtype for column in self.columns})

    def empty(self) -> pl.DataFrame:
        """The table with no row."""
        return pl.DataFrame(schema=self.polars_schema())


class ContractError(PitchledgerError):
    """A table of ours does not keep its contract: a fault of the program, never of an export."""


def required(
    name: str, dtype: pl.DataType | type[pl.DataType], definition: str, unit: str = "", allowed: tuple[str, ...] = ()
) -> Column:
    """A column that is never null."""
    return Column(name, dtype, definition, unit, False, allowed)


def count(name: str, definition: str, unit: str = "rows") -> Column:
    """A column that counts: a whole number from 0, never null."""
    return Column(name, pl.UInt32, definition, unit, False)


def share(name: str, definition: str, nullable: bool = True) -> Column:
    """A column from 0 to 1."""
    return Column(name, pl.Float64, definition, "ratio", nullable, (), 0.0, 1.0)


def metric_columns() -> tuple[Column, ...]:
    """The metrics of the common schema. Limits are settings of the ledger and checked there: a wider limit must not break the table."""
    return tuple(Column(m.name, pl.Float64, m.definition, m.unit) for m in METRICS.values())


def trajectory_columns() -> tuple[Column, ...]:
    """The trajectory where a tracker gives it: position, velocity and acceleration (gravity in) at trajectory_y_ft."""
    kinds = {"ft": "position", "ft/s": "velocity", "ft/s^2": "acceleration, gravity in,"}
    return tuple(
        Column(
            name,
            pl.Float64,
            f"{kinds[unit]} of the ball at trajectory_y_ft from the plate's back tip, axis {name.split('_')[1][-1]}",
            unit,
        )
        for name, unit in TRAJECTORY.items()
    )


def conform(frame: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """The frame with exactly the contract's columns, in its order and types. A missing nullable column becomes null.

    Raises ContractError where a column that is never null is missing, or where a value can't become the column's type.
    """
    missing = [column.name for column in contract.columns if not column.nullable and column.name not in frame.columns]
    if missing and frame.height:
        raise ContractError(
            f"table {contract.table}: missing column(s) {', '.join(missing)}; the frame has {', '.join(frame.columns)}"
        )
    try:
        return frame.select(_as_stated(column, column.name in frame.columns) for column in contract.columns)
    except pl.exceptions.PolarsError as problem:
        raise ContractError(f"table {contract.table}: {problem}") from problem


def _as_stated(column: Column, present: bool) -> pl.Expr:
    if present:
        return pl.col(column.name).cast(column.dtype)
    return pl.lit(None, dtype=column.dtype).alias(column.name)


def in_order(frame: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """The rows in the contract's order, down to the last column where there is no key: the same rows always give the same table."""
    by = (*contract.order, *(contract.key or contract.names))
    return frame.sort(*dict.fromkeys(by), nulls_last=False)


def validate(frame: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """The same frame, if it keeps the contract: columns, order, types, nulls, values, limits and a unique key.

    Every failure is told at once. Pandera judges and words them; it is called where the quick look says that there is something to tell,
    because 300 columns cost it 0.3 s after 0.6 s of start, in a night of two seconds (a test holds both to the same verdict).
    Raises ContractError naming table, column, check and the first values of each failure.
    """
    if not keeps(frame, contract):
        raise ContractError("\n".join(failures_of(frame, contract)))
    return frame


def keeps(frame: pl.DataFrame, contract: Contract) -> bool:
    """Whether the frame keeps its contract, in one pass of polars."""
    if frame.schema != contract.polars_schema():
        return False
    if contract.key and frame.select(contract.key).is_duplicated().any():
        return False
    broken = [rule for column in contract.columns for rule in _broken(column)]
    return not frame.select(pl.any_horizontal(broken)).to_series().item() if broken else True


def _broken(column: Column) -> list[pl.Expr]:
    """One expression a rule of the column: whether any row breaks it."""
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
    """What breaks the contract by pandera's judgement, one line for each column and check; empty where nothing does."""
    from pandera.errors import SchemaErrors

    told = _not_a_number(frame, contract)
    try:
        pandera_schema(contract).validate(frame, lazy=True)
    except SchemaErrors as failures:
        told += _told(contract, failures.failure_cases)
    return told


def _not_a_number(frame: pl.DataFrame, contract: Contract) -> list[str]:
    """NaN is not null and passes every comparison of pandera's: it would reach the analysts' averages."""
    rows = frame.select(pl.col(pl.Float64).is_nan().sum()).to_dicts()
    return [
        f"table {contract.table}, column {name}: NaN on {n} value(s); not measured is null"
        for row in rows
        for name, n in row.items()
        if n
    ]


def pandera_schema(contract: Contract) -> "DataFrameSchema":
    """The contract as a pandera schema: strict, ordered, nothing coerced."""
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


def _told(contract: Contract, failures: pl.DataFrame) -> list[str]:
    """One line for each column and check that failed, with the first values that failed it."""
    said = failures.select("column", "check", pl.col("failure_case").cast(pl.String), "index")
    lines = said.group_by("column", "check", maintain_order=True).agg(
        pl.len().alias("rows"),
        pl.col("failure_case").unique(maintain_order=True).head(SHOWN_VALUES),
        pl.col("index").head(SHOWN_VALUES),
    )
    return [_line(contract.table, *row) for row in lines.iter_rows()]


def _line(
    table: str, column: str | None, check: str, rows: int, values: Iterable[str | None], index: Iterable[int | None]
) -> str:
    where = ", ".join(str(row) for row in index if row is not None)
    first = ", ".join(str(value) for value in values)
    return f"table {table}, column {column}: {check} fails on {rows} value(s), first {first}" + (
        f" (row {where})" if where else ""
    )
