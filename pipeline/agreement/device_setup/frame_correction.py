"""What a correction of a tracker's frame does to each of its readings.

The small-angle frame of frame_equations.py.
"""

import math
from typing import NamedTuple, Self

import polars as pl

from pipeline.agreement.device_setup.typical_flight import (
    FLIGHT_FT,
    USUAL_EXTENSION_FT,
    USUAL_FALL_FT,
    USUAL_FLIGHT_S,
    USUAL_PLATE_HEIGHT_FT,
    USUAL_RELEASE_HEIGHT_FT,
    USUAL_SLOPE_DOWN,
    bends_ft,
    slope_from_ends,
    usual_flight_s,
)
from pipeline.physics.flight import FPS_PER_MPH, FRONT_EDGE_FT, G_FPS2, RUBBER_FT

# Plate speed as a share of the release speed, where nobody measured it (drag; from memory).
_PLATE_OVER_RELEASE_SPEED = 0.92

Vector = tuple[pl.Expr, pl.Expr, pl.Expr]


class FrameMove(NamedTuple):
    """A turn (radians), shift (feet) and scale (ratio) that is added to the frame."""

    aim: float
    tilt: float
    roll: float
    side: float
    height: float
    distance: float
    scale: float

    @classmethod
    def from_quantity(cls, quantity: str, amount: float) -> Self:
        """Return the move for one quantity of table `setup`, in its unit there."""
        amounts = {quantity: amount}
        aim, tilt, roll = (math.radians(amounts.get(name, 0.0)) for name in ("aim_deg", "tilt_deg", "roll_deg"))
        side, height, distance = (amounts.get(name, 0.0) / 12 for name in ("side_in", "height_in", "distance_in"))
        return cls(aim, tilt, roll, side, height, distance, amounts.get("scale", 0.0))

    def turned(self, x: pl.Expr, y: pl.Expr, z: pl.Expr) -> Vector:
        """Return how turn and scale move a vector."""
        return (
            self.scale * x + self.aim * y + self.roll * z,
            self.scale * y - self.aim * x - self.tilt * z,
            self.scale * z + self.tilt * y - self.roll * x,
        )


def frame_changes(move: FrameMove) -> dict[str, pl.Expr]:
    """Return the corrected value of each reading that the move changes, by column."""
    # a reading that exists must not be lost because another one is missing
    release = move.turned(
        pl.col("release_side_ft").fill_null(0.0),
        RUBBER_FT - pl.col("extension_ft").fill_null(USUAL_EXTENSION_FT),
        pl.col("release_height_ft").fill_null(USUAL_RELEASE_HEIGHT_FT),
    )
    plate = move.turned(
        pl.col("plate_side_ft").fill_null(0.0),
        pl.lit(FRONT_EDGE_FT),
        pl.col("plate_height_ft").fill_null(USUAL_PLATE_HEIGHT_FT),
    )
    across, down = _slopes_at_plate()
    along_y = plate[1] + move.distance
    roll_deg = math.degrees(move.roll)
    changes = {
        "release_side_ft": pl.col("release_side_ft") + release[0] + move.side,
        "extension_ft": pl.col("extension_ft") - release[1] - move.distance,
        "release_height_ft": pl.col("release_height_ft") + release[2] + move.height,
        "plate_side_ft": pl.col("plate_side_ft") + plate[0] + move.side - across * along_y,
        "plate_height_ft": pl.col("plate_height_ft") + plate[2] + move.height - down * along_y,
        "horizontal_approach_deg": pl.col("horizontal_approach_deg") - math.degrees(move.aim) - roll_deg * down,
        "vertical_approach_deg": pl.col("vertical_approach_deg") - math.degrees(move.tilt) + roll_deg * across,
    }
    changes |= _break_changes(move.roll, move.scale)
    changes |= _distance_changes(move.distance) if move.distance else {}
    return changes | _trajectory_changes(move)


def _trajectory_changes(move: FrameMove) -> dict[str, pl.Expr]:
    shifts = dict(zip("xyz", (move.side, move.distance, move.height), strict=True))
    position = move.turned(*(pl.col(f"trajectory_{axis}_ft") for axis in "xyz"))
    changes = {
        f"trajectory_{axis}_ft": pl.col(f"trajectory_{axis}_ft") + moved + shifts[axis]
        for axis, moved in zip("xyz", position, strict=True)
    }
    for name in ("trajectory_v{}_fps", "trajectory_a{}_fps2"):
        vector = move.turned(*(pl.col(name.format(axis)) for axis in "xyz"))
        changes |= {
            name.format(axis): pl.col(name.format(axis)) + moved for axis, moved in zip("xyz", vector, strict=True)
        }
    return changes


def _distance_changes(distance: float) -> dict[str, pl.Expr]:
    """Return what changes where the front edge is farther along the flight.

    `distance` is in feet. Breaks grow with the time squared, angles by the bend of the flight.
    """
    flight_s, gap = _flight_s(), _gap()
    plate_fps = FPS_PER_MPH * pl.coalesce("plate_speed_mph", _PLATE_OVER_RELEASE_SPEED * pl.col("release_speed_mph"))
    longer_s = (distance / plate_fps).fill_null(distance * USUAL_FLIGHT_S / FLIGHT_FT)
    growth = (1 + longer_s / flight_s) ** 2
    # a flight's slope turns by 2 bend / length squared per foot, a little more at the plate, where it is slower
    turns = [2 * bend / gap**2 / _PLATE_OVER_RELEASE_SPEED * distance for bend in _bends()]
    return {
        "horizontal_break_in": pl.col("horizontal_break_in") * growth,
        "induced_vertical_break_in": pl.col("induced_vertical_break_in") * growth,
        "horizontal_approach_deg": pl.col("horizontal_approach_deg") + turns[0].degrees(),
        "vertical_approach_deg": pl.col("vertical_approach_deg") + turns[1].degrees(),
        "flight_time_s": pl.col("flight_time_s") + longer_s,
    }


def _break_changes(roll: float, scale: float) -> dict[str, pl.Expr]:
    """Return what changes where the frame rolls or scales.

    A frame that rolls reads part of the complete fall, gravity included, as horizontal break: 0.4 in a degree on average, 1 in at most.
    """
    horizontal, vertical = pl.col("horizontal_break_in"), pl.col("induced_vertical_break_in")
    fall = vertical.fill_null(0.0) - 12 * G_FPS2 * _flight_s() ** 2 / 2
    changes = {}
    if roll or scale:
        changes["horizontal_break_in"] = horizontal + scale * horizontal + roll * fall
        changes["induced_vertical_break_in"] = vertical + scale * fall - roll * horizontal.fill_null(0.0)
    if roll:
        # the active spin pushes toward (sin a, -cos a), which the roll turns
        changes["spin_axis_deg"] = (pl.col("spin_axis_deg") - math.degrees(roll)) % 360
    return changes


def _gap() -> pl.Expr:
    return RUBBER_FT - FRONT_EDGE_FT - pl.col("extension_ft").fill_null(USUAL_EXTENSION_FT)


def _bends() -> tuple[pl.Expr, pl.Expr]:
    sideways, down = bends_ft(pl.col("horizontal_break_in"), pl.col("induced_vertical_break_in"), _flight_s())
    return sideways.fill_null(0.0), down.fill_null(USUAL_FALL_FT)


def _flight_s() -> pl.Expr:
    return pl.coalesce("flight_time_s", usual_flight_s(pl.col("release_speed_mph"))).fill_null(USUAL_FLIGHT_S)


def _slopes_at_plate() -> tuple[pl.Expr, pl.Expr]:
    """Return the slopes dx/dy, dz/dy at the plate.

    By approach angles, else by the flight's ends and bend, else usual ones.
    """
    gap, (sideways, down) = _gap(), _bends()
    by_angle = [-pl.col(f"{way}_approach_deg").radians().tan() for way in ("horizontal", "vertical")]
    by_ends = (
        slope_from_ends(pl.col("release_side_ft"), pl.col("plate_side_ft"), sideways, gap),
        slope_from_ends(pl.col("release_height_ft"), pl.col("plate_height_ft"), down, gap),
    )
    return (
        pl.coalesce(by_angle[0], by_ends[0], pl.lit(0.0)),
        pl.coalesce(by_angle[1], by_ends[1], pl.lit(USUAL_SLOPE_DOWN)),
    )
