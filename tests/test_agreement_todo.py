"""What a person is asked to do about the trackers: each thing once."""

import numpy as np
import polars as pl
import pytest

from pipeline.agreement import Agreement
from pipeline.agreement.device_setup.corrections import Correction, apply_corrections
from pipeline.reports.agreement_todo import Todo, agreement_todo
from schemas.metrics import METRICS, TRAJECTORY
from tests.simulator.agreement_world import Seen, bullpens, measure_agreement, season

RANKS = {"radar": 1, "camera": 2, "unit": 3}
NAMES = {"unit": "Bullpen unit 2"}


def measured(seen: Seen) -> Agreement:
    return measure_agreement(seen, RANKS)


def asked(tables: Agreement) -> list[Todo]:
    return agreement_todo(tables.convention_mismatches, tables.setup, tables.drift, NAMES)


def corrected(seen: Seen, proposed: pl.DataFrame) -> Seen:
    """Return the sightings after the proposed blocks were added to ledger.toml."""
    fields = proposed.select("tracker", "metric", "frame", "amount", "from_day", "until_day", "why").rows()
    absent = [name for name in (*METRICS, *TRAJECTORY) if name not in seen.sightings.columns]
    sightings = seen.sightings.with_columns(pl.lit(None, pl.Float64).alias(name) for name in absent)
    return seen._replace(sightings=apply_corrections(sightings, [Correction(*row) for row in fields]))


def test_a_turned_unit_is_one_thing_to_do_and_its_release_points_are_not_repeated() -> None:
    # turned 0.9 degrees toward first base; without partner, so found by its pitchers' earlier nights
    (todo,) = asked(measured(bullpens(np.random.default_rng(9), nights=24, aim_deg=-0.9, turned=(18, 23))))
    assert todo.kind == "setup"
    assert todo.sentence.startswith("Bullpen unit 2 is aimed ")
    assert "toward first base" in todo.sentence
    assert " in at the rubber (" in todo.sentence
    assert todo.sentence.endswith("Turn it toward third base.")


@pytest.mark.parametrize("last", [20, 23])
def test_once_the_proposed_blocks_are_pasted_nothing_is_left_to_do(last: int) -> None:
    seen = bullpens(np.random.default_rng(9), nights=last + 6, aim_deg=-0.9, turned=(18, last))
    tables = measured(seen)
    (todo,) = asked(tables)
    assert todo.kind == "correction"
    assert "was aimed" in todo.sentence
    assert ", Mar 3-" in todo.sentence
    assert asked(measured(corrected(seen, tables.proposed_corrections))) == []


@pytest.mark.parametrize("last", [19, 15])
def test_a_turned_unit_with_partners_has_one_block_and_pasting_it_leaves_nothing(last: int) -> None:
    points = ("release_side_ft", "plate_side_ft", "release_height_ft", "plate_height_ft", "extension_ft")
    seen = season(np.random.default_rng(5), 20, 40, {"radar": 0.3, "camera": 0.3, "unit": 0.3}, points, 0.05)
    days = seen.pitches["baseball_day"].unique().sort()
    turned = (pl.col("tracker") == "unit") & pl.col("baseball_day").is_between(days[13], days[last])
    # 1.2 degrees about the plate's tip: the rubber is 60.5 ft away, the front edge 17/12 ft (Official Baseball Rules 2.02)
    turn, release_y = np.radians(1.2), 60.5 - pl.col("extension_ft")
    moved = {"release_side_ft": turn * release_y, "plate_side_ft": turn * 17 / 12}
    changes = [pl.when(turned).then(pl.col(name) + by).otherwise(name).alias(name) for name, by in moved.items()]
    seen = seen._replace(sightings=seen.sightings.with_columns(changes))
    tables = measured(seen)
    # the trackers' own drift is seen, too, and has the same cause
    assert tables.drift.filter("alarm", "matters", metric="release_side_ft").height > 0
    (block,) = tables.proposed_corrections.iter_rows(named=True)
    assert (block["tracker"], block["frame"]) == ("unit", "aim_deg")
    assert block["amount"] == pytest.approx(-1.2, abs=0.1)
    (todo,) = asked(tables)
    assert " aimed " in todo.sentence
    again = measured(corrected(seen, tables.proposed_corrections))
    assert again.proposed_corrections.is_empty()
    assert asked(again) == []


def test_metrics_that_moved_on_one_day_are_one_thing_to_do_until_corrected() -> None:
    speeds = ("release_speed_mph", "plate_speed_mph")
    seen = season(np.random.default_rng(7), 40, 50, {"radar": 0.3, "camera": 0.3, "unit": 0.3}, speeds, 0.05)
    hot = (pl.col("tracker") == "unit") & (pl.col("baseball_day") >= seen.pitches["baseball_day"].unique().sort()[31])
    moved = [pl.when(hot).then(pl.col(name) + 1.5).otherwise(name).alias(name) for name in speeds]
    seen = seen._replace(sightings=seen.sightings.with_columns(moved))
    tables = measured(seen)
    (todo,) = asked(tables)
    assert todo.kind == "drift"
    assert todo.sentence.startswith("Bullpen unit 2 has read release speed 1.5 mph above radar since ")
    assert todo.sentence.endswith(" Also since then: plate speed 1.5 mph higher.")
    assert asked(measured(corrected(seen, tables.proposed_corrections))) == []


def test_a_drift_that_went_back_leaves_its_nights_to_correct() -> None:
    seen = season(np.random.default_rng(8), 40, 50, night_sd=0.05)
    days = seen.pitches["baseball_day"].unique().sort()
    hot = (pl.col("tracker") == "camera") & pl.col("baseball_day").is_between(days[20], days[27])
    speed = pl.when(hot).then(pl.col("release_speed_mph") + 1.5).otherwise("release_speed_mph")
    tables = measured(seen._replace(sightings=seen.sightings.with_columns(release_speed_mph=speed)))
    (block,) = tables.proposed_corrections.iter_rows(named=True)
    assert (block["tracker"], block["from_day"], block["until_day"]) == ("camera", days[20], days[27])
    assert block["amount"] == pytest.approx(-1.5, abs=0.1)
    (todo,) = asked(tables)
    assert todo.kind == "correction"
    assert todo.sentence.startswith("camera read release speed 1.5 mph above radar, Mar 5-12. It reads as usual again")
    straightened = corrected(seen._replace(sightings=seen.sightings.with_columns(release_speed_mph=speed)), tables.proposed_corrections)  # fmt: skip
    assert asked(measured(straightened)) == []


def test_a_new_usual_level_does_not_count_as_gone_back() -> None:
    seen = season(np.random.default_rng(8), 40, 50, night_sd=0.05)
    days = seen.pitches["baseball_day"].unique().sort()
    moved = (pl.col("tracker") == "camera") & (pl.col("baseball_day") >= days[12])
    speed = pl.when(moved).then(pl.col("release_speed_mph") + 1.5).otherwise("release_speed_mph")
    tables = measured(seen._replace(sightings=seen.sightings.with_columns(release_speed_mph=speed)))
    assert tables.drift.filter("alarm").height > 0
    assert tables.proposed_corrections.is_empty()


def test_trackers_that_agree_give_nothing_to_do() -> None:
    assert asked(measured(season(np.random.default_rng(3), 12, 40, metrics=("release_speed_mph",)))) == []
