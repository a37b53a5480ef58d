"""Guess which column holds which metric, by baseball words in its heading and by the range of its numbers.

A guess is a column and a unit, nothing else. No file shows what a number means (plane, sign, gravity): that stays a question.
"""

from collections.abc import Sequence
from typing import NamedTuple

import polars as pl

from pipeline.drafting.columns import Column
from pipeline.physics.units import UnknownUnitError, unit_factor
from schemas.metrics import BAT_METRICS, METRICS

_SPEED = frozenset({"speed", "velocity", "velo", "pace", "mph", "kmh", "kph", "mps", "fps"})
_SPIN = frozenset({"spin", "spins", "turns", "rotation", "rotations", "rpm", "rps"})
# a speed along one axis is a component of the velocity, not the speed of the ball
_COMPONENT = frozenset(
    {"x", "y", "z", "across", "along", "up", "down", "vertical", "horizontal", "sideways", "lateral"}
)
_RELEASE = frozenset({"release", "released", "hand", "letting"})
_PLATE = frozenset({"plate", "cross", "crossing", "crossed", "arrival", "end", "final", "finish"})
_BAT = frozenset({"exit", "bat", "batted", "launch", "off", "contact"})
_BREAK = frozenset({"break", "movement", "bend", "move"})
_UP = frozenset({"vertical", "vert", "up", "height", "high", "lift", "rise", "induced", "down", "downward"})
_ACROSS = frozenset({"horizontal", "horiz", "side", "sideways", "lateral", "wide", "across", "run", "sweep"})
_HEIGHT = frozenset({"height", "high", "vertical"})
_SIDE = frozenset({"side", "sideways", "lateral", "wide", "horizontal"})
_ANGLE = frozenset({"angle", "axis", "direction", "clock", "face", "efficiency", "active", "useful", "gyro", "share"})
_USEFUL = frozenset({"efficiency", "eff", "gyro", "active", "useful", "effective"})
_APPROACH = frozenset({"approach", "entry", "descent"})
_SPEED_UNITS, _SPIN_UNITS = ("mph", "m/s", "km/h", "ft/s"), ("rpm", "revolution/s", "rad/s")
_LENGTHS, _SHORT_LENGTHS, _ANGLES = ("ft", "m", "cm", "inch"), ("inch", "cm", "mm", "ft", "m"), ("deg", "rad")


class Usage(NamedTuple):
    """How headings name a metric: a word of each group of `has`, and none of `never`.

    `middle`: the range of the median of a night's absolute values, in our unit (common practice, no source). `units`: those to try where
    the heading names none, the most likely first.
    """

    has: tuple[frozenset[str], ...]
    never: frozenset[str]
    middle: tuple[float, float]
    units: tuple[str, ...]


_NONE: frozenset[str] = frozenset()
USAGES = {
    "release_speed_mph": Usage((_SPEED,), _PLATE | _BAT | _SPIN | _COMPONENT, (60, 105), _SPEED_UNITS),
    "plate_speed_mph": Usage((_SPEED, _PLATE), _BAT | _SPIN | _COMPONENT, (55, 98), _SPEED_UNITS),
    "spin_rate_rpm": Usage((_SPIN,), _ANGLE | _BAT, (1000, 3300), _SPIN_UNITS),
    "spin_efficiency": Usage((_USEFUL,), _BAT, (0.2, 1), ("1", "percent")),
    "spin_axis_deg": Usage((frozenset({"axis", "clock", "face", "direction"}),), _BAT | _USEFUL, (0, 360), _ANGLES),
    "induced_vertical_break_in": Usage((_BREAK | {"lift", "rise"}, _UP), _BAT, (3, 22), _SHORT_LENGTHS),
    "horizontal_break_in": Usage((_BREAK | {"run", "sweep"}, _ACROSS), _BAT, (2, 22), _SHORT_LENGTHS),
    "release_height_ft": Usage((_RELEASE, _HEIGHT), _BAT | _BREAK, (3, 7.5), _LENGTHS),
    "release_side_ft": Usage((_RELEASE, _SIDE), _BAT | _BREAK, (0.4, 4.5), _LENGTHS),
    "extension_ft": Usage((frozenset({"extension", "stride", "reach"}),), _NONE, (4.8, 8), _LENGTHS),
    "plate_height_ft": Usage((_PLATE, _HEIGHT), _BAT | _BREAK | _SPEED | _APPROACH, (0.8, 4.2), _LENGTHS),
    "plate_side_ft": Usage((_PLATE, _SIDE), _BAT | _BREAK | _SPEED | _APPROACH, (0.1, 1.6), _LENGTHS),
    "vertical_approach_deg": Usage((_APPROACH, _UP), _BAT, (3, 11), _ANGLES),
    "horizontal_approach_deg": Usage((_APPROACH, _ACROSS), _BAT, (0.3, 6), _ANGLES),
    "flight_time_s": Usage((frozenset({"flight", "air"}), frozenset({"time", "duration", "ms", "s", "seconds"})), _BAT, (0.35, 0.62), ("s", "ms")),
    "exit_velocity_mph": Usage((_SPEED, _BAT), _SPIN | _COMPONENT, (50, 108), _SPEED_UNITS),
    "launch_angle_deg": Usage((frozenset({"launch", "loft"}),), _SPEED | _ACROSS | _SPIN, (3, 45), _ANGLES),
    "spray_angle_deg": Usage((frozenset({"spray", "bearing"}),), _SPEED | _SPIN, (3, 50), _ANGLES),
    "carry_distance_ft": Usage((frozenset({"carry", "flown", "distance"}),), _RELEASE | _PLATE | _SPEED, (60, 420), ("ft", "m")),
}  # fmt: skip


class Guess(NamedTuple):
    """A metric that the file seems to hold, in one of `columns`. `units`: possible for its numbers; `by_heading`: the heading names the unit.

    `unlikely`: units that the numbers do not rule out, but are seldom used.
    """

    metric: str
    columns: tuple[Column, ...]
    units: tuple[str, ...]
    by_heading: bool
    unlikely: tuple[str, ...] = ()


def guess_metrics(columns: Sequence[Column]) -> list[Guess]:
    """Return the metrics that headings and numbers suggest, in our order."""
    # a column that is filled on few rows is about batted balls
    often = [column for column in columns if column.texts.len() >= column.rows / 2]
    candidates = {
        name: [c for c in (columns if name in BAT_METRICS else often) if _heading_fits(c, usage)]
        for name, usage in USAGES.items()
    }
    guesses = []
    for metric, usage in USAGES.items():
        fitting = [(c, units) for c in candidates[metric] if (units := _units(c, metric, usage))]
        if fitting:
            shared = [unit for unit in fitting[0][1] if all(unit in units for _, units in fitting)]
            named = all(column.unit is not None for column, _ in fitting)
            guesses.append(Guess(metric, tuple(column for column, _ in fitting), tuple(shared), named))
    return _with_shared_units([_without_rare(guess) for guess in guesses])


def is_clock_face(column: Column) -> bool:
    """Return whether the column holds h:mm from 1:00 to 12:59, as a clock face for a direction does."""
    return column.texts.len() > 0 and bool(column.texts.str.contains(r"^(0?[1-9]|1[0-2]):[0-5]\d$").all())


def _heading_fits(column: Column, usage: Usage) -> bool:
    words = column.tokens
    return all(words & group for group in usage.has) and not words & usage.never


def _units(column: Column, metric: str, usage: Usage) -> tuple[str, ...]:
    """Return the units in which the column can be this metric; none where it can't be."""
    if metric == "spin_axis_deg" and is_clock_face(column):
        return ("clock",)
    if metric == "spin_efficiency" and column.tokens & {"gyro"}:
        return ("deg",) if column.is_number else ()
    if (
        metric == "spin_efficiency"
        and not column.tokens & {"efficiency", "eff"}
        and column.is_number
        and _mid(column) > 100
    ):
        return ("rpm",)
    if not column.is_number:
        return ()
    if column.unit is not None:
        return (column.unit,) if _turns_into(column.unit, metric) else ()
    return tuple(unit for unit in usage.units if _fits(column.values, unit, metric, usage.middle))


def _mid(column: Column) -> float:
    return float(str(column.values.abs().median()))


def _turns_into(unit: str, metric: str) -> bool:
    try:
        unit_factor(unit, METRICS[metric].pint_unit)
    except UnknownUnitError:
        return False
    return True


def _fits(values: pl.Series, unit: str, metric: str, middle: tuple[float, float]) -> bool:
    """Return whether the numbers fit in this unit: nearly all possible, and the median usual."""
    ours = values.cast(pl.Float64) * unit_factor(unit, METRICS[metric].pint_unit)
    low, high = METRICS[metric].low, METRICS[metric].high
    if metric == "extension_ft" and (ours > high).mean() == 1:
        low, high, middle = 48, 58, (48, 58)  # the distance of release from the plate, about 54 ft
    if metric == "vertical_approach_deg":
        low, high = -25, 25  # positive upward or downward
    possible = ours.is_between(low, high).mean()
    usual = ours.abs().median()
    return (
        isinstance(possible, float) and isinstance(usual, float) and possible > 0.97 and middle[0] <= usual <= middle[1]
    )


# metrics that a device writes in the same unit, as a rule
_SAME_UNIT = (
    ("release_speed_mph", "plate_speed_mph", "exit_velocity_mph"),
    ("release_height_ft", "release_side_ft", "extension_ft", "plate_height_ft", "plate_side_ft"),
    ("induced_vertical_break_in", "horizontal_break_in"),
)


def _with_shared_units(guesses: list[Guess]) -> list[Guess]:
    """Settle an open unit by the one that related metrics of the file certainly have."""
    for group in _SAME_UNIT:
        sure = {guess.units[0] for guess in guesses if guess.metric in group and len(guess.units) == 1}
        guesses = [
            guess._replace(units=tuple(sure))
            if len(sure) == 1 and guess.metric in group and sure <= {*guess.units}
            else guess
            for guess in guesses
        ]
    return guesses


def _without_rare(guess: Guess) -> Guess:
    """Drop feet per second where a usual unit fits: pitches are seldom given in it, so it is not worth a question."""
    usual = tuple(unit for unit in guess.units if unit != "ft/s")
    if not usual or len(usual) == len(guess.units):
        return guess
    return guess._replace(units=usual, unlikely=("ft/s",))
