"""Write the quarantine as CSV files that are safe to open in a spreadsheet."""

import re
from pathlib import Path

import polars as pl

from pipeline.durable_files import polars_disk_errors

# text that a spreadsheet runs as a formula, with the full-width signs of East Asian keyboards
_FORMULA = r"^ *[=+\-@\t\r\n＝＋－＠]"
# a number, which may begin with a sign without being a formula
_NUMBER = r"^[+-]?\d+([.,]\d+)?([eE][+-]?\d+)?$"


def write_quarantine(quarantine: pl.DataFrame, folder: Path) -> None:
    """Write one file per tracker for files and rows, and one for single values that were left out."""
    folder.mkdir()
    safe = escape_formulas(quarantine)
    for (tracker, is_value), lines in safe.group_by(
        quarantine["tracker"], quarantine["level"] == "value", maintain_order=True
    ):
        name = f"{re.sub(r'[^A-Za-z0-9_-]', '_', str(tracker))}{'_values' if is_value else ''}.csv"
        # Without a byte order mark, spreadsheets assume a legacy code page and garble accented names.
        with polars_disk_errors():
            lines.select(quarantine.columns).write_csv(folder / name, include_bom=True)


def escape_formulas(frame: pl.DataFrame) -> pl.DataFrame:
    """Return the frame with no text and no column name that a spreadsheet would run as a formula."""
    safe = frame.with_columns(escaped(name) for name, dtype in frame.schema.items() if dtype == pl.String)
    names = pl.DataFrame({"name": frame.columns}, schema={"name": pl.String}).select(escaped("name")).to_series()
    return safe.rename(dict(zip(frame.columns, names, strict=True)))


def escaped(name: str) -> pl.Expr:
    """Put an apostrophe before a cell that a spreadsheet would run; leading spaces do not hide a formula from it."""
    cell = pl.col(name)
    is_formula = cell.str.contains(_FORMULA) & ~cell.str.contains(_NUMBER)
    return pl.when(is_formula).then(pl.lit("'") + cell).otherwise(cell).alias(name)
