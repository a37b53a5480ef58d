"""Readings as a device defines them into ours. With a flight the device's own reading is kept and only the difference of definitions is added:

    ours = reading + (our definition by the flight - stated definition by the flight)

The flight is the export's own trajectory, or else the one that its readings determine exactly. Without a flight only rules that need none
are applied; everything else is null with its reason.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline import flight as physics
from pipeline import frames
from pipeline.flight import FRONT_EDGE_FT, G_FPS2, RUBBER_FT, RUBBER_TOP_FT, Flight, Span
from pipeline.sources import definitions as spec
from pipeline.sources.definitions import MetricTables, TrajectorySpec, parse_plane
from pipeline.units import unit_factor
from schemas.metrics import BAT_METRICS, METRICS, TRAJECTORY

Floats = NDArray[np.float64]

NOT_MEASURED = "not measured: the cell is empty or no number"
NO_RELEASE = "extension_ft is not known, so it is not known where the ball was let go"
NO_FLIGHT = "needs a flight: a trajectory, or release point, plate location, release and plate speed and both breaks"
NO_HAND = "arm or glove side is stated, but the pitcher's hand is not known"
NO_TOTAL = "total spin is not known"
NO_EFFICIENCY = "the column holds active spin, and spin_efficiency is not known"
NO_CLOCK = "no clock face that can be read"
NOMINAL = "kept, by drag alone: no extension, so release is taken at 54.5 ft"
BEYOND = "the flight does not reach the plane"


class MetricsMapped(NamedTuple):
    """`values`: METRICS and TRAJECTORY columns, a row for each row given. `reasons`: row (from 0), metric, reason, for each null of a stated metric."""

    values: pl.DataFrame
    reasons: pl.DataFrame


class _Known(NamedTuple):
    """What the rules may look at: raw readings by metric in our unit, the hand, release plane, flight (nan where there is none)."""

    readings: dict[str, Floats]
    right_handed: Floats
    release_y: Floats
    flight: Flight
    rows: int


class _Told(NamedTuple):
    """A metric's values and, for nulls, why; "" where there is nothing to say."""

    values: Floats
    why: NDArray[np.str_]


def map_metrics(
    cells: pl.DataFrame, metrics: MetricTables, trajectory: TrajectorySpec | None, hand: pl.Series
) -> MetricsMapped:
    """Compute the common metrics.

    `cells`: by column reference, numbers parsed (Float64) and clock faces as text; `hand`: right, left or null. nan and infinities are
    never given back.
    """
    right_handed = (
        hand.replace_strict({"right": 1.0, "left": 0.0}, default=None, return_dtype=pl.Float64)
        .to_numpy()
        .astype(np.float64)
    )
    given = metrics.given()
    readings = {name: _in_our_unit(cells, name, table) for name, table in given.items()}
    extension = _extension(readings, metrics, trajectory, cells)
    known = _Known(readings, right_handed, RUBBER_FT - extension, _no_flight(len(right_handed)), len(right_handed))
    stated = _no_flight(known.rows) if trajectory is None else _trajectory(cells, trajectory, known)
    known = known._replace(flight=_or_solved(stated, known, metrics))
    told = {"extension_ft": _Told(extension, _why(extension, NOT_MEASURED))} if "extension_ft" in given else {}
    for name in METRICS:
        table = given.get(name)
        if name != "extension_ft" and table is not None:
            told[name] = _one_metric(name, table, known, told)
        elif trajectory is not None and name in trajectory.computes():
            told[name] = _by_flight(name, known._replace(flight=stated) if name != "extension_ft" else known, extension)
    return MetricsMapped(_frame(told, stated, known.rows), _reasons(told))


# ------------------------------------------------------------------------------------------------------------------- reading columns


def _numbers(cells: pl.DataFrame, column: str) -> Floats:
    return cells.get_column(column).cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(np.float64)


def _in_our_unit(cells: pl.DataFrame, name: str, table: object) -> Floats:
    """The column's reading in our unit, in the device's own definition; nan where there is none."""
    if isinstance(table, spec.AxisClock):
        return _clock_hours(cells.get_column(table.column))
    if isinstance(table, spec.FromTrajectory):
        return np.full(cells.height, np.nan)
    if isinstance(table, spec.SpeedFromComponents):
        parts = [_numbers(cells, column) for column in table.columns]
        return np.asarray(np.sqrt(sum(part**2 for part in parts)) * unit_factor(table.unit, "mph"))
    assert isinstance(table, spec.Reading)
    ours = METRICS[name].pint_unit
    if isinstance(table, spec.EfficiencyGyroAngle):
        ours = "deg"
    elif isinstance(table, spec.EfficiencyActiveSpin | spec.EfficiencyFromSpins):
        ours = "rpm"
    return np.asarray(_numbers(cells, table.column) * unit_factor(str(getattr(table, "unit")), ours))  # noqa: B009


def _clock_hours(faces: pl.Series) -> Floats:
    """Hours of clock faces: h:mm (also h:mm:ss) or decimal hours; nan where it is neither."""
    text = faces.cast(pl.String).str.replace(",", ".", literal=True)
    parts = text.str.extract_groups(r"^(\d{1,2}):([0-5]\d)(?::([0-5]\d))?$").struct.unnest()
    hours, minutes, seconds = (parts.to_series(place).cast(pl.Float64, strict=False) for place in range(3))
    face = hours + minutes / 60 + seconds.fill_null(0) / 3600
    decimal = text.cast(pl.Float64, strict=False)
    found = pl.select(pl.coalesce(face, decimal)).to_series()
    usable = pl.select(pl.when(found.is_between(0, 24)).then(found)).to_series()
    return usable.fill_null(float("nan")).to_numpy().astype(np.float64)


def _extension(
    readings: dict[str, Floats], metrics: MetricTables, trajectory: TrajectorySpec | None, cells: pl.DataFrame
) -> Floats:
    table = metrics.extension_ft
    if isinstance(table, spec.Extension):
        reading = readings["extension_ft"]
        return {"rubber": reading, "front_edge": RUBBER_FT - FRONT_EDGE_FT - reading, "back_tip": RUBBER_FT - reading}[
            table.measured_from
        ]
    if (
        trajectory is not None
        and trajectory.knows_release()
        and trajectory.position is not None
        and trajectory.position.distance is not None
    ):
        return RUBBER_FT - _distance(cells, trajectory, trajectory.position.distance)
    return np.full(cells.height, np.nan)


# -------------------------------------------------------------------------------------------------------------------------- the flight


def _no_flight(rows: int) -> Flight:
    return Flight(*(np.full(rows, np.nan) for _ in Flight._fields))


def _distance(cells: pl.DataFrame, table: TrajectorySpec, column: str) -> Floats:
    origin = {"back_tip": 0.0, "front_edge": FRONT_EDGE_FT, "rubber": RUBBER_FT}[table.distance_from or "back_tip"]
    sign = 1 if table.distance_positive == "toward_mound" else -1
    return np.asarray(origin + sign * _numbers(cells, column) * unit_factor(table.position_unit or "ft", "ft"))


def _plane(text: str, release_y: Floats) -> Floats:
    y = parse_plane(text).y_ft
    return release_y if y is None else np.full(release_y.shape, y)


def _trajectory(cells: pl.DataFrame, table: TrajectorySpec, known: _Known) -> Flight:
    """The export's own flight in our frame, told at the plane of its velocity."""
    side = frames.side_sign(table.side_positive, known.right_handed)
    toward = 1 if table.distance_positive == "toward_mound" else -1
    velocity, acceleration = unit_factor(table.velocity_unit, "ft/s"), unit_factor(table.acceleration_unit, "ft/s^2")
    vx, vy, vz = (
        _numbers(cells, column) * velocity
        for column in (table.velocity.side, table.velocity.distance, table.velocity.height)
    )
    ax, ay, az = (
        _numbers(cells, column) * acceleration
        for column in (table.acceleration.side, table.acceleration.distance, table.acceleration.height)
    )
    az = az - (G_FPS2 if table.gravity == "out" else 0)
    x = z = y_position = np.full(known.rows, np.nan)
    if table.position is not None:
        length = unit_factor(table.position_unit or "ft", "ft")
        x = side * _numbers(cells, table.position.side) * length
        z = _numbers(cells, table.position.height) * length + (
            RUBBER_TOP_FT if table.height_from == "rubber_top" else 0
        )
        by_plane = _plane(table.position_at, known.release_y) if table.position_at else None
        y_position = (
            _distance(cells, table, table.position.distance)
            if table.position.distance
            else by_plane
            if by_plane is not None
            else y_position
        )
    y = _plane(table.velocity_at, known.release_y) if table.velocity_at else y_position
    at_velocity = Flight(
        np.zeros(known.rows), y, np.zeros(known.rows), side * vx, toward * vy, vz, side * ax, toward * ay, az
    )
    if table.position is None:
        return at_velocity._replace(x=x, z=z)
    # where the position holds at another plane than the velocity, the flight is carried there and the difference taken
    moved = physics.at_plane(at_velocity, y_position)
    return at_velocity._replace(x=x - moved.x, z=z - moved.z)


def _or_solved(stated: Flight, known: _Known, metrics: MetricTables) -> Flight:
    """The stated flight, and where a row has none the one that its readings determine."""
    readings = _solvable(known, metrics)
    if readings is None or not np.isnan(stated.vy).any():
        return stated
    solved = physics.flight_from_readings(readings)
    has_none = np.isnan(stated.vy)
    return Flight(*(np.where(has_none, ours, theirs) for ours, theirs in zip(solved, stated, strict=True)))


def _solvable(known: _Known, metrics: MetricTables) -> physics.Readings | None:
    """The readings a flight is solved from, in our frame but at the device's planes; None where the profile lacks one."""
    height, side = metrics.release_height_ft, metrics.release_side_ft
    plate_height, plate_side = metrics.plate_height_ft, metrics.plate_side_ft
    fast, slow, rise, run = (
        metrics.release_speed_mph,
        metrics.plate_speed_mph,
        metrics.induced_vertical_break_in,
        metrics.horizontal_break_in,
    )
    whole = isinstance(fast, spec.Speed | spec.SpeedFromComponents) and isinstance(
        slow, spec.Speed | spec.SpeedFromComponents
    )
    if not (
        whole
        and isinstance(height, spec.Height)
        and isinstance(side, spec.Side)
        and isinstance(plate_height, spec.Height)
        and isinstance(plate_side, spec.Side)
        and isinstance(rise, spec.VerticalBreak)
        and isinstance(run, spec.HorizontalBreak)
    ):
        return None
    assert isinstance(fast, spec.Speed | spec.SpeedFromComponents) and isinstance(
        slow, spec.Speed | spec.SpeedFromComponents
    )
    total = all(getattr(table, "component", "total") == "total" for table in (fast, slow))
    if (
        not total
        or height.at != "release"
        or side.at != "release"
        or plate_height.at != plate_side.at
        or rise.gravity == "in"
    ):
        return None
    y, read = known.release_y, known.readings
    return physics.Readings(
        read["release_side_ft"] * frames.side_sign(side.positive, known.right_handed),
        read["release_height_ft"] + _above_ground(height),
        y,
        read["plate_side_ft"] * frames.side_sign(plate_side.positive, known.right_handed),
        read["plate_height_ft"] + _above_ground(plate_height),
        _plane(plate_height.at, y),
        read["release_speed_mph"],
        _plane(fast.at, y),
        read["plate_speed_mph"],
        _plane(slow.at, y),
        read["horizontal_break_in"] * frames.side_sign(run.positive, known.right_handed),
        (run.definition, _span(run.start, run.end, y)),
        read["induced_vertical_break_in"] * _up(rise.positive),
        (rise.definition, _span(rise.start, rise.end, y), rise.gravity_fps2),
    )


def _span(start: str, end: str, release_y: Floats) -> Span:
    return Span(_plane(start, release_y), _plane(end, release_y))


def _our_span(known: _Known) -> Span:
    return Span(known.release_y, FRONT_EDGE_FT)


def _above_ground(table: spec.Height) -> float:
    return RUBBER_TOP_FT if table.height_from == "rubber_top" else 0.0


def _up(positive: str) -> float:
    return 1.0 if positive == "up" else -1.0


# ---------------------------------------------------------------------------------------------------------------- one metric each


def _one_metric(name: str, table: object, known: _Known, told: dict[str, _Told]) -> _Told:
    if isinstance(table, spec.FromTrajectory):
        return _by_flight(name, known, RUBBER_FT - known.release_y)
    if isinstance(table, spec.Speed | spec.SpeedFromComponents) and name != "exit_speed_mph":
        return _speed(name, table, known)
    rules: dict[type, Callable[[str, object, _Known, dict[str, _Told]], _Told]] = {
        spec.RateOfSpin: _spin_rate,
        spec.EfficiencyRatio: _efficiency,
        spec.EfficiencyGyroAngle: _efficiency,
        spec.EfficiencyActiveSpin: _efficiency,
        spec.EfficiencyFromSpins: _efficiency,
        spec.AxisAngle: _axis,
        spec.AxisClock: _axis,
        spec.VerticalBreak: _vertical_break,
        spec.HorizontalBreak: _horizontal_break,
        spec.Height: _height,
        spec.Side: _side,
        spec.VerticalApproach: _vertical_approach,
        spec.HorizontalApproach: _horizontal_approach,
        spec.FlightTime: _flight_time,
    }
    return rules.get(type(table), _off_the_bat)(name, table, known, told)


def _why(values: Floats, reason: str) -> NDArray[np.str_]:
    return np.where(np.isfinite(values), "", reason).astype(np.str_)


def _moved(reading: Floats, known: _Known, ours: Floats, stated: Floats, needs_release: bool = True) -> _Told:
    """The device's reading and the difference of definitions; null with its reason where the flight can't tell it."""
    values = reading + (ours - stated)
    why = np.where(np.isfinite(values), "", BEYOND)
    why = np.where(~np.isfinite(values) & np.isnan(known.flight.vy), NO_FLIGHT, why)
    if needs_release:
        why = np.where(~np.isfinite(values) & np.isnan(known.release_y), NO_RELEASE, why)
    return _Told(values, np.where(np.isnan(reading), NOT_MEASURED, why).astype(np.str_))


def _as_read(reading: Floats) -> _Told:
    return _Told(reading, _why(reading, NOT_MEASURED))


def _signed(reading: Floats, positive: str, known: _Known) -> _Told:
    """A sideways reading, positive to the catcher's right."""
    values = reading * frames.side_sign(positive, known.right_handed)
    return _Told(
        values, np.where(np.isnan(reading), NOT_MEASURED, np.where(np.isnan(values), NO_HAND, "")).astype(np.str_)
    )


def _after(first: _Told, second: _Told) -> _Told:
    """The second rule's outcome; where the first one already failed, its reason."""
    return _Told(second.values, np.where(first.why != "", first.why, second.why).astype(np.str_))


def _speed(name: str, table: "spec.Speed | spec.SpeedFromComponents", known: _Known) -> _Told:
    at_release = name == "release_speed_mph"
    ours_y = known.release_y if at_release else np.full(known.rows, FRONT_EDGE_FT)
    total = getattr(table, "component", "total") == "total"
    reading = known.readings[name]
    if total and table.at == ("release" if at_release else "front_edge"):
        return _as_read(reading)
    stated_y = _plane(table.at, known.release_y)
    stated = (physics.speed_mph if total else physics.speed_toward_plate_mph)(known.flight, stated_y)
    by_flight = _moved(
        reading, known, physics.speed_mph(known.flight, ours_y), stated, at_release or table.at == "release"
    )
    if not total:
        return by_flight
    return _by_drag(reading, by_flight, stated_y, ours_y)


def _by_drag(reading: Floats, by_flight: _Told, stated_y: Floats, ours_y: Floats) -> _Told:
    """Where there is no flight: quadratic drag between the planes. A release that is not known is taken at its nominal place, and told."""
    nominal = RUBBER_FT - physics.NOMINAL_EXTENSION_FT
    start, end = (np.where(np.isnan(y), nominal, y) for y in (stated_y, ours_y))
    drag = physics.speed_elsewhere_mph(reading, start, end)
    missing = ~np.isfinite(by_flight.values)
    values = np.where(missing, drag, by_flight.values)
    assumed = missing & np.isfinite(values) & (np.isnan(stated_y) | np.isnan(ours_y))
    why = np.where(np.isfinite(values), np.where(assumed, NOMINAL, ""), NOT_MEASURED)
    return _Told(values, why.astype(np.str_))


def _spin_rate(name: str, table: object, known: _Known, told: dict[str, _Told]) -> _Told:
    assert isinstance(table, spec.RateOfSpin)
    reading = known.readings[name]
    if table.spin == "total":
        return _as_read(reading)
    share = known.readings.get("spin_efficiency", np.full(known.rows, np.nan))
    with np.errstate(divide="ignore", invalid="ignore"):
        values = np.where(share > 0, reading / share, np.nan)
    return _Told(
        values, np.where(np.isnan(reading), NOT_MEASURED, np.where(np.isnan(values), NO_EFFICIENCY, "")).astype(np.str_)
    )


def _efficiency(name: str, table: object, known: _Known, told: dict[str, _Told]) -> _Told:
    reading = known.readings[name]
    if isinstance(table, spec.EfficiencyRatio):
        return _as_read(reading)
    if isinstance(table, spec.EfficiencyGyroAngle):
        return _as_read(frames.efficiency_from_gyro(reading, table.gyro_from))
    total = told["spin_rate_rpm"].values if "spin_rate_rpm" in told else np.full(known.rows, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(total > 0, reading / total, np.nan)
    # rounding of two columns may carry a ratio just above 1
    values = np.where((share > 1) & (share < 1.02), 1.0, share)
    return _Told(
        values, np.where(np.isnan(reading), NOT_MEASURED, np.where(np.isnan(values), NO_TOTAL, "")).astype(np.str_)
    )


def _axis(name: str, table: object, known: _Known, told: dict[str, _Told]) -> _Told:
    reading = known.readings[name]
    if isinstance(table, spec.AxisClock):
        values = frames.axis_from_clock(reading, table.view)
        return _Told(values, _why(values, NO_CLOCK))
    assert isinstance(table, spec.AxisAngle)
    return _as_read(frames.axis_from_angle(reading, table.backspin_at, table.turns, table.view))


def _is_ours(table: spec.Break) -> bool:
    return (table.definition, table.start, table.end) == ("same_plane", "release", "front_edge")


def _vertical_break(name: str, table: object, known: _Known, told: dict[str, _Told]) -> _Told:
    assert isinstance(table, spec.VerticalBreak)
    reading = known.readings[name] * _up(table.positive)
    if _is_ours(table) and table.gravity == "out" and table.gravity_fps2 == G_FPS2:
        return _as_read(reading)
    span = _span(table.start, table.end, known.release_y)
    stated = physics.break_in(known.flight, span, table.definition, table.gravity_fps2)[1]
    if table.gravity == "in":
        stated = stated - physics.drop_of_gravity_in(known.flight, span, table.gravity_fps2)
    return _moved(reading, known, physics.break_in(known.flight, _our_span(known), "same_plane")[1], stated)


def _horizontal_break(name: str, table: object, known: _Known, told: dict[str, _Told]) -> _Told:
    assert isinstance(table, spec.HorizontalBreak)
    signed = _signed(known.readings[name], table.positive, known)
    if _is_ours(table):
        return signed
    stated = physics.break_in(
        known.flight, _span(table.start, table.end, known.release_y), table.definition, table.gravity_fps2
    )[0]
    ours = physics.break_in(known.flight, _our_span(known), "same_plane")[0]
    return _after(signed, _moved(signed.values, known, ours, stated))


def _height(name: str, table: object, known: _Known, told: dict[str, _Told]) -> _Told:
    assert isinstance(table, spec.Height)
    reading = known.readings[name] + _above_ground(table)
    at_release = name == "release_height_ft"
    if table.at == ("release" if at_release else "front_edge"):
        return _as_read(reading)
    ours_y = known.release_y if at_release else FRONT_EDGE_FT
    ours, stated = (
        physics.at_plane(known.flight, ours_y).z,
        physics.at_plane(known.flight, _plane(table.at, known.release_y)).z,
    )
    return _moved(reading, known, ours, stated, at_release or table.at == "release")


def _side(name: str, table: object, known: _Known, told: dict[str, _Told]) -> _Told:
    assert isinstance(table, spec.Side)
    signed = _signed(known.readings[name], table.positive, known)
    at_release = name == "release_side_ft"
    if table.at == ("release" if at_release else "front_edge"):
        return signed
    ours_y = known.release_y if at_release else FRONT_EDGE_FT
    ours, stated = (
        physics.at_plane(known.flight, ours_y).x,
        physics.at_plane(known.flight, _plane(table.at, known.release_y)).x,
    )
    return _after(signed, _moved(signed.values, known, ours, stated, at_release or table.at == "release"))


def _vertical_approach(name: str, table: object, known: _Known, told: dict[str, _Told]) -> _Told:
    assert isinstance(table, spec.VerticalApproach)
    reading = known.readings[name] * _up(table.positive)
    if table.at == "front_edge":
        return _as_read(reading)
    stated = physics.vertical_angle_deg(known.flight, _plane(table.at, known.release_y))
    return _moved(
        reading, known, physics.vertical_angle_deg(known.flight, FRONT_EDGE_FT), stated, table.at == "release"
    )


def _horizontal_approach(name: str, table: object, known: _Known, told: dict[str, _Told]) -> _Told:
    assert isinstance(table, spec.HorizontalApproach)
    signed = _signed(known.readings[name], table.positive, known)
    if table.at == "front_edge":
        return signed
    stated = physics.horizontal_angle_deg(known.flight, _plane(table.at, known.release_y))
    return _after(
        signed,
        _moved(
            signed.values,
            known,
            physics.horizontal_angle_deg(known.flight, FRONT_EDGE_FT),
            stated,
            table.at == "release",
        ),
    )


def _flight_time(name: str, table: object, known: _Known, told: dict[str, _Told]) -> _Told:
    assert isinstance(table, spec.FlightTime)
    reading = known.readings[name]
    if (table.start, table.end) == ("release", "front_edge"):
        return _as_read(reading)
    stated = physics.flight_time_s(known.flight, _span(table.start, table.end, known.release_y))
    return _moved(reading, known, physics.flight_time_s(known.flight, _our_span(known)), stated)


def _off_the_bat(name: str, table: object, known: _Known, told: dict[str, _Told]) -> _Told:
    reading = known.readings[name]
    if isinstance(table, spec.LaunchAngle):
        return _as_read(reading * _up(table.positive))
    if isinstance(table, spec.SprayAngle):
        # the foul lines stand 45 degrees to either side (Official Baseball Rules 2.01: a square infield)
        zero = {"center_field": 0.0, "first_base_line": 45.0, "third_base_line": -45.0}[table.zero_at]
        return _as_read(zero + reading * frames.side_sign(table.positive, known.right_handed))
    assert name in BAT_METRICS
    return _as_read(reading)


def _by_flight(name: str, known: _Known, extension: Floats) -> _Told:
    """A metric computed from the flight alone."""
    flight, release, span = known.flight, known.release_y, _our_span(known)
    rules: dict[str, Callable[[], Floats]] = {
        "release_speed_mph": lambda: physics.speed_mph(flight, release),
        "plate_speed_mph": lambda: physics.speed_mph(flight, FRONT_EDGE_FT),
        "spin_axis_deg": lambda: physics.inferred_axis_deg(flight, span),
        "induced_vertical_break_in": lambda: physics.break_in(flight, span, "same_plane")[1],
        "horizontal_break_in": lambda: physics.break_in(flight, span, "same_plane")[0],
        "release_height_ft": lambda: physics.at_plane(flight, release).z,
        "release_side_ft": lambda: physics.at_plane(flight, release).x,
        "extension_ft": lambda: extension,
        "plate_height_ft": lambda: physics.at_plane(flight, FRONT_EDGE_FT).z,
        "plate_side_ft": lambda: physics.at_plane(flight, FRONT_EDGE_FT).x,
        "vertical_approach_deg": lambda: physics.vertical_angle_deg(flight, FRONT_EDGE_FT),
        "horizontal_approach_deg": lambda: physics.horizontal_angle_deg(flight, FRONT_EDGE_FT),
        "flight_time_s": lambda: physics.flight_time_s(flight, span),
    }
    at_plate = (
        "plate_speed_mph",
        "plate_height_ft",
        "plate_side_ft",
        "vertical_approach_deg",
        "horizontal_approach_deg",
    )
    values = rules[name]()
    why = np.where(np.isfinite(values), "", BEYOND)
    if name not in at_plate:
        why = np.where(~np.isfinite(values) & np.isnan(release), NO_RELEASE, why)
    return _Told(values, np.where(~np.isfinite(values) & np.isnan(flight.vy), NO_FLIGHT, why).astype(np.str_))


# ------------------------------------------------------------------------------------------------------------------------- putting out


def _frame(told: dict[str, _Told], stated: Flight, rows: int) -> pl.DataFrame:
    empty = np.full(rows, np.nan)
    columns = {name: told[name].values if name in told else empty for name in METRICS}
    order = (stated.x, stated.y, stated.z, stated.vx, stated.vy, stated.vz, stated.ax, stated.ay, stated.az)
    columns |= dict(zip(TRAJECTORY, order, strict=True))
    frame = pl.DataFrame(columns)
    return frame.select(pl.when(pl.col(name).is_finite()).then(pl.col(name)).alias(name) for name in frame.columns)


def _reasons(told: dict[str, _Told]) -> pl.DataFrame:
    schema = {"row": pl.UInt32, "metric": pl.String, "reason": pl.String}
    parts = []
    for name, outcome in told.items():
        rows = np.flatnonzero(outcome.why != "")
        parts.append(
            pl.DataFrame({"row": rows, "metric": [name] * len(rows), "reason": outcome.why[rows]}, schema=schema)
        )
    return pl.concat([pl.DataFrame(schema=schema), *parts])
