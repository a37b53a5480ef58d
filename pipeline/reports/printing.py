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
NARROW = 14
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
    narrow: Collection[str] = (),
) -> Table:
    """A plain table; columns from `numbers_from` on are set to the right, those in `whole` are never broken into lines, `narrow` ones soon."""
    table = Table(
        title=title or None, title_justify="left", title_style="bold", box=None, pad_edge=False, show_edge=False
    )
    for place, name in enumerate(columns):
        justify: Justify = "right" if place >= numbers_from else "left"
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


def in_full(value: object) -> str:
    """A value of a query's answer as a person reads it: numbers to six significant figures and without powers of ten, lists with commas."""
    if value is None or isinstance(value, bool):
        return "" if value is None else str(value).lower()
    if isinstance(value, float):
        return f"{value:,.0f}".replace(",", "") if abs(value) >= 1e6 else f"{value:.6g}"
    if isinstance(value, datetime):
        return value.isoformat(sep=" ", timespec="milliseconds" if value.microsecond else "seconds").replace(
            "+00:00", ""
        )
    return ", ".join(in_full(part) for part in value) if isinstance(value, list) else str(value)


FEW_ROWS = 2


def print_rows(
    columns: Sequence[str], rows: Sequence[Sequence[object]], numbers: Collection[str], out: Console
) -> None:
    """Print rows as a table, long column names broken at `_`. What is too wide goes below in further tables; of a few rows each is a block."""
    texts = [[in_full(value) for value in row] for row in rows]
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
        table = make_table("", [*(["row"] if numbered else []), *(names[c] for c in panel)], shown, numbers_from=99)
        for column, place in zip(table.columns[numbered:], panel, strict=True):
            column.justify = "right" if columns[place] in numbers else "left"
        out.print(table)


def _panels(widths: Sequence[int], room: int) -> list[list[int]]:
    """The columns' places, as many together as the room holds; panels after the first also hold the number of the row."""
    panels: list[list[int]] = [[]]
    used = 0
    for place, width in enumerate(widths):
        if panels[-1] and used + width + 2 > room:
            panels.append([])
            used = len("row") + 2
        panels[-1].append(place)
        used += width + 2
    return panels


def _broken(name: str, width: int) -> str:
    """The name over several lines, broken after `_`, none longer than `width` if the words permit."""
    lines = [""]
    for part in re.findall(r"[^_]*_|[^_]+", name):
        if lines[-1] and len(lines[-1]) + len(part) > width:
            lines.append("")
        lines[-1] += part
    return "\n".join(lines)


def _print_blocks(columns: Sequence[str], texts: Sequence[Sequence[str]], out: Console) -> None:
    longest = max(map(len, columns))
    for place, row in enumerate(texts, 1):
        out.print(f"row {place}", style="bold")
        for name, text in zip(columns, row, strict=True):
            out.print(harmless(f"  {name:<{longest}}  {text}"))
