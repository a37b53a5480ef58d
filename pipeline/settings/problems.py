"""Problems in the settings files, all reported at once: file, place, value, what is allowed, what was probably meant."""

import errno
import re
import stat
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import UnionType
from typing import Any, NamedTuple, Union, get_args, get_origin

import polars as pl
from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from pipeline.errors import PitchledgerError
from pipeline.settings.patterns import found_in

# similarity (0 to 100) below which no name is suggested; tried on misspelled keys of our own profiles
_LEAST_SIMILARITY = 60
_MOST_ALLOWED_SHOWN = 40
_LONGEST_VALUE_SHOWN = 80
# a roster of a whole league takes less than 1 MB
_MOST_BYTES = 10 * 2**20
# a key of 50 parts; ours have at most 5
_DEEP_KEY = r"""(?:[\w"'-]+[ \t]*\.[ \t]*){50}"""
# how the keys of problems in a CSV file begin
_CSV = ("row ", "column ")

# how pydantic words a rule, and how a settings file's reader would
_PLAIN_RULES = (
    (r"^(Value error|Assertion failed), ", ""),
    (r"^Tuple should have at least 1 item after validation, not 0$", "must have at least one entry"),
    (r"^Tuple should have (at least|at most) (\d+) items? after validation, not (\d+)$", r"must have \1 \2 entries; it has \3"),
    (r"^String should have at least 1 character$", "must not be empty"),
    (r"^String should have at most (\d+) characters?$", r"must have at most \1 characters"),
    (r"^(Input|String) should be ", "must be "),
    (r"a valid integer.*$", "a whole number"),
    (r"a valid number$", "a number"),
    (r"a valid string$", "text in quotes"),
    (r"a valid boolean$", "true or false"),
    (r"a valid tuple$", "a list in [ ]"),
    (r"a valid dictionary.*$", "a table"),
    (r"greater than or equal to ", "at least "),
    (r"less than or equal to ", "at most "),
)  # fmt: skip


class SettingsTable(BaseModel):
    """A table of a settings file: unknown keys are errors, and values do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Problem(NamedTuple):
    """One problem in a settings file.

    `key` is a dotted path ("tracker.2.rank"), a cell ("row 3, hand"), "column hand", or "" for the complete file. `value` is the value found, None
    where there is none. `message` continues the sentence that `key = value` begins. `is_table`: the problem is about the table `key`.
    """

    file: str
    key: str
    value: object
    message: str
    allowed: tuple[str, ...] = ()
    nearest: str | None = None
    fix: str = ""
    is_table: bool = False

    def __str__(self) -> str:
        """Return the problem in one line of full sentences."""
        table, subject = _csv_place(self.key) if self.key.startswith(_CSV) else _toml_place(self.key, self.is_table)
        where = f"{self.file}, {table}" if table else self.file
        value = "" if self.value is None else f"= {as_written(self.value)}"
        sentences = [" ".join(part for part in (subject, value, self.message) if part) + "."]
        if self.allowed:
            shown = [*self.allowed[:_MOST_ALLOWED_SHOWN], *("…" for _ in self.allowed[_MOST_ALLOWED_SHOWN:][:1])]
            sentences.append("Allowed: " + ", ".join(shown) + ("" if shown[-1] == "…" else "."))
        if self.nearest:
            sentences.append(f"Did you mean {self.nearest}?")
        if self.fix:
            sentences.append(self.fix)
        return f"{where}: {' '.join(sentences)}"


class SettingsProblems(PitchledgerError):  # noqa: N818 -- it holds several problems
    """Every problem found in the settings; nothing runs while there is one."""

    exit_code = 2

    def __init__(self, problems: Sequence[Problem]) -> None:
        """Keep the problems; the message has one line for each."""
        self.problems = tuple(problems)
        super().__init__("\n".join(map(str, self.problems)))


def value_problem(
    message: str, allowed: tuple[str, ...] = (), value: str = "", names: Sequence[str] = ()
) -> PydanticCustomError:
    """Return the error that a check of a model raises.

    The suggestion is the one of `names` (by default `allowed`) that is nearest to `value`.
    """
    nearest = nearest_of(value, names or allowed) if value else None
    return PydanticCustomError("settings", "{message}", {"message": message, "allowed": allowed, "nearest": nearest})


def read_toml(path: Path, name: str) -> dict[str, Any]:
    """Read a TOML file that messages call `name`. Raises SettingsProblems."""
    fix = ""
    try:
        text = settings_bytes(path).decode("utf-8-sig")
        if found_in(pl.Series([text]), _DEEP_KEY).item():
            raise RecursionError  # the parser takes minutes for it
        found = tomllib.loads(text)
        if _has_giant(found):
            raise ValueError
        return found
    except OSError as error:
        message = f"the file cannot be read: {error.strerror or error}"
    except UnicodeDecodeError as error:
        message = f"the file is not UTF-8 text (byte {error.start + 1})"
        fix = "Save it as UTF-8."
    except tomllib.TOMLDecodeError as error:
        message = f"the file is not valid TOML: {str(error).rstrip('.')}"
        fix = "Put text in double quotes, and text that contains a backslash in single quotes: '\\d+'."
    except RecursionError:
        message = "the file is not valid TOML: its brackets or keys are nested too deeply"
    except ValueError:  # the parser's, too, for a number of thousands of digits
        message = "the file is not valid TOML: a whole number has more than 64 bits"
    raise SettingsProblems([Problem(name, "", None, message, fix=fix)])


def settings_bytes(path: Path) -> bytes:
    """Return the bytes of a settings file. Raises OSError, also for what is not an ordinary file: a pipe would never end."""
    facts = path.stat()
    if stat.S_ISDIR(facts.st_mode):
        raise IsADirectoryError(errno.EISDIR, "it is a folder")
    if not stat.S_ISREG(facts.st_mode):
        raise OSError(errno.EINVAL, "it is not an ordinary file")
    if facts.st_size > _MOST_BYTES:
        raise OSError(errno.EFBIG, f"it has {facts.st_size // 2**20} MB; {_MOST_BYTES // 2**20} MB are allowed")
    return path.read_bytes()


def _has_giant(found: object) -> bool:
    """Return whether a value is a whole number that no table can hold (TOML promises 64 bits)."""
    if isinstance(found, dict | list):
        return any(map(_has_giant, found.values() if isinstance(found, dict) else found))
    return isinstance(found, int) and not -(2**63) <= found < 2**63


def problems_of(error: ValidationError, model: type[BaseModel], raw: Mapping[str, Any], name: str) -> list[Problem]:
    """Return what pydantic found in `raw` as problems of the file `name`, one per key, in the file's order."""
    merged: dict[tuple[str, str], Problem] = {}
    errors = error.errors(include_url=False)
    for details in errors:
        # a list of wrong entries counts as empty, too; report only its entries
        loc = details["loc"]
        if details["type"] == "too_short" and any(
            one["loc"][: len(loc)] == loc for one in errors if one is not details
        ):
            continue
        problem = _problem(details, model, raw, name)
        earlier = merged.get((problem.key, problem.message))
        merged[problem.key, problem.message] = _with_allowed(problem, earlier) if earlier else problem
    return list(merged.values())


def nearest_of(text: str, names: Sequence[str]) -> str | None:
    """Return the name that `text` was probably meant to be, or None."""
    from rapidfuzz import fuzz, process, utils

    # compare complete names first: a match of a part ("n" in "knd") means less
    for scorer in (fuzz.ratio, fuzz.WRatio):
        found = process.extractOne(
            text, names, scorer=scorer, processor=utils.default_process, score_cutoff=_LEAST_SIMILARITY
        )
        if found:
            return str(found[0])
    return None


def as_written(value: object) -> str:
    """Return a value as a settings file would write it, in one line and not too long."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return "[" + ", ".join(map(as_written, value)) + "]"
    if not isinstance(value, str):
        return str(value)
    shown = value if len(value) <= _LONGEST_VALUE_SHOWN else value[: _LONGEST_VALUE_SHOWN - 1] + "…"
    return '"' + "".join(c if c.isprintable() else " " for c in shown) + '"'


def _csv_place(key: str) -> tuple[str, str]:
    """Split "row 3, hand" into the row and the column; "column hand" is the subject itself."""
    row, _, column = key.partition(", ") if key.startswith("row ") else ("", "", key)
    return row, column


def _toml_place(key: str, is_table: bool) -> tuple[str, str]:
    """Split "tracker.2.rank" into the table as TOML writes it, "[[tracker]] 2", and the key, "rank"."""
    parts = key.split(".") if key else []
    subject = "" if is_table or not parts else parts.pop()
    if subject.isdigit() and parts:
        subject = f"entry {subject} of {parts.pop()}"
    tables: list[str] = []
    path: list[str] = []
    for place, part in enumerate(parts):
        if part.isdigit():
            tables.append(f"[[{'.'.join(path)}]] {part}")
        else:
            path.append(part)
            if place == len(parts) - 1:
                tables.append(f"[{'.'.join(path)}]")
    return ", ".join(tables), subject


def _problem(details: ErrorDetails, model: type[BaseModel], raw: Mapping[str, Any], name: str) -> Problem:
    kind, value = details["type"], details["input"]
    path = _written_path(details["loc"], raw, is_missing=kind == "missing")
    key = ".".join(path)
    if kind == "extra_forbidden":
        allowed = _keys_at(model, path[:-1])
        return Problem(name, key, None, "is not a known key", allowed, nearest_of(path[-1], allowed))
    if kind == "missing":
        return Problem(name, key, None, "is missing", fix="Add it.")
    context = details.get("ctx", {})
    if kind in ("literal_error", "enum", "union_tag_invalid"):
        allowed = tuple(re.findall(r"'([^']*)'", str(context.get("expected") or context.get("expected_tags"))))
        found = context.get("tag", value)
        return Problem(name, key, found, "is not allowed", allowed, nearest_of(str(found), allowed))
    if kind == "union_tag_not_found":
        discriminator = str(context.get("discriminator")).strip("'")
        return Problem(name, f"{key}.{discriminator}", None, "is missing", fix="Add it.")
    return Problem(
        name,
        key,
        None if isinstance(value, dict | list) else value,
        _plain_rule(details["msg"]),
        tuple(context.get("allowed", ())),
        context.get("nearest"),
        is_table=isinstance(value, dict),
    )


def _written_path(loc: Sequence[str | int], raw: Any, is_missing: bool) -> list[str]:
    """Keep the parts of an error's location that are in the file; pydantic adds names of union members."""
    path, inside = [], raw
    for position, part in enumerate(loc):
        if isinstance(part, int) and isinstance(inside, list) and part < len(inside):
            path.append(f"{part + 1}")
            inside = inside[part]
        elif isinstance(inside, Mapping) and part in inside:
            path.append(str(part))
            inside = inside[part]
        elif is_missing and position == len(loc) - 1:
            path.append(f"{part + 1}" if isinstance(part, int) else part)
    return path


def _keys_at(model: type[BaseModel], path: Sequence[str]) -> tuple[str, ...]:
    """Return the keys allowed in the table at `path`, of every model that fits there."""
    annotations: list[Any] = [model]
    for part in path:
        annotations = [inner for outer in annotations for inner in _annotations_below(outer, part)]
    fields = [
        field.alias or key
        for annotation in annotations
        for member in _members(annotation)
        if isinstance(member, type) and issubclass(member, BaseModel)
        for key, field in member.model_fields.items()
    ]
    return tuple(dict.fromkeys(fields))


def _annotations_below(annotation: Any, part: str) -> Iterator[Any]:
    for member in _members(annotation):
        if isinstance(member, type) and issubclass(member, BaseModel):
            fields = {field.alias or key: field for key, field in member.model_fields.items()}
            if part in fields:
                yield fields[part].annotation
        elif get_args(member):
            yield get_args(member)[-1] if get_origin(member) is not tuple else get_args(member)[0]


def _members(annotation: Any) -> tuple[Any, ...]:
    """Return the members of a union, also inside Annotated; anything else is its own only member."""
    if hasattr(annotation, "__metadata__"):
        return _members(get_args(annotation)[0])
    if get_origin(annotation) in (Union, UnionType):
        return tuple(member for part in get_args(annotation) for member in _members(part))
    return (annotation,)


def _with_allowed(problem: Problem, earlier: Problem) -> Problem:
    allowed = tuple(dict.fromkeys((*earlier.allowed, *problem.allowed)))
    nearest = problem.nearest if problem.value is None else nearest_of(str(problem.value), allowed)
    return problem._replace(allowed=allowed, nearest=nearest)


def _plain_rule(message: str) -> str:
    """Reword pydantic's sentence so that it continues after the value."""
    for pattern, plain in _PLAIN_RULES:
        message = re.sub(pattern, plain, message)
    return message
