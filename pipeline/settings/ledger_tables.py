"""The tables of ledger.toml as written. `ledger.py` fills in the defaults that depend on other tables."""

import re
from datetime import date
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Discriminator, Field, Strict, Tag, WithJsonSchema
from pydantic_core import PydanticCustomError

from pipeline.settings.problems import SettingsTable
from pipeline.settings.time_formats import check_time_zone
from schemas.metrics import METRICS
from schemas.setup import QUANTITIES

_ID = re.compile(r"[a-z0-9_]{1,40}")
# ledger.toml contains no secret, only the name of the environment variable that holds it
VARIABLE_NAME = re.compile(r"[A-Z_][A-Z0-9_]{0,79}")


def _check_id(text: str) -> str:
    if not _ID.fullmatch(text):
        nearest = "_".join(re.findall(r"[a-z0-9]+", text.lower()))[:40] or None
        allowed = ("lower-case letters, digits and _ (at most 40)",)
        raise PydanticCustomError("settings", "is not a valid id", {"allowed": allowed, "nearest": nearest})
    return text


def _table_or_word(value: object) -> str:
    return "table" if isinstance(value, dict | BaseModel) else "word"


Id = Annotated[
    str,
    AfterValidator(_check_id),
    Field(description="lower-case letters, digits and _", json_schema_extra={"pattern": f"^{_ID.pattern}$"}),
]
Zone = Annotated[
    str, AfterValidator(check_time_zone), Field(description="a name of the tz database, such as America/Chicago")
]
Variable = Annotated[
    str,
    Field(
        description="name of an environment variable: capitals, digits and _",
        json_schema_extra={"pattern": f"^{VARIABLE_NAME.pattern}$"},
    ),
]
# ledger_checks.py checks these names against the other tables; the lists here are for editors
MetricName = Annotated[str, WithJsonSchema({"type": "string", "enum": list(METRICS)})]
PolicyName = Annotated[str, WithJsonSchema({"type": "string", "enum": ["default", *METRICS]})]
Number = Annotated[float, Strict()]
Count = Annotated[int, Strict()]
Occasion = Literal["game", "scrimmage", "bullpen", "live_bp"]
Method = Literal["prefer", "blend"]
Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


class ProgramTable(SettingsTable):
    """The program that the warehouse belongs to."""

    name: str = Field(min_length=1, description="the program's name, for reports")
    time_zone: Zone


class OutputTable(SettingsTable):
    """Where the warehouse is written."""

    folder: str = Field("warehouse", min_length=1, description="relative to ledger.toml")
    keep_versions: Count = Field(3, ge=1, le=1000, description="number of published versions to keep")


class RunTable(SettingsTable):
    """Limits of a run."""

    at_most_h: Number = Field(
        3.0,
        gt=0,
        le=1000,
        description="hours after which a run that hangs stops itself, so that it cannot block the next one",
    )


class StationTable(SettingsTable):
    """One mound."""

    id: Id
    kind: Literal["field", "bullpen"]
    occasion: Occasion | None = Field(
        None, description="used if no export states it; default: game on a field, bullpen in a bullpen"
    )


class VenueTable(SettingsTable):
    """A park or practice ground."""

    id: Id
    name: str | None = None
    time_zone: Zone | None = Field(None, description="if it differs from the program's")
    station: tuple[StationTable, ...] = Field((), description="its mounds: [[venue.station]]")


class ExpectTable(SettingsTable):
    """When exports of a tracker are due, in addition to the nights on which others saw pitches at its station."""

    days: tuple[Weekday, ...] = Field((), description="weekdays on which it should see pitches")
    within_h: Number = Field(
        24.0, gt=0, le=1000, description="an export is late this many hours after the end of the baseball day (4 am)"
    )


class TrackerTable(SettingsTable):
    """One device."""

    id: Id
    name: str | None = None
    profile: str = Field(min_length=1, description="profiles/<profile>.toml describes its exports")
    inbox: str | None = Field(None, description="folder of its exports, default inbox/<id>; subfolders are read too")
    venue: str
    stations: tuple[str, ...] = Field(min_length=1, description="one: fixed there; several: it moves among them")
    rank: Count = Field(ge=1, description="1 = preferred first, and the reference clock; each tracker has its own rank")
    expect: ExpectTable = ExpectTable()


class PolicyTable(SettingsTable):
    """How a metric's preferred value is chosen."""

    method: Method = "prefer"
    order: tuple[str, ...] = Field((), description="trackers, the preferred first; the others follow by rank")


PolicyEntry = Annotated[
    Annotated[PolicyTable, Tag("table")] | Annotated[Method, Tag("word")], Discriminator(_table_or_word)
]


class MatchingTable(SettingsTable):
    """When sightings are merged, and when a person should check."""

    doubtful_below: Number = Field(
        0.9, ge=0, le=1, description="pitches with a lower match probability are listed for review"
    )
    merge_above: Number = Field(0.5, ge=0, lt=1, description="two sightings are merged only above this probability")


class GapsTable(SettingsTable):
    """When a night has a gap."""

    share: Number = Field(
        0.8, gt=0, le=1, description="a tracker has a gap if it saw a smaller share of the pitches that another saw"
    )


class CorrectionTable(SettingsTable):
    """A known error of a device, corrected in the mapping; the sighting keeps the raw reading in `corrections`."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)
    tracker: str
    metric: MetricName | None = None
    frame: Annotated[str, WithJsonSchema({"type": "string", "enum": list(QUANTITIES)})] | None = Field(
        None, description="instead of metric: the quantity of table setup by which the tracker is misaligned"
    )
    amount: Number = Field(description="added to the reading, in the metric's unit", allow_inf_nan=False)
    from_day: date | None = Field(None, alias="from", description="first baseball day")
    until_day: date | None = Field(None, alias="until", description="last baseball day")
    why: str = Field(min_length=1)


class NotifyTable(SettingsTable):
    """Who is notified after a run. Addresses may contain passwords, so they are in the environment and never here."""

    urls_from: Variable
    when: Literal["always", "needs_person", "failed"] = Field(
        "always",
        description="always: after each run; needs_person: when something needs your decision, and failures; failed: only failures",
    )


class ShareTable(SettingsTable):
    """The key of the players' pseudonyms in a copy for outsiders. The key itself is never here."""

    key_from: Variable | None = Field(None, description="name of the environment variable that holds the key")
    key_file: str = Field(
        "share.key",
        min_length=1,
        description="without key_from: the file that holds the key, relative to ledger.toml; created on first use",
    )


class LedgerFile(SettingsTable):
    """ledger.toml."""

    program: ProgramTable
    output: OutputTable = OutputTable()
    run: RunTable = RunTable()
    venue: tuple[VenueTable, ...] = Field(min_length=1)
    tracker: tuple[TrackerTable, ...] = Field(min_length=1)
    policy: dict[PolicyName, PolicyEntry] = Field(default_factory=dict, description="default, and a table per metric")
    tolerance: dict[MetricName, Annotated[Number, Field(gt=0, allow_inf_nan=False)]] = Field(
        default_factory=dict, description="two trackers disagree if they differ by more, by metric"
    )
    limits: dict[MetricName, tuple[Number, Number]] = Field(
        default_factory=dict, description="readings outside [low, high] are impossible, by metric"
    )
    matching: MatchingTable = MatchingTable()
    gaps: GapsTable = GapsTable()
    correction: tuple[CorrectionTable, ...] = ()
    notify: NotifyTable | None = None
    share: ShareTable = ShareTable()
