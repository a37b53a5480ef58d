"""The true value of every metric of every throw of the demo: flights from each pitcher's delivery, fatigue, the day and the air."""

from datetime import date

import numpy as np
import polars as pl

from tests.simulator.demo_flight import MPH, RUBBER, Flight, flight_metrics, throw
from tests.simulator.demo_people import arm_of, stream
from tests.simulator.demo_play import Throw, all_throws, baseball_day, carry_ft


def true_throws() -> tuple[pl.DataFrame, Flight]:
    """Every throw (one row, in the order of time) with its true metrics, and the flights stated at release.

    `key` is null for throws that are not pitches; a `return` has speed and spin only."""
    throws = all_throws()
    intents = _intents(throws)
    flight = throw(**_flight_inputs(throws, intents))
    metrics = flight_metrics(flight)
    frame = pl.DataFrame({**_columns(throws), **metrics, **_spin(intents), **_bat(throws)})
    measured = [*metrics, "spin_efficiency", "spin_axis_deg"]
    is_return = pl.col("kind") == "return"
    return frame.with_columns(
        pl.when(is_return & (pl.lit(name) != "release_speed_mph")).then(None).otherwise(pl.col(name)).alias(name)
        for name in measured
    ).with_columns(_keys()), flight


def _keys() -> pl.Expr:
    is_pitch = pl.col("kind") == "pitch"
    return pl.when(is_pitch).then(pl.format("t{}", is_pitch.cum_sum().cast(pl.String).str.zfill(4))).alias("key")


def _intents(throws: list[Throw]) -> dict[str, np.ndarray]:
    """Speed, spin, axis, drag and release of every throw before its flight."""
    rng = stream("intents")
    plans = {}
    for player in {t.pitcher for t in throws}:
        arm = arm_of(player)
        for plan in arm.plans:
            plans[player.player_id, plan.pitch_type] = (*plan[2:], arm.height_ft, arm.side_ft, arm.extension_ft)
    columns = np.array([plans[t.pitcher.player_id, t.pitch_type] for t in throws]).T
    speed, spin, efficiency, axis, seam, drag, height, side, extension = columns
    n = len(throws)
    days = _day_effects(throws)
    tired = np.maximum(0, np.array([t.number for t in throws]) - 35.0)
    effort = np.where([t.session.occasion == "bullpen" for t in throws], -1.6, 0.0)
    speed = speed + days[:, 0] + effort - 0.022 * tired + rng.normal(0, 0.75, n)
    kind = np.array([t.kind for t in throws])
    speed = np.where(kind == "warm_up", speed * rng.uniform(0.78, 0.9, n), speed)
    speed = np.where(kind == "return", rng.uniform(34, 46, n), speed)
    spin = spin + days[:, 1] - 0.8 * tired + rng.normal(0, 55, n)
    return {
        "speed": speed,
        "spin": np.where(kind == "return", rng.uniform(350, 900, n), spin),
        "efficiency": np.clip(efficiency + rng.normal(0, 0.03, n), 0.08, 0.995),
        "axis": (axis + rng.normal(0, 5, n)) % 360,
        "seam": seam + rng.normal(0, 4, n),
        "drag": drag + rng.normal(0, 0.008, n),
        "height": height + days[:, 2] - 0.001 * tired + rng.normal(0, 0.09, n),
        "side": side + days[:, 3] + rng.normal(0, 0.1, n),
        "extension": extension + rng.normal(0, 0.13, n),
    }


def _day_effects(throws: list[Throw]) -> np.ndarray:
    """Per pitcher and day: mph, rpm, ft of release height and side."""
    effects = {}
    for t in throws:
        key = (t.pitcher.player_id, baseball_day(t.at))
        if key not in effects:
            effects[key] = stream(f"day {key[0]} {key[1]}").normal(0, [0.5, 25, 0.05, 0.06])
    return np.array([effects[t.pitcher.player_id, baseball_day(t.at)] for t in throws])


def _air_density(day: date) -> float:
    """kg/m3 of an autumn day between 8 and 26 degrees at 150 m above the sea."""
    return float(stream(f"air {day}").uniform(1.165, 1.235))


def _flight_inputs(throws: list[Throw], intents: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    release = np.stack([intents["side"], RUBBER - intents["extension"], intents["height"]], axis=1)
    return {
        "release": release,
        "plate": np.array([t.target for t in throws]),
        "speed_fps": intents["speed"] * MPH,
        "spin": intents["spin"] * intents["efficiency"],
        "push_axis_deg": intents["axis"] + intents["seam"],
        "drag": intents["drag"],
        "density": np.array([_air_density(baseball_day(t.at)) for t in throws]),
    }


def _spin(intents: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    return {
        "spin_rate_rpm": intents["spin"],
        "spin_efficiency": intents["efficiency"],
        "spin_axis_deg": intents["axis"],
    }


def _bat(throws: list[Throw]) -> dict[str, list[float | None]]:
    bats = [t.bat for t in throws]
    return {
        "exit_velocity_mph": [b[0] if b else None for b in bats],
        "launch_angle_deg": [b[1] if b else None for b in bats],
        "spray_angle_deg": [b[2] if b else None for b in bats],
        "carry_distance_ft": [carry_ft(b[0], b[1]) if b else None for b in bats],
    }


def _columns(throws: list[Throw]) -> dict[str, list[object]]:
    return {
        "kind": [t.kind for t in throws],
        "session": [t.session.key for t in throws],
        "station": [t.session.station for t in throws],
        "occasion": [t.session.occasion for t in throws],
        "baseball_day": [baseball_day(t.at) for t in throws],
        "at": [t.at for t in throws],
        "pitcher": [t.pitcher.player_id for t in throws],
        "pitcher_hand": [t.pitcher.hand for t in throws],
        "batter": [t.batter.player_id if t.batter else None for t in throws],
        "inning": [t.inning for t in throws],
        "half": [t.half for t in throws],
        "outs": [t.outs for t in throws],
        "balls": [t.balls for t in throws],
        "strikes": [t.strikes for t in throws],
        "pitch_type": [t.pitch_type for t in throws],
        "pitch_result": [t.call for t in throws],
        "plate_appearance_result": [t.result for t in throws],
        "outing_pitch": [t.number for t in throws],
    }
