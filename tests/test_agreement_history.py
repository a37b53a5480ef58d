"""A tracker against its own pitchers' earlier nights.

Simulated pitchers whose outings vary, and a device that is turned or not.
"""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.agreement.device_setup.corrections import Correction, apply_corrections
from pipeline.agreement.drift.outings import (
    OutingSpread,
    PitcherHistory,
    outing_facts,
    outing_sd,
    outing_spread,
    pitcher_histories,
)
from pipeline.agreement.drift.own_history import RETURN_PITCHERS, shift_between, watch_history
from pipeline.agreement.facts.readings import group_sightings
from schemas.contract import validate
from schemas.drift import DRIFT, OWN_HISTORY
from schemas.metrics import METRICS, TRAJECTORY
from schemas.setup import SETUP
from schemas.sightings import CORRECTIONS_TYPE
from tests.conftest import examples
from tests.simulator.agreement_world import Seen, bullpens, measure_agreement, outings

CHANGE_P = 1 / (200 * 20)
SPREAD = OutingSpread(0.1, 60.0, 0.0)
RANKS = {"unit": 1}


def _shifted(history: PitcherHistory, amount: float, first: int, last: int = 10_000) -> PitcherHistory:
    nights = (np.arange(len(history.days)) >= first) & (np.arange(len(history.days)) <= last)
    return history._replace(value=history.value + amount * nights[:, None])


def _alarms(history: PitcherHistory, spread: OutingSpread = SPREAD) -> list[int]:
    return [place for place, night in enumerate(watch_history(history, spread, CHANGE_P)) if night.change]


SEEDS = range(1, 6)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_turned_unit_is_found_when_three_pitchers_have_moved_together(seed: int) -> None:
    history = _shifted(outings(np.random.default_rng(seed), nights=20, pitchers=10, a_night=2), 0.6, 14)
    nights = watch_history(history, SPREAD, CHANGE_P)
    changes = [night.change for night in nights if night.change]
    assert changes
    assert changes[0].start == 14
    assert changes[0].seen <= 17
    assert nights[-1].level.mean == pytest.approx(0.6, abs=0.15)
    assert all(night.level.pitchers >= 3 for night in nights if night.change)


def test_one_or_two_pitchers_that_move_on_the_rubber_raise_no_alarm() -> None:
    alarms = []
    for seed in SEEDS:
        history = outings(np.random.default_rng(seed), nights=40, pitchers=8, a_night=3)
        moved = history.value.copy()
        moved[20:, :2] += 1.5
        alarms.append(_alarms(history._replace(value=moved)))
    assert alarms[1] == []
    # of 100 nights one may have a third pitcher who moved the same way by chance
    assert sum(map(len, alarms)) <= 1


def test_pitchers_that_move_in_different_directions_raise_no_alarm() -> None:
    alarms = []
    for seed in SEEDS:
        history = outings(np.random.default_rng(seed), nights=40, pitchers=8, a_night=4)
        moved = history.value.copy()
        moved[20:] += np.array([1.0, -1.0] * 4)
        alarms.append(_alarms(history._replace(value=moved)))
    assert alarms[2] == []
    # of 100 nights one may have only pitchers who moved the same way by chance
    assert sum(map(len, alarms)) <= 1


@pytest.mark.parametrize("seed", SEEDS)
def test_nights_after_a_turn_are_usual_again_and_a_second_turn_is_found(seed: int) -> None:
    history = outings(np.random.default_rng(seed), nights=60, pitchers=8, a_night=3)
    history = _shifted(_shifted(history, 0.8, 20, 25), -0.8, 45, 50)
    alarms = _alarms(history)
    assert {22, 23, 24, 25, 47, 48, 49} <= set(alarms)
    assert not set(alarms) & {*range(20), *range(26, 45), *range(51, 60)}


@pytest.mark.parametrize("seed", SEEDS)
def test_the_level_that_lasts_longest_becomes_the_usual_level(seed: int) -> None:
    alarms = _alarms(_shifted(outings(np.random.default_rng(seed), nights=60, pitchers=8, a_night=3), 0.8, 20))
    assert alarms[0] in range(20, 24)
    assert alarms[-1] == 40


def test_later_nights_do_not_change_an_earlier_night_s_verdict() -> None:
    history = _shifted(outings(np.random.default_rng(6), nights=30, pitchers=8, a_night=3), 0.8, 20)
    complete = watch_history(history, SPREAD, CHANGE_P)
    until = history._replace(days=history.days[:24], value=history.value[:24], within=history.within[:24])
    assert str(watch_history(until, SPREAD, CHANGE_P)) == str(complete[:24])


@settings(max_examples=examples(25), deadline=None)
@given(st.integers(0, 10_000), st.floats(-50, 50))
def test_only_changes_of_the_readings_count_not_their_level(seed: int, level: float) -> None:
    history = _shifted(outings(np.random.default_rng(seed), nights=25, pitchers=6, a_night=2), 0.7, 15)
    moved = history._replace(value=history.value + level)
    assert _alarms(moved) == _alarms(history)


@pytest.mark.slow
@pytest.mark.parametrize("heavy", [False, True])
def test_undisturbed_own_charts_alarm_no_more_often_than_stated(heavy: bool) -> None:
    # at 1 in 100 nights stated: 60 charts of 40 nights hold 2,400, of which the first few can't alarm
    rng, alarms = np.random.default_rng(7), 0
    for _ in range(60):
        history = outings(rng, nights=40, pitchers=12, a_night=3, heavy_tails=heavy)
        spread = outing_spread({("unit", "release_side_ft"): history}, "release_side_ft")
        assert spread is not None
        seen = {night.change.seen for night in watch_history(history, spread, 0.01) if night.change}
        alarms += len(seen)
    assert alarms <= 24


def test_the_spread_of_outings_is_found_despite_a_few_wild_steps() -> None:
    rng = np.random.default_rng(8)
    steps = np.abs(rng.normal(0, 0.1 * np.sqrt(2), 4000))
    assert outing_sd(steps, np.zeros(4000)) == pytest.approx(0.1, rel=0.03)
    steps[:200] = 3.0
    assert outing_sd(steps, np.zeros(4000)) == pytest.approx(0.1, rel=0.15)
    assert outing_sd(np.abs(rng.normal(0, 0.1, 4000)), np.full(4000, 0.01)) < 0.02


def test_a_shift_between_two_spans_is_that_of_the_same_pitchers() -> None:
    # two pitchers a foot apart, the second throws only on the later day
    days = [date(2026, 3, 1), date(2026, 3, 2)]
    value = np.array([[1.0, np.nan], [1.3, 5.0]])
    history = PitcherHistory("unit", "release_side_ft", days, value, np.zeros((2, 2)), np.full((2, 2), 20))
    found = shift_between(history, SPREAD, {days[0]}, {days[1]})
    assert found.mean == pytest.approx(0.3)
    assert found.pitchers == 1
    assert found.se == pytest.approx(0.1 * np.sqrt(2))


# through the tables


def _measured(seen: Seen) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    tables = measure_agreement(seen, RANKS)
    return validate(tables.drift, DRIFT), validate(tables.setup, SETUP), tables.proposed_corrections


def test_a_unit_without_partner_is_found_turned_with_its_direction() -> None:
    drift, setup, proposed = _measured(bullpens(np.random.default_rng(9), nights=24, aim_deg=-0.9, turned=(18, 23)))
    live = drift.filter("alarm", "latest", metric="release_side_ft").row(0, named=True)
    assert (live["tracker_a"], live["tracker_b"], live["mover"]) == (OWN_HISTORY, "unit", "unit")
    assert live["change_day"] == date(2026, 2, 13) + timedelta(days=18)
    assert "has read release side 0." in live["sentence"]
    assert "farther to the catcher's left than its pitchers' earlier nights since Mar 3" in live["sentence"]
    aim = setup.filter(quantity="aim_deg").row(-1, named=True)
    assert aim["low"] < -0.9 < aim["high"]
    assert aim["high"] < -0.4
    assert aim["crooked"]
    assert "°) toward first base" in aim["sentence"]
    assert "Turn it toward third base." in aim["sentence"]
    assert proposed.height == 1
    assert proposed.select("tracker", "frame", "from_day").row(0) == ("unit", "aim_deg", live["change_day"])


def test_the_proposed_correction_straightens_the_nights_that_were_turned() -> None:
    seen = bullpens(np.random.default_rng(10), nights=26, aim_deg=-1.2, turned=(16, 21))
    drift, setup, proposed = _measured(seen)
    assert drift.filter("alarm").height > 0
    assert not drift.filter("alarm", "latest").height
    row = proposed.row(0, named=True)
    assert (row["from_day"], row["until_day"]) == (date(2026, 2, 13) + timedelta(16), date(2026, 2, 13) + timedelta(21))
    absent = [name for name in (*METRICS, *TRAJECTORY) if name not in seen.sightings.columns]
    full = seen.sightings.with_columns(
        *(pl.lit(None, pl.Float64).alias(name) for name in absent), corrections=pl.lit(None, CORRECTIONS_TYPE)
    )
    correction = Correction("unit", None, row["frame"], row["amount"], row["from_day"], row["until_day"], row["why"])
    drift, setup, proposed = _measured(seen._replace(sightings=apply_corrections(full, [correction])))
    assert not drift.filter("alarm").height
    assert setup.is_empty()
    assert proposed.is_empty()


def test_pitchers_that_all_throw_harder_are_not_called_a_fault_of_the_device() -> None:
    seen = bullpens(np.random.default_rng(11), nights=40, pitchers=12, faster=(25, 2.5))
    drift, _, proposed = _measured(seen)
    live = drift.filter("alarm", metric="release_speed_mph").row(-1, named=True)
    assert live["mover"] is None
    assert live["sentence"].endswith("The device or the pitchers changed (cold, rest, build-up).")
    assert "Cold, rest or build-up can do the same" in live["mover_how"]
    assert proposed.filter(metric="release_speed_mph").is_empty()


def test_an_undisturbed_bullpen_has_no_alarm() -> None:
    drift, setup, _ = _measured(bullpens(np.random.default_rng(12), nights=40))
    assert not drift["alarm"].any()
    assert setup.is_empty()


def test_a_pitcher_who_is_not_on_the_roster_has_no_history() -> None:
    seen = bullpens(np.random.default_rng(13), nights=12)
    unknown = seen._replace(pitches=seen.pitches.with_columns(pitcher_id=pl.lit(None, pl.String)))
    assert _measured(unknown)[0].is_empty()


def test_a_night_s_facts_come_from_that_night_s_rows_only() -> None:
    seen = bullpens(np.random.default_rng(14), nights=6)
    complete = outing_facts(group_sightings(*seen))
    parts = []
    for (day,), pitches in seen.pitches.group_by("baseball_day", maintain_order=True):
        assert day
        sightings = seen.sightings.filter(pl.col("baseball_day") == day)
        matches = seen.matches.filter(pl.col("sighting_id").is_in(sightings["sighting_id"].implode()))
        parts.append(outing_facts(group_sightings(sightings, matches, pitches)))
    assert_frame_equal(pl.concat(parts).sort("tracker", "baseball_day", "pitcher", "pitch_type"), complete)


def test_the_mix_of_pitches_does_not_move_an_outing() -> None:
    # sliders leave the hand 0.5 ft wider, and on the last night one pitcher throws sliders only
    facts = pl.DataFrame(
        [
            ("unit", date(2026, 3, day), "p", pitch_type, 20, center, 0.1)
            for day, pitch_type, center in [(1, "four_seam", -1.0), (1, "slider", -1.5), (2, "four_seam", -1.1), (2, "slider", -1.6), (3, "slider", -1.5)]
        ],
        schema=["tracker", "baseball_day", "pitcher", "pitch_type", "n.release_side_ft", "center.release_side_ft", "spread.release_side_ft"],
        orient="row",
    )  # fmt: skip
    value = pitcher_histories(facts)["unit", "release_side_ft"].value[:, 0]
    assert np.diff(value) == pytest.approx([-0.1, 0.1], abs=0.02)


@pytest.mark.parametrize("seed", SEEDS)
def test_two_pitchers_are_enough_to_show_that_a_unit_is_straight_again(seed: int) -> None:
    assert RETURN_PITCHERS == 2
    history = outings(np.random.default_rng(seed), nights=30, pitchers=6, a_night=2)
    assert max(_alarms(_shifted(history, 1.0, 15, 20))) <= 20
