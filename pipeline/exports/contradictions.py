"""Find definitions of a profile that the tracker's own readings contradict: a mirrored axis, a wrong sign, unit, plane or gravity.

Only physics and the rules of the sport are used, no other tracker, so a wrong definition shows from the first export. Each finding needs
many pitches and a clear majority: a few misreads, or one arm's sliders, never make one. Nothing is corrected here; a person decides.
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.exports.mapping.null_reasons import Why
from pipeline.physics.flight import FRONT_EDGE_FT, RUBBER_FT
from pipeline.physics.frames import wrapped_deg
from pipeline.physics.units import unit_factor
from schemas.metrics import METRICS

Floats = NDArray[np.float64]

# fewer pitches than this show nothing (common practice, no source)
_MOST_NEEDED = 20
# a majority that chance and misreads do not make (common practice, no source)
_MAJORITY = 0.8
# of arms: what one arm does may be its own way to throw (common practice, no source)
_ARMS_NEEDED = 2
# a pitch is compared where it moves by this much sideways and up together: the direction of a smaller break is mostly noise (in)
_LEAST_BREAK_IN = 6.0
# a pitch can tell two directions apart where they predict breaks farther apart than this (deg)
_LEAST_DIFFERENCE_DEG = 40.0
# A measured axis and that of the break differ by a median of 17 degrees, and by 44 on one pitch in ten (two published data sets): a median
# this large has another cause (deg) ...
_AXIS_WRONG_DEG = 45.0
# ... is wrong even if no change explains it (deg) ...
_AXIS_FAR_OFF_DEG = 60.0
# An axis that is turned from the break by less than this on all pitches alike may be the seams' work (deg; common practice, no source) ...
_LARGE_TURN_DEG = 75.0
# ... alike: the length of the mean direction (common practice, no source)
_SAME_TURN = 0.7
# a break of more than this needs mostly active spin (in; common practice, no source)
_LARGE_BREAK_IN = 10.0
# ... and a change explains it if this median remains (deg)
_AXIS_RIGHT_DEG = 30.0
# a fastball's speed, as a share of the arm's fastest (common practice, no source)
_HARD_SHARE = 0.95
# ... if the arm also throws pitches below this share of it (common practice, no source)
_SLOW_SHARE = 0.92
_FASTBALLS = ("four_seam", "two_seam", "sinker")
# sideways distance of a hand that shows which arm threw (ft)
_LEAST_SIDE_FT = 0.5
# a push is mostly down within 53 degrees of it
_MOSTLY = 0.6
# the push of an axis counts as sideways from 20 degrees off the vertical
_LEAST_PUSH = 0.34
# the median vertical break of fastballs is above this, those of submarine pitchers too (in; common practice, no source)
_LOWEST_FASTBALL_IN = -12.0
# ... and not even one arm alone has one this low
_LOWEST_OF_ONE_ARM_IN = -18.0


class Finding(NamedTuple):
    """One definition that the readings contradict, and the likely answer. `problem` names no tracker."""

    metric: str
    problem: str
    what_to_do: str


class Evidence(NamedTuple):
    """What one tracker's exports show.

    `sightings`: columns of table sightings. `impossible`: metric and value (Float64) of readings removed as impossible. `sources`: metric,
    unit, definition, null_reason and affected, as in table metric_sources.
    """

    sightings: pl.DataFrame
    impossible: pl.DataFrame
    sources: pl.DataFrame


def find_contradictions(evidence: Evidence) -> list[Finding]:
    """Return the definitions of one tracker that its readings contradict, each metric once."""
    pitches = _with_facts(evidence.sightings)
    checks = (
        _gravity,
        _typical_range,
        _axis_and_breaks,
        _fastball_axis,
        _sides,
        _fastball_break,
        _plate_speed,
        _approach,
        _gyro_angle,
    )
    found: dict[str, Finding] = {}
    for check in checks:
        for finding in check(pitches, evidence):
            found.setdefault(finding.metric, finding)
    return sorted(found.values(), key=lambda finding: list(METRICS).index(finding.metric))


def _with_facts(sightings: pl.DataFrame) -> pl.DataFrame:
    """Add `arm` (the label), `arm_sign` (the x of the arm side by the hand, null if unknown) and `is_hard` (whether it is a fastball).

    A fastball is named so, or is among the fastest of an arm that also throws slower pitches: an arm that throws one pitch only may throw
    curveballs.
    """
    arm = pl.coalesce("pitcher_id", "pitcher_label", "pitcher_native_id", pl.lit(""))
    speed = pl.col("release_speed_mph")
    fastest, slowest = (speed.quantile(level).over("arm") for level in (0.95, 0.05))
    is_named = (pl.col("pitch_type").is_not_null() & (pl.col("pitch_type") != "unknown")).any().over("arm")
    by_speed = (speed >= _HARD_SHARE * fastest) & (slowest <= _SLOW_SHARE * fastest)
    return sightings.with_columns(arm=arm).with_columns(
        arm_sign=pl.col("pitcher_hand").replace_strict(
            {"right": -1.0, "left": 1.0}, default=None, return_dtype=pl.Float64
        ),
        is_hard=pl.when(is_named).then(pl.col("pitch_type").is_in(_FASTBALLS)).otherwise(by_speed).fill_null(False),
    )


def _share(mask: pl.Series) -> float:
    share = mask.mean()
    return float(share) if isinstance(share, float) else 0.0


def _is_enough(pitches: pl.DataFrame, arms: int = 1) -> bool:
    return pitches.height >= _MOST_NEEDED and pitches.get_column("arm").n_unique() >= arms


# ---- spin axis and breaks ------------------------------------------------------------------------------------------------------------------


class _Change(NamedTuple):
    """A change of the axis (deg): mirrored, then turned."""

    is_mirrored: bool
    turn: int

    def applied_to(self, axis: Floats) -> Floats:
        return (-axis if self.is_mirrored else axis) + self.turn


_NONE = _Change(False, 0)
_CHANGES = (
    _NONE,
    _Change(True, 0),
    _Change(False, 180),
    _Change(True, 180),
    _Change(False, 90),
    _Change(False, 270),
    _Change(True, 90),
    _Change(True, 270),
)
_CHANGE_WORDS = {
    _Change(True, 0): "mirrored left to right",
    _Change(False, 180): "turned by 180°",
    _Change(True, 180): "mirrored top to bottom",
}


def _axis_and_breaks(pitches: pl.DataFrame, _: Evidence) -> Iterator[Finding]:
    """Compare the direction of the spin axis with that of the break: the axis pushes the ball toward (sin a, -cos a)."""
    moving = pitches.drop_nulls(["spin_axis_deg", "horizontal_break_in", "induced_vertical_break_in"]).filter(
        (pl.col("horizontal_break_in") ** 2 + pl.col("induced_vertical_break_in") ** 2).sqrt() >= _LEAST_BREAK_IN
    )
    if not _is_enough(moving):
        return
    axis, across, up = (
        moving.get_column(name).to_numpy().astype(np.float64)
        for name in ("spin_axis_deg", "horizontal_break_in", "induced_vertical_break_in")
    )
    by_break = np.degrees(np.arctan2(across, -up))
    apart = {change: np.abs(wrapped_deg(change.applied_to(axis) - by_break)) for change in _CHANGES}
    medians = {change: float(np.median(values)) for change, values in apart.items()}
    best = min(_CHANGES, key=lambda change: medians[change])
    if medians[best] > _AXIS_RIGHT_DEG:
        yield from _unexplained_axis(moving, apart[_NONE])
        return
    can_tell = np.abs(wrapped_deg(best.applied_to(by_break) - by_break)) >= _LEAST_DIFFERENCE_DEG
    told, wins = int(can_tell.sum()), apart[best] < apart[_NONE]
    if best == _NONE or told < _MOST_NEEDED or wins[can_tell].mean() < _MAJORITY:
        return
    before, after = np.median(apart[_NONE][can_tell]), np.median(apart[best][can_tell])
    if before < _AXIS_WRONG_DEG or _is_small_turn(axis - by_break):
        return
    metric, what_to_do = _axis_answer(best, moving.filter(pl.Series(can_tell)), pitches)
    words = _CHANGE_WORDS.get(best, "turned by a quarter")
    yield Finding(
        metric,
        f"spin axis and breaks contradict each other on {int(wins[can_tell].sum()):,} of {told:,} pitches (median {before:.0f}° apart). "
        f"With the axis {words} they agree (median {after:.0f}°).",
        what_to_do,
    )


def _is_small_turn(difference: Floats) -> bool:
    """Return whether the axis is turned from the break by much the same small angle on all pitches, as the seams of a sinker do."""
    mean = np.exp(1j * np.radians(difference)).mean()
    return bool(abs(mean) >= _SAME_TURN and abs(np.degrees(np.angle(mean))) < _LARGE_TURN_DEG)


def _unexplained_axis(moving: pl.DataFrame, apart: Floats) -> Iterator[Finding]:
    """Yield an axis far from the break on pitches that move so much that most of their spin is active."""
    far = np.hypot(
        *(moving.get_column(name).to_numpy() for name in ("horizontal_break_in", "induced_vertical_break_in"))
    )
    large = far >= _LARGE_BREAK_IN
    if _is_enough(moving.filter(pl.Series(large)), _ARMS_NEEDED) and np.median(apart[large]) > _AXIS_FAR_OFF_DEG:
        yield Finding(
            "spin_axis_deg",
            f"spin axis and breaks are {np.median(apart[large]):.0f}° apart (median of {large.sum():,} pitches), and no simple change explains it.",
            "Check [metric.spin_axis_deg] and the signs of both breaks. If the device is at fault, remove the axis from the profile.",
        )


def _axis_answer(best: _Change, moving: pl.DataFrame, pitches: pl.DataFrame) -> tuple[str, str]:
    """Return which metric is probably wrong and what to change: the fastballs show whether it is the axis or a break."""
    hard = pitches.filter("is_hard")
    axis = "Check view, backspin_at and turns in [metric.spin_axis_deg]."
    if best.turn in (90, 270):
        return "spin_axis_deg", axis
    if best == _Change(True, 0):
        arm_sign = _arm_sign(hard)
        run = _share((hard.get_column("horizontal_break_in") * arm_sign > 0).drop_nulls())
        push = _share((hard.get_column("spin_axis_deg").radians().sin() * arm_sign > 0).drop_nulls())
        if arm_sign.count() < _MOST_NEEDED or abs(run - push) < 0.5:
            return "spin_axis_deg", (
                "One of them is mirrored: check view and turns in [metric.spin_axis_deg], and positive in [metric.horizontal_break_in]."
            )
        if run > push:
            return "spin_axis_deg", "Likely answer: the other view (or the other turns) in [metric.spin_axis_deg]."
        return "horizontal_break_in", "Likely answer: the other side as positive in [metric.horizontal_break_in]."
    breaks = (
        "positive in both breaks"
        if best == _Change(False, 180)
        else "gravity and positive in [metric.induced_vertical_break_in]"
    )
    lift = hard.get_column("induced_vertical_break_in").drop_nulls()
    if lift.len() < _MOST_NEEDED:
        return "spin_axis_deg", f"{axis} Or check {breaks}."
    if _share(lift > 0) > 0.5:
        turns = " and turns to the other way" if best.is_mirrored else ""
        return "spin_axis_deg", f"Likely answer: the axis is upside down; change backspin_at by 180{turns}."
    metric = "induced_vertical_break_in" if best.is_mirrored else "spin_axis_deg"
    return metric, f"Likely answer: the breaks are upside down; check {breaks}."


def _fastball_axis(pitches: pl.DataFrame, _: Evidence) -> Iterator[Finding]:
    """A fastball's spin pushes up and toward the arm side; this needs no breaks, but the pitcher's hand."""
    push = pl.col("spin_axis_deg").radians()
    hard = pitches.filter("is_hard").drop_nulls("spin_axis_deg").with_columns(across=push.sin(), up=-push.cos())
    if not _is_enough(hard, _ARMS_NEEDED):
        return
    # a submarine pitcher's fastball is pushed sideways, and a little down
    down, push_up = _share(hard.get_column("up") < 0), hard.get_column("up").median()
    if down >= _MAJORITY and isinstance(push_up, float) and push_up < -_MOSTLY:
        yield Finding(
            "spin_axis_deg",
            f"the spin axis pushes {down:.0%} of {hard.height:,} fastballs down; a fastball has backspin.",
            "Likely answer: backspin_at differs by 180 in [metric.spin_axis_deg].",
        )
    sideways = hard.drop_nulls("arm_sign").filter(pl.col("across").abs() >= _LEAST_PUSH)
    if _is_enough(sideways, _ARMS_NEEDED):
        against = _share(sideways.get_column("across") * sideways.get_column("arm_sign") < 0)
        if against >= _MAJORITY:
            yield Finding(
                "spin_axis_deg",
                f"the spin axis pushes {against:.0%} of {sideways.height:,} fastballs to the glove side.",
                "Likely answer: the other view (or the other turns) in [metric.spin_axis_deg].",
            )


def _arm_sign(pitches: pl.DataFrame) -> pl.Series:
    """Return the sign of the arm side's x: by the pitcher's hand, or else by the side on which the ball is released."""
    side = pl.col("release_side_ft")
    by_side = pl.when(side.abs() >= _LEAST_SIDE_FT).then(side.sign())
    return pitches.select(pl.coalesce("arm_sign", by_side).alias("arm_sign")).to_series()


def _sides(pitches: pl.DataFrame, _: Evidence) -> Iterator[Finding]:
    """A right-hander releases on the third-base side, and his fastball runs there; a left-hander's the other way."""
    released = pitches.filter(pl.col("arm_sign").is_not_null() & (pl.col("release_side_ft").abs() >= _LEAST_SIDE_FT))
    yield from _wrong_side(
        released, "release_side_ft", "arm_sign", 1, "the release side is not the side of the pitcher's arm"
    )
    running = pitches.filter(pl.col("is_hard") & (pl.col("horizontal_break_in").abs() >= _LEAST_BREAK_IN / 2))
    by_hand = running.drop_nulls("arm_sign")
    if by_hand.height:
        yield from _wrong_side(
            by_hand, "horizontal_break_in", "arm_sign", _ARMS_NEEDED, "fastballs run to the glove side"
        )
        return
    by_side = running.filter(pl.col("release_side_ft").abs() >= _LEAST_SIDE_FT)
    if _is_enough(by_side, _ARMS_NEEDED):
        against = _share(by_side.get_column("horizontal_break_in") * by_side.get_column("release_side_ft") < 0)
        if against >= _MAJORITY:
            yield Finding(
                "horizontal_break_in",
                f"horizontal break runs away from the release side on {against:.0%} of {by_side.height:,} fastballs.",
                "One of them is mirrored: check positive in [metric.horizontal_break_in] and [metric.release_side_ft].",
            )


def _wrong_side(pitches: pl.DataFrame, metric: str, sign: str, arms: int, what: str) -> Iterator[Finding]:
    """Yield a finding where a sideways reading is on the wrong side for most pitches, of both hands or of one."""
    if not _is_enough(pitches, arms):
        return
    wrong = pitches.with_columns(wrong=pl.col(metric) * pl.col(sign) < 0)
    share = _share(wrong.get_column("wrong"))
    by_hand = wrong.group_by(sign).agg(pl.len(), pl.col("wrong").mean()).filter(pl.col("len") >= _MOST_NEEDED)
    shares = by_hand.get_column("wrong").to_list()
    problem = f"{METRICS[metric].words}: {what} on {share:.0%} of {pitches.height:,} pitches."
    if len(shares) == 2 and max(shares) >= _MAJORITY and min(shares) <= 1 - _MAJORITY:
        answer = 'the column counts by the arm: positive = "arm_side" or "glove_side"'
        yield Finding(metric, problem, f"It is right for one hand only. Likely answer: {answer} in [metric.{metric}].")
    elif share >= _MAJORITY:
        yield Finding(metric, problem, f"Likely answer: the other side as positive in [metric.{metric}].")


# ---- vertical break, speeds, angles --------------------------------------------------------------------------------------------------------


def _gravity(pitches: pl.DataFrame, evidence: Evidence) -> Iterator[Finding]:
    """With gravity's drop in it, a break is never upward: no pitch rises."""
    metric = "induced_vertical_break_in"
    rising = evidence.sources.filter((pl.col("metric") == metric) & (pl.col("null_reason") == Why.RISING.text))
    affected = int(rising.get_column("affected").sum())
    if affected >= _MOST_NEEDED and affected >= pitches.height / 2:
        yield Finding(
            metric,
            f"vertical break is upward on {affected:,} pitches, though the profile says that gravity's drop is in it.",
            'Likely answer: gravity = "out" in [metric.induced_vertical_break_in].',
        )


def _fastball_break(pitches: pl.DataFrame, _: Evidence) -> Iterator[Finding]:
    """A fastball has backspin: without gravity's drop its break is upward."""
    metric = "induced_vertical_break_in"
    known = pitches.drop_nulls(metric)
    hard = known.filter("is_hard")
    limit = _LOWEST_FASTBALL_IN if _is_enough(hard, _ARMS_NEEDED) else _LOWEST_OF_ONE_ARM_IN
    median = hard.get_column(metric).median()
    if not _is_enough(hard) or not isinstance(median, float) or median > limit:
        return
    others = known.filter(~pl.col("is_hard")).get_column(metric)
    is_flipped = others.len() >= _MOST_NEEDED and _share(others > 0) > 0.5
    answer = 'positive = "down"' if is_flipped else 'gravity = "in" (with the drop), or positive = "down"'
    yield Finding(
        metric,
        f"induced vertical break of fastballs is {median:.0f} in (median of {hard.height:,}); a fastball's is positive.",
        f"Likely answer: {answer} in [metric.{metric}].",
    )


def _plate_speed(pitches: pl.DataFrame, _: Evidence) -> Iterator[Finding]:
    """A ball loses about 8 % of its speed on the way to the plate."""
    both = pitches.drop_nulls(["release_speed_mph", "plate_speed_mph"])
    if (
        _is_enough(both)
        and _share(both.get_column("plate_speed_mph") >= both.get_column("release_speed_mph")) >= _MAJORITY
    ):
        yield Finding(
            "plate_speed_mph",
            f"plate speed is not below release speed on most of {both.height:,} pitches.",
            "Likely answer: the columns or the planes (at) of the two speeds are swapped.",
        )


def _approach(pitches: pl.DataFrame, _: Evidence) -> Iterator[Finding]:
    """A pitch comes down as it crosses the plate."""
    known = pitches.drop_nulls("vertical_approach_deg")
    if _is_enough(known) and _share(known.get_column("vertical_approach_deg") > 0) >= _MAJORITY:
        yield Finding(
            "vertical_approach_deg",
            f"the ball rises as it crosses the plate on most of {known.height:,} pitches.",
            'Likely answer: positive = "down" in [metric.vertical_approach_deg].',
        )


def _gyro_angle(pitches: pl.DataFrame, evidence: Evidence) -> Iterator[Finding]:
    """Most of a fastball's spin is active."""
    definition = _source(evidence, "spin_efficiency", "definition")
    hard = pitches.filter("is_hard").drop_nulls("spin_efficiency")
    median = hard.get_column("spin_efficiency").median()
    # common practice, no source: a fastball's is 0.7 to 1, a cutter's 0.3 to 0.6
    if "gyro angle" in definition and _is_enough(hard, _ARMS_NEEDED) and isinstance(median, float) and median < 0.4:
        yield Finding(
            "spin_efficiency",
            f"spin efficiency of fastballs is {median:.2f} (median of {hard.height:,}); most of a fastball's spin is active.",
            "Likely answer: the other gyro_from in [metric.spin_efficiency].",
        )


# ---- units and planes, by the usual range ---------------------------------------------------------------------------------------------------


class _Usual(NamedTuple):
    """Where the median over many pitches lies, and the units that a device may use. Ranges: common practice, no source."""

    low: float
    high: float
    units: tuple[str, ...]
    is_sideways: bool = False


_LENGTHS = ("ft", "inch", "m", "cm")
_SPEEDS = ("mph", "km/h", "m/s", "ft/s")
_USUAL: dict[str, _Usual] = {
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


def _typical_range(pitches: pl.DataFrame, evidence: Evidence) -> Iterator[Finding]:
    """Find metrics whose median is implausible in the stated unit and usual in another one."""
    for metric, usual in _USUAL.items():
        removed = evidence.impossible.filter(pl.col("metric") == metric).get_column("value").drop_nulls()
        values = pl.concat([pitches.get_column(metric).drop_nulls(), removed.cast(pl.Float64)])
        # what one arm does may be its own way, but not if no pitch can do it
        enough = (
            removed.len() > values.len() / 2 or pitches.drop_nulls(metric).get_column("arm").n_unique() >= _ARMS_NEEDED
        )
        if values.len() < _MOST_NEEDED or not enough:
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
    stated = _source(evidence, metric, "unit")
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
    if "rubber" in _source(evidence, "extension_ft", "definition"):
        from_tip = float(np.median(RUBBER_FT - readings))
        from_edge = from_tip - FRONT_EDGE_FT
        yield (
            f'it is the distance from the plate: measured_from = "back_tip" (then {from_tip:.1f} ft) or "front_edge" ({from_edge:.1f} ft)'
        )
    else:
        yield 'it is the distance from the rubber already: measured_from = "rubber"'


def _source(evidence: Evidence, metric: str, column: str) -> str:
    """Return the unit or definition of a metric by the profile; empty where it has none."""
    found = evidence.sources.filter(pl.col("metric") == metric).get_column(column).drop_nulls()
    return str(found[0]) if found.len() else ""


def evidence_by_tracker(
    sightings: pl.DataFrame, impossible: pl.DataFrame, sources: pl.DataFrame
) -> Iterator[tuple[str, Evidence]]:
    """Yield each tracker with its part of the frames. All three have a column `tracker`."""
    trackers: Sequence[str] = sorted(sightings.get_column("tracker").unique().to_list())
    for tracker in trackers:
        parts = (frame.filter(pl.col("tracker") == tracker) for frame in (sightings, impossible, sources))
        yield tracker, Evidence(*parts)


# the columns of table sightings that find_contradictions reads
COLUMNS = (
    *("tracker", "pitcher_id", "pitcher_label", "pitcher_native_id", "pitcher_hand"),
    *_USUAL,
    "spin_axis_deg",
    "pitch_type",
)
