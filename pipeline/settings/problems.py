"""Faults of a settings file (ledger.toml or a source profile), all at once: file, key, value, what is allowed, what was probably meant."""

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import UnionType
from typing import Any, NamedTuple, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from pipeline.errors import PitchledgerError

# below this likeness (0 to 100) no name is offered as the one that was meant
_LIKE_ENOUGH = 60
_MOST_ALLOWED_SHOWN = 40


class Problem(NamedTuple):
    """One fault in a settings file. `key` is a dotted path ("" = the file as a whole), `value` the value seen (None = there is none)."""

    file: str
    key: str
    value: str | None
    message: str
    allowed: tuple[str, ...] = ()
    nearest: str | None = None

    def __str__(self) -> str:
        """Give the fault in one line."""
        seen = "" if self.value is None else f"value {_quoted(self.value)} "
        parts = [f"{seen}{self.message}"]
        if self.allowed:
            parts.append(
                "allowed: "
                + ", ".join(self.allowed[:_MOST_ALLOWED_SHOWN])
                + (", …" if len(self.allowed) > _MOST_ALLOWED_SHOWN else "")
            )
        if self.nearest:
            parts.append(f"nearest: {self.nearest}")
        where = f"{self.file}: {self.key}: " if self.key else f"{self.file}: "
        return where + "; ".join(parts)


class SettingsProblems(PitchledgerError):  # noqa: N818 -- it holds several, and is read as what it holds
    """Every fault found in the settings; nothing is run with any of them."""

    exit_code = 2

    def __init__(self, problems: Sequence[Problem]) -> None:
        """Keep the problems; the message has one line each."""
        self.problems = tuple(problems)
        super().__init__("\n".join(map(str, self.problems)))


def read_toml(path: Path, name: str) -> dict[str, Any]:
    """Give a TOML file's content; `name` is what the messages call it. Raises SettingsProblems with line and column."""
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        problem = f"can't be read: {error.strerror or error}"
    except UnicodeDecodeError as error:
        problem = f"is not UTF-8 text (byte {error.start + 1}); save it as UTF-8"
    except tomllib.TOMLDecodeError as error:
        problem = f"is not TOML: {error}. Texts stand in quotes; a backslash is written in single quotes: '\\d+'"
    except RecursionError:
        problem = "is not TOML that can be read: brackets are nested too deep"
    raise SettingsProblems([Problem(name, "", None, problem)])


def problems_of(error: ValidationError, model: type[BaseModel], raw: Mapping[str, Any], name: str) -> list[Problem]:
    """Turn what pydantic found in `raw` into problems of the file `name`, in the file's order of keys, one per key."""
    merged: dict[tuple[str, str], Problem] = {}
    for details in error.errors(include_url=False):
        problem = _problem(details, model, raw, name)
        earlier = merged.get((problem.key, problem.message))
        merged[problem.key, problem.message] = _with_allowed(problem, earlier) if earlier else problem
    return list(merged.values())


def nearest_of(text: str, names: Sequence[str]) -> str | None:
    """Give the name that `text` was probably meant to be, or None where none is alike."""
    from rapidfuzz import fuzz, process, utils

    # whole names first: that a part fits ("n" in "knd") says less
    for scorer in (fuzz.ratio, fuzz.WRatio):
        found = process.extractOne(
            text, names, scorer=scorer, processor=utils.default_process, score_cutoff=_LIKE_ENOUGH
        )
        if found:
            return str(found[0])
    return None


def _problem(details: ErrorDetails, model: type[BaseModel], raw: Mapping[str, Any], name: str) -> Problem:
    kind, value = details["type"], details["input"]
    path = _written_path(details["loc"], raw, is_missing=kind == "missing")
    key = ".".join(path)
    if kind == "extra_forbidden":
        allowed = _keys_at(model, path[:-1])
        return Problem(name, key, None, "is not a known key", allowed, nearest_of(path[-1], allowed))
    if kind == "missing":
        return Problem(name, key, None, "is missing and must be stated")
    context = details.get("ctx", {})
    if kind in ("literal_error", "enum", "union_tag_invalid"):
        allowed = tuple(re.findall(r"'([^']*)'", str(context.get("expected") or context.get("expected_tags"))))
        seen = _as_toml(context.get("tag", value))
        return Problem(name, key, seen, "is not allowed", allowed, nearest_of(seen, allowed))
    if kind == "union_tag_not_found":
        return Problem(
            name, f"{key}.{str(context.get('discriminator')).strip(chr(39))}", None, "is missing and must be stated"
        )
    shown = None if isinstance(value, dict | list) else _as_toml(value)
    return Problem(
        name, key, shown, _plain_words(details["msg"]), tuple(context.get("allowed", ())), context.get("nearest")
    )


def _written_path(loc: Sequence[str | int], raw: Any, is_missing: bool) -> list[str]:
    """Keep the parts of an error's place that the user wrote: pydantic adds the names of union members."""
    path, here = [], raw
    for position, part in enumerate(loc):
        if isinstance(part, int) and isinstance(here, list) and part < len(here):
            path.append(f"{part + 1}")
            here = here[part]
        elif isinstance(here, Mapping) and part in here:
            path.append(str(part))
            here = here[part]
        elif is_missing and position == len(loc) - 1:
            path.append(f"{part + 1}" if isinstance(part, int) else part)
    return path


def _keys_at(model: type[BaseModel], path: Sequence[str]) -> tuple[str, ...]:
    """Give the keys that may stand below `path`, of whichever models may stand there."""
    places: list[Any] = [model]
    for part in path:
        places = [below for place in places for below in _below(place, part)]
    models = [m for place in places for m in _models_in(place)]
    return tuple(dict.fromkeys(field.alias or key for m in models for key, field in m.model_fields.items()))


def _below(place: Any, part: str) -> Iterator[Any]:
    for member in _members(place):
        if isinstance(member, type) and issubclass(member, BaseModel):
            fields = {field.alias or key: field for key, field in member.model_fields.items()}
            if part in fields:
                yield fields[part].annotation
        elif get_args(member):
            yield get_args(member)[-1] if get_origin(member) is not tuple else get_args(member)[0]


def _models_in(place: Any) -> Iterator[type[BaseModel]]:
    for member in _members(place):
        if isinstance(member, type) and issubclass(member, BaseModel):
            yield member


def _members(place: Any) -> tuple[Any, ...]:
    """Give the members of a union, through Annotated; anything else as it is."""
    if hasattr(place, "__metadata__"):
        return _members(get_args(place)[0])
    if get_origin(place) in (Union, UnionType):
        return tuple(member for part in get_args(place) for member in _members(part))
    return (place,)


def _with_allowed(problem: Problem, earlier: Problem) -> Problem:
    allowed = tuple(dict.fromkeys((*earlier.allowed, *problem.allowed)))
    return problem._replace(
        allowed=allowed, nearest=nearest_of(problem.value, allowed) if problem.value else problem.nearest
    )


def _plain_words(message: str) -> str:
    """Turn pydantic's sentence into one that reads on after the value."""
    message = re.sub(r"^(Value error|Assertion failed), ", "", message)
    message = re.sub(r"^Tuple (should have .*) after validation, not (\d+)$", r"\1, has \2", message)
    message = message.replace("a valid tuple", "a list in [ ]").replace("a valid dictionary", "a table")
    return re.sub(r"^Input should be ", "should be ", message)


def _as_toml(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _quoted(value: str) -> str:
    shown = value if len(value) <= 80 else value[:79] + "…"
    return "'" + "".join(c if c.isprintable() else " " for c in shown) + "'"
