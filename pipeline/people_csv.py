"""Reading the CSV files that people keep by hand (roster.csv, decisions.csv), with every fault named by row and column."""

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from pipeline.toml_problems import Problem, nearest_of


class Line(NamedTuple):
    """One row: its number as an editor or spreadsheet counts it (the header is 1), and its cells by column, stripped; "" = blank."""

    number: int
    cells: dict[str, str]


class Table(NamedTuple):
    """The rows of a file, and what is wrong with the file as such."""

    lines: tuple[Line, ...]
    problems: tuple[Problem, ...]


def read_people_csv(path: Path, columns: Sequence[str], needed: Sequence[str]) -> Table:
    """Read a comma-separated file with `columns`, of which `needed` must be there. A file that is not there has no rows."""
    if not path.exists():
        return Table((), ())
    try:
        text = path.read_bytes().decode("utf-8-sig")
        rows = list(_numbered_rows(text))
    except UnicodeDecodeError as error:
        line = path.read_bytes()[: error.start].count(b"\n") + 1
        return _refused(path, f"is not UTF-8 text (line {line}); save it as CSV UTF-8")
    except (csv.Error, OSError) as error:
        return _refused(path, f"can't be read as CSV: {error}")
    if not rows:
        return _refused(path, f"is empty; its first line should be: {','.join(columns)}")
    header = [name.strip().lower() for name in rows[0][1]]
    problems = _header_problems(path.name, header, columns, needed)
    if problems:
        return Table((), tuple(problems))
    return _cells(path.name, header, [row for row in rows[1:] if any(cell.strip() for cell in row[1])])


def cell_problem(file: str, line: Line, column: str, message: str, allowed: Sequence[str] = (), nearest: str | None = None) -> Problem:
    """A fault of one cell."""
    return Problem(file, f"row {line.number}, {column}", line.cells[column] or None, message, tuple(allowed), nearest)


def _numbered_rows(text: str) -> list[tuple[int, list[str]]]:
    """Each row with the number of the line that it ends on less the lines it spans: a quoted cell may hold a line break."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows, before = [], 0
    for cells in reader:
        rows.append((before + 1, cells))
        before = reader.line_num
    return rows


def _refused(path: Path, message: str) -> Table:
    return Table((), (Problem(path.name, "", None, message),))


def _header_problems(file: str, header: list[str], columns: Sequence[str], needed: Sequence[str]) -> list[Problem]:
    if len(header) == 1 and any(mark in header[0] for mark in ";\t"):
        return [Problem(file, "row 1", None, "is not separated by commas; save it as comma-separated CSV")]
    unknown = [Problem(file, "row 1", name, "is not a known column", tuple(columns), nearest_of(name, columns)) for name in header if name not in columns]
    twice = [Problem(file, "row 1", name, "stands twice in the header") for name in dict.fromkeys(header) if header.count(name) > 1]
    missing = [Problem(file, "row 1", None, f"the column {name} is missing") for name in needed if name not in header]
    return unknown + twice + missing


def _cells(file: str, header: list[str], rows: list[tuple[int, list[str]]]) -> Table:
    lines, problems = [], []
    for number, cells in rows:
        if len(cells) > len(header) and any(cell.strip() for cell in cells[len(header) :]):
            message = f"has {len(cells)} cells where the header has {len(header)}; put a cell that holds a comma in quotes"
            problems.append(Problem(file, f"row {number}", None, message))
            continue
        padded = [cell.strip() for cell in cells] + [""] * (len(header) - len(cells))
        lines.append(Line(number, dict(zip(header, padded, strict=False))))
    return Table(tuple(lines), tuple(problems))
