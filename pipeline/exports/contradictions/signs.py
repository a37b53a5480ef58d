"""Compare sides, signs and planes with the rules of the sport: hands, fastballs, gravity."""

from collections.abc import Iterator

import polars as pl

from pipeline.exports.contradictions.evidence import (
    LEAST_ARMS,
    LEAST_BREAK_IN,
    LEAST_PITCHES,
    LEAST_SIDE_FT,
    MAJORITY,
    Evidence,
    Finding,
    is_enough,
    opposed_share,
    share_of,
    source_text,
)
from pipeline.exports.mapping.null_reasons import Why
from schemas.metrics import METRICS

# the median vertical break of fastballs is above this, those of submarine pitchers too (in; common practice, no source)
_LOWEST_FASTBALL_IN = -12.0
# ... and not even one arm alone has one this low
_LOWEST_OF_ONE_ARM_IN = -18.0


def check_sides(pitches: pl.DataFrame, _: Evidence) -> Iterator[Finding]:
    """A right-hander releases on the third-base side, and his fastball runs there; a left-hander's the other way."""
    released = pitches.filter(pl.col("arm_sign").is_not_null() & (pl.col("release_side_ft").abs() >= LEAST_SIDE_FT))
    yield from _wrong_side(
        released, "release_side_ft", "arm_sign", 1, "the release side is not the side of the pitcher's arm"
    )
    running = pitches.filter(pl.col("is_hard") & (pl.col("horizontal_break_in").abs() >= LEAST_BREAK_IN / 2))
    by_hand = running.drop_nulls("arm_sign")
    if by_hand.height:
        yield from _wrong_side(
            by_hand, "horizontal_break_in", "arm_sign", LEAST_ARMS, "fastballs run to the glove side"
        )
        return
    by_side = running.filter(pl.col("release_side_ft").abs() >= LEAST_SIDE_FT)
    against = opposed_share(by_side, "horizontal_break_in", "release_side_ft")
    if against:
        yield Finding(
            "horizontal_break_in",
            f"horizontal break runs away from the release side on {against:.0%} of {by_side.height:,} fastballs.",
            "One of them is mirrored: check positive in [metric.horizontal_break_in] and [metric.release_side_ft].",
        )


def _wrong_side(pitches: pl.DataFrame, metric: str, sign: str, arms: int, what: str) -> Iterator[Finding]:
    """Yield a finding where a sideways reading is on the wrong side for most pitches, of both hands or of one."""
    if not is_enough(pitches, arms):
        return
    wrong = pitches.with_columns(wrong=pl.col(metric) * pl.col(sign) < 0)
    share = share_of(wrong.get_column("wrong"))
    by_hand = wrong.group_by(sign).agg(pl.len(), pl.col("wrong").mean()).filter(pl.col("len") >= LEAST_PITCHES)
    shares = by_hand.get_column("wrong").to_list()
    problem = f"{METRICS[metric].words}: {what} on {share:.0%} of {pitches.height:,} pitches."
    if len(shares) == 2 and max(shares) >= MAJORITY and min(shares) <= 1 - MAJORITY:
        answer = 'the column counts by the arm: positive = "arm_side" or "glove_side"'
        yield Finding(metric, problem, f"It is right for one hand only. Likely answer: {answer} in [metric.{metric}].")
    elif share >= MAJORITY:
        yield Finding(metric, problem, f"Likely answer: the other side as positive in [metric.{metric}].")


def check_gravity(pitches: pl.DataFrame, evidence: Evidence) -> Iterator[Finding]:
    """With gravity's drop in it, a break is never upward: no pitch rises."""
    metric = "induced_vertical_break_in"
    rising = evidence.sources.filter((pl.col("metric") == metric) & (pl.col("null_reason") == Why.RISING.text))
    affected = int(rising.get_column("affected").sum())
    if affected >= LEAST_PITCHES and affected >= pitches.height / 2:
        yield Finding(
            metric,
            f"vertical break is upward on {affected:,} pitches, though the profile says that gravity's drop is in it.",
            'Likely answer: gravity = "out" in [metric.induced_vertical_break_in].',
        )


def check_fastball_break(pitches: pl.DataFrame, _: Evidence) -> Iterator[Finding]:
    """A fastball has backspin: without gravity's drop its break is upward."""
    metric = "induced_vertical_break_in"
    known = pitches.drop_nulls(metric)
    hard = known.filter("is_hard")
    limit = _LOWEST_FASTBALL_IN if is_enough(hard, LEAST_ARMS) else _LOWEST_OF_ONE_ARM_IN
    median = hard.get_column(metric).median()
    if not is_enough(hard) or not isinstance(median, float) or median > limit:
        return
    others = known.filter(~pl.col("is_hard")).get_column(metric)
    is_flipped = others.len() >= LEAST_PITCHES and share_of(others > 0) > 0.5
    answer = 'positive = "down"' if is_flipped else 'gravity = "in" (with the drop), or positive = "down"'
    yield Finding(
        metric,
        f"induced vertical break of fastballs is {median:.0f} in (median of {hard.height:,}); a fastball's is positive.",
        f"Likely answer: {answer} in [metric.{metric}].",
    )


def check_plate_speed(pitches: pl.DataFrame, _: Evidence) -> Iterator[Finding]:
    """A ball loses about 8 % of its speed on the way to the plate."""
    both = pitches.drop_nulls(["release_speed_mph", "plate_speed_mph"])
    if (
        is_enough(both)
        and share_of(both.get_column("plate_speed_mph") >= both.get_column("release_speed_mph")) >= MAJORITY
    ):
        yield Finding(
            "plate_speed_mph",
            f"plate speed is not below release speed on most of {both.height:,} pitches.",
            "Likely answer: the columns or the planes (at) of the two speeds are swapped.",
        )


def check_approach(pitches: pl.DataFrame, _: Evidence) -> Iterator[Finding]:
    """A pitch comes down as it crosses the plate."""
    known = pitches.drop_nulls("vertical_approach_deg")
    if is_enough(known) and share_of(known.get_column("vertical_approach_deg") > 0) >= MAJORITY:
        yield Finding(
            "vertical_approach_deg",
            f"the ball rises as it crosses the plate on most of {known.height:,} pitches.",
            'Likely answer: positive = "down" in [metric.vertical_approach_deg].',
        )


def check_gyro_angle(pitches: pl.DataFrame, evidence: Evidence) -> Iterator[Finding]:
    """Most of a fastball's spin is active."""
    definition = source_text(evidence, "spin_efficiency", "definition")
    hard = pitches.filter("is_hard").drop_nulls("spin_efficiency")
    median = hard.get_column("spin_efficiency").median()
    # common practice, no source: a fastball's is 0.7 to 1, a cutter's 0.3 to 0.6
    if "gyro angle" in definition and is_enough(hard, LEAST_ARMS) and isinstance(median, float) and median < 0.4:
        yield Finding(
            "spin_efficiency",
            f"spin efficiency of fastballs is {median:.2f} (median of {hard.height:,}); most of a fastball's spin is active.",
            "Likely answer: the other gyro_from in [metric.spin_efficiency].",
        )
