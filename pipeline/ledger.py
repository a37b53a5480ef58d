"""ledger.toml, the profiles, roster and decisions as typed settings; every problem of all of them at once.

`python -m pipeline.ledger` writes schemas/ledger.schema.json from these models.
"""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple
from zoneinfo import ZoneInfo, available_timezones

import polars as pl
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, ValidationError
from pydantic_core import PydanticCustomError

from pipeline.decisions import read_decisions, read_roster
from pipeline.sources.profile import Profile, load_profile
from pipeline.toml_problems import Problem, SettingsProblems, nearest_of, problems_of, read_toml
from schemas.metrics import METRICS

LEDGER = "ledger.toml"
LABEL_POLICY = "pitch_type"
USUAL_OCCASION = {"field": "game", "bullpen": "bullpen"}


def _known_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError) as fault:
        near = nearest_of(name, sorted(available_timezones()))
        raise PydanticCustomError(
            "ledger", "is no time zone", {"allowed": ("America/Chicago", "…"), "nearest": near}
        ) from fault
    return name


Id = Annotated[
    str,
    StringConstraints(pattern=r"^[a-z][a-z0-9_]*$", max_length=40),
    Field(description="lower-case letters, digits and _"),
]
Zone = Annotated[
    str, AfterValidator(_known_zone), Field(description="a name of the tz database, such as America/Chicago")
]
Occasion = Literal["game", "scrimmage", "bullpen", "live_bp"]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ProgramTable(_Strict):
    """Whose warehouse it is."""

    name: str = Field(min_length=1, description="the program's name, for reports")
    time_zone: Zone


class OutputTable(_Strict):
    """Where the warehouse is written."""

    folder: str = Field("warehouse", min_length=1, description="relative to ledger.toml")
    keep_versions: int = Field(3, ge=1, le=1000, description="how many published versions are kept")


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
    rank: int = Field(ge=1, description="1 = believed first, and the reference clock; no two trackers share one")


class PolicyTable(_Strict):
    """How a metric's preferred value is chosen."""

    method: Literal["prefer", "blend"] = "prefer"
    order: tuple[str, ...] = Field(
        (), description="trackers in the order in which they are preferred; the others follow by rank"
    )


class MatchingTable(_Strict):
    """When sightings are merged, and when a person should look."""

    doubtful_below: float = Field(0.9, ge=0.5, lt=1, description="pitches less sure than this are on the review list")
    merge_above: float = Field(0.5, ge=0.5, lt=1, description="two sightings are merged only above this probability")


class GapsTable(_Strict):
    """When a night has a gap."""

    share: float = Field(0.8, gt=0, le=1, description="a tracker that saw under this share of what another saw")


class CorrectionTable(_Strict):
    """A known fault of a device, put right when mapping; the raw reading is kept in `corrections` of the sighting."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)
    tracker: str
    metric: str | None = None
    frame: str | None = Field(
        None, description="instead of metric: how the tracker's frame lies, a quantity of table setup"
    )
    amount: float = Field(description="is added to the reading, in the metric's unit", allow_inf_nan=False)
    from_day: date | None = Field(None, alias="from", description="first baseball day")
    until_day: date | None = Field(None, alias="until", description="last baseball day")
    why: str = Field(min_length=1)


class LedgerFile(_Strict):
    """ledger.toml."""

    program: ProgramTable
    output: OutputTable = OutputTable()
    venue: tuple[VenueTable, ...] = Field(min_length=1)
    tracker: tuple[TrackerTable, ...] = Field(min_length=1)
    policy: dict[str, PolicyTable | Literal["prefer", "blend"]] = Field(
        default_factory=dict, description="default, and a table for a metric"
    )
    tolerance: dict[str, Annotated[float, Field(gt=0, allow_inf_nan=False)]] = Field(
        default_factory=dict, description="beyond this two trackers disagree, by metric"
    )
    limits: dict[str, tuple[float, float]] = Field(
        default_factory=dict, description="readings beyond [low, high] are impossible, by metric"
    )
    matching: MatchingTable = MatchingTable()
    gaps: GapsTable = GapsTable()
    correction: tuple[CorrectionTable, ...] = ()


class Policy(NamedTuple):
    """How a metric's preferred value is chosen: by `order` of trackers (then rank), or blended by inverse variance."""

    method: Literal["prefer", "blend"] = "prefer"
    order: tuple[str, ...] = ()


@dataclass(frozen=True)
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


@dataclass(frozen=True)
class Ledger:
    """All settings of a workspace. `settings_files`: those that exist, for telling whether anything has changed."""

    folder: Path
    program: str
    time_zone: str
    output: Path
    keep_versions: int
    trackers: tuple[TrackerSettings, ...]
    policies: dict[str, Policy]
    tolerances: dict[str, float]
    limits: dict[str, tuple[float, float]]
    matching: MatchingTable
    gaps: GapsTable
    corrections: tuple[CorrectionTable, ...]
    roster: pl.DataFrame
    decisions: pl.DataFrame
    settings_files: tuple[Path, ...]


def load_ledger(folder: Path) -> Ledger:
    """Read ledger.toml of `folder` with its profiles, roster.csv and decisions.csv. Raises SettingsProblems with all that is wrong."""
    raw = read_toml(folder / LEDGER, LEDGER)
    try:
        file = LedgerFile.model_validate(raw)
    except ValidationError as fault:
        profiles = _named_profiles(raw)
        _, faults = _load_profiles(folder, profiles)
        raise SettingsProblems([*problems_of(fault, LedgerFile, raw, LEDGER), *faults]) from None
    profiles, problems = _load_profiles(folder, [tracker.profile for tracker in file.tracker])
    trackers = [tracker.id for tracker in file.tracker]
    roster, roster_problems = read_roster(folder / "roster.csv", trackers)
    decisions, decision_problems = read_decisions(folder / "decisions.csv", roster, trackers)
    problems = [*_contradictions(file, folder), *problems, *roster_problems, *decision_problems]
    if problems:
        raise SettingsProblems(problems)
    return _assemble(file, folder, profiles, roster, decisions)


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
        trackers=tuple(_tracker(tracker, file, folder, profiles) for tracker in file.tracker),
        policies=_policies(file),
        tolerances=dict(file.tolerance),
        limits=dict(file.limits),
        matching=file.matching,
        gaps=file.gaps,
        corrections=file.correction,
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
    )


def _inbox(tracker: TrackerTable, folder: Path) -> Path:
    return folder / (tracker.inbox or f"inbox/{tracker.id}")


def _policies(file: LedgerFile) -> dict[str, Policy]:
    """The policy of each metric, the default filled in."""
    usual = _policy(file.policy.get("default", "prefer"), "prefer")
    return {metric: _policy(file.policy.get(metric), usual.method, usual.order) for metric in METRICS}


def _policy(table: PolicyTable | str | None, method: Literal["prefer", "blend"], order: tuple[str, ...] = ()) -> Policy:
    if isinstance(table, PolicyTable):
        return Policy(table.method, table.order or order)
    return Policy("blend" if (table or method) == "blend" else "prefer", order)


def _named_profiles(raw: dict[str, Any]) -> list[str]:
    """The profiles that a faulty ledger names, so that their faults are told in the same go."""
    trackers = raw.get("tracker")
    tables = [table for table in trackers if isinstance(table, dict)] if isinstance(trackers, list) else []
    return [name for table in tables if isinstance(name := table.get("profile"), str)]


def _load_profiles(folder: Path, names: Iterable[str]) -> tuple[dict[str, Profile], list[Problem]]:
    profiles: dict[str, Profile] = {}
    problems: list[Problem] = []
    there = tuple(sorted(path.stem for path in (folder / "profiles").glob("*.toml")))
    for name in dict.fromkeys(names):
        if name not in there:
            problems.append(
                Problem(
                    LEDGER, "tracker.profile", name, f"has no file profiles/{name}.toml", there, nearest_of(name, there)
                )
            )
            continue
        try:
            profiles[name] = load_profile(folder / "profiles" / f"{name}.toml")
        except SettingsProblems as fault:
            problems += fault.problems
    return profiles, problems


def _contradictions(file: LedgerFile, folder: Path) -> Iterator[Problem]:
    """What each table alone can't show."""
    yield from _twice("venue.id", [venue.id for venue in file.venue])
    yield from _twice("venue.station.id", [station.id for venue in file.venue for station in venue.station])
    yield from _twice("tracker.id", [tracker.id for tracker in file.tracker])
    yield from _twice("tracker.rank", [str(tracker.rank) for tracker in file.tracker])
    venues = {venue.id: tuple(station.id for station in venue.station) for venue in file.venue}
    for tracker in file.tracker:
        yield from _unknown(f"tracker {tracker.id}.venue", [tracker.venue], tuple(venues), "is no venue")
        if tracker.venue in venues:
            yield from _unknown(
                f"tracker {tracker.id}.stations",
                tracker.stations,
                venues[tracker.venue],
                f"is no station of {tracker.venue}",
            )
    yield from _shared_inboxes(file, folder)
    ids = tuple(tracker.id for tracker in file.tracker)
    for metric, policy in file.policy.items():
        yield from _unknown("policy", [metric], (*METRICS, "default", LABEL_POLICY), "is no metric")
        if isinstance(policy, PolicyTable):
            yield from _unknown(f"policy.{metric}.order", policy.order, ids, "is no tracker")
    yield from _unknown("tolerance", file.tolerance, tuple(METRICS), "is no metric")
    yield from _unknown("limits", file.limits, tuple(METRICS), "is no metric")
    for metric, (low, high) in file.limits.items():
        if not low < high:
            yield Problem(LEDGER, f"limits.{metric}", f"[{low:g}, {high:g}]", "must be [lowest, highest]")
    for correction in file.correction:
        yield from _correction_faults(correction, ids)


def _correction_faults(correction: CorrectionTable, trackers: tuple[str, ...]) -> Iterator[Problem]:
    yield from _unknown("correction.tracker", [correction.tracker], trackers, "is no tracker")
    if (correction.metric is None) == (correction.frame is None):
        yield Problem(LEDGER, "correction", None, "needs either metric or frame (not both)")
    if correction.metric is not None:
        yield from _unknown("correction.metric", [correction.metric], tuple(METRICS), "is no metric")
    if correction.from_day and correction.until_day and correction.until_day < correction.from_day:
        yield Problem(LEDGER, "correction.until", str(correction.until_day), f"is before from ({correction.from_day})")


def _twice(key: str, values: list[str]) -> Iterator[Problem]:
    for value in sorted({value for value in values if values.count(value) > 1}):
        yield Problem(LEDGER, key, value, "stands twice; each needs its own")


def _unknown(key: str, values: Iterable[str], known: tuple[str, ...], message: str) -> Iterator[Problem]:
    for value in values:
        if value not in known:
            yield Problem(LEDGER, key, value, message, known, nearest_of(value, known))


def _shared_inboxes(file: LedgerFile, folder: Path) -> Iterator[Problem]:
    """Two trackers must not read the same files: every pitch would be seen by both."""
    inboxes = [(tracker.id, _inbox(tracker, folder).resolve()) for tracker in file.tracker]
    output = (folder / file.output.folder).resolve()
    for place, (tracker, inbox) in enumerate(inboxes):
        if inbox.is_relative_to(output) or output.is_relative_to(inbox):
            yield Problem(LEDGER, f"tracker {tracker}.inbox", str(inbox), "and the output folder lie in one another")
        for other, its_inbox in inboxes[:place]:
            if inbox.is_relative_to(its_inbox) or its_inbox.is_relative_to(inbox):
                yield Problem(
                    LEDGER,
                    f"tracker {tracker}.inbox",
                    str(inbox),
                    f"is shared with tracker {other}: each needs its own folder",
                )


def _write_schema() -> None:
    path = Path(__file__).parents[1] / "schemas" / "ledger.schema.json"
    path.write_text(json.dumps(ledger_schema(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    _write_schema()
