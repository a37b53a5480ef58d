"""Parquet: typed columns as text, structs and lists flattened by path as in JSON."""

from io import BytesIO

import polars as pl

from pipeline.exports.readers.raw import (
    FILE_ROW,
    MAX_CELLS,
    MAX_COLUMNS,
    Problems,
    RawExport,
    UnreadableExport,
    header_names,
)
from pipeline.settings.profile_tables import FileTable

# size in memory; compressed zeros shrink a thousandfold
MAX_UNPACKED_BYTES = 1024 * 2**20
_LONGEST_LIST = 64


def read_parquet(data: bytes, file: FileTable) -> RawExport:
    """Read a Parquet file's bytes. Raises UnreadableExport, also where it unpacks to more than an export can hold."""
    if not (data.startswith(b"PAR1") and data.endswith(b"PAR1")):
        raise UnreadableExport(
            "the file is not Parquet, or is cut off: PAR1 is missing at its start or end", "export the file again"
        )
    _check_shape(data)
    try:
        frame = pl.read_parquet(BytesIO(data))
    except Exception as error:  # the parser's errors are of many kinds
        raise UnreadableExport(f"the Parquet file is damaged: {str(error)[:200]}", "export the file again") from None
    cells = _as_text(_flat(frame), file.decimal)
    cells = cells.rename(dict(zip(cells.columns, header_names(cells.columns), strict=True)))
    rows = pl.int_range(1, cells.height + 1, dtype=pl.UInt32, eager=True).alias(FILE_ROW)
    return RawExport(cells.with_columns(rows), {}, Problems([]).frame(), cells.height)


def _check_shape(data: bytes) -> None:
    import pyarrow.parquet

    try:
        facts = pyarrow.parquet.read_metadata(BytesIO(data))  # type: ignore[no-untyped-call]
    except Exception as error:
        raise UnreadableExport(f"the Parquet file is damaged: {str(error)[:200]}", "export the file again") from None
    unpacked = sum(facts.row_group(place).total_byte_size for place in range(facts.num_row_groups))
    if unpacked > MAX_UNPACKED_BYTES:
        raise UnreadableExport(
            f"the file unpacks to {unpacked / 2**20:.0f} MB, more than {MAX_UNPACKED_BYTES / 2**20:.0f} MB",
            "export it in parts",
        )
    if facts.num_columns > MAX_COLUMNS or facts.num_rows * facts.num_columns > MAX_CELLS:
        raise UnreadableExport(
            f"the file has {facts.num_rows} rows of {facts.num_columns} columns, more than {MAX_CELLS} cells or {MAX_COLUMNS} columns",
            "export it in parts",
        )


def _flat(frame: pl.DataFrame) -> pl.DataFrame:
    """Turn structs and short lists into columns by path, until no nested column is left."""
    while nested := [name for name, dtype in frame.schema.items() if dtype.is_nested()]:
        parts = [_opened(frame[name]) if name in nested else frame.select(pl.col(name)) for name in frame.columns]
        frame = pl.concat(parts, how="horizontal")
    return frame


def _opened(column: pl.Series) -> pl.DataFrame:
    if isinstance(column.dtype, pl.Struct):
        return column.struct.unnest().rename(lambda field: f"{column.name}.{field}")
    if isinstance(column.dtype, pl.Array):
        column = column.arr.to_list()
    longest = int(column.list.len().max() or 0)  # type: ignore[arg-type]
    if longest > _LONGEST_LIST:
        # not the bare number, which would pass for a reading
        return column.to_frame().select(
            pl.format("a list of {} values", pl.col(column.name).list.len()).alias(column.name)
        )
    return pl.DataFrame(
        [column.list.get(place, null_on_oob=True).alias(f"{column.name}.{place}") for place in range(longest)]
    )


def _as_text(frame: pl.DataFrame, decimal: str) -> pl.DataFrame:
    return frame.select(_text(name, dtype, decimal) for name, dtype in frame.schema.items())


def _text(name: str, dtype: pl.DataType, decimal: str) -> pl.Expr:
    column = pl.col(name)
    if dtype == pl.Binary:
        # the engine's cast fails for the complete column at the first bytes that are not text
        return column.map_batches(lambda held: pl.Series(map(_bytes_as_text, held), dtype=pl.String), pl.String)
    if isinstance(dtype, pl.Datetime):
        return column.dt.to_string("iso:strict" if dtype.time_zone else "iso")
    text = column.cast(pl.String, strict=False)
    return text.str.replace(".", decimal, literal=True) if dtype.is_float() and decimal != "." else text


def _bytes_as_text(held: bytes | None) -> str | None:
    """Return bytes as text, or as hex digits where they are not UTF-8, so that they are reported and not lost."""
    if held is None:
        return None
    try:
        return held.decode("utf-8")
    except UnicodeDecodeError:
        return f"0x{held.hex()}"
