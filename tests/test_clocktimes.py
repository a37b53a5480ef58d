from datetime import UTC, date, datetime

import polars as pl
import pytest

from pipeline.exports.mapping.timestamps import NEVER, TWICE, Stamps, read_stamps
from pipeline.settings.profile_tables import TimeTable

CHICAGO = "America/Chicago"


def read(stamps: list[str | None], formats: list[str], zone: str | None = "venue", **more: object) -> Stamps:
    dates = more.pop("dates", None)
    keys = {"column": "stamp", "formats": formats, "zone": zone} | more
    if dates is not None:
        keys |= {"date_column": "day", "date_formats": keys.get("date_formats", ["%Y-%m-%d"])}
    text = None if dates is None else pl.Series(dates, dtype=pl.String)
    return read_stamps(pl.Series(stamps, dtype=pl.String), text, TimeTable.model_validate(keys), CHICAGO, len(stamps))


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[arg-type, misc]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # ISO 8601-1:2019, 5.4.2: examples of combined date and time (from memory)
        (
            "1985-04-12T10:15:30",
            utc(1985, 4, 12, 16, 15, 30),
        ),  # local time of the venue: Chicago was at -06:00 until 28 April 1985
        ("1985-04-12T10:15:30Z", utc(1985, 4, 12, 10, 15, 30)),
        ("1985-04-12T10:15:30+04:00", utc(1985, 4, 12, 6, 15, 30)),
        ("19850412T101530+0400", utc(1985, 4, 12, 6, 15, 30)),
        ("19850412T101530+04", utc(1985, 4, 12, 6, 15, 30)),
        ("1985-04-12T10:15:30,5Z", utc(1985, 4, 12, 10, 15, 30, 500_000)),
        # RFC 3339, 5.8: examples
        ("1985-04-12T23:20:50.52Z", utc(1985, 4, 12, 23, 20, 50, 520_000)),
        ("1996-12-19T16:39:57-08:00", utc(1996, 12, 20, 0, 39, 57)),
    ],
)
def test_iso_8601_as_its_examples_say(text: str, expected: datetime) -> None:
    assert read([text], ["iso8601"]).thrown_at.to_list() == [expected]


def test_seconds_since_1970_count_in_utc() -> None:
    """POSIX.1-2017, 4.16: 1 000 000 000 s is 2001-09-09 01:46:40 UTC (a widely printed moment)."""
    for text, form in (("1000000000", "epoch_s"), ("1000000000000", "epoch_ms"), ("1e15", "epoch_us")):
        assert read([text], [form], "UTC").thrown_at.to_list() == [utc(2001, 9, 9, 1, 46, 40)]


def test_local_time_is_standard_time_after_the_clocks_went_back() -> None:
    """tz database, America/Chicago: daylight time (-05:00) until 2026-11-01 02:00, then -06:00 (15 U.S.C. 260a: first Sunday of November)."""
    stamps = read(["2026-10-31 19:00:00", "2026-11-01 19:00:00"], ["%Y-%m-%d %H:%M:%S"])
    assert stamps.thrown_at.to_list() == [utc(2026, 11, 1, 0), utc(2026, 11, 2, 1)]
    assert stamps.baseball_day.to_list() == [date(2026, 10, 31), date(2026, 11, 1)]


def test_a_time_that_occurs_twice_or_never_is_used_and_reported() -> None:
    """tz database: in 2026 01:30 stands twice on 1 November, and 02:30 never on 8 March in Chicago."""
    stamps = read(["2026-11-01 01:30:00", "2026-03-08 02:30:00", "2026-03-08 03:30:00"], ["%Y-%m-%d %H:%M:%S"])
    assert stamps.note.to_list() == [TWICE, NEVER, None]
    assert stamps.thrown_at.to_list() == [utc(2026, 11, 1, 6, 30), utc(2026, 3, 8, 8, 30), utc(2026, 3, 8, 8, 30)]


def test_a_night_past_midnight_belongs_to_the_day_it_began_on() -> None:
    stamps = read(["23:59:00", "00:01:00"], ["%H:%M:%S"], dates=["2026-10-16"] * 2)
    assert stamps.thrown_at.to_list() == [utc(2026, 10, 17, 4, 59), utc(2026, 10, 17, 5, 1)]
    assert stamps.baseball_day.to_list() == [date(2026, 10, 16)] * 2


def test_a_calendar_date_is_taken_as_it_is() -> None:
    stamps = read(["00:01:00"], ["%H:%M:%S"], dates=["2026-10-17"], date_is="calendar")
    assert stamps.thrown_at.to_list() == [utc(2026, 10, 17, 5, 1)]
    assert stamps.baseball_day.to_list() == [date(2026, 10, 16)]


def test_times_of_day_in_utc_find_their_evening() -> None:
    stamps = read(["23:30:00", "00:30:00"], ["%H:%M:%S"], "UTC", dates=["2026-10-16"] * 2)
    assert stamps.thrown_at.to_list() == [utc(2026, 10, 16, 23, 30), utc(2026, 10, 17, 0, 30)]


def test_a_row_without_a_stamp_keeps_its_day() -> None:
    stamps = read([None, "half past"], ["%H:%M:%S"], dates=["2026-10-16"] * 2)
    assert stamps.thrown_at.to_list() == [None, None]
    assert stamps.baseball_day.to_list() == [date(2026, 10, 16)] * 2
    assert stamps.unread.to_list() == [None, "half past"]


def test_order_only_ignores_the_times_but_not_the_days() -> None:
    stamps = read(["2026-10-16 19:00:00"], ["%Y-%m-%d %H:%M:%S"], clock="order_only")
    assert (stamps.thrown_at.to_list(), stamps.baseball_day.to_list(), stamps.resolution_s) == (
        [None],
        [date(2026, 10, 16)],
        None,
    )


@pytest.mark.parametrize(
    ("stamps", "formats", "step"),
    [
        (["19:01", "19:01", "19:02"], ["%H:%M"], 60.0),
        (["19:01:00", "19:04:00", "19:05:00"], ["%H:%M:%S"], 60.0),
        # one stamp at a full minute: the coarser step is the safe one, and by chance it is only 1 in 60
        (["19:01:00"], ["%H:%M:%S"], 60.0),
        (["19:01:01"], ["%H:%M:%S"], 1.0),
        (["19:01:07", "19:04:31", "19:05:02"], ["%H:%M:%S"], 1.0),
        (["19:01:07.100", "19:04:31.300", "19:05:02.900"], ["%H:%M:%S%.f"], 0.1),
        (["19:01:07.123", "19:04:31.341", "19:05:02.907"], ["%H:%M:%S%.f"], 0.001),
    ],
)
def test_the_clocks_step_is_found_in_the_stamps(stamps: list[str], formats: list[str], step: float) -> None:
    assert read(stamps, formats, dates=["2026-10-16"] * len(stamps)).resolution_s == step


def test_several_formats_are_tried_in_order() -> None:
    stamps = read(["03/04/2026 7:05 PM", "2026-04-03 19:05"], ["%m/%d/%Y %I:%M %p", "%Y-%m-%d %H:%M"])
    assert stamps.thrown_at.to_list() == [utc(2026, 3, 5, 1, 5), utc(2026, 4, 4, 0, 5)]


def test_a_clock_that_was_never_set_gives_no_time() -> None:
    stamps = read(["1970-01-01T00:00:05Z", "2000-01-01T00:03:00Z", "2026-10-16T19:00:00Z"], ["iso8601"], "in_stamp")
    assert [known is not None for known in stamps.thrown_at] == [False, False, True]
    assert stamps.unread.to_list() == ["1970-01-01T00:00:05Z", "2000-01-01T00:03:00Z", None]


def test_seconds_taken_for_milliseconds_give_no_time() -> None:
    assert read(["1791922446", "1791922446000"], ["epoch_ms"], "UTC").thrown_at.is_not_null().to_list() == [False, True]


def test_a_stamp_without_its_zone_is_not_guessed() -> None:
    stamps = read(["2026-10-16T19:00:00", "2026-10-16T19:00:00-05:00"], ["iso8601"], "in_stamp")
    assert stamps.thrown_at.to_list() == [None, utc(2026, 10, 17, 0)]
    assert stamps.unread.to_list() == ["2026-10-16T19:00:00", None]


def test_one_calendar_date_for_the_file_goes_on_past_midnight() -> None:
    stamps = read(["23:58", None, "00:02", "23:59", "00:03"], ["%H:%M"], dates=["2026-10-16"] * 5, date_is="calendar")
    assert stamps.thrown_at.to_list() == [
        utc(2026, 10, 17, 4, 58),
        None,
        utc(2026, 10, 17, 5, 2),
        utc(2026, 10, 17, 4, 59),
        utc(2026, 10, 17, 5, 3),
    ]
    assert stamps.baseball_day.to_list() == [date(2026, 10, 16)] * 5


def test_a_fraction_after_a_comma_and_a_z_are_read() -> None:
    """strftime of the standard library writes the same moments."""
    moment = datetime(2026, 10, 16, 19, 0, 5, 250_000, tzinfo=UTC)
    texts = [moment.strftime("%d.%m.%Y %H:%M:%S,%f"), moment.strftime("%Y-%m-%d %H:%M:%S.%f%z")]
    assert read(texts[:1], ["%d.%m.%Y %H:%M:%S,%f"], "UTC").thrown_at.to_list() == [moment]
    assert read(texts[1:], ["%Y-%m-%d %H:%M:%S.%f%z"], "in_stamp").thrown_at.to_list() == [moment]


@pytest.mark.parametrize(
    ("text", "day"),
    # ISO 8601 week and ordinal dates; checked against the standard library's date.fromisocalendar
    [
        ("2026-W43-6", date.fromisocalendar(2026, 43, 6)),
        ("2026-297", date(2026, 10, 24)),
        ("20261024", date(2026, 10, 24)),
    ],
)
def test_dates_by_week_and_by_day_of_the_year(text: str, day: date) -> None:
    assert read([None], ["%H:%M"], dates=[text], date_formats=["iso8601"]).baseball_day.to_list() == [day]
