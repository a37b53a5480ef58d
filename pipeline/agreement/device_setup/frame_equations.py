"""Equations that a misaligned frame gives for each pitch.

How each reading of b moves with b's turns, shifts and scale.

Frame of the common schema: x to the catcher's right, y toward the mound, z up, origin at the plate's back tip. A tracker b whose
frame is turned by small angles (aim about the vertical, tilt about x, roll about y) and shifted reads a's point (x, y, z) as
    x + aim y + roll z + side,    z + tilt y - roll x + height,    y - aim x - tilt z + distance.
Release points are compared as points. A plate location is where the ball crosses the plane that b takes for the front edge, so an error
of b's y moves it along the flight. Angles are small: at 3 degrees the neglected terms make 0.07 ft at the rubber.
"""

import math
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.device_setup.typical_flight import (
    USUAL_EXTENSION_FT,
    USUAL_FALL_FT,
    USUAL_SLOPE_DOWN,
    bends_ft,
    slope_from_ends,
    usual_flight_s,
)
from pipeline.physics.flight import FRONT_EDGE_FT, RUBBER_FT
from schemas.metrics import TRAJECTORY

# What the first equations compare, in this order.
POINTS = ("release_side_ft", "extension_ft", "release_height_ft", "plate_side_ft", "plate_height_ft")
# All metrics that a frame is fitted to; trajectories have the same conventions.
READ_BY_FRAME = (*POINTS, "vertical_approach_deg", "horizontal_approach_deg")
# Trajectories are compared halfway, in feet from the plate's tip: there errors of position and direction are least correlated.
_MIDFLIGHT_FT = 28.0


class Equations(NamedTuple):
    """One kind of comparison for every pitch.

    `design`: pitches x 7 (aim, tilt, roll, side, height, distance, scale), in radians, feet and ratio; `moved`: b - a, nan = not measured.
    """

    design: np.ndarray
    moved: np.ndarray


class _Points(NamedTuple):
    """One tracker's readings by pitch; nan = not measured.

    `release`, `plate`: x, y, z in feet; `slopes`: dx/dy, dz/dy at the plate; `bends`: how far the flight bends sideways and down.
    """

    release: np.ndarray
    plate: np.ndarray
    slopes: np.ndarray
    bends: np.ndarray


def frame_equations(readings: pl.DataFrame) -> list[Equations]:
    """Return the comparisons of a pair's pitches.

    Release point x, y, z and plate location x, z, then those that are measured. Approach angles show how the frames are turned without
    any distance. Where both trackers give the trajectory, its position, velocity and acceleration in mid-flight are compared too: the
    bend of the flight shows a roll, which its two ends hardly do.
    """
    a, b = (_points(readings, side) for side in "ab")
    # points halfway between a and b: at a's own point a's error would correlate with b - a and make the scale too small
    release, plate = ((point_a + point_b) / 2 for point_a, point_b in ((a.release, b.release), (a.plate, b.plate)))
    # a missing extension is replaced by the other tracker's or the usual 6 ft, which changes an angle by 1 % at most
    release[:, 1] = np.nan_to_num(
        _mean_of_measured(a.release[:, 1], b.release[:, 1]), nan=RUBBER_FT - USUAL_EXTENSION_FT
    )
    slopes = _mean_of_measured(a.slopes, b.slopes)
    slopes = np.where(np.isnan(slopes), _slopes_from_ends(release, plate, _mean_of_measured(a.bends, b.bends)), slopes)
    points = [*_point_equations(release, b.release - a.release), *_plate_equations(plate, b.plate - a.plate, slopes)]
    more = [*_angle_equations(slopes, b.slopes - a.slopes), *_trajectory_equations(readings)]
    return points + [equation for equation in more if np.isfinite(equation.moved).any()]


def _mean_of_measured(values_a: np.ndarray, values_b: np.ndarray) -> np.ndarray:
    """Return the mean of both values, or the one that was measured."""
    return np.where(np.isnan(values_a), values_b, np.where(np.isnan(values_b), values_a, (values_a + values_b) / 2))


def _points(readings: pl.DataFrame, side: str) -> _Points:
    def read(metric: str) -> np.ndarray:
        name = f"{side}.{metric}"
        if name not in readings.columns:
            return np.full(readings.height, math.nan)
        return readings[name].to_numpy().astype(float)

    release = np.column_stack([read("release_side_ft"), RUBBER_FT - read("extension_ft"), read("release_height_ft")])
    plate = np.column_stack([read("plate_side_ft"), np.full(readings.height, FRONT_EDGE_FT), read("plate_height_ft")])
    slopes = [-np.tan(np.radians(read(f"{way}_approach_deg"))) for way in ("horizontal", "vertical")]
    flight_s = np.where(
        np.isnan(read("flight_time_s")), usual_flight_s(read("release_speed_mph")), read("flight_time_s")
    )
    bends = bends_ft(read("horizontal_break_in"), read("induced_vertical_break_in"), flight_s)
    return _Points(release, plate, np.column_stack(slopes), np.column_stack(bends))


def _slopes_from_ends(release: np.ndarray, plate: np.ndarray, bends: np.ndarray) -> np.ndarray:
    """Return slopes of flights without approach angles from their two ends.

    Usual slopes where an end is missing too.
    """
    gap = release[:, 1] - plate[:, 1]
    slopes = []
    for axis, bend, usual_bend, usual in (
        (0, bends[:, 0], 0.0, 0.0),
        (2, bends[:, 1], USUAL_FALL_FT, USUAL_SLOPE_DOWN),
    ):
        bend = np.where(np.isnan(bend), usual_bend, bend)
        slope = slope_from_ends(release[:, axis], plate[:, axis], bend, gap)
        slopes.append(np.where(np.isnan(slope), usual, slope))
    return np.column_stack(slopes)


def _point_equations(points: np.ndarray, moved: np.ndarray) -> list[Equations]:
    """Return the equations of b - a of a point, for x, y and z."""
    x, y, z = points.T
    no, one = np.zeros_like(x), np.ones_like(x)
    design_x = np.column_stack([y, no, z, one, no, no, x])
    design_y = np.column_stack([-x, -z, no, no, no, one, y])
    design_z = np.column_stack([no, y, -x, no, one, no, z])
    return [Equations(design_x, moved[:, 0]), Equations(design_y, moved[:, 1]), Equations(design_z, moved[:, 2])]


def _plate_equations(points: np.ndarray, moved: np.ndarray, slopes: np.ndarray) -> list[Equations]:
    """Return the equations of b - a where the flight crosses b's front-edge plane.

    The point's own move, less the flight's slope (dx/dy, dz/dy) times the move in y.
    """
    of_x, of_y, of_z = _point_equations(points, moved)
    return [
        Equations(of_x.design - slopes[:, :1] * of_y.design, of_x.moved),
        Equations(of_z.design - slopes[:, 1:] * of_y.design, of_z.moved),
    ]


def _angle_equations(slopes: np.ndarray, moved: np.ndarray) -> list[Equations]:
    """Return the equations of b - a of the slopes dx/dy and dz/dy at the plate.

    a turn adds to them at any distance. Their change over b's error of y is neglected.
    """
    no, one = np.zeros(len(slopes)), np.ones(len(slopes))
    across = np.column_stack([one, no, slopes[:, 1], no, no, no, no])
    down = np.column_stack([no, one, -slopes[:, 0], no, no, no, no])
    return [Equations(across, moved[:, 0]), Equations(down, moved[:, 1])]


def _trajectory_equations(readings: pl.DataFrame) -> list[Equations]:
    """Return the equations of the trajectory where it crosses b's plane halfway.

    Position, velocity and acceleration, x and z of each. Empty where not both trackers give a trajectory.
    """
    if not all(f"{side}.{name}" in readings.columns for side in "ab" for name in TRAJECTORY):
        return []
    a, b = (_state_in_midflight(readings, side) for side in "ab")
    position, velocity, acceleration = ((of_a + of_b) / 2 for of_a, of_b in zip(a, b, strict=True))
    with np.errstate(divide="ignore", invalid="ignore"):
        slopes, bends = velocity / velocity[:, 1:2], acceleration / velocity[:, 1:2]
    # b's error of y makes it read position and velocity a little later on the flight, where they have changed by these
    along_y = _point_equations(position, position)[1].design
    equations = []
    for vector, moved, changes in zip(
        (position, velocity, acceleration),
        (of_b - of_a for of_a, of_b in zip(a, b, strict=True)),
        (slopes, bends, np.zeros_like(bends)),
        strict=True,
    ):
        of_x, _, of_z = _point_equations(vector, moved)
        if vector is not position:
            # velocity and acceleration do not depend on where the origin is
            of_x.design[:, 3:6], of_z.design[:, 3:6] = 0.0, 0.0
        equations += [Equations(of_x.design - changes[:, :1] * along_y, of_x.moved)]
        equations += [Equations(of_z.design - changes[:, 2:] * along_y, of_z.moved)]
    return equations


def _state_in_midflight(readings: pl.DataFrame, side: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return position, velocity and acceleration halfway (pitches x 3, ft and s).

    Halfway is a plane of the tracker's own frame.
    """
    names = [f"{side}.{name}" for name in TRAJECTORY]
    numbers = readings.select(names).cast(pl.Float64).fill_null(math.nan).to_numpy()
    position, velocity, acceleration = numbers[:, :3], numbers[:, 3:6], numbers[:, 6:]
    with np.errstate(invalid="ignore", divide="ignore"):
        ahead, speed, pull = _MIDFLIGHT_FT - position[:, 1], velocity[:, 1], acceleration[:, 1]
        # the root that stays exact as the acceleration along y vanishes
        t = (-2 * ahead / (-speed + np.sqrt(speed**2 + 2 * pull * ahead)))[:, None]
        return position + velocity * t + acceleration * t**2 / 2, velocity + acceleration * t, acceleration
