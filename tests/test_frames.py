"""Sides, clock faces, axes and spin against published values (tests/published/physics.json: each with source and status)."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline import frames
from tests.test_flight import CHECKS, check, named, one

AXES = [c for c in CHECKS if c["id"].startswith("d01")]
SPINS = [c for c in CHECKS if c["id"].startswith("d02")]
MEANS = ["d03", "d04", "d05", "d06", "d07"]


def hours_of(face: str) -> np.ndarray:
    hours, minutes = face.split(":")
    return one(int(hours) + int(minutes) / 60)


@pytest.mark.parametrize("axis", AXES, ids=named)
def test_axis_push_and_clock_faces(axis: dict[str, Any]) -> None:
    angle, said = one(axis["inputs"]["axis_deg"]), axis["expected"]
    x, z = frames.push_direction(angle)
    assert [x.item(), z.item()] == pytest.approx([said["force_x_catcher"], said["force_z"]], abs=1e-6)
    for view in ("pitcher", "catcher"):
        face = said[f"clock_{view}_view"]
        assert frames.clock_from_axis(angle, view) == [face]
        # a face is rounded to the minute, which is half a degree
        assert abs((frames.axis_from_clock(hours_of(face), view) - angle + 180) % 360 - 180).item() <= 0.25


def test_a_face_just_before_twelve_is_twelve() -> None:
    assert frames.clock_from_axis(one(179.9)) == ["12:00"]
    assert frames.clock_from_axis(one(np.nan)) == [None]


@pytest.mark.parametrize("spin", SPINS, ids=named)
def test_efficiency_is_the_cosine_of_the_gyro_angle(spin: dict[str, Any]) -> None:
    angle, said = one(spin["inputs"]["gyro_angle_deg"]), spin["expected"]
    assert frames.efficiency_from_gyro(angle, "across_velocity").item() == pytest.approx(said["efficiency"], abs=1e-9)
    assert frames.efficiency_from_gyro(90 - angle, "velocity").item() == pytest.approx(said["efficiency"], abs=1e-9)


@pytest.mark.parametrize("name", MEANS)
def test_means_of_directions(name: str) -> None:
    mean = check(name)
    angle, length = frames.circular_mean_deg(np.array(mean["inputs"]["deg"], dtype=float))
    expected = mean["expected"]["mean_deg"]
    assert length == pytest.approx(mean["expected"]["resultant"], abs=1e-9)
    assert angle is None if expected is None else angle == pytest.approx(expected, abs=1e-8)


@given(
    st.floats(0, 360),
    st.floats(0, 360),
    st.sampled_from(["clockwise", "counterclockwise"]),
    st.sampled_from(["catcher", "pitcher"]),
)
def test_backspin_is_backspin_in_every_definition_and_topspin_is_opposite(
    axis: float, backspin_at: float, turns: str, view: str
) -> None:
    assert frames.axis_from_angle(one(backspin_at), backspin_at, turns, view).item() == pytest.approx(180)
    ours = frames.axis_from_angle(one(axis), backspin_at, turns, view).item()
    opposite = frames.axis_from_angle(one(axis + 180), backspin_at, turns, view).item()
    assert abs((ours - opposite + 180) % 360 - 180) == pytest.approx(180)


@pytest.mark.parametrize(
    ("side", "right_hander", "left_hander"),
    # rules of the sport: first base lies to the catcher's right; a right-hander's arm is on the third-base side when he faces the plate
    [
        ("catcher_right", 1, 1),
        ("first_base_side", 1, 1),
        ("pitcher_right", -1, -1),
        ("third_base_side", -1, -1),
        ("arm_side", -1, 1),
        ("glove_side", 1, -1),
    ],
)
def test_sides(side: str, right_hander: int, left_hander: int) -> None:
    signs = frames.side_sign(side, np.array([1.0, 0.0, np.nan]))
    assert signs[:2].tolist() == [right_hander, left_hander]
    assert np.isnan(signs[2]) == (side in ("arm_side", "glove_side"))
