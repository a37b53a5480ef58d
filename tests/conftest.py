"""What all tests share: the command line in this process, the demo after its first run, and Hypothesis's settings."""

import contextlib
import io
import logging
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from hashlib import sha256
from pathlib import Path
from unittest import mock

import pytest
from filelock import FileLock
from hypothesis import settings

from pipeline.cli import main
from pipeline.reports.attention import Need, find_needs
from pipeline.warehouse import database
from pipeline.warehouse.query import published_connection

# the machine may be busy: a slow example is not a failure
settings.register_profile("slow", deadline=None)
settings.register_profile("quick", deadline=None, max_examples=20)

# these files take longest, so they start first and no worker is left with one of them at the end
LONGEST = (
    "nights",
    "crash",
    "cli",
    "lowest_versions",
    "publishing",
    "schedule",
    "notifying",
    "matching_nights",
    "matching",
    "docs",
    "wheel",
    "hostile",
    "laws",
    "agreement",
    "warehouse",
    "agreement_page",
    "review",
    "matching_steps",
    "sharing",
    "draft",
)
PROJECT = Path(__file__).parents[1]
PITCHLEDGER = Path(sys.executable).with_name("pitchledger")


def command(*words: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run pitchledger in this process, through the function that the installed program starts."""
    arguments = [str(PITCHLEDGER), *map(str, words)]
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", newline="", write_through=True) for _ in range(2))
    root = logging.getLogger()
    level = root.level
    try:
        with (
            contextlib.chdir(cwd or Path.cwd()),
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            mock.patch.object(sys, "argv", arguments),
            # main() sets up logging, which pytest has already done for itself
            mock.patch.object(root, "handlers", []),
            pytest.raises(SystemExit) as exited,
        ):
            main()
    finally:
        root.setLevel(level)
    return subprocess.CompletedProcess(arguments, exited.value.code, _text(out), _text(err))


def process(*words: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the installed program as a shell would; costs one to two seconds more than `command`."""
    return subprocess.run([PITCHLEDGER, *map(str, words)], cwd=cwd, capture_output=True, text=True, check=False)


def published_needs(output: Path) -> list[Need]:
    """Return what needs attention in the published version."""
    with published_connection(output) as con:
        return find_needs(con, output)


def make_once(tmp_path_factory: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """Return the folder that `make` filled; the first worker that asks makes it, the others wait and share it."""
    root = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        root = root.parent
    folder = root / name
    with FileLock(root / f"{name}.lock"):
        if not (root / f"{name}.done").exists():
            make(folder)
            (root / f"{name}.done").touch()
    return folder


def pytest_configure(config: pytest.Config) -> None:
    """Choose how many examples a property test takes: few in the quick part, all in any other."""
    settings.load_profile("quick" if "not slow" in config.option.markexpr else "slow")


def examples(number: int) -> int:
    """Return `number` for a property test's max_examples in the slow part, and a fifth of it in the quick part."""
    is_quick = settings.get_current_profile_name() == "quick"
    return max(2, number // 5) if is_quick else number


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first, and run property tests in the slow part too, with all their examples.

    Coverage makes Python code a third slower. So it is measured on the first case of each slow test, and not on its other cases and on
    kill points, which take the same lines with more inputs.
    """
    rank = {f"test_{name}.py": place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda item: rank.get(item.path.name, len(rank)))
    if settings.get_current_profile_name() == "quick":
        return
    measured: set[str] = set()
    for item in items:
        if getattr(getattr(item, "obj", None), "is_hypothesis_test", False):
            item.add_marker(pytest.mark.slow)
        test = item.nodeid.partition("[")[0]
        if test in measured or item.path.name == "test_crash.py":
            item.add_marker(pytest.mark.no_cover)
        elif item.get_closest_marker("slow"):
            measured.add(test)


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's workspace after its first run, shared by all workers; tests only read it."""
    return make_once(tmp_path_factory, "demo_workspace", _run_demo)


@pytest.fixture
def demo_inputs(tmp_path: Path) -> Path:
    """A fresh copy of the demo's inputs, to change at will."""
    folder = tmp_path / "workspace"
    shutil.copytree(PROJECT / "demo_inputs", folder, ignore=shutil.ignore_patterns("truth", "warehouse"))
    return folder


@pytest.fixture(scope="session")
def new_program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What `pitchledger init` makes; tests only read it."""
    folder = tmp_path_factory.mktemp("new") / "program"
    done = command("init", folder)
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture(scope="session")
def published_program(new_program: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What `pitchledger init` makes, after its first run: four pitches of one tracker; tests only read it."""
    folder = tmp_path_factory.mktemp("published") / "program"
    shutil.copytree(new_program, folder)
    done = command("run", "-w", folder)
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture(scope="session", autouse=True)
def empty_warehouses_are_copied(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Make the warehouse without rows once for equal contracts and views: its comments cost half a second."""
    folder = tmp_path_factory.mktemp("empty_warehouses")
    make = database._make_empty

    def make_or_copy(statements: list[str], file: Path) -> None:
        kept = folder / sha256("\n".join(statements).encode()).hexdigest()
        if not kept.exists():
            make(statements, file)
            shutil.copyfile(file, kept)
        else:
            shutil.copyfile(kept, file)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(database, "_make_empty", make_or_copy)
        yield


@pytest.fixture(scope="session", autouse=True)
def disks_are_not_flushed() -> Iterator[None]:
    """Skip fsync in this process, which takes a third of a small run's time: no test here cuts the power."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("os.fsync", lambda _handle: None)
        yield


@pytest.fixture(autouse=True)
def exports_settle_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tests write an export and run in the same breath; exports that are still growing have tests of their own."""
    monkeypatch.setattr("pipeline.exports.inbox.SETTLE_S", 0.0)


def _text(stream: io.TextIOWrapper) -> str:
    assert isinstance(stream.buffer, io.BytesIO)
    return stream.buffer.getvalue().decode("utf-8")


def _run_demo(folder: Path) -> None:
    done = process("demo", folder)
    assert done.returncode == 0, done.stderr
    (folder / "summary.txt").write_text(done.stdout)
