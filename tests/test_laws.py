"""The laws of the whole way: the same exports give the same tables, in one run or in several, whenever and in whatever order they came."""

import os
import shutil
from pathlib import Path

import polars as pl
import pytest

from pipeline.ledger import load_ledger
from pipeline.night import run_night
from schemas.tables import TABLES
from tests.conftest import PROJECT

DEMO = PROJECT / "demo_inputs"
# a week with a game, bullpens on both mounds, an order-only file, a ball without a station, a file exported twice
DAYS = (
    "2026-10-12",
    "20261012",
    "2026-10-13",
    "20261013",
    "2026-10-14",
    "20261014",
    "2026-10-15",
    "20261015",
    "2026-10-24",
)
# what tells of runs and not of exports
OF_RUNS = ("runs",)


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    shutil.copytree(DEMO, tmp_path / "w", ignore=shutil.ignore_patterns("inbox", "truth", "warehouse"))
    return tmp_path / "w"


def exports() -> list[Path]:
    return [
        path for path in sorted((DEMO / "inbox").rglob("*")) if path.is_file() and any(day in str(path) for day in DAYS)
    ]


def deliver(workspace: Path, paths: list[Path], modified_at: int) -> None:
    for number, path in enumerate(paths):
        target = workspace / path.relative_to(DEMO)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, target)
        os.utime(target, (modified_at + number, modified_at + number))


def tables_of(workspace: Path) -> dict[str, pl.DataFrame]:
    return {name: frame for name, frame in run_night(load_ledger(workspace)).tables.items() if name not in OF_RUNS}


def sorted_rows(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    left_out = {"files": ["modified_at"]}.get(name, [])
    columns = [column for column in TABLES[name].names if column in frame.columns and column not in left_out]
    return frame.select(columns).sort(columns, nulls_last=True)


def test_several_nights_in_any_order_give_what_one_run_gives(workspace: Path) -> None:
    paths = exports()
    assert len(paths) == 15
    late = [path for path in paths if "camera" in str(path) or "20261013" in str(path)]
    deliver(workspace, [path for path in paths if path not in late], 1_800_000_000)
    tables_of(workspace)
    deliver(workspace, list(reversed(late)), 1_790_000_000)
    in_two = tables_of(workspace)
    shutil.rmtree(workspace / "warehouse")
    deliver(workspace, paths, 1_700_000_000)
    at_once = tables_of(workspace)
    assert set(in_two) == set(at_once)
    for name, frame in at_once.items():
        assert sorted_rows(name, frame).equals(sorted_rows(name, in_two[name])), name


def test_an_id_of_the_first_night_still_leads_to_its_pitch_after_a_late_file(workspace: Path) -> None:
    paths = exports()
    late = [path for path in paths if "stadium_radar" in str(path)]
    deliver(workspace, [path for path in paths if path not in late], 1_800_000_000)
    before = tables_of(workspace)["pitches"]
    deliver(workspace, late, 1_800_000_000)
    after = tables_of(workspace)
    aliases = dict(after["pitch_aliases"].select("old_pitch_id", "pitch_id").iter_rows())
    now = set(after["pitches"].get_column("pitch_id"))
    led = [aliases.get(pitch, pitch) for pitch in before.get_column("pitch_id")]
    assert [pitch for pitch in led if pitch is not None and pitch not in now] == []
    # the radar ranks first, so pitches that it saw are named after its sighting: ids did change
    assert len(set(before.get_column("pitch_id")) - now) > 100


def test_a_tracker_that_saw_nothing_changes_no_pitch(workspace: Path) -> None:
    deliver(workspace, exports(), 1_800_000_000)
    before = tables_of(workspace)["pitches"]
    ledger = workspace / "ledger.toml"
    more = '\n[[tracker]]\nid = "new_unit"\nprofile = "pen_unit"\nvenue = "heron_park"\nstations = ["pen_north"]\nrank = 9\n'
    ledger.write_text(ledger.read_text() + more)
    assert tables_of(workspace)["pitches"].equals(before)
