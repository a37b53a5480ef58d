"""Words for people: counts, lists, local days and times of day, durations. Tables and logs keep UTC and ISO dates."""

from collections.abc import Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

HISSING = ("s", "x", "ch", "sh")


def pluralize(number: int, noun: str, plural: str | None = None) -> str:
    """Return a count with its noun: "1 pitch", "1,204 pitches". `plural` is for irregular nouns only."""
    if number != 1:
        noun = plural or noun + ("es" if noun.endswith(HISSING) else "s")
    return f"{number:,} {noun}"


def capitalize(words: str) -> str:
    """Return words with a capital first letter; the others stay as they are."""
    return words[:1].upper() + words[1:]


def enumerate_words(words: Sequence[str], conjunction: str = "and") -> str:
    """Return a list as people write it: "a", "a and b", "a, b and c"."""
    return f" {conjunction} ".join(part for part in (", ".join(words[:-1]), *words[-1:]) if part)


def day_words(day: date, beside: date | None = None) -> str:
    """Return a day as "Nov 3"; with its year if that differs from the year of `beside`."""
    words = f"{day:%b} {day.day}"
    return words if beside is None or beside.year == day.year else f"{words}, {day.year}"


def weekday_words(day: date) -> str:
    """Return a day as "Tue Oct 27"."""
    return f"{day:%a} {day_words(day)}"


def day_range_words(first: date, last: date) -> str:
    """Return first to last day as "Oct 26-29", "Oct 30-Nov 2" or, for one day, "Nov 3"."""
    if first == last:
        return day_words(last)
    if (first.year, first.month) == (last.year, last.month):
        return f"{day_words(first)}-{last.day}"
    return f"{day_words(first, last)}-{day_words(last, first)}"


def clock_words(moment: datetime, zone: str, *, seconds: bool = False, milliseconds: bool = False) -> str:
    """Return a moment's local time of day as "9:04 pm", "9:04:11 pm" or "9:04:11.250 pm"."""
    local = moment.astimezone(ZoneInfo(zone))
    digits = f"{local.hour % 12 or 12}:{local:%M}"
    if milliseconds:
        digits += f":{local:%S}.{local.microsecond // 1000:03}"
    elif seconds:
        digits += f":{local:%S}"
    return f"{digits} {'am' if local.hour < 12 else 'pm'}"


def moment_words(moment: datetime, zone: str) -> str:
    """Return a moment in local time as "Tue Oct 27, 9:04 pm"."""
    return f"{weekday_words(moment.astimezone(ZoneInfo(zone)).date())}, {clock_words(moment, zone)}"


def duration_words(seconds: float) -> str:
    """Return a duration without its sign: "0.4 s", "14 s", "2 min 22 s", "1 h 13 s"."""
    seconds = abs(seconds)
    if round(seconds, 1) < 10:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    parts = [f"{number} {unit}" for number, unit in ((hours, "h"), (minutes, "min"), (rest, "s")) if number]
    return " ".join(parts)
