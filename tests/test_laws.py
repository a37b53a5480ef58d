"""Law 3, determinism: the same exports give the same tables, in one run or many, in any order."""

import random
import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.nights import comparable, deliver, demo_exports, differences, empty_workspace, fresh, night, published

# a week with a game, bullpens on both mounds, an order-only file, a ball without a station, a file exported twice
DAYS = ("2026-10-12", "2026-10-13", "2026-10-14", "2026-10-15", "2026-10-24")


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    return empty_workspace(tmp_path / "w")


@pytest.fixture(scope="module")
def at_once(tmp_path_factory: pytest.TempPathFactory) -> dict:
    """Return the tables of one run over all exports of the week."""
    folder = tmp_path_factory.mktemp("at_once") / "w"
    deliver(empty_workspace(folder), demo_exports(*DAYS))
    night(folder)
    return comparable(folder)


def _in_nights(folder: Path, nights: list[int], seed: int) -> dict:
    """Return the tables after these nights. `nights`: for each export the number of its night; some earlier exports are copied again."""
    workspace = empty_workspace(folder / "w")
    paths = demo_exports(*DAYS)
    assert len(paths) == len(nights)
    chance = random.Random(seed)
    for number in sorted(set(nights)):
        tonight = [path for path, when in zip(paths, nights, strict=True) if when == number]
        # Some earlier exports are copied again, with another time.
        again = [path for path, when in zip(paths, nights, strict=True) if when < number and chance.random() < 0.3]
        deliver(workspace, tonight + again, 1_700_000_000 + chance.randrange(10**6))
        night(workspace)
    return comparable(workspace)


def test_the_later_day_first_and_a_repeat_give_one_runs_tables(workspace: Path, tmp_path: Path) -> None:
    first, second = demo_exports("2026-10-13"), demo_exports("2026-10-12")
    deliver(workspace, first)
    night(workspace)
    # An earlier export is copied again, with another time.
    deliver(workspace, [*second, first[0]], 1_700_000_100)
    night(workspace)
    assert differences(comparable(workspace), fresh(workspace, tmp_path / "fresh")) == {}


@pytest.mark.slow
@settings(max_examples=6)
@given(nights=st.lists(st.integers(0, 3), min_size=15, max_size=15), seed=st.integers(0, 999))
def test_any_split_into_nights_in_any_order_with_repeats_gives_one_runs_tables(
    nights: list[int], seed: int, at_once: dict, tmp_path_factory: pytest.TempPathFactory
) -> None:
    assert differences(_in_nights(tmp_path_factory.mktemp("split"), nights, seed), at_once) == {}


@pytest.mark.long
@settings(max_examples=20)
@given(nights=st.lists(st.integers(0, 6), min_size=15, max_size=15), seed=st.integers(0, 999))
def test_any_split_into_more_nights_gives_one_runs_tables(
    nights: list[int], seed: int, at_once: dict, tmp_path_factory: pytest.TempPathFactory
) -> None:
    assert differences(_in_nights(tmp_path_factory.mktemp("split"), nights, seed), at_once) == {}


@pytest.mark.long
@pytest.mark.parametrize("seed", range(10))
def test_any_split_of_the_complete_demo_gives_one_runs_tables(seed: int, workspace: Path, tmp_path: Path) -> None:
    chance = random.Random(seed)
    paths = demo_exports()
    chance.shuffle(paths)
    count = chance.randrange(2, 9)
    for number in range(count):
        deliver(workspace, paths[number::count], 1_700_000_000 + chance.randrange(10**6))
        night(workspace)
    assert differences(comparable(workspace), fresh(workspace, tmp_path / "fresh")) == {}


@pytest.mark.slow
def test_an_id_of_the_first_night_is_still_resolved_after_a_late_file(workspace: Path) -> None:
    paths = demo_exports(*DAYS)
    late = [path for path in paths if "stadium_radar" in str(path)]
    deliver(workspace, [path for path in paths if path not in late])
    night(workspace)
    before = published(workspace)["pitches"]
    deliver(workspace, late)
    night(workspace)
    after = published(workspace)
    aliases = dict(after["pitch_aliases"].select("old_pitch_id", "pitch_id").iter_rows())
    now = set(after["pitches"].get_column("pitch_id"))
    led = [aliases.get(pitch, pitch) for pitch in before.get_column("pitch_id")]
    assert [pitch for pitch in led if pitch is not None and pitch not in now] == []
    # The radar ranks first, so pitches that it saw are named after its sighting: ids did change.
    assert len(set(before.get_column("pitch_id")) - now) > 100


@pytest.mark.slow
@pytest.mark.parametrize("days", [DAYS[:1], pytest.param(DAYS, marks=pytest.mark.slow)])
def test_a_tracker_that_saw_nothing_changes_no_pitch(days: tuple[str, ...], workspace: Path) -> None:
    deliver(workspace, demo_exports(*days))
    night(workspace)
    before = comparable(workspace)["pitches"]
    ledger = workspace / "ledger.toml"
    more = '\n[[tracker]]\nid = "new_unit"\nprofile = "pen_unit"\nvenue = "heron_park"\nstations = ["pen_north"]\nrank = 9\n'
    ledger.write_text(ledger.read_text() + more)
    night(workspace, rebuild=True)
    assert comparable(workspace)["pitches"].equals(before)
    shutil.rmtree(workspace / "warehouse")
    night(workspace)
    assert comparable(workspace)["pitches"].equals(before)
