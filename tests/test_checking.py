from datetime import date

import polars as pl
from polars.testing import assert_frame_equal

from pipeline.exports.plausibility import check_sightings
from tests.frames import sightings

NAMES = {"f1": "night.csv"}


def test_a_single_impossible_reading_is_nulled_and_the_pitch_stays() -> None:
    checked = check_sightings(
        sightings({"sighting_id": "s1", "release_speed_mph": 941.0, "spin_rate_rpm": 2200.0}), {}, NAMES
    )
    assert checked.sightings.select("release_speed_mph", "spin_rate_rpm").rows() == [(None, 2200.0)]
    (line,) = checked.quarantine.to_dicts()
    assert (line["level"], line["file_name"], line["file_row"], line["metric"]) == (
        "value",
        "night.csv",
        1,
        "release_speed_mph",
    )
    assert line["reason"] == "release speed 941 mph is above 110"


def test_a_row_with_only_impossible_readings_is_quarantined_with_every_reason() -> None:
    checked = check_sightings(
        sightings({"sighting_id": "s1", "release_speed_mph": 941.0, "spin_rate_rpm": 15000.0}, {"sighting_id": "s2"}),
        {},
        NAMES,
    )
    assert checked.sightings.get_column("sighting_id").to_list() == ["s2"]
    assert checked.quarantine.select("level", "file_row").rows() == [("row", 1), ("row", 1)]


def test_each_export_s_row_is_judged_by_itself() -> None:
    """Two exports hold the same throws; the second corrects one of them. Neither changes what becomes of the other's row."""
    wrong = {"release_speed_mph": 941.0, "spin_rate_rpm": 99_999.0}
    first = sightings(
        {"sighting_id": "s2", "release_speed_mph": 90.0, "spin_rate_rpm": 99_999.0}, {"sighting_id": "s3", **wrong}
    )
    second = sightings(
        {"sighting_id": "s2", "file_id": "f2", "release_speed_mph": 90.0, "spin_rate_rpm": 99_999.0},
        {"sighting_id": "s3", "file_id": "f2", "release_speed_mph": 91.0, "spin_rate_rpm": 2_200.0},
    )
    names = NAMES | {"f2": "again.csv"}
    apart = [check_sightings(frame, {}, names) for frame in (first, second)]
    together = check_sightings(pl.concat([second, first]), {}, names)
    for name in ("sightings", "quarantine"):
        expected = pl.concat(getattr(one, name) for one in apart)
        assert_frame_equal(getattr(together, name), expected, check_row_order=False)
    assert together.sightings.select("file_id", "file_row").sort("*").rows() == [("f1", 1), ("f2", 1), ("f2", 2)]


def test_limits_of_the_ledger_override_the_metrics_own() -> None:
    seen = sightings({"sighting_id": "s1", "release_speed_mph": 84.0, "spin_rate_rpm": 2000.0})
    assert check_sightings(seen, {"release_speed_mph": (30, 80)}, NAMES).sightings.get_column(
        "release_speed_mph"
    ).to_list() == [None]


def test_counts_that_the_rules_do_not_know_are_nulled_and_the_pitch_is_still_counted() -> None:
    """Official Baseball Rules, definitions of terms: a fourth ball and a third strike end the turn at bat, three outs the half-inning (from memory)."""
    checked = check_sightings(
        sightings({"sighting_id": "s1", "balls": 4, "strikes": 3, "outs": 3, "inning": 0}), {}, NAMES
    )
    assert checked.sightings.select("balls", "strikes", "outs", "inning").rows() == [(None, None, None, None)]
    assert checked.quarantine.height == 4


def test_no_number_at_all_is_never_a_reading() -> None:
    checked = check_sightings(
        sightings(
            {
                "sighting_id": "s1",
                "release_speed_mph": float("nan"),
                "spin_rate_rpm": float("inf"),
                "plate_speed_mph": 80.0,
            }
        ),
        {},
        NAMES,
    )
    assert checked.sightings.select("release_speed_mph", "spin_rate_rpm", "plate_speed_mph").rows() == [
        (None, None, 80.0)
    ]


def test_a_clock_that_was_never_set_quarantines_the_row() -> None:
    checked = check_sightings(sightings({"sighting_id": "s1", "baseball_day": date(1970, 1, 1)}), {}, NAMES)
    assert checked.sightings.is_empty()
    assert "before 1990" in checked.quarantine.get_column("reason").item()
