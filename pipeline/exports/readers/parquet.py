"""Parquet: typed columns as text, structs and lists flattened by path as in JSON."""

from io import BytesIO

import polars as pl

from pipeline.exports.readers.raw import (
    FILE_ROW,
    Problems,
    RawExport,
    UnreadableExport,
    check_shape,
    check_text_size,
    header_names,
)
from pipeline.settings.profile_tables import FileTable

# size in memory; compressed zeros shrink a thousandfold
MAX_UNPACKED_BYTES = 1024 * 2**20
_LONGEST_LIST = 64
# days from 1970-01-01 to the first and last day that a date of ISO 8601 with four digits can be
_FIRST_DAY, _LAST_DAY = -719_162, 2_932_896
_STEPS_PER_DAY = {"ms": 86_400_000, "us": 86_400_000_000, "ns": 86_400_000_000_000}


def read_parquet(data: bytes, file: FileTable) -> RawExport:
    """Read a Parquet file's bytes. Raises UnreadableExport, also where it unpacks to more than an export can hold."""
    if not (data.startswith(b"PAR1") and data.endswith(b"PAR1")):
        raise UnreadableExport(
            "the file is not Parquet, or is cut off: PAR1 is missing at its start or end", "export the file again"
        )
    _check_shape(data)
    try:
        frame = pl.read_parquet(BytesIO(data))
    except MemoryError:
        raise
    except Exception as error:  # the parser's errors are of many kinds
        raise UnreadableExport(f"the Parquet file is damaged: {str(error)[:200]}", "export the file again") from None
    flat = _flat(frame)
    check_shape(flat.height, flat.width)
    check_text_size(_text_size(flat))
    cells = _as_text(flat, file.decimal)
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
    check_shape(facts.num_rows, facts.num_columns)


def _text_size(frame: pl.DataFrame) -> int:
    """Return the bytes of all texts. The frame itself holds a text that many cells share only once; later steps would copy it."""
    sizes = {
        pl.String: lambda column: column.str.len_bytes(),
        pl.Binary: lambda column: column.bin.size(),
        pl.Categorical: lambda column: column.cat.len_bytes(),
        pl.Enum: lambda column: column.cat.len_bytes(),
    }
    texts = [
        sizes[dtype.base_type()](pl.col(name)) for name, dtype in frame.schema.items() if dtype.base_type() in sizes
    ]
    # a row's sum may exceed 32 bits
    totals = frame.select(size.cast(pl.UInt64).sum().alias(f"{place}") for place, size in enumerate(texts))
    return sum(totals.row(0)) if texts else 0


def _flat(frame: pl.DataFrame) -> pl.DataFrame:
    """Turn structs and short lists into columns by path, until no nested column is left."""
    while nested := [name for name, dtype in frame.schema.items() if isinstance(dtype, _OPENED)]:
        parts = [_opened(frame[name]) if name in nested else frame.select(pl.col(name)) for name in frame.columns]
        frame = pl.concat(parts, how="horizontal")
    return frame


_OPENED = (pl.Struct, pl.List, pl.Array)


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
    if isinstance(dtype, pl.Date | pl.Datetime | pl.Time):
        return _moment_text(column, dtype)
    if isinstance(dtype, pl.Duration):
        return column.dt.to_string("iso")
    if dtype.is_nested():  # a map: a person sees that there is something, and it passes for no reading
        return pl.when(column.is_not_null()).then(pl.lit("a map of keys and values")).alias(name)
    text = column.cast(pl.String, strict=False)
    return text.str.replace(".", decimal, literal=True) if dtype.is_float() and decimal != "." else text


def _moment_text(column: pl.Expr, dtype: pl.DataType) -> pl.Expr:
    """Return dates and times in ISO 8601; one beyond its years, for which the engine has no text, as the number that the file holds."""
    number, day = column.to_physical(), 1
    first, last = _FIRST_DAY, _LAST_DAY
    if isinstance(dtype, pl.Time):
        first, last, day = 0, 0, _STEPS_PER_DAY["ns"]
    elif isinstance(dtype, pl.Datetime):
        day = _STEPS_PER_DAY[dtype.time_unit]
    # a stamp of nanoseconds can't leave these years, and its limits would not fit into 64 bits
    low, high = max(first * day, -(2**63)), min((last + 1) * day, 2**63) - 1
    is_known = number.cast(pl.Int64).is_between(low, high)
    with_zone = isinstance(dtype, pl.Datetime) and dtype.time_zone
    text = pl.when(is_known).then(column).dt.to_string("iso:strict" if with_zone else "iso")
    return pl.coalesce(text, pl.format("{} is not a date or time", number)).alias(column.meta.output_name())


def _bytes_as_text(held: bytes | None) -> str | None:
    """Return bytes as text, or as hex digits where they are not UTF-8, so that they are reported and not lost."""
    if held is None:
        return None
    try:
        return held.decode("utf-8")
    except UnicodeDecodeError:
        return f"0x{held.hex()}"
