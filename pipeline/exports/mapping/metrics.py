"""Convert readings from a device's definitions to ours. With a flight, only the difference of the definitions is added to the reading:

    ours = reading + (our definition by the flight - stated definition by the flight)

The flight is the export's own trajectory, or else the one that its readings determine exactly. Without a flight only the rules apply that
need none; everything else is null with its reason.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.exports.mapping.flights import (
    Readings,
    is_same_plane,
    no_flight,
    numbers,
    plane,
    release_by_trajectory,
    solved_flight,
    span,
    stated_flight,
)
from pipeline.exports.mapping.null_reasons import Why
from pipeline.physics import flight as physics
from pipeline.physics import frames
from pipeline.physics.flight import FRONT_EDGE_FT, RUBBER_FT, RUBBER_TOP_FT, Flight
from pipeline.physics.units import unit_factor
from pipeline.settings import definitions as spec
from pipeline.settings.metric_tables import MetricSpec, MetricTables, TrajectorySpec
from schemas.metrics import METRICS, TRAJECTORY

Floats = NDArray[np.float64]
Codes = NDArray[np.uint8]


class MetricsMapped(NamedTuple):
    """`values`: METRICS and TRAJECTORY columns, row by row. `reasons`: row (from 0), metric and reason of each null of a stated metric."""

    values: pl.DataFrame
    reasons: pl.DataFrame


class _Values(NamedTuple):
    """A metric's values (nan = null) and the reason for each null, by code."""

    values: Floats
    why: Codes


class _Known(NamedTuple):
    """What the rules use: the device's readings (our unit and sign), the flight (nan = none) and why there is none."""

    readings: dict[str, _Values]
    right_handed: Floats
    release_y: Floats
    flight_time: Floats
    flight: Flight
    no_flight_why: Codes


# nan means null throughout, and a nonsense reading may overflow: it becomes null
@np.errstate(all="ignore")
def map_metrics(
    cells: pl.DataFrame, metrics: MetricTables, trajectory: TrajectorySpec | None, hand: pl.Series
) -> MetricsMapped:
    """Compute the common metrics.

    `cells`: by column reference, numbers parsed (Float64) and clock faces as text; `hand`: right, left or null, one per row. The result
    has no nan and no infinity.
    """
    right_handed = hand.replace_strict({"right": 1.0, "left": 0.0}, default=None, return_dtype=pl.Float64)
    right = right_handed.fill_null(float("nan")).to_numpy().astype(np.float64)
    given = {name: table for name, table in metrics.given().items() if not isinstance(table, spec.FromTrajectory)}
    read = {name: _reading(cells, name, table, right) for name, table in given.items()}
    release_y = _release_y(cells, metrics, trajectory, read, len(right))
    stated = no_flight(len(right)) if trajectory is None else stated_flight(cells, trajectory, right, release_y)
    from_trajectory = _Known(
        read,
        right,
        release_y,
        _flight_time(metrics, read, len(right)),
        *_usable_flights(stated, trajectory is not None),
    )
    known = _or_solved(from_trajectory, metrics)
    values = {name: _ours(name, table, known) for name, table in given.items()}
    values |= {name: _by_flight(name, from_trajectory) for name in _computed(metrics, trajectory)}
    return MetricsMapped(_frame(values, stated, len(right)), _reasons(values))


def _computed(metrics: MetricTables, trajectory: TrajectorySpec | None) -> list[str]:
    """Return the metrics that the trajectory gives and no column does."""
    given, gives = metrics.given(), trajectory.computes() if trajectory else ()
    return [
        name
        for name in METRICS
        if isinstance(given.get(name), spec.FromTrajectory) or (name in gives and name not in given)
    ]


def _release_y(
    cells: pl.DataFrame, metrics: MetricTables, trajectory: TrajectorySpec | None, read: dict[str, _Values], rows: int
) -> Floats:
    """Return the release distance (ft from the back tip): by extension_ft, or else by the trajectory."""
    if isinstance(metrics.extension_ft, spec.Extension):
        return RUBBER_FT - read["extension_ft"].values
    by_trajectory = release_by_trajectory(cells, trajectory)
    return np.full(rows, np.nan) if by_trajectory is None else by_trajectory


def _flight_time(metrics: MetricTables, read: dict[str, _Values], rows: int) -> Floats:
    """Return the measured time from release to the front edge (s); nan where the device times another span."""
    table = metrics.flight_time_s
    is_ours = isinstance(table, spec.FlightTime) and _is_ours(table, _our_tables()["flight_time_s"])
    return read["flight_time_s"].values if is_ours else np.full(rows, np.nan)


def _usable_flights(stated: Flight, is_stated: bool) -> tuple[Flight, Codes]:
    """Keep flights whose motion is known and toward the plate; return the reason for the others."""
    motion = np.isfinite(sum(stated[3:])) & np.isfinite(stated.y)
    away = motion & ~(stated.vy < 0)
    why = np.where(away, Why.WRONG_WAY, np.where(motion, Why.FINE, Why.NO_WHOLE_FLIGHT if is_stated else Why.NO_FLIGHT))
    return Flight(*(np.where(why == Why.FINE, part, np.nan) for part in stated)), why.astype(np.uint8)


def _or_solved(known: _Known, metrics: MetricTables) -> _Known:
    """Fill in the flight that the readings determine, where a row has no trajectory."""
    if (known.no_flight_why == Why.FINE).all() or not _needs_flight(metrics):
        return known
    readings = {name: reading.values for name, reading in known.readings.items()}
    solved = solved_flight(metrics, Readings(readings, known.right_handed, known.release_y))
    if solved is None:
        return known
    unknown = known.no_flight_why != Why.FINE
    complete = np.isfinite(sum(readings[name] for name in _SOLVED_FROM)) & np.isfinite(known.release_y)
    why = np.where(np.isfinite(solved.vy), Why.FINE, np.where(complete, Why.NO_BALL, Why.NO_WHOLE_FLIGHT))
    return known._replace(
        flight=Flight(*(np.where(unknown, ours, theirs) for ours, theirs in zip(solved, known.flight, strict=True))),
        no_flight_why=np.where(unknown, why, Why.FINE).astype(np.uint8),
    )


_SOLVED_FROM = (
    "release_side_ft",
    "release_height_ft",
    "plate_side_ft",
    "plate_height_ft",
    "release_speed_mph",
    "plate_speed_mph",
    "horizontal_break_in",
    "induced_vertical_break_in",
)


def _needs_flight(metrics: MetricTables) -> bool:
    """Return whether any column's definition is not ours: only then is a flight worth solving."""
    ours = _our_tables()
    return any(name in ours and not _is_ours(table, ours[name]) for name, table in metrics.given().items())


# ------------------------------------------------------------------------------------------- readings in our unit and sign, as defined


def _reading(cells: pl.DataFrame, name: str, table: MetricSpec, right_handed: Floats) -> _Values:
    """Return the column in our unit and sign, heights from the ground; otherwise as the device defines it."""
    if isinstance(table, spec.AxisClock):
        return _clock(cells.get_column(table.column), table.view)
    if isinstance(table, spec.SpeedFromComponents):
        squares = sum(numbers(cells, column) ** 2 for column in table.columns)
        return _measured(np.sqrt(squares) * unit_factor(table.unit, "mph"))
    assert isinstance(table, spec.Reading)
    return _signed(_in_our_unit(cells, name, table), table, right_handed)


def _in_our_unit(cells: pl.DataFrame, name: str, table: spec.Reading) -> Floats:
    ours = {spec.EfficiencyGyroAngle: "deg", spec.EfficiencyActiveSpin: "rpm"}
    unit = str(getattr(table, "unit"))  # noqa: B009 -- every reading but a clock face has one
    return np.asarray(numbers(cells, table.column) * unit_factor(unit, ours.get(type(table), METRICS[name].pint_unit)))


def _signed(reading: Floats, table: spec.Reading, right_handed: Floats) -> _Values:
    match table:
        case spec.VerticalBreak() if table.gravity == "in":
            return _falling(reading * (1 if table.positive == "up" else -1))
        case spec.VerticalBreak() | spec.VerticalApproach() | spec.LaunchAngle():
            return _measured(reading * (1 if table.positive == "up" else -1))
        case spec.HorizontalBreak() | spec.Side() | spec.HorizontalApproach():
            values = reading * frames.side_sign(table.positive, right_handed)
            return _with_reason(values, Why.NO_HAND, _measured(reading))
        case spec.Height():
            return _measured(reading + (RUBBER_TOP_FT if table.height_from == "rubber_top" else 0))
        case spec.Extension():
            return _measured(_extension(reading, table.measured_from))
        case spec.SprayAngle():
            return _measured(_spray(reading * frames.side_sign(table.positive, right_handed), table.zero_at))
        case spec.AxisAngle():
            return _measured(frames.axis_from_angle(reading, table.backspin_at, table.turns, table.view))
        case spec.EfficiencyGyroAngle():
            return _measured(frames.efficiency_from_gyro(reading, table.gyro_from))
        case _:
            return _measured(reading)


def _falling(reading: Floats) -> _Values:
    """Return breaks with gravity's drop; null where they are upward, for the drop is larger than any lift."""
    rises = reading > 0
    read = _measured(np.where(rises, np.nan, reading))
    return read._replace(why=np.where(rises, Why.RISING, read.why).astype(np.uint8))


def _extension(reading: Floats, measured_from: str) -> Floats:
    origins = {"front_edge": FRONT_EDGE_FT, "back_tip": 0.0}
    return reading if measured_from == "rubber" else RUBBER_FT - origins[measured_from] - reading


def _spray(from_zero: Floats, zero_at: str) -> Floats:
    # the foul lines are 45 degrees to either side (Official Baseball Rules 2.01: a square infield)
    zero = {"center_field": 0.0, "first_base_line": 45.0, "third_base_line": -45.0}[zero_at]
    return frames.wrapped_deg(zero + from_zero)


def _clock(faces: pl.Series, view: str) -> _Values:
    hours = frames.clock_hours(faces).fill_null(float("nan")).to_numpy().astype(np.float64)
    empty = faces.is_null().to_numpy()
    why = np.where(empty, Why.NOT_MEASURED, np.where(np.isnan(hours), Why.NO_CLOCK, Why.FINE))
    return _Values(frames.axis_from_clock(hours, view), why.astype(np.uint8))


def _measured(values: Floats) -> _Values:
    return _Values(values, np.where(np.isfinite(values), Why.FINE, Why.NOT_MEASURED).astype(np.uint8))


def _with_reason(values: Floats, reason: "int | Codes", before: _Values) -> _Values:
    """Return the values; where they are null, with the reason why they were null before, or else `reason`."""
    why = np.where(np.isfinite(values), Why.FINE, np.where(before.why != Why.FINE, before.why, reason))
    return _Values(values, why.astype(np.uint8))


# ------------------------------------------------------------------------------------------------------------ from theirs to ours


@lru_cache(maxsize=1)
def _our_tables() -> dict[str, MetricSpec]:
    """Return our own definitions as a profile would state them, for the metrics that a flight can convert."""
    side, height = {"unit": "ft", "positive": "catcher_right"}, {"unit": "ft", "height_from": "ground"}
    broken = {"unit": "in", "definition": "same_plane", "start": "release", "end": "front_edge"}
    tables: dict[str, dict[str, str]] = {
        "release_speed_mph": {"unit": "mph", "at": "release"},
        "plate_speed_mph": {"unit": "mph", "at": "front_edge"},
        "induced_vertical_break_in": broken | {"gravity": "out", "positive": "up"},
        "horizontal_break_in": broken | {"positive": "catcher_right"},
        "release_height_ft": height | {"at": "release"},
        "release_side_ft": side | {"at": "release"},
        "plate_height_ft": height | {"at": "front_edge"},
        "plate_side_ft": side | {"at": "front_edge"},
        "vertical_approach_deg": {"unit": "deg", "at": "front_edge", "positive": "up"},
        "horizontal_approach_deg": {"unit": "deg", "at": "front_edge", "positive": "catcher_right"},
        "flight_time_s": {"unit": "s", "start": "release", "end": "front_edge"},
    }
    return MetricTables.model_validate({name: {"column": "ours"} | table for name, table in tables.items()}).given()


def _ours(name: str, table: MetricSpec, known: _Known) -> _Values:
    """Return the metric in our definition."""
    read = known.readings[name]
    match table:
        case spec.RateOfSpin() if table.spin == "active":
            return _total_spin(read, known)
        case spec.EfficiencyActiveSpin():
            return _efficiency(read, known)
    ours = _our_tables().get(name)
    if ours is None or _is_ours(table, ours):
        return read
    if isinstance(table, spec.Speed | spec.SpeedFromComponents):
        return _moved_speed(read, table, ours, known)
    moved = _moved(read, table, ours, known)
    if isinstance(table, spec.VerticalBreak):
        return _or_by_flight_time(moved, read, table, ours, known)
    return moved


def _is_ours(table: MetricSpec, ours: MetricSpec) -> bool:
    """Return whether both define the same quantity; unit, sign and height origin are converted already."""
    planes = [(getattr(table, key), getattr(ours, key)) for key in ("at", "start", "end") if hasattr(ours, key)]
    # the value of gravity does not affect a horizontal break that is not lift-only
    words = ["definition", "gravity"] + ([] if isinstance(table, spec.HorizontalBreak) else ["gravity_fps2"])
    same_words = all(getattr(table, key, None) == getattr(ours, key, None) for key in words)
    component = getattr(table, "component", "total") == getattr(ours, "component", "total")
    return same_words and component and all(is_same_plane(one, two) for one, two in planes)


def _moved(read: _Values, table: MetricSpec, ours: MetricSpec, known: _Known) -> _Values:
    """Return the device's reading plus the difference of the two definitions by the flight."""
    values = read.values + (_as_defined(ours, known) - _as_defined(table, known))
    return _with_reason(
        values, _why_not(known, _needs_release(table) or _needs_release(ours), _needs_position(ours)), read
    )


def _by_flight(name: str, known: _Known) -> _Values:
    """Return a metric computed from the flight alone."""
    if name == "extension_ft":
        return _with_reason(RUBBER_FT - known.release_y, Why.NO_RELEASE, _no_reasons(known))
    if name == "spin_axis_deg":
        axis = physics.inferred_axis_deg(known.flight, physics.Span(known.release_y, FRONT_EDGE_FT))
        return _with_reason(axis, _why_not(known, needs_release=True, needs_position=False), _no_reasons(known))
    ours = _our_tables()[name]
    why = _why_not(known, _needs_release(ours), _needs_position(ours))
    return _with_reason(_as_defined(ours, known), why, _no_reasons(known))


def _no_reasons(known: _Known) -> _Values:
    return _Values(known.release_y, np.zeros(known.release_y.shape, np.uint8))


def _needs_release(table: MetricSpec) -> bool:
    return "release" in (getattr(table, key, None) for key in ("at", "start", "end"))


def _needs_position(table: MetricSpec) -> bool:
    return isinstance(table, spec.Height | spec.Side)


def _why_not(known: _Known, needs_release: bool, needs_position: bool) -> Codes:
    """Return the reason that applies per row where the flight does not give a quantity."""
    why = np.where(known.no_flight_why != Why.FINE, known.no_flight_why, Why.BEYOND)
    if needs_position:
        no_position = (why == Why.BEYOND) & np.isnan(known.flight.x + known.flight.z)
        why = np.where(no_position, Why.NO_POSITION, why)
    # a missing flight is the better reason than a plane that is missing as well
    no_release = np.isnan(known.release_y) & (why != Why.NO_FLIGHT) & needs_release
    return np.where(no_release, Why.NO_RELEASE, why).astype(np.uint8)


def _as_defined(table: MetricSpec, known: _Known) -> Floats:
    """Return the quantity by the flight, as the table defines it, in our unit and sign."""
    flight, y = known.flight, known.release_y
    match table:
        case spec.Speed() if table.component == "toward_plate":
            return physics.speed_toward_plate_mph(flight, plane(table.at, y))
        case spec.Speed() | spec.SpeedFromComponents():
            return physics.speed_mph(flight, plane(table.at, y))
        case spec.Height():
            return physics.at_plane(flight, plane(table.at, y)).z
        case spec.Side():
            return physics.at_plane(flight, plane(table.at, y)).x
        case spec.VerticalApproach():
            return physics.vertical_angle_deg(flight, plane(table.at, y))
        case spec.HorizontalApproach():
            return physics.horizontal_angle_deg(flight, plane(table.at, y))
        case spec.FlightTime():
            return physics.flight_time_s(flight, span(table, y))
        case spec.HorizontalBreak():
            return physics.break_in(flight, span(table, y), table.definition, table.gravity_fps2)[0]
        case spec.VerticalBreak():
            out = physics.break_in(flight, span(table, y), table.definition, table.gravity_fps2)[1]
            drop = physics.drop_of_gravity_in(flight, span(table, y), table.gravity_fps2)
            return out - drop if table.gravity == "in" else out
        case _:
            raise TypeError(f"a flight does not determine {type(table).__name__}")


def _moved_speed(
    read: _Values, table: "spec.Speed | spec.SpeedFromComponents", ours: MetricSpec, known: _Known
) -> _Values:
    """Return a speed at our plane: by the flight, else by drag. An unknown release is assumed at its nominal place, and reported.

    Drag converts only the total speed: it does not give the part toward the plate.
    """
    assert isinstance(ours, spec.Speed)
    is_unknown = np.isnan(known.release_y)
    with_release = known._replace(
        release_y=np.where(is_unknown, RUBBER_FT - physics.NOMINAL_EXTENSION_FT, known.release_y)
    )
    moved = _moved(read, table, ours, with_release)
    values = moved.values
    if isinstance(table, spec.SpeedFromComponents) or table.component == "total":
        start, end = plane(table.at, with_release.release_y), plane(ours.at, with_release.release_y)
        values = np.where(np.isfinite(values), values, physics.speed_elsewhere_mph(read.values, start, end))
    is_nominal = is_unknown & (_needs_release(table) or _needs_release(ours))
    why = np.where(np.isfinite(values), np.where(is_nominal, Why.NOMINAL, Why.FINE), moved.why)
    return _Values(values, why.astype(np.uint8))


def _or_by_flight_time(
    moved: _Values, read: _Values, table: spec.VerticalBreak, ours: MetricSpec, known: _Known
) -> _Values:
    """Fill in breaks without a flight where only the gravity differs: its drop over the measured flight time, which is exact."""
    if not _is_ours(table.model_copy(update={"gravity": "out", "gravity_fps2": physics.G_FPS2}), ours):
        return moved
    taken_out = 0.0 if table.gravity == "in" else table.gravity_fps2
    values = read.values + 12 * (physics.G_FPS2 - taken_out) * known.flight_time**2 / 2
    return _with_reason(np.where(np.isfinite(moved.values), moved.values, values), moved.why, read)


def _total_spin(active: _Values, known: _Known) -> _Values:
    """Return total spin from active spin and efficiency."""
    share = (
        known.readings["spin_efficiency"].values
        if "spin_efficiency" in known.readings
        else np.full_like(active.values, np.nan)
    )
    # the cosine of 90 degrees is not quite 0
    values = np.where(share > 1e-6, active.values / share, np.nan)
    return _with_reason(values, Why.NO_EFFICIENCY, active)


def _efficiency(active: _Values, known: _Known) -> _Values:
    """Return efficiency from active and total spin."""
    total = (
        known.readings["spin_rate_rpm"].values
        if "spin_rate_rpm" in known.readings
        else np.full_like(active.values, np.nan)
    )
    share = np.where(total > 0, active.values / total, np.nan)
    # the rounding of two columns may carry the ratio just above 1
    return _with_reason(np.where((share > 1) & (share < 1.02), 1.0, share), Why.NO_TOTAL, active)


# ------------------------------------------------------------------------------------------------------------------------- the frames


def _frame(values: dict[str, _Values], stated: Flight, rows: int) -> pl.DataFrame:
    empty = np.full(rows, np.nan)
    columns = {name: values[name].values if name in values else empty for name in METRICS}
    columns |= dict(zip(TRAJECTORY, stated, strict=True))
    frame = pl.DataFrame(columns)
    return frame.select(pl.when(pl.col(name).is_finite()).then(pl.col(name)).alias(name) for name in frame.columns)


def _reasons(values: dict[str, _Values]) -> pl.DataFrame:
    parts = [pl.DataFrame(schema={"row": pl.UInt32, "metric": pl.String, "code": pl.UInt8})]
    for name in METRICS:
        rows = np.flatnonzero(values[name].why) if name in values else np.array([], np.int64)
        if rows.size:
            codes = pl.Series("code", values[name].why[rows], dtype=pl.UInt8)
            parts.append(pl.select(pl.Series("row", rows, dtype=pl.UInt32), pl.lit(name).alias("metric"), codes))
    texts = {why.value: why.text for why in Why}
    code = pl.col("code").replace_strict(list(texts), list(texts.values()), return_dtype=pl.String)
    return pl.concat(parts).select("row", "metric", reason=code)
