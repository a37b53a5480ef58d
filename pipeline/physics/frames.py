"""Convert sides, viewers and spin axes of any device to the common frame; vectorized over pitches."""

import numpy as np
import polars as pl
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
    """Return +1 where `side` is the catcher's right, -1 where it is the left; nan where it depends on an unknown hand.

    `right_handed`: 1, 0 or nan. A right-hander's arm side is the third-base side.
    """
    if side in _SIDES:
        return np.full(right_handed.shape, _SIDES[side])
    arm = np.where(np.isnan(right_handed), np.nan, np.where(right_handed == 1, -1.0, 1.0))
    return arm if side == "arm_side" else -arm


def axis_from_angle(reading_deg: Floats, backspin_at: float, turns: str, view: str) -> Floats:
    """Return our spin axis (deg) from a device's angle.

    The device's angle is `backspin_at` for pure backspin and grows as the push turns `turns` (clockwise or counterclockwise) seen from
    `view`. Ours is 180 for backspin and grows clockwise as the pitcher sees it.
    """
    clockwise = (reading_deg - backspin_at) * (1 if turns == "clockwise" else -1)
    return np.asarray((180 + clockwise * (1 if view == "pitcher" else -1)) % 360)


def axis_from_clock(hours: Floats, view: str) -> Floats:
    """Return our spin axis (deg) from the hours of a clock face whose 12 is pure backspin, as `view` sees it."""
    return axis_from_angle(hours * 30, 0.0, "clockwise", view)


def clock_hours(faces: pl.Series) -> pl.Series:
    """Return the hours of clock faces: h:mm, h:mm:ss, or decimal hours with point or comma; null for anything else, and for 13 and above."""
    text = faces.cast(pl.String).str.strip_chars().str.replace(",", ".", literal=True)
    parts = text.str.extract_groups(r"^(\d{1,2}):([0-5]\d)(?::([0-5]\d))?$").struct.unnest()
    hours, minutes, seconds = (parts.to_series(place).cast(pl.Float64) for place in range(3))
    face = hours + minutes / 60 + seconds.fill_null(0) / 3600
    decimal = text.cast(pl.Float64, strict=False)
    found = pl.coalesce(face, decimal)
    return pl.select(pl.when((found >= 0) & (found < 13)).then(found).alias("hours")).to_series()


def clock_from_axis(axis_deg: Floats, view: str = "pitcher") -> list[str | None]:
    """Return the clock face (h:mm) of a spin axis; None for nan. Rounding comes last, so that 11:59.6 is 12:00 and never 12:60."""
    clockwise = (axis_deg - 180) * (1 if view == "pitcher" else -1)
    minutes = np.round(clockwise * 2) % _MINUTES_ON_A_FACE
    return [None if np.isnan(m) else f"{int(m) // 60 or 12}:{int(m) % 60:02d}" for m in minutes]


def wrapped_deg(angle: Floats) -> Floats:
    """Return the same direction in (-180, 180]."""
    return np.asarray(180 - (180 - angle) % 360)


def efficiency_from_gyro(angle_deg: Floats, gyro_from: str) -> Floats:
    """Return active spin as a share of total spin: cos of the gyro angle from the plane across the velocity, sin of it from the velocity."""
    angle = np.radians(angle_deg)
    return np.abs(np.cos(angle) if gyro_from == "across_velocity" else np.sin(angle))
