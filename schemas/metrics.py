"""The metrics of the common schema: unit, definition, plausible range and tolerance of each.

The ranges only catch what no pitch or batted ball can be (a reading outside is nulled and recorded); they are common practice, no
source, and `[limits]` in ledger.toml overrides them. So are the tolerances, beyond which two trackers are said to disagree.
"""

from typing import Literal, NamedTuple

Kind = Literal["flight", "bat"]


class Metric(NamedTuple):
    """One quantity: `name` ends in its unit; `low`..`high` is what is possible; `tolerance` is in the metric's unit."""

    name: str
    unit: str
    pint_unit: str
    definition: str
    low: float
    high: float
    tolerance: float
    kind: Kind = "flight"
    circular: bool = False


_ALL = (
    Metric("release_speed_mph", "mph", "mph", "speed of the ball (3-D) at release", 30, 110, 1.0),
    Metric("plate_speed_mph", "mph", "mph", "speed of the ball (3-D) at the front edge of the plate", 25, 105, 1.0),
    Metric("spin_rate_rpm", "rpm", "rpm", "total spin", 100, 4500, 100.0),
    Metric("spin_efficiency", "ratio", "1", "active spin as a share of total spin, 0 to 1", 0, 1, 0.1),
    Metric(
        "spin_axis_deg",
        "deg",
        "deg",
        "the active spin pushes the ball toward (x, z) = (sin a, -cos a): 180 is pure backspin, 90 pushes to the catcher's right",
        0,
        360,
        20.0,
        circular=True,
    ),
    Metric(
        "induced_vertical_break_in",
        "in",
        "inch",
        "vertical break, gravity out, same-plane, release to front edge, positive up",
        -40,
        40,
        2.0,
    ),
    Metric(
        "horizontal_break_in",
        "in",
        "inch",
        "horizontal break, same-plane, release to front edge, positive to the catcher's right",
        -40,
        40,
        2.0,
    ),
    Metric("release_height_ft", "ft", "ft", "height of release above the ground at the plate", 0, 9, 0.25),
    Metric(
        "release_side_ft",
        "ft",
        "ft",
        "side of release from the plate's middle line, positive to the catcher's right",
        -6,
        6,
        0.25,
    ),
    Metric("extension_ft", "ft", "ft", "distance of release in front of the rubber's front edge", 2, 9, 0.4),
    Metric("plate_height_ft", "ft", "ft", "height where the ball crosses the front edge of the plate", -6, 14, 0.25),
    Metric(
        "plate_side_ft",
        "ft",
        "ft",
        "side where the ball crosses the front edge of the plate, positive to the catcher's right",
        -10,
        10,
        0.25,
    ),
    Metric(
        "vertical_approach_deg",
        "deg",
        "deg",
        "angle of the flight to the horizontal at the front edge, negative downward",
        -25,
        10,
        0.5,
    ),
    Metric(
        "horizontal_approach_deg",
        "deg",
        "deg",
        "sideways angle of the flight at the front edge, positive when moving to the catcher's right",
        -15,
        15,
        0.5,
    ),
    Metric("flight_time_s", "s", "s", "time from release to the front edge of the plate", 0.3, 1.5, 0.01),
    Metric("exit_velocity_mph", "mph", "mph", "speed of the ball off the bat", 5, 130, 2.0, "bat"),
    Metric(
        "launch_angle_deg", "deg", "deg", "vertical angle of the ball off the bat, positive up", -90, 90, 3.0, "bat"
    ),
    Metric(
        "spray_angle_deg",
        "deg",
        "deg",
        "horizontal direction off the bat, 0 toward second base, positive toward first base",
        -180,
        180,
        4.0,
        "bat",
    ),
    Metric("carry_distance_ft", "ft", "ft", "distance the batted ball carries to where it lands", 0, 600, 15.0, "bat"),
)

METRICS: dict[str, Metric] = {metric.name: metric for metric in _ALL}
FLIGHT_METRICS: tuple[str, ...] = tuple(m.name for m in _ALL if m.kind == "flight")
BAT_METRICS: tuple[str, ...] = tuple(m.name for m in _ALL if m.kind == "bat")

# The trajectory itself, where a tracker gives it: position, velocity and acceleration (gravity in) at trajectory_y_ft from the
# plate's back tip, in the frame of design: x to the catcher's right, y toward the mound, z up.
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
# the baseball day turns over at this local hour
TURNOVER_HOUR = 4
