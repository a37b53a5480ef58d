"""Simulate seasons of another make than `matching_season`: coarse readings of few metrics, arms that differ, files in odd shapes.

What differs in kind:
- each arm has its own pitch types, and its own spread around each of them; speed falls and release wanders through an outing;
- breaks follow from spin, efficiency and axis; readings have heavy tails (Student's t with 4 degrees of freedom), are rounded to what a
  device displays, and come with partial records (speed only);
- trackers miss slow pitches and streaks of pitches; a second tracker measures speed, spin and axis only;
- files hold one session, several sessions, or part of one; rows may be grouped by arm; counts and stamps may be missing.
All sizes are common practice without a source; no value was fitted to real devices. All people are invented.
"""

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import polars as pl

from tests.simulator.matching_season import Season, as_sightings
from tests.simulator.matching_world import NOISE

# By metric: error (1 standard deviation) and step of the display.
FULL = {
    "release_speed_mph": (0.4, 0.1),
    "spin_rate_rpm": (35.0, 1.0),
    "spin_axis_deg": (7.0, 1.0),
    "induced_vertical_break_in": (1.0, 0.1),
    "horizontal_break_in": (1.0, 0.1),
    "release_height_ft": (0.1, 0.01),
    "release_side_ft": (0.1, 0.01),
    "extension_ft": (0.2, 0.1),
    "plate_height_ft": (0.12, 0.01),
    "plate_side_ft": (0.12, 0.01),
}
_THREE = {"release_speed_mph": (0.45, 0.1), "spin_rate_rpm": (35.0, 1.0), "spin_axis_deg": (7.0, 1.0)}
_FIVE = {
    **_THREE,
    "induced_vertical_break_in": (1.4, 0.5),
    "horizontal_break_in": (1.4, 0.5),
}
_FIRST_NAMES = (
    *("Ben", "Eli", "Ira", "Gus", "Moe", "Sol", "Abe", "Hal", "Ned", "Ray"),
    *("Tad", "Vic", "Wes", "Zeb", "Cal"),
)
# Inches of break per 1,000 rpm of active spin.
_BREAK_PER_1000_RPM = 8.2


@dataclass(frozen=True)
class Log:
    """One tracker: what it measures, how its clock runs, what it misses, and how it arranges its files."""

    name: str
    metrics: dict[str, tuple[float, float]]
    resolution_s: float | None = 1.0
    offset_s: float = 15.0
    drift_ppm: float = 30.0
    hour_slip: float = 0.0
    steps: int = 0
    bias: float = 0.8
    missed: float = 0.015
    missed_slow: float = 0.02
    streaks: float = 0.01
    speed_only: float = 0.02
    misread: float = 0.015
    thrown_back: float = 0.01
    double: float = 0.004
    late_names: float = 0.1
    other_spelling: float = 0.2
    mistyped: float = 0.15
    keeps_session: bool = True
    numbered: bool = True
    sessions_per_file: int = 1
    files_per_session: int = 1
    grouped_by_arm: bool = False


@dataclass(frozen=True)
class RoughWorld:
    """Who watches, and how the throws follow one another: `rhythm_s` is a steady gap, else natural gaps."""

    logs: tuple[Log, ...]
    sessions: tuple[str, ...] = (
        *("game", "pen", "pens in turn", "scrimmage", "pen", "game", "pens in turn", "pen", "game", "scrimmage"),
        *("pens in turn", "pen"),
    )
    rhythm_s: float | None = None
    one_type: bool = False
    pens_at_once: bool = False
    sessions_a_day: int = 1


ROUGH_WORLDS = (
    *("rough, seconds", "rough, minute stamps", "rough, order only", "rough, order only without session"),
    *("rough, all faults, two trackers", "rough, all faults, three trackers"),
    *("rough, dropouts, minute stamps", "rough, dropouts, order only"),
    *("rough, steady rhythm", "rough, grouped by arm", "rough, halves without clock"),
    *("rough, two games a file", "rough, two games a file, minute stamps", "rough, two games a file, order only"),
)


def rough_world(name: str) -> RoughWorld:
    """Return the world of a name in `ROUGH_WORLDS`."""
    a, b = Log("radar", FULL, offset_s=2.0), Log("camera", _THREE, offset_s=25.0)
    minute, order = replace(b, resolution_s=60.0), replace(b, resolution_s=None)
    many = {"missed": 0.3}
    faults = {
        "streaks": 0.05,
        "missed": 0.04,
        "thrown_back": 0.02,
        "double": 0.01,
        "late_names": 0.4,
        "other_spelling": 0.3,
        "mistyped": 0.25,
        "steps": 1,
        "drift_ppm": 120.0,
    }
    first = replace(a, **faults)  # type: ignore[arg-type]
    second = replace(minute, **faults, hour_slip=1.0, bias=2.0)  # type: ignore[arg-type]
    third = replace(
        b,
        **faults,
        name="portable",
        metrics=_FIVE,
        resolution_s=None,
        sessions_per_file=3,
        grouped_by_arm=True,
        numbered=False,
    )  # type: ignore[arg-type]
    worlds = {
        "seconds": RoughWorld((a, b)),
        "minute stamps": RoughWorld((a, minute)),
        "order only": RoughWorld((a, order)),
        "order only without session": RoughWorld((a, replace(order, keeps_session=False))),
        "all faults, two trackers": RoughWorld((first, second), pens_at_once=True),
        "all faults, three trackers": RoughWorld((first, second, third), pens_at_once=True),
        "dropouts, minute stamps": RoughWorld((replace(a, **many), replace(minute, **many))),
        "dropouts, order only": RoughWorld((replace(a, **many), replace(order, **many))),
        "steady rhythm": RoughWorld((a, minute), sessions=("pen",) * 20, rhythm_s=12.0, one_type=True),
        "grouped by arm": RoughWorld(
            (a, replace(order, grouped_by_arm=True, numbered=False)), sessions=("game", "pens in turn", "scrimmage") * 4
        ),
        "halves without clock": RoughWorld(
            (a, replace(order, files_per_session=2)), sessions=("pen", "pens in turn", "pen", "pen") * 4
        ),
    }
    for stamps, log in (("", b), (", minute stamps", minute), (", order only", order)):
        worlds[f"two games a file{stamps}"] = RoughWorld(
            (replace(a, sessions_per_file=2), replace(log, sessions_per_file=2, hour_slip=0.5, offset_s=600.0)),
            sessions=("game", "scrimmage") * 4,
            sessions_a_day=2,
        )
    return worlds[name.removeprefix("rough, ")]


def simulate_rough(world: RoughWorld, seed: int) -> Season:
    """Simulate a season of the world; the same seed gives the same season."""
    rng = np.random.default_rng((seed, 77))
    arms = [_arm(rng, number, world.one_type) for number in range(15)]
    throws = pl.concat([_session(rng, world, arms, n, kind) for n, kind in enumerate(world.sessions)])
    return season_of_throws(rng, world.logs, throws.with_row_index("throw"))


def season_of_throws(rng: np.random.Generator, logs: tuple[Log, ...], throws: pl.DataFrame) -> Season:
    """Return what the trackers record of true throws. `throws`: as from `_throws`, with throw, session, day, station and occasion."""
    rows = pl.concat([_logged(rng, log, throws) for log in logs], how="diagonal_relaxed")
    table = as_sightings(rows, "file_id", "file_order")
    true_columns = ("throw", "double", "true_pitcher", "true_station")
    return Season(table.drop(true_columns), table.select("sighting_id", *true_columns))


def _arm(rng: np.random.Generator, number: int, one_type: bool) -> dict[str, np.ndarray | str]:
    """Return an arm: by pitch type the means of speed, spin, efficiency and axis, their spreads, and how often each is thrown."""
    types = 1 if one_type else int(rng.integers(2, 6))
    left = rng.random() < 0.28
    fastball = rng.normal(88.5, 3.0)
    speed = fastball - np.concatenate([[0.0], rng.uniform(1.5, 16, 4)])[:types]
    axis = np.concatenate([[rng.normal(205, 12)], rng.uniform(20, 290, 4)])[:types]
    return {
        "name": f"{_FIRST_NAMES[number]} Sample{'abcdefghijklmno'[number]}",
        "hand": "left" if left else "right",
        "types": np.array(["four_seam", "slider", "curveball", "changeup", "sinker"])[:types],
        "share": rng.dirichlet(np.array([4.0, 2, 1.5, 1.5, 1.5])[:types]),
        "means": np.column_stack(
            [speed, rng.normal(2250, 260, types), rng.uniform(0.3, 0.97, types), (360 - axis) % 360 if left else axis]
        ),
        "spreads": np.column_stack(
            [
                rng.uniform(0.8, 1.6, types),
                rng.uniform(50, 120, types),
                rng.uniform(0.02, 0.08, types),
                rng.uniform(5, 15, types),
            ]
        ),
        "release": np.array([rng.normal(5.8, 0.4), (1 if left else -1) * rng.normal(1.9, 0.5), rng.normal(6.1, 0.4)]),
    }


def _session(
    rng: np.random.Generator, world: RoughWorld, arms: list[dict[str, np.ndarray | str]], number: int, kind: str
) -> pl.DataFrame:
    """Return the true throws of a session in order of time."""
    order = rng.permutation(len(arms))
    if kind == "pen":
        turns = [(0, order[0], int(rng.integers(20, 60)))]
    elif kind == "pens in turn":
        turns = [(0, arm, int(rng.integers(15, 40))) for arm in order[: rng.integers(2, 5)]]
        if world.pens_at_once:
            turns += [(1, arm, int(rng.integers(15, 40))) for arm in order[6 : 6 + rng.integers(1, 4)]]
    else:
        halves = 17 if kind == "game" else 8
        staff = [list(order[:5]), list(order[5:10])]
        turns = []
        for half in range(halves):
            side = staff[half % 2]
            if len(side) > 1 and rng.random() < 0.22:
                side.pop(0)
            turns.append((0, side[0], int(rng.integers(6, 26))))
    later_s = 18_000.0 * (number % world.sessions_a_day)
    clock = {mound: 54_000.0 + later_s + 600 * rng.integers(0, 20) for mound in (0, 1)}
    parts = []
    for mound, arm, count in turns:
        gaps = (
            np.full(count, world.rhythm_s) + rng.normal(0, 0.7, count)
            if world.rhythm_s
            else rng.lognormal(2.8, 0.35, count) + 4 + (rng.random(count) < 0.12) * rng.exponential(40, count)
        )
        times = clock[mound] + np.cumsum(gaps)
        clock[mound] = times[-1] + rng.uniform(60, 240)
        parts.append(_throws(rng, arms[arm], times))
    return (
        pl.concat(parts)
        .sort("true_s")
        .with_columns(
            pl.lit(number).alias("session"),
            pl.lit(date(2026, 9, 7) + timedelta(days=2 * (number // world.sessions_a_day))).alias("baseball_day"),
            pl.lit("field" if kind in ("game", "scrimmage") else "pen").alias("station"),
            pl.lit("bullpen" if kind.startswith("pen") else kind).alias("occasion"),
        )
    )


def _throws(rng: np.random.Generator, arm: dict[str, np.ndarray | str], times: np.ndarray) -> pl.DataFrame:
    """Return the true readings of one arm's throws in a row: effort couples speed and spin, and wanders from throw to throw."""
    n, means, spreads = len(times), np.asarray(arm["means"]), np.asarray(arm["spreads"])
    chosen = rng.choice(len(means), n, p=np.asarray(arm["share"]))
    repeat = np.flatnonzero(rng.random(n) < 0.25)
    chosen[repeat[repeat > 0]] = chosen[repeat[repeat > 0] - 1]
    wander = np.zeros((n, 4))
    noise = rng.normal(0, 1, (n, 4))
    for k in range(n):
        wander[k] = 0.5 * wander[k - 1] + np.sqrt(0.75) * noise[k] if k else noise[k]
    wander[:, 1] = 0.5 * wander[:, 0] + np.sqrt(0.75) * wander[:, 1]
    speed, spin, efficiency, axis = (means[chosen] + spreads[chosen] * wander).T
    speed = speed - 0.015 * np.arange(n) + rng.normal(0, 0.5)
    efficiency = efficiency.clip(0.05, 1)
    active = _BREAK_PER_1000_RPM * spin * efficiency / 1000
    height, side, extension = np.asarray(arm["release"])[:, None] + rng.normal(0, [[0.1], [0.12], [0.15]], (3, n))
    return pl.DataFrame(
        {
            "true_s": times,
            "true_pitcher": arm["name"],
            "pitcher_hand": arm["hand"],
            "true_type": np.asarray(arm["types"])[chosen],
            "release_speed_mph": speed,
            "spin_rate_rpm": spin,
            "spin_axis_deg": axis % 360,
            "induced_vertical_break_in": -active * np.cos(np.radians(axis)),
            "horizontal_break_in": active * np.sin(np.radians(axis)),
            "release_height_ft": height,
            "release_side_ft": side,
            "extension_ft": extension,
            "plate_height_ft": rng.normal(2.3, 0.9, n),
            "plate_side_ft": rng.normal(0, 0.8, n),
        }
    )


def _logged(rng: np.random.Generator, log: Log, throws: pl.DataFrame) -> pl.DataFrame:
    """Return the records of one tracker over the season, in the rows and files that it writes."""
    season_bias = {m: log.bias * e * rng.normal() for m, (e, _) in log.metrics.items()}
    parts = [
        _recorded(rng, log, session, season_bias) for _, session in throws.group_by("session", maintain_order=True)
    ]
    rows = pl.concat(parts, how="diagonal_relaxed")
    part = pl.int_range(pl.len()).over("session") * log.files_per_session // pl.len().over("session")
    rows = rows.with_columns(
        pl.format("{}-{}-{}", pl.lit(log.name), pl.col("session") // log.sessions_per_file, part).alias("file_id")
    )
    if log.grouped_by_arm:
        first_seen = pl.int_range(pl.len()).min().over("file_id", "pitcher_label")
        rows = rows.sort("file_id", first_seen, maintain_order=True)
    order = pl.int_range(1, pl.len() + 1).over("file_id").cast(pl.UInt32)
    return rows.with_columns(
        order.alias("file_order"),
        pl.when(pl.lit(log.numbered)).then(order).alias("sequence"),
        pl.when(pl.lit(log.keeps_session)).then("file_id").alias("native_session"),
    )


def _recorded(rng: np.random.Generator, log: Log, session: pl.DataFrame, season_bias: dict[str, float]) -> pl.DataFrame:
    """Return the records of one session in order of time."""
    n, slow = len(session), session["release_speed_mph"].to_numpy() < session["release_speed_mph"].quantile(0.15)
    kept = rng.random(n) >= log.missed + log.missed_slow * slow
    for _ in range(rng.poisson(log.streaks * n / 12)):
        start = int(rng.integers(n))
        kept[start : start + int(rng.integers(5, 20))] = False
    kept[int(rng.integers(n))] = True
    seen = session.filter(pl.Series(kept)).with_columns(pl.lit(False).alias("double"))
    twice = seen.filter(pl.Series(rng.random(len(seen)) < log.double))
    twice = twice.with_columns(
        pl.col("true_s") + pl.Series(rng.uniform(0.4, 1.8, len(twice))), pl.lit(True).alias("double")
    )
    back = session[rng.integers(n, size=rng.poisson(log.thrown_back * n))]
    back = back.with_columns(
        pl.col("true_s") + pl.Series(rng.uniform(3, 9, len(back))),
        pl.col("release_speed_mph") * pl.Series(rng.uniform(0.55, 0.9, len(back))),
        pl.col("spin_rate_rpm") * pl.Series(rng.uniform(0.4, 0.9, len(back))),
        pl.Series("spin_axis_deg", rng.uniform(0, 360, len(back))),
        pl.lit(None, dtype=pl.UInt32).alias("throw"),
        pl.lit(False).alias("double"),
    )
    records = pl.concat([seen, twice, back], how="vertical_relaxed").sort("true_s")
    n, true_s = len(records), records["true_s"].to_numpy()
    misread, speed_only = rng.random(n) < log.misread, rng.random(n) < log.speed_only
    readings = {}
    for metric, (error, step) in log.metrics.items():
        bias = season_bias[metric] + 0.5 * error * rng.normal()
        value = records[metric].to_numpy() + bias + error * np.where(misread, 8, 1) * rng.standard_t(4, n) / np.sqrt(2)
        value = np.round(value / step) * step
        value = np.where(speed_only & (metric != "release_speed_mph"), np.nan, value)
        readings[metric] = value % 360 if metric == "spin_axis_deg" else value
    offset = rng.normal(0, log.offset_s) + 3600.0 * (rng.random() < log.hour_slip)
    offset = offset + log.drift_ppm * 1e-6 * rng.choice([-1, 1]) * (true_s - true_s[0])
    for _ in range(log.steps):
        offset = offset + (true_s >= true_s[rng.integers(n)]) * rng.choice([-1, 1]) * rng.uniform(5, 90)
    stamp = true_s + offset + rng.normal(0, 0.1, n)
    names = records["true_pitcher"].to_numpy().copy()
    for change in np.flatnonzero(names[1:] != names[:-1]) + 1:
        if rng.random() < log.late_names:
            late = slice(change, change + int(rng.integers(2, 15)))
            names[late] = names[change - 1]
    spelled = {
        name: f"{name.split()[1]}, {name.split()[0]}" if rng.random() < log.other_spelling else name
        for name in sorted(set(names))
    }
    types = np.where(
        rng.random(n) < log.mistyped, rng.permutation(records["true_type"].to_numpy()), records["true_type"].to_numpy()
    )
    return records.with_columns(
        *(pl.Series(m, readings[m]) if m in readings else pl.lit(None, dtype=pl.Float64).alias(m) for m in NOISE),
        pl.Series("stamp", stamp),
        pl.Series("pitcher_label", [spelled[name] for name in names]),
        pl.Series("pitch_type", types),
        pl.col("station").alias("true_station"),
        pl.lit(log.name).alias("tracker"),
        pl.lit(log.resolution_s, dtype=pl.Float64).alias("clock_resolution_s"),
    )
