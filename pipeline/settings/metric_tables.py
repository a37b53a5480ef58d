"""All [metric.*] tables of a profile and its [trajectory]: which model each metric takes, and what must fit together."""

from typing import Annotated, Any, Literal, NamedTuple

from pydantic import BeforeValidator, Discriminator, Field, Tag, model_validator

from pipeline.settings.definitions import (
    AccelerationUnit,
    AxisAngle,
    AxisClock,
    Carry,
    Column,
    EfficiencyActiveSpin,
    EfficiencyGyroAngle,
    EfficiencyRatio,
    ExitVelocity,
    Extension,
    FlightTime,
    FromTrajectory,
    Height,
    HeightFrom,
    HorizontalApproach,
    HorizontalBreak,
    LaunchAngle,
    LengthUnit,
    Positive,
    RateOfSpin,
    Reading,
    Side,
    Speed,
    SpeedFromComponents,
    SprayAngle,
    VelocityUnit,
    VerticalApproach,
    VerticalBreak,
)
from pipeline.settings.planes import PLANE_HELP, PlaneText
from pipeline.settings.problems import SettingsTable, value_problem
from schemas.metrics import FLIGHT_METRICS, METRICS

# the tag of a table that reads a column; a key cannot have this name
_READ = "as read"


def _choice(key: str, allowed: tuple[str, ...], default: str | None) -> tuple[BeforeValidator, Discriminator]:
    """Choose a model by the value of `key`; an unknown value is one problem instead of one per model."""

    def check(table: Any) -> Any:
        value = _chosen(table, key, default)
        if value is None:
            raise value_problem(f"{key} is missing", allowed)
        if value not in (*allowed, default):
            raise value_problem(f'{key} = "{value}" is not allowed', allowed, str(value))
        return table

    return BeforeValidator(check), Discriminator(lambda table: _chosen(table, key, default))


def _chosen(table: Any, key: str, default: str | None) -> Any:
    if not isinstance(table, dict):
        return default or getattr(table, key, None)
    # a computed metric has no form
    return table.get("computed_from", table.get(key, default)) if key == "form" else table.get(key, default)


def _read_or_computed(reading: type[Reading]) -> Any:
    check, by = _choice("computed_from", ("trajectory",), _READ)
    return Annotated[Annotated[reading, Tag(_READ)] | Annotated[FromTrajectory, Tag("trajectory")], by, check]


_SPEED_CHECK, _SPEED_BY = _choice("computed_from", ("trajectory", "velocity_components"), _READ)
SpeedSpec = Annotated[
    Annotated[Speed, Tag(_READ)]
    | Annotated[FromTrajectory, Tag("trajectory")]
    | Annotated[SpeedFromComponents, Tag("velocity_components")],
    _SPEED_BY,
    _SPEED_CHECK,
]
_EFFICIENCY_CHECK, _EFFICIENCY_BY = _choice("form", ("ratio", "gyro_angle", "active_spin"), None)
EfficiencySpec = Annotated[
    Annotated[EfficiencyRatio, Tag("ratio")]
    | Annotated[EfficiencyGyroAngle, Tag("gyro_angle")]
    | Annotated[EfficiencyActiveSpin, Tag("active_spin")],
    _EFFICIENCY_BY,
    _EFFICIENCY_CHECK,
]
_AXIS_CHECK, _AXIS_BY = _choice("form", ("angle", "clock", "trajectory"), None)
AxisSpec = Annotated[
    Annotated[AxisAngle, Tag("angle")]
    | Annotated[AxisClock, Tag("clock")]
    | Annotated[FromTrajectory, Tag("trajectory")],
    _AXIS_BY,
    _AXIS_CHECK,
]

MetricSpec = Reading | FromTrajectory | SpeedFromComponents


def _about(name: str) -> Any:
    return Field(None, description=f"if the export has it: {METRICS[name].definition} ({METRICS[name].unit})")


class MetricTables(SettingsTable):
    """All [metric.*] tables of a profile; None if the export does not have the metric."""

    release_speed_mph: SpeedSpec | None = _about("release_speed_mph")
    plate_speed_mph: SpeedSpec | None = _about("plate_speed_mph")
    spin_rate_rpm: RateOfSpin | None = _about("spin_rate_rpm")
    spin_efficiency: EfficiencySpec | None = _about("spin_efficiency")
    spin_axis_deg: AxisSpec | None = _about("spin_axis_deg")
    induced_vertical_break_in: _read_or_computed(VerticalBreak) | None = _about("induced_vertical_break_in")  # type: ignore[valid-type]
    horizontal_break_in: _read_or_computed(HorizontalBreak) | None = _about("horizontal_break_in")  # type: ignore[valid-type]
    release_height_ft: _read_or_computed(Height) | None = _about("release_height_ft")  # type: ignore[valid-type]
    release_side_ft: _read_or_computed(Side) | None = _about("release_side_ft")  # type: ignore[valid-type]
    extension_ft: _read_or_computed(Extension) | None = _about("extension_ft")  # type: ignore[valid-type]
    plate_height_ft: _read_or_computed(Height) | None = _about("plate_height_ft")  # type: ignore[valid-type]
    plate_side_ft: _read_or_computed(Side) | None = _about("plate_side_ft")  # type: ignore[valid-type]
    vertical_approach_deg: _read_or_computed(VerticalApproach) | None = _about("vertical_approach_deg")  # type: ignore[valid-type]
    horizontal_approach_deg: _read_or_computed(HorizontalApproach) | None = _about("horizontal_approach_deg")  # type: ignore[valid-type]
    flight_time_s: _read_or_computed(FlightTime) | None = _about("flight_time_s")  # type: ignore[valid-type]
    exit_velocity_mph: ExitVelocity | None = _about("exit_velocity_mph")
    launch_angle_deg: LaunchAngle | None = _about("launch_angle_deg")
    spray_angle_deg: SprayAngle | None = _about("spray_angle_deg")
    carry_distance_ft: Carry | None = _about("carry_distance_ft")

    def given(self) -> dict[str, MetricSpec]:
        """Return the tables that the profile has, by metric, in the order of METRICS."""
        return {name: spec for name in METRICS if (spec := getattr(self, name)) is not None}


# ---- trajectory ------------------------------------------------------------------------------------------------------------------------

# what a flight can give: its path contains no spin rate and no spin efficiency
FROM_TRAJECTORY: tuple[str, ...] = tuple(
    name for name in FLIGHT_METRICS if name not in ("spin_rate_rpm", "spin_efficiency")
)


class Position(SettingsTable):
    """The columns of the position."""

    side: Column
    distance: Column | None = Field(
        None, description="the column of the distance from plate or rubber; leave it out if position_at states it"
    )
    height: Column


class Components(SettingsTable):
    """The columns of a velocity or an acceleration."""

    side: Column
    distance: Column
    height: Column


class TrajectorySpec(SettingsTable):
    """A flight with constant acceleration, as the export states it."""

    position: Position | None = Field(
        None,
        description="columns of the position; without it only speeds, breaks, angles and times can be computed, no locations",
    )
    velocity: Components = Field(description="columns of the velocity")
    acceleration: Components = Field(description="columns of the acceleration")
    position_unit: LengthUnit | None = Field(
        None, description="unit of the position, for example ft, m; required if there is a position"
    )
    velocity_unit: VelocityUnit
    acceleration_unit: AccelerationUnit
    position_at: PlaneText | None = Field(
        None,
        description="where the ball has this position; with position.distance, leave it out or write release. "
        + PLANE_HELP,
    )
    velocity_at: PlaneText | None = Field(
        None, description="where the ball has this velocity; default: where it has the position. " + PLANE_HELP
    )
    side_positive: Positive
    distance_from: Literal["back_tip", "front_edge", "rubber"] | None = Field(
        None, description="where position.distance is measured from"
    )
    distance_positive: Literal["toward_mound", "toward_plate"] = Field(
        description="which way is positive along the line from plate to mound, for distance, velocity and acceleration"
    )
    height_from: HeightFrom | None = None
    gravity: Literal["in", "out"] = Field(description="whether the vertical acceleration includes gravity")
    gives: tuple[str, ...] | Literal["all"] = Field(
        (),
        description="flight metrics to compute if no [metric.…] table gives them; all = every one except spin_axis_deg, which would be inferred",
    )

    @model_validator(mode="after")
    def _is_complete(self) -> "TrajectorySpec":
        missing = self._missing_key()
        if missing:
            raise value_problem(missing)
        unknown = [name for name in self.gives if name not in FROM_TRAJECTORY] if self.gives != "all" else []
        if unknown:
            raise value_problem(f'gives = "{unknown[0]}" cannot be computed from a flight', FROM_TRAJECTORY)
        return self

    def _missing_key(self) -> str:
        if self.position is None:
            return "" if self.velocity_at else "velocity_at is missing, and there is no position"
        if self.position_unit is None:
            return "position_unit is missing"
        if self.height_from is None:
            return "height_from is missing"
        if self.position.distance is None:
            return "" if self.position_at else "position_at is missing, and there is no position.distance"
        return "" if self.distance_from else "distance_from is missing, and there is a position.distance"

    def computes(self) -> tuple[str, ...]:
        """Return the metrics named by `gives`."""
        if self.gives == "all":
            excluded = ("spin_axis_deg",) if self.knows_release() else ("spin_axis_deg", "extension_ft")
            return tuple(name for name in FROM_TRAJECTORY if name not in excluded)
        return self.gives

    def knows_release(self) -> bool:
        """Return whether the flight itself contains the distance of release."""
        return self.position is not None and self.position.distance is not None and self.position_at == "release"


# ---- across tables ---------------------------------------------------------------------------------------------------------------------


class Contradiction(NamedTuple):
    """A problem between tables: `key` is the dotted path in the profile."""

    key: str
    message: str


def contradictions(tables: MetricTables, trajectory: TrajectorySpec | None) -> list[Contradiction]:
    """Find metrics that need a table which is missing."""
    found = []
    computed = {f"metric.{name}": name for name, spec in tables.given().items() if isinstance(spec, FromTrajectory)}
    if trajectory is None:
        found += [Contradiction(key, "this metric is computed from [trajectory], which is missing") for key in computed]
    else:
        named = {"trajectory": "extension_ft"} if "extension_ft" in trajectory.computes() else {}
        if not trajectory.knows_release():
            message = (
                'extension_ft can be computed only with position_at = "release" and a column for position.distance'
            )
            found += [
                Contradiction(key, message) for key, name in {**computed, **named}.items() if name == "extension_ft"
            ]
    needs_total = isinstance(tables.spin_efficiency, EfficiencyActiveSpin)
    if needs_total and (tables.spin_rate_rpm is None or tables.spin_rate_rpm.spin != "total"):
        message = 'form = "active_spin" needs the total spin: add [metric.spin_rate_rpm] with spin = "total"'
        found.append(Contradiction("metric.spin_efficiency", message))
    return found


def columns(spec: MetricSpec | TrajectorySpec) -> list[str]:
    """Return the column references that a table reads, in order."""
    if isinstance(spec, Reading):
        return [spec.column]
    if isinstance(spec, SpeedFromComponents):
        return list(spec.columns)
    if isinstance(spec, FromTrajectory):
        return []
    parts = [part for part in (spec.position, spec.velocity, spec.acceleration) if part is not None]
    found = [column for part in parts for column in (part.side, part.distance, part.height) if column is not None]
    return list(dict.fromkeys(found))


def text_columns(spec: MetricSpec | TrajectorySpec) -> list[str]:
    """Return those of `columns(spec)` whose cells stay text (a clock face); all others are numbers."""
    return [spec.column] if isinstance(spec, AxisClock) else []
