"""The cells of an export that its profile reads: stripped text with nulls, and numbers where the profile expects numbers."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import polars as pl

from pipeline.exports.inbox import ExportFile
from pipeline.exports.readers.raw import FILE_ROW, RawExport
from pipeline.settings.metric_tables import columns, text_columns
from pipeline.settings.profile import Profile

if TYPE_CHECKING:
    from pipeline.settings.ledger import TrackerSettings

# [0-9] and not \d: that is every script's digits, and costs a millisecond a column to compile
_NUMBER = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$"
# besides the usual white space: no-break and figure spaces, and a byte order mark
_SPACES = " \t\r\n\u00a0\u202f\u2007\ufeff"
# the range of each count; a sequence number only has to be a whole number that a float holds exactly
COUNT_RANGES = {"inning": (0, 99), "outs": (0, 3), "balls": (0, 4), "strikes": (0, 3), "sequence": (-(2**53), 2**53)}


class Cells(NamedTuple):
    """The cells that a profile reads, row by row in the order in which they were thrown.

    `text`: by reference, stripped, null where empty or a null word; with file_row and file_order (from 1). `numbers`: the number columns,
    parsed. `unparsed`: file_row, column and value of each text that is not a number. `content`: a hash of the complete row.
    """

    text: pl.DataFrame
    numbers: pl.DataFrame
    unparsed: pl.DataFrame
    content: pl.Series

    @property
    def height(self) -> int:
        """Return the number of rows."""
        return self.text.height


def read_cells(raw: RawExport, profile: Profile, carried: dict[str, str]) -> Cells:
    """Return the cells that the profile names. A carried value that this file does not have is null."""
    nulls = sorted({"", *profile.file.null_words})
    text = raw.cells.select(
        FILE_ROW, *(_stripped(ref, raw.cells.columns, carried, nulls) for ref in profile.references())
    )
    content = raw.cells.drop(FILE_ROW).hash_rows(seed=0).alias("content")
    if profile.file.row_order == "newest_first":
        text, content = text.reverse(), content.reverse()
    text = text.with_row_index("file_order", offset=1)
    numbers, unparsed = _parse_numbers(text, profile)
    return Cells(text, numbers, unparsed, content)


def carried_values(raw: RawExport, tracker: "TrackerSettings", file: ExportFile) -> dict[str, str]:
    """Return each value that holds for the complete file, by its reference."""
    folder = {"@folder": file.file_name.split("/")[0]} if "/" in file.file_name else {}
    return {**raw.carried, **folder, "@tracker": tracker.id}


def _stripped(ref: str, names: Sequence[str], carried: dict[str, str], nulls: Sequence[str]) -> pl.Expr:
    is_carried = ref.startswith("@") and ref not in names
    cell = pl.lit(carried.get(ref), pl.String) if is_carried else pl.col(ref)
    stripped = cell.str.strip_chars(_SPACES)
    return pl.when(~stripped.is_in(nulls)).then(stripped).alias(ref)


def _parse_numbers(text: pl.DataFrame, profile: Profile) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the number columns parsed, and file_row, column and value of each text that is not a number."""
    null_words = _number_columns(profile)
    filled = text.with_columns(
        pl.when(~pl.col(ref).is_in(words)).then(pl.col(ref)).alias(ref) for ref, words in null_words.items() if words
    )
    numbers = filled.select(parse_number(ref, profile.file.decimal, profile.file.thousands) for ref in null_words)
    texts_by_column = filled.select(pl.col(numbers.columns).is_not_null().sum())
    numbers_by_column = numbers.select(pl.all().is_not_null().sum())
    unparsed = [
        filled.filter(filled.get_column(ref).is_not_null() & numbers.get_column(ref).is_null()).select(
            "file_row", column=pl.lit(ref), value=pl.col(ref)
        )
        for ref in numbers.columns
        if texts_by_column.get_column(ref)[0] != numbers_by_column.get_column(ref)[0]
    ]
    none = pl.DataFrame(schema={"file_row": pl.UInt32, "column": pl.String, "value": pl.String})
    return numbers, pl.concat([none, *unparsed])


def _number_columns(profile: Profile) -> dict[str, tuple[str, ...]]:
    """Return the references whose cells must be numbers, each with the additional words that mean null there."""
    found: dict[str, set[str]] = {}
    for spec in profile.metric.given().values():
        text = text_columns(spec)
        for ref in columns(spec):
            if ref not in text:
                found.setdefault(ref, set()).update(getattr(spec, "null_words", ()))
    others = [
        *(columns(profile.trajectory) if profile.trajectory else ()),
        *(ref for ref in count_columns(profile).values() if ref),
        *(rule.column for rule in profile.no_pitch if rule.below is not None or rule.above is not None),
    ]
    for ref in others:
        found.setdefault(ref, set())
    return {ref: tuple(sorted(words)) for ref, words in found.items()}


def count_columns(profile: Profile) -> dict[str, str | None]:
    """Return the references of the counts (inning, outs, balls, strikes, sequence); None where the profile names none."""
    situation = profile.situation
    return {
        "inning": situation.inning,
        "outs": situation.outs,
        "balls": situation.balls,
        "strikes": situation.strikes,
        "sequence": profile.keys.sequence,
    }


def is_count(ref: str, field: str) -> pl.Expr:
    """Return whether a number can be that count: whole, and in its range."""
    value = pl.col(ref)
    return (value == value.round()) & value.is_between(*COUNT_RANGES[field])


def parse_number(ref: str, decimal: str, thousands: str) -> pl.Expr:
    """Parse text as a number, null where it is not one. A thousands sign counts only between groups of three digits: 95,1 is never 951."""
    text = pl.col(ref).str.replace("\u2212", "-", literal=True).str.replace("\u2013", "-", literal=True)
    if thousands == " ":
        text = text.str.replace_all("[\u00a0\u202f\u2007]", " ")
    if thousands:
        point = "\\" + decimal
        sign = "\\" + thousands
        grouped = rf"^[+-]?[0-9]{{1,3}}({sign}[0-9]{{3}})+({point}[0-9]*)?$"
        text = (
            pl.when(text.str.contains(grouped)).then(text.str.replace_all(thousands, "", literal=True)).otherwise(text)
        )
    if decimal == ",":
        text = (
            pl.when(text.str.contains(".", literal=True))
            .then(pl.lit("?"))
            .otherwise(text.str.replace(",", ".", literal=True))
        )
    number = pl.when(text.str.contains(_NUMBER)).then(text).cast(pl.Float64, strict=False)
    return pl.when(number.is_finite()).then(number).alias(ref)
