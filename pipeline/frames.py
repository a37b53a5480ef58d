"""Sides, viewers and spin axes: whatever a device calls them, into the common frame. Vectorised over pitches."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# x is positive to the catcher's right, which is the first-base side
_SIDES = {
    "catcher_right": 1.0,
    "first_base_side": 1.0,
    "pitcher_left": 1.0,
    "catcher_left": -1.0,
    "third_base_side": -1.0,
    "pitcher_right": -1.0,
}
_MINUTES_ON_A_FACE = 720


def side_sign(side: str, right_handed: Floats) -> Floats:
    """+1 where `side` is the catcher's right, -1 where it is his left; nan where it depends on an unknown hand.

    `right_handed`: 1, 0 or nan. A right-hander's arm side is the third-base side.
    """
    if side in _SIDES:
        return np.full(right_handed.shape, _SIDES[side])
    arm = np.where(np.isnan(right_handed), np.nan, np.where(right_handed == 1, -1.0, 1.0))
    return arm if side == "arm_side" else -arm


def axis_from_angle(reading_deg: Floats, backspin_at: float, turns: str, view: str) -> Floats:
    """Spin axis (deg, ours) from an angle that reads `backspin_at` for pure backspin and grows as the push turns `turns` seen from `view`.

    Ours reads 180 for backspin and grows clockwise as the pitcher sees it.
    """
    clockwise = (reading_deg - backspin_at) * (1 if turns == "clockwise" else -1)
    return np.asarray((180 + clockwise * (1 if view == "pitcher" else -1)) % 360)


def axis_from_clock(hours: Floats, view: str) -> Floats:
    """Spin axis (deg, ours) from the hours of a clock face whose 12 is pure backspin, as `view` sees it."""
    return axis_from_angle(hours * 30, 0.0, "clockwise", view)


def clock_from_axis(axis_deg: Floats, view: str = "pitcher") -> list[str | None]:
    """A clock face (h:mm) of a spin axis; None for nan. Minutes are rounded after the turn, so that 11:59.6 is 12:00 and never 12:60."""
    clockwise = (axis_deg - 180) * (1 if view == "pitcher" else -1)
    minutes = np.round(clockwise * 2) % _MINUTES_ON_A_FACE
    return [None if np.isnan(m) else f"{int(m) // 60 or 12}:{int(m) % 60:02d}" for m in minutes]


def push_direction(axis_deg: Floats) -> tuple[Floats, Floats]:
    """Where the active spin pushes the ball: (x to the catcher's right, z up), a unit vector."""
    angle = np.radians(axis_deg)
    return np.sin(angle), -np.cos(angle)


def efficiency_from_gyro(angle_deg: Floats, gyro_from: str) -> Floats:
    """Active spin as a share of total spin: cos of the gyro angle from the plane across the velocity, sin of it from the velocity."""
    angle = np.radians(angle_deg)
    return np.abs(np.cos(angle) if gyro_from == "across_velocity" else np.sin(angle))


def circular_mean_deg(angles: Floats) -> tuple[float | None, float]:
    """Mean direction (deg, 0 to 360) and resultant length; no direction where the resultant is about 0."""
    x, y = np.cos(np.radians(angles)).mean(), np.sin(np.radians(angles)).mean()
    length = float(np.hypot(x, y))
    return (float(np.degrees(np.arctan2(y, x)) % 360) if length > 1e-9 else None), length
