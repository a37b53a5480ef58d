import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import settings

# the machine may be busy: a slow example is no failure
settings.register_profile("suite", deadline=None)
settings.load_profile("suite")

PROJECT = Path(__file__).parents[1]
PITCHLEDGER = Path(sys.executable).with_name("pitchledger")


def command(*words: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run pitchledger as a person would."""
    return subprocess.run([PITCHLEDGER, *map(str, words)], cwd=cwd, capture_output=True, text=True, check=False)


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's workspace after its first run; tests only read it."""
    folder = tmp_path_factory.mktemp("demo") / "demo_workspace"
    done = command("demo", folder)
    assert done.returncode == 0, done.stderr
    (folder / "summary.txt").write_text(done.stdout)
    return folder


@pytest.fixture
def demo_inputs(tmp_path: Path) -> Path:
    """A fresh copy of the demo's inputs, to change at will."""
    folder = tmp_path / "workspace"
    shutil.copytree(PROJECT / "demo_inputs", folder, ignore=shutil.ignore_patterns("truth", "warehouse"))
    return folder


@pytest.fixture(autouse=True)
def exports_settle_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tests write an export and run in the same breath; what is still growing has tests of its own."""
    monkeypatch.setattr("pipeline.exports.inbox.SETTLE_S", 0.0)
