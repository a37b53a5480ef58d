"""A source profile: the description of one kind of export. It is data only: nothing in it is executed.

`load_profile` reports every problem at once. `python -m pipeline.settings.profile` writes schemas/profile.schema.json from the models.
"""

import json
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, PrivateAttr, TypeAdapter, ValidationError

from pipeline.settings.metric_tables import MetricTables, TrajectorySpec, columns, contradictions
from pipeline.settings.problems import Problem, SettingsProblems, SettingsTable, nearest_of, problems_of, read_toml
from pipeline.settings.profile_tables import (
    LABELS,
    FileTable,
    KeysTable,
    LabelTables,
    NoPitchRule,
    SituationTable,
    TimeTable,
)
from schemas.metrics import METRICS

# what `pitchledger draft` writes where a person must answer
OPEN = "???"
_FILE_VALUES = ("@file", "@folder", "@tracker")


class Profile(SettingsTable):
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
        """The name of the profile in messages: `profiles/<name>.toml`."""
        return self._file_name

    def references(self) -> dict[str, str]:
        """Return every column reference with the (first) key that contains it."""
        found: dict[str, str] = {}
        for key, ref in _references({name: getattr(self, name) for name in Profile.model_fields}):
            found.setdefault(ref, key)
        return found


def load_profile(path: Path) -> Profile:
    """Read and check a profile. Raises SettingsProblems with every problem found."""
    name = f"{path.parent.name}/{path.name}"
    raw = read_toml(path, name)
    try:
        profile = Profile.model_validate(raw)
    except ValidationError as error:
        found = problems_of(error, Profile, raw, name)
        valid = _valid_tables(raw, found)
        raise SettingsProblems(_with_questions(found + _contradictions(valid, raw, name), raw, name)) from None
    profile._file_name = name
    problems = _contradictions({key: getattr(profile, key) for key in Profile.model_fields}, raw, name)
    problems = _with_questions(problems, raw, name)
    if problems:
        raise SettingsProblems(problems)
    return profile


def profile_schema() -> dict[str, Any]:
    """Return the JSON Schema of a profile, for editors."""
    schema = Profile.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "pitchledger source profile"} | schema


# ---- open questions of a draft ---------------------------------------------------------------------------------------------------------


def open_questions(raw: Any, path: str = "") -> Iterator[str]:
    """Yield the key of every question in a draft that is not answered yet.

    Lists of words may contain any text, so "???" in them is not a question.
    """
    if raw == OPEN:
        yield path
    elif isinstance(raw, Mapping):
        for key, value in raw.items():
            yield from open_questions(value, f"{path}.{key}" if path else key)
    elif isinstance(raw, list) and path.rpartition(".")[2] not in ("words", "null_words"):
        for place, value in enumerate(raw, 1):
            yield from open_questions(value, f"{path}.{place}")


def _with_questions(found: list[Problem], raw: Mapping[str, Any], name: str) -> list[Problem]:
    """Report each open question once, without the problems that follow from it."""
    asked = dict.fromkeys(open_questions(raw))
    questions = [
        Problem(name, key, OPEN, "is an open question of the draft", _allowed_answers(key, found), fix="Answer it.")
        for key in asked
    ]
    others = [
        problem
        for problem in found
        if problem.key not in asked and OPEN not in (problem.value, *_quoted_values(problem))
    ]
    return [*questions, *others]


def _quoted_values(problem: Problem) -> list[str]:
    """Return the values in quotes of a message about a complete table."""
    return re.findall(r'"([^"]*)"', problem.message)


def _allowed_answers(key: str, found: list[Problem]) -> tuple[str, ...]:
    table = key.rpartition(".")[0]
    about = [
        problem for problem in found if problem.key == key or (problem.key == table and OPEN in _quoted_values(problem))
    ]
    return about[0].allowed if about else ()


# ---- checks between tables -------------------------------------------------------------------------------------------------------------


def _valid_tables(raw: Mapping[str, Any], found: list[Problem]) -> dict[str, Any]:
    """Return the top-level tables without a problem of their own, so that problems between them are reported too."""
    invalid = {problem.key.split(".")[0] for problem in found}
    valid = {}
    for key, field in Profile.model_fields.items():
        if key in raw and key not in invalid:
            annotation: Any = field.annotation
            valid[key] = TypeAdapter[Any](annotation).validate_python(raw[key])
        elif key not in raw and not field.is_required():
            valid[key] = field.default
    return valid


def _contradictions(tables: Mapping[str, Any], raw: Mapping[str, Any], name: str) -> list[Problem]:
    """Find the problems between the valid tables, and of references to columns and file values."""
    file_values = _file_values(raw.get("file"))
    found = [
        problem
        for key, ref in _references(tables)
        for problem in _reference_problems(key, ref, file_values, raw.get("file"), name)
    ]
    if "metric" in tables and "trajectory" in tables:
        found += [
            Problem(name, problem.key, None, problem.message, is_table=True)
            for problem in contradictions(tables["metric"], tables["trajectory"])
        ]
        if not tables["metric"].given() and tables["trajectory"] is None:
            message = "the profile reads no metric: add at least one [metric.…] or [trajectory]"
            found.append(Problem(name, "metric", None, message, tuple(METRICS), is_table=True))
    found += _label_problems(raw.get("labels"), name)
    if "labels" in tables and "metric" in tables:
        found += _hand_problems(tables["labels"], tables["metric"], name)
    return found


def _label_problems(labels: Any, name: str) -> Iterator[Problem]:
    """Compare what words become with the common words. Reads the raw file, so that another problem hides none."""
    for field, table in labels.items() if isinstance(labels, Mapping) else ():
        allowed = LABELS.get(field, ())
        if not allowed or not isinstance(table, Mapping):
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
            if isinstance(word, str) and word not in allowed:
                yield Problem(name, key, word, "is not one of our words", allowed, nearest_of(word, allowed))


def _hand_problems(labels: LabelTables, metrics: MetricTables, name: str) -> Iterator[Problem]:
    """A side that depends on the pitcher's hand needs the hand."""
    for metric, spec in metrics.given().items() if labels.pitcher_hand is None else ():
        side = getattr(spec, "positive", None)
        if side in ("arm_side", "glove_side"):
            yield Problem(
                name, f"metric.{metric}.positive", side, "needs the pitcher's hand", fix="Add [labels.pitcher_hand]."
            )


def _references(tables: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield (key, reference) for every key that takes a column; skip tables that are missing."""
    if "file" in tables and tables["file"].exported_at:
        yield "file.exported_at", tables["file"].exported_at
    if "time" in tables:
        time = tables["time"]
        yield from (("time.columns" if time.columns else "time.column", ref) for ref in time.stamp_columns)
        if time.date_column:
            yield "time.date_column", time.date_column
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


def _file_values(file: Any) -> tuple[str, ...]:
    """Return the file values (@...) that the raw file table defines."""
    written = file if isinstance(file, Mapping) else {}
    preamble, name = written.get("preamble"), written.get("name")
    found = [f"@preamble.{key}" for key in preamble] if isinstance(preamble, Mapping) else []
    if isinstance(name, Mapping) and isinstance(name.get("pattern"), str):
        found += [f"@name.{group}" for group in re.findall(r"\(\?P<(\w+)>", name["pattern"])]
    return (*found, *_FILE_VALUES)


def _reference_problems(key: str, ref: str, file_values: tuple[str, ...], file: Any, name: str) -> Iterator[Problem]:
    listed = tuple(file.get("columns") or ()) if isinstance(file, Mapping) else ()
    if listed and not ref.startswith("@") and ref not in listed:
        yield Problem(name, key, ref, "is not one of the columns of [file]", listed, nearest_of(ref, listed))
    if ref.startswith("@document."):
        if not isinstance(file, Mapping) or file.get("format") != "json":
            yield Problem(name, key, ref, 'is a value of a JSON document, which needs format = "json" in [file]')
    elif ref.startswith("@") and ref not in file_values:
        yield Problem(
            name,
            key,
            ref,
            "is not a file value",
            file_values,
            nearest_of(ref, file_values),
            fix="Define it in [file.preamble] or [file.name].",
        )


def _write_schema() -> None:
    path = Path(__file__).parents[2] / "schemas" / "profile.schema.json"
    path.write_text(json.dumps(profile_schema(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    _write_schema()
