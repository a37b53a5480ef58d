"""Guess which columns hold the time of a pitch, and in which format, by trying formats with the reader of times itself."""

import contextlib
import re
from collections.abc import Iterable, Iterator
from datetime import date, datetime
from typing import NamedTuple

import polars as pl

from pipeline.drafting.columns import Column
from pipeline.drafting.meanings import is_clock_face
from pipeline.exports.mapping.timestamps import read_stamps
from pipeline.settings.profile_tables import TimeTable
from pipeline.settings.time_formats import has_clock, has_date

_TRIED_ON = 5_000
_TIME_WORDS = frozenset({"time", "clock", "stamp", "timestamp", "moment", "when", "thrown", "utc", "at", "date", "day"})
_DIRECTION_WORDS = frozenset({"axis", "face", "direction", "spin", "tilt"})
# patterns of dates and clocks, and their formats; two formats where day and month look the same
_DATES = (
    (r"\d{4}-\d\d?-\d\d?", ("%Y-%m-%d",)),
    (r"\d{4}/\d\d?/\d\d?", ("%Y/%m/%d",)),
    (r"\d{4}\.\d\d?\.\d\d?", ("%Y.%m.%d",)),
    *((rf"\d\d?{mark}\d\d?{mark}\d{{4}}", (f"%d{sign}%m{sign}%Y", f"%m{sign}%d{sign}%Y")) for mark, sign in ((r"\.", "."), ("/", "/"), ("-", "-"))),
    *((rf"\d\d?{mark}\d\d?{mark}\d{{2}}", (f"%d{sign}%m{sign}%y", f"%m{sign}%d{sign}%y")) for mark, sign in ((r"\.", "."), ("/", "/"), ("-", "-"))),
    (r"(?:19|20)\d{6}", ("%Y%m%d",)),
    (r"\d\d?[ ][A-Za-z]{3}[ ]\d{4}", ("%d %b %Y",)),
    (r"\d\d?-[A-Za-z]{3}-\d{4}", ("%d-%b-%Y",)),
    (r"\d\d?[ ][A-Za-z]{4,9}[ ]\d{4}", ("%d %B %Y",)),
    (r"[A-Za-z]{3}[ ]\d\d?,[ ]\d{4}", ("%b %d, %Y",)),
    (r"[A-Za-z]{4,9}[ ]\d\d?,[ ]\d{4}", ("%B %d, %Y",)),
)  # fmt: skip
_CLOCKS = (
    (r"\d\d?:\d\d", "%H:%M"),
    (r"\d\d?:\d\d:\d\d", "%H:%M:%S"),
    # one column may have seconds with and without a fraction
    (r"\d\d?:\d\d:\d\d", "%H:%M:%S%.f"),
    (r"\d\d?:\d\d:\d\d\.\d+", "%H:%M:%S%.f"),
    (r"\d\d?:\d\d:\d\d,\d+", "%H:%M:%S,%f"),
    (r"\d\d?:\d\d [AaPp][Mm]", "%I:%M %p"),
    (r"\d\d?:\d\d:\d\d [AaPp][Mm]", "%I:%M:%S %p"),
    (r"\d\d?:\d\d:\d\d\.\d+ [AaPp][Mm]", "%I:%M:%S%.f %p"),
)
_ISO = r"\d{4}-?\d\d-?\d\d[Tt]\d\d:?\d\d(:?\d\d([.,]\d+)?)?"
_OFFSET = r"\s?([Zz]|[+-]\d\d:?\d\d)"
_IN_NAME = (r"(?<!\d)20\d{6}(?!\d)", r"(?<!\d)20\d\d-\d\d-\d\d(?!\d)", r"(?<!\d)20\d\d_\d\d_\d\d(?!\d)")


class Moment(NamedTuple):
    """A column (or carried value) that may hold a time. `formats`: those that read every cell; several where the cells don't decide."""

    ref: str
    formats: tuple[str, ...]
    zoned: bool
    in_order: bool
    example: str
    filled: float
    named: bool

    @property
    def has_date(self) -> bool:
        """Return whether it has a date."""
        return has_date(self.formats[0])

    @property
    def has_clock(self) -> bool:
        """Return whether it has a time of day."""
        return has_clock(self.formats[0])


class When(NamedTuple):
    """What [time] can be: the columns of the time, and the date where the time has none; `others` may hold times, too."""

    stamp: tuple[Moment, ...]
    date: Moment | None
    others: tuple[str, ...]


def guess_when(columns: Iterable[Column], carried: dict[str, str]) -> When:
    """Return which columns and carried values hold the time of a pitch."""
    found = sorted(filter(None, map(_moment, columns)), key=_likeliest)
    beside = [moment for ref, text in carried.items() if (moment := _of_text(ref, text)) and moment.has_date]
    complete = [moment for moment in found if moment.has_date and moment.has_clock]
    dates = [moment for moment in found if moment.has_date and not moment.has_clock]
    clocks = [moment for moment in found if moment.has_clock and not moment.has_date]
    if complete:
        return When((complete[0],), None, tuple(moment.ref for moment in complete[1:]))
    if dates and clocks:
        return When((dates[0], clocks[0]), None, tuple(moment.ref for moment in (*dates[1:], *clocks[1:])))
    return When(tuple(clocks[:1]), next(iter((*dates, *beside)), None), tuple(moment.ref for moment in clocks[1:]))


def joined(day: Moment, clock: Moment) -> tuple[str, ...]:
    """Return the formats of two columns that are joined by one space."""
    return tuple(f"{date_format} {hour}" for date_format in day.formats for hour in clock.formats)


def settled(moment: Moment, day: date) -> Moment:
    """Keep the formats that read this day, if any does: they tell which number is the month."""
    if len(moment.formats) < 2 or not moment.has_date:
        return moment
    fitting = tuple(text for text in moment.formats if _day(moment.example, text) == day)
    return moment._replace(formats=fitting) if fitting else moment


def _day(text: str, date_format: str) -> date | None:
    time = TimeTable(date_column="date", date_formats=(date_format,))
    found: date | None = read_stamps(None, pl.Series([text]), time, "UTC", 1).baseball_day[0]
    return found


def date_in_name(name: str) -> tuple[str, Moment, date] | None:
    """Return a date in the file's name: the pattern for [file.name], what it reads, and the day."""
    for pattern in _IN_NAME:
        if found := re.search(pattern, name):
            sign = "" if len(found[0]) == 8 else found[0][4]
            plain = pattern.replace(r"(?<!\d)", "").replace(r"(?!\d)", "")
            text = f"%Y{sign}%m{sign}%d"
            with contextlib.suppress(ValueError):
                day = datetime.strptime(found[0], text).date()
                return rf"(?P<date>{plain})", Moment("@name.date", (text,), False, True, found[0], 1.0, True), day
    return None


def runs_backward(moment: Moment, columns: Iterable[Column]) -> bool:
    """Return whether the times fall along the rows: the newest row comes first."""
    texts = next((column.texts for column in columns if column.name == moment.ref), None)
    if texts is None or not moment.has_clock:
        return False
    steps = _instants(texts.head(_TRIED_ON), moment.formats[0]).diff().drop_nulls()
    return steps.len() > 0 and _forward(steps * -1) > 0.8 > _forward(steps)


def _likeliest(moment: Moment) -> tuple[bool, bool, bool, float]:
    """Sort times in the order of the rows first, then those whose heading names a time, then those with a zone."""
    return (not moment.in_order, not moment.named, not moment.zoned, -moment.filled)


def _moment(column: Column) -> Moment | None:
    texts = column.texts.head(_TRIED_ON)
    if texts.is_empty() or (is_clock_face(column) and column.tokens & _DIRECTION_WORDS):
        return None
    formats, zoned = _formats(texts, by_number=not column.words and column.is_number)
    if not formats:
        return None
    in_order = _in_order(texts, formats[0])
    named = bool(column.tokens & _TIME_WORDS)
    if is_clock_face(column) and not in_order and not named:
        return None
    return Moment(column.name, formats, zoned, in_order, texts[0], column.texts.len() / max(column.rows, 1), named)


def _of_text(ref: str, text: str) -> Moment | None:
    formats, zoned = _formats(pl.Series([text.strip()]), by_number=False)
    return Moment(ref, formats, zoned, True, text, 1.0, True) if formats else None


def _formats(texts: pl.Series, *, by_number: bool) -> tuple[tuple[str, ...], bool]:
    """Return the formats that read every text, and whether they include a zone."""
    if by_number and (epoch := _epoch(texts)):
        return (epoch,), True
    zoned = bool(texts.str.contains(f"{_OFFSET}$").all()) and bool(texts.str.contains(":").all())
    if texts.str.contains(f"^{_ISO}({_OFFSET})?$").all():
        return ("iso8601",), zoned
    tries = [f"{text}%z" if zoned else text for text in _shapes(texts[0], zoned=zoned)]
    reading = [text for text in dict.fromkeys(tries) if _reads(texts, text)]
    # a format with a fraction reads seconds without one, too
    return tuple(text for text in reading if text.replace("%.f", "") not in reading or "%.f" not in text), zoned


def _epoch(texts: pl.Series) -> str | None:
    """Return the unit of seconds, milli- or microseconds since 1970 that are in the years 2005 to 2065."""
    middle = texts.cast(pl.Float64, strict=False).median()
    for word, unit in (("epoch_s", 1), ("epoch_ms", 1e3), ("epoch_us", 1e6)):
        if isinstance(middle, float) and 1.1e9 < middle / unit < 3.0e9:
            return word
    return None


def _shapes(text: str, *, zoned: bool) -> Iterator[str]:
    plain = re.sub(f"{_OFFSET}$", "", text) if zoned else text
    for pattern, days in _DATES:
        if re.fullmatch(pattern, plain):
            yield from days
        for clock, hour in _CLOCKS:
            for between in (" ", "T", ", "):
                if re.fullmatch(f"{pattern}{between}{clock}", plain):
                    yield from (f"{day}{between}{hour}" for day in days)
    yield from (hour for clock, hour in _CLOCKS if re.fullmatch(clock, plain) and not zoned)


def _instants(texts: pl.Series, time_format: str) -> pl.Series:
    zone = "in_stamp" if "%z" in time_format else "UTC"
    time = TimeTable(column="stamp", formats=(time_format,), zone=zone, date_column="date", date_formats=("%Y-%m-%d",))
    day = pl.Series(["2026-03-14"]).new_from_index(0, texts.len())
    return read_stamps(texts, day, time, "UTC", texts.len()).thrown_at


def _reads(texts: pl.Series, time_format: str) -> bool:
    if not has_clock(time_format):
        time = TimeTable(date_column="date", date_formats=(time_format,))
        return read_stamps(None, texts, time, "UTC", texts.len()).baseball_day.null_count() == 0
    return _instants(texts, time_format).null_count() == 0


def _in_order(texts: pl.Series, time_format: str) -> bool:
    """Return whether the times nearly always rise, or nearly always fall, along the rows."""
    if not has_clock(time_format):
        return True
    steps = _instants(texts, time_format).diff().drop_nulls()
    if steps.is_empty():
        return True
    return _forward(steps) > 0.8 or _forward(steps * -1) > 0.8


def _forward(steps: pl.Series) -> float:
    """Return the share of steps that do not go back."""
    return int((steps.dt.total_microseconds() >= 0).sum()) / steps.len()
