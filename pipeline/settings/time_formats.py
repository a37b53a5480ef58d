"""Formats of dates and times, and time zones, as settings name them."""

import re
from zoneinfo import ZoneInfo, available_timezones

import polars as pl

from pipeline.settings.problems import value_problem

# microseconds in one
EPOCHS = {"epoch_s": 1_000_000, "epoch_ms": 1_000, "epoch_us": 1}
NAMED_FORMATS = ("iso8601", *EPOCHS)
ZONE_WORDS = ("venue", "UTC", "in_stamp")
_DIRECTIVE = re.compile(r"%(?:[-_0]?[YyCmdejHIklMSpPbBhaAADFTRzGgVuUWws]|\.f|\.[369]f|[369]f|:z|%|t|n)")
_HAS_DATE = re.compile(r"%[-_0]?[YyCmdejbBhDFGVuUWs]")
_HAS_CLOCK = re.compile(r"%[-_0]?[HIklTRs]")
_EXAMPLE = "%Y-%m-%d %H:%M:%S"


def has_date(time_format: str) -> bool:
    """Return whether a stamp of this format contains the day."""
    return time_format in NAMED_FORMATS or bool(_HAS_DATE.search(time_format))


def has_clock(time_format: str) -> bool:
    """Return whether a stamp of this format contains the time of day."""
    return time_format in NAMED_FORMATS or bool(_HAS_CLOCK.search(time_format))


def check_time_format(text: str) -> str:
    """Return the format, or raise if a part of it is not known."""
    if text in NAMED_FORMATS:
        return text
    rest = _DIRECTIVE.sub("", text.replace(".%f", "%.f").replace(",%f", "%.f"))
    if "%f" in rest:
        raise value_problem(
            "has %f with no point before it; write %.f for a fraction after a point, or %3f for three digits without one"
        )
    if "%Z" in rest:
        raise value_problem(
            "has %Z, but a name such as CST is used by several zones; write the name as text, and set zone"
        )
    if "%" in rest:
        unknown = rest[rest.index("%") :][:2]
        raise value_problem(f'has an unknown part "{unknown}"', (*NAMED_FORMATS, _EXAMPLE, "%d.%m.%y %H:%M", "…"))
    if text == rest:
        raise value_problem("contains no part of a date or time", (*NAMED_FORMATS, _EXAMPLE), text)
    return text


def check_time_zone(name: str) -> str:
    """Return the name of a time zone, or raise if it is not known."""
    _check_zone(name, ())
    return name


def check_profile_zone(name: str) -> str:
    """Return the name of a time zone, or one of ZONE_WORDS, or raise if it is neither."""
    if name not in ZONE_WORDS:
        _check_zone(name, ZONE_WORDS)
    return name


def _check_zone(name: str, words: tuple[str, ...]) -> None:
    try:
        ZoneInfo(name)
        # polars converts the times with its own list of zones, which lacks "localtime" and "posix/..."
        pl.select(pl.lit(0).cast(pl.Datetime("us", "UTC")).dt.convert_time_zone(name))
    except (KeyError, ValueError, OSError, pl.exceptions.PolarsError) as error:
        names = (*words, *sorted(available_timezones()))
        raise value_problem("is not a time zone", (*words, "America/Chicago", "…"), name, names) from error
