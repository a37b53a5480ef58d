"""XLSX: one sheet as text. A workbook is a zip of XML, so its size is checked before it is opened: a small file can unpack to gigabytes."""

import re
import zipfile
from io import BytesIO
from typing import Any

import polars as pl

from pipeline.exports.readers.delimited import carried_by
from pipeline.exports.readers.raw import (
    FILE_ROW,
    MAX_CELLS,
    MAX_COLUMNS,
    MAX_ROWS,
    MAX_TEXT_BYTES,
    Problems,
    RawExport,
    UnreadableExport,
    check_text_size,
    header_names,
    printable,
)
from pipeline.exports.readers.tables import BodyLines, is_header_line, refuse_hidden_rows, split_tables, with_tables
from pipeline.settings.profile_tables import FileTable

# unpacked size; 30,000 rows of 100 columns take about 100 MB
MAX_UNPACKED_BYTES = 400 * 2**20
_MOST_PARTS = 2_000
# the column names of another sheet are searched in so many rows
_ROWS_TO_HEADER = 50
# the parser takes small letters, too
_COLUMN = re.compile(rb"""\sr\s*=\s*["']([A-Za-z]{1,9})""")
_ROW = re.compile(rb"""\sr\s*=\s*["'][A-Za-z]{0,9}(\d{1,20})["']""")
_CELL = re.compile(rb"<(?:\w+:)?c[\s/>]")
_SHARED_TEXT = re.compile(rb"<(?:\w+:)?si[\s>].*?</(?:\w+:)?si>", re.DOTALL)
_SHARED_USE = re.compile(rb"""\st\s*=\s*["']s["'][^>]*>\s*<(?:\w+:)?v[^>]*>\s*(\d{1,9})""")
_ERROR_CELL = re.compile(rb"""\st\s*=\s*["']e["']""")
_ERRORS = {
    "Div0": "#DIV/0!",
    "NA": "#N/A",
    "Name": "#NAME?",
    "Null": "#NULL!",
    "Num": "#NUM!",
    "Ref": "#REF!",
    "Value": "#VALUE!",
}
_OLD_WORKBOOK = b"\xd0\xcf\x11\xe0"


def read_xlsx(data: bytes, file: FileTable) -> RawExport:
    """Read one sheet of a workbook's bytes. Raises UnreadableExport."""
    has_errors = _check_workbook(data)
    sheet = _sheet(data, file, has_errors)
    start = _header_place(sheet, file)
    names = header_names(file.columns or _written_names(sheet, start))
    preamble = _joined(sheet.head(max(start - 1, 0))).to_list()
    lines = _body_lines(sheet, start, len(names))
    parts = split_tables(lines, sheet.row(start - 1) if start else [], preamble, file)
    body = _body(sheet, start, names)
    body = _as_written(body, data, file, start) if file.decimal != "." else body
    body = body.with_columns(lines.number.cast(pl.UInt32).alias(FILE_ROW))
    cells = body.filter(parts.is_row)
    refuse_hidden_rows(body.filter(parts.is_left_out), cells, int((parts.is_row | parts.is_left_out).sum()))
    cells = cells.with_columns(_dates_and_clocks(cells, names))
    problems = Problems([])
    if start:
        _note_other_sheets(data, file, sheet.row(start - 1), problems)
    raw = RawExport(cells, carried_by(preamble, file), problems.frame(), cells.height)
    return with_tables(raw, lines, parts, file)


def _note_other_sheets(data: bytes, file: FileTable, header: tuple[str | None, ...], problems: Problems) -> None:
    """Note each other sheet with the same column names: its rows are not read."""
    book = _open(data)
    read = file.sheet if isinstance(file.sheet, str) else book.sheet_names[file.sheet - 1]
    for name in book.sheet_names:
        if name == read:
            continue
        loaded = book.load_sheet(name, header_row=None, skip_rows=0, dtypes="string", n_rows=_ROWS_TO_HEADER)
        if any(is_header_line(row, header) for row in pl.DataFrame(loaded.to_polars()).iter_rows()):
            problems.add_note(
                f"the sheet '{printable(name, 60)}' has the same column names as '{printable(read, 60)}', but is not read",
                "if pitches are on it, export each sheet as a file of its own",
            )


def _joined(rows: pl.DataFrame) -> pl.Series:
    """Return the cells of each row joined by a tab."""
    return rows.select(pl.concat_str(pl.all().fill_null(""), separator="\t").alias("text")).to_series()


def _body_lines(sheet: pl.DataFrame, start: int, width: int) -> BodyLines:
    """Find blank rows and repeated headers below the first header. `width`: the number of columns that are read."""
    body = sheet[start:]
    stripped = body.select(pl.all().str.strip_chars().fill_null(""))
    is_blank = stripped.select(pl.all_horizontal(pl.nth(range(min(width, body.width))) == "")).to_series()
    header = sheet.row(start - 1) if start else ()
    longest = max((name.strip() for name in header if name), key=len, default="\0")
    has_name = stripped.select(pl.any_horizontal(pl.all() == longest)).to_series()
    places = [place for place in has_name.arg_true() if is_header_line(body.row(place), header)]
    number = pl.int_range(start + 1, start + 1 + body.height, eager=True)
    is_header = (number - start - 1).is_in(places)
    return BodyLines(_joined(body), number, is_blank, is_header, [body.row(place) for place in places], "\t")


def _check_workbook(data: bytes) -> bool:
    """Refuse a file that is not a workbook, or unpacks to more than an export can hold; sizes are measured, not believed.

    Returns whether any cell holds the error of a formula (#DIV/0!).
    """
    if not data.startswith(b"PK"):
        reason = "the file is not an xlsx workbook"
        if data.startswith(_OLD_WORKBOOK):
            reason = "the file is an old Excel workbook (xls), not xlsx"
        raise UnreadableExport(reason, "export it as xlsx, or set format in [file] of the profile")
    try:
        with zipfile.ZipFile(BytesIO(data)) as book:
            return _check_parts(book)
    except (UnreadableExport, MemoryError):
        raise
    except Exception as error:  # zipfile and zlib fail in many ways on a broken archive
        raise UnreadableExport(
            f"the workbook is damaged: {str(error)[:200] or type(error).__name__}", "export the file again"
        ) from None


def _check_parts(book: zipfile.ZipFile) -> bool:
    has_errors = False
    text_size = 0
    parts = book.infolist()
    if len(parts) > _MOST_PARTS or sum(part.file_size for part in parts) > MAX_UNPACKED_BYTES:
        size = sum(part.file_size for part in parts) / 2**20
        raise UnreadableExport(
            f"the workbook unpacks to {size:.0f} MB in {len(parts)} parts; {MAX_UNPACKED_BYTES / 2**20:.0f} MB and {_MOST_PARTS} parts are allowed",
            "export it in smaller files; if the workbook looks small, do not trust it",
        )
    lengths = [
        len(text)
        for part in parts
        if part.filename.lower().endswith("sharedstrings.xml")
        for text in _SHARED_TEXT.findall(book.read(part))
    ]
    for part in parts:
        # reading checks the stated size and checksum, too: a part with wrong ones raises
        xml = book.read(part)
        if b"<sheetData" in xml or b":sheetData" in xml:
            _check_extent(xml)
            has_errors |= _ERROR_CELL.search(xml) is not None
            text_size += _shared_text_size(xml, lengths)
            check_text_size(text_size)
    return has_errors


def _check_extent(xml: bytes) -> None:
    """Refuse a sheet whose corners span more cells than fit in memory: the parser lays out the complete rectangle."""
    columns = max(map(_column_number, set(_COLUMN.findall(xml))), default=0)
    rows = max(map(int, set(_ROW.findall(xml))), default=0)
    cells = sum(1 for _ in _CELL.finditer(xml))
    if columns > MAX_COLUMNS or rows > MAX_ROWS or max(cells, rows * columns) > MAX_CELLS:
        raise UnreadableExport(
            f"a sheet spans {rows:,} rows and {columns:,} columns, with {cells:,} cells: too many to read",
            "delete stray cells far outside the table, or export it again",
        )


def _shared_text_size(xml: bytes, lengths: list[int]) -> int:
    """Return the bytes of the shared texts as a sheet's cells use them. `lengths`: of each text, tags included.

    Most workbooks need no count: even if each cell had the longest text, it would be little.
    """
    most = max(lengths, default=0) * len(xml) // len('<c t="s"><v>0</v></c>')
    if most <= MAX_TEXT_BYTES:
        return 0
    uses = map(int, _SHARED_USE.findall(xml))
    return sum(lengths[place] for place in uses if place < len(lengths))


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = number * 26 + letter - 64
    return number


def _open(data: bytes) -> Any:
    import logging

    import fastexcel

    # it warns of every empty column on standard error
    logging.getLogger("fastexcel").setLevel(logging.ERROR)
    return fastexcel.read_excel(data)


def _sheet(data: bytes, file: FileTable, has_errors: bool) -> pl.DataFrame:
    """Return the complete sheet from its first row, every cell as text."""
    try:
        book = _open(data)
        names = book.sheet_names
        if isinstance(file.sheet, str) and file.sheet not in names:
            raise UnreadableExport(
                f"the workbook has no sheet '{file.sheet}'; its sheets: {', '.join(names[:20])}",
                "correct sheet in [file] of the profile",
            )
        if isinstance(file.sheet, int) and file.sheet > len(names):
            raise UnreadableExport(
                f"the workbook has no sheet number {file.sheet}; its {len(names)} sheets: {', '.join(names[:20])}",
                "correct sheet in [file] of the profile",
            )
        which = file.sheet if isinstance(file.sheet, str) else file.sheet - 1
        loaded = book.load_sheet(which, header_row=None, skip_rows=0, dtypes="string")
        sheet = pl.DataFrame(loaded.to_polars()).select(pl.all().cast(pl.String))
        return _with_errors(sheet, loaded) if has_errors else sheet
    except UnreadableExport:
        raise
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt | SystemExit | MemoryError):
            raise
        # a panic of the parser is a BaseException
        raise UnreadableExport(f"the workbook can't be read: {str(error)[:200]}", "export the file again") from None


def _with_errors(sheet: pl.DataFrame, loaded: Any) -> pl.DataFrame:
    """Put the word of each formula error (#DIV/0!) into its cell: the parser leaves it empty, and the value must not vanish silently."""
    _, found = loaded.to_arrow_with_errors()
    by_column: dict[int, tuple[list[int], list[str]]] = {}
    for error in found.errors if found else ():
        row, column = error.offset_position
        rows, words = by_column.setdefault(column, ([], []))
        rows.append(row)
        kind = re.search(r"Error\((\w+)\)", error.detail)
        words.append(_ERRORS.get(kind[1] if kind else "", "#ERROR"))
    filled = [sheet.to_series(place).scatter(*lines) for place, lines in by_column.items()]
    return sheet.with_columns(filled)


def _header_place(sheet: pl.DataFrame, file: FileTable) -> int:
    """Return the row of the column names, from 1; 0 = there is none."""
    if file.header_starts_with is None:
        if sheet.height < file.header_line:
            raise UnreadableExport(
                f"the sheet has {sheet.height} rows, but the column names should be in row {file.header_line}",
                "check sheet and header_row in [file] of the profile",
            )
        return file.header_line
    first = sheet.select(pl.coalesce(pl.all())).to_series() if sheet.width else pl.Series([], dtype=pl.String)
    places = first.str.strip_chars_start().str.starts_with(file.header_starts_with).arg_true()
    if places.is_empty():
        raise UnreadableExport(
            f"no row starts with '{file.header_starts_with}', so the column names were not found",
            "check header_starts_with in [file] of the profile",
        )
    return int(places[0]) + 1


def _written_names(sheet: pl.DataFrame, start: int) -> list[str | None]:
    if start == 0:
        return [None] * sheet.width
    written = list(sheet.row(start - 1))
    if not any((name or "").strip() for name in written):
        raise UnreadableExport(
            f"row {start}, which should hold the column names, is empty",
            "check sheet and header_row in [file] of the profile",
        )
    return written


def _body(sheet: pl.DataFrame, start: int, names: list[str]) -> pl.DataFrame:
    body = sheet[start:]
    if body.width < len(names):
        raise UnreadableExport(
            f"the sheet has {body.width} columns, but the profile names {len(names)}",
            "correct columns in [file] of the profile",
        )
    return body.select(pl.nth(place).alias(name) for place, name in enumerate(names))


def _as_written(body: pl.DataFrame, data: bytes, file: FileTable, start: int) -> pl.DataFrame:
    """Write real numbers with the profile's decimal sign, which otherwise applies only to numbers stored as text."""
    which = file.sheet if isinstance(file.sheet, str) else file.sheet - 1
    sheet = _open(data).load_sheet(which, header_row=None, skip_rows=start, schema_sample_rows=None).to_polars()
    real = [name for name, dtype in zip(body.columns, sheet.dtypes, strict=False) if dtype.is_numeric()]
    return body.with_columns(pl.col(real).str.replace(".", file.decimal, literal=True))


def _dates_and_clocks(cells: pl.DataFrame, names: list[str]) -> list[pl.Expr]:
    """Shorten times of day, which come with day 0 of the calendar, and dates, which come with midnight: a workbook has one type for both."""
    exprs = []
    for name in names:
        sample = cells[name].drop_nulls()
        if sample.is_empty() or not sample.str.contains(r"^\d{4}-\d\d-\d\d \d\d:\d\d:\d\d(\.\d+)?$").any():
            continue
        if sample.str.contains(r"^(1899-12-3[01]|1900-01-0[01]) ").all():
            exprs.append(pl.col(name).str.slice(11))
        elif sample.str.ends_with(" 00:00:00").all():
            exprs.append(pl.col(name).str.strip_suffix(" 00:00:00"))
    return exprs


def first_rows(data: bytes, most: int) -> dict[str, pl.DataFrame]:
    """Return the first rows of every sheet as text, by the sheet's name, for drafting. Raises UnreadableExport."""
    has_errors = _check_workbook(data)
    table = FileTable(format="xlsx")
    sheets = {}
    for name in _open(data).sheet_names:
        sheet = _sheet(data, table.model_copy(update={"sheet": name}), has_errors)
        if sheet.height and sheet.width:
            sheets[name] = sheet.head(most)
    if not sheets:
        raise UnreadableExport("every sheet of the workbook is empty", "export it again")
    return sheets
