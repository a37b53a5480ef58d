"""What each of the demo's four devices saw: which throws, with which noise, on which clock, under whose name.

Each `see_…` gives one frame, one row a record in the order in which the device wrote it: `key` (the true pitch, null where there is
none), `record` (pitch, no_pitch or double_trigger), `shown` (what the device itself calls the record), `device_at` (its clock, epoch
seconds), `label` and `label_fault`, `value_fault`, and its readings in the common units. The files are made from it in demo_exports.
"""

from datetime import date
from typing import NamedTuple

import numpy as np
import polars as pl

from tests.simulator.demo_flight import FRONT_EDGE, GRAVITY, MPH, Flight, aim, at_plane, speed_mph
from tests.simulator.demo_people import OPPONENTS, WALK_ON, Player, name_as, opponents, own_players, stream

HOT_FROM, HOT_MPH = date(2026, 10, 29), 0.7  # stadium radar
CROOKED_FROM, CROOKED_TO, CROOKED_DEG = date(2026, 10, 26), date(2026, 11, 1), 0.9  # pen unit, turned toward first base
UNIT_PLACE_FT = -6.0  # the pen unit stands behind the plate and turns about this place
CAMERA_PLANE_FT = FRONT_EDGE + 15.5 / 0.3048
SLIP_SESSION, SLIP_S = "g4", 3600.0
STEP_SESSION, STEP_INNING, STEP_S = "s2", 5, 7.4
LOST_INNINGS = {"stadium_radar": ("g2", 6), "camera_array": ("g5", 3)}
BALL_INNINGS = {"s1": (1, 3), "s2": (2, 5), "s3": (1, 4)}
UNIT_SOUTH_DAYS = {date(2026, 10, 13), date(2026, 10, 23), date(2026, 10, 29)}
BALL_LEFT_OUT = {"b1014n12", "b1022n13", "b1026n04", "b1102n05", "b1106n06"}
# (tracker, session, player): how the operator typed the name there
MISSPELT = {
    ("stadium_radar", "g2", "hs03"): "Velospardo, Joaquin",
    ("stadium_radar", "s2", "hs01"): "Aldervaine, Tobin",
    ("camera_array", "g5", "hs08"): "Corwin Pelgrave",
    ("pen_unit", "b1015n15", "hs15"): "O. Graywether",
}
# pen unit: the first pitcher's file holds the second one's first throws, under the first one's name
STALE_PEN = {"b1021n10": ("hs03", 9), "b1103n09": ("hs10", 6)}


class Clock(NamedTuple):
    """A device's clock in one spell (a field session, or a day in the pens): device time = true time + offset + drift * (seconds since the
    spell's first throw), + the step from its inning on, + 3600 s in the night of the hour slip."""

    tracker: str
    spell: str
    offset_s: float
    drift_ppm: float
    step_s: float
    hour_slip: bool


_NOISE = {
    "stadium_radar": {
        "release_speed_mph": 0.25,
        "plate_speed_mph": 0.3,
        "spin_rate_rpm": 22,
        "spin_efficiency": 0.04,
        "spin_axis_deg": 5,
        "vertical_same_time_in": 0.7,
        "horizontal_same_time_in": 0.7,
        "release_height_ft": 0.06,
        "release_side_ft": 0.07,
        "extension_ft": 0.13,
        "plate_height_ft": 0.08,
        "plate_side_ft": 0.08,
        "vertical_approach_deg": 0.12,
        "horizontal_approach_deg": 0.12,
        "flight_time_s": 0.002,
        "exit_velocity_mph": 0.9,
        "launch_angle_deg": 1.0,
        "spray_angle_deg": 1.4,
        "carry_distance_ft": 6.0,
    },
    "camera_array": {
        "spin_rate_rpm": 35,
        "extension_ft": 0.1,
        "exit_velocity_mph": 1.1,
        "launch_angle_deg": 1.2,
        "spray_angle_deg": 1.0,
        "carry_distance_ft": 8.0,
    },
    "pen_unit": {
        "speed_15m_mph": 0.35,
        "spin_rate_rpm": 35,
        "spin_efficiency": 0.05,
        "spin_axis_deg": 7,
        "induced_vertical_break_in": 1.0,
        "horizontal_break_in": 1.0,
        "release_height_ft": 0.1,
        "release_side_ft": 0.1,
        "extension_ft": 0.2,
        "plate_height_ft": 0.15,
        "plate_side_ft": 0.15,
    },
    "ball": {"release_speed_mph": 0.6, "spin_rate_rpm": 9, "spin_efficiency": 0.03},
}
_BIAS = {
    "stadium_radar": {"spin_axis_deg": 1.5, "extension_ft": -0.08},
    "camera_array": {"spin_rate_rpm": 14.0},
    "pen_unit": {"speed_15m_mph": -0.3, "spin_rate_rpm": 22.0, "release_height_ft": 0.06},
    "ball": {"release_speed_mph": -0.5},
}


def see_radar(throws: pl.DataFrame, flights: Flight) -> pl.DataFrame:
    """Field only; calls most warm-ups and throws back by their names, and reads hot from a date on."""
    rng = stream("stadium_radar")
    seen = _seen(
        rng, throws, "stadium_radar", pl.col("station") == "field", {"pitch": 0.975, "warm_up": 0.45, "return": 0.75}
    )
    seen = _double(rng, seen, 0.007)
    readings = _read(rng, seen, "stadium_radar")
    hot = pl.when(pl.col("baseball_day") >= HOT_FROM).then(HOT_MPH).otherwise(0.0)
    readings = readings.with_columns(pl.col("release_speed_mph", "plate_speed_mph") + hot)
    shown = np.where(rng.random(len(seen)) < 0.75, seen["kind"], "pitch")
    shown = np.where(seen["kind"] == "warm_up", "warm_up", shown)
    return _label(rng, _stamp(_gaps(rng, readings, 0.012), "stadium_radar", shown), "stadium_radar", "last_first")


def see_camera(throws: pl.DataFrame, flights: Flight) -> pl.DataFrame:
    """Field only; gives the trajectory, guesses the pitch type, and calls everything a pitch."""
    rng = stream("camera_array")
    seen = _seen(
        rng, throws, "camera_array", pl.col("station") == "field", {"pitch": 0.965, "warm_up": 0.05, "return": 0.35}
    )
    seen = _double(rng, seen, 0.004)
    wild = rng.random(len(seen)) < 0.007
    readings = _read(rng, seen, "camera_array").with_columns(**_trajectory(rng, seen, flights, wild))
    readings = readings.with_columns(
        value_fault=pl.when(pl.Series(wild)).then(pl.lit("misread:flight")).otherwise("value_fault")
    )
    wrong = rng.random(len(seen)) < 0.1
    guess = np.where(wrong, rng.permutation(seen["pitch_type"].to_numpy()), seen["pitch_type"].to_numpy())
    readings = _gaps(rng, readings.with_columns(pitch_type=pl.Series(guess)), 0.008)
    return _label(rng, _stamp(readings, "camera_array", np.full(len(seen), "pitch")), "camera_array", "first_last")


def see_pen_unit(throws: pl.DataFrame, flights: Flight) -> pl.DataFrame:
    """One pen a day; side readings turn with the unit."""
    rng = stream("pen_unit")
    south = pl.col("baseball_day").is_in(list(UNIT_SOUTH_DAYS))
    its_pen = pl.col("station") == pl.when(south).then(pl.lit("pen_south")).otherwise(pl.lit("pen_north"))
    seen = _seen(rng, throws, "pen_unit", its_pen, {"pitch": 0.965, "warm_up": 0.8, "return": 0.4})
    states = _states(seen, flights)
    at_15m = at_plane(states, np.full(len(seen), 15 / 0.3048))
    seen = _double(rng, seen.with_columns(speed_15m_mph=pl.Series(speed_mph(at_15m))), 0.006)
    readings = _turned(_read(rng, seen, "pen_unit"))
    shown = np.where((seen["kind"] == "warm_up").to_numpy() & (rng.random(len(seen)) < 0.85), "warm_up", "pitch")
    return _label(rng, _stamp(_gaps(rng, readings, 0.015), "pen_unit", shown), "pen_unit", "initial")


def see_ball(throws: pl.DataFrame, flights: Flight) -> pl.DataFrame:
    """Two balls under one name, in most bullpens and some innings of the scrimmages; spin and speed only."""
    rng = stream("ball")
    pens = (pl.col("occasion") == "bullpen") & ~pl.col("session").is_in(list(BALL_LEFT_OUT))
    innings = [
        (pl.col("session") == key) & pl.col("inning").is_between(first, last)
        for key, (first, last) in BALL_INNINGS.items()
    ]
    seen = _seen(
        rng, throws, "ball", pl.any_horizontal(pens, *innings), {"pitch": 0.97, "warm_up": 0.15, "return": 0.6}
    )
    seen = _double(rng, seen, 0.006)
    readings = _gaps(rng, _read(rng, seen, "ball"), 0.01)
    return _label(rng, _stamp(readings, "ball", np.full(len(seen), "pitch")), "ball", "small")


def spell_of() -> pl.Expr:
    """What one setting of a clock lasts for: a field session (`g1`), or a day in the pens (`b1021`)."""
    return pl.col("session").str.slice(0, 5)


def clock_of(tracker: str, spell: str) -> Clock:
    """The clock's truth: the radar within seconds, the camera and the ball up to minutes, the pen unit minutes off for weeks."""
    rng = stream(f"clock {tracker} {spell}")
    sizes = {"stadium_radar": (0.5, 1.5, 6), "camera_array": (9, 14, 40), "pen_unit": (0, 6, 30), "ball": (4, 15, 40)}
    mean, spread, drift = sizes[tracker]
    offset, ppm = float(rng.normal(mean, spread)), float(rng.normal(0, drift))
    offset += {("camera_array", "g2"): 94.0, ("camera_array", "g5"): -47.0}.get((tracker, spell), 0.0)
    if tracker == "pen_unit":
        offset += 205.0 if spell < "b1026" else -118.0
    if tracker == "ball" and spell == "b1028":
        offset -= 171.0
    if (tracker, spell) == ("camera_array", "s1"):
        ppm = 190.0
    slip = (tracker, spell) == ("camera_array", SLIP_SESSION)
    step = STEP_S if (tracker, spell) == ("camera_array", STEP_SESSION) else 0.0
    return Clock(tracker, spell, offset, ppm, step, slip)


def _seen(
    rng: np.random.Generator, throws: pl.DataFrame, tracker: str, where: pl.Expr, odds: dict[str, float]
) -> pl.DataFrame:
    """The throws that the device recorded at all."""
    lost = pl.lit(False)
    if tracker in LOST_INNINGS:
        session, inning = LOST_INNINGS[tracker]
        lost = (pl.col("session") == session) & (pl.col("inning") == inning)
    candidates = throws.with_row_index("throw").filter(where & ~lost.fill_null(False))
    odds_of = pl.col("kind").replace_strict(odds, return_dtype=pl.Float64)
    candidates = candidates.with_columns(draw=pl.Series(rng.random(len(candidates)))).filter(pl.col("draw") < odds_of)
    record = pl.when(pl.col("kind") == "pitch").then(pl.lit("pitch")).otherwise(pl.lit("no_pitch"))
    return candidates.with_columns(record=record, shift_s=pl.lit(0.0)).drop("draw")


def _double(rng: np.random.Generator, seen: pl.DataFrame, share: float) -> pl.DataFrame:
    """Some pitches stand twice, the second within 0.3-2.4 s."""
    again = seen.filter(pl.Series(rng.random(len(seen)) < share) & (pl.col("kind") == "pitch"))
    again = again.with_columns(record=pl.lit("double_trigger"), shift_s=pl.Series(rng.uniform(0.3, 2.4, len(again))))
    return pl.concat([seen, again]).sort(pl.col("at") + pl.col("shift_s"))


def _read(rng: np.random.Generator, seen: pl.DataFrame, tracker: str) -> pl.DataFrame:
    """The device's readings: truth + bias + noise, and in 1 of 80 rows one reading far off (recorded in `value_fault`)."""
    noise, bias = _NOISE[tracker], _BIAS[tracker]
    names = list(noise)
    misread = rng.random(len(seen)) < 0.0125
    flights_only = [
        n for n in names if n not in ("exit_velocity_mph", "launch_angle_deg", "spray_angle_deg", "carry_distance_ft")
    ]
    which = rng.choice(flights_only, len(seen))
    columns: dict[str, pl.Series] = {}
    for name in names:
        wild = np.where(misread & (which == name), rng.choice([-1, 1], len(seen)) * rng.uniform(6, 16, len(seen)), 0.0)
        columns[name] = seen[name] + bias.get(name, 0.0) + noise[name] * (rng.normal(0, 1, len(seen)) + wild)
    if "spin_efficiency" in columns:
        columns["spin_efficiency"] = columns["spin_efficiency"].clip(0.01, 1.0)
    fault = pl.Series([f"misread:{w}" if m else None for m, w in zip(misread, which, strict=True)], dtype=pl.String)
    return seen.with_columns(**columns, value_fault=fault)


def _states(seen: pl.DataFrame, flights: Flight) -> Flight:
    index = seen["throw"].to_numpy()
    return Flight(*(part[index] for part in flights))


def _trajectory(
    rng: np.random.Generator, seen: pl.DataFrame, flights: Flight, wild: np.ndarray
) -> dict[str, pl.Series]:
    """A flight near the true one, at the camera's plane: noise on both ends, the speed and the acceleration, then the flight through them."""
    true = _states(seen, flights)
    n = len(seen)
    size = np.where(wild, 12.0, 1.0)[:, None]
    plate = (
        at_plane(true, np.full(n, FRONT_EDGE)).place[:, [0, 2]]
        + size * rng.normal(0, 0.045, (n, 2))
        + np.array([0, -0.04])
    )
    release = true.place + rng.normal(0, 1, (n, 3)) * np.array([0.045, 0, 0.045])
    acceleration = true.acceleration + rng.normal(0, 1, (n, 3)) * np.array([0.7, 0.7, 0.7])
    speed = speed_mph(true) + size[:, 0] * rng.normal(0, 0.22, n) + 0.05
    state = at_plane(aim(release, plate, speed * MPH, acceleration), np.full(n, CAMERA_PLANE_FT))
    parts = {"p": state.place, "v": state.velocity, "a": state.acceleration + np.array([0, 0, GRAVITY])}
    axis = seen["spin_axis_deg"].to_numpy() + rng.normal(0, 11, n)
    return {
        **{
            f"{part}{letter}": pl.Series(values[:, i])
            for part, values in parts.items()
            for i, letter in enumerate("xyz")
        },
        "spin_axis_deg": pl.Series(axis).fill_nan(None),
    }


def _turned(readings: pl.DataFrame) -> pl.DataFrame:
    """Side readings in the frame of a unit that is turned about the vertical, in the week when it was."""
    crooked = pl.col("baseball_day").is_between(CROOKED_FROM, CROOKED_TO)
    slope = float(np.tan(np.radians(CROOKED_DEG)))
    release_way = 60.5 - pl.col("extension_ft") - UNIT_PLACE_FT
    return readings.with_columns(
        release_side_ft=pl.col("release_side_ft") - pl.when(crooked).then(slope * release_way).otherwise(0.0),
        plate_side_ft=pl.col("plate_side_ft")
        - pl.when(crooked).then(slope * (FRONT_EDGE - UNIT_PLACE_FT)).otherwise(0.0),
    )


def _gaps(rng: np.random.Generator, readings: pl.DataFrame, share: float) -> pl.DataFrame:
    """Single readings that a device did not get: spin most often."""
    names = [n for n in _NOISE["stadium_radar"] if n in readings.columns and n != "release_speed_mph"]
    columns = {}
    for name in names:
        missing = pl.Series(rng.random(len(readings)) < (3 * share if name == "spin_rate_rpm" else share))
        columns[name] = pl.when(missing).then(None).otherwise(pl.col(name))
    return readings.with_columns(**columns)


def _stamp(readings: pl.DataFrame, tracker: str, shown: np.ndarray) -> pl.DataFrame:
    readings = readings.with_columns(spell=spell_of())
    spells = sorted(set(readings["spell"]))
    clocks = pl.DataFrame([clock_of(tracker, s) for s in spells], schema=Clock._fields, orient="row").drop("tracker")
    since = pl.col("at") - pl.col("at").min().over("spell")
    # a warm-up between innings has no inning of its own: the step holds from the first pitch after it
    inning = pl.col("inning").forward_fill().over("spell")
    step = pl.when(inning >= STEP_INNING).then(pl.col("step_s")).otherwise(0.0)
    slip = pl.when("hour_slip").then(SLIP_S).otherwise(0.0)
    joined = readings.with_columns(since=since, shown=pl.Series(shown)).join(
        clocks, on="spell", how="left", maintain_order="left"
    )
    device_at = (
        pl.col("at")
        + pl.col("shift_s")
        + pl.col("offset_s")
        + pl.col("since") * pl.col("drift_ppm") * 1e-6
        + step
        + slip
    )
    return joined.with_columns(device_at=device_at).drop("since", "offset_s", "drift_ppm", "step_s", "hour_slip")


def _label(rng: np.random.Generator, readings: pl.DataFrame, tracker: str, style: str) -> pl.DataFrame:
    """Whose name the device shows: `label_id` (the player meant by it) and `label` in the device's way, with what is wrong about it."""
    frame = readings.with_row_index("place")
    label_ids, faults = frame["pitcher"].to_list(), [None] * len(frame)
    if tracker in ("stadium_radar", "camera_array"):
        for place, old in _stale(rng, frame):
            label_ids[place], faults[place] = old, "stale"
    if tracker == "pen_unit":
        for session, (old, count) in STALE_PEN.items():
            for place in frame.filter(session=session)["place"].to_list()[:count]:
                label_ids[place], faults[place] = old, "stale"
    people = everybody()
    labels = []
    for place, (player_id, session) in enumerate(zip(label_ids, frame["session"], strict=True)):
        typed = MISSPELT.get((tracker, session, player_id))
        labels.append(typed or name_as(people[player_id], style))
        if faults[place] is None:
            faults[place] = (
                "misspelt"
                if typed
                else "unknown_player"
                if player_id == WALK_ON.player_id
                else _double_name(labels[-1])
            )
    return frame.with_columns(
        label_id=pl.Series(label_ids, dtype=pl.String),
        label=pl.Series(labels, dtype=pl.String),
        label_fault=pl.Series(faults, dtype=pl.String),
    ).drop("place")


def _double_name(label: str) -> str | None:
    return "two_players" if label == "S. Wendrake" else None


def _stale(rng: np.random.Generator, frame: pl.DataFrame) -> list[tuple[int, str]]:
    """(place, old pitcher) of the rows that keep the name of the same side's last pitcher after a change."""
    stale = []
    sides = (
        frame.filter(pl.col("half").is_not_null())
        .group_by("session", "half", maintain_order=True)
        .agg("place", "pitcher")
    )
    for places, pitchers in sides.select("place", "pitcher").iter_rows():
        for i in range(1, len(places)):
            if pitchers[i] != pitchers[i - 1] and rng.random() < 0.35:
                kept = int(rng.integers(2, 8))
                stale += [(place, pitchers[i - 1]) for place in places[i : i + kept]]
    return stale


def everybody() -> dict[str, Player]:
    people = [*own_players(), WALK_ON, *(p for team in OPPONENTS for p in opponents(team))]
    return {p.player_id: p for p in people}
