"""Counts, lists, days, times and durations as people write them."""

from datetime import UTC, date, datetime

import pytest

from pipeline.words import (
    clock_words,
    day_range_words,
    day_words,
    duration_words,
    enumerate_words,
    moment_words,
    pluralize,
    weekday_words,
)


@pytest.mark.parametrize(
    ("number", "noun", "words"),
    [(1, "pitch", "1 pitch"), (1204, "pitch", "1,204 pitches"), (0, "row", "0 rows"), (2, "pass", "2 passes")],
)
def test_a_count_agrees_with_its_noun(number: int, noun: str, words: str) -> None:
    assert pluralize(number, noun) == words


def test_an_irregular_plural_is_used_as_given() -> None:
    assert pluralize(2, "is", "are") == "2 are"


def test_a_list_has_commas_and_one_conjunction() -> None:
    assert enumerate_words(["a"]) == "a"
    assert enumerate_words(["a", "b"]) == "a and b"
    assert enumerate_words(["a", "b", "c"], "or") == "a, b or c"


def test_days_are_written_as_people_in_the_united_states_write_them() -> None:
    assert weekday_words(date(2026, 10, 27)) == "Tue Oct 27"
    assert day_words(date(2026, 11, 3)) == "Nov 3"
    assert day_words(date(2025, 11, 3), date(2026, 1, 1)) == "Nov 3, 2025"


@pytest.mark.parametrize(
    ("first", "last", "words"),
    [
        (date(2026, 10, 26), date(2026, 10, 29), "Oct 26-29"),
        (date(2026, 10, 30), date(2026, 11, 2), "Oct 30-Nov 2"),
        (date(2026, 12, 30), date(2027, 1, 2), "Dec 30, 2026-Jan 2, 2027"),
        (date(2026, 11, 3), date(2026, 11, 3), "Nov 3"),
    ],
)
def test_a_range_of_days_names_the_month_once(first: date, last: date, words: str) -> None:
    assert day_range_words(first, last) == words


def test_times_are_local_and_on_a_twelve_hour_clock() -> None:
    # Chicago is five hours behind UTC in October, and the date there is still the day before
    moment = datetime(2026, 10, 28, 2, 4, 11, tzinfo=UTC)
    assert moment_words(moment, "America/Chicago") == "Tue Oct 27, 9:04 pm"
    assert clock_words(moment, "America/Chicago", seconds=True) == "9:04:11 pm"
    assert clock_words(moment.replace(microsecond=250_999), "America/Chicago", milliseconds=True) == "9:04:11.250 pm"
    assert clock_words(datetime(2026, 10, 28, 5, 0, tzinfo=UTC), "America/Chicago") == "12:00 am"
    assert clock_words(datetime(2026, 10, 28, 17, 0, tzinfo=UTC), "America/Chicago") == "12:00 pm"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.42, "0.4 s"), (-14.08, "14 s"), (142.1, "2 min 22 s"), (3613.1, "1 h 13 s"), (59.7, "1 min"), (9.97, "10 s")],
)
def test_a_duration_has_at_most_two_units_that_matter(seconds: float, words: str) -> None:
    assert duration_words(seconds) == words
