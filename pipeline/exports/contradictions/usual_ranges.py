"""Find metrics whose usual reading is not a pitch's in the stated unit or plane, but is in another one."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.exports.contradictions.evidence import LEAST_ARMS, LEAST_PITCHES, Evidence, Finding, Floats, source_text
from pipeline.physics.flight import FRONT_EDGE_FT, RUBBER_FT
from pipeline.physics.units import unit_factor
from schemas.metrics import METRICS


class _Usual(NamedTuple):
    """Where the median over many pitches lies, and the units that a device may use. Ranges: common practice, no source."""

    low: float
    high: float
    units: tuple[str, ...]
    is_sideways: bool = False


_LENGTHS = ("ft", "inch", "m", "cm")
_SPEEDS = ("mph", "km/h", "m/s", "ft/s")
USUAL: dict[str, _Usual] = {
    "release_speed_mph": _Usual(55, 102, _SPEEDS),
    "plate_speed_mph": _Usual(50, 95, _SPEEDS),
    "spin_rate_rpm": _Usual(1000, 3200, ("rpm", "revolution/s", "rad/s")),
    "spin_efficiency": _Usual(0.3, 1, ("1", "percent")),
    "induced_vertical_break_in": _Usual(-30, 30, _LENGTHS),
    "horizontal_break_in": _Usual(2, 25, _LENGTHS, is_sideways=True),
    "release_height_ft": _Usual(3, 7.5, _LENGTHS),
    "release_side_ft": _Usual(0.5, 4.5, _LENGTHS, is_sideways=True),
    "extension_ft": _Usual(4.5, 7.8, _LENGTHS),
    "plate_height_ft": _Usual(1, 4.5, _LENGTHS),
    "plate_side_ft": _Usual(0, 3, _LENGTHS, is_sideways=True),
    "vertical_approach_deg": _Usual(-14, -2, ("deg", "rad")),
    "flight_time_s": _Usual(0.33, 0.75, ("s", "ms")),
}


def check_usual_ranges(pitches: pl.DataFrame, evidence: Evidence) -> Iterator[Finding]:
    """Find metrics whose median is implausible in the stated unit and usual in another one."""
    for metric, usual in USUAL.items():
        removed = evidence.impossible.filter(pl.col("metric") == metric).get_column("value").drop_nulls()
        values = pl.concat([pitches.get_column(metric).drop_nulls(), removed.cast(pl.Float64)])
        # what one arm does may be its own way, but not if no pitch can do it
        enough = (
            removed.len() > values.len() / 2 or pitches.drop_nulls(metric).get_column("arm").n_unique() >= LEAST_ARMS
        )
        if values.len() < LEAST_PITCHES or not enough:
            continue
        readings = (values.abs() if usual.is_sideways else values).to_numpy()
        median = float(np.median(readings))
        if usual.low <= median <= usual.high:
            continue
        answers = list(_range_answers(metric, usual, readings, evidence))
        if not answers:
            continue
        words, unit = METRICS[metric].words, METRICS[metric].unit
        shown = "" if unit == "ratio" else f" {unit}"
        yield Finding(
            metric,
            f"{words} is {median:.3g}{shown} (median of {values.len():,} readings), which is not usual.",
            f"Likely answer: {' or '.join(answers[:2])} in [metric.{metric}].",
        )


def _range_answers(metric: str, usual: _Usual, readings: Floats, evidence: Evidence) -> Iterator[str]:
    """Yield each change of a key under which the readings are usual."""

    def fits(changed: Floats) -> bool:
        low, median, high = np.quantile(changed, [0.1, 0.5, 0.9])
        margin = 0.25 * (usual.high - usual.low)
        return bool(usual.low <= median <= usual.high and usual.low - margin <= low and high <= usual.high + margin)

    if metric == "extension_ft":
        yield from _extension_answers(readings, fits(RUBBER_FT - readings), evidence)
    stated = source_text(evidence, metric, "unit")
    for unit in usual.units if stated else ():
        ours = METRICS[metric].pint_unit
        if unit_factor(unit, ours) == unit_factor(stated, ours):
            continue
        if fits(readings / unit_factor(stated, ours) * unit_factor(unit, ours)):
            yield f'unit = "{unit}"'


def _extension_answers(readings: Floats, is_distance: bool, evidence: Evidence) -> Iterator[str]:
    """Yield the origin under which a distance from the plate is an extension."""
    if not is_distance:
        return
    if "rubber" in source_text(evidence, "extension_ft", "definition"):
        from_tip = float(np.median(RUBBER_FT - readings))
        from_edge = from_tip - FRONT_EDGE_FT
        yield (
            f'it is the distance from the plate: measured_from = "back_tip" (then {from_tip:.1f} ft) or "front_edge" ({from_edge:.1f} ft)'
        )
    else:
        yield 'it is the distance from the rubber already: measured_from = "rubber"'
