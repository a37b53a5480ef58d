"""Compare the spin axis with the breaks, and with what fastballs do."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.exports.contradictions.evidence import (
    LEAST_ARMS,
    LEAST_BREAK_IN,
    LEAST_PITCHES,
    MAJORITY,
    Evidence,
    Finding,
    Floats,
    arm_side_sign,
    is_enough,
    opposed_share,
    share_of,
)
from pipeline.physics.frames import wrapped_deg

# a pitch can tell two directions apart where they predict breaks farther apart than this (deg)
_LEAST_DIFFERENCE_DEG = 40.0
# A measured axis and that of the break differ by a median of 17 degrees, and by 44 on one pitch in ten (two published data sets): a median
# this large has another cause (deg) ...
_AXIS_WRONG_DEG = 45.0
# ... is wrong even if no change explains it (deg) ...
_AXIS_FAR_OFF_DEG = 60.0
# ... and a change explains it if this median remains (deg)
_AXIS_RIGHT_DEG = 30.0
# An axis that is turned from the break by less than this on all pitches alike may be the seams' work (deg; common practice, no source) ...
_LARGE_TURN_DEG = 75.0
# ... alike: the length of the mean direction (common practice, no source)
_SAME_TURN = 0.7
# a break of more than this needs mostly active spin (in; common practice, no source)
_LARGE_BREAK_IN = 10.0
# a push is mostly down within 53 degrees of it
_MOSTLY = 0.6
# the push of an axis counts as sideways from 20 degrees off the vertical
_LEAST_PUSH = 0.34


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


def check_axis_and_breaks(pitches: pl.DataFrame, _: Evidence) -> Iterator[Finding]:
    """Compare the direction of the spin axis with that of the break: the axis pushes the ball toward (sin a, -cos a)."""
    moving = pitches.drop_nulls(["spin_axis_deg", "horizontal_break_in", "induced_vertical_break_in"]).filter(
        (pl.col("horizontal_break_in") ** 2 + pl.col("induced_vertical_break_in") ** 2).sqrt() >= LEAST_BREAK_IN
    )
    if not is_enough(moving):
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
    if best == _NONE or told < LEAST_PITCHES or wins[can_tell].mean() < MAJORITY:
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
    if is_enough(moving.filter(pl.Series(large)), LEAST_ARMS) and np.median(apart[large]) > _AXIS_FAR_OFF_DEG:
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
        arm_sign = arm_side_sign(hard)
        run = share_of((hard.get_column("horizontal_break_in") * arm_sign > 0).drop_nulls())
        push = share_of((hard.get_column("spin_axis_deg").radians().sin() * arm_sign > 0).drop_nulls())
        if arm_sign.count() < LEAST_PITCHES or abs(run - push) < 0.5:
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
    if lift.len() < LEAST_PITCHES:
        return "spin_axis_deg", f"{axis} Or check {breaks}."
    if share_of(lift > 0) > 0.5:
        turns = " and turns to the other way" if best.is_mirrored else ""
        return "spin_axis_deg", f"Likely answer: the axis is upside down; change backspin_at by 180{turns}."
    metric = "induced_vertical_break_in" if best.is_mirrored else "spin_axis_deg"
    return metric, f"Likely answer: the breaks are upside down; check {breaks}."


def check_fastball_axis(pitches: pl.DataFrame, _: Evidence) -> Iterator[Finding]:
    """A fastball's spin pushes up and toward the arm side; this needs no breaks, but the pitcher's hand."""
    push = pl.col("spin_axis_deg").radians()
    hard = pitches.filter("is_hard").drop_nulls("spin_axis_deg").with_columns(across=push.sin(), up=-push.cos())
    if not is_enough(hard, LEAST_ARMS):
        return
    # a submarine pitcher's fastball is pushed sideways, and a little down
    down, push_up = share_of(hard.get_column("up") < 0), hard.get_column("up").median()
    if down >= MAJORITY and isinstance(push_up, float) and push_up < -_MOSTLY:
        yield Finding(
            "spin_axis_deg",
            f"the spin axis pushes {down:.0%} of {hard.height:,} fastballs down; a fastball has backspin.",
            "Likely answer: backspin_at differs by 180 in [metric.spin_axis_deg].",
        )
    sideways = hard.drop_nulls("arm_sign").filter(pl.col("across").abs() >= _LEAST_PUSH)
    against = opposed_share(sideways, "across", "arm_sign")
    if against:
        yield Finding(
            "spin_axis_deg",
            f"the spin axis pushes {against:.0%} of {sideways.height:,} fastballs to the glove side.",
            "Likely answer: the other view (or the other turns) in [metric.spin_axis_deg].",
        )
