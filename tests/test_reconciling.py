import math

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.pitches.reconcile import Rules, own_noise, reconcile
from pipeline.settings.ledger import Policy
from tests.frames import calibration, groups, sightings, time_after

RANKS = {"radar": 1, "camera": 2, "ball": 3}
NO_CALIBRATION = calibration()


def three(metric: str, *readings: float | None) -> tuple[pl.DataFrame, pl.DataFrame]:
    seen = sightings(
        *(
            {
                "sighting_id": f"s{number}",
                "tracker": tracker,
                "file_id": tracker,
                metric: reading,
                "thrown_at": time_after(0),
                "clock_resolution_s": 0.001,
            }
            for number, (tracker, reading) in enumerate(zip(RANKS, readings, strict=False), 1)
        )
    )
    return seen, groups(**{f"s{number}": "s1" for number in range(1, len(readings) + 1)})


def value_of(
    metric: str,
    readings: tuple[float | None, ...],
    policy: Policy | None = None,
    learned: pl.DataFrame = NO_CALIBRATION,
) -> dict[str, object]:
    seen, together = three(metric, *readings)
    done = reconcile(seen, together, learned, Rules(RANKS, {} if policy is None else {metric: policy}))
    (row,) = done.pitch_values.filter(pl.col("metric") == metric).to_dicts()
    assert done.pitches.get_column(metric).to_list() == [row["value"]]
    return row


def test_the_best_ranked_tracker_is_preferred() -> None:
    row = value_of("release_speed_mph", (90.0, 90.6))
    assert (row["value"], row["trackers"], row["seen_by"], row["policy"]) == (90.0, "radar", 2, "prefer")
    assert row["spread"] == pytest.approx(0.6)


def test_a_policy_order_beats_the_rank_and_falls_back_on_it() -> None:
    policy = Policy("prefer", ("ball", "camera"))
    assert value_of("spin_rate_rpm", (2200.0, 2210.0, 2230.0), policy)["trackers"] == "ball"
    assert value_of("spin_rate_rpm", (2200.0, 2210.0, None), policy)["trackers"] == "camera"
    assert value_of("spin_rate_rpm", (2200.0, None, None), policy)["trackers"] == "radar"


def test_an_outlier_beside_two_that_agree_is_not_preferred() -> None:
    row = value_of("release_speed_mph", (99.0, 90.2, 90.5))
    assert (row["value"], row["trackers"], row["outliers"]) == (90.2, "camera", "radar")


def test_two_trackers_cannot_reveal_an_outlier() -> None:
    row = value_of("release_speed_mph", (99.0, 90.2))
    assert (row["trackers"], row["outliers"]) == ("radar", None)
    learned = calibration(("radar", "camera", "release_speed_mph", 0.0, 0.5))
    # two trackers 8.8 mph apart give a value no more certain than half of that
    assert value_of("release_speed_mph", (99.0, 90.2), None, learned)["uncertainty"] == pytest.approx(4.4)


def test_axes_are_compared_the_short_way_around() -> None:
    row = value_of("spin_axis_deg", (355.0, 5.0))
    assert row["spread"] == pytest.approx(10.0)
    assert row["lowest"] == pytest.approx(355.0)
    assert row["highest"] == pytest.approx(5.0)


def test_a_blend_weighs_by_inverse_variance_after_removing_bias() -> None:
    """Inverse-variance weights: (90/s1^2 + 91/s2^2) / (1/s1^2 + 1/s2^2), the textbook weighted mean; here s1 = s2, bias +0.4."""
    learned = calibration(("radar", "camera", "release_speed_mph", 0.4, 0.5))
    row = value_of("release_speed_mph", (90.0, 91.0), Policy("blend"), learned)
    assert row["value"] == pytest.approx((90.0 + 90.6) / 2)
    assert row["policy"] == "blend"
    own = 0.5 / math.sqrt(2)
    birge = max(1.0, math.sqrt(2 * 0.3**2 / own**2))
    assert row["uncertainty"] == pytest.approx(birge * own / math.sqrt(2))


def test_readings_that_disagree_are_not_averaged() -> None:
    learned = calibration(("radar", "camera", "release_speed_mph", 0.0, 0.5))
    assert value_of("release_speed_mph", (90.0, 97.0), Policy("blend"), learned)["value"] == 90.0


def test_own_errors_follow_grubbs_where_three_trackers_saw_a_pitch() -> None:
    """F. E. Grubbs, JASA 43 (1948) 243-264: var_1 = (s12^2 + s13^2 - s23^2) / 2. With own SDs 0.3, 0.5, 0.9 the pair variances are their sums."""
    pairs = {
        ("radar", "camera"): 0.3**2 + 0.5**2,
        ("radar", "ball"): 0.3**2 + 0.9**2,
        ("camera", "ball"): 0.5**2 + 0.9**2,
    }
    learned = calibration(*((a, b, "spin_rate_rpm", 0.0, math.sqrt(variance)) for (a, b), variance in pairs.items()))
    own = dict(own_noise(learned).select("tracker", "own_sd").iter_rows())
    assert own == pytest.approx({"radar": 0.3, "camera": 0.5, "ball": 0.9})


def test_the_operators_pitch_type_beats_a_better_ranked_trackers() -> None:
    seen = sightings(
        {"sighting_id": "s1", "pitch_type": "cutter", "pitch_type_by": "tracker"},
        {"sighting_id": "s2", "tracker": "camera", "pitch_type": "slider", "pitch_type_by": "operator"},
    )
    pitch = reconcile(seen, groups(s1="s1", s2="s1"), NO_CALIBRATION, Rules(RANKS)).pitches.to_dicts()[0]
    assert (pitch["pitch_type"], pitch["pitch_type_by"], pitch["label_conflict"]) == ("slider", "operator", True)


def test_two_trackers_outvote_a_better_ranked_one_on_the_pitcher() -> None:
    seen = sightings(
        {"sighting_id": "s1", "pitcher_label": "Stale", "pitcher_id": "P1"},
        {"sighting_id": "s2", "tracker": "camera", "pitcher_label": "Right", "pitcher_id": "P2"},
        {"sighting_id": "s3", "tracker": "ball", "pitcher_label": "right", "pitcher_id": "P2"},
    )
    pitch = reconcile(seen, groups(s1="s1", s2="s1", s3="s1"), NO_CALIBRATION, Rules(RANKS)).pitches.to_dicts()[0]
    assert (pitch["pitcher_id"], pitch["pitcher_conflict"]) == ("P2", True)


def test_a_person_outvotes_two_trackers_and_leaves_no_conflict() -> None:
    seen = sightings(
        {"sighting_id": "s1", "pitcher_label": "Stale", "pitcher_id": "P1", "pitcher_by": "label"},
        {
            "sighting_id": "s2",
            "tracker": "camera",
            "pitcher_label": "Stale",
            "pitcher_id": "P2",
            "pitcher_by": "person",
        },
        {"sighting_id": "s3", "tracker": "ball", "pitcher_label": "Stale", "pitcher_id": "P1", "pitcher_by": "label"},
    )
    pitch = reconcile(seen, groups(s1="s1", s2="s1", s3="s1"), NO_CALIBRATION, Rules(RANKS)).pitches.to_dicts()[0]
    assert (pitch["pitcher_id"], pitch["pitcher_by"], pitch["pitcher_conflict"]) == ("P2", "person", False)


def test_the_label_of_a_decided_pitcher_comes_from_a_tracker_that_agrees() -> None:
    seen = sightings(
        {"sighting_id": "s1", "pitcher_label": "Stale", "pitcher_id": "P2", "pitcher_by": "person"},
        {"sighting_id": "s2", "tracker": "camera", "pitcher_label": "Right", "pitcher_id": "P2", "pitcher_by": "label"},
    )
    pitch = reconcile(seen, groups(s1="s1", s2="s1"), NO_CALIBRATION, Rules(RANKS)).pitches.to_dicts()[0]
    assert (pitch["pitcher_id"], pitch["pitcher_label"], pitch["pitcher_by"]) == ("P2", "Right", "person")


def test_two_decisions_naming_two_pitchers_for_one_pitch_are_a_conflict() -> None:
    seen = sightings(
        {"sighting_id": "s1", "pitcher_id": "P1", "pitcher_by": "person"},
        {"sighting_id": "s2", "tracker": "camera", "pitcher_id": "P2", "pitcher_by": "person"},
    )
    pitch = reconcile(seen, groups(s1="s1", s2="s1"), NO_CALIBRATION, Rules(RANKS)).pitches.to_dicts()[0]
    assert (pitch["pitcher_id"], pitch["pitcher_conflict"]) == ("P1", True)


def test_every_other_sighting_of_a_pitch_gives_an_alias() -> None:
    seen = sightings(
        {"sighting_id": "s1"}, {"sighting_id": "s2", "tracker": "camera"}, {"sighting_id": "s3", "tracker": "ball"}
    )
    done = reconcile(seen, groups(s1="s1", s2="s1", s3="s3"), NO_CALIBRATION, Rules(RANKS))
    assert done.pitch_aliases.select("old_pitch_id", "pitch_id").rows() == [("p2", "p1")]
    assert done.pitches.get_column("pitch_id").to_list() == ["p1", "p3"]


def test_times_are_on_the_reference_clock_and_rows_without_one_keep_their_order() -> None:
    radar = [
        {"sighting_id": f"s1{n}", "file_order": n, "thrown_at": time_after(20 * n), "clock_resolution_s": 0.001}
        for n in (0, 1, 3)
    ]
    camera = [
        {
            "sighting_id": f"s2{n}",
            "tracker": "camera",
            "file_id": "c",
            "file_order": n,
            "thrown_at": time_after(20 * n + 61),
            "clock_resolution_s": 1.0,
        }
        for n in (0, 1, 2, 3)
    ]
    ball = [{"sighting_id": f"s3{n}", "tracker": "ball", "file_id": "b", "file_order": n} for n in (0, 1, 9)]
    together = groups(
        s10="s10", s20="s10", s30="s10", s11="s11", s21="s11", s31="s11", s13="s13", s23="s13", s22="s22", s39="s39"
    )
    pitches = reconcile(sightings(*radar, *camera, *ball), together, NO_CALIBRATION, Rules(RANKS)).pitches.sort(
        "pitch_number"
    )
    alone = pitches.filter(pl.col("pitch_id") == "p22").to_dicts()[0]
    assert alone["thrown_at"] == time_after(40)
    assert alone["thrown_at_by"] == "camera"
    assert pitches.get_column("pitch_number").to_list() == [1, 2, 3, 4, 5]
    assert pitches.filter(pl.col("pitch_id") == "p39").get_column("thrown_at").to_list() == [None]


def test_a_tracker_with_minute_stamps_keeps_its_order_and_is_no_reference() -> None:
    """By hand: pitches at 10, 35, 58, 85, 112 s; the radar writes only the minute, the camera is 7 s late and missed the one at 58 s."""
    truth = (10, 35, 58, 85, 112)
    radar = [
        {
            "sighting_id": f"s1{n}",
            "file_order": n,
            "thrown_at": time_after(60 * (second // 60)),
            "clock_resolution_s": 60.0,
        }
        for n, second in enumerate(truth)
    ]
    camera = [
        {
            "sighting_id": f"s2{n}",
            "tracker": "camera",
            "file_id": "c",
            "file_order": n,
            "thrown_at": time_after(second + 7),
            "clock_resolution_s": 0.001,
        }
        for n, second in enumerate(truth)
        if n != 2
    ]
    together = groups(s12="s12", **{f"s{who}{n}": f"s1{n}" for who in (1, 2) for n in (0, 1, 3, 4)})
    pitches = reconcile(sightings(*radar, *camera), together, NO_CALIBRATION, Rules(RANKS)).pitches.sort("pitch_number")
    assert pitches.get_column("pitch_id").to_list() == ["p10", "p11", "p12", "p13", "p14"]
    assert pitches.get_column("thrown_at").is_sorted()
    assert pitches.get_column("thrown_at_by").to_list() == ["camera", "camera", "radar", "camera", "camera"]
    assert pitches.get_column("thrown_at").to_list()[3] == time_after(92)


def test_two_games_of_a_day_are_separated_where_the_innings_restart() -> None:
    innings = [1, 1, 5, 7, 1, 2]
    rows = [
        {
            "sighting_id": f"s{n}",
            "file_order": n,
            "thrown_at": time_after(600 * n),
            "clock_resolution_s": 0.001,
            "inning": inning,
        }
        for n, inning in enumerate(innings)
    ]
    done = reconcile(sightings(*rows), groups(**{f"s{n}": f"s{n}" for n in range(6)}), NO_CALIBRATION, Rules(RANKS))
    assert done.sessions.get_column("session_id").to_list() == [
        "2026-10-03-park-field-game-1",
        "2026-10-03-park-field-game-2",
    ]
    assert done.sessions.get_column("pitches").to_list() == [4, 2]


def test_a_pitch_without_an_occasion_joins_the_session_around_it() -> None:
    radar = [
        {
            "sighting_id": f"s{n}",
            "file_order": n,
            "thrown_at": time_after(20 * n),
            "clock_resolution_s": 0.001,
            "occasion": "scrimmage",
        }
        for n in (0, 2)
    ]
    ball = {
        "sighting_id": "s1",
        "tracker": "ball",
        "file_id": "b",
        "thrown_at": time_after(20),
        "clock_resolution_s": 0.001,
        "occasion": "game",
    }
    seen, alone = sightings(*radar, ball), groups(s0="s0", s1="s1", s2="s2")
    done = reconcile(seen, alone, NO_CALIBRATION, Rules(RANKS, occasion_stated_by=["radar"]))
    assert done.sessions.select("occasion", "pitches").rows() == [("scrimmage", 3)]


@given(st.lists(st.floats(60, 100), min_size=1, max_size=3))
def test_the_preferred_value_is_a_reading_in_any_order_of_rows(readings: list[float]) -> None:
    seen, together = three("release_speed_mph", *readings)
    done = reconcile(seen, together, NO_CALIBRATION, Rules(RANKS))
    assert done.pitches.get_column("release_speed_mph").item() in readings
    turned = reconcile(seen.reverse(), together.sample(fraction=1, shuffle=True, seed=1), NO_CALIBRATION, Rules(RANKS))
    for frame, other in zip(done, turned, strict=True):
        assert frame.equals(other)
