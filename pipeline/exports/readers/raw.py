"""What every reader gives: an export's cells as text, each row with its place in the file, and the rows that could not be read."""

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import polars as pl

from pipeline.errors import PitchledgerError
from pipeline.exports.inbox import MAX_FILE_BYTES

# beyond these too a file is refused
MAX_COLUMNS = 20_000
MAX_CELLS = 40_000_000
# of a faulty value or line, so much is told; of a reason, which may name many columns, more
SHOWN_CHARACTERS = 200
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


class RawExport(NamedTuple):
    """An export as text. `cells`: the export's columns as text (null = no cell) and `file_row` (u32, as a person counts, from 1).

    `carried`: values of the preamble, the file name and the document, by reference ("@name.date"). `problems`: rows that could not be
    read (level "row") and notes (level "value"), see PROBLEM_SCHEMA. `rows_read` = rows of `cells` + rows in `problems`.
    """

    cells: pl.DataFrame
    carried: dict[str, str]
    problems: pl.DataFrame
    rows_read: int


class UnreadableExport(PitchledgerError):  # noqa: N818 -- read as what it is: the export, unreadable
    """A file that can't be taken at all: why, and what would mend it."""

    def __init__(self, reason: str, fix: str) -> None:
        """Keep both sentences; names that the file gave its columns stand in them, so they are made fit to print."""
        self.reason, self.fix = printable(reason, REASON_CHARACTERS), printable(fix, REASON_CHARACTERS)
        super().__init__(f"{self.reason}; {self.fix}")

    def __reduce__(self) -> tuple[type["UnreadableExport"], tuple[str, str]]:
        """Survive the way back from a worker process."""
        return UnreadableExport, (self.reason, self.fix)


@contextlib.contextmanager
def any_fault_told() -> Iterator[None]:
    """Whatever a parser says last of hostile bytes, panics of compiled code included, is an UnreadableExport: the night goes on without the file."""
    try:
        yield
    except UnreadableExport:
        raise
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt | SystemExit):
            raise
        raise UnreadableExport(
            f"can't be read: {type(error).__name__}: {str(error)[:200]}", "export the file again"
        ) from error


def bytes_of(path: Path) -> bytes:
    """The file's bytes. Raises UnreadableExport where it can't be opened or is too large."""
    try:
        check_size(path.stat().st_size)
        return path.read_bytes()
    except OSError as error:
        raise UnreadableExport(
            f"can't be opened: {error.strerror or error}", "check that the file is there and may be read"
        ) from None


class Problems(NamedTuple):
    """Faults of rows, column by column; `add` is for single ones."""

    lines: list[tuple[str, int | None, str | None, str | None, str | None, str, str]]

    def add_row(self, file_row: int, value: str | None, reason: str, fix: str) -> None:
        """Note a row that can't be taken."""
        self.lines.append(("row", file_row, None, None, shown(value), reason, fix))

    def add_value(self, file_row: int, column: str, value: str | None, reason: str, fix: str) -> None:
        """Note a value that was not taken as it stood, in a row that is."""
        self.lines.append(("value", file_row, column, None, shown(value), reason, fix))

    def rows(self) -> int:
        """How many rows were not taken."""
        return len({line[1] for line in self.lines if line[0] == "row"})

    def frame(self) -> pl.DataFrame:
        """Give all as a frame."""
        return pl.DataFrame(self.lines, schema=PROBLEM_SCHEMA, orient="row")


def shown(value: str | None) -> str | None:
    """Cut a long value for display, and make signs that do not print visible."""
    return None if value is None else printable(value, SHOWN_CHARACTERS)


def printable(text: str, most: int) -> str:
    """Cut a text after `most` characters; signs that do not print (line ends, controls, half characters) become �."""
    cut = text if len(text) <= most else text[: most - 1] + "…"
    return "".join(sign if sign.isprintable() else "�" for sign in cut)


def header_names(written: Sequence[str | None]) -> list[str]:
    """Give the columns' names: stripped; a name that stands twice becomes `name#1`, `name#2`; an empty one `column 3`."""
    if len(written) > MAX_COLUMNS:
        raise UnreadableExport(
            f"the header has {len(written)} columns, more than {MAX_COLUMNS}",
            "check delimiter and header_row in the profile",
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


def check_size(size: int) -> None:
    """Refuse a file that is too large to be one export, and an empty one."""
    if size == 0:
        raise UnreadableExport("the file is empty (0 bytes)", "export it again")
    if size > MAX_FILE_BYTES:
        raise UnreadableExport(
            f"the file has {size / 2**20:.0f} MB, more than {MAX_FILE_BYTES // 2**20} MB", "export it in parts"
        )
