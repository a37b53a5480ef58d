"""Write a draft: fill in what the file shows, mark guesses, and ask what no file can show."""

import re
from collections.abc import Iterator, Sequence
from typing import Any, get_args

import numpy as np
import polars as pl

from pipeline.drafting.columns import MOST_COLUMNS, Column
from pipeline.drafting.labels import LabelGuess, looks_like_no_pitch
from pipeline.drafting.meanings import Guess
from pipeline.drafting.moments import Moment, When, joined
from pipeline.drafting.sniffing import Line
from pipeline.exports.readers.raw import LeftOut, printable
from pipeline.settings.definitions import (
    AxisAngle,
    AxisClock,
    Carry,
    EfficiencyActiveSpin,
    EfficiencyGyroAngle,
    EfficiencyRatio,
    ExitVelocity,
    Extension,
    FlightTime,
    Height,
    HorizontalApproach,
    HorizontalBreak,
    LaunchAngle,
    RateOfSpin,
    Reading,
    Side,
    Speed,
    SprayAngle,
    VerticalApproach,
    VerticalBreak,
)
from pipeline.settings.metric_tables import TrajectorySpec
from pipeline.settings.profile import OPEN
from pipeline.settings.profile_tables import LABELS
from pipeline.settings.time_formats import EPOCHS
from pipeline.words import pluralize
from schemas.metrics import METRICS

_WIDTH = 44
# lines that are not rows, shown up to so many
_LEFT_OUT_SHOWN = 8
_SHOWN = 60
_READINGS: dict[str, type[Reading]] = {
    "release_speed_mph": Speed,
    "plate_speed_mph": Speed,
    "spin_rate_rpm": RateOfSpin,
    "spin_efficiency": EfficiencyRatio,
    "spin_axis_deg": AxisAngle,
    "induced_vertical_break_in": VerticalBreak,
    "horizontal_break_in": HorizontalBreak,
    "release_height_ft": Height,
    "release_side_ft": Side,
    "extension_ft": Extension,
    "plate_height_ft": Height,
    "plate_side_ft": Side,
    "vertical_approach_deg": VerticalApproach,
    "horizontal_approach_deg": HorizontalApproach,
    "flight_time_s": FlightTime,
    "exit_velocity_mph": ExitVelocity,
    "launch_angle_deg": LaunchAngle,
    "spray_angle_deg": SprayAngle,
    "carry_distance_ft": Carry,
}
# metrics with several forms: the form that a unit implies
_FORMS: dict[tuple[str, str], type[Reading]] = {
    ("spin_axis_deg", "clock"): AxisClock,
    ("spin_efficiency", "deg"): EfficiencyGyroAngle,
    ("spin_efficiency", "rpm"): EfficiencyActiveSpin,
}
_PLANES = 'release, front_edge, back_tip, or a distance such as "50 ft", "5 ft from rubber"'
_UNITS = {
    "mph": "mph, km/h, m/s, ft/s", "rpm": "rpm, revolution/s, rad/s", "ft": "ft, m, cm, inch", "inch": "inch, cm, mm, ft, m",
    "deg": "deg, rad", "s": "s, ms", "1": '"1" (0 to 1), percent',
}  # fmt: skip


def toml(value: object) -> str:
    """Return a value in TOML: text in double quotes, or in single quotes where it contains a backslash."""
    if isinstance(value, bool | int | float):
        return str(value).lower()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(toml, value)) + "]"
    text = str(value)
    if "\\" in text and "'" not in text and text.isprintable():
        return f"'{text}'"
    characters = (char if char.isprintable() and char not in '"\\' else _escaped(char) for char in text)
    return '"' + "".join(characters) + '"'


def _escaped(char: str) -> str:
    if char in '"\\':
        return f"\\{char}"
    return "\\t" if char == "\t" else f"\\u{ord(char):04x}" if ord(char) < 0x10000 else f"\\U{ord(char):08x}"


def row(key: str, value: object, note: str = "") -> str:
    """Return one line of the draft, with the note as a comment behind it."""
    line = f"{key} = {toml(value)}"
    return f"{line:<{_WIDTH}} # {printable(note, 600)}" if note else line


def _question(key: str, what: str) -> str:
    return row(key, OPEN, f"ANSWER: {what}")


# ---- the parts -----------------------------------------------------------------------------------------------------------------------------


def head(file_name: str, name: str, rows: int, columns: int) -> Iterator[str]:
    """Yield the head of the draft: what it is, and what to do with it."""
    yield f"# Draft of a source profile, made from {printable(file_name, 120)}: {rows} rows, {columns} columns."
    yield "# What the file shows is filled in. Check each value that is marked `guess`."
    yield f'# No file shows the rest: replace each "{OPEN}" by one of the answers beside it. Delete the table of a column that you do not need.'
    yield "# schemas/profile.md explains every key and how to find out which definition your device uses."
    yield f'# Then add the device to ledger.toml, as below. `pitchledger check` lists each "{OPEN}" that remains, and what each column becomes.'
    yield "#   [[tracker]]"
    yield f'#   id = "{name}"'
    yield '#   name = "what people call it"'
    yield f'#   profile = "{name}"'
    yield '#   venue = "an id of your venues"'
    yield '#   stations = ["ids of its stations"]'
    yield "#   rank = 9                              # 1 is preferred; give each tracker its own rank"
    yield _question("describes", "one line for people: which device, and which of its exports")


def lines_without_a_row(left_out: LeftOut, problems: pl.DataFrame) -> Iterator[str]:
    """Yield what the draft leaves out, so that a person sees whether a throw is among it."""
    refused = problems.filter(pl.col("level") == "row").select("file_row", "value", "reason")
    if left_out.lines:
        yield f"# Not rows: {pluralize(left_out.lines, 'line')} below the column names (titles, sums). Is a throw among them?"
        yield from (
            f"#   line {number}: {printable(' '.join(text.split()), _SHOWN)}"
            for number, text in left_out.first[:_LEFT_OUT_SHOWN]
        )
    if refused.height:
        yield f"# Not readable: {pluralize(refused.height, 'line')}. A run puts them into quarantine:"
        for number, value, reason in refused.head(_LEFT_OUT_SHOWN).iter_rows():
            yield f"#   line {number}: {printable(' '.join((value or '').split()), _SHOWN)} ({printable(reason, 200)})"


def table(name: str, lines: Sequence[Line]) -> Iterator[str]:
    """Yield one table of known and guessed values; nothing where there are none."""
    if lines:
        yield ""
        yield f"[{name}]"
        yield from (row(line.key, line.value, line.note) for line in lines)


def time_table(when: When) -> Iterator[str]:
    """Yield [time] with its open questions: the zone always, and day and month where the file has no day above 12."""
    yield ""
    yield "[time]"
    if not when.stamp and when.date is None:
        yield _question(
            "date_column",
            "no column looks like a date. Name the column (or @name.KEY, @preamble.KEY) that holds it",
        )
        yield row("date_formats", [OPEN], "ANSWER: its format, such as %Y-%m-%d or %m/%d/%Y")
        return
    yield from _stamp(when)
    if when.date is not None:
        yield row("date_column", when.date.ref, f"guess: {when.date.example}")
        yield _formats("date_formats", when.date.formats, when.date.example)
        if when.stamp:
            yield _question(
                "date_is",
                "baseball_day (the date on which the session began, also after midnight) or calendar (the calendar date)",
            )
    if when.others:
        yield f"# these may hold the time, too: {', '.join(printable(other, _SHOWN) for other in when.others)}"


def _stamp(when: When) -> Iterator[str]:
    if not when.stamp:
        return
    example = " ".join(moment.example for moment in when.stamp)
    if len(when.stamp) == 2:
        yield row("columns", [moment.ref for moment in when.stamp], f"guess: date and clock; {example}")
        formats = joined(*when.stamp)
    else:
        yield row("column", when.stamp[0].ref, f"guess: {example}")
        formats = when.stamp[0].formats
    yield _formats("formats", formats, example)
    if formats[0] in EPOCHS:
        yield row("zone", "UTC", "such numbers always count from 1970 in UTC")
    elif when.stamp[-1].zoned:
        yield row("zone", "in_stamp", "the time includes its zone")
    else:
        yield _question(
            "zone",
            "time zone of the device's clock: venue (local time at the park), UTC, or a name such as America/Chicago",
        )


def _formats(key: str, formats: Sequence[str], example: str) -> str:
    """Return the formats; ask where two of them differ in day and month."""
    months = {text.find("%m") < text.find("%d") for text in formats if "%m" in text}
    if len(months) > 1:
        allowed = " or ".join(toml(text) for text in formats)
        return row(key, [OPEN], f"ANSWER: {allowed}. The file does not show which number is the month: {example}")
    return row(key, list(formats))


def keys(found: dict[str, str], *, every_row_timed: bool) -> Iterator[str]:
    """Yield [keys]: guesses by headings; ask for the pitcher where no heading names one, and for the session where only a number tells rows apart."""
    yield ""
    yield "[keys]"
    notes = {
        "native_id": "guess: unique in this file. If the device ever uses a number again, name this key `sequence`",
        "sequence": "guess: counts up",
    }
    for key, ref in found.items():
        yield row(key, ref, notes.get(key, "guess by its heading"))
    if "pitcher" not in found:
        yield _question(
            "pitcher",
            "the column with the pitcher's name; delete this line if the export names no pitcher",
        )
    if "sequence" in found and not {"session", "native_id"} & found.keys() and not every_row_timed:
        yield _question(
            "session",
            "what tells two evenings of one day apart that both count from 1: a column, @name.KEY or @preamble.KEY (@file: each export is "
            "one session). Delete this line if the number never starts again within a day",
        )


def label_table(guess: LabelGuess) -> Iterator[str]:
    """Yield one [labels.*] table with every word of the file."""
    yield ""
    yield f"[labels.{guess.field}]"
    yield row("column", guess.column.name, "guess by its heading and words")
    if guess.field == "pitch_type":
        yield _question("by", "who decides the pitch type: operator (a person enters it) or tracker (the device)")
    allowed = ", ".join(LABELS[guess.field]) or "the ids of your stations in ledger.toml"
    yield f"[labels.{guess.field}.words]"
    yield f"# device's word = our word, one of: {allowed}. Delete a line, and its word becomes unknown or null and is reported"
    counts = guess.column.words or {}
    for word, ours in guess.words.items():
        times = pluralize(counts[word], "row")
        if ours is None:
            hint = (
                "; not a pitch? Then delete this line, and use [[no_pitch]] below" if looks_like_no_pitch(word) else ""
            )
            yield row(toml(word), OPEN, f"ANSWER ({times}){hint}")
        else:
            yield row(toml(word), ours, times if ours == word else f"guess ({times})")


def metric_table(guess: Guess) -> Iterator[str]:
    """Yield one [metric.*] table: column and unit as guessed, and a question for every key that defines the number."""
    metric = METRICS[guess.metric]
    yield ""
    yield f"[metric.{metric.name}]"
    yield f"# our definition: {metric.definition}"
    column = guess.columns[0]
    if len(guess.columns) > 1:
        yield _question("column", "which of " + ", ".join(f'"{one.name}" ({span(one)})' for one in guess.columns))
    else:
        yield row("column", column.name, f"guess by its heading; {span(column)}")
    model = _model(guess)
    if "form" in model.model_fields:
        yield row("form", get_args(model.model_fields["form"].annotation)[0], "guess")
    if "unit" in model.model_fields:
        yield _unit(guess)
    yield from _questions(model)
    zeros = int((column.values == 0).sum())
    if zeros > 0.05 * column.values.len():
        yield f"# {zeros} cells are 0: if the device writes 0 for a reading that it did not get, add zero_is_null = true"


def _model(guess: Guess) -> type[Reading]:
    return _FORMS.get((guess.metric, guess.units[0] if guess.units else ""), _READINGS[guess.metric])


def _unit(guess: Guess) -> str:
    if len(guess.units) != 1:
        fitting = (
            " or ".join(guess.units) + ", judging by the numbers"
            if guess.units
            else _UNITS[METRICS[guess.metric].pint_unit]
        )
        return _question("unit", fitting)
    if guess.by_heading:
        return row("unit", guess.units[0], "guess by its heading")
    others = f"; {' or '.join(guess.unlikely)} is possible, too. Look it up" if guess.unlikely else ""
    return row("unit", guess.units[0], f"guess: the usual unit for such numbers{others}")


def _questions(model: type[Reading]) -> Iterator[str]:
    for key, field in model.model_fields.items():
        if field.is_required() and key not in ("column", "form", "unit"):
            yield _question(key, _allowed(key, field.annotation, field.description or ""))


def _allowed(key: str, annotation: Any, description: str) -> str:
    words = _words(annotation)
    if words:
        return f"{', '.join(words)} ({description})"
    if key in ("at", "start", "end"):
        return {
            "at": "plane of the reading: ",
            "start": "plane at which it starts: ",
            "end": "plane at which it ends: ",
        }[key] + _PLANES
    return f"a number, without quotes ({description})"


def _words(annotation: Any) -> list[str]:
    """Return the words that a key allows, at any depth of its type."""
    parts = get_args(annotation)
    return [word for part in parts for word in ([part] if isinstance(part, str) else _words(part))]


def span(column: Column) -> str:
    """Describe the content of a column in a few words."""
    filled = f", {column.texts.len()} of {column.rows} filled" if column.texts.len() < column.rows else ""
    if column.texts.is_empty():
        return "empty"
    if column.words is not None:
        listed = ", ".join(f"{printable(word, 30)} ({times})" for word, times in column.words.items())
        return f"{listed}{filled}"
    values = column.values.to_numpy()
    # longer numbers are ids and times, best shown as written
    if column.is_number and np.abs(values).max() < 1e7:
        negative = (values < 0).mean()
        signs = f", {negative:.0%} negative" if negative > 0 else ""
        return f"{values.min():g} to {values.max():g}, median {np.median(values):g}{signs}{filled}"
    return (
        ", ".join(printable(text, 30) for text in column.texts.head(3)) + (", ..." if column.rows > 3 else "") + filled
    )


def listing(
    columns: Sequence[Column],
    used: dict[str, str],
    total: int,
    carried: dict[str, str],
    by_table: dict[str, dict[str, int]],
) -> Iterator[str]:
    """Yield all columns with their content, and the guess for each. `by_table`: the values that differ from table to table."""
    yield ""
    yield "# ---- All columns and their content ----"
    for column in [column for column in columns if column.texts.len()]:
        taken = f"  -> {used[column.name]}" if column.name in used else ""
        yield f"# {printable(toml(column.name), _SHOWN)}: {printable(span(column), 1500)}{taken}"
    empty = [printable(toml(column.name), _SHOWN) for column in columns if column.texts.is_empty()]
    yield from (["# empty in this file: " + ", ".join(empty)] if empty else [])
    if total > MOST_COLUMNS:
        yield f"# ... and {total - MOST_COLUMNS} more columns"
    for ref, value in carried.items():
        if ref in by_table:
            values = (
                f"{printable(str(one), _SHOWN)} ({pluralize(rows, 'row')})" for one, rows in by_table[ref].items()
            )
            yield f"# {ref}: {', '.join(values)}, by table"
        else:
            yield f"# {ref}: {printable(value, _SHOWN)} (for all rows of this file)"


def left_over(metrics: set[str], labels: set[str], unnamed: Sequence[Column]) -> Iterator[str]:
    """Yield a commented table for everything that no heading suggested."""
    yield ""
    yield "# ---- What no heading suggests. If a column above holds one of these, remove the # before its lines and answer ----"
    yield "# [[no_pitch]]                              # rows that are not pitches: warm-ups, throws back"
    yield f'# column = "{OPEN}"'
    yield '# words = ["warm-up"]                       # or below = 50, or above = ..., or is_null = true'
    yield '# why = "warm-up or throw back"'
    missing = [field for field in LABELS if field not in labels]
    for field in missing:
        yield f"# [labels.{field}]: our words are {', '.join(LABELS[field]) or 'the ids of your stations'}"
    for column in unnamed if missing else ():
        yield from _unnamed_labels(column, missing)
    for metric, model in _READINGS.items():
        if metric not in metrics:
            yield "#"
            yield f"# [metric.{metric}]  # {METRICS[metric].definition}"
            yield f'# column = "{OPEN}"'
            yield from (f"# {line}" for line in _blank(metric, model))
    yield "#"
    yield "#"
    yield from (f"# {line}" for line in _flight())


def _flight() -> Iterator[str]:
    """Yield [trajectory], the ball's flight in columns of its own, to be filled in."""
    yield "[trajectory]  # columns with the ball's position, velocity and acceleration: every flight metric follows from them"
    for part, note in (
        ("position", '; add distance = "column" where the distance has a column'),
        ("velocity", ""),
        ("acceleration", ""),
    ):
        distance = "" if part == "position" else f' distance = "{OPEN}",'
        yield f'{part} = {{ side = "{OPEN}",{distance} height = "{OPEN}" }}  # ANSWER: the columns{note}'
    for key, field in TrajectorySpec.model_fields.items():
        if key not in ("position", "velocity", "acceleration", "velocity_at", "distance_from", "gives"):
            words = ", ".join(_words(field.annotation))
            yield _question(key, f"{words} ({field.description or key})" if words else str(field.description))
    yield row("gives", "all", "or a list: the flight metrics to compute where no table above gives them")


def _unnamed_labels(column: Column, missing: Sequence[str]) -> Iterator[str]:
    """Yield a commented table for words that no heading explains, complete except for its name."""
    yield "#"
    yield f"# [labels.WHICH]                            # WHICH: {', '.join(missing)}"
    yield f"# {row('column', column.name)}"
    yield f'# by = "{OPEN}"                                # only with pitch_type: operator or tracker'
    yield "# [labels.WHICH.words]"
    for word, times in (column.words or {}).items():
        yield f"# {row(toml(word), OPEN, f'{times} rows')}"


def _blank(metric: str, model: type[Reading]) -> Iterator[str]:
    if "form" in model.model_fields:
        forms = {"spin_axis_deg": "angle, clock", "spin_efficiency": "ratio, gyro_angle, active_spin"}[metric]
        yield _question("form", f"{forms}; each has its own keys: schemas/profile.md")
    yield _question("unit", _UNITS[METRICS[metric].pint_unit])
    yield from _questions(model)


def count_open(text: str) -> int:
    """Return the number of open questions; those in comments do not count."""
    return sum(bool(re.match(rf'[^#]*"{re.escape(OPEN)}"', line)) for line in text.splitlines())


def used_for(
    metrics: Sequence[Guess], labels: Sequence[LabelGuess], key_refs: dict[str, str], moments: Sequence[Moment]
) -> dict[str, str]:
    """Return the guess for each column."""
    found: dict[str, str] = {}
    pairs = [(moment.ref, "time") for moment in moments]
    pairs += [(ref, key) for key, ref in key_refs.items()]
    pairs += [(guess.column.name, guess.field) for guess in labels]
    pairs += [
        (column.name, f"{guess.metric}?" if len(guess.columns) > 1 else guess.metric)
        for guess in metrics
        for column in guess.columns
    ]
    for ref, ours in pairs:
        found[ref] = f"{found[ref]}, {ours}" if ref in found else ours
    return found
