"""ledger.toml, the profiles, roster and decisions as typed settings; every problem of all of them at once.

`python -m pipeline.settings.ledger` writes schemas/ledger.schema.json from these models.
"""

import json
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple
from zoneinfo import ZoneInfo, available_timezones

import polars as pl
from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    Strict,
    Tag,
    ValidationError,
    WithJsonSchema,
)
from pydantic_core import PydanticCustomError

from pipeline.settings.people import read_decisions, read_roster
from pipeline.settings.problems import Problem, SettingsProblems, nearest_of, problems_of, read_toml
from pipeline.settings.profile import Profile, load_profile
from schemas.metrics import METRICS
from schemas.setup import QUANTITIES

LEDGER = "ledger.toml"
# labels have one rule, operator over tracker and then rank: the table may stand there, empty
LABEL_POLICY = "pitch_type"
_ID = re.compile(r"[a-z0-9_]{1,40}")
# secrets stand in the environment: ledger.toml says only in which variable
_VARIABLE = re.compile(r"[A-Z_][A-Z0-9_]{0,79}")
_SECRETS = {"notify": "urls_from", "share": "key_from"}
USUAL_OCCASION = {"field": "game", "bullpen": "bullpen"}


def _known_zone(name: str) -> str:
    try:
        ZoneInfo(name)
        # polars has its own list, and times are turned there: it lacks "localtime" and "posix/..."
        pl.select(pl.lit(0).cast(pl.Datetime("us", "UTC")).dt.convert_time_zone(name))
    except (KeyError, ValueError, OSError, pl.exceptions.PolarsError) as fault:
        near = nearest_of(name, sorted(available_timezones()))
        raise PydanticCustomError(
            "ledger", "is no time zone", {"allowed": ("America/Chicago", "…"), "nearest": near}
        ) from fault
    return name


def _written_as_id(text: str) -> str:
    if not _ID.fullmatch(text):
        allowed = ("lower-case letters, digits and _ (at most 40)",)
        near = "_".join(re.findall(r"[a-z0-9]+", text.lower()))[:40] or None
        raise PydanticCustomError("ledger", "is no id", {"allowed": allowed, "nearest": near})
    return text


def _table_or_word(value: object) -> str:
    return "table" if isinstance(value, dict | BaseModel) else "word"


Id = Annotated[
    str,
    AfterValidator(_written_as_id),
    Field(description="lower-case letters, digits and _", json_schema_extra={"pattern": f"^{_ID.pattern}$"}),
]
Zone = Annotated[
    str, AfterValidator(_known_zone), Field(description="a name of the tz database, such as America/Chicago")
]
Variable = Annotated[
    str,
    Field(
        description="name of an environment variable: capitals, digits and _",
        json_schema_extra={"pattern": f"^{_VARIABLE.pattern}$"},
    ),
]
# what may stand there is checked with the rest of what one table can't show; the list is for editors
MetricName = Annotated[str, WithJsonSchema({"type": "string", "enum": list(METRICS)})]
PolicyName = Annotated[str, WithJsonSchema({"type": "string", "enum": ["default", LABEL_POLICY, *METRICS]})]
Number = Annotated[float, Strict()]
Count = Annotated[int, Strict()]
Occasion = Literal["game", "scrimmage", "bullpen", "live_bp"]
Method = Literal["prefer", "blend"]
Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ProgramTable(_Strict):
    """Whose warehouse it is."""

    name: str = Field(min_length=1, description="the program's name, for reports")
    time_zone: Zone


class OutputTable(_Strict):
    """Where the warehouse is written."""

    folder: str = Field("warehouse", min_length=1, description="relative to ledger.toml")
    keep_versions: Count = Field(3, ge=1, le=1000, description="how many published versions are kept")


class RunTable(_Strict):
    """How a run goes."""

    at_most_h: Number = Field(
        3.0, gt=0, le=1000, description="a run that takes longer is ended, so that it does not keep the next out"
    )


class StationTable(_Strict):
    """One mound."""

    id: Id
    kind: Literal["field", "bullpen"]
    occasion: Occasion | None = Field(
        None, description="what is done there when no export says; default: game in a field, bullpen in a bullpen"
    )


class VenueTable(_Strict):
    """A park or practice ground."""

    id: Id
    name: str | None = None
    time_zone: Zone | None = Field(None, description="where it is not the program's")
    station: tuple[StationTable, ...] = Field((), description="its mounds: [[venue.station]]")


class ExpectTable(_Strict):
    """When something should come from a tracker, apart from the nights on which others saw pitches where it stands."""

    days: tuple[Weekday, ...] = Field((), description="weekdays on which it should see pitches")
    within_h: Number = Field(
        24.0, gt=0, le=1000, description="hours after the end of a baseball day (04:00) from which on an export is late"
    )


class TrackerTable(_Strict):
    """One device."""

    id: Id
    name: str | None = None
    profile: str = Field(min_length=1, description="profiles/<profile>.toml describes its exports")
    inbox: str | None = Field(
        None, description="folder of its exports, default inbox/<id>; folders below it are read too"
    )
    venue: str
    stations: tuple[str, ...] = Field(min_length=1, description="one: fixed there; several: it roams among them")
    rank: Count = Field(ge=1, description="1 = believed first, and the reference clock; no two trackers share one")
    expect: ExpectTable = ExpectTable()


class PolicyTable(_Strict):
    """How a metric's preferred value is chosen."""

    method: Method = "prefer"
    order: tuple[str, ...] = Field(
        (), description="trackers in the order in which they are preferred; the others follow by rank"
    )


PolicyEntry = Annotated[
    Annotated[PolicyTable, Tag("table")] | Annotated[Method, Tag("word")], Discriminator(_table_or_word)
]


class MatchingTable(_Strict):
    """When sightings are merged, and when a person should look."""

    doubtful_below: Number = Field(0.9, ge=0, le=1, description="pitches less sure than this are on the review list")
    merge_above: Number = Field(0.5, ge=0, lt=1, description="two sightings are merged only above this probability")


class GapsTable(_Strict):
    """When a night has a gap."""

    share: Number = Field(0.8, gt=0, le=1, description="a tracker that saw under this share of what another saw")


class CorrectionTable(_Strict):
    """A known fault of a device, put right when mapping; the raw reading is kept in `corrections` of the sighting."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)
    tracker: str
    metric: MetricName | None = None
    frame: Annotated[str, WithJsonSchema({"type": "string", "enum": list(QUANTITIES)})] | None = Field(
        None, description="instead of metric: how the tracker's frame lies, a quantity of table setup"
    )
    amount: Number = Field(description="is added to the reading, in the metric's unit", allow_inf_nan=False)
    from_day: date | None = Field(None, alias="from", description="first baseball day")
    until_day: date | None = Field(None, alias="until", description="last baseball day")
    why: str = Field(min_length=1)


class NotifyTable(_Strict):
    """Who is told after a run. The addresses may hold passwords, so they stand in the environment and never here."""

    urls_from: Variable
    when: Literal["always", "needs_person", "failed"] = Field(
        "always",
        description="always: after each run; needs_person: when something waits for a person, and failures; failed: only failures",
    )


class ShareTable(_Strict):
    """The key of the players' pseudonyms in a copy for outsiders; it never stands here."""

    key_from: Variable | None = Field(None, description="name of the environment variable that holds the key")
    key_file: str = Field(
        "share.key",
        min_length=1,
        description="where no key_from is stated: the file that holds the key, relative to ledger.toml; made on first use",
    )


class LedgerFile(_Strict):
    """ledger.toml."""

    program: ProgramTable
    output: OutputTable = OutputTable()
    run: RunTable = RunTable()
    venue: tuple[VenueTable, ...] = Field(min_length=1)
    tracker: tuple[TrackerTable, ...] = Field(min_length=1)
    policy: dict[PolicyName, PolicyEntry] = Field(default_factory=dict, description="default, and a table for a metric")
    tolerance: dict[MetricName, Annotated[Number, Field(gt=0, allow_inf_nan=False)]] = Field(
        default_factory=dict, description="beyond this two trackers disagree, by metric"
    )
    limits: dict[MetricName, tuple[Number, Number]] = Field(
        default_factory=dict, description="readings beyond [low, high] are impossible, by metric"
    )
    matching: MatchingTable = MatchingTable()
    gaps: GapsTable = GapsTable()
    correction: tuple[CorrectionTable, ...] = ()
    notify: NotifyTable | None = None
    share: ShareTable = ShareTable()


class Policy(NamedTuple):
    """How a metric's preferred value is chosen: by `order` of trackers (then rank), or blended by inverse variance."""

    method: Method = "prefer"
    order: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class TrackerSettings:
    """A device as the steps need it; `default_occasions` by station, `time_zone` the venue's."""

    id: str
    name: str
    profile_name: str
    inbox: Path
    venue: str
    time_zone: str
    stations: tuple[str, ...]
    default_occasions: dict[str, str]
    rank: int
    profile: Profile
    expect: ExpectTable = field(default_factory=ExpectTable)


@dataclass(frozen=True, eq=False)
class Ledger:
    """All settings of a workspace. `settings_files`: those that exist, for telling whether anything has changed."""

    folder: Path
    program: str
    time_zone: str
    output: Path
    keep_versions: int
    run_at_most_h: float
    trackers: tuple[TrackerSettings, ...]
    policies: dict[str, Policy]
    tolerances: dict[str, float]
    limits: dict[str, tuple[float, float]]
    matching: MatchingTable
    gaps: GapsTable
    corrections: tuple[CorrectionTable, ...]
    share: ShareTable
    roster: pl.DataFrame
    decisions: pl.DataFrame
    settings_files: tuple[Path, ...]


def load_ledger(folder: Path) -> Ledger:
    """Read ledger.toml of `folder` with its profiles, roster.csv and decisions.csv. Raises SettingsProblems with all that is wrong."""
    raw, file, problems = _read_ledger(folder)
    profiles, profile_problems = _load_profiles(folder, raw)
    trackers = None if raw is None else _ids(_written_trackers(raw))
    roster, roster_problems = read_roster(folder / "roster.csv", trackers)
    # of a roster that can't be read nobody is known, and every decision would be called wrong
    players = None if roster.is_empty() and roster_problems else roster.get_column("player_id").drop_nulls().to_list()
    decisions, decision_problems = read_decisions(folder / "decisions.csv", players, trackers)
    problems += [*profile_problems, *roster_problems, *decision_problems]
    if problems or file is None:
        raise SettingsProblems(problems)
    return _assemble(file, folder, profiles, roster, decisions)


def _read_ledger(folder: Path) -> tuple[dict[str, Any] | None, LedgerFile | None, list[Problem]]:
    """ledger.toml as written (None where it is no TOML), as typed (None where a key is wrong), and what is wrong with it."""
    try:
        raw = read_toml(folder / LEDGER, LEDGER)
    except SettingsProblems as fault:
        return None, None, list(fault.problems)
    secrets = list(_secret_faults(raw))
    # a table that may hold a secret is not shown to the models: they tell the values that they refuse
    safe = {key: value for key, value in raw.items() if key not in {problem.key.split(".")[0] for problem in secrets}}
    across = [*secrets, *_contradictions(raw, folder)]
    try:
        return raw, LedgerFile.model_validate(safe), across
    except ValidationError as fault:
        return raw, None, [*problems_of(fault, LedgerFile, safe, LEDGER), *across]


class Notify(NamedTuple):
    """Who is told of a run, and whose warehouse it is."""

    urls_from: str
    when: Literal["always", "needs_person", "failed"]
    program: str
    output: Path


def read_notify(folder: Path) -> Notify | None:
    """[notify] of ledger.toml; None where it is not there or not right.

    Nothing else is asked to be right: that a profile is wrong is what a person must be told of.
    """
    try:
        raw = read_toml(folder / LEDGER, LEDGER)
        table = NotifyTable.model_validate(_table(raw.get("notify")))
    except (SettingsProblems, ValidationError):
        return None
    if any(problem.key.startswith("notify") for problem in _secret_faults(raw)):
        return None
    program = _text(_table(raw.get("program")).get("name")) or "pitchledger"
    output = _text(_table(raw.get("output")).get("folder")) or "warehouse"
    return Notify(table.urls_from, table.when, program, folder / output)


def ledger_schema() -> dict[str, Any]:
    """Give the JSON Schema of ledger.toml, for editors."""
    schema = LedgerFile.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "pitchledger ledger.toml"} | schema


def _assemble(
    file: LedgerFile, folder: Path, profiles: dict[str, Profile], roster: pl.DataFrame, decisions: pl.DataFrame
) -> Ledger:
    named = [folder / LEDGER, folder / "roster.csv", folder / "decisions.csv"]
    named += [folder / "profiles" / f"{name}.toml" for name in sorted(profiles)]
    return Ledger(
        folder=folder,
        program=file.program.name,
        time_zone=file.program.time_zone,
        output=folder / file.output.folder,
        keep_versions=file.output.keep_versions,
        run_at_most_h=file.run.at_most_h,
        trackers=tuple(_tracker(tracker, file, folder, profiles) for tracker in file.tracker),
        policies=_policies(file),
        tolerances=dict(file.tolerance),
        limits=dict(file.limits),
        matching=file.matching,
        gaps=file.gaps,
        corrections=file.correction,
        share=file.share,
        roster=roster,
        decisions=decisions,
        settings_files=tuple(path for path in named if path.is_file()),
    )


def _tracker(tracker: TrackerTable, file: LedgerFile, folder: Path, profiles: dict[str, Profile]) -> TrackerSettings:
    venue = next(venue for venue in file.venue if venue.id == tracker.venue)
    return TrackerSettings(
        id=tracker.id,
        name=tracker.name or tracker.id,
        profile_name=tracker.profile,
        inbox=_inbox(tracker, folder),
        venue=venue.id,
        time_zone=venue.time_zone or file.program.time_zone,
        stations=tracker.stations,
        default_occasions={station.id: station.occasion or USUAL_OCCASION[station.kind] for station in venue.station},
        rank=tracker.rank,
        profile=profiles[tracker.profile],
        expect=tracker.expect,
    )


def _inbox(tracker: TrackerTable, folder: Path) -> Path:
    return folder / (tracker.inbox or f"inbox/{tracker.id}")


def _policies(file: LedgerFile) -> dict[str, Policy]:
    """The policy of each metric, the default filled in."""
    usual = file.policy.get("default", "prefer")
    tables = {metric: file.policy.get(metric, usual) for metric in METRICS}
    return {
        metric: Policy(table.method, table.order) if isinstance(table, PolicyTable) else Policy(table)
        for metric, table in tables.items()
    }


def _load_profiles(folder: Path, raw: dict[str, Any] | None) -> tuple[dict[str, Profile], list[Problem]]:
    """The profiles that the trackers name; all that there are where the ledger can't be read. A missing one is told elsewhere."""
    there = _profiles_in(folder)
    named = there if raw is None else [tracker.profile for tracker in _written_trackers(raw)]
    profiles: dict[str, Profile] = {}
    problems: list[Problem] = []
    for name in dict.fromkeys(named):
        try:
            if name in there:
                profiles[name] = load_profile(folder / "profiles" / f"{name}.toml")
        except SettingsProblems as fault:
            problems += fault.problems
    stations = None if raw is None else _written_stations(raw)
    return profiles, [*problems, *_station_words(profiles, stations)]


def _profiles_in(folder: Path) -> tuple[str, ...]:
    return tuple(sorted(path.stem for path in (folder / "profiles").glob("*.toml")))


def _station_words(profiles: dict[str, Profile], stations: tuple[str, ...] | None) -> Iterator[Problem]:
    """Words of a profile that lead to a station that no venue has."""
    for name, profile in profiles.items():
        table = profile.labels.station
        if table and stations:
            words = {"value": table.value} if table.value else {f"words.{word}": to for word, to in table.words.items()}
            for key, station in words.items():
                yield from _unknown(
                    f"labels.station.{key}", [station], stations, f"is no station of {LEDGER}", f"profiles/{name}.toml"
                )


# ---- what each table alone can't show: looked for in the file as written, so that a wrong key elsewhere hides none of it ----------------


class _Tracker(NamedTuple):
    """A [[tracker]] table as far as it is written in the right types; `key` is its place in the file."""

    key: str
    id: str
    profile: str
    inbox: str
    venue: str
    stations: tuple[str, ...]
    rank: str


def _written_trackers(raw: dict[str, Any]) -> list[_Tracker]:
    return [
        _Tracker(
            f"tracker.{place}",
            _text(table.get("id")),
            _text(table.get("profile")),
            _text(table.get("inbox")) or f"inbox/{_text(table.get('id'))}",
            _text(table.get("venue")),
            _texts(table.get("stations")),
            str(table.get("rank", "")),
        )
        for place, table in _tables(raw.get("tracker"))
    ]


def _ids(trackers: list[_Tracker]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(tracker.id for tracker in trackers if tracker.id))


def _written_stations(raw: dict[str, Any]) -> tuple[str, ...]:
    return tuple(station for _, venue in _tables(raw.get("venue")) for station in _stations_of(venue))


def _stations_of(venue: dict[str, Any]) -> tuple[str, ...]:
    return tuple(_text(station.get("id")) for _, station in _tables(venue.get("station")))


def _tables(value: object) -> list[tuple[int, dict[str, Any]]]:
    """The tables of an array, each with its place from 1."""
    return (
        [(n, table) for n, table in enumerate(value, 1) if isinstance(table, dict)] if isinstance(value, list) else []
    )


def _table(value: object) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _texts(value: object) -> tuple[str, ...]:
    return tuple(text for text in value if isinstance(text, str)) if isinstance(value, list) else ()


def _contradictions(raw: dict[str, Any], folder: Path) -> Iterator[Problem]:
    trackers = _written_trackers(raw)
    venues = {_text(venue.get("id")): _stations_of(venue) for _, venue in _tables(raw.get("venue"))}
    yield from _twice("venue.id", [_text(venue.get("id")) for _, venue in _tables(raw.get("venue"))])
    # the warehouse tells a mound by its id alone in places, so it is unique over all venues
    yield from _twice("venue.station.id", _written_stations(raw), "whichever venue it is in")
    yield from _twice("tracker.id", [tracker.id for tracker in trackers])
    yield from _twice("tracker.rank", [tracker.rank for tracker in trackers])
    for tracker in trackers:
        yield from _tracker_faults(tracker, venues, _profiles_in(folder))
    output = _text(_table(raw.get("output")).get("folder")) or "warehouse"
    yield from _shared_inboxes(trackers, folder, output)
    yield from _policy_faults(_table(raw.get("policy")), _ids(trackers))
    yield from _metric_faults(raw)
    for place, correction in _tables(raw.get("correction")):
        yield from _correction_faults(f"correction.{place}", correction, _ids(trackers))


def _secret_faults(raw: dict[str, Any]) -> Iterator[Problem]:
    """Secrets, or what may be one, in ledger.toml. The value is never told."""
    for table, key in _SECRETS.items():
        name = _table(raw.get(table)).get(key)
        if any("://" in text for text in _strings(raw.get(table))):
            variable = f"PITCHLEDGER_{table}_{key.removesuffix('_from')}".upper()
            problem = "holds an address, and with it perhaps a password: put it into an environment variable, and write that variable's name here"
            yield Problem(LEDGER, table, None, f'{problem}: {key} = "{variable}"')
        elif name is not None and not _VARIABLE.fullmatch(_text(name)):
            problem = "must be the name of an environment variable (capitals, digits and _), never the secret itself"
            yield Problem(LEDGER, f"{table}.{key}", None, problem)


def _strings(value: object) -> Iterator[str]:
    """All texts in a value of ledger.toml, keys too, at any depth."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        yield from (text for pair in value.items() for part in pair for text in _strings(part))
    elif isinstance(value, list):
        yield from (text for part in value for text in _strings(part))


def _tracker_faults(
    tracker: _Tracker, venues: dict[str, tuple[str, ...]], profiles: tuple[str, ...]
) -> Iterator[Problem]:
    at = tracker.key
    yield from _unknown(
        f"{at}.profile", [tracker.profile], profiles, f"has no file profiles/{tracker.profile or '…'}.toml"
    )
    yield from _unknown(f"{at}.venue", [tracker.venue], tuple(venues), "is no venue")
    if tracker.venue in venues:
        here = venues[tracker.venue]
        yield from _unknown(f"{at}.stations", tracker.stations, here, f"is no station of {tracker.venue}")
    yield from _twice(f"{at}.stations", tracker.stations)


def _policy_faults(policies: dict[str, Any], trackers: tuple[str, ...]) -> Iterator[Problem]:
    yield from _unknown("policy", policies, (*METRICS, "default", LABEL_POLICY), "is no metric")
    for name, policy in policies.items():
        key = f"policy.{name}"
        if name == "default" and not isinstance(policy, str):
            yield Problem(LEDGER, key, None, "must be a word", ("prefer", "blend"))
        elif name == LABEL_POLICY and policy != {}:
            yield Problem(LEDGER, key, None, "takes no key: labels go by operator over tracker, then by rank")
        elif name in METRICS and not isinstance(policy, dict):
            yield Problem(LEDGER, key, str(policy), f"must be a table: [policy.{name}] with method and order")
        order = _texts(_table(policy).get("order"))
        yield from _unknown(f"{key}.order", order, trackers, "is no tracker")
        yield from _twice(f"{key}.order", order)


def _metric_faults(raw: dict[str, Any]) -> Iterator[Problem]:
    for table in ("tolerance", "limits"):
        yield from _unknown(table, _table(raw.get(table)), tuple(METRICS), "is no metric")
    for metric, ends in _table(raw.get("limits")).items():
        numbers = isinstance(ends, list) and len(ends) == 2 and all(isinstance(end, int | float) for end in ends)
        if numbers and not ends[0] < ends[1]:
            yield Problem(LEDGER, f"limits.{metric}", f"[{ends[0]:g}, {ends[1]:g}]", "must be [lowest, highest]")


def _correction_faults(key: str, correction: dict[str, Any], trackers: tuple[str, ...]) -> Iterator[Problem]:
    yield from _unknown(f"{key}.tracker", [_text(correction.get("tracker"))], trackers, "is no tracker")
    if ("metric" in correction) == ("frame" in correction):
        yield Problem(LEDGER, key, None, "needs either metric or frame (not both)")
    yield from _unknown(f"{key}.metric", [_text(correction.get("metric"))], tuple(METRICS), "is no metric")
    yield from _unknown(f"{key}.frame", [_text(correction.get("frame"))], QUANTITIES, "is no way in which a frame lies")
    first, last = correction.get("from"), correction.get("until")
    if type(first) is type(last) is date and last < first:
        yield Problem(LEDGER, f"{key}.until", str(last), f"is before from ({first})")


def _twice(key: str, values: Iterable[str], where: str = "") -> Iterator[Problem]:
    for value, times in Counter(values).items():
        if value and times > 1:
            yield Problem(LEDGER, key, value, f"stands {times} times; each needs its own {where}".rstrip())


def _unknown(
    key: str, values: Iterable[str], known: tuple[str, ...], message: str, file: str = LEDGER
) -> Iterator[Problem]:
    """A problem for each of `values` that is not `known`; a blank is told by the models."""
    for value in values:
        if value and value not in known:
            yield Problem(file, key, value, message, tuple(dict.fromkeys(known)), nearest_of(value, known))


def _shared_inboxes(trackers: list[_Tracker], folder: Path, output: str) -> Iterator[Problem]:
    """Two trackers must not read the same files: every pitch would be seen by both."""
    inboxes = [(tracker, (folder / tracker.inbox).resolve()) for tracker in trackers]
    warehouse = (folder / output).resolve()
    for place, (tracker, inbox) in enumerate(inboxes):
        key = f"{tracker.key}.inbox"
        if _nested(inbox, warehouse):
            yield Problem(LEDGER, key, tracker.inbox, f"and the output folder {output} lie in one another")
        for other, its_inbox in inboxes[:place]:
            if _nested(inbox, its_inbox):
                message = f"is, holds or lies in {other.inbox} of tracker {other.id}: each needs a folder of its own"
                yield Problem(LEDGER, key, tracker.inbox, message)


def _nested(one: Path, other: Path) -> bool:
    return one.is_relative_to(other) or other.is_relative_to(one)


def _write_schema() -> None:
    path = Path(__file__).parents[2] / "schemas" / "ledger.schema.json"
    path.write_text(json.dumps(ledger_schema(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    _write_schema()
