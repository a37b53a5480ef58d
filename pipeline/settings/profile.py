"""A source profile: the description of one kind of export. Data only: nothing in it is executed.

`load_profile` gives every fault at once. `python -m pipeline.settings.profile` writes schemas/profile.schema.json from these models.
The descriptions of the fields are those that an editor shows; schemas/README.md teaches the same with examples.
"""

import codecs
import json
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, available_timezones

import polars as pl
from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    PrivateAttr,
    StrictBool,
    TypeAdapter,
    ValidationError,
    model_validator,
)
from pydantic_core import PydanticCustomError

from pipeline.settings.definitions import MetricTables, TrajectorySpec, columns, contradictions
from pipeline.settings.problems import Problem, SettingsProblems, nearest_of, problems_of, read_toml
from schemas.metrics import (
    BATTER_SIDES,
    HALVES,
    HANDS,
    METRICS,
    OCCASIONS,
    PITCH_RESULTS,
    PITCH_TYPES,
    PLATE_APPEARANCE_RESULTS,
)

EPOCHS = {"epoch_s": 1_000_000, "epoch_ms": 1_000, "epoch_us": 1}  # microseconds in one
TIME_WORDS = ("iso8601", *EPOCHS)
ZONE_WORDS = ("venue", "UTC", "in_stamp")
# what `pitchledger draft` writes where a person must answer
OPEN = "???"
_DIRECTIVE = re.compile(r"%(?:[-_0]?[YyCmdejHIklMSpPbBhaAADFTRzGgVuUWws]|\.f|\.[369]f|[369]f|:z|%|t|n)")
_CARRIED_WHOLE = ("@file", "@folder", "@tracker")
_HAS_DATE = re.compile(r"%[-_0]?[YyCmdejbBhDFGVuUWs]")
_HAS_CLOCK = re.compile(r"%[-_0]?[HIklTRs]")


def _problem(message: str, allowed: tuple[str, ...] = (), seen: str = "") -> PydanticCustomError:
    safe = message.replace("{", "(").replace("}", ")")
    return PydanticCustomError(
        "profile", safe, {"allowed": allowed, "nearest": nearest_of(seen, allowed) if seen else None}
    )


def has_date(time_format: str) -> bool:
    """Say whether a stamp of this format names the day."""
    return time_format in TIME_WORDS or bool(_HAS_DATE.search(time_format))


def has_clock(time_format: str) -> bool:
    """Say whether a stamp of this format names the time of day."""
    return time_format in TIME_WORDS or bool(_HAS_CLOCK.search(time_format))


def _known_codec(name: str) -> str:
    try:
        if codecs.lookup(name)._is_text_encoding:
            return name
    except LookupError:
        pass
    common = ("utf-8", "utf-16", "cp1252", "latin-1", "cp1250", "cp437", "shift_jis")
    raise _problem("is no encoding that Python knows", common, name)


def _known_pattern(text: str) -> str:
    try:
        re.compile(text)
    except (re.error, RecursionError, OverflowError) as error:
        raise _problem(f"is no regular expression: {error}") from error
    return text


def _one_group(text: str) -> str:
    if re.compile(text).groups != 1:
        raise _problem("must have exactly one group: the part in ( ) is the value; write (?: ) for others")
    return text


def _named_groups(text: str) -> str:
    if not re.compile(text).groupindex:
        raise _problem("has no named group; write (?P<date>\\d+) for what is to be @name.date")
    return text


def _known_zone(name: str) -> str:
    if name in ZONE_WORDS:
        return name
    try:
        ZoneInfo(name)
        # times are turned by polars, whose list of zones is its own: it lacks "localtime" and "posix/..."
        pl.select(pl.lit(0).cast(pl.Datetime("us", "UTC")).dt.convert_time_zone(name))
    except (KeyError, ValueError, OSError, pl.exceptions.PolarsError) as error:
        near = nearest_of(name, (*ZONE_WORDS, *sorted(available_timezones())))
        raise PydanticCustomError(
            "profile", "is no time zone", {"allowed": (*ZONE_WORDS, "America/Chicago", "…"), "nearest": near}
        ) from error
    return name


def _known_format(text: str) -> str:
    if text in TIME_WORDS:
        return text
    rest = _DIRECTIVE.sub("", text.replace(".%f", "%.f").replace(",%f", "%.f"))
    if "%f" in rest:
        raise _problem(
            "has %f with no point before it; write %.f for a fraction after a point, %3f for three digits without one"
        )
    if "%Z" in rest:
        raise _problem(
            "has %Z: names such as CST stand for several zones; leave the word out by writing it, and state zone"
        )
    if "%" in rest:
        raise _problem(
            f"has a part that is not known: '{rest[rest.index('%') :][:2]}'",
            (*TIME_WORDS, "%Y-%m-%d %H:%M:%S", "%d.%m.%y %H:%M", "…"),
        )
    if text == rest:
        raise _problem("names no part of a date or time", (*TIME_WORDS, "%Y-%m-%d %H:%M:%S"), text)
    return text


Name = Annotated[str, Field(min_length=1)]
Ref = Annotated[
    str,
    Field(
        min_length=1, description="a header name, a path with dots in JSON, or a carried value (@name.…, @preamble.…)"
    ),
]
Pattern = Annotated[str, AfterValidator(_known_pattern)]
TimeFormat = Annotated[str, AfterValidator(_known_format)]
OneSign = Annotated[str, Field(min_length=1, max_length=1)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class NamePattern(_Strict):
    """Values carried by the file name."""

    pattern: Annotated[str, AfterValidator(_known_pattern), AfterValidator(_named_groups)] = Field(
        description="regular expression searched in the file name; each named group (?P<date>…) becomes @name.date"
    )


class FileTable(_Strict):
    """How the file is built."""

    format: Literal["csv", "tsv", "xlsx", "json_lines", "json", "parquet"] = Field(description="kind of file")
    name_pattern: Name = Field(
        default="*", description="shell pattern of the file names; a file that does not fit is quarantined whole"
    )
    encoding: Annotated[str, AfterValidator(_known_codec)] = Field(
        default="utf-8", description="any Python codec name; a byte order mark is understood"
    )
    delimiter: OneSign | None = Field(default=None, description="sign between fields; default: comma (csv), tab (tsv)")
    quote: Annotated[str, Field(max_length=1)] = Field('"', description='sign around fields; "" = none')
    header_row: int | None = Field(
        default=None, ge=0, description="line or row with the names, from 1 (default 1); 0 = none: then `columns`"
    )
    header_starts_with: Name | None = Field(
        default=None, description="instead of header_row: the first line that starts so holds the names"
    )
    columns: tuple[Name, ...] | None = Field(
        default=None, min_length=1, description="the columns' names where there is no header (header_row = 0)"
    )
    trailer_lines: int = Field(default=0, ge=0, description="lines at the end that are no rows")
    trailer_starts_with: Name | None = Field(
        default=None, description="from the first line that starts so, nothing is a row"
    )
    comment: Name | None = Field(default=None, description="lines that start so are no rows")
    decimal: Literal[".", ","] = Field(default=".", description="decimal sign of numbers written as text")
    thousands: Literal["", ",", ".", " ", "'"] = Field(
        default="", description="sign between groups of three digits; default none"
    )
    null_words: tuple[str, ...] = Field(
        default=("",), description="texts that mean not measured; the empty text always does"
    )
    sheet: Name | Annotated[int, Field(ge=1)] = Field(
        default=1, description="xlsx: name of the sheet, or its number from 1"
    )
    records: str = Field(default="", description='json: path to the list of records; "" = the document is the list')
    newest_by: Literal["file_name", "exported_at", "modified_time"] = Field(
        default="file_name", description="which export wins where two hold the same sighting"
    )
    exported_at: Ref | None = Field(
        default=None, description="carried value or column that says when the export was made"
    )
    exported_at_formats: tuple[TimeFormat, ...] = Field(
        default=(), description="formats of exported_at, tried in order"
    )
    row_order: Literal["as_thrown", "newest_first"] = Field(
        default="as_thrown", description="order of the rows in the file"
    )
    preamble: dict[str, Annotated[str, AfterValidator(_known_pattern), AfterValidator(_one_group)]] = Field(
        default_factory=dict,
        description="name = regular expression with one group, searched line by line above the header: @preamble.name",
    )
    name: NamePattern | None = Field(default=None, description="values carried by the file name: @name.group")

    @model_validator(mode="after")
    def _is_consistent(self) -> "FileTable":
        if self.header_starts_with and self.header_row is not None:
            raise _problem("header_row and header_starts_with exclude each other: keep one")
        if self.header_row == 0 and not self.columns:
            raise _problem("header_row = 0 says that there is no header: name the columns in `columns`")
        if self.columns and self.header_row != 0:
            raise _problem("columns are named only where there is no header: state header_row = 0")
        if self.columns and len(set(self.columns)) < len(self.columns):
            raise _problem("columns has a name twice")
        if self.decimal == self.thousands:
            raise _problem("decimal and thousands are the same sign")
        if self.newest_by == "exported_at" and not (self.exported_at and self.exported_at_formats):
            raise _problem('newest_by = "exported_at" needs exported_at and exported_at_formats')
        if self.delimiter and self.delimiter == self.quote:
            raise _problem("delimiter and quote are the same sign")
        return self

    @property
    def separator(self) -> str:
        """The sign between fields."""
        return self.delimiter or ("\t" if self.format == "tsv" else ",")

    @property
    def header_line(self) -> int:
        """Line of the header, from 1; 0 = none."""
        return 1 if self.header_row is None else self.header_row


class TimeTable(_Strict):
    """When the pitches were thrown."""

    column: Ref | None = Field(default=None, description="the column of the stamp")
    columns: tuple[Ref, ...] | None = Field(
        default=None, min_length=2, description="several columns that make the stamp, joined by one space"
    )
    formats: tuple[TimeFormat, ...] = Field(
        default=(), description="tried in order: strftime signs, or iso8601, epoch_s, epoch_ms, epoch_us"
    )
    zone: Annotated[str, AfterValidator(_known_zone)] | None = Field(
        default=None, description="venue, UTC, in_stamp, or a name such as America/Chicago"
    )
    resolution_s: Annotated[float, Field(gt=0, le=3600, allow_inf_nan=False)] | Literal["from_stamps"] = Field(
        default="from_stamps", description="step of the clock in seconds; from_stamps = found for each file"
    )
    date_column: Ref | None = Field(
        default=None, description="the date where the stamp has none, or where a row or file has no stamp"
    )
    date_formats: tuple[TimeFormat, ...] = Field(default=(), description="formats of date_column, tried in order")
    date_is: Literal["baseball_day", "calendar"] = Field(
        default="baseball_day",
        description="what date_column says: the day of the session (turning over at 04:00), or the calendar's day",
    )
    clock: Literal["stamps", "order_only"] = Field(
        default="stamps", description="order_only = the times of day can't be used"
    )

    @model_validator(mode="after")
    def _is_consistent(self) -> "TimeTable":
        if self.column and self.columns:
            raise _problem("column and columns exclude each other: keep one")
        if not self.stamp_columns and not self.date_column:
            raise _problem("says no date: state column (with formats, zone), or date_column (with date_formats)")
        if self.stamp_columns and not self.formats:
            raise _problem("has a stamp but no formats", (*TIME_WORDS, "%Y-%m-%d %H:%M:%S"))
        if self.stamp_columns and not self.zone and self.clock == "stamps":
            raise _problem(
                "zone is missing and must be stated where there are stamps", (*ZONE_WORDS, "America/Chicago")
            )
        if self.date_column and not self.date_formats:
            raise _problem("has a date_column but no date_formats", ("iso8601", "%Y-%m-%d", "%d.%m.%Y", "%m/%d/%Y"))
        if not self.date_column and self.stamp_columns and not all(map(has_date, self.formats)):
            raise _problem("a format names no day, so date_column must say it")
        if any(not has_date(text) for text in self.date_formats):
            raise _problem("a date_format names no day")
        if self.clock == "stamps":
            self._check_zone()
        return self

    def _check_zone(self) -> None:
        offsets = [text for text in self.formats if "%z" in text or "%:z" in text]
        if offsets and self.zone != "in_stamp":
            raise _problem(f"format '{offsets[0]}' reads the zone in the stamp, so zone must be in_stamp")
        if any(text in EPOCHS for text in self.formats) and self.zone not in ("UTC", "in_stamp"):
            raise _problem('seconds since 1970 count in UTC everywhere: state zone = "UTC"')
        plain = [text for text in self.formats if text not in TIME_WORDS and text not in offsets and has_clock(text)]
        if self.zone == "in_stamp" and plain:
            raise _problem(f"zone is in_stamp, but format '{plain[0]}' has no %z that reads it")

    @property
    def stamp_columns(self) -> tuple[str, ...]:
        """The columns that make the stamp; none where there is no stamp."""
        return self.columns or ((self.column,) if self.column else ())


class KeysTable(_Strict):
    """Who and which: each a column reference."""

    native_id: Ref | None = Field(default=None, description="the tracker's own id of the pitch, unique for ever")
    session: Ref | None = Field(default=None, description="the tracker's own id of the session")
    sequence: Ref | None = Field(default=None, description="number that counts up within a session")
    pitcher: Ref | None = Field(default=None, description="name or number of the pitcher as written")
    pitcher_id: Ref | None = Field(default=None, description="the tracker's own id of the pitcher")
    batter: Ref | None = Field(default=None, description="name or number of the batter as written")
    batter_id: Ref | None = Field(default=None, description="the tracker's own id of the batter")
    team: Ref | None = Field(default=None, description="the pitching team as written")


class SituationTable(_Strict):
    """The count before the pitch: each a column reference."""

    inning: Ref | None = None
    outs: Ref | None = None
    balls: Ref | None = None
    strikes: Ref | None = None


class LabelTable(_Strict):
    """Words of the device, and what they are in ours."""

    column: Ref | None = Field(default=None, description="the column of the words")
    value: Name | None = Field(default=None, description="the same for every row, in place of a column")
    words: dict[str, str] = Field(
        default_factory=dict, description="their word = ours; compared without case and outer spaces"
    )
    unknown: Literal["unknown", "null"] = Field(default="unknown", description="what a word becomes that is not listed")

    @model_validator(mode="after")
    def _has_one_source(self) -> "LabelTable":
        if bool(self.column) == bool(self.value):
            raise _problem("needs either column or value (not both)")
        if self.value and self.words:
            raise _problem("has a value for every row, so `words` has no use")
        folded = [word.strip().casefold() for word in self.words]
        if len(set(folded)) < len(folded):
            raise _problem("lists a word twice (case and outer spaces do not count)")
        return self


class PitchTypeTable(LabelTable):
    """The pitch type, and who says so."""

    by: Literal["operator", "tracker"] = Field(description="who names it: a person at the device, or the device")


class LabelTables(_Strict):
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
        """Give the tables that the profile has, by field."""
        return {name: table for name in LABELS if (table := getattr(self, name)) is not None}


# our words by field; the stations are the ledger's, so any is taken here
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


class NoPitchRule(_Strict):
    """Rows that are no pitch; one test."""

    column: Ref
    words: tuple[str, ...] | None = Field(
        default=None, min_length=1, description="is one of these words (case and outer spaces do not count)"
    )
    below: float | None = Field(
        default=None, allow_inf_nan=False, description="is below this number, in the column's own unit"
    )
    above: float | None = Field(
        default=None, allow_inf_nan=False, description="is above this number, in the column's own unit"
    )
    is_null: StrictBool | None = Field(default=None, description="true = has no value")
    why: Name = Field(description="the reason, in words for people")

    @model_validator(mode="after")
    def _has_one_test(self) -> "NoPitchRule":
        tests = [name for name in ("words", "below", "above", "is_null") if getattr(self, name) is not None]
        if len(tests) != 1:
            raise _problem(
                f"needs exactly one test, has {', '.join(tests) or 'none'}", ("words", "below", "above", "is_null")
            )
        if self.is_null is False:
            raise _problem("is_null can only be true")
        return self


class Profile(_Strict):
    """One kind of export."""

    describes: Annotated[str, Field(min_length=1, description="one line for people")]
    file: FileTable
    time: TimeTable
    keys: KeysTable = KeysTable()
    situation: SituationTable = SituationTable()
    labels: LabelTables = LabelTables()
    no_pitch: tuple[NoPitchRule, ...] = ()
    metric: MetricTables = MetricTables()
    trajectory: TrajectorySpec | None = None
    _file_name: str = PrivateAttr("profile")

    @property
    def file_name(self) -> str:
        """What messages call the profile: `profiles/<name>.toml`."""
        return self._file_name

    def references(self) -> dict[str, str]:
        """Give every column reference, with the key that makes it (the first where several do)."""
        found: dict[str, str] = {}
        for key, ref in _references({name: getattr(self, name) for name in Profile.model_fields}):
            found.setdefault(ref, key)
        return found


def load_profile(path: Path) -> Profile:
    """Read and check a profile. Raises SettingsProblems with every fault found."""
    name = f"{path.parent.name}/{path.name}"
    raw = read_toml(path, name)
    try:
        profile = Profile.model_validate(raw)
    except ValidationError as error:
        found = problems_of(error, Profile, raw, name)
        sound = _sound_tables(raw, found)
        raise SettingsProblems(_with_questions(found + _contradictions(sound, raw, name), raw, name)) from None
    profile._file_name = name
    problems = _contradictions({key: getattr(profile, key) for key in Profile.model_fields}, raw, name)
    problems = _with_questions(problems, raw, name)
    if problems:
        raise SettingsProblems(problems)
    return profile


def open_questions(raw: Any, path: str = "") -> Iterator[str]:
    """Give the key of every question of a draft that nobody has answered yet. Lists of words may hold any text, so those are no answers."""
    if raw == OPEN:
        yield path
    elif isinstance(raw, Mapping):
        for key, value in raw.items():
            yield from open_questions(value, f"{path}.{key}" if path else key)
    elif isinstance(raw, list) and path.rpartition(".")[2] not in ("words", "null_words"):
        for place, value in enumerate(raw, 1):
            yield from open_questions(value, f"{path}.{place}")


def _with_questions(found: list[Problem], raw: Mapping[str, Any], name: str) -> list[Problem]:
    """The faults, with each open question of a draft named as such, once; what follows from one is no fault of its own."""
    asked = dict.fromkeys(open_questions(raw))
    questions = [
        Problem(name, key, OPEN, "is a question of the draft that nobody has answered yet", _answers(key, found))
        for key in asked
    ]
    others = [
        problem for problem in found if problem.key not in asked and OPEN not in (problem.value, *_named(problem))
    ]
    return [*questions, *others]


def _named(problem: Problem) -> list[str]:
    """The values in quotes of a message about a whole table."""
    return re.findall(r"'([^']*)'", problem.message)


def _answers(key: str, found: list[Problem]) -> tuple[str, ...]:
    """What the models would take there, as far as they say it."""
    table = key.rpartition(".")[0]
    about = [problem for problem in found if problem.key == key or (problem.key == table and OPEN in _named(problem))]
    return about[0].allowed if about else ()


def profile_schema() -> dict[str, Any]:
    """Give the JSON Schema of a profile, for editors."""
    schema = Profile.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "pitchledger source profile"} | schema


def _sound_tables(raw: Mapping[str, Any], found: list[Problem]) -> dict[str, Any]:
    """Give the top tables without a fault of their own, so that faults between tables are told in the same go."""
    faulty = {problem.key.split(".")[0] for problem in found}
    sound = {}
    for key, field in Profile.model_fields.items():
        if key in raw and key not in faulty:
            annotation: Any = field.annotation
            sound[key] = TypeAdapter[Any](annotation).validate_python(raw[key])
        elif key not in raw and not field.is_required():
            sound[key] = field.default
    return sound


def _contradictions(tables: Mapping[str, Any], raw: Mapping[str, Any], name: str) -> list[Problem]:
    """Find the faults between tables: among those that are sound in themselves, and of names against what the file table writes."""
    carried = _carried_names(raw.get("file"))
    found = [
        problem
        for key, ref in _references(tables)
        for problem in _reference_problem(key, ref, carried, raw.get("file"), name)
    ]
    if "metric" in tables and "trajectory" in tables:
        found += [
            Problem(name, fault.key, None, fault.message)
            for fault in contradictions(tables["metric"], tables["trajectory"])
        ]
        if not tables["metric"].given() and tables["trajectory"] is None:
            found.append(
                Problem(
                    name,
                    "metric",
                    None,
                    "no metric is read: state at least one [metric.…] or [trajectory]",
                    tuple(METRICS),
                )
            )
    found += _label_problems(raw.get("labels"), name)
    if "labels" in tables and "metric" in tables:
        found += _hand_problems(tables["labels"], tables["metric"], name)
    return found


def _label_problems(labels: Any, name: str) -> Iterator[Problem]:
    """Compare what words become with our lists. As written: a fault elsewhere in a table must not hide these."""
    for field, table in labels.items() if isinstance(labels, Mapping) else ():
        ours = LABELS.get(field, ())
        if not ours or not isinstance(table, Mapping):
            continue
        written = table.get("words")
        words = (
            {f"labels.{field}.words.{theirs}": word for theirs, word in written.items()}
            if isinstance(written, Mapping)
            else {}
        )
        if "value" in table:
            words[f"labels.{field}.value"] = table["value"]
        for key, word in words.items():
            if isinstance(word, str) and word not in ours:
                yield Problem(name, key, word, "is none of our words", ours, nearest_of(word, ours))


def _hand_problems(labels: LabelTables, metrics: MetricTables, name: str) -> Iterator[Problem]:
    """A side that depends on the hand can't be read where no hand is given."""
    for metric, spec in metrics.given().items() if labels.pitcher_hand is None else ():
        side = getattr(spec, "positive", None)
        if side in ("arm_side", "glove_side"):
            yield Problem(
                name, f"metric.{metric}.positive", side, "needs the pitcher's hand: state [labels.pitcher_hand]"
            )


def _references(tables: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Give (key, reference) for every place that takes a column; tables that are not there are passed over."""
    if "file" in tables and tables["file"].exported_at:
        yield "file.exported_at", tables["file"].exported_at
    if "time" in tables:
        yield from _time_references(tables["time"])
    for table in ("keys", "situation"):
        if table in tables:
            yield from ((f"{table}.{key}", ref) for key, ref in tables[table] if ref)
    if "labels" in tables:
        yield from (
            (f"labels.{field}.column", table.column)
            for field, table in tables["labels"].given().items()
            if table.column
        )
    yield from (("no_pitch.column", rule.column) for rule in tables.get("no_pitch", ()))
    if "metric" in tables:
        yield from (
            (f"metric.{metric}.column", ref)
            for metric, spec in tables["metric"].given().items()
            for ref in columns(spec)
        )
    if tables.get("trajectory"):
        yield from (("trajectory", ref) for ref in columns(tables["trajectory"]))


def _time_references(time: TimeTable) -> Iterator[tuple[str, str]]:
    yield from (("time.columns" if time.columns else "time.column", ref) for ref in time.stamp_columns)
    if time.date_column:
        yield "time.date_column", time.date_column


def _carried_names(file: Any) -> tuple[str, ...]:
    """Give the carried values that the file table defines, as written."""
    written = file if isinstance(file, Mapping) else {}
    preamble, name = written.get("preamble"), written.get("name")
    found = [f"@preamble.{key}" for key in preamble] if isinstance(preamble, Mapping) else []
    if isinstance(name, Mapping) and isinstance(name.get("pattern"), str):
        found += [f"@name.{group}" for group in re.findall(r"\(\?P<(\w+)>", name["pattern"])]
    return (*found, *_CARRIED_WHOLE)


def _reference_problem(key: str, ref: str, carried: tuple[str, ...], file: Any, name: str) -> Iterator[Problem]:
    listed = tuple(file.get("columns") or ()) if isinstance(file, Mapping) else ()
    if listed and not ref.startswith("@") and ref not in listed:
        yield Problem(name, key, ref, "is none of file.columns", listed, nearest_of(ref, listed))
    if ref.startswith("@document."):
        if not isinstance(file, Mapping) or file.get("format") != "json":
            yield Problem(name, key, ref, 'is a value of a JSON document: only with format = "json"')
    elif ref.startswith("@") and ref not in carried:
        yield Problem(
            name,
            key,
            ref,
            "is no carried value; [file.preamble] and [file.name] define them",
            carried,
            nearest_of(ref, carried),
        )


def _write_schema() -> None:
    path = Path(__file__).parents[2] / "schemas" / "profile.schema.json"
    path.write_text(json.dumps(profile_schema(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    _write_schema()
