"""Write tables as Parquet, one file per third of a month; files without a changed night are hard links into the previous version."""

from collections.abc import Collection
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl

from pipeline.durable_files import link_or_copy, polars_disk_errors
from schemas.contract import Contract, in_order

# First days of a month's three files. A night rewrites its file; late in a month, a file for the complete month would cost as much as the
# rest of the night.
PARTS_BEGIN = (1, 11, 21)


class Unchanged(NamedTuple):
    """What stays the same in a table: the files of the previous version (`folder`), except the rows of `nights`."""

    folder: Path
    nights: Collection[date]


def write_table_files(
    frame: pl.DataFrame, contract: Contract, folder: Path, version: str, unchanged: Unchanged | None
) -> None:
    """Write a table into `folder`: one file, or one file per third of a month of the baseball day.

    A table without rows becomes one empty file, so that readers still see its columns. `unchanged` is None where `frame` has all rows.
    """
    schema = parquet_schema(contract, version)
    single_file = folder / f"{contract.table}.parquet"
    if not contract.by_night:
        return _write_file(frame, schema, single_file)
    begins = frame.group_by(_part_begins()) if frame.height else ()
    parts = {_part_file(folder, first, contract): rows for (first,), rows in begins}
    linked = 0
    if unchanged is not None:
        parts = _with_unchanged_rows(parts, contract, folder, unchanged)
        linked = _link_unchanged_files(contract, folder, unchanged)
    for path, rows in parts.items():
        _write_file(rows, schema, path)
    if not parts and not linked:
        _write_file(contract.empty(), schema, single_file)
    return None


def _with_unchanged_rows(
    fresh: dict[Path, pl.DataFrame], contract: Contract, folder: Path, unchanged: Unchanged
) -> dict[Path, pl.DataFrame]:
    """Return the changed files completely: their new rows, and the previous rows of their other nights."""
    complete = {}
    for path in {_part_file(folder, day, contract) for day in unchanged.nights}:
        previous = _rows_of_other_nights(unchanged.folder / path.relative_to(folder), contract, unchanged.nights)
        both = [rows for rows in (previous, fresh.get(path)) if rows is not None and rows.height]
        if both:
            complete[path] = _sort_nights(pl.concat(both), contract)
    return complete


def _sort_nights(rows: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """Sort like `in_order`, for rows already in order within each night: where the day comes first, only nights need sorting."""
    if contract.order[:1] == ("baseball_day",):
        days = rows["baseball_day"]
        return rows if days.is_sorted() else rows.sort("baseball_day", maintain_order=True)
    return in_order(rows, contract)


def _link_unchanged_files(contract: Contract, folder: Path, unchanged: Unchanged) -> int:
    """Link the previous files without any changed night; return how many."""
    old = unchanged.folder
    replaced = {_part_file(old, day, contract) for day in unchanged.nights} | {old / f"{contract.table}.parquet"}
    kept = [path for path in old.rglob("*.parquet") if path not in replaced]
    for path in kept:
        link_or_copy(path, folder / path.relative_to(old))
    return len(kept)


def _part_begins() -> pl.Expr:
    """Return the first day of the third of a month that holds each row's night."""
    day = pl.col("baseball_day")
    begins = pl.max_horizontal(pl.when(day.dt.day() >= first).then(first) for first in PARTS_BEGIN)
    return day.dt.replace(day=begins)


def _part_file(folder: Path, day: date, contract: Contract) -> Path:
    """Return the file that holds a night's rows."""
    begins = max(first for first in PARTS_BEGIN if first <= day.day)
    return folder / f"season={day:%Y}" / f"month={day:%m}" / f"{contract.table}-from-{begins:02}.parquet"


def _rows_of_other_nights(file: Path, contract: Contract, nights: Collection[date]) -> pl.DataFrame | None:
    if not file.is_file():
        return None
    rows = pl.read_parquet(file, hive_partitioning=False).select(contract.names)
    return rows.filter(~pl.col("baseball_day").is_in(list(nights)))


def _write_file(frame: pl.DataFrame, schema: Any, path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with polars_disk_errors():
        # Level 1 takes a third less time than the default 3 for a file a fifth larger (measured on a late night of a month).
        frame.write_parquet(
            path, compression="zstd", compression_level=1, arrow_schema=schema, metadata=schema_metadata(schema)
        )


def schema_metadata(schema: Any) -> dict[str, str]:
    """Return the Arrow schema's metadata as text, for the place where readers other than Arrow look for it."""
    return {key.decode(): value.decode() for key, value in schema.metadata.items()}


def parquet_schema(contract: Contract, version: str) -> Any:
    """Return the Arrow schema: each field with its unit and definition, the schema with its table and version, as metadata."""
    import pyarrow

    fields = [
        pyarrow.field(  # type: ignore[attr-defined]
            column.name,
            _arrow_type(column.dtype),
            column.nullable,
            {"unit": column.unit, "definition": column.definition},
        )
        for column in contract.columns
    ]
    return pyarrow.schema(fields, {"table": contract.table, "row": contract.row, "written_in": version})  # type: ignore[attr-defined]


@cache
def _arrow_type(dtype: pl.DataType | type[pl.DataType]) -> Any:
    """Return the Arrow type as which polars writes a type."""
    return pl.Series(dtype=dtype).to_arrow().type
