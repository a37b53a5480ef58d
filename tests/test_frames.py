"""Sides, clock faces, axes and spin against published values (tests/published/physics.json: each with source and status)."""

from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.agreement.facts.circular import mean_vector
from pipeline.physics import frames
from pipeline.physics.flight import G_FPS2, Flight, Span, inferred_axis_deg
from tests.test_flight import CHECKS, check, named, one

AXES = [c for c in CHECKS if c["id"].startswith("d01")]
SPINS = [c for c in CHECKS if c["id"].startswith("d02")]
MEANS = ["d03", "d04", "d05", "d06", "d07", "d08"]


def hours_of(face: str) -> np.ndarray:
    hours, minutes = face.split(":")
    return one(int(hours) + int(minutes) / 60)


@pytest.mark.parametrize("axis", AXES, ids=named)
def test_axis_push_and_clock_faces(axis: dict[str, Any]) -> None:
    angle, said = one(axis["inputs"]["axis_deg"]), axis["expected"]
    # a flight whose lift points there has that axis
    push = one(10 * said["force_x_catcher"]), one(10 * said["force_z"])
    straight = Flight(*(one(v) for v in (0, 50, 6, 0, -130, 0)), push[0], one(0), push[1] - G_FPS2)
    assert frames.wrapped_deg(inferred_axis_deg(straight, Span(50.0, 49.9)) - angle).item() == pytest.approx(
        0, abs=5e-3
    )
    for view in ("pitcher", "catcher"):
        face = said[f"clock_{view}_view"]
        assert frames.clock_from_axis(angle, view) == [face]
        # a face is rounded to the minute, which is half a degree
        assert abs((frames.axis_from_clock(hours_of(face), view) - angle + 180) % 360 - 180).item() <= 0.25


def test_a_face_just_before_twelve_is_twelve() -> None:
    assert frames.clock_from_axis(one(179.9)) == ["12:00"]
    assert frames.clock_from_axis(one(np.nan)) == [None]


def test_clock_faces_are_read_as_text_or_as_decimal_hours_and_nothing_else() -> None:
    faces = pl.Series(["1:30", " 01:30:00", "1.5", "1,5", "12:00", "0:15", "13:00", "1:60", "noon", "", None])
    expected = [1.5, 1.5, 1.5, 1.5, 12.0, 0.25, None, None, None, None, None]
    assert frames.clock_hours(faces).to_list() == expected


@given(st.floats(-1000, 1000))
def test_a_wrapped_angle_is_the_same_direction(angle: float) -> None:
    wrapped = frames.wrapped_deg(one(angle)).item()
    assert -180 < wrapped <= 180
    assert np.cos(np.radians(wrapped - angle)) == pytest.approx(1)


@pytest.mark.parametrize("spin", SPINS, ids=named)
def test_efficiency_is_the_cosine_of_the_gyro_angle(spin: dict[str, Any]) -> None:
    angle, said = one(spin["inputs"]["gyro_angle_deg"]), spin["expected"]
    assert frames.efficiency_from_gyro(angle, "across_velocity").item() == pytest.approx(said["efficiency"], abs=1e-9)
    assert frames.efficiency_from_gyro(90 - angle, "velocity").item() == pytest.approx(said["efficiency"], abs=1e-9)


@pytest.mark.parametrize("name", MEANS)
def test_means_of_directions(name: str) -> None:
    mean = check(name)
    angle, length = mean_vector(np.array(mean["inputs"]["deg"], dtype=float))
    expected = mean["expected"]["mean_deg"]
    assert length == pytest.approx(mean["expected"]["resultant"], abs=1e-9)
    assert np.isnan(angle) if expected is None else angle % 360 == pytest.approx(expected, abs=1e-8)


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
