"""What a profile states about one reading: its column, unit and definition. One model per kind of reading.

A definition is never guessed: every key without a default must be stated. The descriptions also appear in the JSON Schema that editors
use. `metric_tables.py` says which model each metric takes.
"""

from collections.abc import Callable
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, StrictBool, model_validator

from pipeline.physics.flight import G_FPS2
from pipeline.physics.units import UnknownUnitError, unit_factor
from pipeline.settings.planes import PLANE_HELP, PlaneText, check_span
from pipeline.settings.problems import SettingsTable, value_problem

# ---- keys that several readings share --------------------------------------------------------------------------------------------------


def _unit_of(ours: str) -> Callable[[str], str]:
    def check_unit(text: str) -> str:
        try:
            unit_factor(text, ours)
        except UnknownUnitError as error:
            raise value_problem(str(error)) from error
        return text

    return check_unit


Column = Annotated[
    str,
    Field(
        min_length=1,
        description="the column with the reading: its name in the header, a path with dots in JSON, or a file value (@name.…, @preamble.…)",
    ),
]
SpeedUnit = Annotated[
    str,
    AfterValidator(_unit_of("mph")),
    Field(description="unit of the column, for example mph, km/h, m/s", examples=["mph", "km/h", "m/s"]),
]
SpinUnit = Annotated[
    str,
    AfterValidator(_unit_of("rpm")),
    Field(description="unit of the column, for example rpm, revolution/s, rad/s", examples=["rpm", "revolution/s"]),
]
LengthUnit = Annotated[
    str,
    AfterValidator(_unit_of("ft")),
    Field(description="unit of the column, for example ft, inch, m, cm", examples=["ft", "inch", "m", "cm"]),
]
AngleUnit = Annotated[
    str, AfterValidator(_unit_of("deg")), Field(description="unit of the column: deg or rad", examples=["deg", "rad"])
]
TimeUnit = Annotated[
    str, AfterValidator(_unit_of("s")), Field(description="unit of the column: s or ms", examples=["s", "ms"])
]
RatioUnit = Annotated[
    str, AfterValidator(_unit_of("1")), Field(description="1 (0 to 1) or percent (0 to 100)", examples=["1", "percent"])
]
AccelerationUnit = Annotated[
    str,
    AfterValidator(_unit_of("ft/s^2")),
    Field(description="unit of the accelerations, for example ft/s^2, m/s^2", examples=["ft/s^2", "m/s^2"]),
]
VelocityUnit = Annotated[
    str,
    AfterValidator(_unit_of("ft/s")),
    Field(description="unit of the velocities, for example ft/s, m/s, mph", examples=["ft/s", "m/s"]),
]

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
Positive = Annotated[
    SideWord, Field(description="the side that is positive; arm_side and glove_side need the pitcher's hand")
]
UpDown = Annotated[Literal["up", "down"], Field(description="the direction that is positive")]
HeightFrom = Annotated[
    Literal["ground", "rubber_top"],
    Field(
        description="heights are measured from the ground at the plate, or from the top of the rubber (10 in higher)"
    ),
]


class Reading(SettingsTable):
    """A metric that one column contains."""

    column: Column
    zero_is_null: StrictBool = Field(False, description="true if the device writes 0 for what it did not measure")
    null_words: tuple[str, ...] = Field(
        (), description="texts in this column that mean not measured, in addition to null_words of [file]"
    )

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return ""


class FromTrajectory(SettingsTable):
    """A flight metric that is computed from [trajectory]."""

    computed_from: Literal["trajectory"] = Field(description="computed from the flight that [trajectory] describes")

    def definition_text(self) -> str:
        """Describe in one line where the metric comes from."""
        return "computed from the trajectory"


# ---- speed and spin --------------------------------------------------------------------------------------------------------------------

_SPEED_AT = "where the ball has this speed: " + PLANE_HELP
_COMPONENT_WORDS = {"total": "3-D", "toward_plate": "only toward the plate"}


class Speed(Reading):
    """A speed in one column."""

    unit: SpeedUnit
    at: PlaneText = Field(description=_SPEED_AT)
    component: Literal["total", "toward_plate"] = Field(
        "total",
        description="total = the speed in three dimensions; toward_plate = only its part along the line from mound to plate",
    )

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return f"speed ({_COMPONENT_WORDS[self.component]}) at {self.at}"


class SpeedFromComponents(SettingsTable):
    """A speed whose three velocity components are in three columns."""

    computed_from: Literal["velocity_components"] = Field(
        description="the speed is the length of the velocity in three columns"
    )
    columns: tuple[Column, Column, Column] = Field(
        description="the columns of the three components, in any order and with any sign"
    )
    unit: SpeedUnit
    at: PlaneText = Field(description=_SPEED_AT)

    def definition_text(self) -> str:
        """Describe in one line where the metric comes from."""
        return f"speed (3-D) at {self.at}, from three velocity components"


class RateOfSpin(Reading):
    """A spin rate."""

    unit: SpinUnit
    spin: Literal["total", "active"] = Field(description="total spin, or only the part that moves the ball (active)")

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return f"{self.spin} spin"


class EfficiencyRatio(Reading):
    """Spin efficiency as a ratio."""

    form: Literal["ratio"] = Field(description="active spin divided by total spin")
    unit: RatioUnit

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return "active spin as a share of total spin"


class EfficiencyGyroAngle(Reading):
    """Spin efficiency given as the gyro angle."""

    form: Literal["gyro_angle"] = Field(description="the angle of the spin axis")
    unit: AngleUnit
    gyro_from: Literal["across_velocity", "velocity"] = Field(
        description="where the angle is measured from: the plane across the velocity (0 = all active) or the velocity itself (90 = all active)"
    )

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        origin = "the plane across the velocity" if self.gyro_from == "across_velocity" else "the velocity"
        return f"gyro angle measured from {origin}"


class EfficiencyActiveSpin(Reading):
    """Spin efficiency computed from an active spin rate and the total spin rate of spin_rate_rpm."""

    form: Literal["active_spin"] = Field(description="the active spin rate; the total comes from spin_rate_rpm")
    unit: SpinUnit

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return "active spin over the total spin of spin_rate_rpm"


AxisView = Annotated[
    Literal["catcher", "pitcher"],
    Field(description="who sees it this way: the catcher (from behind the plate) or the pitcher"),
]
AxisOrigin = Annotated[
    Literal["measured", "inferred"],
    Field(
        description="measured on the ball, or inferred from the movement: the two differ by 17 degrees in the median, so state which"
    ),
]


class AxisAngle(Reading):
    """A spin axis as an angle."""

    form: Literal["angle"] = Field(description="an angle")
    unit: AngleUnit
    view: AxisView
    how: AxisOrigin
    backspin_at: float = Field(description="the reading for pure backspin, in degrees", allow_inf_nan=False)
    turns: Literal["clockwise", "counterclockwise"] = Field(
        description="as the reading grows: which way the direction of the push turns, seen from `view`"
    )

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return f"spin axis ({self.how}) as an angle: backspin reads {self.backspin_at:g}, grows {self.turns} as the {self.view} sees it"


class AxisClock(Reading):
    """A spin axis as a clock face."""

    form: Literal["clock"] = Field(description="a clock face: text h:mm (12:00 = pure backspin) or decimal hours")
    view: AxisView
    how: AxisOrigin

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return f"spin axis ({self.how}) as a clock face the {self.view} sees; 12:00 is backspin"


# ---- movement, positions, angles and flight time ---------------------------------------------------------------------------------------


class Break(Reading):
    """The keys that both breaks share."""

    unit: LengthUnit
    definition: Literal["same_time", "same_plane", "lift_only"] = Field(
        description="same_time = compared with a ball without spin or drag after the same time; "
        "same_plane = compared with the line of launch where both cross the end plane; "
        "lift_only = same_time without the part that drag makes"
    )
    start: PlaneText = Field(description="where the break starts: " + PLANE_HELP)
    end: PlaneText = Field(description="where the break ends: " + PLANE_HELP)
    gravity_fps2: float = Field(G_FPS2, gt=30, lt=34, description="the gravity that the device removes, in ft/s^2")

    @model_validator(mode="after")
    def _runs_toward_the_plate(self) -> "Break":
        check_span(self.start, self.end)
        return self

    def _span_text(self) -> str:
        return f"{self.definition.replace('_', '-')}, {self.start} to {self.end}"


class VerticalBreak(Break):
    """A vertical break."""

    gravity: Literal["out", "in"] = Field(
        description="out = without gravity's drop (induced break); in = with gravity's drop (total drop)"
    )
    positive: UpDown

    @model_validator(mode="after")
    def _lift_has_no_gravity(self) -> "VerticalBreak":
        if self.definition == "lift_only" and self.gravity == "in":
            raise value_problem('definition = "lift_only" contains only the lift, so gravity must be "out"')
        return self

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return f"vertical break, {self._span_text()}, gravity {self.gravity} (g = {self.gravity_fps2:g} ft/s^2), positive {self.positive}"


class HorizontalBreak(Break):
    """A horizontal break."""

    positive: Positive

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return f"horizontal break, {self._span_text()}, positive to {self.positive}"


class Height(Reading):
    """A height where the ball crosses a plane."""

    unit: LengthUnit
    at: PlaneText = Field(description="where the ball has this height: " + PLANE_HELP)
    height_from: HeightFrom

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return f"height at {self.at}, from {self.height_from}"


class Side(Reading):
    """A sideways position where the ball crosses a plane."""

    unit: LengthUnit
    at: PlaneText = Field(description="where the ball has this position: " + PLANE_HELP)
    positive: Positive

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return f"side at {self.at}, positive to {self.positive}"


class Extension(Reading):
    """The distance of the release point from the rubber or the plate."""

    unit: LengthUnit
    measured_from: Literal["rubber", "front_edge", "back_tip"] = Field(
        description="rubber = distance in front of the rubber's front edge; front_edge, back_tip = distance from that point of the plate"
    )

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return f"distance of release from {self.measured_from}"


class VerticalApproach(Reading):
    """The angle between the flight and the horizontal."""

    unit: AngleUnit
    at: PlaneText = Field(description="where the flight has this angle: " + PLANE_HELP)
    positive: UpDown

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return f"vertical angle of the flight at {self.at}, positive {self.positive}"


class HorizontalApproach(Reading):
    """The sideways angle of the flight."""

    unit: AngleUnit
    at: PlaneText = Field(description="where the flight has this angle: " + PLANE_HELP)
    positive: Positive

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return f"sideways angle of the flight at {self.at}, positive when moving to {self.positive}"


class FlightTime(Reading):
    """The time of the flight between two planes."""

    unit: TimeUnit
    start: PlaneText = Field(description="where the time starts: " + PLANE_HELP)
    end: PlaneText = Field(description="where the time ends: " + PLANE_HELP)

    @model_validator(mode="after")
    def _runs_toward_the_plate(self) -> "FlightTime":
        check_span(self.start, self.end)
        return self

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return f"flight time {self.start} to {self.end}"


# ---- batted ball -----------------------------------------------------------------------------------------------------------------------


class ExitVelocity(Reading):
    """The speed of the batted ball as it leaves the bat."""

    unit: SpeedUnit

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return "exit velocity"


class Carry(Reading):
    """How far the batted ball carries."""

    unit: LengthUnit

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return "distance the ball carries"


class LaunchAngle(Reading):
    """The vertical angle of the batted ball as it leaves the bat."""

    unit: AngleUnit
    positive: UpDown

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return f"vertical angle off the bat, positive {self.positive}"


class SprayAngle(Reading):
    """The horizontal direction of the batted ball."""

    unit: AngleUnit
    zero_at: Literal["center_field", "first_base_line", "third_base_line"] = Field(
        description="the direction that reads 0; center_field = toward second base"
    )
    positive: FieldSide = Field(description="the side toward which the reading grows")

    def definition_text(self) -> str:
        """Describe in one line what the column contains."""
        return f"direction off the bat, 0 at {self.zero_at}, grows to {self.positive}"
