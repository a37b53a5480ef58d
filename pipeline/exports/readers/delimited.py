"""CSV and TSV: split lines into fields, by RFC 4180 where quotes are used; every line that does not fit the header is reported.

Polars splits all lines without a quote at once. Python's csv module reads each line with a quote by itself, so that a quote that never
closes costs its own line and not the rest of the file.
"""

import codecs
import csv
import re
from collections.abc import Iterator
from functools import lru_cache
from typing import NamedTuple

import polars as pl

from pipeline.exports.readers.raw import (
    FILE_ROW,
    LONGEST_LINE,
    MAX_ROWS,
    Problems,
    RawExport,
    UnreadableExport,
    check_shape,
    header_names,
    shown,
)
from pipeline.exports.readers.tables import (
    BodyLines,
    TableParts,
    is_header_line,
    refuse_hidden_rows,
    split_tables,
    with_tables,
)
from pipeline.settings.patterns import first_value
from pipeline.settings.profile_tables import FileTable
from pipeline.words import pluralize

# a quoted field may continue over this many lines; beyond them its quote counts as one that never closes
_MOST_LINES_IN_FIELD = 50
# ... and over this many characters
_LONGEST_RECORD = 200_000
# after this many quotes that never close, fields over several lines are no longer searched: a hostile file must not cost hours
_MOST_BROKEN_QUOTES = 200
_MAGIC = {
    b"PK\x03\x04": "a zip archive or workbook",
    b"PAR1": "a Parquet file",
    b"%PDF": "a PDF",
    b"\x1f\x8b": "a gzip file",
    b"\xd0\xcf\x11\xe0": "an old Excel workbook",
    b"SQLite": "a database",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
}
_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
# control characters that no text export holds; tab, line ends, and form feed at page ends are text
_CONTROL = "[\x00-\x08\x0e-\x1f\x7f]"


class _Lines(NamedTuple):
    """Lines of a file: their text, and their numbers from 1."""

    text: pl.Series
    number: pl.Series

    def where(self, mask: pl.Series) -> "_Lines":
        return _Lines(self.text.filter(mask), self.number.filter(mask))


def read_delimited(data: bytes, file: FileTable) -> RawExport:
    """Read a CSV or TSV file's bytes. Raises UnreadableExport."""
    lines = _split_lines(decode(data, file.encoding))
    header, preamble, body = _find_header(lines, file)
    written = _header_fields(header, file) if not file.columns else []
    names = header_names(file.columns or written)
    check_shape(body.text.len(), len(names))
    body_lines = _body_lines(body, written, file)
    parts = split_tables(body_lines, written, preamble, file)
    rows = body.where(parts.is_row)
    problems = Problems([])
    records = _records(_usable_lines(rows, problems), file, len(names), problems)
    if _is_cut_off(data, parts, body, file) and records.number.len() and records.number[-1] == rows.number[-1]:
        records = _without_last(records, problems)
    cells = _cells(records, names)
    found = problems.frame()
    rows_read = cells.height + found["file_row"].n_unique()
    left_out = body.where(parts.is_left_out)
    ignored = Problems([])
    refuse_hidden_rows(
        _cells(_records(_usable_lines(left_out, ignored), file, len(names), ignored), names),
        cells,
        rows_read + left_out.text.len(),
    )
    raw = RawExport(cells, carried_by(preamble, file), found, rows_read)
    return with_tables(raw, body_lines, parts, file)


def _body_lines(body: _Lines, names: list[str], file: FileTable) -> BodyLines:
    """Find blank lines (those of nothing but delimiters among them) and repeated headers below the first header."""
    is_blank = body.text.str.strip_chars(f" \t\x00\x1a{file.separator}").str.strip_chars() == ""
    longest = sorted(filter(None, map(str.strip, names)), key=len)[-2:]
    has_names = pl.Series([bool(longest)]).new_from_index(0, body.text.len())
    for name in longest:
        has_names &= body.text.str.contains(name, literal=True)
    found = [
        (place, cells)
        for place in has_names.arg_true()
        if is_header_line(cells := _strict_fields(body.text[place], file), names)
    ]
    is_header = pl.int_range(body.text.len(), eager=True).is_in([place for place, _ in found])
    return BodyLines(body.text, body.number, is_blank, is_header, [cells for _, cells in found], file.separator)


def _is_cut_off(data: bytes, parts: TableParts, body: _Lines, file: FileTable) -> bool:
    """Return whether the file ends in the middle of a line: it has no last line end, and the trailer that the profile states is missing."""
    ends_whole = data.rstrip(b"\x00").endswith((b"\n", b"\r"))
    if file.trailer_starts_with is None or ends_whole:
        return False
    last = body.text.filter(parts.table == parts.table.max()) if body.text.len() else body.text
    return not last.str.strip_chars_start().str.starts_with(file.trailer_starts_with).any()


def _cells(records: _Lines, names: list[str]) -> pl.DataFrame:
    cells = records.text.str.split_exact(_SEPARATOR, len(names) - 1).struct.rename_fields(names).struct.unnest()
    return cells.with_columns(records.number.cast(pl.UInt32).alias(FILE_ROW))


def decode(data: bytes, encoding: str) -> str:
    """Decode by the encoding that the profile states. Raises UnreadableExport where the file is clearly in another."""
    _refuse_other_kinds(data)
    stated = codecs.lookup(encoding).name
    for mark, actual in _BOMS:
        if data.startswith(mark):
            if not stated.replace("_", "-").startswith(actual):
                raise _wrong_encoding(f"was saved as {actual.upper()}", encoding, actual)
            break
    else:
        _refuse_unmarked_utf16(data, stated, encoding)
    try:
        text = data.decode(encoding)
    except (UnicodeDecodeError, UnicodeError) as error:
        raise _undecodable(data, error, encoding) from None
    except Exception as error:  # a codec of Python's may raise anything on hostile bytes
        raise UnreadableExport(
            f"the file can't be decoded as {encoding}: {error}", "set encoding in [file] of the profile"
        ) from None
    _refuse_hidden_utf8(data, stated, encoding)
    return text.removeprefix("\ufeff")


def _header_fields(header: str, file: FileTable) -> list[str]:
    try:
        return _fields(header, file)
    except csv.Error as error:
        raise UnreadableExport(
            f"the header can't be split into names: {error}",
            "check delimiter, quote and header_row in [file] of the profile",
        ) from None


def carried_by(preamble: list[str], file: FileTable) -> dict[str, str]:
    """Return the values that the lines above the header carry, by reference."""
    found = {}
    for name, pattern in file.preamble.items():
        value = first_value(preamble, pattern)
        if value is not None:
            found[f"@preamble.{name}"] = value
    return found


def _refuse_other_kinds(data: bytes) -> None:
    for magic, kind in _MAGIC.items():
        if data.startswith(magic):
            raise UnreadableExport(
                f"the file is {kind}, not text", "export it as text, or set format in [file] of the profile"
            )
    if not data.strip(b"\x00"):
        raise UnreadableExport("the file contains only zero bytes", "export it again")


def _refuse_unmarked_utf16(data: bytes, stated: str, encoding: str) -> None:
    # zeros at the end are what a power cut leaves
    head = data.rstrip(b"\x00")[:4000]
    zeros = head.count(0)
    is_wide = stated.startswith(("utf-16", "utf-32"))
    if zeros > len(head) * 0.3 and not is_wide:
        little = head[1::2].count(0) > head[0::2].count(0)
        raise _wrong_encoding(
            "was saved as UTF-16 without a byte order mark", encoding, "utf-16-le" if little else "utf-16-be"
        )
    if not zeros and is_wide:
        # any bytes decode as some rare letters; but text with digits and commas has zero bytes in every encoding that wide
        raise _wrong_encoding(
            "has no zero bytes, so it is not saved in an encoding with two or four bytes per character",
            encoding,
            "utf-8",
        )


def _refuse_hidden_utf8(data: bytes, stated: str, encoding: str) -> None:
    """Refuse UTF-8 where the profile states an eight-bit codec: it decodes anything, and letters with accents would come out wrong."""
    if stated.startswith("utf") or data.isascii():
        return
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return
    raise _wrong_encoding("was saved as UTF-8", encoding, "utf-8")


def _undecodable(data: bytes, error: UnicodeError, encoding: str) -> UnreadableExport:
    at = getattr(error, "start", 0)
    line = data.count(b"\n", 0, at) + 1
    where = f": line {line} contains the byte 0x{data[at]:02x}, which is not valid there" if at < len(data) else ""
    return UnreadableExport(
        f"the file was not saved as {encoding}{where}",
        f"save it as {encoding}, or set encoding in [file] of the profile (often cp1252 or latin-1)",
    )


def _wrong_encoding(what: str, stated: str, actual: str) -> UnreadableExport:
    return UnreadableExport(
        f"the file {what}, but the profile says encoding = '{stated}'",
        f'save it as {stated}, or set encoding = "{actual}" in [file] of the profile',
    )


def check_line_count(text: str) -> None:
    """Raise UnreadableExport for a text with more lines than an export may have rows, blank ones included."""
    count = text.count("\n")
    if count > MAX_ROWS:
        raise UnreadableExport(f"the file has {count:,} lines; {MAX_ROWS:,} are allowed", "export it in parts")


def _split_lines(text: str) -> _Lines:
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    check_line_count(text)
    lines = pl.Series("line", [text]).str.split("\n").explode()
    return _Lines(lines, pl.int_range(1, lines.len() + 1, eager=True))


def _find_header(lines: _Lines, file: FileTable) -> tuple[str, list[str], _Lines]:
    """Return the header (with all lines of a quoted name), the lines above it, and those below."""
    if file.header_row == 0:
        return "", [], lines
    start = _header_place(lines, file)
    preamble = [line[:LONGEST_LINE] for line in lines.text.head(start)]
    header, used = _checked_header(lines.text[start]), 1
    while _is_open(header, file) and used < _MOST_LINES_IN_FIELD and start + used < lines.text.len():
        header = _checked_header(header + "\n" + lines.text[start + used])
        used += 1
    if not header.strip():
        raise UnreadableExport(
            f"line {start + 1}, which should hold the column names, is empty",
            "check header_row in [file] of the profile",
        )
    if re.search(_CONTROL, header):
        raise UnreadableExport(
            "the header contains binary bytes", "export the file again, or check encoding in [file] of the profile"
        )
    return header, preamble, _Lines(lines.text[start + used :], lines.number[start + used :])


def _checked_header(header: str) -> str:
    if len(header) > LONGEST_LINE:
        raise UnreadableExport(
            f"the header has {len(header):,} characters; {LONGEST_LINE:,} are allowed",
            "check delimiter, quote and header_row in [file] of the profile",
        )
    return header


def _header_place(lines: _Lines, file: FileTable) -> int:
    if file.header_starts_with is None:
        if lines.text.len() < file.header_line:
            raise UnreadableExport(
                f"the file has {lines.text.len()} lines, but the column names should be in line {file.header_line}",
                "check header_row in [file] of the profile",
            )
        return file.header_line - 1
    places = lines.text.str.strip_chars_start().str.starts_with(file.header_starts_with).arg_true()
    if places.is_empty():
        raise UnreadableExport(
            f"no line starts with '{file.header_starts_with}', so the header was not found",
            "check header_starts_with in [file] of the profile",
        )
    return int(places[0])


def _usable_lines(body: _Lines, problems: Problems) -> _Lines:
    """Set aside lines that contain binary bytes, or are too long to be a row."""
    binary = body.text.str.contains(_CONTROL)
    long = body.text.str.len_bytes() > LONGEST_LINE
    if not (binary | long).any():
        return body
    for text, number, is_binary in zip(*(part.filter(binary | long) for part in (*body, binary)), strict=True):
        reason = "the line contains binary bytes" if is_binary else f"the line is longer than {LONGEST_LINE} bytes"
        problems.add_row(number, text[:1000], reason, "export the file again")
    return body.where(~(binary | long))


# separates the fields once quotes are resolved; _usable_lines has set aside any line that contains it
_SEPARATOR = "\x1f"


def _records(body: _Lines, file: FileTable, width: int, problems: Problems) -> _Lines:
    """Turn lines into records with _SEPARATOR between fields; set a record with a wrong number of fields aside."""
    quoted = (
        body.text.str.contains(file.quote, literal=True)
        if file.quote
        else pl.Series([False]).new_from_index(0, body.text.len())
    )
    fields = body.text.str.count_matches(file.separator, literal=True) + 1
    plain = ~quoted & (fields == width)
    texts = [body.text.filter(plain).str.replace_all(file.separator, _SEPARATOR, literal=True)]
    numbers = [body.number.filter(plain)]
    if not plain.all():
        read = list(_read_singly(body, ~plain, file, width, problems))
        texts.append(pl.Series("line", [text for _, text in read], dtype=pl.String))
        numbers.append(pl.Series([number for number, _ in read], dtype=pl.Int64))
    text, number = pl.concat(texts), pl.concat(numbers)
    order = number.arg_sort()
    return _Lines(text.gather(order), number.gather(order))


def _read_singly(
    body: _Lines, mask: pl.Series, file: FileTable, width: int, problems: Problems
) -> Iterator[tuple[int, str]]:
    """Read the lines of `mask` one by one: those with quotes, and those with a wrong number of fields."""
    lines, numbers, singly = body.text.to_list(), body.number.to_list(), mask.to_list()
    place = broken = 0
    while place < len(lines):
        if not singly[place]:
            place += 1
            continue
        fields = _strict_fields(lines[place], file)
        if len(fields) == width:
            yield numbers[place], _SEPARATOR.join(fields)
            place += 1
            continue
        record, used = _whole_record(lines, numbers, place, file) if broken < _MOST_BROKEN_QUOTES else (lines[place], 1)
        broken += used == 1 and _is_open(record, file)
        joined = _joined_fields(record, numbers[place], file, width, problems)
        if joined is not None:
            yield numbers[place], joined
        place += used


def _strict_fields(line: str, file: FileTable) -> list[str]:
    """Return the fields of a line that follows every rule of quoting; an empty list for one that does not."""
    if not file.quote:
        return line.split(file.separator)
    try:
        return next(
            csv.reader([line], delimiter=file.separator, quotechar=file.quote, skipinitialspace=True, strict=True), []
        )
    except csv.Error:
        return []


def _whole_record(lines: list[str], numbers: list[int], place: int, file: FileTable) -> tuple[str, int]:
    """Return the record that starts here (one line, or more where a quoted field continues) and its number of lines."""
    record = lines[place]
    if not file.quote or not _is_open(record, file):
        return record, 1
    for used in range(1, min(_MOST_LINES_IN_FIELD, len(lines) - place)):
        # blank lines have been removed above; inside a quoted field they belong to it
        record += "\n" * (numbers[place + used] - numbers[place + used - 1]) + lines[place + used]
        if len(record) > _LONGEST_RECORD:
            break
        if not _is_open(record, file):
            return record, used + 1
    return lines[place], 1


def _joined_fields(record: str, number: int, file: FileTable, width: int, problems: Problems) -> str | None:
    """Return the record's fields joined by _SEPARATOR; None, with a problem noted, where it can't be used."""
    if file.quote and _is_open(record, file):
        problems.add_row(
            number,
            record,
            "a quote opens and never closes: the line may be cut off",
            "export the file again, or correct the line",
        )
        return None
    try:
        fields = _fields(record, file)
    except csv.Error as error:
        problems.add_row(
            number,
            record,
            f"the line can't be split into fields: {error}",
            "check delimiter and quote in [file] of the profile",
        )
        return None
    if len(fields) > width and not any(field.strip() for field in fields[width:]):
        fields = fields[:width]
    if len(fields) == width:
        return _SEPARATOR.join(fields)
    cause = "is cut off" if len(fields) < width else "has a delimiter inside a value"
    problems.add_row(
        number,
        shown(record),
        f"the line {cause}: it has {pluralize(len(fields), 'field')}, the header has {width}",
        "export the file again, or correct the line",
    )
    return None


def _fields(record: str, file: FileTable) -> list[str]:
    if not file.quote or file.quote not in record:
        return record.split(file.separator)
    reader = csv.reader([record], delimiter=file.separator, quotechar=file.quote, skipinitialspace=True)
    return next(reader, [])


def _is_open(record: str, file: FileTable) -> bool:
    """Return whether a quoted field of the record is not closed at its end."""
    if not file.quote or file.quote not in record:
        return False
    rest = _quoted_field(file.separator, file.quote).sub(r"\1", record)
    return bool(_opening(file.separator, file.quote).search(rest))


@lru_cache(maxsize=8)
def _quoted_field(separator: str, quote: str) -> re.Pattern[str]:
    d, q = re.escape(separator), re.escape(quote)
    # possessive: a field needs no other split, and keeping each one for going back would take a hundred bytes a character
    return re.compile(rf"(^|{d}) *{q}(?:[^{q}]|{q}{q})*+{q}(?!{q}) *(?={d}|\Z)")


@lru_cache(maxsize=8)
def _opening(separator: str, quote: str) -> re.Pattern[str]:
    d, q = re.escape(separator), re.escape(quote)
    return re.compile(rf"(^|{d}) *{q}")


def _without_last(records: _Lines, problems: Problems) -> _Lines:
    """Set the last record aside: the file ends in the middle of a line, so its last value may have lost digits."""
    problems.add_row(
        records.number[-1],
        records.text[-1].replace(_SEPARATOR, " "),
        "the file is cut off here: the line has no end, and the trailer that the profile states is missing",
        "export the file again",
    )
    return _Lines(records.text[:-1], records.number[:-1])
