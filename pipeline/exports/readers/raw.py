"""What every reader returns: an export's cells as text, each row with its place in the file, and the rows that could not be read."""

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import polars as pl

from pipeline.errors import PitchledgerError
from pipeline.exports.inbox import MAX_FILE_BYTES
from pipeline.words import pluralize

# Larger tables are refused, so that no file can exhaust the memory: the limits are many times what a season of one device holds, and reading
# and mapping the largest table takes about 2.7 GB of address space (isolation.py gives a reader 3 GB).
MAX_COLUMNS = 20_000
MAX_ROWS = 500_000
MAX_CELLS = 20_000_000
# characters of one line of text, or of one record; no row of a device is nearly as long
LONGEST_LINE = 1_000_000
# bytes of all texts of a table as its cells use them: one long text that many cells share lies on the disk once
MAX_TEXT_BYTES = 200 * 2**20
# characters of a cell that the profile reads; a spreadsheet's cell holds three times as many
LONGEST_CELL = 10_000
# ... and of one that is an id, a name or another label, and so is repeated in many tables
LONGEST_LABEL = 500
# a faulty value or line is shown up to this length
SHOWN_CHARACTERS = 200
# a reason may name many columns, and is shown up to this length
REASON_CHARACTERS = 2_000

FILE_ROW = "file_row"
PROBLEM_SCHEMA = {
    "level": pl.String,
    "file_row": pl.UInt32,
    "column": pl.String,
    "metric": pl.String,
    "value": pl.String,
    "reason": pl.String,
    "fix": pl.String,
}


class LeftOut(NamedTuple):
    """Lines below the header that the profile calls no rows (titles, trailers): how many, and the first with their numbers."""

    lines: int = 0
    first: tuple[tuple[int, str], ...] = ()


class RawExport(NamedTuple):
    """An export as text. `cells`: the export's columns as text (null = no cell) and `file_row` (u32, as a person counts, from 1).

    `carried`: values of the preamble, the file name and the document, by reference ("@name.date"). `problems`: rows that could not be
    read (level "row") and notes (level "value"), see PROBLEM_SCHEMA. `rows_read` = rows of `cells` + rows in `problems`.
    A value that each table of a file states for itself is a column of `cells` as well, with its reference as name.
    """

    cells: pl.DataFrame
    carried: dict[str, str]
    problems: pl.DataFrame
    rows_read: int
    left_out: LeftOut = LeftOut()


class UnreadableExport(PitchledgerError):  # noqa: N818 -- read as what it is: the export, unreadable
    """A file that can't be used at all: the reason, and what would fix it. `rows`: how many rows it has, where they could be counted."""

    def __init__(self, reason: str, fix: str, rows: int = 0) -> None:
        """Keep both sentences. They quote names from the file, so they are made printable."""
        self.reason, self.fix = printable(reason, REASON_CHARACTERS), printable(fix, REASON_CHARACTERS)
        self.rows = rows
        super().__init__(f"{self.reason}; {self.fix}")

    def __reduce__(self) -> tuple[type["UnreadableExport"], tuple[str, str, int]]:
        """Pickle by its parts, so that a worker process can raise it."""
        return UnreadableExport, (self.reason, self.fix, self.rows)


@contextlib.contextmanager
def faults_as_unreadable() -> Iterator[None]:
    """Turn any failure of a parser into UnreadableExport, panics of compiled code included; MemoryError passes."""
    try:
        yield
    except UnreadableExport:
        raise
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt | SystemExit | MemoryError):
            raise
        raise UnreadableExport(
            f"the file can't be read: {type(error).__name__}: {str(error)[:200]}", "export the file again"
        ) from error


def bytes_of(path: Path) -> bytes:
    """Return the file's bytes. Raises UnreadableExport where it can't be opened or is too large."""
    try:
        check_size(path.stat().st_size)
        return path.read_bytes()
    except OSError as error:
        raise UnreadableExport(
            f"the file can't be opened: {error.strerror or error}",
            "check that the file exists and that this account may read it",
        ) from None


class Problems(NamedTuple):
    """Faults of rows and values, as lines of PROBLEM_SCHEMA."""

    lines: list[tuple[str, int | None, str | None, str | None, str | None, str, str]]

    def add_row(self, file_row: int, value: str | None, reason: str, fix: str) -> None:
        """Add a row that can't be used."""
        self.lines.append(("row", file_row, None, None, shown(value), reason, fix))

    def add_value(self, file_row: int, column: str, value: str | None, reason: str, fix: str) -> None:
        """Add a value that was not used as written, in a row that is used."""
        self.lines.append(("value", file_row, column, None, shown(value), reason, fix))

    def add_note(self, reason: str, fix: str) -> None:
        """Add a fault of the complete file, whose rows are used."""
        self.lines.append(("value", None, None, None, None, reason, fix))

    def rows(self) -> int:
        """Return how many rows were not used."""
        return len({line[1] for line in self.lines if line[0] == "row"})

    def frame(self) -> pl.DataFrame:
        """Return all lines as a frame."""
        return pl.DataFrame(self.lines, schema=PROBLEM_SCHEMA, orient="row")


def shown(value: str | None) -> str | None:
    """Cut a long value for display, and replace unprintable characters."""
    return None if value is None else printable(value, SHOWN_CHARACTERS)


def printable(text: str, most: int) -> str:
    """Cut a text after `most` characters; unprintable ones (line ends, controls, surrogates) become �."""
    cut = text if len(text) <= most else text[: most - 1] + "…"
    return "".join(character if character.isprintable() else "�" for character in cut)


def header_names(written: Sequence[str | None]) -> list[str]:
    """Return unique column names: stripped; a repeated name becomes `name#1`, `name#2`; an empty one `column 3`."""
    if len(written) > MAX_COLUMNS:
        raise UnreadableExport(
            f"the header has {len(written)} columns, more than {MAX_COLUMNS}",
            "check delimiter and header_row in [file] of the profile",
        )
    names = [(name or "").strip().strip("\ufeff") or f"column {place}" for place, name in enumerate(written, 1)]
    total: dict[str, int] = {FILE_ROW: 1}
    for name in names:
        total[name] = total.get(name, 0) + 1
    seen: dict[str, int] = {}
    given = []
    for name in names:
        seen[name] = seen.get(name, 0) + 1
        given.append(f"{name}#{seen[name]}" if total[name] > 1 else name)
    return given if len(set(given)) == len(given) else [f"{name}@{place}" for place, name in enumerate(given, 1)]


def check_shape(rows: int, columns: int) -> None:
    """Raise UnreadableExport for a table too large to be one export."""
    if rows > MAX_ROWS or columns > MAX_COLUMNS or rows * columns > MAX_CELLS:
        raise UnreadableExport(
            f"the file has {pluralize(rows, 'row')} of {columns:,} columns; {MAX_ROWS:,} rows, {MAX_COLUMNS:,} columns and {MAX_CELLS:,} cells are allowed",
            "export it in parts",
        )


def check_text_size(size: int) -> None:
    """Raise UnreadableExport where the texts of all cells take more bytes than an export may hold."""
    if size > MAX_TEXT_BYTES:
        raise UnreadableExport(
            f"the texts of all cells take {size / 2**20:.0f} MB; {MAX_TEXT_BYTES // 2**20} MB are allowed",
            "export it in parts; if the file looks small, do not trust it",
        )


def check_size(size: int) -> None:
    """Raise UnreadableExport for an empty file and for one too large to be one export."""
    if size == 0:
        raise UnreadableExport("the file is empty (0 bytes)", "export it again")
    if size > MAX_FILE_BYTES:
        raise UnreadableExport(
            f"the file has {size / 2**20:.0f} MB, more than {MAX_FILE_BYTES // 2**20} MB", "export it in parts"
        )
