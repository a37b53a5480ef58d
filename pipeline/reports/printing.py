"""Printing for people: tables and sentences that fit a terminal, a log or an e-mail; what comes from exports is shown harmless."""

import re
import shutil
import sys
from collections.abc import Iterable, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

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


def make_table(title: str, columns: Sequence[str], rows: Iterable[Sequence[object]], *, numbers_from: int = 1) -> Table:
    """A plain table; columns from `numbers_from` on are set to the right."""
    table = Table(
        title=title or None, title_justify="left", title_style="bold", box=None, pad_edge=False, show_edge=False
    )
    for place, name in enumerate(columns):
        table.add_column(name, justify="right" if place >= numbers_from else "left", overflow="fold")
    for row in rows:
        table.add_row(*(harmless(value) for value in row))
    return table
