"""The metrics of the common schema: words, unit, definition, plausible range and tolerance of each.

This is the only list of metrics. The ranges catch what no pitch or batted ball can be: a reading outside becomes null and is recorded.
Ranges and tolerances are common practice without a published source; `[limits]` and `[tolerance]` in ledger.toml override them.
"""

from typing import Literal, NamedTuple

Kind = Literal["flight", "bat"]

# units whose name in the units library differs from ours
_PINT_UNITS = {"ratio": "1", "in": "inch"}


class Metric(NamedTuple):
    """One metric. `low`, `high` and `tolerance` are in its unit; two readings farther apart than `tolerance` disagree."""

    name: str
    words: str
    unit: str
    definition: str
    low: float
    high: float
    tolerance: float
    kind: Kind = "flight"
    circular: bool = False

    @property
    def pint_unit(self) -> str:
        """The unit as pipeline.physics.units spells it."""
        return _PINT_UNITS.get(self.unit, self.unit)


_ALL = (
    Metric(
        "release_speed_mph",
        words="release speed",
        unit="mph",
        definition="3-D speed of the ball at release",
        low=30,
        high=110,
        tolerance=1.0,
    ),
    Metric(
        "plate_speed_mph",
        words="plate speed",
        unit="mph",
        definition="3-D speed of the ball at the front edge of the plate",
        low=25,
        high=105,
        tolerance=1.0,
    ),
    Metric(
        "spin_rate_rpm",
        words="spin rate",
        unit="rpm",
        definition="total spin rate",
        low=100,
        high=4500,
        tolerance=100.0,
    ),
    Metric(
        "spin_efficiency",
        words="spin efficiency",
        unit="ratio",
        definition="active spin divided by total spin, 0 to 1",
        low=0,
        high=1,
        tolerance=0.1,
    ),
    Metric(
        "spin_axis_deg",
        words="spin axis",
        unit="deg",
        definition="direction in which the active spin pushes the ball: 180 is up (pure backspin), 90 is to the catcher's right, "
        "0 is down, 270 is to the catcher's left; an axis of a pushes toward (x, z) = (sin a, -cos a)",
        low=0,
        high=360,
        tolerance=20.0,
        circular=True,
    ),
    Metric(
        "induced_vertical_break_in",
        words="induced vertical break",
        unit="in",
        definition="vertical break from release to the front edge of the plate, without gravity's drop, same-plane definition; positive up",
        low=-40,
        high=40,
        tolerance=2.0,
    ),
    Metric(
        "horizontal_break_in",
        words="horizontal break",
        unit="in",
        definition="horizontal break from release to the front edge of the plate, same-plane definition; positive to the catcher's right",
        low=-40,
        high=40,
        tolerance=2.0,
    ),
    Metric(
        "release_height_ft",
        words="release height",
        unit="ft",
        definition="height of the release point above the ground at the plate",
        low=0,
        high=9,
        tolerance=0.25,
    ),
    Metric(
        "release_side_ft",
        words="release side",
        unit="ft",
        definition="sideways distance of the release point from the plate's center line; positive to the catcher's right",
        low=-6,
        high=6,
        tolerance=0.25,
    ),
    Metric(
        "extension_ft",
        words="extension",
        unit="ft",
        definition="distance of the release point in front of the rubber's front edge",
        low=2,
        high=9,
        tolerance=0.4,
    ),
    Metric(
        "plate_height_ft",
        words="plate height",
        unit="ft",
        definition="height of the ball above the ground at the front edge of the plate",
        low=-6,
        high=14,
        tolerance=0.25,
    ),
    Metric(
        "plate_side_ft",
        words="plate side",
        unit="ft",
        definition="sideways distance of the ball from the plate's center line at the front edge; positive to the catcher's right",
        low=-10,
        high=10,
        tolerance=0.25,
    ),
    Metric(
        "vertical_approach_deg",
        words="vertical approach angle",
        unit="deg",
        definition="angle between the flight and the horizontal at the front edge of the plate; negative downward",
        low=-25,
        high=10,
        tolerance=0.5,
    ),
    Metric(
        "horizontal_approach_deg",
        words="horizontal approach angle",
        unit="deg",
        definition="sideways angle of the flight at the front edge of the plate; positive when moving to the catcher's right",
        low=-15,
        high=15,
        tolerance=0.5,
    ),
    Metric(
        "flight_time_s",
        words="flight time",
        unit="s",
        definition="time from release to the front edge of the plate",
        low=0.3,
        high=1.5,
        tolerance=0.01,
    ),
    Metric(
        "exit_velocity_mph",
        words="exit velocity",
        unit="mph",
        definition="speed of the batted ball as it leaves the bat",
        low=5,
        high=130,
        tolerance=2.0,
        kind="bat",
    ),
    Metric(
        "launch_angle_deg",
        words="launch angle",
        unit="deg",
        definition="vertical angle of the batted ball as it leaves the bat; positive up",
        low=-90,
        high=90,
        tolerance=3.0,
        kind="bat",
    ),
    Metric(
        "spray_angle_deg",
        words="spray angle",
        unit="deg",
        definition="horizontal direction of the batted ball: 0 toward second base, positive toward first base",
        low=-180,
        high=180,
        tolerance=4.0,
        kind="bat",
    ),
    Metric(
        "carry_distance_ft",
        words="carry distance",
        unit="ft",
        definition="distance the batted ball carries to where it lands",
        low=0,
        high=600,
        tolerance=15.0,
        kind="bat",
    ),
)

METRICS: dict[str, Metric] = {metric.name: metric for metric in _ALL}
FLIGHT_METRICS: tuple[str, ...] = tuple(m.name for m in _ALL if m.kind == "flight")
BAT_METRICS: tuple[str, ...] = tuple(m.name for m in _ALL if m.kind == "bat")

# The trajectory where a tracker gives it: position, velocity and acceleration (gravity included) at trajectory_y_ft from the
# plate's back tip. x points to the catcher's right, y toward the mound, z up.
TRAJECTORY: dict[str, str] = {
    "trajectory_x_ft": "ft",
    "trajectory_y_ft": "ft",
    "trajectory_z_ft": "ft",
    "trajectory_vx_fps": "ft/s",
    "trajectory_vy_fps": "ft/s",
    "trajectory_vz_fps": "ft/s",
    "trajectory_ax_fps2": "ft/s^2",
    "trajectory_ay_fps2": "ft/s^2",
    "trajectory_az_fps2": "ft/s^2",
}

PITCH_TYPES = (
    "four_seam",
    "two_seam",
    "sinker",
    "cutter",
    "slider",
    "sweeper",
    "curveball",
    "changeup",
    "splitter",
    "knuckleball",
    "other",
    "unknown",
)
PITCH_RESULTS = ("ball", "called_strike", "swinging_strike", "foul", "in_play", "hit_by_pitch", "no_call", "unknown")
PLATE_APPEARANCE_RESULTS = (
    "single",
    "double",
    "triple",
    "home_run",
    "out",
    "strikeout",
    "walk",
    "hit_by_pitch",
    "error",
    "fielders_choice",
    "sacrifice",
    "other",
    "unknown",
)
OCCASIONS = ("game", "scrimmage", "bullpen", "live_bp")
HANDS = ("right", "left")
BATTER_SIDES = ("right", "left", "switch")
HALVES = ("top", "bottom")
# local hour at which one baseball day ends and the next begins
TURNOVER_HOUR = 4
