"""A world with truth for the matching: throws, what each tracker writes of them, and everything that goes wrong in between.

Its own model, wider than the demo: games, scrimmages, bullpens, interleaved bullpens; each fault alone or all together; and worlds
that the matching was not tuned for. All people and devices are invented. Sizes of spread and noise:
- pitch-to-pitch spread within one pitcher's pitch type (speed 1.0 mph, spin 70 rpm, break 2 in, release 0.1 ft): the size seen in open
  league data; common practice, no source.
- tracker noise: movement 0.4-1.5 in, speed 0.2-0.5 mph, spin 15-60 rpm, plate location 0.03-0.15 ft: the range that vendors and
  published comparisons give for camera and radar; common practice, no source.
- tempo: 12-24 s between pitches, 2-3 min between half innings: common practice, no source.
"""

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl

from schemas.metrics import METRICS

# metric: (spread between pitchers' types is in _ARSENAL), spread of one pitcher's one type, noise of a good tracker (1 sd)
NOISE = {
    "release_speed_mph": 0.35,
    "plate_speed_mph": 0.4,
    "spin_rate_rpm": 35.0,
    "spin_efficiency": 0.05,
    "spin_axis_deg": 8.0,
    "induced_vertical_break_in": 0.9,
    "horizontal_break_in": 0.9,
    "release_height_ft": 0.08,
    "release_side_ft": 0.08,
    "extension_ft": 0.15,
    "plate_height_ft": 0.09,
    "plate_side_ft": 0.09,
    "vertical_approach_deg": 0.2,
    "horizontal_approach_deg": 0.2,
    "exit_velocity_mph": 1.5,
    "launch_angle_deg": 2.0,
}
FULL = tuple(NOISE)
BALL_ONLY = ("release_speed_mph", "spin_rate_rpm")
# what a simple unit gives
EIGHT = (
    *("release_speed_mph", "spin_rate_rpm", "induced_vertical_break_in", "horizontal_break_in"),
    *("release_height_ft", "release_side_ft", "plate_height_ft", "plate_side_ft"),
)
# pitch type: speed, spin, efficiency, axis (right-hander), vertical and horizontal break (right-hander), share
_ARSENAL = {
    "four_seam": (90.0, 2250.0, 0.93, 208.0, 16.0, 7.0, 0.40),
    "sinker": (89.0, 2120.0, 0.90, 232.0, 9.0, 14.0, 0.15),
    "slider": (81.0, 2350.0, 0.35, 120.0, 2.0, -5.0, 0.20),
    "curveball": (75.0, 2450.0, 0.70, 35.0, -9.0, -8.0, 0.10),
    "changeup": (81.5, 1750.0, 0.92, 235.0, 8.0, 13.0, 0.15),
}


@dataclass(frozen=True)
class Device:
    """One tracker: how it stamps, what it measures and how well, and how often it errs."""

    name: str
    metrics: tuple[str, ...] = FULL
    noise: float = 1.0
    outliers: float = 0.02
    outlier_size: float = 8.0
    missing: float = 0.02
    dropout: float = 0.015
    burst: float = 0.0
    false_rate: float = 0.01
    double_rate: float = 0.004
    resolution_s: float | None = 1.0
    jitter_s: float = 0.08
    offset_s: float = 20.0
    hour_slip: float = 0.0
    drift_ppm: float = 20.0
    steps: int = 0
    bias: float = 0.3
    bias_wander: float = 0.15
    stale: float = 0.0
    misspelt: float = 0.0
    mistyped: float = 0.1
    blunder: float = 0.001
    # the mounds it sees (empty: all); one that roams names no station; one without names gives no pitcher
    mounds: tuple[str, ...] = ()
    roams: bool = False
    names: bool = True


@dataclass(frozen=True)
class World:
    """What happens in a season, and who watches."""

    devices: tuple[Device, ...]
    sessions: tuple[str, ...] = (
        "game",
        "bullpen",
        "bullpen",
        "scrimmage",
        "bullpen",
        "game",
        "bullpen",
        "bullpen",
        "game",
        "bullpen",
        "scrimmage",
        "bullpen",
        "game",
        "bullpen",
    )
    two_mounds: bool = False
    tempo: float = 1.0
    first_day: date = date(2026, 3, 2)
    game_pitches: int = 260
    tail_degrees: float | None = None
    shuffled: bool = False
    one_day: bool = False
    sessions_a_day: int = 1
    # the two mounds are stations of their own, pen_1 and pen_2; used at once, or one after the other
    mounds_apart: bool = False
    in_turn: bool = False


@dataclass(frozen=True)
class Season:
    """`sightings` in the contract's frame; `truth`: sighting_id, throw (null: false record), double (a second record of the throw)."""

    sightings: pl.DataFrame
    truth: pl.DataFrame
    clocks: pl.DataFrame = field(default_factory=pl.DataFrame)
    bias: pl.DataFrame = field(default_factory=pl.DataFrame)


SCENARIOS = (
    "clean",
    "drifting clock",
    "hour shift",
    "clock step",
    "bursts of dropouts",
    "stale labels",
    "biased tracker",
    "two mounds",
    "minute stamps",
    "order only",
    "all faults, two trackers",
    "all faults, three trackers",
)
OTHER_WORLDS = (
    *(
        "eight metrics, minute stamps",
        "eight metrics, order only",
        "eight metrics, all faults",
        "ball only, minute stamps",
    ),
    *(
        "heavier tails",
        "twice the noise",
        "half the noise",
        "quick tempo",
        "many false records",
        "ball-only readings",
        "milliseconds",
        "one night",
    ),
)
ROAMING_WORLDS = (
    "roaming ball, both mounds watched",
    "roaming ball, one mound watched",
    "roaming ball, minute stamps",
    "roaming ball without names",
    "roaming ball with stale names",
    "roaming ball, mounds in turn",
    "roaming ball at one mound",
)


def world(name: str) -> World:
    """The world of a scenario."""
    if name.startswith("roaming"):
        return _roaming(name)
    a, b = Device("radar", offset_s=2.0), Device("camera", offset_s=25.0, bias=0.3)
    worlds: dict[str, World] = {
        "clean": World((a, b)),
        "drifting clock": World((a, replace(b, drift_ppm=200.0))),
        "hour shift": World((a, replace(b, hour_slip=1.0))),
        "clock step": World((a, replace(b, steps=2))),
        "bursts of dropouts": World((replace(a, burst=0.06), replace(b, burst=0.1))),
        "stale labels": World((a, replace(b, stale=0.5, misspelt=0.3))),
        "biased tracker": World((a, replace(b, bias=2.0, bias_wander=0.5))),
        "two mounds": World((a, b), two_mounds=True),
        "minute stamps": World((a, replace(b, resolution_s=60.0))),
        "order only": World((a, replace(b, resolution_s=None))),
        "heavier tails": World((replace(a, outliers=0.08), replace(b, outliers=0.08)), tail_degrees=3.0),
        "twice the noise": World((replace(a, noise=2.0), replace(b, noise=2.0))),
        "half the noise": World((replace(a, noise=0.5), replace(b, noise=0.5))),
        "quick tempo": World((a, replace(b, resolution_s=60.0)), tempo=0.5),
        "many false records": World(
            (
                replace(a, false_rate=0.06, dropout=0.05, double_rate=0.02),
                replace(b, false_rate=0.06, dropout=0.08, double_rate=0.02),
            )
        ),
        "ball-only readings": World((a, replace(b, metrics=BALL_ONLY))),
        "eight metrics, minute stamps": World((a, replace(b, resolution_s=60.0, metrics=EIGHT, noise=2.5))),
        "eight metrics, order only": World((a, replace(b, resolution_s=None, metrics=EIGHT, noise=2.5))),
        "ball only, minute stamps": World((a, replace(b, resolution_s=60.0, metrics=BALL_ONLY))),
        "milliseconds": World(
            (replace(a, resolution_s=0.001, jitter_s=0.03), replace(b, resolution_s=0.001, jitter_s=0.03))
        ),
        "bullpens in a row": World(
            (a, replace(b, hour_slip=0.3, offset_s=60.0)), sessions=("bullpen",) * 24, sessions_a_day=3
        ),
        "bullpens in a row, order only": World(
            (a, replace(b, resolution_s=None)), sessions=("bullpen",) * 24, sessions_a_day=3
        ),
        "bullpens in a row, minute stamps": World(
            (a, replace(b, resolution_s=60.0, offset_s=60.0)), sessions=("bullpen",) * 24, sessions_a_day=3
        ),
        "one night": World((a, b), sessions=("game", "bullpen", "bullpen", "bullpen", "bullpen"), one_day=True),
    }
    if "all faults" in name:
        return _all_faults(
            a,
            replace(b, metrics=EIGHT, noise=2.5) if name.startswith("eight") else b,
            three=name.endswith("three trackers"),
        )
    return worlds[name]


def _roaming(name: str) -> World:
    """An instrumented ball in the two pens, its log naming no station: speed and spin by milliseconds, its clock minutes off."""
    one = Device("radar", offset_s=2.0, mounds=("pen_1",))
    two = Device("camera", offset_s=25.0, mounds=("pen_2",))
    ball = Device("portable", metrics=BALL_ONLY, resolution_s=0.001, offset_s=120.0, false_rate=0.04, roams=True)
    coarse = replace(one, resolution_s=60.0), replace(two, resolution_s=60.0), ball
    devices = {
        "roaming ball, both mounds watched": (one, two, ball),
        "roaming ball, one mound watched": (one, ball),
        "roaming ball, minute stamps": coarse,
        "roaming ball without names": (one, two, replace(ball, names=False)),
        "roaming ball with stale names": (one, two, replace(ball, stale=0.7, misspelt=0.3)),
        "roaming ball, mounds in turn": (one, two, replace(ball, names=False)),
        "roaming ball at one mound": (one, two, replace(ball, mounds=("pen_1",))),
    }
    return World(devices[name], ("pens",) * 10, two_mounds=True, mounds_apart=True, in_turn=name.endswith("in turn"))


def _all_faults(a: Device, b: Device, *, three: bool) -> World:
    """Everything at once: two mounds, minute stamps an hour and minutes off, steps, bursts, stale labels, bias, more false records."""
    wrong = {
        "burst": 0.05,
        "stale": 0.4,
        "misspelt": 0.2,
        "dropout": 0.04,
        "false_rate": 0.02,
        "double_rate": 0.01,
        "mistyped": 0.2,
    }
    first = replace(a, **wrong, steps=1, drift_ppm=100.0)
    second = replace(b, **wrong, resolution_s=60.0, hour_slip=1.0, steps=1, drift_ppm=200.0, bias=1.5, bias_wander=0.4)
    third = replace(b, **wrong, name="portable", offset_s=200.0, drift_ppm=150.0, bias=1.0, noise=1.3, steps=1)
    return World((first, second, third) if three else (first, second), two_mounds=True)


def simulate(what: World, seed: int) -> Season:
    """A season of the world, the same for the same seed."""
    rng = np.random.default_rng(seed)
    pitchers = _pitchers(rng)
    throws = pl.concat([_session(rng, what, number, kind, pitchers) for number, kind in enumerate(what.sessions)])
    throws = throws.with_row_index("throw")
    seen, clocks, biases = [], [], []
    for device in what.devices:
        lasting = {m: device.bias * NOISE[m] * rng.normal() * 2 for m in device.metrics}
        seen_by_it = throws.filter(pl.col("station").is_in(device.mounds)) if device.mounds else throws
        for (number,), session in seen_by_it.group_by("session", maintain_order=True):
            wander = {m: lasting[m] + device.bias_wander * NOISE[m] * rng.normal() * 2 for m in device.metrics}
            rows, clock = _watch(rng, what, device, session, wander)
            seen.append(rows.with_columns(pl.lit(f"{device.name}-{number}").alias("native_session")))
            clocks.append(clock.with_columns(pl.lit(device.name).alias("tracker")))
            biases.append(
                pl.DataFrame(
                    {"tracker": device.name, "session": number, "metric": list(wander), "bias": list(wander.values())}
                )
            )
    table = _as_sightings(pl.concat(seen, how="diagonal_relaxed"))
    if what.shuffled:
        table = table.sample(fraction=1.0, shuffle=True, seed=seed)
    told = ("throw", "double", "true_pitcher", "true_station")
    truth = table.select("sighting_id", *told)
    return Season(table.drop(told), truth, pl.concat(clocks), pl.concat(biases))


def _pitchers(rng: np.random.Generator) -> list[dict[str, object]]:
    """Sixteen arms, each with an arsenal of three to five types and a release point of its own."""
    people: list[dict[str, object]] = []
    for number in range(16):
        left = rng.random() < 0.3
        speed, spin = rng.normal(0, 2.5), rng.normal(0, 120)
        side, height, extension = rng.normal(1.9, 0.5), rng.normal(5.7, 0.4), rng.normal(6.2, 0.4)
        kinds = [
            "four_seam",
            *rng.permutation([k for k in _ARSENAL if k != "four_seam"])[: rng.integers(2, 5)].tolist(),
        ]
        share = np.array([_ARSENAL[k][6] for k in kinds]) * rng.uniform(0.6, 1.4, len(kinds))
        means = {
            k: np.array(_ARSENAL[k][:6]) + rng.normal(0, [1.0, 80, 0.05, 8, 2, 2]) + [speed, spin, 0, 0, 0, 0]
            for k in kinds
        }
        people.append(
            {
                "name": f"Arm{number:02d} Demo{'abcdefghijklmnop'[number]}",
                "left": left,
                "kinds": kinds,
                "share": share / share.sum(),
                "means": means,
                "release": (height, side, extension),
            }
        )
    return people


def _session(
    rng: np.random.Generator, what: World, number: int, kind: str, pitchers: list[dict[str, object]]
) -> pl.DataFrame:
    """True throws of one session (with two mounds: of the two bullpens at once)."""
    day = what.first_day + timedelta(days=0 if what.one_day else number // what.sessions_a_day)
    start = 19.0 * 3600 if kind != "bullpen" else 15.0 * 3600 + 1200 * (number % 5)
    start += 2400.0 * (number % what.sessions_a_day)
    station = "field" if kind != "bullpen" else f"pen_{1 + number % 4 if what.one_day else 1}"
    if what.two_mounds:
        station, kind = "pens", "pens"
    if kind == "pens":
        arms = rng.permutation(len(pitchers))[:6]
        parts = [
            _mound(
                *(rng, what, [int(a) for a in arms[m::2]], pitchers),
                start + (20 + 12_000 * what.in_turn) * m,
                rng.integers(25, 50),
            ).with_columns(pl.lit(f"pen_{m + 1}" if what.mounds_apart else station).alias("station"))
            for m in (0, 1)
        ]
    elif kind == "bullpen":
        parts = [_mound(rng, what, [int(rng.integers(len(pitchers)))], pitchers, start, int(rng.integers(25, 55)))]
    else:
        parts = [_game(rng, what, pitchers, start, what.game_pitches if kind == "game" else what.game_pitches // 2)]
    throws = pl.concat(parts).sort("true_s")
    where = throws["station"] if kind == "pens" else pl.lit(station)
    return throws.drop("station", strict=False).with_columns(
        pl.lit(number).alias("session"),
        pl.lit(day).alias("baseball_day"),
        where.alias("station"),
        pl.lit(kind if kind != "pens" else "bullpen").alias("occasion"),
    )


def _mound(
    rng: np.random.Generator, what: World, arms: list[int], pitchers: list[dict[str, object]], start: float, each: int
) -> pl.DataFrame:
    parts = []
    for arm in arms:
        gaps = what.tempo * rng.gamma(6, 15 / 6, each).clip(5)
        times = start + np.cumsum(gaps)
        start = times[-1] + rng.uniform(120, 400)
        parts.append(_throws(rng, pitchers[arm], times, in_play=0.0))
    return pl.concat(parts)


def _game(
    rng: np.random.Generator, what: World, pitchers: list[dict[str, object]], start: float, pitches: int
) -> pl.DataFrame:
    arms = rng.permutation(len(pitchers))
    parts, thrown, half, staff = [], 0, 0, [list(arms[:4]), list(arms[4:8])]
    while thrown < pitches:
        side = half % 2
        if half > 4 and rng.random() < 0.25 and len(staff[side]) > 1:
            staff[side].pop(0)
        each = int(rng.integers(8, 24))
        gaps = what.tempo * (rng.gamma(5, 3.2, each) + 7 + (rng.random(each) < 0.22) * rng.exponential(25, each))
        times = start + np.cumsum(gaps)
        rows = _throws(rng, pitchers[int(staff[side][0])], times, in_play=0.18)
        parts.append(
            rows.with_columns(
                pl.lit(half // 2 + 1).cast(pl.Int16).alias("inning"),
                pl.lit("top" if side == 0 else "bottom").alias("half"),
            )
        )
        start = times[-1] + what.tempo * rng.uniform(100, 170)
        thrown, half = thrown + each, half + 1
    return pl.concat(parts)


def _throws(rng: np.random.Generator, arm: dict[str, object], times: np.ndarray, in_play: float) -> pl.DataFrame:
    """True flights: readings are functions of one another where physics says so."""
    n = len(times)
    kind = rng.choice(arm["kinds"], n, p=arm["share"])
    base = np.array([arm["means"][k] for k in kind]) + rng.normal(0, [1.0, 70, 0.04, 7, 1.8, 1.8], (n, 6))
    speed, spin, efficiency, axis, rise, run = base.T
    mirror = -1.0 if arm["left"] else 1.0
    height, side, extension = (v + rng.normal(0, s, n) for v, s in zip(arm["release"], (0.1, 0.1, 0.12), strict=True))
    plate_height, plate_side = rng.normal(2.4, 0.8, n), rng.normal(0, 0.75, n)
    flight = (60.5 - extension - 17 / 12) / (speed * 1.467 * 0.955)
    drop = height - plate_height
    vertical = -np.degrees(np.arctan2(drop + 0.5 * 32.2 * flight**2 - rise / 12, 54))
    across = np.degrees(np.arctan2(plate_side + mirror * side + mirror * run / 12, 54))
    hit = rng.random(n) < in_play
    return pl.DataFrame(
        {
            "true_s": times,
            "true_pitcher": arm["name"],
            "pitcher_hand": "left" if arm["left"] else "right",
            "true_type": kind,
            "release_speed_mph": speed,
            "plate_speed_mph": speed * 0.917,
            "spin_rate_rpm": spin,
            "spin_efficiency": efficiency.clip(0.02, 1),
            "spin_axis_deg": (axis if mirror > 0 else 360 - axis) % 360,
            "induced_vertical_break_in": rise,
            "horizontal_break_in": mirror * run,
            "release_height_ft": height,
            "release_side_ft": -mirror * side,
            "extension_ft": extension,
            "plate_height_ft": plate_height,
            "plate_side_ft": plate_side,
            "vertical_approach_deg": vertical,
            "horizontal_approach_deg": across,
            "exit_velocity_mph": np.where(hit, rng.normal(84, 13, n), np.nan),
            "launch_angle_deg": np.where(hit, rng.normal(12, 26, n), np.nan),
            "inning": pl.Series([None] * n, dtype=pl.Int16),
            "half": pl.Series([None] * n, dtype=pl.String),
        }
    )


def _watch(
    rng: np.random.Generator, what: World, device: Device, session: pl.DataFrame, bias: dict[str, float]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """What one device writes of one session, in its own order, and its true clock offset at each throw."""
    records = session.filter(pl.Series(_kept(rng, device, len(session)))).with_columns(pl.lit(False).alias("double"))
    records = pl.concat(
        [records, _false(rng, device, session), _doubles(rng, device, records)], how="diagonal_relaxed"
    ).sort("true_s")
    n = len(records)
    noisy = {m: _measured(rng, what, device, m, records[m].to_numpy(), bias[m]) for m in device.metrics}
    blundered = np.flatnonzero(rng.random(n) < device.blunder)
    for values in noisy.values():
        values[blundered] = rng.permutation(values)[: len(blundered)]
    if "plate_speed_mph" in noisy and "release_speed_mph" in noisy:  # one measurement told twice
        noisy["plate_speed_mph"] = noisy["release_speed_mph"] * 0.917 + rng.normal(0, 0.1, n)
    offset = _offset(rng, device, records["true_s"].to_numpy())
    stamp = records["true_s"].to_numpy() + offset + rng.normal(0, device.jitter_s, n) + 0.2
    order = np.argsort(stamp - offset, kind="stable")
    records = records.with_columns(
        pl.Series(m, noisy[m]) if m in noisy else pl.lit(None, dtype=pl.Float64).alias(m) for m in NOISE
    )
    records = records.with_columns(
        pl.Series("stamp", stamp),
        pl.Series("pitcher_label", _pitcher_labels(rng, device, records)),
        pl.Series("pitch_type", _types(rng, device, records)),
    )[order]
    records = records.with_columns(
        pl.lit(device.name).alias("tracker"),
        pl.col("station").alias("true_station"),
        pl.when(not device.roams).then("station").alias("station"),
        pl.when(device.names).then("pitcher_label").alias("pitcher_label"),
        pl.lit(device.resolution_s, dtype=pl.Float64).alias("clock_resolution_s"),
        pl.int_range(1, n + 1).alias("sequence"),
    )
    true_clock = session.select("session", pl.col("true_s")).with_columns(
        pl.Series("offset_s", np.interp(session["true_s"], records["true_s"], offset))
    )
    return records, true_clock


def _kept(rng: np.random.Generator, device: Device, n: int) -> np.ndarray:
    """Single dropouts, and bursts of 8 to 30 throws: `burst` is the share of throws that bursts take."""
    kept = rng.random(n) >= device.dropout
    for _ in range(rng.poisson(device.burst * n / 19)):
        start = int(rng.integers(n))
        kept[start : start + int(rng.integers(8, 31))] = False
    if not kept.any():
        kept[0] = True
    return kept


def _false(rng: np.random.Generator, device: Device, session: pl.DataFrame) -> pl.DataFrame:
    """Throws back and warm-ups: flights of their own, mostly slow, at times when no pitch was thrown."""
    count = rng.poisson(device.false_rate * len(session))
    after, like = (session[rng.integers(len(session), size=count)] for _ in range(2))
    slower = np.where(rng.random(count) < 0.7, rng.uniform(12, 35, count), rng.normal(2, 1.5, count))
    return like.with_columns(
        pl.Series("true_s", after["true_s"].to_numpy() + rng.uniform(3, 12, count)),
        after["true_pitcher"],
        after["station"],
        after["inning"],
        after["half"],
        *(
            pl.Series(m, like[m].to_numpy() + rng.normal(0, 4 * NOISE[m], count))
            for m in NOISE
            if m != "release_speed_mph"
        ),
        pl.Series("release_speed_mph", like["release_speed_mph"].to_numpy() - slower),
        pl.lit(None, dtype=pl.UInt32).alias("throw"),
        pl.lit(False).alias("double"),
    )


def _doubles(rng: np.random.Generator, device: Device, records: pl.DataFrame) -> pl.DataFrame:
    """Second records of a throw, half a second to two seconds later."""
    twice = records.filter(pl.Series(rng.random(len(records)) < device.double_rate))
    return twice.with_columns(
        pl.Series("true_s", twice["true_s"].to_numpy() + rng.uniform(0.3, 2.0, len(twice))),
        pl.lit(True).alias("double"),
    )


def _measured(
    rng: np.random.Generator, what: World, device: Device, metric: str, true: np.ndarray, bias: float
) -> np.ndarray:
    n, size = len(true), NOISE[metric] * device.noise
    error = rng.normal(0, size, n) if what.tail_degrees is None else rng.standard_t(what.tail_degrees, n) * size
    error = np.where(rng.random(n) < device.outliers, rng.normal(0, size * device.outlier_size, n), error)
    value = true + bias + error
    if METRICS[metric].circular:
        value = value % 360
    return np.where(rng.random(n) < device.missing, np.nan, value)


def _offset(rng: np.random.Generator, device: Device, true_s: np.ndarray) -> np.ndarray:
    """Seconds that the device's clock is ahead: constant, hour, drift, steps."""
    offset = np.full(len(true_s), rng.normal(0, device.offset_s) + 3600.0 * (rng.random() < device.hour_slip))
    offset += device.drift_ppm * 1e-6 * rng.choice([-1, 1]) * (true_s - true_s[0])
    for _ in range(device.steps):
        # at least three throws on both sides: before the first one, a step is no step
        at = true_s[int(rng.integers(3, max(len(true_s) - 3, 4)))]
        offset[true_s >= at] += rng.choice([-1, 1]) * rng.uniform(3, 60)
    return offset


def _pitcher_labels(rng: np.random.Generator, device: Device, records: pl.DataFrame) -> list[str]:
    """Stale labels: for a share of the changes of pitcher, the operator forgets to change the name for a while."""
    true = records["true_pitcher"].to_list()
    shown, late, out = true[0], 0, []
    for name in true:
        if name != shown and late == 0:
            late = int(rng.integers(3, 25)) if rng.random() < device.stale else 0
            shown_next = name
            if late == 0:
                shown = name
        elif late > 0:
            late -= 1
            if late == 0:
                shown = shown_next
        out.append(shown)
    spelt = {
        name: name.replace("Demo", "Dem") if rng.random() < device.misspelt else name for name in sorted(set(true))
    }
    return [spelt.get(name, name) for name in out]


def _types(rng: np.random.Generator, device: Device, records: pl.DataFrame) -> list[str]:
    wrong = rng.random(len(records)) < device.mistyped
    other = rng.choice(list(_ARSENAL), len(records))
    return [str(o) if w else t for t, o, w in zip(records["true_type"].to_list(), other, wrong, strict=True)]


def _as_sightings(rows: pl.DataFrame) -> pl.DataFrame:
    """The contract's frame of sightings."""
    midnight = pl.col("baseball_day").cast(pl.Datetime("us", "UTC"))
    step = pl.col("clock_resolution_s").fill_null(1.0)
    stamp_s = (pl.col("stamp") / step).floor() * step
    rows = rows.with_columns(
        (
            pl.lit("s")
            + pl.struct("tracker", "session", "sequence").hash(7).cast(pl.String).str.zfill(20).str.slice(4, 16)
        ).alias("sighting_id"),
        pl.when(pl.col("clock_resolution_s").is_not_null())
        .then(midnight + pl.duration(microseconds=(stamp_s * 1e6).round().cast(pl.Int64)))
        .alias("thrown_at"),
        pl.format("{}-{}", "tracker", "session").alias("file_id"),
        pl.lit("park").alias("venue"),
        pl.when(pl.col("station").is_not_null()).then(pl.lit("ledger")).alias("station_by"),
        pl.col("sequence").cast(pl.UInt32).alias("file_order"),
        pl.col("sequence").cast(pl.UInt32).alias("file_row"),
        pl.lit("operator").alias("pitch_type_by"),
        pl.col(list(NOISE)).fill_nan(None),
    )
    empty = [pl.lit(None, dtype=t).alias(c) for c, t in _EMPTY.items() if c not in rows.columns]
    return rows.with_columns(empty).select("throw", "double", "true_pitcher", "true_station", *_COLUMNS)


_EMPTY: dict[str, pl.DataType] = {
    **dict.fromkeys(
        (
            "occasion",
            "native_id",
            "pitcher_native_id",
            "pitcher_id",
            "team_label",
            "batter_label",
            "batter_native_id",
            "batter_id",
            "batter_side",
            "pitch_result",
            "plate_appearance_result",
            "corrections",
        ),
        pl.String(),
    ),
    **dict.fromkeys(("inning", "outs", "balls", "strikes"), pl.Int16()),
    "half": pl.String(),
    **dict.fromkeys(METRICS, pl.Float64()),
}
_COLUMNS = (
    *(
        "sighting_id",
        "tracker",
        "file_id",
        "file_row",
        "file_order",
        "venue",
        "station",
        "station_by",
        "occasion",
        "baseball_day",
        "native_id",
        "native_session",
        "sequence",
        "thrown_at",
    ),
    *(
        "clock_resolution_s",
        "pitcher_label",
        "pitcher_native_id",
        "pitcher_id",
        "pitcher_hand",
        "team_label",
        "batter_label",
        "batter_native_id",
        "batter_id",
        "batter_side",
    ),
    *(
        "inning",
        "half",
        "outs",
        "balls",
        "strikes",
        "pitch_type",
        "pitch_type_by",
        "pitch_result",
        "plate_appearance_result",
        *METRICS,
        "corrections",
    ),
)


def utc(day: date, seconds: float) -> datetime:
    """The moment so many seconds after midnight UTC of a day."""
    return datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(seconds=seconds)
