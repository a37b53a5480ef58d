"""Constant-acceleration flights of the demo's pitches, with drag and lift from published coefficients.

Frame as in schemas/metrics.py: origin at the plate's back tip on the ground, x to the catcher's right, y to the mound, z up; feet,
seconds. All functions take and give numpy arrays of one entry a pitch.
"""

from typing import NamedTuple

import numpy as np

GRAVITY = 32.174  # ft/s2
FRONT_EDGE = 17 / 12  # ft from the back tip (rules of the sport: the plate is 17 in deep)
RUBBER = 60.5  # ft
MPH = 5280 / 3600  # ft/s
# 0.005383 1/ft at 1.2005 kg/m3: A. M. Nathan's public spreadsheet constant, rho * area / (2 * mass)
DRAG_PER_FT = 0.005383
BALL_RADIUS_FT = 9.125 / (2 * np.pi * 12)

Floats = np.ndarray


class Flight(NamedTuple):
    """Place, velocity and acceleration (gravity in) at the plane `y`; x, y, z in the columns of each array of shape (n, 3)."""

    place: Floats
    velocity: Floats
    acceleration: Floats


def push_direction(velocity: Floats, axis_deg: Floats) -> Floats:
    """Unit vectors across the velocity whose x and z point along (sin a, -cos a)."""
    angle = np.radians(axis_deg)
    across = np.stack([np.sin(angle), np.zeros_like(angle), -np.cos(angle)], axis=1)
    along = velocity / np.linalg.norm(velocity, axis=1, keepdims=True)
    across = across - (across * along).sum(axis=1, keepdims=True) * along
    return across / np.linalg.norm(across, axis=1, keepdims=True)


def air_acceleration(
    velocity: Floats, active_spin_rpm: Floats, push_axis_deg: Floats, drag: Floats, density: Floats
) -> Floats:
    """Drag, lift and gravity on a ball of this velocity.

    Lift coefficient 1.5 S up to S = 0.1, then 0.09 + 0.6 S: Sawicki, Hubbard, Stronge, Am. J. Phys. 71, 1152 (2003)."""
    speed = np.linalg.norm(velocity, axis=1)
    spin_factor = BALL_RADIUS_FT * active_spin_rpm * 2 * np.pi / 60 / speed
    lift = np.where(spin_factor < 0.1, 1.5 * spin_factor, 0.09 + 0.6 * spin_factor)
    scale = (DRAG_PER_FT * density / 1.2005 * speed)[:, None]
    acceleration = scale * (
        -drag[:, None] * velocity + (lift * speed)[:, None] * push_direction(velocity, push_axis_deg)
    )
    acceleration[:, 2] -= GRAVITY
    return acceleration


def aim(release: Floats, plate: Floats, speed_fps: Floats, acceleration: Floats) -> Flight:
    """The flight from `release` (n, 3) with this speed and acceleration that meets `plate` (n, 2: x and z at the front edge)."""
    target = np.stack([plate[:, 0], np.full(len(plate), FRONT_EDGE), plate[:, 1]], axis=1)
    time = (release[:, 1] - FRONT_EDGE) / speed_fps
    for _ in range(60):
        velocity = (target - release) / time[:, None] - acceleration * time[:, None] / 2
        time = time * np.linalg.norm(velocity, axis=1) / speed_fps
    return Flight(release, velocity, acceleration)


def throw(
    release: Floats,
    plate: Floats,
    speed_fps: Floats,
    spin: Floats,
    push_axis_deg: Floats,
    drag: Floats,
    density: Floats,
) -> Flight:
    """Return the flight to `plate` with the air's force at mid-flight, which represents the complete flight."""
    mean_velocity = np.stack([np.zeros_like(speed_fps), -0.957 * speed_fps, np.zeros_like(speed_fps)], axis=1)
    for _ in range(6):
        flight = aim(release, plate, speed_fps, air_acceleration(mean_velocity, spin, push_axis_deg, drag, density))
        half = time_to(flight, np.full(len(plate), FRONT_EDGE)) / 2
        mean_velocity = flight.velocity + flight.acceleration * half[:, None]
    return flight


def time_to(flight: Flight, y: Floats) -> Floats:
    """Seconds from the flight's plane to the plane `y` (negative for planes behind it)."""
    way = flight.place[:, 1] - y
    vy, ay = flight.velocity[:, 1], flight.acceleration[:, 1]
    return 2 * way / (-vy + np.sqrt(vy**2 - 2 * ay * way))


def at_plane(flight: Flight, y: Floats) -> Flight:
    """The same flight, stated at the plane `y`."""
    time = time_to(flight, y)[:, None]
    place = flight.place + flight.velocity * time + flight.acceleration * time**2 / 2
    return Flight(place, flight.velocity + flight.acceleration * time, flight.acceleration)


def speed_mph(flight: Flight) -> Floats:
    return np.linalg.norm(flight.velocity, axis=1) / MPH


def flight_metrics(flight: Flight) -> dict[str, Floats]:
    """The common flight metrics of a flight stated at release, and the break by the same-time definition (`…_same_time_in`)."""
    plate = at_plane(flight, np.full(len(flight.place), FRONT_EDGE))
    time = time_to(flight, np.full(len(flight.place), FRONT_EDGE))
    lift = flight.acceleration + np.array([0, 0, GRAVITY])
    same_time = lift * (time**2 / 2)[:, None]
    slope = flight.velocity / flight.velocity[:, 1:2]
    same_plane = same_time - slope * same_time[:, 1:2]
    vx, vy, vz = plate.velocity.T
    return {
        "release_speed_mph": speed_mph(flight),
        "plate_speed_mph": speed_mph(plate),
        "induced_vertical_break_in": 12 * same_plane[:, 2],
        "horizontal_break_in": 12 * same_plane[:, 0],
        "vertical_same_time_in": 12 * same_time[:, 2],
        "horizontal_same_time_in": 12 * same_time[:, 0],
        "release_height_ft": flight.place[:, 2],
        "release_side_ft": flight.place[:, 0],
        "extension_ft": RUBBER - flight.place[:, 1],
        "plate_height_ft": plate.place[:, 2],
        "plate_side_ft": plate.place[:, 0],
        "vertical_approach_deg": np.degrees(np.arctan2(vz, np.hypot(vx, vy))),
        "horizontal_approach_deg": np.degrees(np.arctan2(vx, -vy)),
        "flight_time_s": time,
    }
