"""The built wheel works by itself: installed in an empty environment, run from an unrelated folder. No outside source: README.md promises it."""

import os
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import polars as pl
import pytest

from tests.conftest import PROJECT

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program `pitchledger` of an environment that holds the wheel and its dependencies, but not this checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", str(folder)]
    subprocess.run(build, cwd=PROJECT, check=True, capture_output=True)
    (wheel,) = folder.glob("*.whl")
    venv.create(folder / "env", with_pip=True)
    programs = folder / "env" / ("Scripts" if os.name == "nt" else "bin")
    pip = [programs / "python", "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", wheel]
    subprocess.run(pip, check=True, capture_output=True)
    # the dependencies of this environment; a path in a .pth file does not pull in that folder's own .pth files, so not this checkout
    (packages,) = (folder / "env").rglob("site-packages")
    (packages / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n", "utf-8")
    return programs / "pitchledger"


def run(program: Path, *words: str | Path, cwd: Path) -> str:
    done = subprocess.run([program, *words], cwd=cwd, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_installed_wheel_runs_the_demo_from_an_unrelated_folder(installed: Path, tmp_path: Path) -> None:
    run(installed, "demo", "here", cwd=tmp_path)
    answer = run(installed, "query", "-w", "here", "select count(*) as n from pitches", "--format", "csv", cwd=tmp_path)
    truth = pl.read_parquet(PROJECT / "demo_inputs" / "truth" / "truth_pitches.parquet").height
    assert int(answer.split()[1]) == pytest.approx(truth, rel=0.01)
    python = installed.with_name("python")
    where = subprocess.run(
        [python, "-c", "import pipeline; print(pipeline.__file__)"], cwd=tmp_path, capture_output=True, text=True
    )
    assert Path(where.stdout.strip()).is_relative_to(installed.parents[1])
    assert not (tmp_path / "here" / "truth").exists()


def test_the_installed_wheel_creates_a_workspace_that_passes_check(installed: Path, tmp_path: Path) -> None:
    run(installed, "init", "my_program", cwd=tmp_path)
    assert "All settings are valid." in run(installed, "check", "-w", "my_program", cwd=tmp_path)
