"""Read times as text into UTC, the baseball day and the clock's resolution; vectorized. A pitch without a readable time keeps its order."""

from datetime import date, datetime
from typing import NamedTuple

import polars as pl

from pipeline.settings.profile_tables import TimeTable
from pipeline.settings.time_formats import EPOCHS, has_clock, has_date
from schemas.metrics import TURNOVER_HOUR

_SOME_DAY = "1970-01-01"
_ISO_OFFSET = r"(?i)(z|[+-]\d{2}(:?\d{2})?)$"
_ISO_CLOCKS = ("%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%d %H:%M", "%Y%m%d %H%M%S%.f", "%Y%m%d %H%M")
_ISO_DAYS = ("%Y-%m-%d", "%Y%m%d", "%Y-%j", "%G-W%V-%u")
# resolutions of a clock, coarsest first
_STEPS_US = (60_000_000, 1_000_000, 100_000, 10_000, 1_000)
_FINEST_S = 0.001
# a device whose clock was never set counts from 1970, 1980 or 2000-01-01; seconds read as milliseconds are tens of thousands of years off
_FIRST_YEAR, _LAST_YEAR = 1981, 2099
_NEVER_SET = date(2000, 1, 1)
TWICE = "this local time occurs twice on the night when clocks go back: the earlier one was used"
NEVER = "this local time does not exist on the night when clocks go forward: one hour was added"


class Stamps(NamedTuple):
    """One value per row, in the order of the rows.

    `thrown_at`: UTC, null without a clock. `baseball_day`: null where no date is known. `unread`: the time or date text that could not be
    read. `note`: what was assumed about a time (null: nothing). `resolution_s`: step of the clock, null without one.
    """

    thrown_at: pl.Series
    baseball_day: pl.Series
    unread: pl.Series
    note: pl.Series
    resolution_s: float | None


def read_stamps(
    stamp: pl.Series | None, date_text: pl.Series | None, time: TimeTable, venue_zone: str, rows: int
) -> Stamps:
    """Read the times of a file. `stamp` and `date_text` are stripped text (null: none), `venue_zone` is a name of the tz database."""
    nothing = pl.Series([None] * rows, dtype=pl.String)
    frame = pl.DataFrame(
        {"stamp": nothing if stamp is None else stamp, "date_text": nothing if date_text is None else date_text}
    )
    frame = frame.with_columns(stated=_in_range(_first_of(_dates("date_text", time.date_formats))))
    zone = venue_zone if time.zone in (None, "venue") else "UTC" if time.zone == "in_stamp" else str(time.zone)
    frame = frame.with_columns(**_parsed(time))
    if time.zone == "in_stamp":
        # without its zone a time could be any hour of the day
        frame = frame.with_columns(local=pl.lit(None, pl.Datetime("us")))
    if time.date_is == "calendar":
        frame = _over_midnight(frame)
    frame = _localized(frame, zone, venue_zone, calendar=time.date_is == "calendar")
    has_stamp = pl.col("thrown_at").is_not_null()
    day = baseball_day(pl.col("thrown_at"), venue_zone)
    frame = frame.with_columns(
        baseball_day=pl.when(has_stamp).then(day).otherwise(pl.coalesce("stated", "day_alone")),
        unread=pl.when(pl.col("stamp").is_not_null() & ~has_stamp & pl.col("day_alone").is_null() & _has_date(time))
        .then("stamp")
        .when(pl.col("date_text").is_not_null() & pl.col("stated").is_null())
        .then("date_text"),
    )
    resolution = _resolution(frame.get_column("thrown_at"), time)
    if time.clock == "order_only":
        frame = frame.with_columns(thrown_at=pl.lit(None, pl.Datetime("us", "UTC")), note=pl.lit(None, pl.String))
        resolution = None
    thrown_at, day_known, unread, note = (
        frame.get_column(name) for name in ("thrown_at", "baseball_day", "unread", "note")
    )
    return Stamps(thrown_at, day_known, unread, note, resolution)


def read_moment(text: str | None, formats: tuple[str, ...]) -> datetime | None:
    """Read when an export was made: naive, by whatever clock wrote it; None where no format fits."""
    if text is None:
        return None
    frame = pl.DataFrame({"stamp": [text]}, schema={"stamp": pl.String})
    parsed = frame.select(**_parsed(TimeTable(column="stamp", formats=formats, zone="UTC", clock="order_only")))
    instant = pl.col("instant").dt.replace_time_zone(None)
    found: datetime | None = parsed.select(
        pl.coalesce("local", instant, pl.col("day_alone").cast(pl.Datetime("us")))
    ).item()
    return found


def _has_date(time: TimeTable) -> pl.Expr:
    """Return whether the row has a date. Without one a bare time of day is not reported as unreadable: the missing date is."""
    alone = all(not has_date(text) for text in time.formats)
    return pl.col("stated").is_not_null() | pl.lit(not alone)


def _over_midnight(frame: pl.DataFrame) -> pl.DataFrame:
    """Add a day where the clock falls by more than half a day and one calendar date holds for the complete file: midnight has passed."""
    if frame.get_column("stated").n_unique() != 1:
        return frame
    step = pl.col("clock").forward_fill().diff()
    half_day = pl.duration(hours=12)
    days = ((step < -half_day).cast(pl.Int32) - (step > half_day).cast(pl.Int32)).fill_null(0).cum_sum()
    return frame.with_columns(
        stated=pl.when(pl.col("clock").is_not_null())
        .then(pl.col("stated") + pl.duration(days=days))
        .otherwise("stated")
    )


def baseball_day(thrown_at: pl.Expr, venue_zone: str) -> pl.Expr:
    """Return the local date at the venue, which changes at 4 a.m."""
    local = thrown_at.dt.convert_time_zone(venue_zone).dt.replace_time_zone(None)
    return (local - pl.duration(hours=TURNOVER_HOUR)).dt.date()


def _parser_format(time_format: str) -> str:
    """Return the format in the parser's notation, which writes a fraction after a point as %.f."""
    return time_format.replace(".%f", "%.f").replace(",%f", "%.f")


def _stamp_text(time_format: str) -> pl.Expr:
    """Return the time text, with a point before the fraction where the format states a comma."""
    stamp = pl.col("stamp")
    if "%z" in time_format:
        stamp = stamp.str.replace("(?i)z$", "+0000")
    return stamp.str.replace(r",(\d+)", ".$1") if ",%f" in time_format else stamp


def _first_of(tries: list[pl.Expr], dtype: pl.DataType | type[pl.DataType] = pl.Date) -> pl.Expr:
    return pl.coalesce(*tries) if tries else pl.lit(None, dtype)


def _dates(column: str, formats: tuple[str, ...]) -> list[pl.Expr]:
    """Return one attempt to read a date for each format."""
    tries = []
    for text in formats:
        if text == "iso8601":
            tries += [
                pl.col(column).str.replace("(?i)[t ].*", "").str.to_date(form, strict=False) for form in _ISO_DAYS
            ]
        elif text in EPOCHS:
            tries.append(_from_epoch(column, text).dt.date())
        elif has_clock(text):
            tries.append(pl.col(column).str.to_datetime(_parser_format(text), strict=False, time_unit="us").dt.date())
        else:
            tries.append(pl.col(column).str.to_date(text, strict=False))
    return tries


def _from_epoch(column: str, unit: str) -> pl.Expr:
    count = pl.col(column).str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    # beyond the year 9999 a number is not a time (and would overflow)
    known = pl.when(count.abs() * EPOCHS[unit] < 2.5e17).then(count)
    return pl.from_epoch((known * EPOCHS[unit]).round().cast(pl.Int64), "us")


def _parsed(time: TimeTable) -> dict[str, pl.Expr]:
    """Return what the formats can give: an instant, a local time with date, a time of day, a date. The first format that fits wins."""
    instants: list[pl.Expr] = []
    locals_: list[pl.Expr] = []
    clocks: list[pl.Expr] = []
    days: list[pl.Expr] = []
    for text in time.formats:
        if text in EPOCHS:
            instants.append(_from_epoch("stamp", text).dt.replace_time_zone("UTC"))
        elif text == "iso8601":
            instants += _iso_instants()
            locals_ += _iso_locals()
            days += [pl.col("stamp").str.to_date(form, strict=False) for form in _ISO_DAYS]
        elif "%z" in text or "%:z" in text:
            instants.append(
                _stamp_text(text).str.to_datetime(_parser_format(text), strict=False, time_unit="us", time_zone="UTC")
            )
        elif has_date(text) and has_clock(text):
            locals_.append(_stamp_text(text).str.to_datetime(_parser_format(text), strict=False, time_unit="us"))
        elif has_date(text):
            days.append(pl.col("stamp").str.to_date(text, strict=False))
        else:
            clock = pl.format(f"{_SOME_DAY} {{}}", _stamp_text(text)).str.to_datetime(
                f"%Y-%m-%d {_parser_format(text)}", strict=False, time_unit="us"
            )
            clocks.append(clock - pl.lit(_SOME_DAY).str.to_datetime("%Y-%m-%d", time_unit="us"))
    return {
        "instant": _in_range(_first_of(instants, pl.Datetime("us", "UTC"))),
        "local": _in_range(_first_of(locals_, pl.Datetime("us"))),
        "clock": _first_of(clocks, pl.Duration("us")),
        "day_alone": _in_range(_first_of(days)),
    }


def _in_range(moment: pl.Expr) -> pl.Expr:
    """Return null for a time of a clock that was never set."""
    day = moment.dt.date()
    return pl.when(day.dt.year().is_between(_FIRST_YEAR, _LAST_YEAR) & (day != _NEVER_SET)).then(moment)


def _iso_text() -> pl.Expr:
    return pl.col("stamp").str.replace("(?i)t", " ").str.replace(",", ".", literal=True)


def _iso_instants() -> list[pl.Expr]:
    """Read ISO 8601 with an offset or Z."""
    plain = (
        _iso_text()
        .str.replace(r"(?i)z$", "+0000")
        .str.replace(r"([+-]\d{2})$", "${1}00")
        .str.replace(r"([+-]\d{2}):(\d{2})$", "$1$2")
    )
    zoned = pl.when(pl.col("stamp").str.contains(_ISO_OFFSET) & pl.col("stamp").str.contains("(?i)[t ]")).then(plain)
    return [zoned.str.to_datetime(f"{form}%z", strict=False, time_unit="us", time_zone="UTC") for form in _ISO_CLOCKS]


def _iso_locals() -> list[pl.Expr]:
    return [_iso_text().str.to_datetime(form, strict=False, time_unit="us") for form in _ISO_CLOCKS]


def _localized(frame: pl.DataFrame, zone: str, venue_zone: str, *, calendar: bool) -> pl.DataFrame:
    """Add thrown_at and note. A time of day without a date is on the stated day, or on the next one after midnight."""
    frame = frame.with_columns(joined=pl.col("stated").cast(pl.Datetime("us")) + pl.col("clock"))
    frame = frame.with_columns(
        local=pl.coalesce("local", "joined"), undated=pl.col("local").is_null() & pl.col("joined").is_not_null()
    )
    frame = _to_utc(frame, zone)
    if calendar:
        return frame
    moved = (pl.col("stated") - baseball_day(pl.col("thrown_at"), venue_zone)).dt.total_days()
    shift = pl.when(pl.col("undated") & (moved.abs() == 1)).then(pl.duration(days=moved)).otherwise(pl.duration(days=0))
    return _to_utc(frame.with_columns(local=pl.col("local") + shift), zone)


def _to_utc(frame: pl.DataFrame, zone: str) -> pl.DataFrame:
    local = pl.col("local")
    early = local.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
    late = local.dt.replace_time_zone(zone, ambiguous="latest", non_existent="null")
    moved = (local + pl.duration(hours=1)).dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
    placed = pl.coalesce(early, moved).dt.convert_time_zone("UTC")
    note = pl.when(local.is_not_null() & early.is_null()).then(pl.lit(NEVER)).when(early != late).then(pl.lit(TWICE))
    by_local = pl.col("instant").is_null()
    return frame.with_columns(thrown_at=pl.coalesce("instant", placed), note=pl.when(by_local).then(note))


def _resolution(thrown_at: pl.Series, time: TimeTable) -> float | None:
    """Return the clock's step: as stated, or the coarsest step that all times are multiples of."""
    stamps = thrown_at.drop_nulls()
    if stamps.is_empty():
        return None
    if time.resolution_s != "from_stamps":
        return time.resolution_s
    has_seconds = any(
        text in EPOCHS or text == "iso8601" or any(sign in text for sign in ("%S", "%T", "%s", "%X"))
        for text in time.formats
    )
    if not has_seconds:
        return 60.0
    ticks = stamps.dt.epoch("us")
    for step in _STEPS_US:
        # also where few times meet it by chance: a step assumed too fine splits one pitch in two, one too coarse only adds doubt
        if (ticks % step == 0).all():
            return step / 1e6
    return _FINEST_S
