"""Exports of a device that numbers its throws from 1, in any order of arrival: each run gives what a rebuild over the same files gives."""

import os
import random
from itertools import pairwise
from pathlib import Path

import polars as pl
import pytest

from tests.nights import comparable, differences, night, published

LEDGER = """
program = {name = "Yard", time_zone = "America/Chicago"}
venue = [{id = "yard", name = "Yard", station = [{id = "pen", kind = "bullpen"}]}]
tracker = [{id = "box", name = "Box", profile = "box", venue = "yard", stations = ["pen"], rank = 1}]
"""
PROFILE = """
describes = "invented"
[file]
format = "csv"
name.pattern = '(?P<day>\\d{4}-\\d{2}-\\d{2})'
[time]
date_column = "@name.day"
date_formats = ["%Y-%m-%d"]
[keys]
pitcher = "who"
KEY = "nr"
[metric.release_speed_mph]
column = "pace"
unit = "mph"
at = "release"
[metric.spin_rate_rpm]
column = "turns"
unit = "rpm"
spin = "total"
"""


def evening(seed: int, throws: int) -> list[list[object]]:
    chance = random.Random(seed)
    return [
        [number, "Ann Roe" if number % 2 else "Bea Lund", round(chance.gauss(85, 4), 1), round(chance.gauss(2200, 120))]
        for number in range(1, throws + 1)
    ]


FIRST, SECOND = evening(1, 12), evening(2, 15)
CORRECTED = [[*row[:2], 70.1, row[3]] if row[0] == 4 else row for row in FIRST]
EXPORTS = {
    "a_2026-03-14.csv": FIRST,
    "b_2026-03-14.csv": SECOND,
    "c_2026-03-14.csv": CORRECTED,
    "d_2026-03-14.csv": [*SECOND, [16, "Ann Roe", 81.5, 2050]],
    "a_2026-03-15.csv": evening(3, 9),
}
THROWS = 12 + 16 + 9


def workspace(folder: Path, key: str) -> Path:
    (folder / "profiles").mkdir(parents=True)
    (folder / "inbox" / "box").mkdir(parents=True)
    (folder / "ledger.toml").write_text(LEDGER, "utf-8")
    (folder / "profiles" / "box.toml").write_text(PROFILE.replace("KEY", key), "utf-8")
    (folder / "roster.csv").write_text("player_id,name\np1,Ann Roe\np2,Bea Lund\n", "utf-8")
    return folder


def deliver(folder: Path, name: str) -> None:
    path = folder / "inbox" / "box" / name
    path.write_text(
        "\n".join(["nr,who,pace,turns", *(",".join(map(str, row)) for row in EXPORTS[name])]) + "\n", "utf-8"
    )
    os.utime(path, (1_700_000_000, 1_700_000_000))


@pytest.mark.slow
@pytest.mark.parametrize("key", ["sequence", "native_id"])
def test_evenings_with_the_same_numbers_give_the_same_tables_in_any_order_of_arrival(key: str, tmp_path: Path) -> None:
    complete = workspace(tmp_path / "complete", key)
    for name in EXPORTS:
        deliver(complete, name)
    night(complete)
    tables = comparable(complete)
    assert tables["pitches"].height == THROWS and tables["key_collisions"].height == (1 if key == "sequence" else 2)
    names = list(EXPORTS)
    for order in (names, names[::-1]):
        folder = workspace(tmp_path / f"from_{order[0][:12]}", key)
        ids = []
        for name in order:
            deliver(folder, name)
            night(folder)
            now = published(folder)
            ids.append((set(now["pitches"]["pitch_id"]), set(now["pitch_aliases"]["old_pitch_id"])))
        # an id that was published is a pitch, or leads to one, ever after
        assert all(before <= current | aliases for (before, _), (current, aliases) in pairwise(ids))
        assert differences(_without_times(comparable(folder)), _without_times(tables)) == {}
        night(folder, rebuild=True)
        assert differences(_without_times(comparable(folder)), _without_times(tables)) == {}


def _without_times(tables: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Leave out when a run first resolved an id."""
    return {name: frame.drop("since", strict=False) for name, frame in tables.items()}
