"""Detect the format of a file from its bytes, and read it: the keys of [file] in a draft."""

import csv
import json
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

from pipeline.exports.inbox import fit_to_store
from pipeline.exports.readers.delimited import decode, read_delimited
from pipeline.exports.readers.excel import first_rows, read_xlsx
from pipeline.exports.readers.json_records import MAX_DOCUMENT_BYTES, read_json_document, read_json_lines, syntax_fault
from pipeline.exports.readers.parquet import read_parquet
from pipeline.exports.readers.raw import RawExport, UnreadableExport, bytes_of, faults_as_unreadable
from pipeline.exports.readers.tables import set_summaries_aside
from pipeline.settings.profile_tables import FileTable

# in this order; the last one decodes anything
_ENCODINGS = ("utf-8", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252", "latin-1")
_SEPARATORS = (",", ";", "\t", "|")
_LINES_EXAMINED = 500
# more lines than this below the last row are not a trailer, but a table that is cut off
_LONGEST_TRAILER = 5
_NUMBER = re.compile(r"[+-]?[\d.,]*\d[\d.,]*%?")
_SUMS = re.compile(r"\W*(total|sum|average|mean|count|end)\b", re.IGNORECASE)
_DEEPEST = 8
# a bracket alone may open a heading such as [Evening]
_JSON = re.compile(r"\s*(\{|\[\s*[{\[\]])")
_MOST_CARRIED = 20


class Line(NamedTuple):
    """One `key = value` of a draft. `note`: the reason for a guess; empty where the file itself shows the value."""

    key: str
    value: object
    note: str = ""


class Sniffed(NamedTuple):
    """A file and its format. `carried`: the values outside the rows by reference; `patterns`: those of [file.preamble].

    `by_table`: the values that differ from table to table, each with its rows.
    """

    raw: RawExport
    file: list[Line]
    patterns: list[Line]
    carried: dict[str, str]
    by_table: dict[str, dict[str, int]] = {}  # noqa: RUF012 -- a NamedTuple's default, never changed


def sniff(path: Path) -> Sniffed:
    """Detect the file's format, and read it. Raises UnreadableExport, and nothing else, whatever its bytes."""
    data = bytes_of(path)
    with faults_as_unreadable():
        return _checked(_sniff(data, path))


def _checked(sniffed: Sniffed) -> Sniffed:
    """Raise UnreadableExport where most lines do not fit the header: the file is not a table."""
    rows, fitting = sniffed.raw.rows_read, sniffed.raw.cells.height
    if fitting < rows / 2:
        why = sniffed.raw.problems.get_column("reason").drop_nulls()
        first = f"; the first reason: {why[0]}" if why.len() else ""
        raise UnreadableExport(
            f"{rows - fitting} of {rows} lines do not fit the header that was detected{first}",
            "if it is a table, draft from another export, or write the profile by hand (schemas/profile.md)",
        )
    return sniffed


def _sniff(data: bytes, path: Path) -> Sniffed:
    named = [Line("name_pattern", _name_pattern(path.name), "guess from this one name; * matches any text")]
    if data.startswith(b"PAR1"):
        file = [Line("format", "parquet"), *named]
        return Sniffed(read_parquet(data, _table(file)), file, [], {})
    if data.startswith(b"PK"):
        return _workbook(data, named)
    encoding, text = _decoded(data)
    coded = [Line("encoding", encoding, _encoding_note(encoding))] if encoding != "utf-8" else []
    if _JSON.match(text):
        return _json(data, text, [*named, *coded])
    return _delimited(data, text, [*named, *coded])


def _table(lines: list[Line]) -> FileTable:
    return FileTable.model_validate({line.key: line.value for line in lines})


def _name_pattern(name: str) -> str:
    """Return the name with `*` for the part that may change from file to file: from its first digit to its extension."""
    stem, dot, ending = fit_to_store(name).rpartition(".")
    # the special characters of a shell pattern would not match themselves
    head = re.sub(r"[*?\[\]]", "?", re.split(r"\d", stem if dot else name)[0])
    return f"{head}*{dot}{ending}" if dot and ending.isalnum() else "*"


def _decoded(data: bytes) -> tuple[str, str]:
    first: UnreadableExport | None = None
    for encoding in _ENCODINGS:
        try:
            return encoding, decode(data, encoding)
        except UnreadableExport as fault:
            first = first or fault
    assert first is not None
    raise first


def _encoding_note(encoding: str) -> str:
    eight_bit = encoding in ("cp1252", "latin-1")
    return "guess: it is not UTF-8. Check that names with accents come out right" if eight_bit else ""


# ---- workbooks -----------------------------------------------------------------------------------------------------------------------------


def _workbook(data: bytes, named: list[Line]) -> Sniffed:
    sheets = first_rows(data, _LINES_EXAMINED)
    name, sheet = max(sheets.items(), key=lambda item: item[1].height * item[1].width)
    rows = [[(cell or "").strip() for cell in row] for row in sheet.iter_rows()]
    place = _header_place(rows, None)
    note = f"the largest of {len(sheets)} sheets" if len(sheets) > 1 else ""
    file = [Line("format", "xlsx"), *named, Line("sheet", name, note)]
    file += _header_lines(rows, place, [next(filter(None, row), "") for row in rows], "")
    preamble = ["\t".join(row).rstrip("\t") for row in rows[:place]] if place else []
    patterns, carried = _preamble(preamble, "")
    return _read_tables(partial(read_xlsx, data), file, _sum_rows(rows, place), patterns, carried)


# ---- text ----------------------------------------------------------------------------------------------------------------------------------


def _delimited(data: bytes, text: str, named: list[Line]) -> Sniffed:
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    separator, quote, width = _separator(lines[:_LINES_EXAMINED])
    tail_from = max(len(lines) - 2 * _LONGEST_TRAILER, 0)
    rows = [_fields(line, separator, quote) for line in lines[:_LINES_EXAMINED]]
    place = _header_place(rows, width)
    kind = "tsv" if separator == "\t" else "csv"
    file = [Line("format", kind), *named]
    file += [Line("delimiter", separator)] if separator not in (",", "\t") else []
    file += [Line("quote", quote)] if quote != '"' else []
    file += _header_lines(rows, place, lines, separator)
    first_row = 0 if place is None else place + 1
    tail = [
        line for at, line in enumerate(lines[tail_from:], tail_from) if at >= first_row and line.strip(f" {separator}")
    ]
    file += _comment(lines[first_row:_LINES_EXAMINED])
    patterns, carried = _preamble(lines[:place] if place else [], separator.strip())
    return _read_tables(partial(read_delimited, data), file, _trailer(tail, width, separator, quote), patterns, carried)


def _read_tables(
    read: Callable[[FileTable], RawExport],
    file: list[Line],
    trailer: list[Line],
    patterns: list[Line],
    carried: dict[str, str],
) -> Sniffed:
    """Read a table or several, with a guessed trailer only if it hides no line like a row. Raises UnreadableExport if neither can be.

    `trailer`: keys of which one at most is right, the best first.
    """
    several = [Line("repeated_header", True, "the column names occur again: each time, a table of its own begins")]
    faults: list[UnreadableExport] = []
    trailers: list[list[Line]] = [*([line] for line in trailer), []]
    for lines in ([*file, *more, *end] for end in trailers for more in ([], several)):
        table = _table(lines).model_copy(update={"preamble": {line.key: str(line.value) for line in patterns}})
        try:
            raw = set_summaries_aside(read(table), ())
        except UnreadableExport as fault:
            faults.append(fault)
            continue
        varying = [name for name in raw.cells.columns if name.startswith("@")]
        counted = {name: dict(raw.cells.get_column(name).value_counts(sort=True).iter_rows()) for name in varying}
        return Sniffed(raw._replace(cells=raw.cells.drop(varying)), lines, patterns, carried, counted)
    # the reason without any guess
    raise faults[-2]


def _fields(line: str, separator: str, quote: str) -> list[str]:
    try:
        row = next(csv.reader([line], delimiter=separator, quotechar=quote, skipinitialspace=True), [])
    except csv.Error:
        row = line.split(separator)
    return [cell.strip() for cell in row]


def _separator(lines: list[str]) -> tuple[str, str, int]:
    """Return the separator that splits most lines into the same number of fields, the quote, and that number.

    csv.Sniffer does not allow for preambles and trailers and takes a decimal comma for a delimiter, so lines are counted instead.
    """
    filled = [line for line in lines if line.strip()]
    quote = "'" if _quoted(filled, "'") > _quoted(filled, '"') else '"'
    best = (0, 0, ",")
    for separator in _SEPARATORS:
        widths = Counter(len(_fields(line, separator, quote)) for line in filled)
        width, count = max(widths.items(), key=lambda item: (item[0] > 1, item[1], item[0]), default=(1, 0))
        if width > 1:
            best = max(best, (count, width, separator), key=lambda found: found[:2])
    count, width, separator = best
    if count == 0:
        raise UnreadableExport(
            "no line has columns separated by a comma, semicolon, tab or |, so the file is not a table that can be drafted",
            "open the file in an editor; if it is a table, write its profile by hand (schemas/profile.md)",
        )
    return separator, quote, width


def _quoted(lines: list[str], quote: str) -> int:
    return sum(len(re.findall(rf"(?:^|[,;\t|]){quote}[^{quote}]*{quote}(?=[,;\t|]|$)", line)) for line in lines)


def _header_place(rows: list[list[str]], width: int | None) -> int | None:
    """Return the row of the column names, from 0: the first one as wide as the table that holds words. None where there are no names."""
    wide = width or Counter(sum(map(bool, row)) for row in rows).most_common(1)[0][0]
    for place, row in enumerate(rows):
        names = [cell for cell in row if cell]
        is_wide = (width is None or len(row) == width) and len(names) >= 0.6 * wide
        if is_wide and len(names) > 1:
            numbers = sum(bool(_NUMBER.fullmatch(name)) for name in names)
            return place if numbers <= 0.2 * len(names) and len(set(names)) > 0.5 * len(names) else None
    raise UnreadableExport(
        "no row looks like the header of a table",
        "if the file is a table, write its profile by hand (schemas/profile.md)",
    )


def _header_lines(rows: list[list[str]], place: int | None, written: list[str], separator: str) -> list[Line]:
    """Return the keys for the header: its row, or how it starts where a preamble of any length precedes it. `written`: the raw lines."""
    if place is None:
        width = max(map(len, rows))
        names = [f"column {number}" for number in range(1, width + 1)]
        return [Line("header_row", 0, "no line with names was found"), Line("columns", names, "give them better names")]
    if place == 0:
        return []
    starts = rows[place][0] + separator
    begin = [line.strip().startswith(starts) for line in written[: place + 1]]
    if rows[place][0] and begin[-1] and not any(begin[:-1]):
        return [Line("header_starts_with", starts, f"line {place + 1}; the lines above are the preamble")]
    return [Line("header_row", place + 1)]


def _trailer(tail: list[str], width: int, separator: str, quote: str) -> list[Line]:
    """Return the keys that may describe lines at the end that are not rows, the best first: narrower than the table, or named as a sum."""
    rows = [_fields(line, separator, quote) for line in tail]
    odd = 0
    for row in reversed(rows):
        if len(row) == width and not _SUMS.match(row[0]):
            break
        odd += 1
    if not 0 < odd <= _LONGEST_TRAILER or odd == len(tail):
        return []
    if odd == 1 and len(rows[-1]) < width and _shape(rows[-1][0]) in {_shape(row[0]) for row in rows[:-1]}:
        # a row that is cut off: the run puts it into quarantine
        return []
    # as the line is written: with a quote before it the word would not be found
    word = re.split(r"\d", tail[-odd].lstrip().split(separator)[0])[0].rstrip()
    by_word = [Line("trailer_starts_with", word, "guess: the last line is not a row")]
    by_number = [Line("trailer_lines", odd, "guess: this many lines at the end are not rows")]
    return [*(by_word if len(word) > 2 and word[0].isalpha() else []), *by_number]


def _shape(cell: str) -> str:
    """Return the pattern of a cell: the same for "LB2122" and "LB2119"."""
    return re.sub(r"[^\W\d_]+", "a", re.sub(r"\d+", "9", cell.strip()))


def _sum_rows(rows: list[list[str]], place: int | None) -> list[Line]:
    """Return the key for a workbook's last row that is named as a sum; only where all rows were examined."""
    body = rows[(-1 if place is None else place) + 1 :]
    filled = [row for row in body if any(row)]
    if len(rows) < _LINES_EXAMINED and len(filled) > 1 and _SUMS.match(filled[-1][0]):
        word = re.split(r"\d", filled[-1][0])[0].strip()
        return [Line("trailer_starts_with", word, "guess: the last row looks like a sum")]
    return []


def _comment(lines: list[str]) -> list[Line]:
    return [Line("comment", "#")] if any(line.startswith("#") for line in lines) else []


def _preamble(lines: list[str], separator: str) -> tuple[list[Line], dict[str, str]]:
    """Return a pattern for each line above the header that reads "word: value", and its value in this file."""
    between = rf"\s*[:=\t{re.escape(separator)}]+\s*"
    # characters with which a spreadsheet pads a line
    padding = rf"[\s\"{re.escape(separator)}]*"
    wanted = re.compile(rf"\s*\"?([^\W\d_][\w .\-]{{0,40}}?)\"?{between}\"?(\S.*?){padding}")
    patterns: list[Line] = []
    carried: dict[str, str] = {}
    for line in lines:
        found = wanted.fullmatch(line)
        name = _bare(found[1]) if found else ""
        if not found or not name or f"@preamble.{name}" in carried or len(carried) == _MOST_CARRIED:
            continue
        word = re.escape(found[1]).replace(r"\ ", " ").replace(r"\-", "-")
        quote = '"?' if '"' in line else ""
        pattern = rf"{word}{quote}{between}{quote}(.*?){padding}$"
        match = re.search(pattern, line)
        if match and match[1]:
            patterns.append(Line(name, pattern))
            carried[f"@preamble.{name}"] = match[1]
    return patterns, carried


def _bare(word: str) -> str:
    """Return a word as a key: lower case, without accents, `_` for spaces."""
    plain = unicodedata.normalize("NFKD", word).encode("ascii", "ignore").decode("ascii")
    return re.sub(r"\W+", "_", plain.strip().lower()).strip("_")


# ---- JSON ----------------------------------------------------------------------------------------------------------------------------------


def _json(data: bytes, text: str, named: list[Line]) -> Sniffed:
    lines = [line for line in text.splitlines() if line.strip()]
    if len(lines) > 1 and all(_is_record(line) for line in lines[:2]):
        file = [Line("format", "json_lines"), *named]
        return Sniffed(read_json_lines(data, _table(file)), file, [], {})
    if len(data) > MAX_DOCUMENT_BYTES:
        raise UnreadableExport("the document is too large to be one export", "export it in parts or as JSON lines")
    lists = _record_lists(_loaded(text))
    if not lists and len(lines) == 1 and _is_record(lines[0]):
        file = [Line("format", "json_lines", "guess: the file has only one record"), *named]
        return Sniffed(read_json_lines(data, _table(file)), file, [], {})
    if not lists:
        raise UnreadableExport("the document has no list of records { }", "check that it is an export of pitches")
    return _document(data, text, lists, named)


def _document(data: bytes, text: str, lists: dict[str, int], named: list[Line]) -> Sniffed:
    records = max(lists, key=lambda path: lists[path])
    others = ", ".join(f'"{path}"' for path in lists if path != records)
    note = f"the longest list of records; others: {others}" if others else ""
    file = [Line("format", "json"), *named, *([Line("records", records, note)] if records else [])]
    beside = dict(_beside(_loaded(text), records))
    raw = read_json_document(data, _table(file), frozenset(f"@document.{path}" for path in beside))
    carried = {ref: value for ref, value in raw.carried.items() if ref.startswith("@document.")}
    return Sniffed(raw, file, [], carried)


def _is_record(line: str) -> bool:
    try:
        return isinstance(json.loads(line), dict)
    except (ValueError, RecursionError):
        return False


def _loaded(text: str) -> Any:
    try:
        return json.loads(text)
    except RecursionError:
        raise UnreadableExport("the document is nested too deeply", "export the file again") from None
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, character {error.colno}"
        raise UnreadableExport(syntax_fault("file", error, where), "export the file again") from None
    except ValueError as error:
        raise UnreadableExport(f"the file is not valid JSON: {error}", "export the file again") from None


def _record_lists(document: Any, path: str = "", depth: int = 0) -> dict[str, int]:
    """Return every list of objects in the document, by path with its length."""
    if isinstance(document, list) and document and all(isinstance(record, dict) for record in document):
        return {path: len(document)}
    found: dict[str, int] = {}
    if isinstance(document, dict) and depth < _DEEPEST:
        for key, value in document.items():
            if "." not in key:
                found |= _record_lists(value, f"{path}.{key}" if path else key, depth + 1)
    return found


def _beside(document: Any, records: str, path: str = "", depth: int = 0) -> Iterator[tuple[str, str]]:
    """Yield the values outside the records, by path."""
    if not isinstance(document, Mapping) or depth >= _DEEPEST:
        return
    for key, value in list(document.items())[:_MOST_CARRIED]:
        place = f"{path}.{key}" if path else str(key)
        if place == records or "." in str(key):
            continue
        if isinstance(value, str | int | float):
            yield place, str(value)
        else:
            yield from _beside(value, records, place, depth + 1)
