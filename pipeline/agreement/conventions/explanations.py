"""The closed list of simple mistakes that may explain how two trackers differ in a metric.

Each is undone on the readings of tracker_b. The residual, undone reading minus a's, is then small and centered if the mistake is the reason.
"""

from collections.abc import Iterator
from functools import cache
from typing import NamedTuple

import numpy as np

from pipeline.agreement.facts.circular import wrap_angle
from pipeline.agreement.wording import SIDEWAYS
from pipeline.physics.units import unit_factor
from schemas.metrics import METRICS

# Units in which exports write each of ours (common practice, no source). An angle may also be in radians.
_UNITS: dict[str, tuple[str, ...]] = {
    "mph": ("mph", "km/h", "m/s", "ft/s"),
    "ft": ("ft", "in", "m", "cm", "mm"),
    "in": ("in", "ft", "m", "cm", "mm"),
    "s": ("s", "ms"),
    "rpm": ("rpm", "revolution/s"),
    "ratio": ("1", "percent"),
}
_DEGREES_PER_RADIAN = float(np.degrees(1.0))
# Ratios of units that are nearer to 1 look like a scale error of a device (common practice, no source).
_LEAST_RATIO = 1.25
# The metric that gravity's drop is taken out of.
_INDUCED = "induced_vertical_break_in"


class Explanation(NamedTuple):
    """How b's reading follows from a's.

    `kind` is a value of table convention_mismatches. b = sign x ratio x (a + gravity x drop), the drop being negative; for an angle b =
    sign x a + turn_deg. `units`: the two units whose ratio it is.
    """

    kind: str
    sign: float = 1.0
    ratio: float = 1.0
    gravity: float = 0.0
    turn_deg: float = 0.0
    units: tuple[str, str] | None = None

    def residuals(self, metric: str, a: np.ndarray, b: np.ndarray, drop_in: np.ndarray) -> np.ndarray:
        """Return b's readings with the mistake undone, minus a's."""
        if METRICS[metric].circular:
            return wrap_angle(self.sign * (b - self.turn_deg) - a)
        return np.asarray(self.sign * b / self.ratio - self.gravity * drop_in - a)


SAME = Explanation("none")


@cache
def explanations(metric: str) -> tuple[Explanation, ...]:
    """Return the mistakes that a metric admits, `SAME` first."""
    return (SAME, *(_of_axis() if METRICS[metric].circular else _of_number(metric)))


def _of_axis() -> Iterator[Explanation]:
    """Yield the turns and reflections of a clock face that keep its quarters in place."""
    yield Explanation("half_turn", turn_deg=180.0)
    yield Explanation("sides_swapped", sign=-1.0)
    yield Explanation("upside_down", sign=-1.0, turn_deg=180.0)
    for turn_deg in (90.0, 270.0):
        yield Explanation("quarter_turn", turn_deg=turn_deg)
        yield Explanation("quarter_turn_mirrored", sign=-1.0, turn_deg=turn_deg)


def _of_number(metric: str) -> Iterator[Explanation]:
    has_sign = METRICS[metric].low < 0
    reversed_kind = "sides_swapped" if metric in SIDEWAYS else "upside_down"
    if has_sign:
        yield Explanation(reversed_kind, sign=-1.0)
    if metric == _INDUCED:
        # gravity's drop is in b's readings, or in a's
        for sign, kind in ((1.0, "gravity"), (-1.0, "gravity_upside_down")):
            for gravity in (1.0, -1.0):
                yield Explanation(kind, sign=sign, gravity=gravity)
    for ratio, units in _unit_ratios(METRICS[metric].unit):
        yield Explanation("unit", ratio=ratio, units=units)
        if has_sign:
            yield Explanation("unit_reversed", sign=-1.0, ratio=ratio, units=units)


@cache
def _unit_ratios(unit: str) -> tuple[tuple[float, tuple[str, str]], ...]:
    """Return each ratio of two units once: how much b is too large where its column is in the first and taken for the second."""
    if unit == "deg":
        return (
            (_DEGREES_PER_RADIAN, ("degrees", "radians")),
            (1 / _DEGREES_PER_RADIAN, ("radians", "degrees")),
        )
    ratios: dict[float, tuple[str, str]] = {}
    for written in _UNITS.get(unit, ()):
        for stated in _UNITS[unit]:
            ratio = unit_factor(stated, written)
            if max(ratio, 1 / ratio) >= _LEAST_RATIO:
                ratios.setdefault(float(f"{ratio:.6g}"), (written, stated))
    return tuple(ratios.items())
