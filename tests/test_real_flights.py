"""Real flights (public data B) as the world, seen by two simulated trackers, from files on the disk to published pitches.

The flights are real, with their real mix of pitchers and pitch types in the order of the day; the noise, clocks and dropouts are simulated. The test skips
where the public data are not here (see test_open_pitches).
"""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.night import run_night
from pipeline.physics import flight as physics
from pipeline.physics.flight import FRONT_EDGE_FT, Flight, Span
from pipeline.settings.ledger import load_ledger
from pipeline.warehouse.query import published_tables
from tests.test_open_pitches import flight_of, mapped

FIRST = datetime(2026, 4, 3, 23, 5, tzinfo=UTC)
A_DAY = 280
OFFSET_S = 74.0
M_PER_FT, MPS_PER_FPS = 0.3048, 0.3048
LEDGER = """
[program]
name = "Real flights"
time_zone = "America/New_York"
[[venue]]
id = "park"
  [[venue.station]]
  id = "field"
  kind = "field"
[[tracker]]
id = "one"
profile = "one"
venue = "park"
stations = ["field"]
rank = 1
[[tracker]]
id = "two"
profile = "two"
venue = "park"
stations = ["field"]
rank = 2
"""
ONE = """
describes = "US units at release, seconds in local time"
[file]
format = "csv"
[time]
column = "when"
formats = ["%Y-%m-%d %H:%M:%S"]
zone = "venue"
[keys]
native_id = "id"
[metric.release_speed_mph]
column = "speed"
unit = "mph"
at = "release"
[metric.plate_speed_mph]
column = "end speed"
unit = "mph"
at = "front_edge"
[metric.extension_ft]
column = "reach"
unit = "ft"
measured_from = "rubber"
[metric.release_height_ft]
column = "height"
unit = "ft"
at = "release"
height_from = "ground"
[metric.release_side_ft]
column = "side"
unit = "ft"
at = "release"
positive = "pitcher_right"
[metric.plate_height_ft]
column = "over height"
unit = "ft"
at = "front_edge"
height_from = "ground"
[metric.plate_side_ft]
column = "over side"
unit = "ft"
at = "front_edge"
positive = "pitcher_right"
[metric.horizontal_break_in]
column = "run"
unit = "inch"
definition = "same_time"
start = "40 ft"
end = "front_edge"
positive = "pitcher_right"
[metric.induced_vertical_break_in]
column = "drop"
unit = "inch"
definition = "same_time"
start = "40 ft"
end = "front_edge"
gravity = "out"
positive = "down"
"""
TWO = """
describes = "metric trajectories at 16 m from the front edge, UTC"
[file]
format = "json_lines"
[time]
column = "t"
formats = ["epoch_ms"]
zone = "UTC"
[metric.extension_ft]
column = "let_go"
unit = "m"
measured_from = "back_tip"
[trajectory]
position = { side = "p.0", distance = "p.1", height = "p.2" }
velocity = { side = "v.0", distance = "v.1", height = "v.2" }
acceleration = { side = "a.0", distance = "a.1", height = "a.2" }
position_unit = "m"
velocity_unit = "m/s"
acceleration_unit = "m/s^2"
side_positive = "catcher_left"
distance_from = "front_edge"
distance_positive = "toward_mound"
height_from = "ground"
gravity = "out"
gives = "all"
"""


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, pl.DataFrame]:
    """A workspace of eight days of real flights, and which rows are one pitch: true number, tracker's row."""
    folder = tmp_path_factory.mktemp("real")
    _, done = mapped("b", tmp_path_factory.mktemp("source"))
    flights = done.sightings.filter(pl.col("trajectory_vy_fps").is_not_null() & pl.col("extension_ft").is_not_null())
    chance = np.random.default_rng(20260403)
    release_y = 60.5 - flights.get_column("extension_ft").to_numpy()
    flight = flight_of(flights)
    day = np.arange(flights.height) // A_DAY
    seconds = np.concatenate(
        [
            86_400 * number + np.cumsum(chance.gamma(6, 4, int((day == number).sum())) + 8)
            for number in range(int(day.max()) + 1)
        ]
    )
    (folder / "profiles").mkdir()
    for name, text in (("ledger.toml", LEDGER), ("profiles/one.toml", ONE), ("profiles/two.toml", TWO)):
        (folder / name).write_text(text)
    _write_one(folder / "inbox" / "one", flight, release_y, seconds, day, chance)
    _write_two(folder / "inbox" / "two", flight, release_y, seconds + OFFSET_S, day, chance)
    return folder, pl.DataFrame({"day": day, "number": np.arange(flights.height)})


def _seen(chance: np.random.Generator, day: np.ndarray, number: int) -> np.ndarray:
    """The pitches of a day that a tracker saw: 3 % are lost."""
    here = np.flatnonzero(day == number)
    return here[chance.random(len(here)) > 0.03]


def _stamps(seconds: np.ndarray) -> pl.Series:
    return pl.Series(seconds * 1e6).round().cast(pl.Int64).cast(pl.Duration("us")) + FIRST


def _write_one(
    inbox: Path,
    flight: Flight,
    release_y: np.ndarray,
    seconds: np.ndarray,
    day: np.ndarray,
    chance: np.random.Generator,
) -> None:
    inbox.mkdir(parents=True)
    release, plate = physics.at_plane(flight, release_y), physics.at_plane(flight, FRONT_EDGE_FT)
    run, rise = physics.break_in(flight, Span(40.0, FRONT_EDGE_FT), "same_time")
    n = len(release_y)
    table = pl.DataFrame(
        {
            "id": [f"k{i:05d}" for i in range(n)],
            "when": _stamps(seconds).dt.convert_time_zone("America/New_York").dt.strftime("%Y-%m-%d %H:%M:%S"),
            "speed": (physics.speed_mph(flight, release_y) + chance.normal(0.1, 0.3, n)).round(1),
            "end speed": (physics.speed_mph(flight, FRONT_EDGE_FT) + chance.normal(0, 0.3, n)).round(1),
            "reach": (60.5 - release_y + chance.normal(0, 0.1, n)).round(2),
            "height": (release.z + chance.normal(0, 0.08, n)).round(2),
            "side": (-release.x + chance.normal(0, 0.08, n)).round(2),
            "over height": (plate.z + chance.normal(0, 0.06, n)).round(2),
            "over side": (-plate.x + chance.normal(0, 0.06, n)).round(2),
            "run": (-run + chance.normal(0, 0.4, n)).round(1),
            "drop": (-rise + chance.normal(0, 0.4, n)).round(1),
        }
    )
    for number in range(int(day.max()) + 1):
        table[_seen(chance, day, number)].write_csv(inbox / f"day_{number:02d}.csv")


def _write_two(
    inbox: Path,
    flight: Flight,
    release_y: np.ndarray,
    seconds: np.ndarray,
    day: np.ndarray,
    chance: np.random.Generator,
) -> None:
    inbox.mkdir(parents=True)
    here = physics.at_plane(flight, FRONT_EDGE_FT + 16 / M_PER_FT)
    n = len(release_y)
    noise = [chance.normal(0, size, n) for size in (0.02, 0.02, 0.12, 0.12, 0.06)]
    records = pl.DataFrame(
        {
            "number": np.arange(n),
            "t": _stamps(seconds).dt.epoch("ms"),
            "let_go": release_y * M_PER_FT + chance.normal(0, 0.03, n),
            "p": np.stack([-here.x * M_PER_FT + noise[0], np.full(n, 16.0), here.z * M_PER_FT + noise[1]], 1),
            "v": np.stack(
                [-here.vx * MPS_PER_FPS + noise[4], here.vy * MPS_PER_FPS + noise[2], here.vz * MPS_PER_FPS + noise[4]],
                1,
            ),
            "a": np.stack(
                [-flight.ax * M_PER_FT, flight.ay * M_PER_FT + noise[3], (flight.az + physics.G_FPS2) * M_PER_FT], 1
            ),
        }
    )
    for number in range(int(day.max()) + 1):
        records[_seen(chance, day, number)].write_ndjson(inbox / f"night{number:02d}.jsonl")


def test_real_flights_seen_by_two_trackers_are_matched_and_agree(world: tuple[Path, pl.DataFrame]) -> None:
    folder, _ = world
    ledger = load_ledger(folder)
    run_night(ledger)
    tables = published_tables(ledger.output, ("sightings", "agreement"))
    one, two = (tables["sightings"].filter(pl.col("tracker") == name) for name in ("one", "two"))
    true = _true_numbers(folder)
    one = one.with_columns(number=pl.col("native_id").str.slice(1).cast(pl.Int64))
    two = two.join(true, on=["file_id", "file_row"])
    both = one.select("pitch_id", "number").join(two.select("pitch_id", other="number"), on="pitch_id")
    wrong = both.filter(pl.col("number") != pl.col("other")).height
    possible = one.join(two, on="number").height
    found = both.height - wrong
    print(f"{possible} pairs to find, {found} found, {wrong} wrong")
    assert wrong <= 0.0005 * possible
    assert found >= 0.998 * possible
    # definitions as different as these (same-time over 40 ft, a trajectory at 16 m) come out as one quantity: no bias beyond 0.1 SD of the noise put in
    agreement = tables["agreement"].filter(pl.col("slice_by") == "all")
    bias = dict(agreement.select("metric", "bias").iter_rows())
    for metric, most in {
        "release_speed_mph": 0.15,
        "plate_speed_mph": 0.1,
        "induced_vertical_break_in": 0.15,
        "horizontal_break_in": 0.15,
        "plate_side_ft": 0.02,
        "plate_height_ft": 0.02,
    }.items():
        expected = 0.1 if metric == "release_speed_mph" else 0.0
        assert abs(abs(bias[metric]) - expected) < most, metric


def _true_numbers(folder: Path) -> pl.DataFrame:
    """file_id, file_row, number of tracker two's records."""
    from pipeline.exports.inbox import list_exports

    parts = []
    for file in list_exports("two", folder / "inbox" / "two"):
        numbers = pl.read_ndjson(file.path).get_column("number")
        parts.append(
            pl.DataFrame(
                {
                    "file_id": [file.file_id] * len(numbers),
                    "file_row": pl.int_range(1, len(numbers) + 1, dtype=pl.UInt32, eager=True),
                    "number": numbers,
                }
            )
        )
    return pl.concat(parts)
