"""What a terminal shows of a run and of a query's answer: progress bars, log lines above them, tables and files."""

import contextlib
import logging
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.log_format import Lines

if TYPE_CHECKING:
    import polars as pl
    from rich.console import Console

# rows of a table on the screen unless --limit says otherwise
SCREEN_ROWS = 50
# characters a line of a table that is written to a file
FILE_WIDTH = 240
STAGES = {
    "read": "Reading exports",
    "match": "Matching sightings",
    "agree": "Comparing trackers",
    "publish": "Publishing",
}


@contextlib.contextmanager
def progress_bars() -> Iterator[Callable[[str, int, int], None] | None]:
    """Yield a progress callback (stage, done, total) that draws bars; None, for plain log lines, if nobody watches."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress, TaskID

    screen = Console(stderr=True)
    with Progress(console=screen, transient=True) as bars, _log_above(screen):
        tasks: dict[str, TaskID] = {}

        def update(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                tasks[stage] = bars.add_task(STAGES.get(stage, stage), total=total)
            bars.update(tasks[stage], completed=done, total=total)

        yield update


@contextlib.contextmanager
def _log_above(screen: "Console") -> Iterator[None]:
    """Print log lines above the bars for as long as they are drawn."""
    from rich.logging import RichHandler

    root = logging.getLogger()
    handler = RichHandler(console=screen, show_path=False)
    handler.setFormatter(Lines("%(message)s"))
    usual, root.handlers = root.handlers, [handler]
    try:
        yield
    finally:
        root.handlers = usual


def print_answer(answer: "pl.DataFrame", output: Path | None, *, cut: bool) -> None:
    """Print the answer as a table on the screen, or into `output`. `cut`: the screen's row limit applied."""
    from rich.console import Console

    from pipeline.reports.printing import console, print_rows

    numbers = [name for name, dtype in answer.schema.items() if dtype.is_numeric()]
    if output is not None:
        with output.open("w", encoding="utf-8") as file:
            print_rows(answer.columns, answer.rows(), numbers, Console(file=file, width=FILE_WIDTH))
        return
    print_rows(answer.columns, answer.rows(), numbers, console())
    limited = cut and answer.height == SCREEN_ROWS
    note = f" (first {SCREEN_ROWS}; use --limit N or --format csv for more)" if limited else ""
    click.echo(f"{answer.height} {'row' if answer.height == 1 else 'rows'}{note}")


def write_answer(answer: "pl.DataFrame", form: str, output: Path | None) -> None:
    """Write the answer as csv, json or parquet to `output`, or to standard output."""
    target: Any = sys.stdout.buffer if output is None else output
    if form == "csv":
        from pipeline.warehouse.quarantine_csv import escape_formulas

        escape_formulas(_flat(answer)).write_csv(target)
    elif form == "json":
        answer.write_json(target)
    else:
        answer.write_parquet(target)


def _flat(answer: "pl.DataFrame") -> "pl.DataFrame":
    """Turn lists and structs into JSON text and bytes into hex digits, because a CSV can hold neither."""
    import polars as pl

    nested = [name for name, dtype in answer.schema.items() if dtype.is_nested()]
    as_json = [
        # encode {"v": value} and strip the wrapper
        pl.when(pl.col(name).is_not_null())
        .then(pl.struct(v=name).struct.json_encode().str.slice(5).str.head(-1))
        .alias(name)
        for name in nested
    ]
    return answer.with_columns(*as_json, pl.col(pl.Binary).bin.encode("hex"))
