"""Regular expressions of the settings, in an engine whose time grows only with the length of the text: no pattern can hang a run.

The syntax is Python's without look-around and back-references.
"""

from collections.abc import Iterable

import polars as pl


def pattern_fault(pattern: str) -> str | None:
    """Return why a text is not a regular expression that can be used here; None where it is one."""
    try:
        pl.Series([""]).str.contains(pattern)
    except pl.exceptions.ComputeError as error:
        # the engine's message has many lines; one says what is wrong
        causes = [line.removeprefix("error: ") for line in str(error).splitlines() if line.startswith("error: ")]
        return causes[0] if causes else str(error).splitlines()[0]
    return None


def group_names(pattern: str) -> list[str]:
    """Return the names of a pattern's groups; a group without a name has its number."""
    fields = pl.Series([""], dtype=pl.String).str.extract_groups(pattern).dtype
    return [field.name for field in fields.fields] if isinstance(fields, pl.Struct) else []


def found_in(texts: pl.Series, pattern: str) -> pl.Series:
    """Return whether the pattern is found in each text."""
    return texts.str.contains(pattern)


def first_value(texts: Iterable[str], pattern: str) -> str | None:
    """Return what the only group matches in the first text where it matches, without spaces around it; None where there is no such text."""
    values = pl.Series(list(texts), dtype=pl.String).str.extract(pattern, 1).drop_nulls()
    return str(values[0]).strip() if values.len() else None


def named_values(text: str, pattern: str) -> dict[str, str]:
    """Return what each named group matches in the text; without groups that match nothing."""
    values: dict[str, str | None] = pl.Series([text]).str.extract_groups(pattern).item() or {}
    return {name: value for name, value in values.items() if value is not None and not name.isdecimal()}
