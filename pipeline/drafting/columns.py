"""Describe each column of a file: its words, its numbers, and the unit in its heading."""

import re
from typing import NamedTuple

import polars as pl

from pipeline.exports.mapping.cells import parse_number
from pipeline.exports.readers.raw import FILE_ROW

# a column with at most this many different words counts as labels, and all of them are listed
MOST_WORDS = 40
# a very wide file (curves, a cell for each pixel) is described up to this column
MOST_COLUMNS = 400
# ... and a long one up to this row
MOST_ROWS = 50_000
# share of filled cells that must be numbers in a number column
_MOSTLY = 0.6
# characters of a word that may mean not measured
_LONGEST_NULL_WORD = 12
# different words of that kind in one column
_MOST_NULL_WORDS = 6
_COMMA, _POINT = r"^[+-]?\d+,\d+$", r"^[+-]?\d+\.\d+$"
_NUMBER_LIKE = r"^[+-]?\d[\d.,' \u00a0\u202f]*$"
# as a heading may write a unit, and as a profile does
_UNITS = {
    "mph": "mph", "km/h": "km/h", "kmh": "km/h", "kph": "km/h", "m/s": "m/s", "mps": "m/s", "ft/s": "ft/s", "fps": "ft/s",
    "rpm": "rpm", "rps": "revolution/s", "rev/s": "revolution/s", "1/s": "revolution/s", "rad/s": "rad/s",
    "deg": "deg", "degree": "deg", "degrees": "deg", "°": "deg", "rad": "rad", "radians": "rad", "%": "percent", "pct": "percent", "percent": "percent",
    "in": "inch", "inch": "inch", "inches": "inch", '"': "inch", "ft": "ft", "feet": "ft", "foot": "ft", "cm": "cm", "mm": "mm", "m": "m", "meters": "m",
    "metres": "m", "ms": "ms", "s": "s", "sec": "s", "seconds": "s",
}  # fmt: skip
# units are words or letters as well: only the last word of a heading, or one in brackets, is read as a unit
_BRACKETED = re.compile(r"[(\[{]\s*([^()\[\]{}]+?)\s*[)\]}]")


class Numbers(NamedTuple):
    """How the file writes numbers."""

    decimal: str
    thousands: str
    null_words: tuple[str, ...]


class Column(NamedTuple):
    """One column. `texts`: its filled cells, stripped; `values`: those that are numbers; `words`: how often each, where they are few."""

    name: str
    rows: int
    texts: pl.Series
    values: pl.Series
    words: dict[str, int] | None
    unit: str | None

    @property
    def is_number(self) -> bool:
        """Return whether most cells are numbers."""
        return self.values.len() > _MOSTLY * self.texts.len()

    @property
    def is_unique(self) -> bool:
        """Return whether every row has a value of its own."""
        return 1 < self.texts.len() == self.rows == self.texts.n_unique()

    @property
    def tokens(self) -> frozenset[str]:
        """Return the heading's words in lower case, split at capitals, digits and punctuation."""
        return frozenset(re.findall(r"[^\W\d_]+", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", self.name).lower()))


def look_at(cells: pl.DataFrame) -> tuple[list[Column], Numbers]:
    """Return the columns of a file's text cells, and how the file writes numbers."""
    names = [name for name in cells.columns if name != FILE_ROW][:MOST_COLUMNS]
    head = cells.head(MOST_ROWS).select(pl.col(names).str.strip_chars())
    texts = {name: head.get_column(name).replace("", None).drop_nulls() for name in names}
    numbers = _numbers(texts)
    return [_column(name, head.height, texts[name], numbers) for name in names], numbers


def _column(name: str, rows: int, texts: pl.Series, numbers: Numbers) -> Column:
    kept = texts.filter(~texts.is_in(list(numbers.null_words))).alias(name)
    values = kept.to_frame().select(parse_number(name, numbers.decimal, numbers.thousands)).to_series().drop_nulls()
    words = None
    if 0 < texts.n_unique() <= MOST_WORDS and values.len() < _MOSTLY * kept.len():
        counted = kept.value_counts(sort=True, name="times").sort("times", name, descending=[True, False])
        words = dict(counted.iter_rows())
    return Column(name, rows, kept, values, words, unit_in(name))


def _numbers(texts: dict[str, pl.Series]) -> Numbers:
    """Return the decimal sign that most cells use, the thousands sign, and the words among numbers."""
    every = pl.concat(list(texts.values())) if texts else pl.Series("", [], dtype=pl.String)
    decimal = "," if every.str.contains(_COMMA).sum() > every.str.contains(_POINT).sum() else "."
    group = "." if decimal == "," else ","
    grouped = every.str.contains(rf"^[+-]?\d{{1,3}}(\{group}\d{{3}})+$").any()
    # in a file with 131,4 the text 2.310 is above two thousand; in a file with 131.4 it is above two
    thousands = group if grouped else ""
    return Numbers(decimal, thousands, tuple(sorted(_null_words(texts))))


def _null_words(texts: dict[str, pl.Series]) -> set[str]:
    found: set[str] = set()
    for cells in texts.values():
        odd = cells.filter(~cells.str.contains(_NUMBER_LIKE)).unique()
        share = cells.str.contains(_NUMBER_LIKE).mean()
        few = odd.len() <= _MOST_NULL_WORDS and (odd.str.len_chars() <= _LONGEST_NULL_WORD).all()
        if isinstance(share, float) and _MOSTLY < share < 1 and few:
            # 9:30 and 1e5 are readings; a null word has no digit
            found |= set(odd.filter(~odd.str.contains(r"\d")))
    return found


def unit_in(heading: str) -> str | None:
    """Return the unit that a heading names, in brackets or as its last word; None where it names none."""
    lower = heading.strip().lower()
    for inside in _BRACKETED.findall(lower):
        if inside in _UNITS:
            return _UNITS[inside]
    for sign in ("km/h", "m/s", "ft/s", "rev/s", "rad/s", "%", "°"):
        if lower.endswith(sign):
            return _UNITS[sign]
    words = re.findall(r"[^\W\d_]+", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", heading).lower())
    if words and words[-1] in _UNITS and (len(words) > 1 or len(words[-1]) > 2):
        return _UNITS[words[-1]]
    speed_or_spin = [word for word in words if word in ("mph", "kmh", "kph", "mps", "fps", "rpm", "rps")]
    return _UNITS[speed_or_spin[0]] if speed_or_spin else None
