"""Which column may hold which metric: by words of the trade in its heading, and by whether its numbers can be that.

A guess names a column and a unit, nothing else. What a number means (plane, sign, gravity) no file shows: that is asked.
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


class Trade(NamedTuple):
    """How the trade speaks of a metric: a heading has a word of each group of `has`, and none of `never`.

    `middle`: where the median of what a night's column holds (without sign) may lie, in our unit; common practice, no source. `units`:
    those that are tried where the heading names none, the likeliest first.
    """

    has: tuple[frozenset[str], ...]
    never: frozenset[str]
    middle: tuple[float, float]
    units: tuple[str, ...]


_NONE: frozenset[str] = frozenset()
TRADE = {
    "release_speed_mph": Trade((_SPEED,), _PLATE | _BAT | _SPIN | _COMPONENT, (60, 105), _SPEED_UNITS),
    "plate_speed_mph": Trade((_SPEED, _PLATE), _BAT | _SPIN | _COMPONENT, (55, 98), _SPEED_UNITS),
    "spin_rate_rpm": Trade((_SPIN,), _ANGLE | _BAT, (1000, 3300), _SPIN_UNITS),
    "spin_efficiency": Trade((_USEFUL,), _BAT, (0.2, 1), ("1", "percent")),
    "spin_axis_deg": Trade((frozenset({"axis", "clock", "face", "direction"}),), _BAT | _USEFUL, (0, 360), _ANGLES),
    "induced_vertical_break_in": Trade((_BREAK | {"lift", "rise"}, _UP), _BAT, (3, 22), _SHORT_LENGTHS),
    "horizontal_break_in": Trade((_BREAK | {"run", "sweep"}, _ACROSS), _BAT, (2, 22), _SHORT_LENGTHS),
    "release_height_ft": Trade((_RELEASE, _HEIGHT), _BAT | _BREAK, (3, 7.5), _LENGTHS),
    "release_side_ft": Trade((_RELEASE, _SIDE), _BAT | _BREAK, (0.4, 4.5), _LENGTHS),
    "extension_ft": Trade((frozenset({"extension", "stride", "reach"}),), _NONE, (4.8, 8), _LENGTHS),
    "plate_height_ft": Trade((_PLATE, _HEIGHT), _BAT | _BREAK | _SPEED | _APPROACH, (0.8, 4.2), _LENGTHS),
    "plate_side_ft": Trade((_PLATE, _SIDE), _BAT | _BREAK | _SPEED | _APPROACH, (0.1, 1.6), _LENGTHS),
    "vertical_approach_deg": Trade((_APPROACH, _UP), _BAT, (3, 11), _ANGLES),
    "horizontal_approach_deg": Trade((_APPROACH, _ACROSS), _BAT, (0.3, 6), _ANGLES),
    "flight_time_s": Trade((frozenset({"flight", "air"}), frozenset({"time", "duration", "ms", "s", "seconds"})), _BAT, (0.35, 0.62), ("s", "ms")),
    "exit_velocity_mph": Trade((_SPEED, _BAT), _SPIN | _COMPONENT, (50, 108), _SPEED_UNITS),
    "launch_angle_deg": Trade((frozenset({"launch", "loft"}),), _SPEED | _ACROSS | _SPIN, (3, 45), _ANGLES),
    "spray_angle_deg": Trade((frozenset({"spray", "bearing"}),), _SPEED | _SPIN, (3, 50), _ANGLES),
    "carry_distance_ft": Trade((frozenset({"carry", "flown", "distance"}),), _RELEASE | _PLATE | _SPEED, (60, 420), ("ft", "m")),
}  # fmt: skip


class Guess(NamedTuple):
    """A metric that the file seems to hold, in one of `columns`. `units`: those in which its numbers can be; `by_heading`: it names the unit.

    `unlikely`: units that the numbers do not rule out, but the trade seldom uses.
    """

    metric: str
    columns: tuple[Column, ...]
    units: tuple[str, ...]
    by_heading: bool
    unlikely: tuple[str, ...] = ()


def guess_metrics(columns: Sequence[Column]) -> list[Guess]:
    """The metrics that the headings and numbers speak for, in our order."""
    # what is filled on few rows is of the ball off the bat
    often = [column for column in columns if column.texts.len() >= column.rows / 2]
    speaking = {
        name: [c for c in (columns if name in BAT_METRICS else often) if _speaks_of(c, trade)]
        for name, trade in TRADE.items()
    }
    guesses = []
    for metric, trade in TRADE.items():
        fitting = [(c, units) for c in speaking[metric] if (units := _units(c, metric, trade))]
        if fitting:
            shared = [unit for unit in fitting[0][1] if all(unit in units for _, units in fitting)]
            named = all(column.unit is not None for column, _ in fitting)
            guesses.append(Guess(metric, tuple(column for column, _ in fitting), tuple(shared), named))
    return _units_alike([_without_rare(guess) for guess in guesses])


def is_clock_face(column: Column) -> bool:
    """Say whether the column holds h:mm from 1:00 to 12:59, as a clock face does that shows a direction."""
    return column.texts.len() > 0 and bool(column.texts.str.contains(r"^(0?[1-9]|1[0-2]):[0-5]\d$").all())


def _speaks_of(column: Column, trade: Trade) -> bool:
    words = column.tokens
    return all(words & group for group in trade.has) and not words & trade.never


def _units(column: Column, metric: str, trade: Trade) -> tuple[str, ...]:
    """The units in which the column can be this metric; none where it can't be."""
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
    return tuple(unit for unit in trade.units if _fits(column.values, unit, metric, trade.middle))


def _mid(column: Column) -> float:
    return float(str(column.values.abs().median()))


def _turns_into(unit: str, metric: str) -> bool:
    try:
        unit_factor(unit, METRICS[metric].pint_unit)
    except UnknownUnitError:
        return False
    return True


def _fits(values: pl.Series, unit: str, metric: str, middle: tuple[float, float]) -> bool:
    """Whether the numbers, taken in this unit, are such as a night's are: nearly all possible, and the middle one usual."""
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


# what a device writes in one unit, as a rule
_ALIKE = (
    ("release_speed_mph", "plate_speed_mph", "exit_velocity_mph"),
    ("release_height_ft", "release_side_ft", "extension_ft", "plate_height_ft", "plate_side_ft"),
    ("induced_vertical_break_in", "horizontal_break_in"),
)


def _units_alike(guesses: list[Guess]) -> list[Guess]:
    """Where a number's unit is open, the one that all its like in the file are sure to have."""
    for alike in _ALIKE:
        sure = {guess.units[0] for guess in guesses if guess.metric in alike and len(guess.units) == 1}
        guesses = [
            guess._replace(units=tuple(sure))
            if len(sure) == 1 and guess.metric in alike and sure <= {*guess.units}
            else guess
            for guess in guesses
        ]
    return guesses


def _without_rare(guess: Guess) -> Guess:
    """Feet a second are tried last: a unit that pitches are seldom told in is none to ask for where a usual one fits."""
    usual = tuple(unit for unit in guess.units if unit != "ft/s")
    if not usual or len(usual) == len(guess.units):
        return guess
    return guess._replace(units=usual, unlikely=("ft/s",))
