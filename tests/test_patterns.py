"""Regular expressions of the settings: found in linear time, and refused with the reason where they can't be used."""

import time

import pytest

from pipeline.settings.patterns import first_value, group_names, named_values, pattern_fault


@pytest.mark.parametrize("pattern", ["((a+)+)$", "((a|aa)+)$", "((.*)*)x", r"(\s*)*:$"])
def test_a_pattern_that_hangs_a_backtracking_engine_takes_no_time(pattern: str) -> None:
    """Patterns known for exponential time (from memory: the OWASP page on regular expression denial of service)."""
    assert pattern_fault(pattern) is None
    began = time.monotonic()
    assert first_value(["a" * 100_000 + "!"], f"(?:{pattern})no") is None
    assert time.monotonic() - began < 5


@pytest.mark.parametrize(
    ("pattern", "reason"),
    [
        ("(?=x)", "look-around"),
        (r"(a)\1", "backreferences are not supported"),
        ("a(b", "unclosed group"),
        ("((a{1000}){1000}){1000}", "size limit"),
    ],
)
def test_a_pattern_that_cannot_be_used_is_reported_with_the_reason(pattern: str, reason: str) -> None:
    assert reason in (pattern_fault(pattern) or "")


def test_the_first_text_that_has_a_value_counts() -> None:
    assert first_value(["no", "unit:", "unit:  a ", "unit: b"], r"unit:\s*(\S+)?") == "a"
    assert first_value([], "(x)") is None


def test_named_groups_that_match_are_values() -> None:
    assert named_values("pen_2026_x.csv", r"(?P<date>\d{4})_(x)(?P<part>y)?") == {"date": "2026"}
    assert named_values("pen.csv", r"(?P<date>\d{4})") == {}
    assert group_names(r"(?P<date>\d{4})_(x)") == ["date", "2"]
