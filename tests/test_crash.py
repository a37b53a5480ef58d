"""Whatever ends a run, readers see one complete version, and the next run ends with the tables of an undisturbed run.

Runs are killed at random moments, at each step and at each point that matters, starved of disk and memory, and given errors by the disk
(disk_faults.c, compiled here and preloaded; it also sees what duckdb and polars write). The quick test takes two kills; the slow
ones each step and a dozen positions of a disk error; the long ones, hours on a small machine, everything:

    pytest tests/test_crash.py -m long

PITCHLEDGER_KILLS (200) and PITCHLEDGER_EVERY (1: every call to the disk is a position; 7: every seventh) make that shorter.
"""

import contextlib
import errno
import hashlib
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import NamedTuple

import duckdb
import polars as pl
import pytest

from pipeline.exports.archive import ARCHIVE, kept_export
from pipeline.warehouse.lock import run_lock
from pipeline.warehouse.query import open_published
from pipeline.warehouse.versions import LINKED, Version, current_version, list_versions
from tests.conftest import PROJECT
from tests.killed_run import FAIL_FROM, FAIL_ONCE, Deed, Ended, Nursery, Order
from tests.nights import comparable, deliver, demo_exports, differences, empty_workspace, fresh, night

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="forks, limits and preloaded calls as Linux has them")

HERE = Path(__file__).parent
KEPT = 2
KILLS = int(os.environ.get("PITCHLEDGER_KILLS", "200"))
EVERY = int(os.environ.get("PITCHLEDGER_EVERY", "1"))
STAGES = ("first", "night", "rebuild")
ERRNOS = (errno.ENOSPC, errno.EIO)


class Stage(NamedTuple):
    """A workspace just before a run, and the tables that the run has to end with."""

    name: str
    workspace: Path
    tables: dict[str, pl.DataFrame]

    @property
    def rebuild(self) -> bool:
        return self.name == "rebuild"

    def copy(self, folder: Path) -> Path:
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(self.workspace, folder, symlinks=True)
        return folder


@pytest.fixture(scope="module")
def stages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Stage]:
    """Two days of the demo. The history has a version with an export that was corrected, so that the next run deletes its copy."""
    root = tmp_path_factory.mktemp("stages").resolve()
    first = empty_workspace(root / "first")
    ledger = first / "ledger.toml"
    ledger.write_text(ledger.read_text().replace("keep_versions = 3", f"keep_versions = {KEPT}"))
    deliver(first, demo_exports("2026-10-12"))
    tonight = root / "night"
    shutil.copytree(first, tonight)
    export = next((tonight / "inbox" / "pen_unit").rglob("*1527*"))
    right = export.read_bytes()
    export.write_bytes(b"".join(right.splitlines(keepends=True)[:-9]))
    night(tonight)
    export.write_bytes(right)
    os.utime(export, (1_700_000_000, 1_700_000_000))
    night(tonight)
    after_first = comparable(tonight)
    deliver(tonight, demo_exports("2026-10-13"))
    shutil.copytree(tonight, root / "rebuild", symlinks=True)
    night(root / "rebuild")
    after_night = fresh(tonight, root / "fresh")
    return {
        "first": Stage("first", first, after_first),
        "night": Stage("night", tonight, after_night),
        "rebuild": Stage("rebuild", root / "rebuild", after_night),
    }


@pytest.fixture(scope="module")
def faulty_disk(tmp_path_factory: pytest.TempPathFactory) -> Path | None:
    """disk_faults.c, compiled; None where there is no compiler."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        return None
    made = tmp_path_factory.mktemp("disk") / "disk_faults.so"
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", made, HERE / "disk_faults.c", "-ldl"], check=True)
    return made


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory, faulty_disk: Path | None) -> Iterator[Nursery]:
    made = Nursery(tmp_path_factory.mktemp("runs"), faulty_disk)
    yield made
    made.close()


@pytest.fixture
def lying(nursery: Nursery, faulty_disk: Path | None) -> Nursery:
    """Return the nursery with a disk that can be made to fail."""
    if faulty_disk is None:
        pytest.skip("no C compiler here: calls to the disk can't be made to fail below duckdb and polars")
    return nursery


# ---- checks ----------------------------------------------------------------------------------------------------------------------------


def seen_by_readers(workspace: Path) -> str | None:
    """Return the version that readers find, checked to be complete; None where nothing is published, not even partly."""
    output = workspace / "warehouse"
    if not (output / "current").exists():
        assert not (output / "current").is_symlink()
        assert not [name for name in LINKED if (output / name).exists()]
        return None
    manifest = json.loads((output / "manifest.json").read_text())
    for entry in manifest["files"]:
        content = (output / entry["path"]).read_bytes()
        assert (len(content), hashlib.sha256(content).hexdigest()) == (entry["bytes"], entry["sha256"]), entry["path"]
    for connect in (
        lambda: duckdb.connect(str(output / "pitchledger.duckdb"), read_only=True),
        lambda: open_published(output),
    ):
        with contextlib.closing(connect()) as con:
            assert con.execute("select version from warehouse_version").fetchone() == (manifest["version"],)
            for name in ("pitches", "sightings", "files", "runs"):
                (rows,) = con.execute(f"select count(*) from {name}").fetchone()
                assert rows == manifest["tables"][name]["rows"]
    assert current_version(output) == manifest["version"]
    return str(manifest["version"])


def assert_recovers(workspace: Path, stage: Stage) -> None:
    """Check that an ordinary run ends with an undisturbed run's tables and leaves no partial files."""
    output = workspace / "warehouse"
    with run_lock(output):
        night(workspace)
    assert seen_by_readers(workspace) is not None
    assert differences(comparable(workspace), stage.tables) == {}
    left = [path.relative_to(output).as_posix() for path in output.rglob("*") if _is_half_done(path)]
    assert left == []
    assert len(list_versions(output)) <= KEPT
    assert {path.stem for path in (output / ARCHIVE).glob("*/*")} == _hashes(output)
    assert [sha256 for sha256 in _hashes(output) if kept_export(output, sha256) is None] == []


def _is_half_done(path: Path) -> bool:
    name = path.name
    return name.startswith(".half-") or name.endswith((".new", "-new", ".wal", ".spill")) or name == ".run.txt"


def _hashes(output: Path) -> set[str]:
    """Return the hashes of all exports that the kept versions were made from."""
    parts = [
        Version(output, version).folder / "parquet" / "files" / "files.parquet" for version in list_versions(output)
    ]
    return set(pl.concat(pl.read_parquet(part, columns=["sha256"]) for part in parts).get_column("sha256").to_list())


class Trial:
    """Faults in copies of a stage, `chain` of them on one copy before an ordinary run has to recover it."""

    def __init__(self, stage: Stage, folder: Path, chain: int) -> None:
        self.stage, self.chain = stage, chain
        self._folder, self._done = folder, 0
        self.workspace = stage.copy(folder)

    def harm(self, do: Callable[[Path], Ended], word: str) -> Ended:
        """Apply a fault; readers must see the version before it or the complete new one."""
        before = seen_by_readers(self.workspace)
        ended = do(self.workspace)
        after = seen_by_readers(self.workspace)
        assert after is not None or before is None, word
        if after != before:
            assert differences(comparable(self.workspace), self.stage.tables) == {}, word
        self._done += 1
        if self._done % self.chain == 0:
            self.recover(word)
        return ended

    def recover(self, word: str) -> None:
        if self._done == 0:
            return
        try:
            assert_recovers(self.workspace, self.stage)
        except BaseException as fault:
            fault.add_note(f"after: {word}")
            raise
        self._done = 0
        self.workspace = self.stage.copy(self._folder)


# ---- killed ----------------------------------------------------------------------------------------------------------------------------


def _kill_at_random(stages: list[Stage], nursery: Nursery, folder: Path, kills: int, chain: int) -> None:
    chance = random.Random(20261125)
    died = 0
    for place, stage in enumerate(stages):
        trial = Trial(stage, folder / "w", chain)
        order = Order(str(folder / "w"), rebuild=stage.rebuild)
        length = nursery.run(order).seconds
        trial.workspace = stage.copy(folder / "w")
        share = kills // len(stages) + (place < kills % len(stages))
        for number in range(share):
            # One kill in each equal share of the run, so that no part is left out.
            after = length * (number + chance.random()) / share
            kill = partial(_killed, nursery, order, after)
            ended = trial.harm(kill, f"{stage.name} killed after {after:.3f} s")
            died += ended.was_killed
        trial.recover(f"{stage.name}, the last kills")
    # The machine may have been slow when the length was measured, but most kills must have hit a run.
    assert died >= kills * 0.6


def _killed(nursery: Nursery, order: Order, after_s: float | None, _workspace: Path) -> Ended:
    return nursery.run(order, after_s)


@pytest.mark.slow
def test_a_run_killed_at_random_moments_leaves_a_version_and_the_next_recovers(
    stages: dict[str, Stage], nursery: Nursery, tmp_path: Path
) -> None:
    # Each on a separate copy: after a completed run, nothing is left to kill.
    _kill_at_random([stages[name] for name in STAGES], nursery, tmp_path, 8, 1)


@pytest.mark.long
def test_200_kills_at_random_moments_each_leave_a_version_and_the_next_run_recovers(
    stages: dict[str, Stage], nursery: Nursery, tmp_path: Path
) -> None:
    _kill_at_random([stages[name] for name in STAGES], nursery, tmp_path, KILLS, 1)


# (within, at, when, count), see killed_run.Order: points before the link moves, and points after it, when readers see the new version
BEFORE = [
    ("keep_export", "fsync", "end", 1),  # a copy of an export is written, but not renamed
    ("", "keep_export", "end", 2),
    *(("", f"progress:{step}", when, 1) for step in ("read", "match", "agree") for when in ("begin", "end")),
    ("", "progress:publish", "begin", 1),
    ("update_warehouse", "_where_nights", "end", 9),  # in the transaction
    ("update_warehouse", "_load", "end", 1),
    ("update_warehouse", "check_laws", "end", 1),
    ("", "update_warehouse", "end", 1),
    ("_write_version", "write_table_files", "end", 5),
    ("write_history", "write_parquet", "end", 3),
    ("", "write_history", "end", 1),
    ("", "_manifest", "end", 1),
    ("", "_make_durable", "end", 1),
    ("", "_write_version", "end", 1),  # complete, and no reader sees it
    ("point_to", "symlink_to", "end", 1),  # the temporary link exists
]
AFTER = [
    ("", "_point_by_links", "end", 1),
    ("", "point_to", "end", 1),
    ("prune_versions", "replace", "end", 1),  # an old version is hidden
    ("", "prune_versions", "end", 1),
    ("clear_archive", "unlink", "end", 1),
    ("", "clear_archive", "end", 1),
    ("", "progress:publish", "end", 1),
    ("record_attempt", "fsync", "end", 1),
    ("", "record_attempt", "end", 1),
    ("delete_pruned", "rmtree", "begin", 1),
    ("delete_pruned", "unlink", "end", 9),  # an old version is half deleted
    ("", "delete_pruned", "end", 1),
]
# its version is complete, and the link that readers follow does not point to it yet
UNSEEN = [("", "_write_version", "end", 1), ("point_to", "symlink_to", "end", 1), ("point_to", "symlink_to", "end", 5)]
# without points that only a run on top of earlier ones reaches, or only one that prunes a version
ANY_RUN = [*(point for point in (*BEFORE, *AFTER) if point[1].startswith("progress:")), *UNSEEN[:1]]


def test_every_kill_point_names_a_function_that_exists() -> None:
    """A point of a renamed function would never be reached; the slow tests would say so an hour later."""
    system = {"fsync", "symlink_to", "replace", "unlink", "rmtree", "write_parquet"}
    texts = [path.read_text("utf-8") for path in (PROJECT / "pipeline").rglob("*.py")]
    ours = {name for text in texts for name in re.findall(r"def (\w+)\(", text)}
    steps = {f"progress:{step}" for text in texts for step in re.findall(r"\w+\(\"(\w+)\", ", text)}
    named = {name for within, at, *_ in (*BEFORE, *AFTER, *UNSEEN) for name in (within, at)} - {""}
    assert named - system - ours - steps == set()


def _kill_at_points(
    stage: Stage, nursery: Nursery, folder: Path, points: list[tuple[str, str, str, int]], chain: int
) -> None:
    trial = Trial(stage, folder / "w", chain)
    for die in points:
        order = Order(str(folder / "w"), rebuild=stage.rebuild, die=die)
        ended = trial.harm(partial(_killed, nursery, order, None), f"{stage.name} killed at {die}")
        assert ended.code == -signal.SIGKILL, f"{die} was never come to: {ended.err}"
    trial.recover("the last points")


@pytest.mark.slow
def test_the_next_run_recovers_from_kills_before_and_after_publishing(
    stages: dict[str, Stage], nursery: Nursery, tmp_path: Path
) -> None:
    points = [("", "progress:publish", "begin", 1), ("", "progress:publish", "end", 1)]
    assert points[0] in BEFORE and points[1] in AFTER
    _kill_at_points(stages["night"], nursery, tmp_path, points, len(points))


@pytest.mark.slow
def test_the_next_run_recovers_from_runs_killed_at_each_step_in_turn(
    stages: dict[str, Stage], nursery: Nursery, tmp_path: Path
) -> None:
    _kill_at_points(stages["night"], nursery, tmp_path, BEFORE, len(BEFORE))


@pytest.mark.slow
def test_the_next_run_recovers_from_a_run_killed_after_its_version_was_published(
    stages: dict[str, Stage], nursery: Nursery, tmp_path: Path
) -> None:
    _kill_at_points(stages["night"], nursery, tmp_path, AFTER, 1)


@pytest.mark.slow
def test_the_next_run_publishes_what_a_killed_first_run_had_written(
    stages: dict[str, Stage], nursery: Nursery, tmp_path: Path
) -> None:
    _kill_at_points(stages["first"], nursery, tmp_path, UNSEEN, 1)


@pytest.mark.long
@pytest.mark.parametrize("name", STAGES)
def test_the_next_run_recovers_from_each_single_kill_at_a_step_or_a_point(
    name: str, stages: dict[str, Stage], nursery: Nursery, tmp_path: Path
) -> None:
    _kill_at_points(stages[name], nursery, tmp_path, [*BEFORE, *AFTER] if name == "night" else ANY_RUN, 1)


# ---- disk errors ----------------------------------------------------------------------------------------------------------------------


def _calls(stage: Stage, nursery: Nursery, workspace: Path, number: int) -> int:
    """Return how many calls of a run change something on the disk."""
    ended = nursery.run(_run(stage.copy(workspace), stage, Deed(errno=number)))
    assert ended.code == 0, ended.err
    assert ended.calls > 300
    return ended.calls


def _run(workspace: Path, stage: Stage, deed: Deed) -> Order:
    return Order(str(workspace), ["run", "-w", str(workspace), *(["--rebuild"] if stage.rebuild else [])], deed=deed)


def _spread(calls: int, number: int) -> list[int]:
    """Return positions spread over a run, including its last calls, which rename, move the link and clean up."""
    late = [calls - 10, calls - 6, calls - 2]
    return sorted({1 + place * (calls - 12) // (number - len(late)) for place in range(number - len(late))} | set(late))


def _assert_told(ended: Ended, before: str | None, after: str | None, word: str) -> None:
    """Check for exit code 3 and one sentence, or 0 where only the clean-up after publishing failed."""
    assert ended.code in (0, 3), (word, ended)
    assert "Traceback" not in ended.err, (word, ended.err)
    said = [line for line in ended.err.splitlines() if line.startswith("pitchledger: ")]
    if ended.code == 0:
        assert after != before, (word, ended)
    else:
        assert len(said) == 1, (word, ended.err)
        assert after == before or f"version {after}" in said[0], (word, said)


def _fail_at(stage: Stage, nursery: Nursery, folder: Path, deeds: list[Deed], chain: int) -> None:
    trial = Trial(stage, folder / "w", chain)
    for deed in deeds:
        word = f"{stage.name}, {errno.errorcode[deed.errno]} at call {deed.at} ({deed})"
        before = seen_by_readers(trial.workspace)
        seen: list[str | None] = []

        def do(workspace: Path, deed: Deed = deed, seen: list[str | None] = seen) -> Ended:
            ended = nursery.run(_run(workspace, stage, deed))
            seen.append(seen_by_readers(workspace))
            return ended

        ended = trial.harm(do, word)
        # A run that was disturbed earlier on this copy may have published: then nothing is new.
        if chain == 1 or not ended.out.startswith("Nothing is new"):
            _assert_told(ended, before, seen[0], word)
    trial.recover("the last positions")


@pytest.mark.slow
@pytest.mark.parametrize("number", ERRNOS, ids=errno.errorcode.__getitem__)
def test_a_disk_error_fails_the_run_in_one_sentence_and_the_next_run_recovers(
    number: int, stages: dict[str, Stage], lying: Nursery, tmp_path: Path
) -> None:
    stage = stages["night"]
    positions = _spread(_calls(stage, lying, tmp_path / "w", number), 12)
    deeds = [Deed(at, FAIL_ONCE, number, half_first=place % 2 == 1) for place, at in enumerate(positions)]
    _fail_at(stage, lying, tmp_path, deeds, 4)


@pytest.mark.long
@pytest.mark.parametrize("name", STAGES)
@pytest.mark.parametrize("number", ERRNOS, ids=errno.errorcode.__getitem__)
def test_a_disk_error_at_any_call_fails_the_run_and_the_next_run_recovers(
    number: int, name: str, stages: dict[str, Stage], lying: Nursery, tmp_path: Path
) -> None:
    stage = stages[name]
    calls = _calls(stage, lying, tmp_path / "w", number)
    deeds = [Deed(at, FAIL_ONCE, number, half_first=at % 2 == 1) for at in range(1, calls + 1, EVERY)]
    _fail_at(stage, lying, tmp_path, deeds, 1)


@pytest.mark.long
@pytest.mark.parametrize("number", ERRNOS, ids=errno.errorcode.__getitem__)
def test_a_disk_that_stays_full_or_broken_fails_the_run_and_a_later_run_recovers(
    number: int, stages: dict[str, Stage], lying: Nursery, tmp_path: Path
) -> None:
    stage = stages["night"]
    positions = _spread(_calls(stage, lying, tmp_path / "w", number), max(40 // EVERY, 8))
    _fail_at(stage, lying, tmp_path, [Deed(at, FAIL_FROM, number) for at in positions], 1)


@pytest.mark.parametrize(
    "sizes",
    [
        pytest.param((20_000, 400_000), marks=pytest.mark.slow),
        pytest.param(tuple(range(10_000, 900_000, 50_000)), marks=pytest.mark.long),
    ],
)
def test_a_file_size_limit_fails_the_run_in_one_sentence(
    sizes: tuple[int, ...], stages: dict[str, Stage], nursery: Nursery, tmp_path: Path
) -> None:
    """POSIX: a write beyond RLIMIT_FSIZE gives EFBIG where SIGXFSZ is ignored. Needs no compiler."""
    trial = Trial(stages["night"], tmp_path / "w", len(sizes))
    for size in sizes:
        order = Order(str(tmp_path / "w"), ["run", "-w", str(tmp_path / "w")], limits={"FSIZE": size})
        ended = trial.harm(partial(_killed, nursery, order, None), f"files of at most {size} bytes")
        assert ended.code == 3, (size, ended)
        _assert_told(ended, "", "", f"{size} bytes")
    trial.recover("limits")


# ---- out of memory ---------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "spare_mb",
    [
        pytest.param((20, 200), marks=pytest.mark.slow),
        pytest.param((0, 10, 40, 80, 120, 160, 250, 300, 400, 600), marks=pytest.mark.long),
    ],
)
def test_a_run_without_memory_fails_or_dies_and_breaks_nothing(
    spare_mb: tuple[int, ...], stages: dict[str, Stage], nursery: Nursery, tmp_path: Path
) -> None:
    """Polars may wait forever where memory ran out: such a run is ended at its time limit."""
    trial = Trial(stages["night"], tmp_path / "w", len(spare_mb))
    with (tmp_path / "w" / "ledger.toml").open("a", encoding="utf-8") as ledger:
        ledger.write("\n[run]\nat_most_h = 0.008\n")  # half a minute, many times what it takes
    codes = []
    for spare in spare_mb:
        order = Order(str(tmp_path / "w"), ["run", "-w", str(tmp_path / "w")], limits={"AS": spare * 2**20})
        ended = trial.harm(partial(_killed, nursery, order, None), f"{spare} MB to spare")
        assert ended.code in (0, 3) or ended.was_killed, (spare, ended)
        codes.append(ended.code)
    assert codes[0] != 0
    trial.recover("too little memory")


# ---- readers ---------------------------------------------------------------------------------------------------------------------------

_READER = """
import json, sys
from pathlib import Path

import duckdb
import polars as pl

output, stop = Path(sys.argv[1]), Path(sys.argv[2])
seen = []
while not stop.exists() or not seen:
    with duckdb.connect(str(output / "pitchledger.duckdb"), read_only=True) as con:
        version, run = con.execute("select version, (select max(run_id) from runs) from warehouse_version").fetchone()
        counts = con.execute("select (select sum(sightings) from files), (select count(*) from sightings)").fetchone()
    manifest = json.loads((output / "manifest.json").read_text())
    tables = {
        name: pl.read_parquet([output / file for file in table["files"]], hive_partitioning=False)
        for name, table in manifest["tables"].items()
    }
    assert {name: frame.height for name, frame in tables.items()} == {
        name: table["rows"] for name, table in manifest["tables"].items()
    }
    assert tables["warehouse_version"]["version"].to_list() == [manifest["version"]] and run == version
    assert counts[0] == counts[1] and tables["files"]["sightings"].sum() == tables["sightings"].height
    seen += [version, manifest["version"]]
    print(len(seen), flush=True)
print(json.dumps(seen))
"""


@pytest.mark.parametrize("runs", [pytest.param(3, marks=pytest.mark.slow), pytest.param(50, marks=pytest.mark.long)])
def test_a_reader_in_a_loop_sees_complete_versions_only_and_never_an_error(
    runs: int, stages: dict[str, Stage], nursery: Nursery, tmp_path: Path
) -> None:
    """Read like analysts' clients and other tools: the database by its name, Parquet files by the manifest. POSIX; Windows has copies."""
    workspace = stages["night"].copy(tmp_path / "w")
    export = next((workspace / "inbox" / "pen_unit").rglob("*1527*"))
    lines = export.read_bytes().splitlines(keepends=True)
    words = [sys.executable, "-W", "error", "-c", _READER, str(workspace / "warehouse"), str(tmp_path / "stop")]
    published = []
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as reader:
        assert reader.stdout and reader.stdout.readline()
        for number in range(1, runs + 1):
            export.write_bytes(b"".join(lines[: -(number % 4) - 1]))
            ended = nursery.run(Order(str(workspace), ["run", "-w", str(workspace)]))
            assert ended.code == 0, ended.err
            published.append(current_version(workspace / "warehouse"))
        (tmp_path / "stop").touch()
        out, err = reader.communicate(timeout=120)
    assert (reader.returncode, err) == (0, "")
    seen = json.loads(out.splitlines()[-1])
    assert len(set(published)) == runs
    assert seen == sorted(seen) and set(seen[2:]) <= {*published, seen[0]}
    assert len(set(seen)) > runs / 3
