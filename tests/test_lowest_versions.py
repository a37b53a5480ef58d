"""The suite's core on the lowest dependency versions that pyproject.toml allows, in an environment of their own."""

import os
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest

from tests.conftest import PROJECT

# every stage from cells to published tables, without the tools for development
CORE = ("readers", "mapping", "metric_mapping", "players", "reconciling", "publishing", "laws")
TEST_TOOLS = ("hypothesis", "pytest", "xlsxwriter")


@pytest.mark.slow
def test_the_core_passes_on_the_lowest_allowed_versions(tmp_path: Path) -> None:
    uv = Path(sys.executable).with_name("uv")
    python = tmp_path / "lowest" / ("Scripts" if os.name == "nt" else "bin") / "python"
    install = [uv, "pip", "install", "--quiet", "--python", python]
    subprocess.run([uv, "venv", "--quiet", "--python", sys.executable, tmp_path / "lowest"], check=True)
    installed = subprocess.run(
        [*install, "--resolution", "lowest-direct", "-r", PROJECT / "pyproject.toml"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if "error sending request" in installed.stderr:
        pytest.skip("no package registry can be reached")
    assert installed.returncode == 0, installed.stderr
    subprocess.run([*install, *(f"{name}=={version(name)}" for name in TEST_TOOLS)], check=True)
    files = [f"tests/test_{name}.py" for name in CORE]
    # an old version may warn about a Python that is newer than itself
    words = [python, "-m", "pytest", "-q", "-x", "-W", "default", "-p", "no:cacheprovider", *files]
    done = subprocess.run(words, cwd=PROJECT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-4_000:] + done.stderr[-2_000:]
