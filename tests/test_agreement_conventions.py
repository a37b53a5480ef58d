"""A mirrored or upside-down column, a wrong unit and gravity's drop are reported from the first night, and honest columns never."""

from collections.abc import Callable
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.agreement.conventions.explanations import explanations
from pipeline.agreement.conventions.mismatches import conventions_by_night, mismatch_table
from pipeline.agreement.facts.readings import Pair
from pipeline.agreement.facts.standards import Standards
from pipeline.reports.agreement_todo import agreement_todo
from schemas.metrics import METRICS
from tests.simulator.agreement_world import Seen, measure_agreement, season

RANKS = {"radar": 1, "unit": 2, "camera": 3}
STANDARDS = Standards.with_defaults({}, RANKS)
FIRST_NIGHT = date(2026, 2, 13)
FLIGHT_S = 0.42
# gravity's drop in that time: 12 x 32.174 / 2 x 0.42^2 in (standard gravity)
DROP_IN = -34.05

# Means and spreads of a night of right- and left-handed arms with several pitch types: invented, about what college pitches are.
MIXED = {
    "horizontal_break_in": (-3.0, 10.0),
    "release_side_ft": (-0.8, 1.7),
    "plate_side_ft": (0.0, 0.8),
    "horizontal_approach_deg": (0.0, 1.8),
    "vertical_approach_deg": (-6.0, 1.2),
    "induced_vertical_break_in": (8.0, 7.0),
    "release_height_ft": (5.8, 0.4),
    "launch_angle_deg": (12.0, 22.0),
    "release_speed_mph": (85.0, 5.0),
    "spin_axis_deg": (180.0, 55.0),
}


def nights_of(
    metric: str, mistake: Callable[[np.ndarray], np.ndarray], nights: int = 1, pitches: int = 30, seed: int = 1
) -> pl.DataFrame:
    """Return a pair's readings, b's changed by `mistake`; each has an error of 0.3 tolerances and 1 % gross errors."""
    rng, n = np.random.default_rng(seed), nights * pitches
    truth, tolerance = rng.normal(*MIXED[metric], n), METRICS[metric].tolerance
    a, b = (
        truth + rng.normal(0, 0.3 * tolerance, n) + np.where(rng.random(n) < 0.01, 8 * tolerance, 0) for _ in range(2)
    )
    b = mistake(b)
    if METRICS[metric].circular:
        a, b = a % 360, b % 360
    days = [FIRST_NIGHT + timedelta(days=night) for night in range(nights) for _ in range(pitches)]
    return pl.DataFrame(
        {
            "baseball_day": days,
            f"a.{metric}": a,
            f"b.{metric}": b,
            "a.flight_time_s": FLIGHT_S,
            "b.flight_time_s": None,
        },
        schema_overrides={"baseball_day": pl.Date, "b.flight_time_s": pl.Float64},
    )


def found_in(readings: pl.DataFrame) -> pl.DataFrame:
    """Return the mismatches of a pair's readings."""
    names = {column[2:] for column in readings.columns if column.startswith("a.")}
    centers = readings.group_by("baseball_day", maintain_order=True).agg(
        (pl.col(f"a.{name}").is_not_null() & pl.col(f"b.{name}").is_not_null())
        .sum()
        .cast(pl.Float64)
        .alias(f"n.{name}")
        for name in sorted(names)
    )
    centers = centers.with_columns(tracker_a=pl.lit("radar"), tracker_b=pl.lit("unit"))
    pair = Pair("radar", "unit", readings)
    return mismatch_table(conventions_by_night(pair, STANDARDS.tolerances), centers, STANDARDS)


@pytest.mark.parametrize(
    ("metric", "mistake", "explanation"),
    [
        ("horizontal_break_in", lambda b: -b, "sides_swapped"),
        ("release_side_ft", lambda b: -b, "sides_swapped"),
        ("plate_side_ft", lambda b: -b, "sides_swapped"),
        ("horizontal_approach_deg", lambda b: -b, "sides_swapped"),
        ("vertical_approach_deg", lambda b: -b, "upside_down"),
        ("launch_angle_deg", lambda b: -b, "upside_down"),
        ("induced_vertical_break_in", lambda b: -b, "upside_down"),
        ("induced_vertical_break_in", lambda b: b + DROP_IN, "gravity"),
        ("induced_vertical_break_in", lambda b: -(b + DROP_IN), "gravity_upside_down"),
        ("spin_axis_deg", lambda b: -b, "sides_swapped"),
        ("spin_axis_deg", lambda b: b + 180, "half_turn"),
        ("spin_axis_deg", lambda b: 180 - b, "upside_down"),
        ("spin_axis_deg", lambda b: b + 90, "quarter_turn"),
        ("spin_axis_deg", lambda b: 90 - b, "quarter_turn_mirrored"),
        # exact by definition: 1 ft = 12 in = 0.3048 m, 1 mile = 1.609344 km (NIST SP 811, appendix B.8)
        ("release_height_ft", lambda b: b / 12, "unit"),
        ("release_height_ft", lambda b: b * 0.3048, "unit"),
        ("horizontal_break_in", lambda b: b * 2.54, "unit"),
        ("horizontal_break_in", lambda b: -b * 2.54, "unit_reversed"),
        ("release_speed_mph", lambda b: b / 1.609344, "unit"),
    ],
)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_mistake_is_found_on_the_first_night(
    metric: str, mistake: Callable[[np.ndarray], np.ndarray], explanation: str, seed: int
) -> None:
    (row,) = found_in(nights_of(metric, mistake, seed=seed)).filter(metric=metric).to_dicts()
    assert row["explanation"] == explanation
    assert row["latest"] and row["nights"] == 1
    assert row["remaining"] < row["difference"] / 3


@pytest.mark.parametrize("metric", sorted(MIXED))
@pytest.mark.parametrize("bias", [0.0, 2.0, -5.0])
def test_an_honest_bias_is_no_mistake(metric: str, bias: float) -> None:
    shift = bias * METRICS[metric].tolerance * (0.4 if METRICS[metric].circular else 1.0)
    for seed in range(5):
        assert found_in(nights_of(metric, lambda b: b + shift, nights=6, seed=seed)).is_empty()


def test_readings_that_hardly_vary_do_not_make_a_bias_look_like_a_swap() -> None:
    # one arm at -0.5 ft and a unit turned by a degree: b reads +0.5, which a swapped sign would explain as well
    rng = np.random.default_rng(4)
    for _ in range(20):
        truth = rng.normal(-0.5, 0.12, 40)
        readings = pl.DataFrame(
            {
                "baseball_day": [FIRST_NIGHT] * 40,
                "a.release_side_ft": truth + rng.normal(0, 0.08, 40),
                "b.release_side_ft": truth + 1.0 + rng.normal(0, 0.08, 40),
            }
        )
        assert found_in(readings).is_empty()


def test_readings_without_any_relation_have_no_explanation() -> None:
    scrambled = np.random.default_rng(5).permutation
    for metric in MIXED:
        assert found_in(nights_of(metric, scrambled, nights=3)).filter(metric=metric).is_empty()


def test_nights_with_few_pitches_are_taken_together() -> None:
    assert found_in(nights_of("horizontal_break_in", lambda b: -b, nights=1, pitches=8)).is_empty()
    (row,) = found_in(nights_of("horizontal_break_in", lambda b: -b, nights=4, pitches=8)).to_dicts()
    assert (row["n"], row["nights"]) == (32, 4)


def test_a_setting_that_was_wrong_on_some_nights_has_its_days() -> None:
    night = np.repeat(np.arange(10), 30)
    readings = nights_of("horizontal_break_in", lambda b: np.where((night > 3) & (night < 7), -b, b), nights=10)
    (row,) = found_in(readings).to_dicts()
    assert (row["from_day"], row["until_day"]) == (FIRST_NIGHT + timedelta(days=4), FIRST_NIGHT + timedelta(days=6))
    assert not row["latest"]


def test_every_explanation_is_undone_by_its_own_residual() -> None:
    a, drop_in = np.array([3.0, -7.5, 12.0]), np.full(3, DROP_IN)
    for metric in MIXED:
        for reason in explanations(metric):
            b = (
                reason.sign * a + reason.turn_deg
                if METRICS[metric].circular
                else reason.sign * reason.ratio * (a + reason.gravity * drop_in)
            )
            assert reason.residuals(metric, a, b, drop_in) == pytest.approx(0, abs=1e-9), (metric, reason)


SIDES = ("horizontal_break_in", "release_side_ft", "plate_side_ft")


def _mirrored(seen: Seen, nights: range, *, axis: bool = True) -> Seen:
    days = seen.pitches["baseball_day"].unique().sort()
    wrong = (pl.col("tracker") == "unit") & pl.col("baseball_day").is_in([days[night] for night in nights])
    changes = [pl.when(wrong).then(-pl.col(name)).otherwise(name).alias(name) for name in SIDES]
    if axis:
        changes.append(
            pl.when(wrong).then(-pl.col("spin_axis_deg") % 360).otherwise("spin_axis_deg").alias("spin_axis_deg")
        )
    return seen._replace(sightings=seen.sightings.with_columns(changes))


@pytest.mark.parametrize(("nights", "wrong"), [(1, range(1)), (12, range(12)), (12, range(9, 12)), (12, range(4, 7))])
def test_a_mirrored_tracker_is_one_thing_to_do_and_nothing_is_said_of_its_setup(nights: int, wrong: range) -> None:
    metrics = (*SIDES, "release_height_ft", "extension_ft", "plate_height_ft", "spin_axis_deg")
    seen = season(np.random.default_rng(3), nights, 40, {"radar": 0.3, "unit": 0.3}, metrics, 0.05)
    tables = measure_agreement(_mirrored(seen, wrong), RANKS)
    (todo,) = agreement_todo(tables.convention_mismatches, tables.setup, tables.drift, {"unit": "Bullpen unit 2"})
    assert todo.kind == "unlike"
    assert todo.sentence.startswith("Bullpen unit 2 reads spin axis, horizontal break, release side and plate side with left and right swapped, compared with radar (")  # fmt: skip
    assert todo.remedy.startswith(
        "Check `positive` and `view` of these metrics in the profiles of radar and Bullpen unit 2."
    )
    assert tables.proposed_corrections.is_empty()
    assert not tables.drift["alarm"].any()
    assert not tables.setup["crooked"].any()


def test_of_three_trackers_the_one_that_differs_from_both_is_the_suspect() -> None:
    seen = season(np.random.default_rng(3), 2, 40, {"radar": 0.3, "unit": 0.3, "camera": 0.3}, SIDES)
    tables = measure_agreement(_mirrored(seen, range(2), axis=False), RANKS)
    assert tables.convention_mismatches["suspect"].unique().to_list() == ["unit"]
    (todo,) = agreement_todo(tables.convention_mismatches, tables.setup, tables.drift, {})
    assert todo.remedy.startswith("Check `positive` of these metrics in the profile of unit.")
