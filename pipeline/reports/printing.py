"""Printing for people: tables and sentences that fit a terminal, a log or an e-mail; what comes from exports is shown harmless."""

import re
import shutil
import sys
from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from typing import Literal

from rich.console import Console
from rich.table import Table
from rich.text import Text

Justify = Literal["left", "right"]
NARROWEST = 80
LOG_WIDTH = 100
_CONTROLS = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


def console() -> Console:
    """Standard output: as wide as the terminal, or 100 columns in a log."""
    width = max(NARROWEST, shutil.get_terminal_size().columns) if sys.stdout.isatty() else LOG_WIDTH
    return Console(width=width, highlight=False, soft_wrap=False)


def harmless(value: object) -> Text:
    """A value as plain text: no markup, no control or direction-turning signs."""
    return Text("" if value is None else _CONTROLS.sub("\N{REPLACEMENT CHARACTER}", str(value)))


def make_table(
    title: str,
    columns: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    numbers_from: int = 1,
    whole: Collection[str] = (),
) -> Table:
    """A plain table; columns from `numbers_from` on are set to the right, those in `whole` are never broken into lines."""
    table = Table(
        title=title or None, title_justify="left", title_style="bold", box=None, pad_edge=False, show_edge=False
    )
    for place, name in enumerate(columns):
        justify: Justify = "right" if place >= numbers_from else "left"
        table.add_column(harmless(name), justify=justify, overflow="fold", no_wrap=name in whole)
    for row in rows:
        table.add_row(*(harmless(value) for value in row))
    return table


def in_full(value: object) -> str:
    """A value of a query's answer as a person reads it: numbers to six significant figures and without powers of ten, lists with commas."""
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:,.0f}".replace(",", "") if abs(value) >= 1e6 else f"{value:.6g}"
    if isinstance(value, datetime):
        return value.isoformat(sep=" ", timespec="milliseconds" if value.microsecond else "seconds").replace(
            "+00:00", ""
        )
    return ", ".join(in_full(part) for part in value) if isinstance(value, list) else str(value)


def print_rows(
    columns: Sequence[str], rows: Sequence[Sequence[object]], numbers: Collection[str], out: Console
) -> None:
    """Print rows as a table where it fits the width; else each row as a block with one line a column."""
    texts = [[in_full(value) for value in row] for row in rows]
    widths = [max(len(text) for text in (name, *column)) for name, *column in zip(columns, *texts, strict=True)]
    if sum(widths) + 2 * len(widths) <= out.width or len(columns) == 1:
        table = make_table("", columns, texts, numbers_from=len(columns))
        for column, name in zip(table.columns, columns, strict=True):
            column.justify = "right" if name in numbers else "left"
        out.print(table)
        return
    longest = max(map(len, columns))
    for place, row in enumerate(texts, 1):
        out.print(f"row {place}", style="bold")
        for name, text in zip(columns, row, strict=True):
            out.print(harmless(f"  {name:<{longest}}  {text}"))
