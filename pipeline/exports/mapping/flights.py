"""The flight of each row: the export's own trajectory, or else the one that its readings determine exactly; in our frame."""

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.physics import flight as physics
from pipeline.physics import frames
from pipeline.physics.flight import (
    FRONT_EDGE_FT,
    G_FPS2,
    RUBBER_FT,
    RUBBER_TOP_FT,
    BreakReading,
    Flight,
    Span,
    SpeedReading,
)
from pipeline.physics.units import unit_factor
from pipeline.settings import definitions as spec
from pipeline.settings.metric_tables import Components, MetricTables, TrajectorySpec
from pipeline.settings.planes import parse_plane

Floats = NDArray[np.float64]

# two planes closer than this are one plane, rounded: a pitch drops 0.001 ft between them
_SAME_PLANE_FT = 0.01


class Readings(NamedTuple):
    """The readings of each row by metric, in our unit and sign but the device's definition; hand (1, 0, nan); release plane."""

    by_metric: dict[str, Floats]
    right_handed: Floats
    release_y: Floats


def numbers(cells: pl.DataFrame, column: str) -> Floats:
    """Return a column as floats, nan where null or not finite."""
    values = cells.get_column(column).cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(np.float64)
    return np.where(np.isfinite(values), values, np.nan)


def no_flight(rows: int) -> Flight:
    """Return that many unknown flights."""
    return Flight(*(np.full(rows, np.nan) for _ in Flight._fields))


def plane(text: str, release_y: Floats) -> Floats:
    """Return the distance of a stated plane from the back tip, per row."""
    y = parse_plane(text).y_ft
    return release_y if y is None else np.full(release_y.shape, y)


def is_same_plane(text: str, other: str) -> bool:
    """Return whether two stated planes are the same."""
    one, two = parse_plane(text).y_ft, parse_plane(other).y_ft
    return one == two if one is None or two is None else abs(one - two) < _SAME_PLANE_FT


def span(table: "spec.Break | spec.FlightTime", release_y: Floats) -> Span:
    """Return the span that a table states, per row."""
    return Span(plane(table.start, release_y), plane(table.end, release_y))


# ------------------------------------------------------------------------------------------------------------------ from the export's trajectory


def release_by_trajectory(cells: pl.DataFrame, table: TrajectorySpec | None) -> Floats | None:
    """Return the release distance (ft from the back tip), where the trajectory itself gives it."""
    if table is None or not table.knows_release() or table.position is None or table.position.distance is None:
        return None
    return _distance(cells, table, table.position.distance)


def stated_flight(cells: pl.DataFrame, table: TrajectorySpec, right_handed: Floats, release_y: Floats) -> Flight:
    """Return the trajectory in our frame, gravity in, at the plane where its velocity holds."""
    side = frames.side_sign(table.side_positive, right_handed)
    toward = 1 if table.distance_positive == "toward_mound" else -1
    velocity, acceleration = unit_factor(table.velocity_unit, "ft/s"), unit_factor(table.acceleration_unit, "ft/s^2")
    vx, vy, vz = (part * velocity for part in _components(cells, table.velocity))
    ax, ay, az = (part * acceleration for part in _components(cells, table.acceleration))
    az = az - (G_FPS2 if table.gravity == "out" else 0)
    x, y_position, z = _position(cells, table, side, release_y)
    y = plane(table.velocity_at, release_y) if table.velocity_at else y_position
    # velocity and position may hold at different planes: the flight between them starts from (0, 0)
    flight = Flight(np.zeros_like(y), y, np.zeros_like(y), side * vx, toward * vy, vz, side * ax, toward * ay, az)
    way = physics.at_plane(flight, y_position)
    return flight._replace(x=x - way.x, z=z - way.z)


def _components(cells: pl.DataFrame, table: Components) -> list[Floats]:
    return [numbers(cells, column) for column in (table.side, table.distance, table.height)]


def _position(
    cells: pl.DataFrame, table: TrajectorySpec, side: Floats, release_y: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return the position (ft) in our frame; nan where the export has none."""
    unknown = np.full(release_y.shape, np.nan)
    position = table.position
    if position is None:
        return unknown, unknown, unknown
    length = unit_factor(table.position_unit or "ft", "ft")
    lift = RUBBER_TOP_FT if table.height_from == "rubber_top" else 0
    x, z = side * numbers(cells, position.side) * length, numbers(cells, position.height) * length + lift
    if position.distance is not None:
        return x, _distance(cells, table, position.distance), z
    return x, plane(table.position_at or "release", release_y), z


def _distance(cells: pl.DataFrame, table: TrajectorySpec, column: str) -> Floats:
    origin = {"back_tip": 0.0, "front_edge": FRONT_EDGE_FT, "rubber": RUBBER_FT}[table.distance_from or "back_tip"]
    sign = 1 if table.distance_positive == "toward_mound" else -1
    return np.asarray(origin + sign * numbers(cells, column) * unit_factor(table.position_unit or "ft", "ft"))


# ------------------------------------------------------------------------------------------------------------- solved from readings


def solved_flight(metrics: MetricTables, read: Readings) -> Flight | None:
    """Return the flights that the readings determine; None where the profile lacks one of them.

    Needed are a point (release side and height, at one plane), the plate location, release and plate speed and both breaks.
    """
    tables = metrics
    fast, slow = (
        _speed(tables.release_speed_mph, "release_speed_mph", read),
        _speed(tables.plate_speed_mph, "plate_speed_mph", read),
    )
    side, height = tables.release_side_ft, tables.release_height_ft
    plate_side, plate_height = tables.plate_side_ft, tables.plate_height_ft
    rise, run = tables.induced_vertical_break_in, tables.horizontal_break_in
    if (
        fast is None
        or slow is None
        or not isinstance(rise, spec.VerticalBreak)
        or not isinstance(run, spec.HorizontalBreak)
    ):
        return None
    if not (isinstance(side, spec.Side) and isinstance(plate_side, spec.Side)):
        return None
    if not (isinstance(height, spec.Height) and isinstance(plate_height, spec.Height)):
        return None
    if not is_same_plane(side.at, height.at):
        return None
    return physics.flight_from_readings(
        physics.Readings(
            read.by_metric["release_side_ft"],
            read.by_metric["release_height_ft"],
            plane(side.at, read.release_y),
            read.by_metric["plate_side_ft"],
            plane(plate_side.at, read.release_y),
            read.by_metric["plate_height_ft"],
            plane(plate_height.at, read.release_y),
            fast,
            slow,
            BreakReading(
                read.by_metric["horizontal_break_in"], run.definition, span(run, read.release_y), run.gravity_fps2
            ),
            BreakReading(
                read.by_metric["induced_vertical_break_in"],
                rise.definition,
                span(rise, read.release_y),
                rise.gravity_fps2,
                rise.gravity == "in",
            ),
        )
    )


def _speed(table: object, name: str, read: Readings) -> SpeedReading | None:
    if not isinstance(table, spec.Speed | spec.SpeedFromComponents):
        return None
    toward_plate = isinstance(table, spec.Speed) and table.component == "toward_plate"
    return SpeedReading(read.by_metric[name], plane(table.at, read.release_y), toward_plate)
