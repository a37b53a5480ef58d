"""What a profile may state about a metric: one model per kind of reading, with its column, unit and definition.

A definition is never guessed: every key without a default must be stated. The descriptions here are also those of the JSON Schema
and of the documentation. `MetricTables` holds all [metric.*] tables of a profile, `TrajectorySpec` its [trajectory].
"""

import re
from collections.abc import Callable
from functools import lru_cache
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    StrictBool,
    Tag,
    model_validator,
)
from pydantic_core import PydanticCustomError

from pipeline.physics.flight import FRONT_EDGE_FT, G_FPS2, RUBBER_FT
from pipeline.physics.units import UnknownUnitError, unit_factor
from pipeline.settings.problems import nearest_of
from schemas.metrics import FLIGHT_METRICS, METRICS

# ---------------------------------------------------------------------------------------------------------------- planes and sides

PLANES = ("release", "front_edge", "back_tip")
_PLANE_FORM = re.compile(
    r"^(?P<number>\d+(?:\.\d+)?)\s*(?P<unit>\S.*?)(?:\s+from\s+(?P<origin>rubber|front_edge|back_tip))?$"
)
_PLANE_WORDS = (*PLANES, "50 ft", "15.24 m", "16 m from front_edge", "5 ft from rubber")

SideWord = Literal[
    "catcher_right",
    "catcher_left",
    "pitcher_right",
    "pitcher_left",
    "first_base_side",
    "third_base_side",
    "arm_side",
    "glove_side",
]
FieldSide = Literal[
    "catcher_right", "catcher_left", "pitcher_right", "pitcher_left", "first_base_side", "third_base_side"
]


class Plane(NamedTuple):
    """A plane across the flight: `y_ft` from the plate's back tip; None = at release, which differs from pitch to pitch."""

    y_ft: float | None


RELEASE = Plane(None)
FRONT_EDGE = Plane(FRONT_EDGE_FT)


@lru_cache(maxsize=512)
def parse_plane(text: str) -> Plane:
    """Read a plane as a profile states it ("release", "front_edge", "back_tip", "50 ft", "5 ft from rubber"). Raises ValueError."""
    named = {"release": RELEASE, "front_edge": FRONT_EDGE, "back_tip": Plane(0.0)}
    if text in named:
        return named[text]
    found = _PLANE_FORM.match(text)
    if not found:
        raise ValueError("is no plane")
    distance = float(found["number"]) * unit_factor(found["unit"], "ft")
    return Plane(
        {"rubber": RUBBER_FT - distance, "front_edge": FRONT_EDGE_FT + distance}.get(found["origin"], distance)
    )


def _known_plane(text: str) -> str:
    try:
        y_ft = parse_plane(text).y_ft
    except UnknownUnitError as error:
        raise _problem(f"is no plane: its unit {error}", _PLANE_WORDS) from error
    except ValueError as error:
        raise _problem("is no plane", _PLANE_WORDS, text) from error
    if y_ft is not None and not -5 <= y_ft <= RUBBER_FT:
        raise _problem(
            f"lies {y_ft:.1f} ft from the plate's back tip, which is not between plate and rubber", _PLANE_WORDS
        )
    return text


def _problem(message: str, allowed: tuple[str, ...] = (), seen: str = "") -> PydanticCustomError:
    # braces would be taken for places to fill in
    safe = message.replace("{", "(").replace("}", ")")
    context = {"allowed": allowed, "nearest": nearest_of(seen, allowed) if seen else None}
    return PydanticCustomError("definition", safe, context)


def _unit_of(ours: str) -> Callable[[str], str]:
    def known_unit(text: str) -> str:
        try:
            unit_factor(text, ours)
        except UnknownUnitError as error:
            raise _problem(str(error)) from error
        return text

    return known_unit


_COLUMN = "the column that holds the reading: its name in the header, a path with dots in JSON, or a carried value (@name.…, @preamble.…)"
Column = Annotated[str, Field(min_length=1, description=_COLUMN)]
_PLANE = "where: release, front_edge or back_tip of the plate, or a distance from the back tip (50 ft, 15.24 m), from front_edge or from rubber (5 ft from rubber)"
PlaneText = Annotated[str, AfterValidator(_known_plane), Field(examples=list(_PLANE_WORDS))]
SpeedUnit = Annotated[
    str,
    AfterValidator(_unit_of("mph")),
    Field(description="unit of the column, e.g. mph, km/h, m/s", examples=["mph", "km/h", "m/s"]),
]
SpinUnit = Annotated[
    str,
    AfterValidator(_unit_of("rpm")),
    Field(description="unit of the column, e.g. rpm, revolution/s, rad/s", examples=["rpm", "revolution/s"]),
]
LengthUnit = Annotated[
    str,
    AfterValidator(_unit_of("ft")),
    Field(description="unit of the column, e.g. ft, inch, m, cm", examples=["ft", "inch", "m", "cm"]),
]
AngleUnit = Annotated[
    str, AfterValidator(_unit_of("deg")), Field(description="unit of the column: deg or rad", examples=["deg", "rad"])
]
TimeUnit = Annotated[
    str, AfterValidator(_unit_of("s")), Field(description="unit of the column: s or ms", examples=["s", "ms"])
]
ShareUnit = Annotated[
    str, AfterValidator(_unit_of("1")), Field(description="1 (0 to 1) or percent (0 to 100)", examples=["1", "percent"])
]
AccelerationUnit = Annotated[
    str,
    AfterValidator(_unit_of("ft/s^2")),
    Field(description="unit of the accelerations, e.g. ft/s^2, m/s^2", examples=["ft/s^2", "m/s^2"]),
]
VelocityUnit = Annotated[
    str,
    AfterValidator(_unit_of("ft/s")),
    Field(description="unit of the velocities, e.g. ft/s, m/s, mph", examples=["ft/s", "m/s"]),
]

_SIDE = "which side counts as positive; arm_side and glove_side need the pitcher's hand"
Positive = Annotated[SideWord, Field(description=_SIDE)]
UpDown = Annotated[Literal["up", "down"], Field(description="which way counts as positive")]
HeightFrom = Annotated[
    Literal["ground", "rubber_top"],
    Field(description="heights count from the ground at the plate, or from the top of the rubber (10 in higher)"),
]
Component = Annotated[
    Literal["total", "toward_plate"],
    Field(
        description="total = the whole speed in three dimensions; toward_plate = only its part along the line from mound to plate"
    ),
]
SpeedPlane = Annotated[PlaneText, Field(description="where the ball has this speed. " + _PLANE)]

# ------------------------------------------------------------------------------------------------------------------------- readings


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Reading(_Strict):
    """A metric that one column holds."""

    column: Column
    zero_is_null: StrictBool = Field(False, description="true where the device writes 0 for what it did not measure")
    null_words: tuple[str, ...] = Field(
        (), description="words in this column that mean not measured, besides the file's null_words"
    )

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return ""


class FromTrajectory(_Strict):
    """A flight metric that is computed from [trajectory]."""

    computed_from: Literal["trajectory"] = Field(description="computed from the flight that [trajectory] describes")

    def definition_text(self) -> str:
        """Say in one line where the metric comes from."""
        return "computed from the trajectory"


class Speed(Reading):
    """A speed in one column."""

    unit: SpeedUnit
    at: SpeedPlane
    component: Component = "total"

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return f"speed ({_COMPONENT_WORDS[self.component]}) at {self.at}"


class SpeedFromComponents(_Strict):
    """A speed whose three components stand in three columns."""

    computed_from: Literal["velocity_components"] = Field(
        description="the speed is the length of the velocity in three columns"
    )
    columns: tuple[Column, Column, Column] = Field(
        description="the columns of the three components, in any order and of any sign"
    )
    unit: SpeedUnit
    at: SpeedPlane

    def definition_text(self) -> str:
        """Say in one line where the metric comes from."""
        return f"speed (3-D) at {self.at}, from three velocity components"


class RateOfSpin(Reading):
    """A spin rate."""

    unit: SpinUnit
    spin: Literal["total", "active"] = Field(description="total spin, or only the part that bends the flight (active)")

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return f"{self.spin} spin"


class EfficiencyRatio(Reading):
    """Spin efficiency as a share."""

    form: Literal["ratio"] = Field(description="active spin as a share of total spin")
    unit: ShareUnit

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return "active spin as a share of total spin"


class EfficiencyGyroAngle(Reading):
    """Spin efficiency given as the gyro angle."""

    form: Literal["gyro_angle"] = Field(description="the angle of the spin axis")
    unit: AngleUnit
    gyro_from: Literal["across_velocity", "velocity"] = Field(
        description="what the angle is measured from: the plane across the velocity (0 = all active) or the velocity itself (90 = all active)"
    )

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return "gyro angle measured from " + (
            "the plane across the velocity" if self.gyro_from == "across_velocity" else "the velocity"
        )


class EfficiencyActiveSpin(Reading):
    """Spin efficiency to be computed from an active spin and the total spin of spin_rate_rpm."""

    form: Literal["active_spin"] = Field(description="the active spin rate; the total comes from spin_rate_rpm")
    unit: SpinUnit

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return "active spin over the total spin of spin_rate_rpm"


class EfficiencyFromSpins(Reading):
    """Spin efficiency computed from active and total spin."""

    computed_from: Literal["active_and_total_spin"] = Field(
        description="the column holds the active spin; the total comes from spin_rate_rpm"
    )
    unit: SpinUnit = "rpm"

    def definition_text(self) -> str:
        """Say in one line where the metric comes from."""
        return "active spin over the total spin of spin_rate_rpm"


_How = Annotated[
    Literal["measured", "inferred"],
    Field(
        description="measured on the ball, or inferred from how the flight bends: the two differ by 17 degrees in the median, so it must be known"
    ),
]
_View = Annotated[
    Literal["catcher", "pitcher"],
    Field(description="who sees it so: the catcher (from behind the plate) or the pitcher"),
]


class AxisAngle(Reading):
    """A spin axis as an angle."""

    form: Literal["angle"] = Field(description="an angle")
    unit: AngleUnit
    view: _View
    how: _How
    backspin_at: float = Field(description="what the column reads for pure backspin, in degrees", allow_inf_nan=False)
    turns: Literal["clockwise", "counterclockwise"] = Field(
        description="which way the direction in which the spin pushes the ball turns, seen from `view`, as the reading grows"
    )

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return f"spin axis ({self.how}) as an angle: backspin reads {self.backspin_at:g}, grows {self.turns} as the {self.view} sees it"


class AxisClock(Reading):
    """A spin axis as a clock face."""

    form: Literal["clock"] = Field(description="a clock face: text h:mm (12:00 = pure backspin) or decimal hours")
    view: _View
    how: _How

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return f"spin axis ({self.how}) as a clock face the {self.view} sees; 12:00 is backspin"


_DEFINITION = (
    "same_time = against a ball without spin or drag after the same time; same_plane = against the line of launch where both cross the end plane; "
    "lift_only = same time with drag taken out as well"
)


def _check_span(start: str, end: str) -> None:
    start_ft, end_ft = parse_plane(start).y_ft, parse_plane(end).y_ft
    if end_ft is None or (start_ft is not None and start_ft <= end_ft):
        raise _problem(f"start '{start}' must lie farther from the plate than end '{end}'")


class Break(Reading):
    """What the two breaks have in common."""

    unit: LengthUnit
    definition: Literal["same_time", "same_plane", "lift_only"] = Field(description=_DEFINITION)
    start: PlaneText = Field(description="from where the break counts: " + _PLANE)
    end: PlaneText = Field(description="to where the break counts: " + _PLANE)
    gravity_fps2: float = Field(G_FPS2, gt=30, lt=34, description="the gravity that the device takes out, in ft/s^2")

    @model_validator(mode="after")
    def _runs_toward_the_plate(self) -> "Break":
        _check_span(self.start, self.end)
        return self

    def _span_text(self) -> str:
        return f"{self.definition.replace('_', '-')}, {self.start} to {self.end}"


class VerticalBreak(Break):
    """A vertical break."""

    gravity: Literal["out", "in"] = Field(
        description="out = gravity's drop is taken out (induced break); in = it is part of the reading (total drop)"
    )
    positive: UpDown

    @model_validator(mode="after")
    def _lift_has_no_gravity(self) -> "VerticalBreak":
        if self.definition == "lift_only" and self.gravity == "in":
            raise _problem("definition 'lift_only' leaves only the lift, so gravity must be 'out'")
        return self

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return f"vertical break, {self._span_text()}, gravity {self.gravity} (g = {self.gravity_fps2:g} ft/s^2), positive {self.positive}"


class HorizontalBreak(Break):
    """A horizontal break."""

    positive: Positive

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return f"horizontal break, {self._span_text()}, positive to {self.positive}"


class Height(Reading):
    """A height where the ball crosses a plane."""

    unit: LengthUnit
    at: PlaneText = Field(description="where the ball has this height: " + _PLANE)
    height_from: HeightFrom

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return f"height at {self.at}, from {self.height_from}"


class Side(Reading):
    """A sideways position where the ball crosses a plane."""

    unit: LengthUnit
    at: PlaneText = Field(description="where the ball is so far to the side: " + _PLANE)
    positive: Positive

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return f"side at {self.at}, positive to {self.positive}"


class Extension(Reading):
    """How far in front of the rubber the ball is let go."""

    unit: LengthUnit
    measured_from: Literal["rubber", "front_edge", "back_tip"] = Field(
        description="rubber = distance of release in front of the rubber's front edge; front_edge, back_tip = its distance from the plate"
    )

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return f"distance of release from {self.measured_from}"


class VerticalApproach(Reading):
    """The angle of the flight to the horizontal."""

    unit: AngleUnit
    at: PlaneText = Field(description="where the flight has this angle: " + _PLANE)
    positive: UpDown

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return f"vertical angle of the flight at {self.at}, positive {self.positive}"


class HorizontalApproach(Reading):
    """The sideways angle of the flight."""

    unit: AngleUnit
    at: PlaneText = Field(description="where the flight has this angle: " + _PLANE)
    positive: Positive

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return f"sideways angle of the flight at {self.at}, positive when moving to {self.positive}"


class FlightTime(Reading):
    """The time of the flight between two planes."""

    unit: TimeUnit
    start: PlaneText = Field(description="from where the time counts: " + _PLANE)
    end: PlaneText = Field(description="to where the time counts: " + _PLANE)

    @model_validator(mode="after")
    def _runs_toward_the_plate(self) -> "FlightTime":
        _check_span(self.start, self.end)
        return self

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return f"flight time {self.start} to {self.end}"


class SpeedOffBat(Reading):
    """The speed of the ball off the bat."""

    unit: SpeedUnit

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return "exit velocity"


class Carry(Reading):
    """How far the batted ball carries."""

    unit: LengthUnit

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return "distance the ball carries"


class LaunchAngle(Reading):
    """The vertical angle of the ball off the bat."""

    unit: AngleUnit
    positive: UpDown

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return f"vertical angle off the bat, positive {self.positive}"


class SprayAngle(Reading):
    """The horizontal direction of the ball off the bat."""

    unit: AngleUnit
    zero_at: Literal["center_field", "first_base_line", "third_base_line"] = Field(
        description="the direction that reads 0; center_field = toward second base"
    )
    positive: FieldSide = Field(description="toward which side the reading grows")

    def definition_text(self) -> str:
        """Say in one line what the column states."""
        return f"direction off the bat, 0 at {self.zero_at}, grows to {self.positive}"


_COMPONENT_WORDS = {"total": "3-D", "toward_plate": "only toward the plate"}

# ------------------------------------------------------------------------------------------------------------------- tables by metric


# the tag of a table that reads a column: no key can be called so
_READ = "as read"


def _choice(key: str, allowed: tuple[str, ...], default: str | None) -> tuple[BeforeValidator, Discriminator]:
    """Choose a model by the value of `key`; an unknown value is one clear problem instead of one per model."""

    def known(table: Any) -> Any:
        value = _chosen(table, key, default)
        if value is None:
            raise _problem(f"{key} is missing and must be stated", allowed)
        if value not in (*allowed, default):
            raise _problem(f"{key} '{value}' is not allowed", allowed, str(value))
        return table

    return BeforeValidator(known), Discriminator(lambda table: _chosen(table, key, default))


def _chosen(table: Any, key: str, default: str | None) -> Any:
    if not isinstance(table, dict):
        return default or getattr(table, key, None)
    # a metric that is computed has no form
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
_EFFICIENCY_CHECK, _EFFICIENCY_BY = _choice(
    "form", ("ratio", "gyro_angle", "active_spin", "active_and_total_spin"), None
)
EfficiencySpec = Annotated[
    Annotated[EfficiencyRatio, Tag("ratio")]
    | Annotated[EfficiencyGyroAngle, Tag("gyro_angle")]
    | Annotated[EfficiencyActiveSpin, Tag("active_spin")]
    | Annotated[EfficiencyFromSpins, Tag("active_and_total_spin")],
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
    return Field(None, description=f"where the export gives: {METRICS[name].definition} ({METRICS[name].unit})")


class MetricTables(_Strict):
    """All [metric.*] tables of a profile; None where the export does not give the metric."""

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
    exit_velocity_mph: SpeedOffBat | None = _about("exit_velocity_mph")
    launch_angle_deg: LaunchAngle | None = _about("launch_angle_deg")
    spray_angle_deg: SprayAngle | None = _about("spray_angle_deg")
    carry_distance_ft: Carry | None = _about("carry_distance_ft")

    def given(self) -> dict[str, MetricSpec]:
        """Give the tables that the profile has, by metric, in our order of metrics."""
        return {name: spec for name in METRICS if (spec := getattr(self, name)) is not None}


METRIC_MODELS: dict[str, Any] = {name: field.annotation for name, field in MetricTables.model_fields.items()}

# ------------------------------------------------------------------------------------------------------------------------ trajectory

# what a flight can give; spin rate and efficiency are not in it
FROM_TRAJECTORY: tuple[str, ...] = tuple(
    name for name in FLIGHT_METRICS if name not in ("spin_rate_rpm", "spin_efficiency")
)


class Position(_Strict):
    """The columns of the position."""

    side: Column
    distance: Column | None = Field(
        None, description="the column of the distance from plate or rubber; left out where position_at says it"
    )
    height: Column


class Components(_Strict):
    """The columns of a velocity or an acceleration."""

    side: Column
    distance: Column
    height: Column


class TrajectorySpec(_Strict):
    """A flight with constant acceleration, as the export states it."""

    position: Position | None = Field(
        None,
        description="columns of the position; without it only speeds, breaks, angles and times follow, no locations",
    )
    velocity: Components = Field(description="columns of the velocity")
    acceleration: Components = Field(description="columns of the acceleration")
    position_unit: LengthUnit | None = Field(
        None, description="unit of the position, e.g. ft, m; needed where there is a position"
    )
    velocity_unit: VelocityUnit
    acceleration_unit: AccelerationUnit
    position_at: PlaneText | None = Field(
        None,
        description="the plane where the position holds; with position.distance it may be left out, or be release. "
        + _PLANE,
    )
    velocity_at: PlaneText | None = Field(
        None, description="the plane where the velocity holds; default: where the position holds. " + _PLANE
    )
    side_positive: Positive
    distance_from: Literal["back_tip", "front_edge", "rubber"] | None = Field(
        None, description="from where position.distance counts"
    )
    distance_positive: Literal["toward_mound", "toward_plate"] = Field(
        description="which way counts as positive along the line from plate to mound, for distance, velocity and acceleration"
    )
    height_from: HeightFrom | None = None
    gravity: Literal["in", "out"] = Field(description="whether the vertical acceleration holds gravity")
    gives: tuple[str, ...] | Literal["all"] = Field(
        (),
        description="flight metrics to compute where no [metric.…] table gives them; all = every one but spin_axis_deg, which would be inferred",
    )

    @model_validator(mode="after")
    def _is_complete(self) -> "TrajectorySpec":
        missing = self._missing()
        if missing:
            raise _problem(f"{missing[0]} is missing and must be stated{missing[1]}")
        unknown = [name for name in self.gives if name not in FROM_TRAJECTORY] if self.gives != "all" else []
        if unknown:
            raise _problem(f"gives: '{unknown[0]}' does not follow from a flight", FROM_TRAJECTORY)
        return self

    def _missing(self) -> tuple[str, str] | None:
        if self.position is None:
            return None if self.velocity_at else ("velocity_at", " (there is no position)")
        if self.position_unit is None:
            return ("position_unit", "")
        if self.height_from is None:
            return ("height_from", "")
        if self.position.distance is None:
            return None if self.position_at else ("position_at", " (there is no position.distance)")
        return None if self.distance_from else ("distance_from", " (there is a position.distance)")

    def computes(self) -> tuple[str, ...]:
        """Give the metrics named by `gives`."""
        if self.gives == "all":
            left_out = ("spin_axis_deg",) if self.knows_release() else ("spin_axis_deg", "extension_ft")
            return tuple(name for name in FROM_TRAJECTORY if name not in left_out)
        return self.gives

    def knows_release(self) -> bool:
        """Say whether the flight itself tells how far from the plate the ball is let go."""
        return self.position is not None and self.position.distance is not None and self.position_at == "release"


class Contradiction(NamedTuple):
    """A fault between tables: `key` is the dotted path in the profile."""

    key: str
    message: str


def contradictions(tables: MetricTables, trajectory: TrajectorySpec | None) -> list[Contradiction]:
    """Find what each table alone can't show: a metric that rests on a table that is not there."""
    found = []
    computed = {f"metric.{name}": name for name, spec in tables.given().items() if isinstance(spec, FromTrajectory)}
    if trajectory is None:
        found += [
            Contradiction(key, "is computed from the trajectory, but there is no [trajectory]") for key in computed
        ]
    else:
        named = {"trajectory.gives": "extension_ft"} if "extension_ft" in trajectory.computes() else {}
        if not trajectory.knows_release():
            message = "extension_ft follows from a flight only where position_at is release and position.distance has a column"
            found += [
                Contradiction(key, message) for key, name in {**computed, **named}.items() if name == "extension_ft"
            ]
    by_spins = isinstance(tables.spin_efficiency, EfficiencyActiveSpin | EfficiencyFromSpins)
    if by_spins and (tables.spin_rate_rpm is None or tables.spin_rate_rpm.spin != "total"):
        found.append(
            Contradiction(
                "metric.spin_efficiency", "needs the total spin: state [metric.spin_rate_rpm] with spin = total"
            )
        )
    return found


def columns(spec: MetricSpec | TrajectorySpec) -> list[str]:
    """Give the column references that a table reads, in order."""
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
    """Give those of `columns(spec)` whose cells must stay text (a clock face); all others are numbers."""
    return [spec.column] if isinstance(spec, AxisClock) else []
