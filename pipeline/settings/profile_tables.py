"""The tables of a source profile except its metrics: file, time, keys, situation, labels and rows that are not pitches.

Editors show the descriptions of the fields; schemas/profile.md explains the same with examples.
"""

import codecs
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, StrictBool, model_validator

from pipeline.settings.patterns import group_names, pattern_fault
from pipeline.settings.problems import SettingsTable, value_problem
from pipeline.settings.time_formats import (
    EPOCHS,
    NAMED_FORMATS,
    ZONE_WORDS,
    check_profile_zone,
    check_time_format,
    has_clock,
    has_date,
)
from schemas.metrics import (
    BATTER_SIDES,
    HALVES,
    HANDS,
    OCCASIONS,
    PITCH_RESULTS,
    PITCH_TYPES,
    PLATE_APPEARANCE_RESULTS,
)


def _check_codec(name: str) -> str:
    try:
        if codecs.lookup(name)._is_text_encoding:
            return name
    except LookupError:
        pass
    common = ("utf-8", "utf-16", "cp1252", "latin-1", "cp1250", "cp437", "shift_jis")
    raise value_problem("is not an encoding that Python knows", common, name)


def _check_pattern(text: str) -> str:
    fault = pattern_fault(text)
    if fault:
        raise value_problem(f"is not a regular expression that can be used here: {fault}")
    return text


def _check_one_group(text: str) -> str:
    if len(group_names(text)) != 1:
        raise value_problem("must have exactly one group: the part in ( ) is the value; write (?: ) for others")
    return text


def _check_named_groups(text: str) -> str:
    if all(name.isdecimal() for name in group_names(text)):
        raise value_problem("has no named group; write (?P<date>\\d+) for the part that @name.date should contain")
    return text


Name = Annotated[str, Field(min_length=1)]
Ref = Annotated[
    str,
    Field(min_length=1, description="a header name, a path with dots in JSON, or a file value (@name.…, @preamble.…)"),
]
TimeFormat = Annotated[str, AfterValidator(check_time_format)]
OneCharacter = Annotated[str, Field(min_length=1, max_length=1)]


class NamePattern(SettingsTable):
    """Values in the file name."""

    pattern: Annotated[str, AfterValidator(_check_pattern), AfterValidator(_check_named_groups)] = Field(
        description="regular expression (without look-around and back-references) searched in the file name; each named group (?P<date>…) becomes @name.date"
    )


class FileTable(SettingsTable):
    """How the file is built."""

    format: Literal["csv", "tsv", "xlsx", "json_lines", "json", "parquet"] = Field(description="file format")
    name_pattern: Name = Field(
        default="*", description="shell pattern of the file names; a file that does not match is quarantined"
    )
    encoding: Annotated[str, AfterValidator(_check_codec)] = Field(
        default="utf-8", description="any Python codec name; a byte order mark is recognized"
    )
    delimiter: OneCharacter | None = Field(
        default=None, description="character between fields; default: comma (csv), tab (tsv)"
    )
    quote: Annotated[str, Field(max_length=1)] = Field('"', description='character around fields; "" = none')
    header_row: int | None = Field(
        default=None, ge=0, description="line or row with the names, from 1 (default 1); 0 = none: then set `columns`"
    )
    header_starts_with: Name | None = Field(
        default=None, description="instead of header_row: the first line that starts with this text has the names"
    )
    columns: tuple[Name, ...] | None = Field(
        default=None, min_length=1, description="the column names of a file without a header (header_row = 0)"
    )
    repeated_header: StrictBool = Field(
        default=False,
        description="true = each line with the column names starts a table of its own, with its own values of [file.preamble]; "
        "false = a second table refuses the file",
    )
    trailer_lines: int = Field(
        default=0, ge=0, description="number of lines at the end of the file or table that are not rows"
    )
    trailer_starts_with: Name | None = Field(
        default=None, description="the rows of a file or table end at the first line that starts with this text"
    )
    comment: Name | None = Field(default=None, description="lines that start with this text are not rows")
    decimal: Literal[".", ","] = Field(default=".", description="decimal separator of numbers written as text")
    thousands: Literal["", ",", ".", " ", "'"] = Field(
        default="", description="separator between groups of three digits; default none"
    )
    null_words: tuple[str, ...] = Field(
        default=("",), description="texts that mean not measured; an empty cell always does"
    )
    sheet: Name | Annotated[int, Field(ge=1)] = Field(
        default=1, description="xlsx: name of the sheet, or its number from 1"
    )
    records: str = Field(
        default="", description='json: path to the list of records; "" = the document itself is the list'
    )
    newest_by: Literal["file_name", "exported_at", "modified_time"] = Field(
        default="file_name", description="which export is newer if two contain the same sighting"
    )
    exported_at: Ref | None = Field(
        default=None, description="file value or column with the time when the export was made"
    )
    exported_at_formats: tuple[TimeFormat, ...] = Field(
        default=(), description="formats of exported_at, tried in order"
    )
    row_order: Literal["as_thrown", "newest_first"] = Field(
        default="as_thrown", description="order of the rows in the file"
    )
    preamble: dict[str, Annotated[str, AfterValidator(_check_pattern), AfterValidator(_check_one_group)]] = Field(
        default_factory=dict,
        description="name = regular expression with one group, searched line by line above the header: @preamble.name",
    )
    name: NamePattern | None = Field(default=None, description="values in the file name: @name.group")

    @model_validator(mode="after")
    def _is_consistent(self) -> "FileTable":
        if self.header_starts_with and self.header_row is not None:
            raise value_problem("header_row and header_starts_with exclude each other; keep one")
        if self.header_row == 0 and not self.columns:
            raise value_problem("header_row = 0 means no header, so list the column names in `columns`")
        if self.columns and self.header_row != 0:
            raise value_problem("columns is only for a file without a header; add header_row = 0")
        if self.columns and len(set(self.columns)) < len(self.columns):
            raise value_problem("columns contains a name twice")
        if self.decimal == self.thousands:
            raise value_problem("decimal and thousands are the same character")
        if self.newest_by == "exported_at" and not (self.exported_at and self.exported_at_formats):
            raise value_problem('newest_by = "exported_at" needs exported_at and exported_at_formats')
        if self.delimiter and self.delimiter == self.quote:
            raise value_problem("delimiter and quote are the same character")
        return self

    @property
    def separator(self) -> str:
        """The character between fields."""
        return self.delimiter or ("\t" if self.format == "tsv" else ",")

    @property
    def header_line(self) -> int:
        """The line of the header, from 1; 0 = none."""
        return 1 if self.header_row is None else self.header_row


class TimeTable(SettingsTable):
    """When the pitches were thrown."""

    column: Ref | None = Field(default=None, description="the column of the stamp")
    columns: tuple[Ref, ...] | None = Field(
        default=None, min_length=2, description="several columns that form the stamp, joined by one space"
    )
    formats: tuple[TimeFormat, ...] = Field(
        default=(), description="tried in order: strftime codes, or iso8601, epoch_s, epoch_ms, epoch_us"
    )
    zone: Annotated[str, AfterValidator(check_profile_zone)] | None = Field(
        default=None, description="venue, UTC, in_stamp, or a name such as America/Chicago"
    )
    resolution_s: Annotated[float, Field(gt=0, le=3600, allow_inf_nan=False)] | Literal["from_stamps"] = Field(
        default="from_stamps", description="resolution of the clock in seconds; from_stamps = measured for each file"
    )
    date_column: Ref | None = Field(
        default=None, description="the date, if the stamp has none or a row or file has no stamp"
    )
    date_formats: tuple[TimeFormat, ...] = Field(default=(), description="formats of date_column, tried in order")
    date_is: Literal["baseball_day", "calendar"] = Field(
        default="baseball_day",
        description="what date_column contains: the day of the session (which ends at 4 am), or the calendar date",
    )
    clock: Literal["stamps", "order_only"] = Field(
        default="stamps", description="order_only = the times of day are not usable"
    )

    @model_validator(mode="after")
    def _is_consistent(self) -> "TimeTable":
        if self.column and self.columns:
            raise value_problem("column and columns exclude each other; keep one")
        if not self.stamp_columns and not self.date_column:
            raise value_problem("there is no date; add column (with formats, zone), or date_column (with date_formats)")
        if self.stamp_columns and not self.formats:
            raise value_problem("there is a stamp, but formats is missing", (*NAMED_FORMATS, "%Y-%m-%d %H:%M:%S"))
        if self.stamp_columns and not self.zone and self.clock == "stamps":
            raise value_problem("zone is missing, and a stamp needs it", (*ZONE_WORDS, "America/Chicago"))
        if self.date_column and not self.date_formats:
            raise value_problem(
                "there is a date_column, but date_formats is missing", ("iso8601", "%Y-%m-%d", "%d.%m.%Y", "%m/%d/%Y")
            )
        if not self.date_column and self.stamp_columns and not all(map(has_date, self.formats)):
            raise value_problem("one of the formats has no day, so add date_column")
        if any(not has_date(text) for text in self.date_formats):
            raise value_problem("one of the date_formats has no day")
        if self.clock == "stamps":
            self._check_zone()
        return self

    def _check_zone(self) -> None:
        offsets = [text for text in self.formats if "%z" in text or "%:z" in text]
        if offsets and self.zone != "in_stamp":
            raise value_problem(f'format "{offsets[0]}" reads the zone from the stamp, so zone must be "in_stamp"')
        if any(text in EPOCHS for text in self.formats) and self.zone not in ("UTC", "in_stamp"):
            raise value_problem('seconds since 1970 are always UTC; write zone = "UTC"')
        plain = [text for text in self.formats if text not in NAMED_FORMATS and text not in offsets and has_clock(text)]
        if self.zone == "in_stamp" and plain:
            raise value_problem(f'zone is "in_stamp", but format "{plain[0]}" has no %z that reads it')

    @property
    def stamp_columns(self) -> tuple[str, ...]:
        """The columns that form the stamp; empty if there is no stamp."""
        return self.columns or ((self.column,) if self.column else ())


class KeysTable(SettingsTable):
    """Ids and names: each a column reference."""

    native_id: Ref | None = Field(
        default=None, description="the tracker's own id of the pitch; it must never be used again"
    )
    session: Ref | None = Field(default=None, description="the tracker's own id of the session")
    sequence: Ref | None = Field(default=None, description="number that counts up within a session")
    pitcher: Ref | None = Field(default=None, description="name or number of the pitcher as written")
    pitcher_id: Ref | None = Field(default=None, description="the tracker's own id of the pitcher")
    batter: Ref | None = Field(default=None, description="name or number of the batter as written")
    batter_id: Ref | None = Field(default=None, description="the tracker's own id of the batter")
    team: Ref | None = Field(default=None, description="the pitcher's team as written")


class SituationTable(SettingsTable):
    """Inning, outs and count before the pitch: each a column reference."""

    inning: Ref | None = None
    outs: Ref | None = None
    balls: Ref | None = None
    strikes: Ref | None = None


class LabelTable(SettingsTable):
    """The device's words and the common words that they become."""

    column: Ref | None = Field(default=None, description="the column of the words")
    value: Name | None = Field(default=None, description="one word for every row, instead of a column")
    words: dict[str, str] = Field(
        default_factory=dict,
        description="device's word = common word; case and spaces around the word are ignored",
    )
    unknown: Literal["unknown", "null"] = Field(default="unknown", description="what an unlisted word becomes")

    @model_validator(mode="after")
    def _has_one_source(self) -> "LabelTable":
        if bool(self.column) == bool(self.value):
            raise value_problem("either column or value is needed, not both")
        if self.value and self.words:
            raise value_problem("there is a value for every row, so remove `words`")
        folded = [word.strip().casefold() for word in self.words]
        if len(set(folded)) < len(folded):
            raise value_problem("a word is listed twice (case and spaces around a word are ignored)")
        return self


class PitchTypeTable(LabelTable):
    """The pitch type, and who named it."""

    by: Literal["operator", "tracker"] = Field(description="who names it: a person at the device, or the device")


class LabelTables(SettingsTable):
    """All [labels.*] tables."""

    pitch_type: PitchTypeTable | None = None
    pitch_result: LabelTable | None = None
    plate_appearance_result: LabelTable | None = None
    occasion: LabelTable | None = None
    pitcher_hand: LabelTable | None = None
    batter_side: LabelTable | None = None
    half: LabelTable | None = None
    station: LabelTable | None = None

    def given(self) -> dict[str, LabelTable]:
        """Return the tables that the profile has, by field."""
        return {name: table for name in LABELS if (table := getattr(self, name)) is not None}


# the common words of each field; stations are ids of ledger.toml, so any word is accepted here
LABELS: dict[str, tuple[str, ...]] = {
    "pitch_type": PITCH_TYPES,
    "pitch_result": PITCH_RESULTS,
    "plate_appearance_result": PLATE_APPEARANCE_RESULTS,
    "occasion": OCCASIONS,
    "pitcher_hand": HANDS,
    "batter_side": BATTER_SIDES,
    "half": HALVES,
    "station": (),
}


class NoPitchRule(SettingsTable):
    """A rule for rows that are not pitches: one column, one test."""

    column: Ref
    words: tuple[str, ...] | None = Field(
        default=None,
        min_length=1,
        description="the cell is one of these words (case and spaces around the word are ignored)",
    )
    below: float | None = Field(
        default=None, allow_inf_nan=False, description="the cell is below this number, in the column's own unit"
    )
    above: float | None = Field(
        default=None, allow_inf_nan=False, description="the cell is above this number, in the column's own unit"
    )
    is_null: StrictBool | None = Field(default=None, description="true = the cell is empty")
    why: Name = Field(description="the reason, for people")
    is_warm_up: StrictBool | None = Field(
        default=None,
        description="true = these rows are warm-up throws, which workload views count apart; default: rows whose cell or `why` begins with 'warm'",
    )

    @model_validator(mode="after")
    def _has_one_test(self) -> "NoPitchRule":
        tests = [name for name in ("words", "below", "above", "is_null") if getattr(self, name) is not None]
        if len(tests) != 1:
            count = ", ".join(tests) or "none"
            raise value_problem(
                f"exactly one test is needed; this rule has {count}", ("words", "below", "above", "is_null")
            )
        if self.is_null is False:
            raise value_problem("is_null can only be true")
        return self
