"""Print tables and sentences that fit a terminal, a log or an e-mail. Text from exports cannot control the terminal."""

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
# columns of the narrowest terminal that tables are laid out for
NARROWEST = 80
# columns of a log or an e-mail
LOG_WIDTH = 100
# characters in a narrow column before its text wraps
NARROW = 14
# a result with at most so many rows that is too wide for one table is printed in blocks, a line for each column
FEW_ROWS = 2
# control characters, and characters that change the direction of text
_CONTROLS = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


def console() -> Console:
    """Return standard output as a console: as wide as the terminal, or 100 columns in a log."""
    width = max(NARROWEST, shutil.get_terminal_size().columns) if sys.stdout.isatty() else LOG_WIDTH
    return Console(width=width, highlight=False, soft_wrap=False)


def harmless(value: object) -> Text:
    """Return a value as plain text without markup or control characters."""
    return Text("" if value is None else _CONTROLS.sub("\N{REPLACEMENT CHARACTER}", str(value)))


def make_table(
    columns: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    numbers_from: int = 1,
    whole: Collection[str] = (),
    narrow: Collection[str] = (),
) -> Table:
    """Return a plain table. Columns from `numbers_from` on are right-aligned; `whole` ones never wrap; `narrow` ones wrap early."""
    table = Table(box=None, pad_edge=False, show_edge=False)
    for number, name in enumerate(columns):
        justify: Justify = "right" if number >= numbers_from else "left"
        table.add_column(
            harmless(name),
            justify=justify,
            overflow="fold",
            no_wrap=name in whole,
            max_width=NARROW if name in narrow else None,
        )
    for row in rows:
        table.add_row(*(harmless(value) for value in row))
    return table


def value_words(value: object) -> str:
    """Return a value of a query's result for people: six significant figures without powers of ten, lists with commas."""
    if value is None or isinstance(value, bool):
        return "" if value is None else str(value).lower()
    if isinstance(value, float):
        return f"{value:,.0f}".replace(",", "") if abs(value) >= 1e6 else f"{value:.6g}"
    if isinstance(value, datetime):
        return value.isoformat(sep=" ", timespec="milliseconds" if value.microsecond else "seconds").replace(
            "+00:00", ""
        )
    return ", ".join(value_words(part) for part in value) if isinstance(value, list) else str(value)


def print_rows(
    columns: Sequence[str], rows: Sequence[Sequence[object]], numbers: Collection[str], out: Console
) -> None:
    """Print rows as a table, with long column names broken at `_`. Columns that do not fit follow in further tables.

    Up to FEW_ROWS rows that do not fit are printed as blocks.
    """
    texts = [[value_words(value) for value in row] for row in rows]
    cells = [max(map(len, column)) for column in zip(*texts, strict=True)] or [len(name) for name in columns]
    names = [_broken(name, width) for name, width in zip(columns, cells, strict=True)]
    widths = [max(width, *map(len, name.split("\n"))) for name, width in zip(names, cells, strict=True)]
    panels = _panels(widths, out.width)
    if len(panels) > 1 and len(rows) <= FEW_ROWS:
        _print_blocks(columns, texts, out)
        return
    for panel in panels:
        numbered = panel[0] > 0
        shown = [[*([str(n)] if numbered else []), *(text[c] for c in panel)] for n, text in enumerate(texts, 1)]
        table = make_table([*(["row"] if numbered else []), *(names[c] for c in panel)], shown, numbers_from=99)
        for column, index in zip(table.columns[numbered:], panel, strict=True):
            column.justify = "right" if columns[index] in numbers else "left"
        out.print(table)


def _panels(widths: Sequence[int], room: int) -> list[list[int]]:
    """Return the indices of the columns of each table; tables after the first also have the row number."""
    panels: list[list[int]] = [[]]
    used = 0
    for column, width in enumerate(widths):
        if panels[-1] and used + width + 2 > room:
            panels.append([])
            used = len("row") + 2
        panels[-1].append(column)
        used += width + 2
    return panels


def _broken(name: str, width: int) -> str:
    """Return the name on several lines, broken after `_`, each at most `width` wide if its words are."""
    lines = [""]
    for part in re.findall(r"[^_]*_|[^_]+", name):
        if lines[-1] and len(lines[-1]) + len(part) > width:
            lines.append("")
        lines[-1] += part
    return "\n".join(lines)


def _print_blocks(columns: Sequence[str], texts: Sequence[Sequence[str]], out: Console) -> None:
    longest = max(map(len, columns))
    for number, row in enumerate(texts, 1):
        out.print(f"row {number}", style="bold")
        for name, text in zip(columns, row, strict=True):
            out.print(harmless(f"  {name:<{longest}}  {text}"))
