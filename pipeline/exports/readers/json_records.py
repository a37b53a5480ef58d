"""JSON lines and JSON documents: each record flattened to columns by path ("release.pos.0"), every value as the text in the file."""

import json
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import islice
from typing import Any, NamedTuple

import polars as pl

from pipeline.exports.readers.delimited import check_line_count, decode
from pipeline.exports.readers.raw import (
    FILE_ROW,
    LONGEST_LINE,
    Problems,
    RawExport,
    UnreadableExport,
    check_shape,
    printable,
    shown,
)
from pipeline.settings.profile_tables import FileTable

# a complete document is held as Python objects, about ten times its size
MAX_DOCUMENT_BYTES = 64 * 2**20
# ... and each value takes a hundred bytes, however short it is
_MOST_VALUES = 10_000_000
# a list with more values stays one text: a recorded curve is not a reading
_LONGEST_LIST = 64
# an object nested deeper stays one text
_DEEPEST = 32
_NAME_SHOWN = 60
# another list is compared by its first records; it is like the one that is read if it has this share of the keys (common practice, no source)
_RECORDS_EXAMINED = 5
_SAME_KEYS = 0.6
_ROWS_AT_ONCE = 5_000
_HALF = re.compile("[\ud800-\udfff]")
_TWICE = "the key occurs twice in one record with different values: neither was used"

Record = dict[str, str | None]


class _Twice(NamedTuple):
    """The different values of one key of one object: JSON does not say which of them counts."""

    values: tuple[Any, ...]


def read_json_lines(data: bytes, file: FileTable) -> RawExport:
    """Read one record per line; set a line that is not a JSON object aside. Raises UnreadableExport."""
    text = decode(data, file.encoding)
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    check_line_count(text)
    lines = text.split("\n")
    problems = Problems([])
    load = _loader(file.decimal)
    rows = (
        (number, _record(line, number, load, problems))
        for number, line in enumerate(lines, 1)
        if line.strip(" \t\x00\x1a")
    )
    cells = _table(_flat(((number, record) for number, record in rows if record is not None), "\\u" in text, problems))
    if cells.is_empty() and len(problems.lines) > 0:
        raise UnreadableExport(
            f"no line is a JSON object; line {problems.lines[0][1]}: {problems.lines[0][5]}",
            "check format in [file] of the profile",
        )
    return RawExport(cells, {}, problems.frame(), cells.height + problems.rows())


def read_json_document(data: bytes, file: FileTable, wanted: frozenset[str]) -> RawExport:
    """Read the records at the profile's path; `wanted` are the references to values of the document. Raises UnreadableExport."""
    if len(data) > MAX_DOCUMENT_BYTES:
        raise UnreadableExport(
            f"the document has {len(data) / 2**20:.0f} MB, more than {MAX_DOCUMENT_BYTES // 2**20}",
            "export it in parts or as JSON lines",
        )
    text = decode(data, file.encoding)
    # signs inside texts count too: there are few of them
    if (values := sum(map(text.count, ",[{"))) > _MOST_VALUES:
        raise UnreadableExport(
            f"the document has about {values:,} values; {_MOST_VALUES:,} are allowed",
            "export it in parts or as JSON lines",
        )
    document = _document(text, file)
    records = _value_at(document, file.records)
    if not isinstance(records, list):
        raise UnreadableExport(
            f"the document has no list of records at '{file.records}'{_seen_keys(document)}",
            "correct records in [file] of the profile",
        )
    check_shape(len(records), 1)
    problems = Problems([])
    cells = _table(_flat(_objects(records, problems), "\\u" in text, problems))
    _note_other_lists(document, file.records, cells.columns, problems)
    carried = {
        ref: _without_surrogates(held)
        for ref in wanted
        if (held := _text(_value_at(document, ref.removeprefix("@document.")))) is not None
    }
    return RawExport(cells, carried, problems.frame(), cells.height + problems.rows())


def _note_other_lists(document: Any, read: str, names: Sequence[str], problems: Problems) -> None:
    """Note each other list whose records have the keys of those that are read: its records are not read."""
    wanted = {name.split(".")[0] for name in names if name != FILE_ROW}
    pending = [("", document, 0)]
    while pending:
        path, value, depth = pending.pop()
        if isinstance(value, dict) and depth < _DEEPEST:
            pending += [(f"{path}.{key}" if path else str(key), part, depth + 1) for key, part in value.items()]
        elif isinstance(value, list) and path != read:
            records = [part for part in value[:_RECORDS_EXAMINED] if isinstance(part, dict)]
            if wanted and any(len(wanted & set(record)) >= _SAME_KEYS * len(wanted) for record in records):
                problems.add_note(
                    f"the list '{printable(path, _NAME_SHOWN)}' has {len(value)} records like those of '{printable(read, _NAME_SHOWN)}', but is not read",
                    "if pitches are in it, export each list as a file of its own",
                )
            elif depth < _DEEPEST and read.startswith(f"{path}."):
                pending += [(f"{path}.{place}", part, depth + 1) for place, part in enumerate(value)]


def _flatten(
    prefix: str, items: Iterable[tuple[Any, Any]], found: Record, twice: dict[str, tuple[Any, ...]], depth: int
) -> None:
    """Put an object's values into `found` by path, and paths with several values into `twice`.

    A long list, and an object nested too deeply, stays one text.
    """
    for key, value in items:
        path = f"{prefix}{key}"
        # nearly all values are plain, and numbers are texts already: they come first for speed
        if value is None or value.__class__ is str:
            text = value
        elif isinstance(value, dict) and depth < _DEEPEST:
            _flatten(f"{path}.", value.items(), found, twice, depth + 1)
            continue
        elif isinstance(value, _Twice):
            twice[path] = value.values
            text = None
        elif isinstance(value, list) and len(value) <= _LONGEST_LIST and depth < _DEEPEST:
            _flatten(f"{path}.", enumerate(value), found, twice, depth + 1)
            continue
        else:
            text = _text(value)
        # {"a.b": 1, "a": {"b": 2}} has one path for two values too
        if path in found and found[path] != text:
            twice[path] = (*twice.get(path, (found[path],)), value)
        found[path] = text


def _flat(
    records: Iterable[tuple[int, dict[str, Any]]], may_have_surrogates: bool, problems: Problems
) -> Iterator[tuple[int, Record]]:
    """Flatten record by record; set one that is nested too deeply aside."""
    for number, record in records:
        flat: Record = {}
        twice: dict[str, tuple[Any, ...]] = {}
        try:
            _flatten("", record.items(), flat, twice, 0)
        except RecursionError:
            problems.add_row(number, None, "the record is nested too deeply", "export the file again")
            continue
        for path, values in twice.items():
            flat[path] = None
            problems.add_value(
                number, path, _listed(values), _TWICE, "correct the software that wrote the file, and export it again"
            )
        yield number, _report_surrogates(flat, number, problems) if may_have_surrogates else flat


def _listed(values: tuple[Any, ...]) -> str:
    return " / ".join(_text(value) or "null" for value in values)


def _report_surrogates(flat: Record, number: int, problems: Problems) -> Record:
    r"""Replace halves of characters (\ud800), which JSON can write and no text can hold, by �; and report them."""
    repaired: Record = {}
    for key, value in flat.items():
        safe_key, safe_value = _without_surrogates(key), None if value is None else _without_surrogates(value)
        repaired[safe_key] = safe_value
        if (safe_key, safe_value) != (key, value):
            problems.add_value(
                number,
                safe_key,
                safe_value,
                "half of a character (\\ud800 … \\udfff) was replaced by �",
                "export the file again",
            )
    return repaired


def _without_surrogates(text: str) -> str:
    return text if text.isascii() else _HALF.sub("�", text)


def _text(value: Any) -> str | None:
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "true" if value else "false"
    return shown(repr(value))


@lru_cache(maxsize=2)
def _loader(decimal: str) -> Callable[[str], Any]:
    """Return a JSON parser that keeps numbers as written, with the decimal sign that the profile states for texts."""

    def as_written(number: str) -> str:
        return number.replace(".", decimal)

    number = str if decimal == "." else as_written
    return json.JSONDecoder(object_pairs_hook=_object, parse_float=number, parse_int=str, parse_constant=str).decode


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Build an object as json does, except that several different values of one key become _Twice: none wins silently."""
    made = dict(pairs)
    if len(made) < len(pairs):
        values: dict[str, list[Any]] = {}
        for key, value in pairs:
            values.setdefault(key, []).append(value)
        made |= {key: _Twice(tuple(held)) for key, held in values.items() if any(one != held[0] for one in held)}
    return made


def _record(line: str, number: int, load: Callable[[str], Any], problems: Problems) -> dict[str, Any] | None:
    if len(line) > LONGEST_LINE:
        problems.add_row(
            number, line[:1000], f"the line is longer than {LONGEST_LINE} characters", "export the file again"
        )
        return None
    try:
        record = load(line)
    except json.JSONDecodeError as error:
        problems.add_row(
            number,
            line[:1000],
            syntax_fault("line", error, f"character {error.colno}"),
            "export the file again, or correct the line",
        )
        return None
    except RecursionError:
        problems.add_row(number, line[:1000], "the record is nested too deeply", "export the file again")
        return None
    if isinstance(record, dict):
        return record
    problems.add_row(
        number, line[:1000], "the line is not a JSON object { }", "export the file again, or correct the line"
    )
    return None


def syntax_fault(part: str, error: json.JSONDecodeError, place: str) -> str:
    """Return what is wrong with a line or file that is not JSON; one that ends too early is cut off."""
    if error.msg.startswith("Unterminated string") or error.pos >= len(error.doc.rstrip(" \t\n\x00\x1a")):
        return f"the {part} is cut off"
    return f"the {part} is not valid JSON: {error.msg} at {place}"


def _document(text: str, file: FileTable) -> Any:
    try:
        return _loader(file.decimal)(text)
    except json.JSONDecodeError as error:
        raise UnreadableExport(
            syntax_fault("file", error, f"line {error.lineno}, character {error.colno}"),
            'export the file again; a file with one record per line needs format = "json_lines"',
        ) from None
    except RecursionError:
        raise UnreadableExport("the document is nested too deeply", "export the file again") from None


def _value_at(document: Any, path: str) -> Any:
    """Return the value at the path of the document, null for none. Raises UnreadableExport where there are two different values."""
    for part in path.split(".") if path else ():
        if isinstance(document, dict):
            document = document.get(part)
        elif isinstance(document, list) and part.isdecimal() and int(part) < len(document):
            document = document[int(part)]
        else:
            return None
        if isinstance(document, _Twice):
            raise UnreadableExport(
                f"the key '{printable(part, _NAME_SHOWN)}' occurs twice in one object with different values: it is not known which counts",
                "correct the software that wrote the file, and export it again",
            )
    return document


def _seen_keys(document: Any) -> str:
    return f"; the document has: {', '.join(map(str, list(document)[:20]))}" if isinstance(document, dict) else ""


def _objects(records: list[Any], problems: Problems) -> Iterator[tuple[int, dict[str, Any]]]:
    for number, record in enumerate(records, 1):
        if isinstance(record, dict):
            yield number, record
        else:
            problems.add_row(
                number,
                _text(record),
                "the record is not a JSON object { }",
                "export the file again, or correct the record",
            )


def _table(rows: Iterator[tuple[int, Record]]) -> pl.DataFrame:
    """Return the rows as one frame; a key that a record lacks is null there."""
    parts: list[pl.DataFrame] = []
    names: dict[str, None] = {}
    counted = _with_names_counted(rows, names)
    while batch := list(islice(counted, _ROWS_AT_ONCE)):
        check_shape(sum(part.height for part in parts) + len(batch), len(names))
        parts.append(_frame(batch))
    return pl.concat(parts or [_frame([])], how="diagonal")


def _with_names_counted(rows: Iterator[tuple[int, Record]], names: dict[str, None]) -> Iterator[tuple[int, Record]]:
    """Add the keys of each row to `names`. Raises UnreadableExport as soon as they are too many."""
    for row in rows:
        names.update(dict.fromkeys(row[1]))
        check_shape(1, len(names))
        yield row


def _frame(rows: list[tuple[int, Record]]) -> pl.DataFrame:
    names = dict.fromkeys(name for _, record in rows for name in record)
    columns = {_safe(name): pl.Series([record.get(name) for _, record in rows], dtype=pl.String) for name in names}
    return pl.DataFrame(columns | {FILE_ROW: pl.Series([number for number, _ in rows], dtype=pl.UInt32)})


def _safe(name: str) -> str:
    return f"{name}#1" if name == FILE_ROW else name
