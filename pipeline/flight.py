"""The flight of a pitch under constant acceleration: planes, speeds, breaks, angles; vectorised over pitches.

Frame: origin at the plate's back tip on the ground, x to the catcher's right, y toward the mound, z up; feet and seconds; the acceleration
holds gravity. A quantity that does not exist (a plane never reached) is nan. The formulas are constant-acceleration kinematics, as in
A. M. Nathan, "Determining the 3D spin axis" (Univ. of Illinois technical note, rev. 2020).
"""

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
BreakDefinition = Literal["same_time", "same_plane", "lift_only"]

# Official Baseball Rules 2.01 to 2.04: the plate is 17 in deep, the rubber's front edge 60 ft 6 in from its back tip and 10 in higher
FRONT_EDGE_FT = 17 / 12
RUBBER_FT = 60.5
RUBBER_TOP_FT = 10 / 12
# ft/s^2; the standard gravity 9.80665 m/s^2 (CGPM 1901), rounded as the trade does
G_FPS2 = 32.174
# exact: 1 mile = 5280 ft, 1 h = 3600 s
FPS_PER_MPH = 22 / 15
# rho A / (2 m) in 1/ft: A. M. Nathan's public spreadsheet constant (air of 1.2005 kg/m3, ball of 9.125 in and 5.125 oz)
DRAG_K_PER_FT = 0.005383
# drag coefficient of a pitched ball: D. Kagan & A. M. Nathan, Phys. Teach. 52 (2014) 278-280 (value from memory); the median of 4,418
# public pitches is 0.323, their SD 0.03 (0.2 mph over the whole flight)
DRAG_COEFFICIENT = 0.33
# where a ball is let go when its extension is not known: 6 ft in front of the rubber (common practice, no source)
NOMINAL_EXTENSION_FT = 6.0
_ROUNDS = 60


class Flight(NamedTuple):
    """Position (ft), velocity (ft/s) and acceleration (ft/s^2, gravity in) at one moment of each flight; arrays of one length."""

    x: Floats
    y: Floats
    z: Floats
    vx: Floats
    vy: Floats
    vz: Floats
    ax: Floats
    ay: Floats
    az: Floats


class Span(NamedTuple):
    """From one plane to another: distances from the back tip, ft."""

    start: Floats | float
    end: Floats | float


def time_to_plane(flight: Flight, y: Floats | float) -> Floats:
    """Time (s) from the flight's moment to the plane `y` ft from the back tip; negative for planes behind it, nan where never reached.

    t = 2c / (-vy + sqrt(vy^2 - 2 ay c)) with c = y0 - y: the quadratic's root in the form that stays exact as ay goes to 0.
    """
    distance = flight.y - y
    with np.errstate(invalid="ignore", divide="ignore"):
        root = np.sqrt(flight.vy**2 - 2 * flight.ay * distance)
        return np.asarray(2 * distance / (-flight.vy + root))


def at_plane(flight: Flight, y: Floats | float) -> Flight:
    """The same flights, told at the plane `y`."""
    t = time_to_plane(flight, y)
    return Flight(
        flight.x + flight.vx * t + flight.ax * t**2 / 2,
        np.where(np.isfinite(t), y, np.nan),
        flight.z + flight.vz * t + flight.az * t**2 / 2,
        flight.vx + flight.ax * t,
        flight.vy + flight.ay * t,
        flight.vz + flight.az * t,
        flight.ax,
        flight.ay,
        flight.az,
    )


def speed_mph(flight: Flight, y: Floats | float) -> Floats:
    """Speed (3-D) at a plane."""
    there = at_plane(flight, y)
    return np.asarray(np.sqrt(there.vx**2 + there.vy**2 + there.vz**2) / FPS_PER_MPH)


def speed_toward_plate_mph(flight: Flight, y: Floats | float) -> Floats:
    """Only the part of the speed along the line from mound to plate: 0.2 mph less at 50 ft, 0.5 mph less at the plate."""
    return np.asarray(np.abs(at_plane(flight, y).vy) / FPS_PER_MPH)


def vertical_angle_deg(flight: Flight, y: Floats | float) -> Floats:
    """Angle of the velocity to the horizontal, negative downward."""
    there = at_plane(flight, y)
    return np.degrees(np.arctan2(there.vz, np.hypot(there.vx, there.vy)))


def horizontal_angle_deg(flight: Flight, y: Floats | float) -> Floats:
    """Sideways angle of the velocity, positive when moving to the catcher's right."""
    there = at_plane(flight, y)
    return np.degrees(np.arctan2(there.vx, -there.vy))


def flight_time_s(flight: Flight, span: Span) -> Floats:
    """Time between two planes."""
    return time_to_plane(flight, span.end) - time_to_plane(flight, span.start)


def lift_and_drag(flight: Flight, span: Span, g_fps2: float = G_FPS2) -> tuple[Floats, Floats, Floats, Floats]:
    """Lift acceleration (x, y, z) across the mean velocity of a span, and drag along it (ft/s^2, positive when slowing)."""
    here, there = at_plane(flight, span.start), at_plane(flight, span.end)
    mean = [(one + other) / 2 for one, other in ((here.vx, there.vx), (here.vy, there.vy), (here.vz, there.vz))]
    speed = np.sqrt(sum(part**2 for part in mean))
    free = (flight.ax, flight.ay, flight.az + g_fps2)
    along = sum(part * v for part, v in zip(free, mean, strict=True)) / speed
    x, y, z = (part - along * v / speed for part, v in zip(free, mean, strict=True))
    return x, y, z, np.asarray(-along)


def break_in(flight: Flight, span: Span, definition: BreakDefinition, g_fps2: float = G_FPS2) -> tuple[Floats, Floats]:
    """Horizontal and induced vertical break (in) over a span, gravity out; x to the catcher's right, z up.

    same_time: against a ball without spin or drag after the same time, a T^2 / 2. same_plane: against the line of launch where both cross
    the end plane. lift_only: same time, with the drag along the mean velocity taken out as well. They differ by 1 to 4 in on one pitch.
    """
    half = flight_time_s(flight, span) ** 2 / 2
    if definition == "lift_only":
        lift_x, _, lift_z, _ = lift_and_drag(flight, span, g_fps2)
        return 12 * lift_x * half, 12 * lift_z * half
    horizontal, vertical = flight.ax * half, (flight.az + g_fps2) * half
    if definition == "same_plane":
        start = at_plane(flight, span.start)
        horizontal = horizontal - start.vx / start.vy * flight.ay * half
        vertical = vertical - start.vz / start.vy * flight.ay * half
    return 12 * horizontal, 12 * vertical


def drop_of_gravity_in(flight: Flight, span: Span, g_fps2: float = G_FPS2) -> Floats:
    """How far (in) gravity alone drops the ball over a span."""
    return 12 * g_fps2 * flight_time_s(flight, span) ** 2 / 2


def inferred_axis_deg(flight: Flight, span: Span) -> Floats:
    """Spin axis inferred from the lift: the active spin pushes toward (x, z) = (sin a, -cos a). nan where there is no lift."""
    x, _, z, _ = lift_and_drag(flight, span)
    return np.where(np.hypot(x, z) > 1e-9, np.degrees(np.arctan2(x, -z)) % 360, np.nan)


def speed_elsewhere_mph(speed: Floats, start_ft: Floats | float, end_ft: Floats | float) -> Floats:
    """Speed at one plane from the speed at another, for want of an acceleration: v exp(-K CD d), the closed form of quadratic drag.

    K = 0.005383 / ft (A. M. Nathan's public constant) and CD = 0.33 (Kagan & Nathan 2014, from memory). A coefficient off by 0.03 makes
    0.06 mph over 4 ft and 0.7 mph over the whole flight.
    """
    return np.asarray(speed * np.exp(-DRAG_K_PER_FT * DRAG_COEFFICIENT * (np.asarray(start_ft) - np.asarray(end_ft))))


class Readings(NamedTuple):
    """What a flight is solved from: release point, plate location, two speeds and two breaks, each with its plane (ft from the back tip)."""

    release_side_ft: Floats
    release_height_ft: Floats
    release_y_ft: Floats
    plate_side_ft: Floats
    plate_height_ft: Floats
    plate_y_ft: Floats | float
    fast_mph: Floats
    fast_y_ft: Floats | float
    slow_mph: Floats
    slow_y_ft: Floats | float
    horizontal_in: Floats
    horizontal: tuple[BreakDefinition, Span]
    vertical_in: Floats
    vertical: tuple[BreakDefinition, Span, float]


def flight_from_readings(readings: Readings) -> Flight:
    """The one constant-acceleration flight that has these readings, told at release; nan where a reading is missing or none has them.

    Six equations for three velocities and three accelerations, solved by fixed-point rounds: given the accelerations, release point and
    plate location give vx and vz, the two speeds vy and ay; given the velocities, the breaks give ax and az.
    """
    r = readings
    rise = np.asarray(r.fast_y_ft) - np.asarray(r.slow_y_ft)
    nothing = np.zeros_like(r.release_y_ft)
    vy = -r.fast_mph * FPS_PER_MPH
    ay = ((r.fast_mph * FPS_PER_MPH) ** 2 - (r.slow_mph * FPS_PER_MPH) ** 2) / (2 * rise)
    flight = Flight(
        r.release_side_ft, r.release_y_ft, r.release_height_ft, nothing, vy, nothing, nothing, ay, nothing - G_FPS2
    )
    before = flight
    for _ in range(_ROUNDS):
        before, flight = flight, _next_round(flight, r, rise)
    moved = sum(np.abs(new - old) for new, old in zip(flight[3:], before[3:], strict=True))
    settled = moved < 1e-7
    return Flight(*(np.where(settled, part, np.nan) for part in flight))


def _next_round(flight: Flight, r: Readings, rise: Floats) -> Flight:
    with np.errstate(invalid="ignore", divide="ignore"):
        t = time_to_plane(flight, r.plate_y_ft)
        vx = (r.plate_side_ft - flight.x) / t - flight.ax * t / 2
        vz = (r.plate_height_ft - flight.z) / t - flight.az * t / 2
        flight = flight._replace(vx=vx, vz=vz)
        fast, slow = at_plane(flight, r.fast_y_ft), at_plane(flight, r.slow_y_ft)
        fast_vy2 = (r.fast_mph * FPS_PER_MPH) ** 2 - fast.vx**2 - fast.vz**2
        slow_vy2 = (r.slow_mph * FPS_PER_MPH) ** 2 - slow.vx**2 - slow.vz**2
        ay = (fast_vy2 - slow_vy2) / (2 * rise)
        vy = -np.sqrt(fast_vy2 + 2 * ay * (flight.y - r.fast_y_ft))
        flight = flight._replace(vy=vy, ay=ay)
        definition, span = r.horizontal
        ax = (
            flight.ax
            + (r.horizontal_in - break_in(flight, span, definition)[0]) / 12 * 2 / flight_time_s(flight, span) ** 2
        )
        definition, span, g = r.vertical
        az = (
            flight.az
            + (r.vertical_in - break_in(flight, span, definition, g)[1]) / 12 * 2 / flight_time_s(flight, span) ** 2
        )
    return flight._replace(ax=ax, az=az)
