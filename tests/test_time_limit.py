"""A run that stands still is ended, and one that something ended from outside is told. No outside source: what README.md promises."""

import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.reports.attention import find_needs
from pipeline.settings.ledger import load_ledger
from pipeline.settings.problems import SettingsProblems
from pipeline.warehouse.run_log import read_attempts
from tests.conftest import PROJECT, command
from tests.nights import DEMO

# the command line, with something that happens where the version would be published
RUN = """
import os, signal, sys, threading
import pipeline.night
from pipeline.cli import main

pipeline.night.publish = lambda *_: {deed}
sys.argv = ["pitchledger", "run", "-w", sys.argv[1]]
main()
"""
STANDS_STILL = "threading.Event().wait()"
IS_KILLED = "os.kill(os.getpid(), signal.SIGKILL)"


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    """The example, its first export published, and a second one new."""
    folder = tmp_path / "program"
    assert command("init", folder).returncode == 0
    assert command("run", "-w", folder).returncode == 0
    (export,) = (folder / "inbox" / "example_unit").iterdir()
    later = export.read_text("utf-8").replace("141.3", "140.1").replace("142.0", "139.2")
    export.with_name("unit_2026-02-04.csv").write_text(later, "utf-8")
    return folder


def run(workspace: Path, deed: str) -> subprocess.CompletedProcess[str]:
    words = [sys.executable, "-c", RUN.format(deed=deed), str(workspace)]
    return subprocess.run(words, cwd=PROJECT, capture_output=True, text=True, check=False, timeout=120)


def told(workspace: Path) -> list[str]:
    return [need.sentence for need in find_needs(workspace / "warehouse") if need.kind == "run"]


def outcomes(workspace: Path) -> list[str]:
    return [attempt.outcome for attempt in read_attempts(workspace / "warehouse")]


def test_a_run_that_stands_still_is_ended_and_told_and_keeps_nobody_out(workspace: Path) -> None:
    ledger = workspace / "ledger.toml"
    as_it_was = ledger.read_text("utf-8")
    limit = "at_most_h = 0.002"  # seven seconds
    ledger.write_text(
        f'{as_it_was}\n[run]\n{limit}\n\n[notify]\nurls_from = "PITCHLEDGER_NO_SUCH_VARIABLE"\nwhen = "failed"\n',
        "utf-8",
    )
    ended = run(workspace, STANDS_STILL)
    assert ended.returncode == 3
    assert "the run took longer than 0.002 h, so it was ended" in ended.stderr
    # who is to hear of failures hears of this one: here the address is missing
    assert "PITCHLEDGER_NO_SUCH_VARIABLE" in ended.stderr
    assert outcomes(workspace) == ["done", "failed"]
    (sentence,) = told(workspace)
    assert "took longer than 0.002 h" in sentence

    ledger.write_text(as_it_was, "utf-8")
    assert command("run", "-w", workspace).returncode == 0
    assert outcomes(workspace) == ["done", "failed", "done"] and told(workspace) == []


def test_a_run_that_stands_still_is_ended_even_if_nobody_can_be_told(workspace: Path) -> None:
    with (workspace / "ledger.toml").open("a", encoding="utf-8") as ledger:
        ledger.write("\n[run]\nat_most_h = 0.0005\n")
    deaf = "import pipeline.operations.watchdog as limit; limit.LONGEST_TELLING_S = 0.5; limit._tell = lambda _: threading.Event().wait()"
    words = [
        sys.executable,
        "-c",
        RUN.format(deed=STANDS_STILL).replace("sys.argv =", f"{deaf}\nsys.argv ="),
        str(workspace),
    ]
    assert subprocess.run(words, cwd=PROJECT, capture_output=True, check=False, timeout=120).returncode == 3
    assert outcomes(workspace) == ["done", "begun"]


def test_a_run_that_was_killed_is_named_until_another_has_run(workspace: Path) -> None:
    assert run(workspace, IS_KILLED).returncode == -9
    assert outcomes(workspace) == ["done", "begun"]
    (sentence,) = told(workspace)
    assert "not ended) is at work, or was ended from outside" in sentence
    strict = command("status", "--strict", "-w", workspace)
    assert strict.returncode == 1 and "not ended" in " ".join(strict.stdout.split())

    assert command("run", "-w", workspace).returncode == 0
    assert outcomes(workspace) == ["done", "begun", "done"] and told(workspace) == []


@pytest.mark.parametrize("hours", ["0", "-1", "nan", "inf", "1001", '"3"'])
def test_a_limit_that_is_none_is_refused(tmp_path: Path, hours: str) -> None:
    ledger = (DEMO / "ledger.toml").read_text("utf-8")
    (tmp_path / "ledger.toml").write_text(f"{ledger}\n[run]\nat_most_h = {hours}\n", "utf-8")
    with pytest.raises(SettingsProblems) as refused:
        load_ledger(tmp_path)
    assert "run.at_most_h" in str(refused.value)
