"""All settings of a workspace: ledger.toml, profiles, roster and decisions; every problem of all files at once.

`python -m pipeline.settings.ledger` writes schemas/ledger.schema.json from the models.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, NamedTuple

import polars as pl
from pydantic import ValidationError

from pipeline.settings.ledger_checks import (
    LEDGER,
    as_table,
    as_text,
    contradictions,
    profile_names,
    raw_stations,
    raw_trackers,
    secret_problems,
    station_word_problems,
    tracker_names,
)
from pipeline.settings.ledger_tables import (
    CorrectionTable,
    ExpectTable,
    GapsTable,
    LedgerFile,
    MatchingTable,
    Method,
    NotifyTable,
    PolicyTable,
    ShareTable,
    TrackerTable,
)
from pipeline.settings.people import read_decisions, read_roster
from pipeline.settings.problems import Problem, SettingsProblems, problems_of, read_toml
from pipeline.settings.profile import Profile, load_profile
from schemas.metrics import METRICS

# the occasion of a station whose ledger entry and exports state none
DEFAULT_OCCASION = {"field": "game", "bullpen": "bullpen"}


class Policy(NamedTuple):
    """How a metric's preferred value is chosen: by `order` of trackers (then rank), or blended by inverse variance."""

    method: Method = "prefer"
    order: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class TrackerSettings:
    """The settings of one device; `default_occasions` is by station, `time_zone` is the venue's."""

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
    """All settings of a workspace. `settings_files` are the files that exist; a change of one changes the settings."""

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
    """Read all settings files of a workspace. Raises SettingsProblems with every problem found."""
    raw, file, problems = _read_ledger(folder)
    profiles, profile_problems = _load_profiles(folder, raw)
    trackers = None if raw is None else tracker_names(raw_trackers(raw))
    roster, roster_problems = read_roster(folder / "roster.csv", trackers)
    # without a readable roster every player of a decision would be reported as unknown
    players = None if roster.is_empty() and roster_problems else roster.get_column("player_id").drop_nulls().to_list()
    decisions, decision_problems = read_decisions(folder / "decisions.csv", players, trackers)
    problems += [*profile_problems, *roster_problems, *decision_problems]
    if problems or file is None:
        raise SettingsProblems(problems)
    return _assemble(file, folder, profiles, roster, decisions)


class Notify(NamedTuple):
    """Who is notified of a run, and of which warehouse."""

    urls_from: str
    when: Literal["always", "needs_person", "failed"]
    program: str
    output: Path


def read_notify(folder: Path) -> Notify | None:
    """Read [notify] of ledger.toml; None if it is missing or wrong.

    The other tables may be wrong: a person must be notified of exactly that.
    """
    try:
        raw = read_toml(folder / LEDGER, LEDGER)
        table = NotifyTable.model_validate(as_table(raw.get("notify")))
    except (SettingsProblems, ValidationError):
        return None
    if any(problem.key.startswith("notify") for problem in secret_problems(raw)):
        return None
    program = as_text(as_table(raw.get("program")).get("name")) or "pitchledger"
    output = as_text(as_table(raw.get("output")).get("folder")) or "warehouse"
    return Notify(table.urls_from, table.when, program, folder / output)


def ledger_schema() -> dict[str, Any]:
    """Return the JSON Schema of ledger.toml, for editors."""
    schema = LedgerFile.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "pitchledger ledger.toml"} | schema


def _read_ledger(folder: Path) -> tuple[dict[str, Any] | None, LedgerFile | None, list[Problem]]:
    """Return ledger.toml as written (None: not TOML), as typed (None: a key is wrong), and its problems."""
    try:
        raw = read_toml(folder / LEDGER, LEDGER)
    except SettingsProblems as error:
        return None, None, list(error.problems)
    secrets = list(secret_problems(raw))
    # messages of the models quote wrong values, so the models never see a table that may contain a secret
    safe = {key: value for key, value in raw.items() if key not in {problem.key.split(".")[0] for problem in secrets}}
    across = [*secrets, *contradictions(raw, folder)]
    try:
        return raw, LedgerFile.model_validate(safe), across
    except ValidationError as error:
        return raw, None, [*problems_of(error, LedgerFile, safe, LEDGER), *across]


def _load_profiles(folder: Path, raw: dict[str, Any] | None) -> tuple[dict[str, Profile], list[Problem]]:
    """Load the profiles that trackers name, or all if the ledger is unreadable. `contradictions` reports missing ones."""
    existing = profile_names(folder)
    named = existing if raw is None else [tracker.profile for tracker in raw_trackers(raw)]
    profiles: dict[str, Profile] = {}
    problems: list[Problem] = []
    for name in dict.fromkeys(named):
        try:
            if name in existing:
                profiles[name] = load_profile(folder / "profiles" / f"{name}.toml")
        except SettingsProblems as error:
            problems += error.problems
    stations = () if raw is None else raw_stations(raw)
    return profiles, [*problems, *station_word_problems(profiles, stations)]


def _assemble(
    file: LedgerFile, folder: Path, profiles: dict[str, Profile], roster: pl.DataFrame, decisions: pl.DataFrame
) -> Ledger:
    return Ledger(
        folder=folder,
        program=file.program.name,
        time_zone=file.program.time_zone,
        output=folder / file.output.folder,
        keep_versions=file.output.keep_versions,
        run_at_most_h=file.run.at_most_h,
        trackers=tuple(_tracker_settings(tracker, file, folder, profiles) for tracker in file.tracker),
        policies=_policies(file),
        tolerances=dict(file.tolerance),
        limits=dict(file.limits),
        matching=file.matching,
        gaps=file.gaps,
        corrections=file.correction,
        share=file.share,
        roster=roster,
        decisions=decisions,
        settings_files=tuple(path for path in _settings_files(folder, profiles) if path.is_file()),
    )


def _settings_files(folder: Path, profiles: dict[str, Profile]) -> Iterator[Path]:
    yield from (folder / LEDGER, folder / "roster.csv", folder / "decisions.csv")
    yield from (folder / "profiles" / f"{name}.toml" for name in sorted(profiles))


def _tracker_settings(
    tracker: TrackerTable, file: LedgerFile, folder: Path, profiles: dict[str, Profile]
) -> TrackerSettings:
    venue = next(venue for venue in file.venue if venue.id == tracker.venue)
    return TrackerSettings(
        id=tracker.id,
        name=tracker.name or tracker.id,
        profile_name=tracker.profile,
        inbox=folder / (tracker.inbox or f"inbox/{tracker.id}"),
        venue=venue.id,
        time_zone=venue.time_zone or file.program.time_zone,
        stations=tracker.stations,
        default_occasions={station.id: station.occasion or DEFAULT_OCCASION[station.kind] for station in venue.station},
        rank=tracker.rank,
        profile=profiles[tracker.profile],
        expect=tracker.expect,
    )


def _policies(file: LedgerFile) -> dict[str, Policy]:
    """Return the policy of each metric, with the default filled in."""
    default = file.policy.get("default", "prefer")
    tables = {metric: file.policy.get(metric, default) for metric in METRICS}
    return {
        metric: Policy(table.method, table.order) if isinstance(table, PolicyTable) else Policy(table)
        for metric, table in tables.items()
    }


def _write_schema() -> None:
    path = Path(__file__).parents[2] / "schemas" / "ledger.schema.json"
    path.write_text(json.dumps(ledger_schema(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    _write_schema()
