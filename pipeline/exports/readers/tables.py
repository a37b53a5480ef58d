"""Tell the rows of a text table or sheet from what is not a row: blank lines, titles, repeated headers, trailers, summaries.

A throw must never be lost as a trailer, nor counted for the pitcher of another table. So a second table, or a line like a row among
those that the profile calls no rows, refuses the file unless `repeated_header` says that each header starts a table of its own.
"""

import re
from collections.abc import Collection, Sequence
from typing import NamedTuple

import polars as pl

from pipeline.exports.readers.raw import (
    FILE_ROW,
    SHOWN_CHARACTERS,
    LeftOut,
    Problems,
    RawExport,
    UnreadableExport,
    printable,
)
from pipeline.settings.patterns import first_value, found_in
from pipeline.settings.profile_tables import FileTable
from pipeline.words import pluralize

# a line is a header if it has this share of the column names (common practice, no source)
_HEADER_SHARE = 0.6
# a column counts as filled with numbers if this share of the rows has a digit in it (common practice, no source) ...
_NUMBERED_SHARE = 0.9
# ... and a line is like a row if it has a digit in this share of those columns (common practice, no source)
_ROW_LIKE_SHARE = 0.8
# rows that are enough to know the columns
_ROWS_EXAMINED = 2_000
# characters of a line in a message
_SHOWN = 60
# a summary names itself in one of the first columns
_COLUMNS_SEARCHED = 20
# lines that are no rows are kept up to this many, for people
_LINES_KEPT = 20
# first cells of a summary; none of them is a name
_SUMMARY = (
    r"(?i)^\W*(grand )?(totals?|subtotals?|averages?|avg|means?|medians?|summe|gesamt|mittelwert|durchschnitt|promedio|moyenne)"
    r"\b[\W\d]*((of|pitches|throws|rows|session)\b)?[\W\d]*$"
)
# ... and those that may be a name or a label as well, so that the other cells must tell
_LIKELY_SUMMARY = r"(?i)^\W*(sums?|counts?|max|min|maximum|minimum|std|sd|range|best|end)\b[\W\d]*$"


class BodyLines(NamedTuple):
    """The lines below the first header. `text`: as written (cells of a sheet joined by a tab); `number`: as a person counts.

    `headers`: the cells of the lines of `is_header`; `separator`: the character between the cells of `text`.
    """

    text: pl.Series
    number: pl.Series
    is_blank: pl.Series
    is_header: pl.Series
    headers: Sequence[Sequence[str | None]]
    separator: str


class TableParts(NamedTuple):
    """Which lines are rows. `table`: number of a line's table, from 0; `is_left_out`: neither a row nor
    blank, a comment or a repeated header.

    `titles`: the lines above each table's header.
    """

    is_row: pl.Series
    is_left_out: pl.Series
    table: pl.Series
    titles: list[list[str]]


def split_tables(body: BodyLines, header: Sequence[str | None], preamble: Sequence[str], file: FileTable) -> TableParts:
    """Divide the lines below the first header into rows and others. Raises UnreadableExport for a second table that the profile denies."""
    stripped = body.text.str.strip_chars_start()
    is_comment = stripped.str.starts_with(file.comment) if file.comment is not None else body.is_blank & False
    written = ~body.is_blank & ~is_comment & ~body.is_header
    if body.is_header.any() and not file.repeated_header:
        raise _second_table(int(body.number.filter(body.is_header)[0]), int(written.sum()))
    _refuse_other_columns(body, header, int(written.sum()))
    closes = _is_trailer(stripped, file)
    if file.repeated_header:
        for pattern in file.preamble.values():
            closes |= written & found_in(body.text, pattern)
    lines = pl.DataFrame({"table": body.is_header.cum_sum(), "closes": closes & ~body.is_header, "written": written})
    lines = lines.with_columns(is_row=pl.col("written") & ~pl.col("closes").cum_max().over("table"))
    if body.is_header.any():
        lines = lines.with_columns(is_row=pl.col("is_row") & ~_is_title(body, header, lines))
    if file.trailer_lines:
        from_end = pl.col("is_row").cum_sum(reverse=True).over("table")
        lines = lines.with_columns(is_row=pl.col("is_row") & (from_end > file.trailer_lines))
    is_row, table = lines.get_column("is_row"), lines.get_column("table")
    left_out = written & ~is_row
    titles = [list(preamble), *_titles_between(body, left_out & ~_is_trailer(stripped, file), table)]
    return TableParts(is_row, left_out, table, titles)


def _is_title(body: BodyLines, header: Sequence[str | None], lines: pl.DataFrame) -> pl.Series:
    """Return whether each line is a title by its place: directly above a repeated header, with words in few of its cells."""
    cells = body.text.str.split(body.separator)
    filled = cells.list.eval(pl.element().str.strip_chars(" \t\"'") != "").list.sum()
    few = (filled < _HEADER_SHARE * len(_folded(header))) & body.text.str.contains(r"^\W*\pL")
    marked = lines.with_columns(few=few)
    row_follows = (pl.col("written") & ~pl.col("few")).cum_sum(reverse=True).over("table") > 0
    return marked.select(pl.col("few") & ~row_follows & (pl.col("table") < len(body.headers))).to_series()


def _is_trailer(stripped: pl.Series, file: FileTable) -> pl.Series:
    """Return whether each line starts as the profile's trailer does."""
    return stripped.str.starts_with(file.trailer_starts_with or "\0")


def _titles_between(body: BodyLines, left_out: pl.Series, table: pl.Series) -> list[list[str]]:
    """Return the lines above each repeated header that are neither rows nor the trailer."""
    found: list[list[str]] = [[] for _ in range(int(body.is_header.sum()))]
    for text, place in zip(body.text.filter(left_out), table.filter(left_out), strict=True):
        if place < len(found):
            found[place].append(text)
    return found


def _second_table(line: int, rows: int) -> UnreadableExport:
    return UnreadableExport(
        f"a second table starts in line {line}, where the column names occur again",
        "set repeated_header = true in [file] of the profile, with a pattern in [file.preamble] for each title above a table, such as the "
        "pitcher; or export each table as a file of its own",
        rows,
    )


def is_header_line(cells: Sequence[str | None], names: Sequence[str | None]) -> bool:
    """Return whether a line's cells are the column names, or most of them."""
    wanted = {*_folded(names)} - {""}
    found = {cell.strip().casefold() for cell in cells if cell} & wanted
    return bool(found) and len(found) >= max(min(2, len(wanted)), _HEADER_SHARE * len(wanted))


def _refuse_other_columns(body: BodyLines, names: Sequence[str | None], rows: int) -> None:
    """Refuse a file in which a repeated header differs from the first: its columns would get wrong names."""
    first = _folded(names)
    for line, cells in zip(body.number.filter(body.is_header), body.headers, strict=True):
        if _folded(cells) != first:
            raise UnreadableExport(
                f"the table that starts in line {line} has other columns than the first one",
                "export each table as a file of its own",
                rows,
            )


def _folded(cells: Sequence[str | None]) -> list[str]:
    """Return the cells of a header as compared: without case, spaces and empty cells at the end."""
    folded = [(cell or "").strip().casefold() for cell in cells]
    while folded and not folded[-1]:
        folded.pop()
    return folded


def refuse_hidden_rows(left_out: pl.DataFrame, rows: pl.DataFrame, read: int) -> None:
    """Refuse a file with lines like rows among those that the profile calls no rows. Both frames: cells as text, with file_row.

    `read`: lines of the file that are or may be rows.
    """
    hidden = left_out.filter(
        _row_like(left_out, rows) & ~_starts_as(left_out, _SUMMARY) & ~_starts_as(left_out, _LIKELY_SUMMARY)
    )
    if hidden.is_empty():
        return
    first = int(hidden.get_column(FILE_ROW)[0])
    more = f" and {pluralize(hidden.height - 1, 'more line')} like it" if hidden.height > 1 else ""
    raise UnreadableExport(
        f"line {first}{more} looks like a row, but is left out by the profile (a second table, or rows below the trailer)",
        "correct the trailer in [file] of the profile; for a second table, repeat the column names above it and set repeated_header = true, "
        "or export it as a file of its own",
        read,
    )


def set_summaries_aside(raw: RawExport, exempt: Collection[str]) -> RawExport:
    """Move rows that are a summary (total, mean) to the problems: counted as a throw, one would invent a pitch.

    `exempt`: first cells, in lower case, that the profile knows as a word of its own.
    """
    first = _first_cells(raw.cells)
    is_summary, is_likely = _starts_as(raw.cells, _SUMMARY), _starts_as(raw.cells, _LIKELY_SUMMARY)
    if is_likely.any():
        is_summary |= is_likely & ~_row_like(raw.cells, raw.cells.filter(~(is_summary | is_likely)))
    is_summary &= ~first.str.to_lowercase().is_in(list(exempt))
    if not is_summary.any():
        return raw
    problems = Problems([])
    for number, word in zip(raw.cells.get_column(FILE_ROW).filter(is_summary), first.filter(is_summary), strict=True):
        problems.add_row(
            number,
            word,
            f"the line is a summary ('{printable(word, _SHOWN)}'), not a pitch",
            "name its first word as trailer_starts_with in [file] of the profile, or list it in a [[no_pitch]] rule",
        )
    return raw._replace(cells=raw.cells.filter(~is_summary), problems=pl.concat([raw.problems, problems.frame()]))


def _own_columns(cells: pl.DataFrame) -> list[str]:
    """Return the export's own columns."""
    return [name for name in cells.columns if name != FILE_ROW and not name.startswith("@preamble.")]


def _first_cells(cells: pl.DataFrame) -> pl.Series:
    """Return each row's first filled cell, or an empty text."""
    filled = (pl.col(name).str.strip_chars().replace("", None) for name in _own_columns(cells)[:_COLUMNS_SEARCHED])
    return cells.select(pl.coalesce(*filled, pl.lit("")).alias("first")).to_series()


def _starts_as(cells: pl.DataFrame, pattern: str) -> pl.Series:
    return _first_cells(cells).str.contains(pattern)


def _row_like(lines: pl.DataFrame, rows: pl.DataFrame) -> pl.Series:
    """Return whether each line has numbers where the rows have them; without rows, whether most of its cells are filled."""
    if lines.is_empty():
        return pl.Series([], dtype=pl.Boolean)
    names = _own_columns(lines)
    has_digit = [pl.col(name).str.contains("[0-9]").fill_null(False).alias(name) for name in names]
    known = rows.head(_ROWS_EXAMINED).select(has_digit)
    shares = known.mean().row(0) if known.height else ()
    numbered = [name for name, share in zip(names, shares, strict=False) if share >= _NUMBERED_SHARE]
    marks = lines.select(has_digit)
    if len(numbered) >= 2:
        return marks.select(pl.sum_horizontal(numbered) >= _ROW_LIKE_SHARE * len(numbered)).to_series()
    filled = [pl.col(name).str.strip_chars().fill_null("") != "" for name in names]
    is_full = lines.select(pl.sum_horizontal(filled) >= _HEADER_SHARE * len(names)).to_series()
    return is_full & marks.select(pl.sum_horizontal(names) >= min(2, len(names))).to_series()


def with_tables(raw: RawExport, body: BodyLines, parts: TableParts, file: FileTable) -> RawExport:
    """Add what the lines between the rows hold: the left-out lines, and a column for each value that differs from table to table."""
    _refuse_other_title(raw, body, parts, file)
    first_lines = [len(parts.titles[0]) + 1, *body.number.filter(body.is_header)]
    stated = _table_values(parts, first_lines, file)
    varying = {ref: values for ref, values in stated.items() if len(set(values)) > 1}
    by_row = pl.DataFrame({FILE_ROW: body.number, "table": parts.table}).cast(pl.UInt32)
    values = pl.DataFrame({"table": range(len(parts.titles))} | varying, schema_overrides={"table": pl.UInt32})
    cells = raw.cells
    if varying:
        by_row = by_row.join(values, on="table", how="left").drop("table")
        cells = cells.join(by_row, on=FILE_ROW, how="left", maintain_order="left").select(*varying, *cells.columns)
    numbers, texts = body.number.filter(parts.is_left_out), body.text.filter(parts.is_left_out)
    first = tuple(zip(numbers.head(_LINES_KEPT), texts.head(_LINES_KEPT).str.slice(0, SHOWN_CHARACTERS), strict=True))
    return raw._replace(cells=cells, left_out=LeftOut(numbers.len(), first))


def _refuse_other_title(raw: RawExport, body: BodyLines, parts: TableParts, file: FileTable) -> None:
    """Refuse a file in which a line among the rows states a value of the preamble again, and differently: the rows below it are another's."""
    if file.repeated_header or not raw.carried:
        return
    rows = raw.cells.filter(_row_like(raw.cells, raw.cells)).get_column(FILE_ROW).cast(pl.Int64)
    last = rows.max()
    is_other = ~body.is_blank & ~body.number.is_in(rows.implode())
    is_other &= body.number < (last if isinstance(last, int) else 0)
    for number, text in zip(body.number.filter(is_other), body.text.filter(is_other), strict=True):
        for name, pattern in file.preamble.items():
            value, above = first_value([text], pattern), raw.carried.get(f"@preamble.{name}")
            if value is not None and above is not None and value != above:
                raise UnreadableExport(
                    f"a second table starts in line {number}, which states @preamble.{name} as '{printable(value, _SHOWN)}' "
                    f"and not as '{printable(above, _SHOWN)}'",
                    "export each table as a file of its own, or repeat the column names above each one and set repeated_header = true in "
                    "[file] of the profile",
                    int((parts.is_row | parts.is_left_out).sum()),
                )


def _table_values(parts: TableParts, first_lines: Sequence[int], file: FileTable) -> dict[str, list[str | None]]:
    """Return the values of [file.preamble] for each table, by reference; `first_lines`: the number of each table's header.

    A table without lines of its own above it continues the one before, as the next page of a printout does. Raises UnreadableExport where a
    table has such lines but lacks a value that another table states: its rows would count for the wrong pitcher or day.
    """
    if len(parts.titles) == 1:
        return {}
    known = {_shape(line) for line in parts.titles[0]} | {""}
    found: dict[str, list[str | None]] = {}
    for name, pattern in file.preamble.items():
        # of several lines that state a value, the one closest to the header counts
        stated = [first_value(reversed(lines), pattern) for lines in parts.titles]
        if not any(stated):
            continue
        for place, value in enumerate(stated):
            if value is not None:
                continue
            odd = _unknown_titles(parts.titles[place], known, file)
            if place == 0 or odd:
                raise UnreadableExport(
                    f"the table that starts in line {first_lines[place]} does not state @preamble.{name}, which another table states"
                    + (f"; above it: '{printable(odd[0].strip(), _SHOWN)}'" if odd else ""),
                    f"correct the pattern {name} in [file.preamble] of the profile, or the line in the export",
                    int(parts.is_row.sum()),
                )
            stated[place] = stated[place - 1]
        found[f"@preamble.{name}"] = stated
    return found


def _unknown_titles(titles: Sequence[str], known: Collection[str], file: FileTable) -> list[str]:
    """Return the lines above a table that no pattern and no line above the first table explains."""
    lines = pl.Series(titles, dtype=pl.String)
    explained = lines.str.contains(_SUMMARY)
    for pattern in file.preamble.values():
        explained |= found_in(lines, pattern)
    return [line for line in lines.filter(~explained) if _shape(line) not in known]


def _shape(line: str) -> str:
    """Return a line without digits and surrounding spaces: "Page 1" and "Page 2" are alike."""
    return re.sub(r"\d+", "", line).strip(" \t,;|\"'")
