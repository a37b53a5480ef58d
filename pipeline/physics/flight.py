"""The flight of a pitch under constant acceleration: planes, speeds, breaks, angles; vectorized over pitches.

Frame: origin at the plate's back tip on the ground, x to the catcher's right, y toward the mound, z up; feet and seconds; the acceleration
includes gravity. A quantity that does not exist (a plane never reached) is nan. The formulas are constant-acceleration kinematics, as in
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
# ft/s^2; the standard gravity 9.80665 m/s^2 (CGPM 1901), rounded as is usual in baseball
G_FPS2 = 32.174
# exact: 1 mile = 5280 ft, 1 h = 3600 s
FPS_PER_MPH = 22 / 15
# rho A / (2 m) in 1/ft: A. M. Nathan's public spreadsheet constant (air of 1.2005 kg/m3, ball of 9.125 in and 5.125 oz)
DRAG_K_PER_FT = 0.005383
# drag coefficient of a pitched ball: median of 4,418 published pitches (R package abdwr3edata, CC0), SD 0.03; D. Kagan & A. M. Nathan,
# Phys. Teach. 52 (2014) 278-280, find about 0.33 (value from memory)
DRAG_COEFFICIENT = 0.323
# how steeply a pitch falls at release, ft per ft: mean of 2,209 of those pitches (1.4 degrees)
FALL_AT_RELEASE = 0.024
# ... and at the front edge of the plate (6.6 degrees)
FALL_AT_PLATE = 0.116
# release in front of the rubber where the extension is unknown (common practice, no source)
NOMINAL_EXTENSION_FT = 6.0
# no ball has a drag coefficient outside: real pitches have 0.32, SD 0.03 to 0.04 (4,418 and 1,858 public pitches)
LEAST_DRAG_COEFFICIENT = 0.05
GREATEST_DRAG_COEFFICIENT = 0.8
# each round leaves about a tenth of the error
_MOST_ROUNDS = 60
# the rounds end when velocities and accelerations together move by less (ft/s, ft/s^2)
_CONVERGED = 1e-8


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
    """Return the time (s) from the flight's moment to the plane `y` ft from the back tip; negative for planes behind it, nan where never reached.

    t = 2c / (-vy + sqrt(vy^2 - 2 ay c)) with c = y0 - y: the quadratic's root in the form that stays exact as ay goes to 0. A ball that
    does not move toward the plate at the flight's moment is not a pitch: nan.
    """
    distance = flight.y - y
    with np.errstate(invalid="ignore", divide="ignore"):
        root = np.sqrt(flight.vy**2 - 2 * flight.ay * distance)
        return np.where(flight.vy < 0, 2 * distance / (-flight.vy + root), np.nan)


def at_plane(flight: Flight, y: Floats | float) -> Flight:
    """Return the same flights at the plane `y`."""
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
    """Return the 3-D speed at a plane."""
    there = at_plane(flight, y)
    return np.asarray(np.sqrt(there.vx**2 + there.vy**2 + there.vz**2) / FPS_PER_MPH)


def speed_toward_plate_mph(flight: Flight, y: Floats | float) -> Floats:
    """Return the part of the speed along the line from mound to plate: 0.2 mph less than all at 50 ft, 0.5 mph less at the plate."""
    return np.asarray(np.abs(at_plane(flight, y).vy) / FPS_PER_MPH)


def vertical_angle_deg(flight: Flight, y: Floats | float) -> Floats:
    """Return the angle of the velocity to the horizontal, negative downward."""
    there = at_plane(flight, y)
    return np.degrees(np.arctan2(there.vz, np.hypot(there.vx, there.vy)))


def horizontal_angle_deg(flight: Flight, y: Floats | float) -> Floats:
    """Return the sideways angle of the velocity, positive when moving to the catcher's right."""
    there = at_plane(flight, y)
    return np.degrees(np.arctan2(there.vx, -there.vy))


def flight_time_s(flight: Flight, span: Span) -> Floats:
    """Return the time between two planes."""
    return time_to_plane(flight, span.end) - time_to_plane(flight, span.start)


def lift_and_drag(flight: Flight, span: Span, g_fps2: float = G_FPS2) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the lift (x, y, z) across the mean velocity of a span, and the drag along it (ft/s^2, positive when slowing)."""
    here, there = at_plane(flight, span.start), at_plane(flight, span.end)
    mean = [(one + other) / 2 for one, other in ((here.vx, there.vx), (here.vy, there.vy), (here.vz, there.vz))]
    speed = np.sqrt(sum(part**2 for part in mean))
    free = (flight.ax, flight.ay, flight.az + g_fps2)
    along = sum(part * v for part, v in zip(free, mean, strict=True)) / speed
    x, y, z = (part - along * v / speed for part, v in zip(free, mean, strict=True))
    return x, y, z, np.asarray(-along)


def drag_coefficient(flight: Flight, span: Span) -> Floats:
    """Return the drag coefficient over a span: drag / (K v^2) at the mean velocity, in air of 1.2 kg/m3 (Nathan's note, eq. 2)."""
    here, there = at_plane(flight, span.start), at_plane(flight, span.end)
    squares = ((one + other) ** 2 / 4 for one, other in ((here.vx, there.vx), (here.vy, there.vy), (here.vz, there.vz)))
    return np.asarray(lift_and_drag(flight, span)[3] / (DRAG_K_PER_FT * sum(squares)))


def break_in(flight: Flight, span: Span, definition: BreakDefinition, g_fps2: float = G_FPS2) -> tuple[Floats, Floats]:
    """Return horizontal and induced vertical break (in) over a span, gravity out; x to the catcher's right, z up.

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
    """Return how far (in) gravity alone drops the ball over a span."""
    return 12 * g_fps2 * flight_time_s(flight, span) ** 2 / 2


def inferred_axis_deg(flight: Flight, span: Span) -> Floats:
    """Return the spin axis inferred from the lift: the active spin pushes toward (x, z) = (sin a, -cos a). nan where there is no lift."""
    x, _, z, _ = lift_and_drag(flight, span)
    return np.where(np.hypot(x, z) > 1e-9, np.degrees(np.arctan2(x, -z)) % 360, np.nan)


def speed_elsewhere_mph(speed: Floats, start_ft: Floats | float, end_ft: Floats | float) -> Floats:
    """Return the speed at one plane from the speed at another without an acceleration, by quadratic drag and gravity along the usual fall.

    v2^2 = v1^2 e^-x + 2 g f (1 - e^-x) / x with x = 2 K CD d over the distance d, f the fall over it: the closed form of
    dv^2/ds = -2 K CD v^2 + 2 g f/d. K = 0.005383 / ft (A. M. Nathan's public constant), CD = 0.323 and f as the constants above say.
    On 2,209 public pitches, release to plate: 0.0 mph off in the mean, SD 0.7 mph (0.05 mph over the first 4 ft). Without the fall it
    would read 0.6 mph low at the plate.
    """
    distance = np.asarray(start_ft) - np.asarray(end_ft)
    left = speed_share_after_drag(distance, DRAG_COEFFICIENT) ** 2
    x = -np.log(left)
    with np.errstate(invalid="ignore", divide="ignore"):
        gravity = 2 * G_FPS2 * _usual_fall_ft(start_ft, end_ft) * np.where(x == 0, 1, (1 - left) / x)
        return np.asarray(np.sqrt((speed * FPS_PER_MPH) ** 2 * left + gravity) / FPS_PER_MPH)


def speed_share_after_drag(distance_ft: Floats, drag_coefficient: float) -> Floats:
    """Return the share of a speed that remains after drag over a distance: exp(-K CD d)."""
    return np.asarray(np.exp(-DRAG_K_PER_FT * drag_coefficient * distance_ft))


def _usual_fall_ft(start_ft: Floats | float, end_ft: Floats | float) -> Floats:
    """Return how far a pitch falls between two planes, assuming a steepness that grows linearly with distance (a parabola)."""
    nominal = RUBBER_FT - NOMINAL_EXTENSION_FT
    half_way = (np.asarray(start_ft) + np.asarray(end_ft)) / 2
    steepness = FALL_AT_RELEASE + (FALL_AT_PLATE - FALL_AT_RELEASE) * (nominal - half_way) / (nominal - FRONT_EDGE_FT)
    return np.asarray(steepness * (np.asarray(start_ft) - np.asarray(end_ft)))


class SpeedReading(NamedTuple):
    """A speed (mph) at a plane; `toward_plate`: only its part along the line from mound to plate."""

    mph: Floats
    y: Floats | float
    toward_plate: bool = False


class BreakReading(NamedTuple):
    """A break (in) with its definition."""

    inches: Floats
    definition: BreakDefinition
    span: Span
    g_fps2: float = G_FPS2
    gravity_in: bool = False


class Readings(NamedTuple):
    """The readings that determine a flight: one point (side, height; usually release), plate location, two speeds and two breaks."""

    side_ft: Floats
    height_ft: Floats
    y: Floats
    plate_side_ft: Floats
    plate_side_y: Floats | float
    plate_height_ft: Floats
    plate_height_y: Floats | float
    fast: SpeedReading
    slow: SpeedReading
    horizontal: BreakReading
    vertical: BreakReading


def flight_from_readings(readings: Readings) -> Flight:
    """Return the constant-acceleration flight that has these readings, at the plane `readings.y`.

    Six equations for three velocities and three accelerations, solved by fixed-point iteration: given the accelerations, the two points
    give vx and vz, and the two speeds vy and ay; given the velocities, the breaks give ax and az. nan where a reading is missing, where
    no flight has them, or where they imply a drag coefficient that no ball has (one speed misread).
    """
    r = readings
    nothing = np.zeros_like(r.side_ft)
    fast, slow = r.fast.mph * FPS_PER_MPH, r.slow.mph * FPS_PER_MPH
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        ay = (fast**2 - slow**2) / (2 * (np.asarray(r.fast.y) - r.slow.y))
        flight = Flight(r.side_ft, r.y + nothing, r.height_ft, nothing, -fast, nothing, nothing, ay, nothing - G_FPS2)
        for _ in range(_MOST_ROUNDS):
            before, flight = flight, _next_round(flight, r)
            moved = np.sum([np.abs(new - old) for new, old in zip(flight[3:], before[3:], strict=True)], axis=0)
            # nan compares as false: a row without a flight does not prolong the iteration
            if not (moved > _CONVERGED).any():
                break
        drag = drag_coefficient(flight, Span(flight.y, FRONT_EDGE_FT))
    is_solved = (moved <= _CONVERGED) & (drag > LEAST_DRAG_COEFFICIENT) & (drag < GREATEST_DRAG_COEFFICIENT)
    return Flight(*(np.where(is_solved, part, np.nan) for part in flight))


def _next_round(flight: Flight, r: Readings) -> Flight:
    to_side, to_height = time_to_plane(flight, r.plate_side_y), time_to_plane(flight, r.plate_height_y)
    vx = (r.plate_side_ft - flight.x) / to_side - flight.ax * to_side / 2
    vz = (r.plate_height_ft - flight.z) / to_height - flight.az * to_height / 2
    flight = flight._replace(vx=vx, vz=vz)
    fast, slow = _toward_plate_squared(flight, r.fast), _toward_plate_squared(flight, r.slow)
    ay = (fast - slow) / (2 * (np.asarray(r.fast.y) - r.slow.y))
    flight = flight._replace(vy=-np.sqrt(fast + 2 * ay * (flight.y - r.fast.y)), ay=ay)
    return flight._replace(
        ax=flight.ax + _missing_acceleration(flight, r.horizontal, 0),
        az=flight.az + _missing_acceleration(flight, r.vertical, 1),
    )


def _toward_plate_squared(flight: Flight, speed: SpeedReading) -> Floats:
    """Return the square of the velocity toward the plate that the speed implies (ft2/s2)."""
    there = at_plane(flight, speed.y)
    across = 0.0 if speed.toward_plate else there.vx**2 + there.vz**2
    return np.asarray((speed.mph * FPS_PER_MPH) ** 2 - across)


def _missing_acceleration(flight: Flight, reading: BreakReading, direction: Literal[0, 1]) -> Floats:
    """Return the acceleration (ft/s2) that the flight lacks for the break that was read."""
    found = break_in(flight, reading.span, reading.definition, reading.g_fps2)[direction]
    if reading.gravity_in:
        found = found - drop_of_gravity_in(flight, reading.span, reading.g_fps2)
    return np.asarray((reading.inches - found) / 12 * 2 / flight_time_s(flight, reading.span) ** 2)
