"""Simulate a season with truth: throws, what each tracker records of them, and everything that goes wrong between.

Every random draw comes from one generator, so the order of the draws is part of a season: keep it when you change this file.
"""

from dataclasses import dataclass, field
from datetime import timedelta
from typing import NamedTuple

import numpy as np
import polars as pl

from schemas.metrics import METRICS
from tests.simulator.matching_world import NOISE, Device, World

# Pitch type: speed, spin, efficiency, axis (right-hander), vertical and horizontal break (right-hander), share of pitches.
_ARSENAL = {
    "four_seam": (90.0, 2250.0, 0.93, 208.0, 16.0, 7.0, 0.40),
    "sinker": (89.0, 2120.0, 0.90, 232.0, 9.0, 14.0, 0.15),
    "slider": (81.0, 2350.0, 0.35, 120.0, 2.0, -5.0, 0.20),
    "curveball": (75.0, 2450.0, 0.70, 35.0, -9.0, -8.0, 0.10),
    "changeup": (81.5, 1750.0, 0.92, 235.0, 8.0, 13.0, 0.15),
}


@dataclass(frozen=True)
class Season:
    """A simulated season: `sightings` as in the contract, and its truth.

    `truth`: sighting_id, throw (null: false record), double (second record of the throw), true_pitcher, true_station. `clocks`: true
    offset of each tracker at each throw. `bias`: true bias by tracker, session and metric.
    """

    sightings: pl.DataFrame
    truth: pl.DataFrame
    clocks: pl.DataFrame = field(default_factory=pl.DataFrame)
    bias: pl.DataFrame = field(default_factory=pl.DataFrame)


class _Pitcher(NamedTuple):
    """`share` (types,): how often each pitch type is thrown. `means`: by type, six readings. `release`: height, side, extension in ft."""

    name: str
    left: bool
    pitch_types: list[str]
    share: np.ndarray
    means: dict[str, np.ndarray]
    release: tuple[float, float, float]


def simulate(world: World, seed: int) -> Season:
    """Simulate a season of the world; the same seed gives the same season."""
    rng = np.random.default_rng(seed)
    pitchers = _pitchers(rng)
    throws = pl.concat(
        [_session(rng, world, number, occasion, pitchers) for number, occasion in enumerate(world.sessions)]
    )
    throws = throws.with_row_index("throw")
    seen, clocks, biases = [], [], []
    for device in world.devices:
        season_bias = {m: device.bias * NOISE[m] * rng.normal() * 2 for m in device.metrics}
        watched = throws.filter(pl.col("station").is_in(device.mounds)) if device.mounds else throws
        for (number,), session in watched.group_by("session", maintain_order=True):
            session_bias = {
                m: season_bias[m] + device.bias_wander * NOISE[m] * rng.normal() * 2 for m in device.metrics
            }
            rows, clock = _watch(rng, world, device, session, session_bias)
            seen.append(rows.with_columns(pl.lit(f"{device.name}-{number}").alias("native_session")))
            clocks.append(clock.with_columns(pl.lit(device.name).alias("tracker")))
            biases.append(
                pl.DataFrame(
                    {
                        "tracker": device.name,
                        "session": number,
                        "metric": list(session_bias),
                        "bias": list(session_bias.values()),
                    }
                )
            )
    rows = pl.concat(seen, how="diagonal_relaxed").with_columns(
        pl.format("{}-{}", "tracker", "session").alias("file_id"),
        pl.col("sequence").cast(pl.UInt32).alias("file_order"),
    )
    table = as_sightings(rows, "session", "sequence")
    if world.shuffled:
        table = table.sample(fraction=1.0, shuffle=True, seed=seed)
    true_columns = ("throw", "double", "true_pitcher", "true_station")
    truth = table.select("sighting_id", *true_columns)
    return Season(table.drop(true_columns), truth, pl.concat(clocks), pl.concat(biases))


def _pitchers(rng: np.random.Generator) -> list[_Pitcher]:
    """Return sixteen pitchers, each with three to five pitch types and a release point."""
    pitchers = []
    for number in range(16):
        left = rng.random() < 0.3
        speed, spin = rng.normal(0, 2.5), rng.normal(0, 120)
        side, height, extension = rng.normal(1.9, 0.5), rng.normal(5.7, 0.4), rng.normal(6.2, 0.4)
        pitch_types = [
            "four_seam",
            *rng.permutation([t for t in _ARSENAL if t != "four_seam"])[: rng.integers(2, 5)].tolist(),
        ]
        share = np.array([_ARSENAL[t][6] for t in pitch_types]) * rng.uniform(0.6, 1.4, len(pitch_types))
        means = {
            t: np.array(_ARSENAL[t][:6]) + rng.normal(0, [1.0, 80, 0.05, 8, 2, 2]) + [speed, spin, 0, 0, 0, 0]
            for t in pitch_types
        }
        name = f"Arm{number:02d} Demo{'abcdefghijklmnop'[number]}"
        pitchers.append(_Pitcher(name, left, pitch_types, share / share.sum(), means, (height, side, extension)))
    return pitchers


def _session(
    rng: np.random.Generator, world: World, number: int, occasion: str, pitchers: list[_Pitcher]
) -> pl.DataFrame:
    """Return the true throws of one session (with two mounds: of both bullpens)."""
    day = world.first_day + timedelta(days=0 if world.one_day else number // world.sessions_a_day)
    start = 19.0 * 3600 if occasion != "bullpen" else 15.0 * 3600 + 1200 * (number % 5)
    start += 2400.0 * (number % world.sessions_a_day)
    station = "field" if occasion != "bullpen" else f"pen_{1 + number % 4 if world.one_day else 1}"
    if world.two_mounds:
        station, occasion = "pens", "pens"
    if occasion == "pens":
        pitching = rng.permutation(len(pitchers))[:6]
        parts = [
            _mound(
                *(rng, world, [int(a) for a in pitching[m::2]], pitchers),
                start + (20 + 12_000 * world.in_turn) * m,
                rng.integers(25, 50),
            ).with_columns(pl.lit(f"pen_{m + 1}" if world.mounds_apart else station).alias("station"))
            for m in (0, 1)
        ]
    elif occasion == "bullpen":
        parts = [_mound(rng, world, [int(rng.integers(len(pitchers)))], pitchers, start, int(rng.integers(25, 55)))]
    else:
        parts = [
            _game(rng, world, pitchers, start, world.game_pitches if occasion == "game" else world.game_pitches // 2)
        ]
    throws = pl.concat(parts).sort("true_s")
    where = throws["station"] if occasion == "pens" else pl.lit(station)
    return throws.drop("station", strict=False).with_columns(
        pl.lit(number).alias("session"),
        pl.lit(day).alias("baseball_day"),
        where.alias("station"),
        pl.lit(occasion if occasion != "pens" else "bullpen").alias("occasion"),
    )


def _mound(
    rng: np.random.Generator, world: World, pitching: list[int], pitchers: list[_Pitcher], start: float, each: int
) -> pl.DataFrame:
    parts = []
    for pitcher in pitching:
        gaps = world.tempo * rng.gamma(6, 15 / 6, each).clip(5)
        times = start + np.cumsum(gaps)
        start = times[-1] + rng.uniform(120, 400)
        parts.append(_throws(rng, pitchers[pitcher], times, in_play=0.0))
    return pl.concat(parts)


def _game(rng: np.random.Generator, world: World, pitchers: list[_Pitcher], start: float, pitches: int) -> pl.DataFrame:
    order = rng.permutation(len(pitchers))
    parts, thrown, half, staff = [], 0, 0, [list(order[:4]), list(order[4:8])]
    while thrown < pitches:
        side = half % 2
        if half > 4 and rng.random() < 0.25 and len(staff[side]) > 1:
            staff[side].pop(0)
        each = int(rng.integers(8, 24))
        gaps = world.tempo * (rng.gamma(5, 3.2, each) + 7 + (rng.random(each) < 0.22) * rng.exponential(25, each))
        times = start + np.cumsum(gaps)
        rows = _throws(rng, pitchers[int(staff[side][0])], times, in_play=0.18)
        parts.append(
            rows.with_columns(
                pl.lit(half // 2 + 1).cast(pl.Int16).alias("inning"),
                pl.lit("top" if side == 0 else "bottom").alias("half"),
            )
        )
        start = times[-1] + world.tempo * rng.uniform(100, 170)
        thrown, half = thrown + each, half + 1
    return pl.concat(parts)


def _throws(rng: np.random.Generator, pitcher: _Pitcher, times: np.ndarray, in_play: float) -> pl.DataFrame:
    """Return true flights; readings that physics ties together are functions of each other."""
    n = len(times)
    pitch_type = rng.choice(pitcher.pitch_types, n, p=pitcher.share)
    base = np.array([pitcher.means[k] for k in pitch_type]) + rng.normal(0, [1.0, 70, 0.04, 7, 1.8, 1.8], (n, 6))
    speed, spin, efficiency, axis, rise, run = base.T
    mirror = -1.0 if pitcher.left else 1.0
    height, side, extension = (v + rng.normal(0, s, n) for v, s in zip(pitcher.release, (0.1, 0.1, 0.12), strict=True))
    plate_height, plate_side = rng.normal(2.4, 0.8, n), rng.normal(0, 0.75, n)
    flight = (60.5 - extension - 17 / 12) / (speed * 1.467 * 0.955)
    drop = height - plate_height
    vertical = -np.degrees(np.arctan2(drop + 0.5 * 32.2 * flight**2 - rise / 12, 54))
    across = np.degrees(np.arctan2(plate_side + mirror * side + mirror * run / 12, 54))
    hit = rng.random(n) < in_play
    return pl.DataFrame(
        {
            "true_s": times,
            "true_pitcher": pitcher.name,
            "pitcher_hand": "left" if pitcher.left else "right",
            "true_type": pitch_type,
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
    rng: np.random.Generator, world: World, device: Device, session: pl.DataFrame, bias: dict[str, float]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return what one device records of one session, in its own order, and its true clock offset at each throw."""
    records = session.filter(pl.Series(_kept(rng, device, len(session)))).with_columns(pl.lit(False).alias("double"))
    records = pl.concat(
        [records, _false(rng, device, session), _doubles(rng, device, records)], how="diagonal_relaxed"
    ).sort("true_s")
    n = len(records)
    noisy = {m: _measured(rng, world, device, m, records[m].to_numpy(), bias[m]) for m in device.metrics}
    blundered = np.flatnonzero(rng.random(n) < device.blunder)
    for values in noisy.values():
        values[blundered] = rng.permutation(values)[: len(blundered)]
    # Both speeds are one measurement.
    if "plate_speed_mph" in noisy and "release_speed_mph" in noisy:
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
    """Return which throws are recorded: single dropouts, and bursts of 8 to 30 throws that take the share `burst`."""
    kept = rng.random(n) >= device.dropout
    for _ in range(rng.poisson(device.burst * n / 19)):
        start = int(rng.integers(n))
        kept[start : start + int(rng.integers(8, 31))] = False
    if not kept.any():
        kept[0] = True
    return kept


def _false(rng: np.random.Generator, device: Device, session: pl.DataFrame) -> pl.DataFrame:
    """Return false records (throws back, warm-ups): mostly slow, at times without a pitch."""
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
    """Return second records of a throw, 0.3 to 2 seconds later."""
    twice = records.filter(pl.Series(rng.random(len(records)) < device.double_rate))
    return twice.with_columns(
        pl.Series("true_s", twice["true_s"].to_numpy() + rng.uniform(0.3, 2.0, len(twice))),
        pl.lit(True).alias("double"),
    )


def _measured(
    rng: np.random.Generator, world: World, device: Device, metric: str, true: np.ndarray, bias: float
) -> np.ndarray:
    n, size = len(true), NOISE[metric] * device.noise
    error = rng.normal(0, size, n) if world.tail_degrees is None else rng.standard_t(world.tail_degrees, n) * size
    error = np.where(rng.random(n) < device.outliers, rng.normal(0, size * device.outlier_size, n), error)
    value = true + bias + error
    if METRICS[metric].circular:
        value = value % 360
    return np.where(rng.random(n) < device.missing, np.nan, value)


def _offset(rng: np.random.Generator, device: Device, true_s: np.ndarray) -> np.ndarray:
    """Return how many seconds the device's clock is ahead: constant, hour, drift and steps."""
    offset = np.full(len(true_s), rng.normal(0, device.offset_s) + 3600.0 * (rng.random() < device.hour_slip))
    offset += device.drift_ppm * 1e-6 * rng.choice([-1, 1]) * (true_s - true_s[0])
    for _ in range(device.steps):
        # At least three throws on each side: a step before the first throw would be an offset.
        at = true_s[int(rng.integers(3, max(len(true_s) - 3, 4)))]
        offset[true_s >= at] += rng.choice([-1, 1]) * rng.uniform(3, 60)
    return offset


def _pitcher_labels(rng: np.random.Generator, device: Device, records: pl.DataFrame) -> list[str]:
    """Return labels: at a share of the changes of pitcher, the operator changes the name a few throws late."""
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
    spelling = {
        name: name.replace("Demo", "Dem") if rng.random() < device.misspelled else name for name in sorted(set(true))
    }
    return [spelling.get(name, name) for name in out]


def _types(rng: np.random.Generator, device: Device, records: pl.DataFrame) -> list[str]:
    wrong = rng.random(len(records)) < device.mistyped
    other = rng.choice(list(_ARSENAL), len(records))
    return [str(o) if w else t for t, o, w in zip(records["true_type"].to_list(), other, wrong, strict=True)]


def as_sightings(rows: pl.DataFrame, *key: str) -> pl.DataFrame:
    """Return the contract's frame of sightings; the tracker and the columns of `key` make the id of a row."""
    midnight = pl.col("baseball_day").cast(pl.Datetime("us", "UTC"))
    step = pl.col("clock_resolution_s").fill_null(1.0)
    stamp_s = (pl.col("stamp") / step).floor() * step
    rows = rows.with_columns(
        (pl.lit("s") + pl.struct("tracker", *key).hash(7).cast(pl.String).str.zfill(20).str.slice(4, 16)).alias(
            "sighting_id"
        ),
        pl.when(pl.col("clock_resolution_s").is_not_null())
        .then(midnight + pl.duration(microseconds=(stamp_s * 1e6).round().cast(pl.Int64)))
        .alias("thrown_at"),
        pl.lit("park").alias("venue"),
        pl.when(pl.col("station").is_not_null()).then(pl.lit("ledger")).alias("station_by"),
        pl.col("file_order").alias("file_row"),
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
