"""A run that hangs is stopped, and a run that was killed is reported. No outside source: what README.md promises.

The quick tests stop a run that exists only in the run log; the slow ones hang or kill a real process.
"""

import os
import shutil
import subprocess
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.operations.watchdog import time_limit
from pipeline.settings.ledger import load_ledger
from pipeline.settings.problems import SettingsProblems
from pipeline.warehouse.run_log import read_attempts, record_begin
from tests.conftest import PROJECT, command, published_needs
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
HANGS = "threading.Event().wait()"
IS_KILLED = "os.kill(os.getpid(), signal.SIGKILL)"
NOTIFY = '[notify]\nurls_from = "PITCHLEDGER_NO_SUCH_VARIABLE"\nwhen = "failed"\n'


@pytest.fixture
def workspace(published_program: Path, tmp_path: Path) -> Path:
    """The example with its first export published and a second one new."""
    folder = tmp_path / "program"
    shutil.copytree(published_program, folder, symlinks=True)
    (export,) = (folder / "inbox" / "example_unit").iterdir()
    later = export.read_text("utf-8").replace("141.3", "140.1").replace("142.0", "139.2")
    export.with_name("unit_2026-02-04.csv").write_text(later, "utf-8")
    return folder


def run(workspace: Path, deed: str) -> subprocess.CompletedProcess[str]:
    words = [sys.executable, "-c", RUN.format(deed=deed), str(workspace)]
    return subprocess.run(words, cwd=PROJECT, capture_output=True, text=True, check=False, timeout=120)


def begin(workspace: Path) -> None:
    """Leave the line of a run that has begun and not ended."""
    output = workspace / "warehouse"
    record_begin(output, datetime.now(UTC))


def run_needs(workspace: Path) -> list[str]:
    return [need.problem for need in published_needs(workspace / "warehouse") if need.kind == "run"]


def outcomes(workspace: Path) -> list[str]:
    return [attempt.outcome for attempt in read_attempts(workspace / "warehouse")]


def test_a_run_at_its_time_limit_ends_with_3_and_is_reported(
    workspace: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    ledger = workspace / "ledger.toml"
    before = ledger.read_text("utf-8")
    ledger.write_text(f"{before}\n[run]\nat_most_h = 0.00001\n\n{NOTIFY}", "utf-8")
    begin(workspace)
    codes: list[int] = []
    ended = threading.Event()
    monkeypatch.setattr(os, "_exit", lambda code: (codes.append(code), ended.set()))
    with time_limit(load_ledger(workspace)):
        assert ended.wait(60)
    assert codes == [3]
    assert "The run took longer than 1e-05 h and was stopped" in caplog.text
    # people who asked for failures hear about this one: here the address is missing
    assert "PITCHLEDGER_NO_SUCH_VARIABLE" in caplog.text
    assert outcomes(workspace) == ["done", "failed"]
    (sentence,) = run_needs(workspace)
    assert "took longer than 1e-05 h" in sentence

    ledger.write_text(before, "utf-8")
    assert command("run", "-w", workspace).returncode == 0
    assert outcomes(workspace) == ["done", "failed", "done"] and run_needs(workspace) == []


def test_a_run_within_its_time_limit_is_not_ended(workspace: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    codes: list[int] = []
    monkeypatch.setattr(os, "_exit", codes.append)
    with time_limit(load_ledger(workspace)):
        pass
    assert codes == []


def test_a_run_that_did_not_end_is_named_until_another_has_run(workspace: Path) -> None:
    begin(workspace)
    check_that_the_open_run_is_named(workspace)


@pytest.mark.slow
def test_a_hung_run_is_ended_and_reported_and_blocks_no_later_run(workspace: Path) -> None:
    ledger = workspace / "ledger.toml"
    before = ledger.read_text("utf-8")
    # seven seconds
    ledger.write_text(f"{before}\n[run]\nat_most_h = 0.002\n\n{NOTIFY}", "utf-8")
    ended = run(workspace, HANGS)
    assert ended.returncode == 3
    assert "The run took longer than 0.002 h and was stopped" in ended.stderr
    assert "PITCHLEDGER_NO_SUCH_VARIABLE" in ended.stderr
    assert outcomes(workspace) == ["done", "failed"]
    (sentence,) = run_needs(workspace)
    assert "took longer than 0.002 h" in sentence

    ledger.write_text(before, "utf-8")
    assert command("run", "-w", workspace).returncode == 0
    assert outcomes(workspace) == ["done", "failed", "done"] and run_needs(workspace) == []


@pytest.mark.slow
def test_a_hung_run_is_ended_even_if_its_notification_hangs_too(workspace: Path) -> None:
    with (workspace / "ledger.toml").open("a", encoding="utf-8") as ledger:
        ledger.write("\n[run]\nat_most_h = 0.0005\n")
    deaf = "import pipeline.operations.watchdog as limit; limit.REPORT_TIMEOUT_S = 0.5; limit._report_timeout = lambda _: threading.Event().wait()"
    words = [
        sys.executable,
        "-c",
        RUN.format(deed=HANGS).replace("sys.argv =", f"{deaf}\nsys.argv ="),
        str(workspace),
    ]
    assert subprocess.run(words, cwd=PROJECT, capture_output=True, check=False, timeout=120).returncode == 3
    assert outcomes(workspace) == ["done", "begun"]


@pytest.mark.slow
def test_a_killed_run_is_named_until_another_has_run(workspace: Path) -> None:
    assert run(workspace, IS_KILLED).returncode == -9
    check_that_the_open_run_is_named(workspace)


def check_that_the_open_run_is_named(workspace: Path) -> None:
    assert outcomes(workspace) == ["done", "begun"]
    (sentence,) = run_needs(workspace)
    assert "not ended) is still running, or was stopped from outside" in sentence
    strict = command("status", "--strict", "-w", workspace)
    assert strict.returncode == 1 and "not ended" in " ".join(strict.stdout.split())

    assert command("run", "-w", workspace).returncode == 0
    assert outcomes(workspace) == ["done", "begun", "done"] and run_needs(workspace) == []


@pytest.mark.parametrize("hours", ["0", "-1", "nan", "inf", "1001", '"3"'])
def test_a_time_limit_that_is_not_a_sensible_number_is_refused(tmp_path: Path, hours: str) -> None:
    ledger = (DEMO / "ledger.toml").read_text("utf-8")
    (tmp_path / "ledger.toml").write_text(f"{ledger}\n[run]\nat_most_h = {hours}\n", "utf-8")
    with pytest.raises(SettingsProblems) as refused:
        load_ledger(tmp_path)
    assert "[run]: at_most_h" in str(refused.value)
