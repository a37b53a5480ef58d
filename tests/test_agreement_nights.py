"""Facts of nights measured in any runs and order give the same tables.

To the last bit.
"""

import io
from datetime import date
from functools import cache

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.agreement import Agreement, NightFacts, Standards, agreement_of_nights, measure_nights, replace_nights
from pipeline.agreement.device_setup.corrections import Correction, apply_corrections
from schemas.exports import METRIC_SOURCES
from schemas.metrics import METRICS, TRAJECTORY
from schemas.sightings import CORRECTIONS_TYPE
from tests.conftest import examples
from tests.simulator.agreement_world import TRUTH, Seen, measure_agreement, season

RANKS = {"radar": 1, "camera": 2, "unit": 3}
STANDARDS = Standards.with_defaults({}, RANKS)
NIGHTS = 7
FLIGHT = {
    "trajectory_x_ft": (-1.0, 1.0), "trajectory_y_ft": (50.0, 0.0), "trajectory_z_ft": (5.5, 0.3),
    "trajectory_vx_fps": (3.0, 2.0), "trajectory_vy_fps": (-125.0, 4.0), "trajectory_vz_fps": (-4.0, 2.0),
    "trajectory_ax_fps2": (2.0, 8.0), "trajectory_ay_fps2": (28.0, 2.0), "trajectory_az_fps2": (-20.0, 6.0),
}  # fmt: skip


def uneven(seed: int) -> tuple[Seen, pl.DataFrame]:
    """Simulate a season with every irregularity, and its match pairs.

    Two stations, readings missing, a tracker half a turn off, one that is absent on a night and corrected on some, trajectories on one
    night only, labels that differ.
    """
    rng = np.random.default_rng(seed)
    seen = season(rng, NIGHTS, 14, metrics=tuple(TRUTH), night_sd=0.2)
    rows = seen.sightings.height
    night = pl.col("baseball_day").rank("dense") - 1
    absent = {name: pl.lit(None, pl.Float64) for name in METRICS if name not in TRUTH}
    flights = {
        name: pl.when(night == 3).then(pl.Series(rng.normal(*of, rows))).otherwise(None) for name, of in FLIGHT.items()
    }
    sightings = seen.sightings.with_columns(**absent, **flights).with_columns(
        *(pl.when(pl.Series(rng.random(rows) > 0.15)).then(pl.col(name)).alias(name) for name in TRUTH)
    )
    sightings = sightings.with_columns(
        spin_axis_deg=(pl.col("spin_axis_deg") + pl.when(pl.col("tracker") == "unit").then(178.0).otherwise(0.0)) % 360,
        pitch_type=pl.when(pl.Series(rng.random(rows) > 0.2)).then("pitch_type").otherwise(pl.lit("cutter")),
        corrections=pl.lit(None, CORRECTIONS_TYPE),
    )
    here = (pl.col("tracker") != "camera") | (night != 2)
    days = seen.pitches["baseball_day"].unique().sort().to_list()
    moved = Correction("unit", "release_speed_mph", None, -0.4, days[1], days[3], "reads high")
    sightings = apply_corrections(sightings.filter(here), [moved])
    station = pl.when(pl.Series(rng.random(seen.pitches.height) > 0.5)).then(pl.lit("bullpen")).otherwise("station")
    pitches = seen.pitches.with_columns(station.alias("station"))
    matches = seen.matches.filter(pl.col("sighting_id").is_in(sightings["sighting_id"].to_list()))
    return Seen(sightings, matches, pitches), match_pairs(rng, Seen(sightings, matches, pitches))


def match_pairs(rng: np.random.Generator, seen: Seen) -> pl.DataFrame:
    ids = seen.sightings.select("sighting_id", "tracker").join(seen.matches, on="sighting_id")
    both = ids.join(ids, on="group_id", suffix="_b").filter(
        pl.col("tracker").replace_strict(RANKS) < pl.col("tracker_b").replace_strict(RANKS)
    )
    return both.select(
        sighting_a="sighting_id",
        sighting_b="sighting_id_b",
        tracker_a="tracker",
        tracker_b="tracker_b",
        merged=pl.Series(rng.random(both.height) > 0.1),
        time_evidence=pl.Series(rng.normal(4.0, 2.0, both.height)),
    )


SEEN, PAIRS = uneven(1)
DAYS: list[date] = SEEN.pitches["baseball_day"].unique().sort().to_list()


def facts_of(nights: list[int]) -> NightFacts:
    days = [DAYS[night] for night in nights]
    sightings = SEEN.sightings.filter(pl.col("baseball_day").is_in(days))
    return measure_nights(SEEN._replace(sightings=sightings).with_pairs(PAIRS), STANDARDS)


def through_parquet(facts: NightFacts) -> NightFacts:
    frames = []
    for frame in facts:
        file = io.BytesIO()
        frame.write_parquet(file)
        file.seek(0)
        frames.append(pl.read_parquet(file))
    return NightFacts(*frames)


def same(found: Agreement, expected: Agreement) -> None:
    for name, table in expected._asdict().items():
        assert_frame_equal(getattr(found, name), table, check_exact=True)


@cache
def all_tables() -> Agreement:
    """Return the tables of one run over all nights; importing this file must not cost a second, because each worker collects all tests."""
    return measure_agreement(SEEN, RANKS, match_pairs=PAIRS)


def test_the_simulated_season_has_every_irregularity() -> None:
    assert {"before_corrections", "station", "month"} <= set(all_tables().agreement["slice_by"])
    assert all_tables().selection["kept_apart"].sum() > 0
    assert all_tables().setup.height > 0
    assert all_tables().label_confusion.filter(pl.col("label_a") != pl.col("label_b")).height > 0
    turned = all_tables().agreement.filter(tracker_a="radar", tracker_b="unit", metric="spin_axis_deg", slice_by="all")
    assert abs(turned["bias"].item()) > 170


def check_runs(run_of: list[int], order: list[int]) -> None:
    """Measure the nights in up to four runs, `run_of` naming each night's run, and compare with one run."""
    parts = [[night for night in range(NIGHTS) if run_of[night] == run] for run in order]
    facts = facts_of([])
    for part in parts:
        facts = replace_nights(through_parquet(facts), facts_of(part), [DAYS[night] for night in part])
    same(agreement_of_nights(facts, STANDARDS, METRIC_SOURCES.empty()), all_tables())


def test_nights_measured_in_two_runs_give_what_one_run_gives() -> None:
    check_runs([1, 0, 1, 1, 0, 0, 1], [0, 1])


@pytest.mark.slow
@settings(max_examples=8, deadline=None)
@given(st.lists(st.integers(0, 3), min_size=NIGHTS, max_size=NIGHTS), st.permutations(range(4)))
def test_nights_measured_in_any_runs_give_what_one_run_gives(run_of: list[int], order: list[int]) -> None:
    check_runs(run_of, order)


@settings(max_examples=examples(8), deadline=None)
@given(st.sets(st.integers(0, NIGHTS - 1), min_size=1))
def test_other_nights_do_not_change_a_night_s_facts_by_one_bit(nights: set[int]) -> None:
    days = [DAYS[night] for night in nights]
    for name, frame in facts_of(sorted(nights))._asdict().items():
        key = [column for column in frame.columns if frame[column].dtype in (pl.Date, pl.String)]
        overall = getattr(EVERY_NIGHT, name).filter(pl.col("baseball_day").is_in(days))
        assert_frame_equal(
            frame.sort(key, maintain_order=True),
            overall.select(frame.columns).sort(key, maintain_order=True),
            check_exact=True,
        )


EVERY_NIGHT = facts_of(list(range(NIGHTS)))


@settings(max_examples=examples(8), deadline=None)
@given(st.integers(0, 1000))
def test_rows_in_any_order_give_the_same_to_the_last_bit(seed: int) -> None:
    mixed = Seen(*(frame.sample(fraction=1.0, shuffle=True, seed=seed) for frame in SEEN))
    pairs = PAIRS.sample(fraction=1.0, shuffle=True, seed=seed + 1)
    same(measure_agreement(mixed, RANKS, match_pairs=pairs), all_tables())


def test_a_removed_night_leaves_no_trace() -> None:
    without = replace_nights(EVERY_NIGHT, facts_of([]), [DAYS[4]])
    assert all(DAYS[4] not in frame["baseball_day"] for frame in without)
    same(
        agreement_of_nights(without, STANDARDS, METRIC_SOURCES.empty()),
        agreement_of_nights(
            facts_of([night for night in range(NIGHTS) if night != 4]), STANDARDS, METRIC_SOURCES.empty()
        ),
    )


def test_no_night_at_all_gives_empty_tables() -> None:
    tables = agreement_of_nights(facts_of([]), STANDARDS, METRIC_SOURCES.empty())
    assert all(table.is_empty() for table in tables)


def test_trackers_that_read_no_metric_in_common_have_no_row() -> None:
    by_radar, by_camera = pl.col("tracker") == "radar", pl.col("tracker") == "camera"
    differences = SEEN.sightings.filter(by_radar | by_camera).with_columns(
        *(
            pl.when(by_radar if name == "spin_rate_rpm" else by_camera).then(pl.col(name)).alias(name)
            for name in METRICS
        ),
        *(pl.lit(None, pl.Float64).alias(name) for name in TRAJECTORY),
    )
    tables = measure_agreement(SEEN._replace(sightings=differences), RANKS)
    assert tables.agreement.is_empty() and tables.precision.is_empty() and tables.drift.is_empty()
    assert tables.label_agreement.height


# the combined figures against those computed from the readings


def _differences(tracker_a: str, tracker_b: str, metric: str) -> pl.DataFrame:
    ids = SEEN.sightings.select("sighting_id", "tracker", metric).join(SEEN.matches, on="sighting_id")
    a, b = (ids.filter(tracker=tracker) for tracker in (tracker_a, tracker_b))
    contexts = SEEN.pitches.with_columns(group_id="s" + pl.col("pitch_id").str.slice(1), month=pl.lit("2026-02"))
    return a.join(b, on="group_id", suffix="_b").drop_nulls([metric, f"{metric}_b"]).join(contexts, on="group_id")


@pytest.mark.parametrize("slice_by", ["all", "pitch_type", "station", "month"])
@pytest.mark.parametrize("metric", ["release_speed_mph", "spin_rate_rpm", "plate_side_ft"])
def test_combined_figures_equal_those_of_the_readings_themselves(metric: str, slice_by: str) -> None:
    both = _differences("radar", "camera", metric).with_columns(pl.lit("").alias("all"))
    for row in all_tables().agreement.filter(tracker_a="radar", tracker_b="camera", metric=metric, slice_by=slice_by).iter_rows(named=True):  # fmt: skip
        used = both.filter(pl.col(slice_by) == row["slice"])
        x, y = used[metric].to_numpy(), used[f"{metric}_b"].to_numpy()
        d = y - x
        assert (row["n"], row["nights"]) == (len(d), used["baseball_day"].n_unique())
        assert row["bias"] == pytest.approx(d.mean(), rel=1e-10)
        assert row["robust_bias"] == pytest.approx(np.median(d), rel=1e-12)
        assert row["robust_sd"] == pytest.approx(1.4826 * np.median(np.abs(d - np.median(d))), rel=1e-12)
        assert row["share_beyond"] == pytest.approx(np.mean(np.abs(d) > METRICS[metric].tolerance))
        ccc = 2 * np.cov(x, y, ddof=0)[0, 1] / (x.var() + y.var() + (x.mean() - y.mean()) ** 2)
        assert row["concordance"] == pytest.approx(ccc, rel=1e-9)


def _apart_from_radar(seen: Seen, metric: str) -> pl.DataFrame:
    """Of the pitches that all three read.

    Baseball_day, u = camera - radar, v = unit - radar.
    """
    ids = seen.sightings.select("sighting_id", "tracker", "baseball_day", metric).join(seen.matches, on="sighting_id")
    wide = ids.pivot("tracker", index=["group_id", "baseball_day"], values=metric).drop_nulls().sort("group_id")
    return wide.select("baseball_day", u=pl.col("camera") - pl.col("radar"), v=pl.col("unit") - pl.col("radar"))


def _grubbs(covariance: np.ndarray) -> list[float]:
    """Grubbs, Technometrics 1973;15:53.

    The radar's, camera's and unit's own variances from the covariances of u and v.
    """
    shared = float(covariance[0, 1])
    return [shared, float(covariance[0, 0]) - shared, float(covariance[1, 1]) - shared]


def _own_variances(tables: Agreement, metric: str) -> list[float]:
    return [tables.precision.filter(tracker=name, metric=metric)["variance"].item() for name in RANKS]


@pytest.mark.parametrize("metric", ["extension_ft", "spin_rate_rpm", "release_speed_mph"])
def test_own_errors_of_one_night_are_grubbs_s_exactly(metric: str) -> None:
    seen = season(np.random.default_rng(5), 1, 40, metrics=(metric,), night_sd=0.3)
    expected = _grubbs(np.cov(_apart_from_radar(seen, metric).select("u", "v").to_numpy().T))
    assert _own_variances(measure_agreement(seen, RANKS), metric) == pytest.approx(expected, rel=1e-9)


def test_own_errors_over_nights_are_grubbs_s_of_both_variance_components() -> None:
    # the one-way split of two variables (Searle, Linear Models 1971, chapter 11), from the readings themselves
    nights = [
        part.select("u", "v").to_numpy()
        for part in _apart_from_radar(SEEN, "extension_ft").partition_by("baseball_day")
    ]
    sizes, overall = np.array([len(part) for part in nights]), np.concatenate(nights).mean(axis=0)
    pitches = sizes.sum()
    left = [part - part.mean(axis=0) for part in nights]
    within = sum(part.T @ part for part in left) / (pitches - len(nights))
    differences = [np.sqrt(len(part)) * (part.mean(axis=0) - overall) for part in nights]
    between = sum(np.outer(part, part) for part in differences) / (len(nights) - 1)
    n0 = (pitches - (sizes**2).sum() / pitches) / (len(nights) - 1)
    expected = _grubbs(np.asarray(within + (between - within) / n0))
    assert _own_variances(all_tables(), "extension_ft") == pytest.approx(expected, rel=1e-9)


def test_half_a_turn_between_trackers_does_not_split_the_differences() -> None:
    row = all_tables().agreement.filter(tracker_a="radar", tracker_b="unit", metric="spin_axis_deg", slice_by="all").row(0, named=True)  # fmt: skip
    d = _differences("radar", "unit", "spin_axis_deg")
    differences = np.radians((d["spin_axis_deg_b"] - d["spin_axis_deg"]).to_numpy())
    direction = np.degrees(np.angle(np.exp(1j * differences).mean()))
    assert abs((row["bias"] - direction + 180) % 360 - 180) < 1
    assert row["sd"] < 25
    assert row["share_beyond"] == 1


def test_the_simulated_season_has_all_columns_of_sightings() -> None:
    assert set(METRICS) | set(TRAJECTORY) <= set(SEEN.sightings.columns)
