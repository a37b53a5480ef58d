"""What all tests share: the command line in this process, the demo after its first run, and Hypothesis's settings."""

import contextlib
import io
import logging
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from unittest import mock

import pytest
from filelock import FileLock
from hypothesis import settings

from pipeline.cli import main

# the machine may be busy: a slow example is not a failure
settings.register_profile("suite", deadline=None)
settings.load_profile("suite")

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
