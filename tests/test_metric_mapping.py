"""Conversion of readings to our definitions: worked flights (tests/published/physics.json), rules of the sport, round trips."""

import itertools
import tomllib
from typing import Any

import numpy as np
import pint
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from pipeline.exports.mapping.metrics import MetricsMapped, map_metrics
from pipeline.exports.mapping.null_reasons import Why
from pipeline.physics import flight as physics
from pipeline.physics.flight import FRONT_EDGE_FT, G_FPS2, RUBBER_FT, Flight, Span
from pipeline.physics.units import _USUAL, UnknownUnitError, unit_factor
from pipeline.settings.metric_tables import MetricTables, TrajectorySpec, contradictions
from pipeline.settings.planes import parse_plane
from schemas.metrics import METRICS, TRAJECTORY
from tests.test_flight import CHECKS, DEFINITIONS, WORKED, check, flights, named, worked_flight

# a camera's flight: metres, toward the plate positive, its sides the pitcher's, gravity out
TRAJECTORY_TOML = """
position = { side = "px", distance = "py", height = "pz" }
velocity = { side = "vx", distance = "vy", height = "vz" }
acceleration = { side = "ax", distance = "ay", height = "az" }
position_unit = "m"
velocity_unit = "m/s"
acceleration_unit = "m/s^2"
side_positive = "pitcher_right"
distance_from = "rubber"
distance_positive = "toward_plate"
height_from = "rubber_top"
gravity = "out"
"""
FT = 0.3048


def mapped(profile: str, cells: dict[str, list[Any]], hand: str | None = "right") -> MetricsMapped:
    """Map a small frame by the [metric.*] and [trajectory] tables in `profile`."""
    tables = tomllib.loads(profile)
    metrics = MetricTables.model_validate(tables.get("metric", {}))
    trajectory = TrajectorySpec.model_validate(tables["trajectory"]) if "trajectory" in tables else None
    assert not contradictions(metrics, trajectory)
    rows = len(next(iter(cells.values())))
    return map_metrics(
        pl.DataFrame(cells, strict=False), metrics, trajectory, pl.Series([hand] * rows, dtype=pl.String)
    )


def value(done: MetricsMapped, metric: str) -> float | None:
    return done.values.get_column(metric)[0]


def reasons(done: MetricsMapped, metric: str) -> list[str]:
    return done.reasons.filter(metric=metric).get_column("reason").to_list()


def one_reading(metric: str, keys: str, cell: Any, hand: str | None = "right") -> MetricsMapped:
    return mapped(f'[metric.{metric}]\ncolumn = "c"\n{keys}', {"c": [cell]}, hand)


# ---------------------------------------------------------------------------------------------------------- rules that need no flight


@pytest.mark.parametrize(
    ("metric", "keys", "cell", "expected"),
    # arithmetic on the frame of design; 10 in from Official Baseball Rules 2.04 (check a06), 45 degrees from a square infield (rule 2.01)
    [
        ("release_speed_mph", 'unit = "km/h"\nat = "release"', 152.88768, 95.0),  # check f_95mph: exact
        ("release_speed_mph", 'unit = "m/s"\nat = "release"', 42.4688, 95.0),  # check f_95mph: exact
        ("spin_rate_rpm", 'unit = "rad/s"\nspin = "total"', 240.85543677521747, 2300.0),  # check f_2300rpm: exact
        ("spin_rate_rpm", 'unit = "revolution/s"\nspin = "total"', 38.333333333333336, 2300.0),  # check f_2300rpm
        ("release_height_ft", 'unit = "inch"\nat = "release"\nheight_from = "rubber_top"', 62.0, 6.0),
        (
            "plate_height_ft",
            'unit = "ft"\nat = "17 inch"\nheight_from = "ground"',
            2.5,
            2.5,
        ),  # the front edge by its depth
        ("extension_ft", 'unit = "ft"\nmeasured_from = "rubber"', 6.0, 6.0),
        ("extension_ft", 'unit = "ft"\nmeasured_from = "back_tip"', 54.5, 6.0),
        ("extension_ft", 'unit = "m"\nmeasured_from = "front_edge"', (54.5 - 17 / 12) * FT, 6.0),
        ("plate_side_ft", 'unit = "cm"\nat = "front_edge"\npositive = "pitcher_right"', 30.48, -1.0),
        ("plate_side_ft", 'unit = "ft"\nat = "front_edge"\npositive = "arm_side"', 1.0, -1.0),
        ("release_side_ft", 'unit = "ft"\nat = "release"\npositive = "glove_side"', -2.0, -2.0),
        ("vertical_approach_deg", 'unit = "deg"\nat = "front_edge"\npositive = "down"', 6.5, -6.5),
        ("vertical_approach_deg", 'unit = "rad"\nat = "front_edge"\npositive = "up"', -np.pi / 30, -6.0),
        ("horizontal_approach_deg", 'unit = "deg"\nat = "front_edge"\npositive = "third_base_side"', 2.0, -2.0),
        ("flight_time_s", 'unit = "ms"\nstart = "release"\nend = "front_edge"', 412.0, 0.412),
        ("spin_efficiency", 'unit = "percent"\nform = "ratio"', 87.0, 0.87),
        (
            "spin_efficiency",
            'unit = "deg"\nform = "gyro_angle"\ngyro_from = "across_velocity"',
            60.0,
            0.5,
        ),  # check d02_60
        ("spin_efficiency", 'unit = "deg"\nform = "gyro_angle"\ngyro_from = "velocity"', 30.0, 0.5),
        ("launch_angle_deg", 'unit = "deg"\npositive = "down"', -25.0, 25.0),
        ("spray_angle_deg", 'unit = "deg"\nzero_at = "center_field"\npositive = "third_base_side"', 30.0, -30.0),
        ("spray_angle_deg", 'unit = "deg"\nzero_at = "first_base_line"\npositive = "third_base_side"', 90.0, -45.0),
        ("spray_angle_deg", 'unit = "deg"\nzero_at = "third_base_line"\npositive = "first_base_side"', 350.0, -55.0),
        ("carry_distance_ft", 'unit = "m"', 100.0, 328.0839895013123),
        ("exit_velocity_mph", 'unit = "km/h"', 160.9344, 100.0),
    ],
)
def test_conversions_without_a_flight_are_exact(metric: str, keys: str, cell: float, expected: float) -> None:
    done = one_reading(metric, keys, cell)
    assert value(done, metric) == pytest.approx(expected)
    assert reasons(done, metric) == []


@pytest.mark.parametrize("axis", [c for c in CHECKS if c["id"].startswith("d01")], ids=named)
@pytest.mark.parametrize("view", ["pitcher", "catcher"])
def test_clock_faces_of_both_views_become_the_axis(axis: dict[str, Any], view: str) -> None:
    face = axis["expected"][f"clock_{view}_view"]
    done = one_reading("spin_axis_deg", f'form = "clock"\nview = "{view}"\nhow = "measured"', face)
    ours = value(done, "spin_axis_deg")
    assert ours is not None and 0 <= ours < 360
    # a face is rounded to the minute, half a degree
    assert abs((ours - axis["inputs"]["axis_deg"] + 180) % 360 - 180) <= 0.25


def test_an_axis_that_reads_0_for_backspin_and_grows_clockwise() -> None:
    """Check d01_210: an angle of 210 is one o'clock as the pitcher sees it, so 30 degrees on such a scale."""
    keys = 'unit = "deg"\nform = "angle"\nview = "pitcher"\nhow = "measured"\nbackspin_at = 0\nturns = "clockwise"'
    assert value(one_reading("spin_axis_deg", keys, 30.0), "spin_axis_deg") == pytest.approx(210)
    assert value(
        one_reading("spin_axis_deg", keys.replace("pitcher", "catcher"), 30.0), "spin_axis_deg"
    ) == pytest.approx(150)


SPINS = '[metric.spin_rate_rpm]\ncolumn = "spin"\nunit = "rpm"\nspin = "{spin}"\n[metric.spin_efficiency]\n{efficiency}'


@pytest.mark.parametrize("spin", [c for c in CHECKS if c["id"].startswith("d02")], ids=named)
def test_total_spin_active_spin_and_gyro_angle_convert_to_each_other(spin: dict[str, Any]) -> None:
    total, angle, said = spin["inputs"]["total_rpm"], spin["inputs"]["gyro_angle_deg"], spin["expected"]
    by_active = 'form = "active_spin"\nunit = "rpm"\ncolumn = "active"'
    done = mapped(SPINS.format(spin="total", efficiency=by_active), {"spin": [total], "active": [said["active_rpm"]]})
    assert value(done, "spin_efficiency") == pytest.approx(said["efficiency"], abs=1e-8)
    by_angle = 'column = "gyro"\nunit = "deg"\nform = "gyro_angle"\ngyro_from = "across_velocity"'
    done = mapped(SPINS.format(spin="active", efficiency=by_angle), {"spin": [said["active_rpm"]], "gyro": [angle]})
    if angle == 90:
        assert reasons(done, "spin_rate_rpm") == [Why.NO_EFFICIENCY.text]
    else:
        assert value(done, "spin_rate_rpm") == pytest.approx(total)


def test_a_speed_is_the_length_of_three_components() -> None:
    keys = 'computed_from = "velocity_components"\ncolumns = ["a", "b", "c"]\nunit = "ft/s"\nat = "release"'
    done = mapped(f"[metric.release_speed_mph]\n{keys}", {"a": [22.0], "b": [-132.0], "c": [-16.5]})
    assert value(done, "release_speed_mph") == pytest.approx(np.sqrt(15**2 + 90**2 + 11.25**2))


def test_gravity_is_removed_from_a_total_drop_by_the_flight_time() -> None:
    """Worked flight A (checks b_A): the total drop of -14.9 in in 0.4066 s is an induced break of 17.0 in; same-time and same-plane apart."""
    said = WORKED[0]["expected"]
    reading = said["move_z_full_sameplane_in"] - physics.G_FPS2 * 6 * said["flight_time_release_to_front_s"] ** 2
    done = mapped(
        """
        [metric.induced_vertical_break_in]
        column = "drop"
        unit = "inch"
        definition = "same_plane"
        start = "release"
        end = "front_edge"
        gravity = "in"
        positive = "down"
        [metric.flight_time_s]
        column = "time"
        unit = "s"
        start = "release"
        end = "front_edge"
        """,
        {"drop": [-reading], "time": [said["flight_time_release_to_front_s"]]},
    )
    assert value(done, "induced_vertical_break_in") == pytest.approx(said["move_z_full_sameplane_in"])


# -------------------------------------------------------------------------------------------------------------------- with a flight


def flight_cells(flight: Flight) -> dict[str, list[float]]:
    """A flight as the camera of TRAJECTORY_TOML writes it."""
    x, y, z, vx, vy, vz, ax, ay, az = (part.item() for part in flight)
    position = {"px": -x * FT, "py": (RUBBER_FT - y) * FT, "pz": (z - 10 / 12) * FT}
    velocity = {"vx": -vx * FT, "vy": -vy * FT, "vz": vz * FT}
    acceleration = {"ax": -ax * FT, "ay": -ay * FT, "az": (az + G_FPS2) * FT}
    return {name: [part] for name, part in (position | velocity | acceleration).items()}


OURS = {
    "release_speed_mph": "speed_release_mph",
    "plate_speed_mph": "speed_plate_mph",
    "induced_vertical_break_in": "move_z_full_sameplane_in",
    "horizontal_break_in": "move_x_full_sameplane_in",
    "release_height_ft": "z_release_ft",
    "release_side_ft": "x_release_ft",
    "plate_height_ft": "z_plate_ft",
    "plate_side_ft": "x_plate_ft",
    "vertical_approach_deg": "vert_approach_angle_deg",
    "horizontal_approach_deg": "horz_approach_angle_deg",
    "flight_time_s": "flight_time_release_to_front_s",
}
EXTENSION = '[metric.extension_ft]\ncolumn = "reach"\nunit = "ft"\nmeasured_from = "rubber"\n'


@pytest.mark.parametrize("worked", WORKED, ids=named)
def test_a_trajectory_in_another_frame_gives_every_flight_metric(worked: dict[str, Any]) -> None:
    cells = flight_cells(worked_flight(worked["inputs"])) | {"reach": [worked["inputs"]["reach_ft"]]}
    done = mapped(EXTENSION + "[trajectory]\n" + TRAJECTORY_TOML + 'gives = "all"', cells)
    for metric, key in OURS.items():
        assert value(done, metric) == pytest.approx(worked["expected"][key], rel=1e-6, abs=1e-7), metric
    names = ("x0", "y0", "z0", "vx0", "vy0", "vz0", "ax", "ay", "az")
    assert [value(done, name) for name in TRAJECTORY] == pytest.approx([worked["inputs"][n] for n in names], abs=1e-9)
    assert value(done, "spin_axis_deg") is None


def test_an_axis_is_inferred_from_the_flight_only_on_request() -> None:
    worked = WORKED[0]
    cells = flight_cells(worked_flight(worked["inputs"])) | {"reach": [worked["inputs"]["reach_ft"]]}
    asked = '[metric.spin_axis_deg]\ncomputed_from = "trajectory"\n'
    done = mapped(EXTENSION + asked + "[trajectory]\n" + TRAJECTORY_TOML, cells)
    assert value(done, "spin_axis_deg") == pytest.approx(worked["expected"]["inferred_axis_liftonly_deg"])


# other definitions of the same quantity, with the check's key of what such a device would print
OTHER_BREAKS = [
    ("same_time", "release", "full_sametime"),
    ("same_time", "50 ft", "50_sametime"),
    ("same_plane", "50 ft", "50_sameplane"),
    ("same_time", "40 ft", "40_sametime"),
    ("same_plane", "40 ft", "40_sameplane"),
    ("lift_only", "release", "full_liftonly"),
]


@pytest.mark.parametrize(("definition", "start", "key"), OTHER_BREAKS)
@pytest.mark.parametrize("worked", [w for w in WORKED if w["id"] != "b_E_gravity_only_no_drag"], ids=named)
def test_breaks_of_every_definition_convert_to_ours(
    worked: dict[str, Any], definition: str, start: str, key: str
) -> None:
    """Once with the device's trajectory, once by the flight that its readings determine; a shift of 0.5 in that the device adds is kept."""
    said, keys = (
        worked["expected"],
        f'unit = "inch"\ndefinition = "{definition}"\nstart = "{start}"\nend = "front_edge"\n',
    )
    breaks = (
        f'[metric.induced_vertical_break_in]\ncolumn = "rise"\ngravity = "out"\npositive = "up"\n{keys}'
        f'[metric.horizontal_break_in]\ncolumn = "run"\npositive = "arm_side"\n{keys}'
    )
    rise, run = said[f"move_z_{key}_in"], said[f"move_x_{key}_in"]
    ours = said["move_z_full_sameplane_in"], said["move_x_full_sameplane_in"]
    cells = {"reach": [worked["inputs"]["reach_ft"]], "rise": [rise + 0.5], "run": [-run]}
    cells |= flight_cells(worked_flight(worked["inputs"]))
    done = mapped(EXTENSION + breaks + "[trajectory]\n" + TRAJECTORY_TOML, cells)
    assert value(done, "induced_vertical_break_in") == pytest.approx(ours[0] + 0.5, abs=2e-6)
    assert value(done, "horizontal_break_in") == pytest.approx(ours[1], abs=2e-6)
    solved = mapped(EXTENSION + breaks + PLACES, cells | places(said) | {"rise": [rise]})
    assert value(solved, "induced_vertical_break_in") == pytest.approx(ours[0], abs=2e-5)
    assert value(solved, "horizontal_break_in") == pytest.approx(ours[1], abs=2e-5)


PLACES = """
[metric.release_speed_mph]
column = "fast"
unit = "mph"
at = "50 ft"
[metric.plate_speed_mph]
column = "slow"
unit = "mph"
at = "front_edge"
[metric.release_height_ft]
column = "rh"
unit = "ft"
at = "release"
height_from = "ground"
[metric.release_side_ft]
column = "rs"
unit = "ft"
at = "release"
positive = "catcher_right"
[metric.plate_height_ft]
column = "ph"
unit = "ft"
at = "back_tip"
height_from = "ground"
[metric.plate_side_ft]
column = "ps"
unit = "ft"
at = "front_edge"
positive = "catcher_right"
"""


def places(said: dict[str, float]) -> dict[str, list[float]]:
    keys = {"fast": "speed_50ft_mph", "slow": "speed_plate_mph", "rh": "z_release_ft", "rs": "x_release_ft"}
    return {name: [said[key]] for name, key in (keys | {"ph": "z_tip_ft", "ps": "x_plate_ft"}).items()}


@pytest.mark.parametrize("worked", [w for w in WORKED if w["id"] != "b_E_gravity_only_no_drag"], ids=named)
def test_speeds_and_heights_at_other_planes_convert_by_the_flight(worked: dict[str, Any]) -> None:
    """Speed at 50 ft to release; height at the back tip to the front edge, 2 in higher on average (check h04)."""
    said = worked["expected"]
    breaks = "".join(
        f'[metric.{name}]\ncolumn = "{column}"\nunit = "inch"\ndefinition = "same_time"\nstart = "40 ft"\nend = "front_edge"\n{extra}\n'
        for name, column, extra in (
            ("induced_vertical_break_in", "rise", 'gravity = "out"\npositive = "up"'),
            ("horizontal_break_in", "run", 'positive = "catcher_right"'),
        )
    )
    cells = places(said) | {"rise": [said["move_z_40_sametime_in"]], "run": [said["move_x_40_sametime_in"]]}
    done = mapped(EXTENSION + PLACES + breaks, cells | {"reach": [worked["inputs"]["reach_ft"]]})
    assert value(done, "release_speed_mph") == pytest.approx(said["speed_release_mph"], abs=1e-5)
    assert value(done, "plate_height_ft") == pytest.approx(said["z_plate_ft"], abs=1e-6)
    assert value(done, "plate_side_ft") == said["x_plate_ft"]
    assert done.reasons.is_empty()


PLANE_WORDS = st.sampled_from(["release", "50 ft", "16 m", "5.5 ft from rubber", "12 m from front_edge"])
ENDS = st.sampled_from(["front_edge", "back_tip", "1 m", "6 inch from front_edge"])
SIDES = st.sampled_from(["catcher_right", "pitcher_right", "arm_side", "glove_side", "third_base_side"])


@given(
    flights, DEFINITIONS, PLANE_WORDS, ENDS, SIDES, st.sampled_from(["right", "left"]), st.sampled_from(["in", "out"])
)
def test_a_reading_of_any_definition_converts_back_to_ours(
    pitch: tuple[Flight, float], definition: Any, start: str, end: str, side: str, hand: str, gravity: str
) -> None:
    """Forth by the kinematics that the worked values above pin down, back by the mapping."""
    flight, release = pitch
    gravity = "out" if definition == "lift_only" else gravity
    first, last = (release if y is None else y for y in (parse_plane(start).y_ft, parse_plane(end).y_ft))
    span, whole = Span(first, last), Span(release, FRONT_EDGE_FT)
    sign = {"arm_side": -1, "glove_side": 1}.get(side, 1 if side == "catcher_right" else -1)
    sign = sign if hand == "right" or side not in ("arm_side", "glove_side") else -sign
    run, rise = physics.break_in(flight, span, definition, 32.1)
    rise = rise - (physics.drop_of_gravity_in(flight, span, 32.1) if gravity == "in" else 0)
    there, then = physics.at_plane(flight, first), physics.at_plane(flight, last)
    keys = f'unit = "cm"\ndefinition = "{definition}"\nstart = "{start}"\nend = "{end}"\ngravity_fps2 = 32.1\n'
    profile = (
        f'[metric.induced_vertical_break_in]\ncolumn = "rise"\ngravity = "{gravity}"\npositive = "down"\n{keys}'
        f'[metric.horizontal_break_in]\ncolumn = "run"\npositive = "{side}"\n{keys}'
        f'[metric.release_side_ft]\ncolumn = "rs"\nunit = "m"\nat = "{start}"\npositive = "{side}"\n'
        f'[metric.plate_height_ft]\ncolumn = "ph"\nunit = "m"\nat = "{end}"\nheight_from = "rubber_top"\n'
        f'[metric.vertical_approach_deg]\ncolumn = "va"\nunit = "rad"\nat = "{end}"\npositive = "down"\n'
        f'[metric.horizontal_approach_deg]\ncolumn = "ha"\nunit = "deg"\nat = "{end}"\npositive = "{side}"\n'
        f'[metric.flight_time_s]\ncolumn = "t"\nunit = "ms"\nstart = "{start}"\nend = "{end}"\n'
        f'[metric.plate_speed_mph]\ncolumn = "slow"\nunit = "ft/s"\nat = "{end}"\ncomponent = "toward_plate"\n'
    )
    cells = flight_cells(flight) | {
        "reach": [RUBBER_FT - release],
        "rise": [-rise.item() * 2.54],
        "run": [sign * run.item() * 2.54],
        "rs": [sign * there.x.item() * FT],
        "ph": [(then.z.item() - 10 / 12) * FT],
        "va": [-np.radians(physics.vertical_angle_deg(flight, last).item())],
        "ha": [sign * physics.horizontal_angle_deg(flight, last).item()],
        "t": [physics.flight_time_s(flight, span).item() * 1000],
        "slow": [-then.vy.item()],
    }
    done = mapped(EXTENSION + profile + "[trajectory]\n" + TRAJECTORY_TOML, cells, hand)
    ours = {
        "induced_vertical_break_in": physics.break_in(flight, whole, "same_plane")[1],
        "horizontal_break_in": physics.break_in(flight, whole, "same_plane")[0],
        "release_side_ft": physics.at_plane(flight, release).x,
        "plate_height_ft": physics.at_plane(flight, FRONT_EDGE_FT).z,
        "vertical_approach_deg": physics.vertical_angle_deg(flight, FRONT_EDGE_FT),
        "horizontal_approach_deg": physics.horizontal_angle_deg(flight, FRONT_EDGE_FT),
        "flight_time_s": physics.flight_time_s(flight, whole),
        "plate_speed_mph": physics.speed_mph(flight, FRONT_EDGE_FT),
    }
    for metric, expected in ours.items():
        # planes within 0.01 ft of each other count as one
        assert value(done, metric) == pytest.approx(expected.item(), abs=2e-3), metric


def test_a_trajectory_without_position_gives_all_but_locations() -> None:
    worked = WORKED[0]
    bare = "\n".join(line for line in TRAJECTORY_TOML.splitlines() if "position" not in line and "_from" not in line)
    cells = {name: cell for name, cell in flight_cells(worked_flight(worked["inputs"])).items() if name[0] != "p"}
    profile = EXTENSION + "[trajectory]\n" + bare + '\nvelocity_at = "50 ft"\ngives = "all"'
    done = mapped(profile, cells | {"reach": [worked["inputs"]["reach_ft"]]})
    for metric, key in OURS.items():
        if "height" in metric or "side" in metric:
            assert value(done, metric) is None
            assert reasons(done, metric) == [Why.NO_POSITION.text]
        else:
            assert value(done, metric) == pytest.approx(worked["expected"][key], rel=1e-6), metric


def test_a_position_at_release_and_a_velocity_at_fifty_feet_are_one_flight() -> None:
    """As public data file B states it: the release point itself tells how far in front of the rubber the ball is let go."""
    worked = WORKED[0]
    flight, said = worked_flight(worked["inputs"]), worked["expected"]
    release = physics.at_plane(flight, said["y_release_ft"])
    cells = flight_cells(flight) | {name: cell for name, cell in flight_cells(release).items() if name[0] == "p"}
    places = 'position_at = "release"\nvelocity_at = "50 ft"\ngives = "all"'
    done = mapped("[trajectory]\n" + TRAJECTORY_TOML + places, cells)
    assert value(done, "extension_ft") == pytest.approx(worked["inputs"]["reach_ft"])
    for metric, key in OURS.items():
        assert value(done, metric) == pytest.approx(said[key], rel=1e-6), metric


# ------------------------------------------------------------------------------------------------------------ without: drag, or null


def test_a_speed_at_fifty_feet_becomes_release_speed_by_drag() -> None:
    """Check h01: own release minus 50 ft is 0.55 mph on average by constant-acceleration fits, which read release 0.05 to 0.17 low (h06)."""
    speed = '[metric.release_speed_mph]\ncolumn = "v"\nunit = "mph"\nat = "50 ft"\n'
    done = mapped(EXTENSION + speed, {"v": [89.0], "reach": [6.3]})
    gained = (value(done, "release_speed_mph") or 0) - 89.0
    assert gained == pytest.approx(check("h01")["expected"]["mean"] + 0.11, abs=0.06)
    assert done.reasons.is_empty()


def test_release_speed_and_plate_speed_convert_with_the_usual_loss() -> None:
    """Check c10: 8.05 % of the release speed is lost on the way (public data B, mean), SD 0.8 %."""
    at_plate = '[metric.release_speed_mph]\ncolumn = "v"\nunit = "mph"\nat = "front_edge"\n'
    done = mapped(EXTENSION + at_plate, {"v": [82.0], "reach": [6.3]})
    release = value(done, "release_speed_mph")
    assert release is not None
    assert 100 * (1 - 82.0 / release) == pytest.approx(check("c10")["expected"]["B_from_release_mean_pct"], abs=0.2)


def test_a_speed_without_extension_converts_to_a_nominal_release() -> None:
    done = one_reading("release_speed_mph", 'unit = "mph"\nat = "50 ft"', 89.0)
    assert value(done, "release_speed_mph") == pytest.approx(89.7, abs=0.1)
    assert reasons(done, "release_speed_mph") == [Why.NOMINAL.text]


BREAK_40 = 'unit = "inch"\ndefinition = "same_time"\nstart = "40 ft"\nend = "front_edge"\n'


@pytest.mark.parametrize(
    ("metric", "keys", "cell", "hand", "why"),
    [
        ("horizontal_break_in", BREAK_40 + 'positive = "catcher_right"', 5.0, "right", Why.NO_FLIGHT),
        ("induced_vertical_break_in", BREAK_40 + 'gravity = "out"\npositive = "up"', 5.0, "right", Why.NO_FLIGHT),
        ("plate_height_ft", 'unit = "ft"\nat = "back_tip"\nheight_from = "ground"', 2.5, "right", Why.NO_FLIGHT),
        (
            "plate_speed_mph",
            'unit = "mph"\nat = "front_edge"\ncomponent = "toward_plate"',
            80.0,
            "right",
            Why.NO_FLIGHT,
        ),
        ("plate_side_ft", 'unit = "ft"\nat = "front_edge"\npositive = "arm_side"', 1.0, None, Why.NO_HAND),
        ("plate_side_ft", 'unit = "ft"\nat = "front_edge"\npositive = "arm_side"', None, None, Why.NOT_MEASURED),
        ("spin_axis_deg", 'form = "clock"\nview = "pitcher"\nhow = "measured"', "25:00", "right", Why.NO_CLOCK),
        ("spin_axis_deg", 'form = "clock"\nview = "pitcher"\nhow = "measured"', None, "right", Why.NOT_MEASURED),
        ("exit_velocity_mph", 'unit = "mph"', float("inf"), "right", Why.NOT_MEASURED),
        ("carry_distance_ft", 'unit = "m"', float("nan"), "right", Why.NOT_MEASURED),
    ],
)
def test_a_metric_that_cannot_be_computed_is_null_with_its_reason(
    metric: str, keys: str, cell: Any, hand: str | None, why: Why
) -> None:
    done = one_reading(metric, keys, cell, hand)
    assert value(done, metric) is None
    assert reasons(done, metric) == [why.text]


def test_spin_metrics_that_lack_their_counterpart_are_null() -> None:
    spin = '[metric.spin_rate_rpm]\ncolumn = "spin"\nunit = "rpm"\nspin = "active"\n'
    assert reasons(mapped(spin, {"spin": [2000.0]}), "spin_rate_rpm") == [Why.NO_EFFICIENCY.text]
    by_active = 'form = "active_spin"\nunit = "rpm"\ncolumn = "active"'
    done = mapped(SPINS.format(spin="total", efficiency=by_active), {"spin": [None], "active": [2000.0]})
    assert reasons(done, "spin_efficiency") == [Why.NO_TOTAL.text]


def test_an_incomplete_or_reversed_flight_gives_a_reason_per_row() -> None:
    cells = {name: cell * 4 for name, cell in flight_cells(worked_flight(WORKED[0]["inputs"])).items()}
    cells |= {"reach": [6.3, 6.3, 6.3, None]}
    cells["az"] = [cells["az"][0], None, cells["az"][0], cells["az"][0]]
    cells["vy"] = [cells["vy"][0], cells["vy"][0], -cells["vy"][0], cells["vy"][0]]
    done = mapped(
        EXTENSION + "[trajectory]\n" + TRAJECTORY_TOML + 'gives = ["flight_time_s", "plate_height_ft"]', cells
    )
    assert done.values.get_column("flight_time_s").is_null().to_list() == [False, True, True, True]
    assert done.values.get_column("plate_height_ft").is_null().to_list() == [False, True, True, False]
    expected = [Why.NO_WHOLE_FLIGHT.text, Why.WRONG_WAY.text, Why.NO_RELEASE.text]
    assert reasons(done, "flight_time_s") == expected


def test_a_misread_speed_does_not_change_the_breaks() -> None:
    """With a plate speed that no ball could have, the flight is refused rather than the break moved by it."""
    said = WORKED[0]["expected"]
    keys = 'unit = "inch"\ndefinition = "same_time"\nstart = "release"\nend = "front_edge"\n'
    breaks = (
        f'[metric.induced_vertical_break_in]\ncolumn = "rise"\ngravity = "out"\npositive = "up"\n{keys}'
        f'[metric.horizontal_break_in]\ncolumn = "run"\npositive = "catcher_right"\n{keys}'
    )
    readings = {"rise": [said["move_z_full_sametime_in"]], "run": [said["move_x_full_sametime_in"]], "reach": [6.3]}
    cells = {name: cell * 3 for name, cell in (places(said) | readings).items()} | {"slow": [84.688578483, 45.0, None]}
    done = mapped(EXTENSION + PLACES + breaks, cells)
    assert value(done, "induced_vertical_break_in") == pytest.approx(said["move_z_full_sameplane_in"], abs=1e-5)
    assert reasons(done, "induced_vertical_break_in") == [Why.NO_BALL.text, Why.NO_WHOLE_FLIGHT.text]


def test_the_mapping_returns_only_finite_numbers_and_nulls() -> None:
    worked = WORKED[0]
    odd = [0.0, float("nan"), float("inf"), None, 1e308]
    cells = dict.fromkeys(flight_cells(worked_flight(worked["inputs"])), odd) | {"reach": odd}
    done = mapped(EXTENSION + "[trajectory]\n" + TRAJECTORY_TOML + 'gives = "all"', cells)
    assert done.values.columns == [*METRICS, *TRAJECTORY]
    assert done.values.fill_null(0).select(pl.all().is_finite().all()).row(0) == (True,) * 28


# ------------------------------------------------------------------------------------------------------------- units and definitions


@pytest.mark.parametrize(
    ("name", "unit", "ours"),
    [
        ("f_mph_to_ms", "mph", "m/s"),
        ("f_mph_to_fps", "mph", "ft/s"),
        ("f_mph_to_kmh", "mph", "km/h"),
        ("f_ft_to_m", "ft", "m"),
        ("f_in_to_cm", "inch", "cm"),
        ("f_rpm_to_rad_s", "rpm", "rad/s"),
    ],
)
def test_units_are_exact(name: str, unit: str, ours: str) -> None:
    assert unit_factor(unit, ours) == pytest.approx(check(name)["expected"], rel=1e-12)


def test_the_common_units_match_pint() -> None:
    """The table spares a night the loading of pint; each two units of one quantity are compared with pint's own registry."""
    registry = pint.UnitRegistry()
    same = [(a, b) for a, b in itertools.permutations(_USUAL, 2) if _USUAL[a][0] == _USUAL[b][0]]
    assert len(same) > 30
    for unit, ours in same:
        # "in" is a word of Python's, which pint reads the text as
        by_pint, ours_by_pint = (registry.get_root_units("inch" if u == "in" else u)[0] for u in (unit, ours))
        by_pint /= ours_by_pint
        assert unit_factor(unit, ours) == pytest.approx(by_pint, rel=1e-14), (unit, ours)


def test_gravity_is_standard_gravity_to_five_digits() -> None:
    assert pytest.approx(check("f_g0_ft_s2")["expected"], abs=1e-4) == G_FPS2


@pytest.mark.parametrize(
    ("unit", "ours"),
    [("Hz", "rpm"), ("1", "deg"), ("deg", "1"), ("km", "mph"), ("parsnip", "ft"), ("", "ft"), ("3", "1")],
)
def test_a_unit_of_another_quantity_is_refused(unit: str, ours: str) -> None:
    """A hertz is a cycle each second to a person and a radian to a units library: 6.28 apart, so it is not accepted as a spin rate."""
    with pytest.raises(UnknownUnitError):
        unit_factor(unit, ours)


@pytest.mark.parametrize(
    ("text", "y_ft"),
    [
        ("front_edge", 17 / 12),
        ("back_tip", 0.0),
        ("50 ft", 50.0),
        ("15.24 m", 50.0),
        ("5 ft from rubber", 55.5),
        ("48 inch from front_edge", 17 / 12 + 4),
    ],
)
def test_planes_are_parsed(text: str, y_ft: float) -> None:
    assert parse_plane(text).y_ft == pytest.approx(y_ft)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"release_speed_mph": {"column": "v", "unit": "mph"}}, "at"),
        ({"release_speed_mph": {"column": "v", "unit": "mph", "at": "the mound"}}, "is not a plane"),
        ({"release_speed_mph": {"column": "v", "unit": "mph", "at": "80 ft"}}, "not between plate and rubber"),
        ({"spin_rate_rpm": {"column": "v", "unit": "Hz", "spin": "total"}}, "write revolution/s or rpm"),
        ({"spin_efficiency": {"column": "v", "unit": "deg", "form": "gyro_angle"}}, "gyro_from"),
        ({"spin_efficiency": {"column": "v", "unit": "1"}}, "form is missing"),
        ({"flight_time_s": {"column": "v", "unit": "s", "start": "40 ft", "end": "50 ft"}}, "farther from the plate"),
        ({"plate_height_ft": {"computed_from": "guess"}}, 'computed_from = "guess" is not allowed'),
        ({"plate_height_ft": {"computed_from": "trajectory", "unit": "ft"}}, "Extra inputs"),
    ],
)
def test_an_incomplete_definition_is_refused(table: dict[str, Any], message: str) -> None:
    with pytest.raises(ValidationError) as caught:
        MetricTables.model_validate(table)
    assert any(message in str(error) for error in caught.value.errors())
