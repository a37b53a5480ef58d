"""Turns and shifts of a simulated second tracker, found again from its readings."""

from datetime import date
from typing import Any, NamedTuple

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal
from scipy.spatial.transform import Rotation

from pipeline.agreement.device_setup.corrections import Correction, apply_corrections, uncorrected
from pipeline.agreement.device_setup.frame_equations import frame_equations
from pipeline.agreement.device_setup.frame_fit import Frames, fit_frames
from pipeline.agreement.device_setup.misalignment import CROOKED_FROM, frames_by_night, setup_of_nights
from pipeline.agreement.device_setup.proposals import crooked_now
from pipeline.agreement.facts.readings import Pair
from pipeline.agreement.wording import setup_sentence
from pipeline.physics.flight import (
    Flight,
    Span,
    at_plane,
    break_in,
    flight_time_s,
    horizontal_angle_deg,
    speed_mph,
    vertical_angle_deg,
)
from schemas.contract import validate
from schemas.drift import DRIFT
from schemas.metrics import METRICS, TRAJECTORY
from schemas.setup import MOVED_METRICS, QUANTITIES, SETUP
from schemas.sightings import CORRECTIONS_TYPE
from tests.simulator.agreement_world import Setup, seen_through

TO_UNITS = np.array([np.degrees(1)] * 3 + [12.0] * 3 + [1.0])


def found_from(readings: pl.DataFrame, pitches: int) -> Frames:
    frames = fit_frames(frame_equations(readings), np.arange(0, readings.height, pitches))
    return frames._replace(values=frames.values * TO_UNITS, errors=frames.errors * TO_UNITS)


def rows_of(readings: pl.DataFrame, nights: int = 1) -> pl.DataFrame:
    days = np.repeat([np.datetime64("2026-10-14") + night for night in range(nights)], readings.height // nights)
    return setup_of_nights(
        frames_by_night(Pair("radar", "unit", readings.with_columns(baseball_day=pl.Series(days)))), {}
    )


@pytest.mark.parametrize(
    "setup",
    [
        Setup(),
        Setup(aim_deg=0.6),
        Setup(aim_deg=-2.0, tilt_deg=1.0),
        Setup(0.6, -0.3, 1.0, 0.1, -0.2, 0.3),
        Setup(scale=0.02),
    ],
)
def test_turns_and_shifts_are_found_without_systematic_error(setup: Setup) -> None:
    frames = found_from(seen_through(np.random.default_rng(1), 60 * 200, setup), 60)
    truth = np.array([*setup[:3], *(12 * value for value in setup[3:6]), setup.scale])
    miss = frames.values - truth
    # a stretched frame is not rigid: then only the turn about the vertical and the scale are the truth's
    places = [0, 6] if setup.scale else list(range(6))
    allowed = np.array([0.012, 0.012, 0.13, 0.1, 0.06, 0.12, 0.003])
    assert (np.abs(miss.mean(axis=0)) < allowed)[places].all()


def test_the_aim_is_found_within_a_tenth_of_a_degree_from_60_pitches() -> None:
    frames = found_from(seen_through(np.random.default_rng(2), 60 * 200, Setup(aim_deg=0.6), noise_ft=0.08), 60)
    assert np.mean(np.abs(frames.values[:, 0] - 0.6) < 0.1) > 0.95


def test_trajectories_find_the_aim_nearly_always_and_the_roll_twice_as_precisely() -> None:
    setup = Setup(0.6, -0.3, 1.0, 0.1, -0.2, 0.3)
    readings = seen_through(np.random.default_rng(2), 60 * 150, setup, trajectory=True)
    frames, ends = found_from(readings, 60), found_from(readings.select(pl.exclude("^.*trajectory.*$")), 60)
    assert np.mean(np.abs(frames.values[:, 0] - 0.6) < 0.1) > 0.985
    assert frames.values[:, 2].mean() == pytest.approx(1.0, abs=0.06)
    assert frames.values[:, 2].std() < ends.values[:, 2].std() / 2
    truth = np.array([*setup[:3], *(12 * value for value in setup[3:6])])
    covered = np.abs(frames.values[:, :6] - truth) < 2.0 * frames.errors[:, :6]
    assert (covered.mean(axis=0) > 0.90).all()
    assert (covered.mean(axis=0) < 0.99).all()


def test_trajectories_given_at_different_planes_are_compared_halfway() -> None:
    readings = seen_through(
        np.random.default_rng(11), 80, Setup(aim_deg=0.5), noise_ft=1e-6, angle_noise_deg=1e-6, trajectory=True
    )
    # b gives the same flight 20 ft farther on, at constant acceleration
    ahead = {axis: pl.col(f"b.trajectory_{axis}_ft") for axis in "xyz"}
    speed = {axis: pl.col(f"b.trajectory_v{axis}_fps") for axis in "xyz"}
    pull = {axis: pl.col(f"b.trajectory_a{axis}_fps2") for axis in "xyz"}
    t = 0.15
    later = readings.with_columns(
        *((ahead[axis] + speed[axis] * t + pull[axis] * t**2 / 2) for axis in "xyz"),
        *((speed[axis] + pull[axis] * t) for axis in "xyz"),
    )
    only = [name for name in readings.columns if "trajectory" in name]
    assert found_from(later.select(only), 80).values[0, 0] == pytest.approx(0.5, abs=0.01)
    assert found_from(readings.select(only), 80).values[0, 0] == pytest.approx(0.5, abs=0.01)


def test_a_trajectory_of_only_one_tracker_is_not_compared() -> None:
    readings = seen_through(np.random.default_rng(12), 60, Setup(), trajectory=True)
    alone = readings.with_columns(
        pl.lit(None, pl.Float64).alias(name) for name in readings.columns if name.startswith("b.traj")
    )
    without = readings.select(pl.exclude("^.*trajectory.*$"))
    assert found_from(alone, 60).values == pytest.approx(found_from(without, 60).values)


def test_intervals_of_the_frame_cover_the_truth() -> None:
    setup = Setup(0.4, 0.3, -0.5, 0.1, 0.1, 0.2)
    frames = found_from(seen_through(np.random.default_rng(3), 60 * 300, setup), 60)
    truth = np.array([*setup[:3], *(12 * value for value in setup[3:6])])
    covered = np.abs(frames.values[:, :6] - truth) < 2.0 * frames.errors[:, :6]
    assert (covered.mean(axis=0) > 0.915).all()
    assert (covered.mean(axis=0) < 0.985).all()


def test_a_noiseless_turn_is_scipy_s_best_rotation() -> None:
    rng = np.random.default_rng(4)
    setup = Setup(0.5, 0.4, 0.8)
    readings = seen_through(rng, 100, setup, noise_ft=0.0)
    sides = [
        np.column_stack(
            [
                readings[f"{side}.release_side_ft"],
                60.5 - readings[f"{side}.extension_ft"],
                readings[f"{side}.release_height_ft"],
            ]
        )
        for side in "ab"
    ]
    rotation, _ = Rotation.align_vectors(sides[1], sides[0])
    # rotation vector about x, y, z: tilt about x, roll about y, aim against z
    tilt, roll, aim = rotation.as_rotvec(degrees=True) * [1, 1, -1]
    assert found_from(readings, 100).values[0, :3] == pytest.approx([aim, tilt, roll], abs=0.02)


def test_misread_pitches_do_not_turn_the_frame() -> None:
    readings = seen_through(np.random.default_rng(5), 60, Setup(aim_deg=0.6))
    wild = readings.with_columns(
        pl.when(pl.int_range(pl.len()) < 4)
        .then(pl.col("b.release_side_ft") + 3)
        .otherwise("b.release_side_ft")
        .alias("b.release_side_ft")
    )
    assert found_from(wild, 60).values[0, 0] == pytest.approx(0.6, abs=0.15)


def test_quantities_that_the_readings_do_not_determine_are_left_out() -> None:
    readings = seen_through(np.random.default_rng(6), 60, Setup(aim_deg=0.6))
    only_plate = readings.select("a.plate_side_ft", "a.plate_height_ft", "b.plate_side_ft", "b.plate_height_ft")
    determined = set(rows_of(only_plate)["quantity"])
    assert determined & {"aim_deg", "tilt_deg", "distance_in"} == set()
    no_extension = set(rows_of(readings.drop("b.extension_ft"))["quantity"])
    assert {"aim_deg", "tilt_deg"} <= no_extension


def test_nine_pitches_are_too_few() -> None:
    assert rows_of(seen_through(np.random.default_rng(7), 9, Setup())).is_empty()


def test_each_night_has_its_own_setup() -> None:
    rng = np.random.default_rng(8)
    straight, crooked = seen_through(rng, 60, Setup()), seen_through(rng, 60, Setup(aim_deg=1.0))
    rows = validate(rows_of(pl.concat([straight, crooked]), 2), SETUP)
    aims = rows.filter(pl.col("quantity") == "aim_deg", pl.col("baseball_day").is_not_null())
    assert aims["crooked"].to_list() == [False, True]
    assert aims["value"].to_list() == pytest.approx([0.0, 1.0], abs=0.15)
    overall = rows.filter(pl.col("quantity") == "aim_deg", pl.col("baseball_day").is_null()).row(0, named=True)
    assert "nights differ" in overall["note"]
    assert crooked_now(rows, DRIFT.empty())["baseball_day"].to_list() == [date(2026, 10, 15)]


def test_straight_setups_are_seldom_called_crooked() -> None:
    rows = rows_of(seen_through(np.random.default_rng(9), 60 * 40, Setup(), noise_ft=0.15), 40)
    assert rows["crooked"].sum() <= 3


def _row(**values: Any) -> dict[str, Any]:
    usual = {
        "tracker_a": "radar",
        "tracker_b": "unit",
        "baseball_day": date(2026, 10, 14),
        "n": 60,
        "at_rubber_in": None,
    }
    return usual | values


def test_a_crooked_setup_is_one_sentence_with_size_and_advice() -> None:
    names = {"radar": "Stadium radar", "unit": "Bullpen unit 2"}
    aim = _row(quantity="aim_deg", value=0.6, low=0.52, high=0.68, at_rubber_in=7.6)
    assert setup_sentence(aim, names) == (
        "Bullpen unit 2 is aimed 0.6° (0.5-0.7°) toward third base, 7.6 in at the rubber (against Stadium radar, Oct 14, 60 pitches). "
        "Turn it toward first base."
    )
    near = _row(quantity="distance_in", value=4.0, low=3.0, high=5.0)
    assert "Move it that far away from the plate if it is in front of it" in setup_sentence(near, names)
    left = _row(quantity="side_in", value=-2.0, low=-2.6, high=-1.4)
    assert "reads plate locations 2.0 in (1.4-2.6 in) too far toward third base" in setup_sentence(left, names)


@pytest.mark.parametrize("frame", ["aim_deg", "tilt_deg", "roll_deg", "side_in", "height_in", "distance_in"])
def test_a_frame_correction_straightens_what_was_crooked(frame: str) -> None:
    amount = {"aim_deg": 0.8, "tilt_deg": 0.8, "roll_deg": 3.0}.get(frame, 4.0)
    given = Setup(**{frame.replace("_in", "_ft"): amount / 12 if frame.endswith("_in") else amount})
    readings = seen_through(np.random.default_rng(10), 400, given, noise_ft=0.01)
    sightings = readings.select(
        pl.col(name).alias(name.removeprefix("b.")) for name in readings.columns if name.startswith("b.")
    )
    absent = [pl.lit(None, pl.Float64).alias(name) for name in (*METRICS, *TRAJECTORY) if name not in sightings.columns]
    sightings = sightings.with_columns(
        *absent, tracker=pl.lit("unit"), baseball_day=date(2026, 10, 14), corrections=pl.lit(None, CORRECTIONS_TYPE)
    )
    straight = apply_corrections(sightings, [Correction("unit", None, frame, -amount, None, None, "crooked")])
    after = readings.with_columns(
        straight[name.removeprefix("b.")].alias(name) for name in readings.columns if name.startswith("b.")
    )
    left = found_from(after, 400).values[0, :6]
    assert np.abs(left) == pytest.approx(np.zeros(6), abs=0.15)
    place = ["aim_deg", "tilt_deg", "roll_deg", "side_in", "height_in", "distance_in"].index(frame)
    assert found_from(readings, 400).values[0, place] == pytest.approx(amount, rel=0.05)


def test_a_frame_correction_turns_the_trajectory_too() -> None:
    flight = {
        "trajectory_x_ft": -1.0,
        "trajectory_y_ft": 50.0,
        "trajectory_z_ft": 5.5,
        "trajectory_vx_fps": 3.0,
        "trajectory_vy_fps": -125.0,
        "trajectory_vz_fps": -4.0,
    }
    sightings = pl.DataFrame([flight]).with_columns(
        *(pl.lit(None, pl.Float64).alias(name) for name in (*METRICS, *TRAJECTORY) if name not in flight),
        tracker=pl.lit("unit"), baseball_day=date(2026, 10, 14), corrections=pl.lit(None, CORRECTIONS_TYPE),
    )  # fmt: skip
    row = apply_corrections(sightings, [Correction("unit", None, "aim_deg", -1.0, None, None, "crooked")]).row(
        0, named=True
    )
    turned = Rotation.from_euler("z", 1.0, degrees=True).apply([[-1.0, 50.0, 5.5], [3.0, -125.0, -4.0]])
    assert [row[f"trajectory_{axis}_ft"] for axis in "xyz"] == pytest.approx(turned[0], abs=0.02)
    assert [row[f"trajectory_v{axis}_fps"] for axis in "xyz"] == pytest.approx(turned[1], abs=0.05)


POINTS_FT = ("release_side_ft", "release_height_ft", "extension_ft", "plate_side_ft", "plate_height_ft")
ANGLES_DEG = ("horizontal_approach_deg", "vertical_approach_deg")
BREAKS_IN = ("horizontal_break_in", "induced_vertical_break_in")
SPEEDS_MPH = ("release_speed_mph", "plate_speed_mph")


class Move(NamedTuple):
    """A frame that is turned, shifted and stretched exactly.

    By scipy's rotation, feet and a factor.
    """

    frame: str
    amount: float
    turn: Rotation = Rotation.identity()
    shift: tuple[float, float, float] = (0.0, 0.0, 0.0)
    stretch: float = 1.0


@pytest.mark.parametrize(
    ("move", "points_ft", "angles_deg", "breaks_in", "speeds_mph"),
    [
        (Move("aim_deg", 1.0, Rotation.from_euler("z", -1.0, degrees=True)), 0.01, 0.022, 0.2, 0.02),
        (Move("tilt_deg", 1.0, Rotation.from_euler("x", 1.0, degrees=True)), 0.01, 0.022, 0.2, 0.02),
        (Move("roll_deg", 3.0, Rotation.from_euler("y", 3.0, degrees=True)), 0.01, 0.03, 0.1, 1e-9),
        (Move("side_in", 6.0, shift=(0.5, 0.0, 0.0)), 1e-9, 1e-9, 1e-9, 1e-9),
        (Move("height_in", 6.0, shift=(0.0, 0.0, 0.5)), 1e-9, 1e-9, 1e-9, 1e-9),
        (Move("distance_in", 6.0, shift=(0.0, 0.5, 0.0)), 0.01, 0.02, 0.03, 0.12),
        (Move("scale", 0.02, stretch=1.02), 0.03, 0.01, 0.05, 2.1),
    ],
    ids=lambda value: value.frame if isinstance(value, Move) else "",
)
def test_a_frame_correction_leaves_at_most_the_errors_in_the_ledger_page(
    move: Move, points_ft: float, angles_deg: float, breaks_in: float, speeds_mph: float
) -> None:
    place, velocity, pull = _flights()
    turned = [move.stretch * move.turn.apply(part) for part in (place, velocity, pull)]
    straight, seen = _readings_of(place, velocity, pull), _readings_of(turned[0] + np.array(move.shift), *turned[1:])
    corrected = apply_corrections(_of_unit(seen), [Correction("unit", None, move.frame, -move.amount, None, None, "")])
    for names, most in ((POINTS_FT, points_ft), (ANGLES_DEG, angles_deg), (BREAKS_IN, breaks_in), (SPEEDS_MPH, speeds_mph)):  # fmt: skip
        left = np.abs((corrected.select(names) - straight.select(names)).to_numpy())
        assert left.max() <= most
    # it moves what is measured: without it the readings are farther off
    was_off = np.abs((seen.select(POINTS_FT) - straight.select(POINTS_FT)).to_numpy())
    assert was_off.max() > 0.2
    if move.frame == "roll_deg":
        assert np.abs((seen["horizontal_break_in"] - straight["horizontal_break_in"]).to_numpy()).max() > 0.5


@pytest.mark.parametrize("frame", ["aim_deg", "distance_in"])
def test_without_approach_angles_the_flight_s_ends_and_bend_locate_the_crossing(frame: str) -> None:
    place, velocity, pull = _flights()
    turn = Rotation.from_euler("z", -1.0 if frame == "aim_deg" else 0.0, degrees=True)
    shift = np.array([0.0, 0.5 if frame == "distance_in" else 0.0, 0.0])
    seen = _readings_of(turn.apply(place) + shift, turn.apply(velocity), turn.apply(pull)).drop(
        *ANGLES_DEG, "flight_time_s"
    )
    amount = -1.0 if frame == "aim_deg" else -6.0
    corrected = apply_corrections(_of_unit(seen), [Correction("unit", None, frame, amount, None, None, "")])
    names = ("plate_side_ft", "plate_height_ft")
    left = np.abs((corrected.select(names) - _readings_of(place, velocity, pull).select(names)).to_numpy())
    assert left.max() < 0.01


@pytest.mark.parametrize("frame", QUANTITIES)
def test_a_missing_reading_never_removes_another_one(frame: str) -> None:
    overall = _readings_of(*_flights())
    names = list(overall.columns)
    # each pitch lacks another reading
    seen = overall.with_columns(
        pl.when(pl.int_range(pl.len()) % len(names) == place).then(None).otherwise(pl.col(name)).alias(name)
        for place, name in enumerate(names)
    )
    corrected = apply_corrections(_of_unit(seen), [Correction("unit", None, frame, 0.5, None, None, "")])
    assert corrected.select(names).null_count().equals(seen.null_count())
    assert_frame_equal(uncorrected(corrected).select(names), seen)


def _flights() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return release points, velocities and accelerations of pitches near the zone."""
    rng, n = np.random.default_rng(20), 300
    place = np.column_stack([rng.normal(-1.5, 1.2, n), rng.normal(54.5, 0.4, n), rng.normal(5.8, 0.4, n)])
    pull = np.column_stack([rng.normal(0, 12, n), rng.normal(28, 3, n), rng.normal(-20, 8, n)])
    toward = rng.normal(-128, 6, n)
    gap = place[:, 1] - 17 / 12
    t = 2 * gap / (-toward + np.sqrt(toward**2 - 2 * pull[:, 1] * gap))
    ends = np.column_stack([rng.normal(0, 0.8, n), rng.normal(2.4, 0.8, n)])
    across = [(ends[:, end] - place[:, axis] - pull[:, axis] * t**2 / 2) / t for end, axis in ((0, 0), (1, 2))]
    return place, np.column_stack([across[0], toward, across[1]]), pull


def _readings_of(place: np.ndarray, velocity: np.ndarray, pull: np.ndarray) -> pl.DataFrame:
    """Return what a device reads of flights in its own frame.

    By pipeline.physics.flight, which test_flight.py compares with published values.
    """
    flight, span = Flight(*place.T, *velocity.T, *pull.T), Span(place[:, 1], 17 / 12)
    plate = at_plane(flight, 17 / 12)
    horizontal, vertical = break_in(flight, span, "same_plane")
    return pl.DataFrame(
        {
            "release_side_ft": place[:, 0],
            "release_height_ft": place[:, 2],
            "extension_ft": 60.5 - place[:, 1],
            "plate_side_ft": plate.x,
            "plate_height_ft": plate.z,
            "horizontal_approach_deg": horizontal_angle_deg(flight, 17 / 12),
            "vertical_approach_deg": vertical_angle_deg(flight, 17 / 12),
            "horizontal_break_in": horizontal,
            "induced_vertical_break_in": vertical,
            "release_speed_mph": speed_mph(flight, place[:, 1]),
            "plate_speed_mph": speed_mph(flight, 17 / 12),
            "flight_time_s": flight_time_s(flight, span),
        }
    )


def _of_unit(readings: pl.DataFrame) -> pl.DataFrame:
    absent = [name for name in (*METRICS, *TRAJECTORY) if name not in readings.columns]
    return readings.with_columns(
        *(pl.lit(None, pl.Float64).alias(name) for name in absent),
        tracker=pl.lit("unit"), baseball_day=date(2026, 10, 14), corrections=pl.lit(None, CORRECTIONS_TYPE),
    )  # fmt: skip


def test_a_crooked_quantity_moves_the_metrics_that_its_correction_changes() -> None:
    # a usual pitch; a tenth of the tolerance is the limit that schemas/setup.py states
    pitch = {"release_speed_mph": 86.0, "plate_speed_mph": 79.0, "spin_axis_deg": 210.0, "flight_time_s": 0.42}
    pitch |= {"induced_vertical_break_in": 12.0, "horizontal_break_in": -8.0, "extension_ft": 6.2}
    pitch |= {"release_height_ft": 5.8, "release_side_ft": -1.8, "plate_height_ft": 2.4, "plate_side_ft": 0.3}
    pitch |= {"vertical_approach_deg": -6.0, "horizontal_approach_deg": 1.5}
    absent = [name for name in (*METRICS, *TRAJECTORY) if name not in pitch]
    sightings = pl.DataFrame([pitch]).with_columns(
        *(pl.lit(None, pl.Float64).alias(name) for name in absent),
        tracker=pl.lit("unit"), baseball_day=date(2026, 10, 14), corrections=pl.lit(None, CORRECTIONS_TYPE),
    )  # fmt: skip
    for quantity, amount in CROOKED_FROM.items():
        after = apply_corrections(sightings, [Correction("unit", None, quantity, amount, None, None, "crooked")])
        moved = {
            name for name, value in pitch.items() if abs(after[name].item() - value) >= 0.1 * METRICS[name].tolerance
        }
        assert moved == {*MOVED_METRICS[quantity]}, quantity


def test_a_roll_turns_the_spin_axis_by_the_same_angle() -> None:
    # pure backspin seen by a device that leans 3 degrees toward third base reads its push 3 degrees off
    named = {"spin_axis_deg": 177.0}
    absent = [name for name in (*METRICS, *TRAJECTORY) if name not in named]
    sightings = pl.DataFrame([named]).with_columns(
        *(pl.lit(None, pl.Float64).alias(name) for name in absent),
        tracker=pl.lit("unit"), baseball_day=date(2026, 10, 14), corrections=pl.lit(None, CORRECTIONS_TYPE),
    )  # fmt: skip
    push = Rotation.from_euler("y", 3.0, degrees=True).apply([0.0, 0.0, 1.0])
    assert np.degrees(np.arctan2(push[0], -push[2])) % 360 == pytest.approx(177.0)
    correction = Correction("unit", None, "roll_deg", -3.0, None, None, "leans")
    assert apply_corrections(sightings, [correction])["spin_axis_deg"].item() == pytest.approx(180.0)
