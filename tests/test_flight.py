"""The flight against published and independently computed values; each check carries its source and status (tests/published/physics.json)."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from pipeline import flight as physics
from pipeline.flight import FRONT_EDGE_FT, G_FPS2, RUBBER_FT, Flight, Readings, Span

CHECKS: list[dict[str, Any]] = json.loads((Path(__file__).parent / "published" / "physics.json").read_text())
WORKED = [check for check in CHECKS if "x0" in check["inputs"]]
REAL_A = [check for check in CHECKS if check["id"].startswith("b_realA")]
REAL_B = [check for check in CHECKS if check["id"].startswith("b_realB")]


def check(name: str) -> dict[str, Any]:
    return next(one for one in CHECKS if one["id"] == name)


def named(one: dict[str, Any]) -> str:
    return f"{one['id']} ({one['status']})"


def one(value: float) -> np.ndarray:
    return np.array([float(value)])


def flight_of(inputs: dict[str, float], names: tuple[str, ...]) -> Flight:
    return Flight(*(one(inputs[name]) for name in names))


def worked_flight(inputs: dict[str, float]) -> Flight:
    return flight_of(inputs, ("x0", "y0", "z0", "vx0", "vy0", "vz0", "ax", "ay", "az"))


def quantities(flight: Flight, reach_ft: float) -> dict[str, np.ndarray]:
    release = RUBBER_FT - reach_ft
    there, plate, tip = (physics.at_plane(flight, y) for y in (release, FRONT_EDGE_FT, 0.0))
    whole = Span(release, FRONT_EDGE_FT)
    lift_x, lift_y, lift_z, drag = physics.lift_and_drag(flight, whole)
    found = {
        "y_release_ft": there.y,
        "t_release_s": physics.time_to_plane(flight, release),
        "t_plate_front_s": physics.time_to_plane(flight, FRONT_EDGE_FT),
        "t_plate_tip_s": physics.time_to_plane(flight, 0.0),
        "t_40ft_s": physics.time_to_plane(flight, 40.0),
        "flight_time_release_to_front_s": physics.flight_time_s(flight, whole),
        "x_plate_ft": plate.x,
        "z_plate_ft": plate.z,
        "x_tip_ft": tip.x,
        "z_tip_ft": tip.z,
        "x_release_ft": there.x,
        "z_release_ft": there.z,
        "speed_release_mph": physics.speed_mph(flight, release),
        "speed_50ft_mph": physics.speed_mph(flight, 50.0),
        "speed_plate_mph": physics.speed_mph(flight, FRONT_EDGE_FT),
        "vx_release_fps": there.vx,
        "vy_release_fps": there.vy,
        "vz_release_fps": there.vz,
        "vx_plate_fps": plate.vx,
        "vy_plate_fps": plate.vy,
        "vz_plate_fps": plate.vz,
        "vert_release_angle_deg": physics.vertical_angle_deg(flight, release),
        "horz_release_angle_deg": physics.horizontal_angle_deg(flight, release),
        "vert_approach_angle_deg": physics.vertical_angle_deg(flight, FRONT_EDGE_FT),
        "horz_approach_angle_deg": physics.horizontal_angle_deg(flight, FRONT_EDGE_FT),
        "drag_accel_fps2": drag,
        "lift_accel_fps2": np.sqrt(lift_x**2 + lift_y**2 + lift_z**2),
        "inferred_axis_liftonly_deg": physics.inferred_axis_deg(flight, whole),
    }
    spans = {"full": whole, "50": Span(50.0, FRONT_EDGE_FT), "40": Span(40.0, FRONT_EDGE_FT)}
    for length, span in spans.items():
        for word, definition in (("sametime", "same_time"), ("sameplane", "same_plane"), ("liftonly", "lift_only")):
            x, z = physics.break_in(flight, span, definition)  # type: ignore[arg-type]
            found |= {f"move_x_{length}_{word}_in": x, f"move_z_{length}_{word}_in": z}
    _, z = physics.break_in(flight, whole, "same_time")
    found["total_drop_full_sametime_in"] = z - physics.drop_of_gravity_in(flight, whole)
    return found


@pytest.mark.parametrize("worked", WORKED, ids=named)
def test_worked_flights_are_met_to_nine_digits(worked: dict[str, Any]) -> None:
    found = quantities(worked_flight(worked["inputs"]), worked["inputs"]["reach_ft"])
    compared = {key: value for key, value in worked["expected"].items() if key in found}
    assert len(compared) >= 35
    for key, expected in compared.items():
        if expected is None:
            assert np.isnan(found[key]).all(), key
        else:
            assert found[key].item() == pytest.approx(expected, rel=worked["tolerance"], abs=1e-8), key


@pytest.mark.parametrize("worked", WORKED, ids=named)
def test_an_integrator_flies_the_same_way(worked: dict[str, Any]) -> None:
    """Independent route: scipy's DOP853 to the front edge as an event."""
    i = worked["inputs"]
    start = [i["x0"], i["y0"], i["z0"], i["vx0"], i["vy0"], i["vz0"]]

    def at_edge(_: float, state: np.ndarray) -> float:
        return float(state[1] - FRONT_EDGE_FT)

    at_edge.terminal = True  # type: ignore[attr-defined]
    flown = solve_ivp(
        lambda _, s: [*s[3:], i["ax"], i["ay"], i["az"]],
        (0, 2),
        start,
        "DOP853",
        events=at_edge,
        rtol=1e-12,
        atol=1e-12,
    )
    plate = physics.at_plane(worked_flight(i), FRONT_EDGE_FT)
    assert [part.item() for part in plate[:6]] == pytest.approx(flown.y_events[0][0].tolist(), abs=1e-8)


@pytest.mark.parametrize("real", REAL_A, ids=named)
def test_reported_values_of_public_pitches_a(real: dict[str, Any]) -> None:
    names = (
        "x_ref_ft",
        "y_ref_ft",
        "z_ref_ft",
        "vx_ref_fps",
        "vy_ref_fps",
        "vz_ref_fps",
        "ax_fps2",
        "ay_fps2",
        "az_fps2",
    )
    flight, said, within = flight_of(real["inputs"], names), real["expected"], real["tolerance"]
    plate = physics.at_plane(flight, FRONT_EDGE_FT)
    x, z = physics.break_in(flight, Span(40.0, FRONT_EDGE_FT), "same_time", 32.10)
    assert physics.speed_mph(flight, 50.0).item() == pytest.approx(said["speed_50ft_mph"], abs=within["speed_mph"])
    assert physics.speed_mph(flight, FRONT_EDGE_FT).item() == pytest.approx(
        said["speed_plate_mph"], abs=within["speed_mph"]
    )
    assert [plate.x.item(), plate.z.item()] == pytest.approx(
        [said["plate_x_ft"], said["plate_z_ft"]], abs=within["plate_ft"]
    )
    assert [x.item(), z.item()] == pytest.approx(
        [said["move_x_40ft_in"], said["move_z_40ft_in"]], abs=within["move_in"]
    )


def test_a_plane_that_is_never_reached_is_nan() -> None:
    lob = Flight(*(one(v) for v in (0, 50, 6, 0, -20, 0, 0, 30, -G_FPS2)))
    assert np.isnan(physics.time_to_plane(lob, FRONT_EDGE_FT)).all()


@pytest.mark.parametrize(
    "loss", [c for c in CHECKS if c["id"].startswith("c08") and c["inputs"]["CD"] == 0.33], ids=named
)
def test_speed_lost_to_drag(loss: dict[str, Any]) -> None:
    """The check's K (0.0053808) and ours (0.005383) differ in the fourth digit: 0.005 % of the speed over the whole flight."""
    left = physics.speed_elsewhere_mph(one(100), loss["inputs"]["d_ft"], 0.0).item()
    assert 100 - left == pytest.approx(loss["expected"], abs=0.006)


def test_the_drag_of_the_worked_fastball_from_its_two_speeds() -> None:
    """Check c11, after Kagan & Nathan, Phys. Teach. 52 (2014) 278: CD = ln(v0/vf) / (K d) = 0.3231; ours takes 0.33, so 0.6 mph apart at most."""
    kagan = check("c11")["inputs"]
    left = physics.speed_elsewhere_mph(one(kagan["v0_mph"]), kagan["d_ft"], 0.0).item()
    assert left == pytest.approx(kagan["vf_mph"], abs=0.2)


def test_rules_of_the_field() -> None:
    assert check("a01")["expected"] == RUBBER_FT
    assert pytest.approx(check("a03")["expected"], abs=1e-12) == FRONT_EDGE_FT
    assert pytest.approx(check("a04")["expected"], abs=1e-9) == RUBBER_FT - FRONT_EDGE_FT
    assert pytest.approx(check("a06")["expected"]) == physics.RUBBER_TOP_FT * 12


flights = st.builds(
    lambda x, z, vx, vy, vz, ax, ay, az, reach: (
        Flight(*(one(v) for v in (x, 50, z, vx, vy, vz, ax, ay, az))),
        RUBBER_FT - reach,
    ),
    st.floats(-4, 4),
    st.floats(3, 7.5),
    st.floats(-12, 12),
    st.floats(-150, -90),
    st.floats(-12, 6),
    st.floats(-25, 25),
    st.floats(15, 40),
    st.floats(-50, -8),
    st.floats(4, 8),
)


@given(flights, st.floats(1.5, 54))
def test_a_flight_told_at_another_plane_is_the_same_flight(pitch: tuple[Flight, float], y: float) -> None:
    flight, _ = pitch
    again = physics.at_plane(physics.at_plane(flight, y), 50.0)
    assert [part.item() for part in again] == pytest.approx([part.item() for part in flight], abs=1e-7)


@given(
    flights,
    st.sampled_from(["same_time", "same_plane", "lift_only"]),
    st.sampled_from(["same_time", "same_plane", "lift_only"]),
    st.floats(30, 50),
)
def test_readings_determine_the_flight_they_came_from(
    pitch: tuple[Flight, float], one_way: Any, other_way: Any, start: float
) -> None:
    flight, y = pitch
    release, plate = physics.at_plane(flight, y), physics.at_plane(flight, FRONT_EDGE_FT)
    span = Span(start, FRONT_EDGE_FT)
    solved = physics.flight_from_readings(
        Readings(
            release.x,
            release.z,
            release.y,
            plate.x,
            plate.z,
            FRONT_EDGE_FT,
            physics.speed_mph(flight, 50.0),
            50.0,
            physics.speed_mph(flight, FRONT_EDGE_FT),
            FRONT_EDGE_FT,
            physics.break_in(flight, span, one_way)[0],
            (one_way, span),
            physics.break_in(flight, span, other_way)[1],
            (other_way, span, G_FPS2),
        )
    )
    assert [part.item() for part in solved] == pytest.approx([part.item() for part in release], abs=1e-5)


def test_readings_that_no_flight_has_give_none() -> None:
    whole = Span(54.5, FRONT_EDGE_FT)
    nothing = Readings(
        one(0),
        one(6),
        one(54.5),
        one(0),
        one(2.5),
        FRONT_EDGE_FT,
        one(90),
        54.5,
        one(np.nan),
        FRONT_EDGE_FT,
        one(0),
        ("same_time", whole),
        one(15),
        ("same_time", whole, G_FPS2),
    )
    assert np.isnan(physics.flight_from_readings(nothing).vy).all()
