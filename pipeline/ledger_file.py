"""What ledger.toml may say: typed, every fault at once, JSON Schema from the models.

`python -m pipeline.ledger_file` writes schemas/ledger.schema.json. The descriptions of the fields are those that an editor shows.
"""

import json
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StrictInt, create_model, model_validator
from pydantic_core import PydanticCustomError

from schemas.metrics import METRICS, OCCASIONS

SCHEMA_PATH = Path(__file__).parents[1] / "schemas" / "ledger.schema.json"
Method = Literal["prefer", "blend"]
# how one tracker's frame may lie turned, shifted or stretched against the common one: the quantities of table `setup`
FRAME_QUANTITIES = ("aim_deg", "tilt_deg", "roll_deg", "side_in", "height_in", "distance_in", "scale")


def fault(message: str, allowed: tuple[str, ...] = (), nearest: str | None = None) -> PydanticCustomError:
    """Give a validation error with our own words."""
    return PydanticCustomError("ledger", message, {"allowed": allowed, "nearest": nearest})  # type: ignore[arg-type]


def _check_id(text: str) -> str:
    if not text or not all("a" <= letter <= "z" or "0" <= letter <= "9" or letter == "_" for letter in text):
        raise fault("should be an id of lower-case letters a to z, digits and _")
    return text


def _check_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise fault("is not a time zone; write one like America/Chicago", nearest=_nearest_zone(name)) from None
    return name


def _nearest_zone(name: str) -> str | None:
    from zoneinfo import available_timezones

    from pipeline.toml_problems import nearest_of

    return nearest_of(name, sorted(available_timezones()))


Id = Annotated[str, AfterValidator(_check_id), Field(json_schema_extra={"pattern": "^[a-z0-9_]+$"})]
Zone = Annotated[str, AfterValidator(_check_zone)]
Text = Annotated[str, Field(min_length=1)]
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class ProgramTable(_Strict):
    """[program]: whose pitches these are."""

    name: Text = Field(description="the program's name, as reports show it")
    time_zone: Zone = Field(description="where the venues are, unless a venue says otherwise: America/Chicago")


class OutputTable(_Strict):
    """[output]: where the warehouse is written."""

    folder: Text = Field("warehouse", description="the warehouse's folder, from ledger.toml")
    keep_versions: Annotated[StrictInt, Field(ge=1)] = Field(3, description="how many published versions are kept")


class StationTable(_Strict):
    """[[venue.station]]: one mound."""

    id: Id = Field(description="the station's id, unique in all venues")
    kind: Literal["field", "bullpen"] = Field(description="the field's mound, or one in a bullpen")
    occasion: Literal[OCCASIONS] | None = Field(  # type: ignore[valid-type]
        None, description="what is thrown there when no export says: game by default on the field, bullpen in a bullpen"
    )

    @property
    def usual_occasion(self) -> str:
        """What is thrown there when no export says."""
        return self.occasion or ("game" if self.kind == "field" else "bullpen")


class VenueTable(_Strict):
    """[[venue]]: a park or practice site."""

    id: Id = Field(description="the venue's id")
    name: Text = Field(description="the venue's name, as reports show it")
    time_zone: Zone | None = Field(None, description="if other than the program's")
    station: tuple[StationTable, ...] = Field(min_length=1, description="its mounds, one [[venue.station]] each")


class TrackerTable(_Strict):
    """[[tracker]]: one device."""

    id: Id = Field(description="the tracker's id; its exports lie in inbox/<id> unless `inbox` says otherwise")
    name: Text = Field(description="the tracker's name, as reports show it")
    profile: Text = Field(description="the source profile: stadium_radar means profiles/stadium_radar.toml")
    inbox: Text | None = Field(None, description="folder of its exports, from ledger.toml; sub-folders are read too")
    venue: Id = Field(description="id of the venue where it stands")
    stations: tuple[Id, ...] = Field(min_length=1, description="one: fixed there; several: it roams among them")
    rank: Annotated[StrictInt, Field(ge=1)] = Field(description="1 is believed first and is the reference clock")

    @model_validator(mode="after")
    def _lists_each_station_once(self) -> "TrackerTable":
        if len(set(self.stations)) < len(self.stations):
            raise fault("lists a station twice in `stations`")
        return self


class MetricPolicy(_Strict):
    """[policy.<metric>]: which reading of a metric a pitch carries."""

    method: Method | None = Field(None, description="prefer: by order, then rank; blend: inverse variance after bias")
    order: tuple[Id, ...] = Field((), description="trackers believed first, in this order; the others follow by rank")

    @model_validator(mode="after")
    def _order_is_for_prefer(self) -> "MetricPolicy":
        if self.order and self.method == "blend":
            raise fault("has `order`, which belongs to method prefer; a blend weighs every tracker")
        if len(set(self.order)) < len(self.order):
            raise fault("lists a tracker twice in `order`")
        return self


def _check_limits(ends: tuple[float, float]) -> tuple[float, float]:
    if ends[0] >= ends[1]:
        raise fault("should be [lowest, highest], the lower number first")
    return ends


Limits = Annotated[tuple[Number, Number], AfterValidator(_check_limits)]
PolicyTable = create_model(
    "PolicyTable",
    __base__=_Strict,
    __doc__="[policy]: which tracker's reading a pitch carries.",
    default=(Method, Field("prefer", description="for every metric without a table of its own")),
    **{name: (MetricPolicy | None, None) for name in METRICS},  # type: ignore[call-overload]
)
ToleranceTable = create_model(
    "ToleranceTable",
    __base__=_Strict,
    __doc__="[tolerance]: beyond this, in the metric's unit, two trackers disagree.",
    **{  # type: ignore[call-overload]
        m.name: (Annotated[Number, Field(gt=0)] | None, Field(None, description=f"{m.unit}; by default {m.tolerance:g}"))
        for m in METRICS.values()
    },
)
LimitsTable = create_model(
    "LimitsTable",
    __base__=_Strict,
    __doc__="[limits]: what is impossible beyond [lowest, highest]; such a reading is nulled and recorded.",
    **{  # type: ignore[call-overload]
        m.name: (Limits | None, Field(None, description=f"{m.unit}; by default [{m.low:g}, {m.high:g}]"))
        for m in METRICS.values()
    },
)


class MatchingTable(_Strict):
    """[matching]: how sure a match must be."""

    doubtful_below: Annotated[Number, Field(gt=0, le=1)] = Field(0.9, description="less sure goes to the review list")
    merge_above: Annotated[Number, Field(ge=0.5, lt=1)] = Field(
        0.5, description="two sightings are joined above this; under 0.5 would join what is more likely not one pitch"
    )

    @model_validator(mode="after")
    def _doubts_what_it_merges(self) -> "MatchingTable":
        if self.doubtful_below < self.merge_above:
            raise fault("has doubtful_below under merge_above: then no merge would ever be reviewed")
        return self


class GapsTable(_Strict):
    """[gaps]: when a night has a gap."""

    share: Annotated[Number, Field(gt=0, le=1)] = Field(
        0.8, description="a tracker has a gap where it saw under this share of what another saw"
    )


class CorrectionTable(_Strict):
    """[[correction]]: what is added to a tracker's readings from a day on; the raw reading stays on record."""

    tracker: Id = Field(description="id of the tracker")
    metric: Literal[tuple(METRICS)] | None = Field(None, description="the metric, or `frame` instead")  # type: ignore[valid-type]
    frame: Literal[FRAME_QUANTITIES] | None = Field(  # type: ignore[valid-type]
        None, description="how the tracker's frame is turned (degrees) or shifted (inches), instead of `metric`"
    )
    amount: Number = Field(description="what is added, in the metric's unit, or in the unit that the frame's name ends in")
    from_day: date | None = Field(None, alias="from", description="first baseball day, 2026-10-14; from the start if left out")
    until_day: date | None = Field(None, alias="until", description="last baseball day, that day too; open if left out")
    why: Text = Field(description="the reason, for those who come after")

    @model_validator(mode="after")
    def _is_one_thing_on_some_days(self) -> "CorrectionTable":
        if bool(self.metric) == bool(self.frame):
            raise fault("needs either metric or frame (not both)")
        if self.from_day and self.until_day and self.until_day < self.from_day:
            raise fault("ends (until) before it begins (from)")
        return self


class LedgerFile(_Strict):
    """ledger.toml whole."""

    program: ProgramTable
    output: OutputTable = OutputTable()
    venue: tuple[VenueTable, ...] = Field(min_length=1)
    tracker: tuple[TrackerTable, ...] = Field(min_length=1)
    policy: PolicyTable = PolicyTable()  # type: ignore[valid-type]
    tolerance: ToleranceTable = ToleranceTable()  # type: ignore[valid-type]
    limits: LimitsTable = LimitsTable()  # type: ignore[valid-type]
    matching: MatchingTable = MatchingTable()
    gaps: GapsTable = GapsTable()
    correction: tuple[CorrectionTable, ...] = ()


def ledger_schema() -> dict[str, Any]:
    """Give the JSON Schema of ledger.toml, for editors."""
    schema = LedgerFile.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "pitchledger ledger.toml"} | schema


if __name__ == "__main__":
    SCHEMA_PATH.write_text(json.dumps(ledger_schema(), indent=2) + "\n", encoding="utf-8")
