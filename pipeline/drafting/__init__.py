"""Draft a source profile from a sample export, for a person to correct: a file in, text out.

`sniffing` detects the file format, `columns` describes the columns, `moments`, `labels` and `meanings` guess what they mean, and `writing`
writes the draft. What a file can't show (planes, signs, definitions, the time zone) stays a question; `pitchledger check` rejects a profile
with open questions.
"""

import re
from pathlib import Path
from typing import NamedTuple

from pipeline.drafting.columns import Column, Numbers, look_at
from pipeline.drafting.labels import guess_keys, guess_labels, guess_situation, unnamed
from pipeline.drafting.meanings import guess_metrics
from pipeline.drafting.moments import When, date_in_name, guess_when, runs_backward, settled
from pipeline.drafting.sniffing import Line, Sniffed, sniff
from pipeline.drafting.writing import (
    count_open,
    head,
    keys,
    label_table,
    left_over,
    lines_without_a_row,
    listing,
    metric_table,
    table,
    time_table,
    used_for,
)


class Draft(NamedTuple):
    """A draft as TOML text, and its number of open questions."""

    text: str
    questions: int


def draft_profile(path: Path, name: str) -> Draft:
    """Draft a profile `name` from the export at `path`. Raises UnreadableExport where the file is not a table in any known format."""
    sniffed = sniff(path)
    columns, numbers = look_at(sniffed.raw.cells)
    when = guess_when(columns, sniffed.carried)
    when, pattern = _with_name(when, path.name)
    text = "\n".join(_parts(sniffed, columns, numbers, when, pattern, path.name, name)) + "\n"
    return Draft(text, count_open(text))


def _with_name(when: When, file_name: str) -> tuple[When, str | None]:
    """Use the date in the file's name: as the date where no other is found (with its pattern), else to tell the month from the day."""
    found = date_in_name(file_name)
    if found is None:
        return when, None
    pattern, moment, day = found
    if when.date is None and not any(part.has_date for part in when.stamp):
        return when._replace(date=moment), pattern
    date_part = settled(when.date, day) if when.date else None
    return when._replace(stamp=tuple(settled(part, day) for part in when.stamp), date=date_part), None


def name_for(path: Path) -> str:
    """Return a name for the profile: the part of the file's name before its first digit."""
    words = re.findall(r"[a-z]+", re.split(r"\d", path.stem.lower())[0])
    return "_".join(words) or "device"


def _parts(
    sniffed: Sniffed,
    columns: list[Column],
    numbers: Numbers,
    when: When,
    pattern: str | None,
    file_name: str,
    name: str,
) -> list[str]:
    moments = [*when.stamp, *([when.date] if when.date else [])]
    stamps = frozenset(moment.ref for moment in moments)
    metrics = guess_metrics([column for column in columns if column.name not in stamps])
    measured = frozenset(column.name for guess in metrics for column in guess.columns)
    found = guess_keys(columns, sniffed.carried, stamps | measured)
    situation = guess_situation(columns)
    labels = guess_labels(columns, stamps | measured | frozenset(found.values()) | frozenset(situation.values()))
    total = sniffed.raw.cells.width - 1
    used = used_for(metrics, labels, found | situation, moments)
    backward = bool(when.stamp) and runs_backward(when.stamp[-1], columns)
    return [
        *head(file_name, name, sniffed.raw.rows_read, total),
        *lines_without_a_row(sniffed.raw.left_out, sniffed.raw.problems),
        *table(
            "file",
            [
                *sniffed.file,
                *_number_lines(numbers),
                *([Line("row_order", "newest_first", "the times run backward")] if backward else []),
            ],
        ),
        *table("file.preamble", sniffed.patterns),
        *table("file.name", [Line("pattern", pattern, "the file name holds the date")] if pattern else []),
        *time_table(when),
        *keys(found, every_row_timed=_every_row_timed(when, columns)),
        *table("situation", [Line(key, ref, "guess by its heading") for key, ref in situation.items()]),
        *(line for guess in labels for line in label_table(guess)),
        *(line for guess in metrics for line in metric_table(guess)),
        *listing(columns, used, total, sniffed.carried, sniffed.by_table),
        *left_over({guess.metric for guess in metrics}, {guess.field for guess in labels}, unnamed(columns, used)),
    ]


def _every_row_timed(when: When, columns: list[Column]) -> bool:
    """Return whether each row has a time of day."""
    clocks = {moment.ref for moment in when.stamp if moment.has_clock}
    return bool(clocks) and all(column.texts.len() == column.rows for column in columns if column.name in clocks)


def _number_lines(numbers: Numbers) -> list[Line]:
    """Return the keys of [file] for how numbers are written, where that is unusual."""
    lines = [Line("decimal", numbers.decimal)] if numbers.decimal != "." else []
    lines += [Line("thousands", numbers.thousands, "guess")] if numbers.thousands else []
    note = "guess: these words occur among numbers. Do they mean not measured?"
    return [*lines, *([Line("null_words", list(numbers.null_words), note)] if numbers.null_words else [])]
