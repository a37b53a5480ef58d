"""The agreement tables on simulated seasons whose truth is known.

Invented data: tests/simulator/agreement_world.py.
"""

import tomllib
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.agreement import Agreement
from pipeline.agreement.bias.limits import limits_of_agreement, split_by_night
from pipeline.agreement.bias.precision import own_errors, triple_moments
from pipeline.agreement.bias.regression import deming, intervals_of_line
from pipeline.agreement.bias.selection import selection_by_night, selection_table
from pipeline.agreement.device_setup.corrections import Correction, apply_corrections, toml_block, uncorrected
from pipeline.agreement.drift.charts import (
    average_run_length,
    between_night_sd,
    change_point,
    self_starting_scores,
)
from pipeline.agreement.drift.pair_charts import FALSE_ALARM_NIGHTS, Chart, Rule, rule_for, watch
from pipeline.agreement.facts.moments import night_moments
from pipeline.agreement.facts.readings import group_sightings
from pipeline.agreement.labels import label_tables, labels_by_night
from pipeline.agreement.wording import alarm_sentence
from schemas.contract import validate
from schemas.metrics import METRICS, TRAJECTORY
from schemas.sightings import CORRECTIONS_TYPE
from schemas.tables import TABLES
from tests.conftest import examples
from tests.simulator.agreement_world import TRUTH, Seen, measure_agreement, season

RANKS = {"radar": 1, "camera": 2, "unit": 3}
TOLERANCES = {name: metric.tolerance for name, metric in METRICS.items()}
TWO = {"radar": 0.3, "unit": 0.5}


def measured(seen: Seen, **more: pl.DataFrame) -> Agreement:
    return measure_agreement(seen, RANKS, **more)


def shifted(
    seen: Seen,
    tracker: str,
    amount: float,
    first_night: int,
    last_night: int = 10_000,
    metric: str = "release_speed_mph",
) -> Seen:
    days = seen.pitches["baseball_day"].unique().sort()
    off = (pl.col("tracker") == tracker) & pl.col("baseball_day").is_between(
        days[first_night], days[min(last_night, len(days) - 1)]
    )
    return seen._replace(
        sightings=seen.sightings.with_columns(
            pl.when(off).then(pl.col(metric) + amount).otherwise(metric).alias(metric)
        )
    )


def live(tables: Agreement) -> pl.DataFrame:
    return tables.drift.filter("alarm", "latest")


@pytest.mark.parametrize(
    ("nights", "per_night", "trackers"),
    [(25, 30, None), (1, 40, None), (1, 2, TWO), (3, 1, None), (12, 1, None), (2, 20, {"radar": 0.3})],
)
def test_every_table_keeps_its_contract_with_few_data(
    nights: int, per_night: int, trackers: dict[str, float] | None
) -> None:
    tables = measured(season(np.random.default_rng(1), nights, per_night, trackers, tuple(TRUTH), 0.1))
    for name, table in tables._asdict().items():
        validate(table, TABLES[name])


def test_no_sighting_at_all_gives_empty_tables() -> None:
    seen = season(np.random.default_rng(1), 1, 5)
    tables = measured(Seen(seen.sightings.clear(), seen.matches.clear(), seen.pitches.clear()))
    for name, table in tables._asdict().items():
        assert table.is_empty(), name
        validate(table, TABLES[name])


def test_readings_that_are_all_equal_give_zero_bias_and_spread() -> None:
    seen = season(np.random.default_rng(1), 8, 10)
    same = seen._replace(sightings=seen.sightings.with_columns(pl.lit(90.0).alias("release_speed_mph")))
    row = measured(same).agreement.filter(slice_by="all").row(0, named=True)
    assert (row["bias"], row["sd"], row["share_beyond"]) == (0.0, 0.0, 0.0)


def test_the_order_of_rows_changes_nothing() -> None:
    seen = season(np.random.default_rng(2), 12, 20, metrics=("release_speed_mph", "spin_axis_deg"), night_sd=0.2)
    mixed = Seen(*(frame.sample(fraction=1.0, shuffle=True, seed=5) for frame in seen))
    for name, table in measured(seen)._asdict().items():
        assert_frame_equal(table, getattr(measured(mixed), name), rel_tol=1e-9, check_row_order=True)


def test_the_difference_is_the_other_tracker_minus_the_one_of_better_rank() -> None:
    seen = shifted(season(np.random.default_rng(3), 10, 40, TWO), "unit", 1.5, 0)
    row = measured(seen).agreement.filter(slice_by="all").row(0, named=True)
    assert (row["tracker_a"], row["tracker_b"]) == ("radar", "unit")
    assert row["bias"] == pytest.approx(1.5, abs=0.1)
    assert row["share_beyond"] > 0.7


def test_slices_of_one_kind_hold_every_pitch_once() -> None:
    table = measured(season(np.random.default_rng(3), 40, 20, TWO)).agreement
    by_kind = table.group_by("slice_by").agg(pl.col("n").sum())
    assert by_kind["n"].to_list() == [800, 800, 800, 800]


def test_a_stated_tolerance_replaces_the_usual_one() -> None:
    seen = season(np.random.default_rng(3), 10, 40, TWO)
    table = measure_agreement(seen, RANKS, tolerances={"release_speed_mph": 0.25}).agreement
    assert table["tolerance"].unique().to_list() == [0.25]
    assert table.filter(slice_by="all")["share_beyond"].item() == pytest.approx(0.67, abs=0.06)


def test_a_result_from_few_nights_says_so() -> None:
    row = measured(season(np.random.default_rng(3), 1, 12, TWO)).agreement.filter(slice_by="all").row(0, named=True)
    assert row["small_n"]
    assert row["note"] == "only 12 pitches; only one night, so other nights may differ"


def test_two_quantities_by_definition_are_not_called_error() -> None:
    seen = season(np.random.default_rng(3), 10, 30, TWO, ("release_speed_mph", "spin_axis_deg", "plate_side_ft"))
    sources = pl.DataFrame(
        [
            ("radar", "spin_axis_deg", "spin axis, inferred from movement", None),
            ("unit", "spin_axis_deg", "spin axis, measured", None),
            ("radar", "release_speed_mph", "computed from the flight", "trajectory"),
            ("unit", "release_speed_mph", "speed (3-D) at release", None),
            ("radar", "plate_side_ft", "computed from the flight", "trajectory"),
            ("unit", "plate_side_ft", "side at front_edge", None),
        ],
        schema=["tracker", "metric", "definition", "computed_from"],
        orient="row",
    )
    overall = measured(seen, metric_sources=sources).agreement.filter(slice_by="all")
    same = dict(overall.select("metric", "same_quantity").iter_rows())
    assert same == {"release_speed_mph": False, "spin_axis_deg": False, "plate_side_ft": True}
    assert "inferred from movement against measured" in overall.filter(metric="spin_axis_deg")["note"].item()


def test_spin_axes_on_either_side_of_360_degrees_are_close() -> None:
    seen = season(np.random.default_rng(4), 10, 40, TWO, ("spin_axis_deg",))
    turned = seen._replace(sightings=seen.sightings.with_columns((pl.col("spin_axis_deg") - 200.0) % 360))
    row = measured(turned).agreement.filter(slice_by="all").row(0, named=True)
    assert abs(row["bias"]) < 3
    assert row["sd"] == pytest.approx(np.hypot(6, 10), abs=1.5)
    assert row["slope"] is None


def test_a_half_turn_keeps_its_bias_and_does_not_split_in_two() -> None:
    seen = season(np.random.default_rng(4), 10, 40, TWO, ("spin_axis_deg",))
    turned = shifted(seen, "unit", 179.0, 0, metric="spin_axis_deg")
    turned = turned._replace(sightings=turned.sightings.with_columns(pl.col("spin_axis_deg") % 360))
    row = measured(turned).agreement.filter(slice_by="all").row(0, named=True)
    assert abs(abs(row["bias"]) - 179) < 3
    assert row["sd"] < 15


def test_spin_axes_in_all_directions_get_quantiles_for_limits() -> None:
    seen = season(np.random.default_rng(4), 10, 40, TWO, ("spin_axis_deg",))
    anywhere = pl.Series("spin_axis_deg", np.random.default_rng(5).uniform(0, 360, seen.sightings.height))
    row = (
        measured(seen._replace(sightings=seen.sightings.with_columns(anywhere)))
        .agreement.filter(slice_by="all")
        .row(0, named=True)
    )
    assert row["interval_method"].startswith("quantiles")


def test_the_axis_of_a_pitch_with_little_active_spin_is_left_out() -> None:
    seen = season(np.random.default_rng(4), 10, 40, TWO, ("spin_axis_deg",))
    gyro = seen.sightings.with_columns(
        spin_efficiency=pl.when(pl.int_range(pl.len()) % 400 < 100).then(0.1).otherwise(0.9)
    )
    row = (
        measured(seen._replace(sightings=gyro))
        .agreement.filter(slice_by="all", metric="spin_axis_deg")
        .row(0, named=True)
    )
    assert row["n"] == 300


# own error


def test_each_tracker_s_own_error_is_found() -> None:
    table = measured(season(np.random.default_rng(5), 40, 50)).precision
    found = dict(table.select("tracker", "own_error_sd").iter_rows())
    assert found["radar"] == pytest.approx(0.3, abs=0.03)
    assert found["camera"] == pytest.approx(0.4, abs=0.03)
    assert found["unit"] == pytest.approx(0.6, abs=0.03)


def test_with_two_trackers_no_own_error_is_claimed() -> None:
    table = measured(season(np.random.default_rng(5), 10, 50, TWO)).precision
    assert table["own_error_sd"].null_count() == 2
    assert table["note"].str.contains("an own error cannot be estimated").all()


def test_correlated_errors_give_a_negative_variance_that_is_kept_and_noted() -> None:
    rng = np.random.default_rng(6)
    seen = season(rng, 30, 40)
    bent = rng.normal(0, 1.0, 1200)
    together = seen.sightings.with_columns(
        pl.Series(
            "release_speed_mph",
            seen.sightings["release_speed_mph"].to_numpy() + np.concatenate([0 * bent, bent, -bent]),
        )
    )
    row = measured(seen._replace(sightings=together)).precision.filter(tracker="radar").row(0, named=True)
    assert row["variance"] < 0
    assert row["own_error_sd"] is None
    assert "errors are correlated" in row["note"]


def test_an_own_error_near_zero_gets_an_upper_bound() -> None:
    readings = np.random.default_rng(8).normal(0, 1, (60, 3)) * [0.01, 1.0, 1.0]
    found = own_errors(triple_moments(readings, np.repeat(np.arange(12), 5)))
    assert found.low[0] < 0 < found.high[0]


# since when


def test_a_drift_is_dated_and_attributed_to_the_tracker_that_moved() -> None:
    seen = shifted(season(np.random.default_rng(7), 40, 50, night_sd=0.08), "unit", 0.7, 31)
    alarms = live(measured(seen))
    assert alarms.height == 2
    assert alarms["mover"].unique().to_list() == ["unit"]
    day = seen.pitches["baseball_day"].unique().sort()[31]
    for row in alarms.iter_rows(named=True):
        assert abs((row["change_day"] - day).days) <= 2
        assert row["change_low"] <= day <= row["change_high"]
        assert row["size"] == pytest.approx(0.7, abs=0.15)


def test_the_better_ranked_tracker_can_be_the_one_that_moved() -> None:
    alarms = live(measured(shifted(season(np.random.default_rng(7), 40, 50, night_sd=0.08), "radar", 0.7, 31)))
    assert alarms["mover"].unique().to_list() == ["radar"]
    assert alarms["sentence"].str.starts_with("radar has read release speed 0.").all()


def test_without_a_third_tracker_the_pitchers_own_history_shows_who_moved() -> None:
    seen = season(np.random.default_rng(9), 40, 60, TWO, night_sd=0.05)
    # pitchers keep their form: speeds of one pitcher's one pitch lie close together
    level = seen.pitches.select(
        "pitch_id",
        base=80 + 2 * pl.col("pitcher_id").str.slice(-1).cast(pl.Float64) + 5 * (pl.col("pitch_type") == "four_seam"),
    )
    ids = seen.matches.join(level.select(group_id="s" + pl.col("pitch_id").str.slice(1), base="base"), on="group_id")
    steady = seen.sightings.join(ids, on="sighting_id", maintain_order="left").with_columns(
        release_speed_mph=pl.col("base")
        + pl.col("release_speed_mph")
        - pl.col("release_speed_mph").mean().over("group_id")
        + pl.Series(np.tile(np.random.default_rng(1).normal(0, 1, 2400), 2))
    )
    alarms = live(measured(shifted(seen._replace(sightings=steady.select(seen.sightings.columns)), "unit", 1.0, 25)))
    assert alarms["mover"].to_list() == ["unit"]
    assert alarms["mover_how"].item() == "radar reads the same pitchers as before"


def test_a_drift_that_went_back_is_no_longer_live() -> None:
    tables = measured(shifted(season(np.random.default_rng(7), 50, 50, night_sd=0.08), "unit", 1.0, 20, 30))
    assert tables.drift.filter("alarm").height > 0
    assert live(tables).is_empty()


def test_the_level_that_lasts_longest_becomes_the_usual_level() -> None:
    tables = measured(shifted(season(np.random.default_rng(7), 60, 40, TWO, night_sd=0.08), "unit", 1.0, 15))
    assert tables.drift.filter("alarm").height > 5
    assert live(tables).is_empty()


def test_an_undisturbed_season_has_no_alarm() -> None:
    tables = measured(season(np.random.default_rng(10), 60, 40, metrics=tuple(TRUTH), night_sd=0.1))
    assert live(tables).is_empty()


def test_fewer_than_five_nights_have_no_chart() -> None:
    table = measured(season(np.random.default_rng(10), 4, 40)).drift
    assert table["ewma"].null_count() == table.height
    assert not table["alarm"].any()


def test_misread_pitches_do_not_move_a_night() -> None:
    seen = season(np.random.default_rng(11), 30, 50, TWO)
    wild = (pl.int_range(pl.len()) % 25 == 0) & (pl.col("tracker") == "unit")
    bad = seen.sightings.with_columns(
        pl.when(wild).then(pl.col("release_speed_mph") - 20).otherwise("release_speed_mph").alias("release_speed_mph")
    )
    table = measured(seen._replace(sightings=bad)).drift
    assert table["night_bias"].abs().max() < 0.4  # type: ignore[operator]


def test_the_family_of_charts_shares_one_rate_of_false_alarms() -> None:
    table = measured(season(np.random.default_rng(10), 8, 20, metrics=("release_speed_mph", "extension_ft"))).drift
    limit = table["ewma_high"].max() / (0.2 / 1.8) ** 0.5  # type: ignore[operator]
    assert average_run_length(limit) == pytest.approx(1.25 * FALSE_ALARM_NIGHTS * 6, rel=0.001)


def test_self_starting_scores_are_standard_normal_whatever_level_and_spread() -> None:
    # Hawkins 1987: the scores of an undisturbed series are independent standard normal
    rng = np.random.default_rng(12)
    scores = np.concatenate([self_starting_scores(rng.normal(5, 2, 25), np.ones(25))[2:] for _ in range(2000)])
    assert scores.mean() == pytest.approx(0, abs=0.02)
    assert scores.std() == pytest.approx(1, abs=0.02)
    assert np.mean(np.abs(scores) > 1.959964) == pytest.approx(0.05, abs=0.005)


def _undisturbed(rng: np.random.Generator, nights: int) -> Chart:
    n = rng.integers(15, 120, nights)
    se = 0.5 / np.sqrt(n)
    center = rng.normal(0, np.sqrt(se**2 + 0.08**2))
    days = [date(2026, 1, 1) + timedelta(days=night) for night in range(nights)]
    return Chart("a", "b", "release_speed_mph", days, n, center, se, between_night_sd(center, se))


@pytest.mark.slow
def test_undisturbed_charts_alarm_at_the_stated_rate() -> None:
    rng, rule = np.random.default_rng(13), rule_for(100.0)
    # the first alarm comes after the chart's first five nights, which can't alarm
    first = []
    for _ in range(200):
        stretches = watch(_undisturbed(rng, 500), rule).stretches
        first.append(stretches[1].alarmed if len(stretches) > 1 else 500)
    # standard error of the mean about 7
    assert 85 <= np.mean(first) <= 130


def test_a_large_step_after_few_nights_is_found_within_four() -> None:
    # five nights before and a step of 1 mph where nights vary by 0.05: the spread is hardly known, but the step is clear
    seen = shifted(season(np.random.default_rng(17), 9, 60, night_sd=0.05), "radar", 1.0, 5)
    alarms = live(measured(seen))
    assert alarms.height == 2
    assert alarms["mover"].unique().to_list() == ["radar"]
    assert alarms["nights_since"].to_list() == [4, 4]


@settings(max_examples=examples(40), deadline=None)
@given(st.integers(2, 30), st.integers(2, 30), st.floats(5, 50), st.integers(0, 1000))
def test_a_large_change_is_dated_to_the_night(before: int, after: int, size: float, seed: int) -> None:
    values = np.random.default_rng(seed).normal(0, 0.1, before + after) + size * (np.arange(before + after) >= before)
    found = change_point(values, np.full(before + after, 0.01))
    assert found.start == before
    assert found.first <= before <= found.last


@settings(max_examples=examples(30), deadline=None)
@given(st.integers(5, 80), st.integers(0, 1000))
def test_stretches_follow_each_other_without_gap(nights: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    chart = _undisturbed(rng, nights)
    jumpy = chart._replace(center=chart.center + np.cumsum(rng.random(nights) < 0.1) * rng.normal(0, 1))
    stretches = watch(jumpy, Rule(0.5, 0.01)).stretches
    assert stretches[0].start == 0
    assert stretches[-1].end == nights
    assert all(first.end == second.start for first, second in pairwise(stretches))


def test_an_alarm_is_one_sentence_with_size_date_and_counts() -> None:
    row = {
        "tracker_a": "radar", "tracker_b": "unit", "mover": "unit", "metric": "release_speed_mph", "level": 0.71, "usual_bias": -0.12,
        "change_day": date(2026, 10, 14), "baseball_day": date(2026, 10, 24), "nights_since": 9, "pitches_since": 212,
    }  # fmt: skip
    names = {"radar": "Stadium radar", "unit": "Bullpen unit 2"}
    assert alarm_sentence(row, names) == (
        "Bullpen unit 2 has read release speed 0.7 mph above Stadium radar since Oct 14 (9 nights, 212 pitches; before: 0.1 mph below)."
    )
    moved = row | {"mover": None, "metric": "plate_side_ft", "level": -0.3, "usual_bias": 0.0}
    assert "0.30 ft to the catcher's left of Stadium radar since Oct 14" in alarm_sentence(moved, names)
    assert alarm_sentence(moved, names).endswith("It is unknown which of the two moved.")


# corrections


def _full(seen: Seen) -> Seen:
    absent = [name for name in (*METRICS, *TRAJECTORY) if name not in seen.sightings.columns]
    more = [pl.lit(None, pl.Float64).alias(name) for name in absent] + [
        pl.lit(None, CORRECTIONS_TYPE).alias("corrections")
    ]
    return seen._replace(sightings=seen.sightings.with_columns(more))


def test_the_proposed_block_is_toml_and_undoes_the_drift() -> None:
    seen = _full(shifted(season(np.random.default_rng(7), 40, 50, night_sd=0.08), "unit", 0.7, 31))
    proposed = measured(seen).proposed_corrections
    assert proposed.height == 1
    block = tomllib.loads(proposed["block"].item())["correction"][0]
    assert set(block) == {"tracker", "metric", "amount", "from", "why"}
    correction = Correction(block["tracker"], block["metric"], None, block["amount"], block["from"], None, block["why"])
    corrected = measured(seen._replace(sightings=apply_corrections(seen.sightings, [correction])))
    assert live(corrected).is_empty()
    overall = corrected.agreement.filter(tracker_a="radar", tracker_b="unit")
    before, after = (overall.filter(slice_by=kind)["bias"].item() for kind in ("before_corrections", "all"))
    assert before - after == pytest.approx(-block["amount"] * 9 / 40, abs=0.03)


@settings(max_examples=examples(25), deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["release_speed_mph", "spin_axis_deg"]),
            st.floats(-5, 5),
            st.integers(0, 9),
            st.integers(0, 9),
        ),
        max_size=4,
    )
)
def test_the_raw_reading_is_kept_whatever_is_corrected(stated: list[tuple[str, float, int, int]]) -> None:
    seen = _full(season(np.random.default_rng(1), 10, 3, TWO, ("release_speed_mph", "spin_axis_deg")))
    first = date(2026, 2, 13)
    corrections = [
        Correction("unit", metric, None, amount, first + timedelta(low), first + timedelta(high), "why")
        for metric, amount, low, high in stated
    ]
    corrected = apply_corrections(seen.sightings, corrections)
    assert_frame_equal(
        uncorrected(corrected).drop("corrections"), seen.sightings.drop("corrections"), rel_tol=0, abs_tol=0
    )
    other = corrected.filter(tracker="radar")
    assert other["corrections"].null_count() == other.height


def test_a_corrected_sighting_keeps_the_raw_reading() -> None:
    seen = _full(season(np.random.default_rng(1), 2, 2, TWO))
    reading = seen.sightings.with_columns(release_speed_mph=pl.lit(91.3))
    row = apply_corrections(
        reading, [Correction("unit", "release_speed_mph", None, -0.7, None, None, "reads high")]
    ).row(-1, named=True)
    assert row["release_speed_mph"] == pytest.approx(90.6)
    assert row["corrections"] == [{"metric": "release_speed_mph", "raw_value": 91.3}]


def test_a_why_with_quotes_and_line_breaks_stays_one_toml_string() -> None:
    block = toml_block(
        Correction(
            'a"b', "release_speed_mph", None, -0.5, date(2026, 3, 1), date(2026, 3, 9), 'said "so"\n[[correction]]'
        )
    )
    read = tomllib.loads(block)["correction"]
    assert len(read) == 1
    assert read[0]["why"] == 'said "so"\n[[correction]]'


# labels


def test_labels_that_differ_are_counted_and_listed() -> None:
    seen = season(np.random.default_rng(14), 10, 30, TWO)
    off = (pl.col("tracker") == "unit") & (pl.col("pitch_type") == "slider") & (pl.int_range(pl.len()) % 2 == 0)
    sightings = seen.sightings.with_columns(
        pl.when(off).then(pl.lit("changeup")).otherwise("pitch_type").alias("pitch_type")
    )
    tables = label_tables(labels_by_night(group_sightings(sightings, seen.matches, seen.pitches), RANKS), RANKS)
    kappa = tables.label_agreement.filter(field="pitch_type").row(0, named=True)
    assert kappa["kappa_low"] < kappa["kappa"] < kappa["kappa_high"] < 1
    cell = tables.label_confusion.filter(field="pitch_type", label_a="slider", label_b="changeup").row(0, named=True)
    assert cell["pitches"] == pytest.approx((1 - kappa["share_equal"]) * 300)
    assert len(cell["example_pitch_ids"].split(",")) == 10
    assert set(cell["example_pitch_ids"].split(",")) <= set(seen.pitches["pitch_id"])


def test_an_unknown_label_is_no_disagreement() -> None:
    seen = season(np.random.default_rng(14), 10, 30, TWO)
    hidden = seen.sightings.with_columns(
        pl.when(pl.int_range(pl.len()) % 3 == 0).then(pl.lit("unknown")).otherwise("pitch_type").alias("pitch_type")
    )
    row = (
        label_tables(labels_by_night(group_sightings(hidden, seen.matches, seen.pitches), RANKS), RANKS)
        .label_agreement.filter(field="pitch_type")
        .row(0, named=True)
    )
    assert row["share_equal"] == 1
    assert row["n"] == 200


# selection


def _pairs(seen: Seen, kept_apart: pl.Expr) -> pl.DataFrame:
    ids = seen.sightings.select("sighting_id", "tracker").join(seen.matches, on="sighting_id")
    a, b = (ids.filter(tracker=tracker) for tracker in TWO)
    both = a.join(b, on="group_id", suffix="_b").select(sighting_a="sighting_id", sighting_b="sighting_id_b")
    return both.with_columns(
        tracker_a=pl.lit("radar"),
        tracker_b=pl.lit("unit"),
        merged=~kept_apart,
        time_evidence=pl.lit(6.0),
    )


def test_misread_pitches_that_the_matching_kept_apart_show_in_the_bound() -> None:
    seen = season(np.random.default_rng(15), 10, 40, TWO)
    wild = pl.int_range(pl.len()) % 20 == 0
    bad = seen.sightings.with_columns(
        pl.when(wild & (pl.col("tracker") == "unit"))
        .then(pl.col("release_speed_mph") + 9)
        .otherwise("release_speed_mph")
        .alias("release_speed_mph")
    )
    row = selection_table(
        selection_by_night(_pairs(seen, wild), group_sightings(bad, seen.matches, seen.pitches), TOLERANCES), RANKS
    ).row(0, named=True)
    assert (row["n_matched"], row["n_by_clock"], row["kept_apart"]) == (380, 400, 20)
    assert row["sd_by_clock"] > 2.5 * row["sd_matched"]
    assert row["verdict"].startswith(
        "20 of 400 pairs that the clock alone would match were kept apart; with them the spread is"
    )


def test_without_a_clock_there_is_no_bound() -> None:
    seen = season(np.random.default_rng(15), 10, 40, TWO)
    pairs = _pairs(seen, pl.lit(False)).with_columns(time_evidence=pl.lit(None, pl.Float64))
    row = selection_table(selection_by_night(pairs, group_sightings(*seen), TOLERANCES), RANKS).row(0, named=True)
    assert row["n_by_clock"] == 0
    assert row["verdict"].startswith("no bound")


# intervals


@pytest.mark.parametrize(("nights", "between"), [(1, 0.0), (10, 0.0), (10, 0.3), (30, 0.3)])
def test_95_percent_intervals_cover_the_truth(nights: int, between: float) -> None:
    rng, covered = np.random.default_rng(16), np.zeros(4)
    for _ in range(400):
        night = np.repeat(np.arange(nights), 40)
        a = rng.normal(86, 5, len(night))
        readings = (
            a + rng.normal(0, 0.3, len(night)),
            a + 0.5 + rng.normal(0, between, nights)[night] + rng.normal(0, 0.5, len(night)),
        )
        moments, sd = night_moments(*readings, night), np.sqrt(0.34 + between**2)
        limits = limits_of_agreement(split_by_night(moments))
        slope, _ = intervals_of_line(deming(moments, 0.09 / (0.25 + between**2)))
        covered += np.ravel(
            [
                limits.bias_low <= 0.5 <= limits.bias_high,
                limits.low_low <= 0.5 - 1.96 * sd <= limits.low_high,
                limits.high_low <= 0.5 + 1.96 * sd <= limits.high_high,
                slope.low <= 1 <= slope.high,
            ]
        )
    # 400 seasons: standard error 0.011. tests/benchmarks/bench_agreement.py prints the table from 1,000
    assert (covered / 400 > 0.92).all()
    assert (covered / 400 < 0.985).all()
