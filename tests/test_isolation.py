"""Reader processes: whatever a file does to its reader costs that file alone."""

import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipeline.exports import isolation
from pipeline.exports.isolation import READER_BYTES, isolated, isolated_calls, start_reader, stop_readers
from pipeline.exports.readers import UnreadableExport, read_export
from tests.exports import profile_of
from tests.hostile_files import CSV, FILES, PITCHER, long_name, profile_for

_calls = 0


def _double(number: int) -> int:
    return 2 * number


def _act(deed: str) -> str:
    """Do what a hostile file makes a reader do."""
    global _calls
    _calls += 1
    match deed:
        case "abort":
            print("memory of the parser is damaged", file=sys.stderr, flush=True)
            os.abort()
        case "exit":
            os._exit(7)
        case "fill":
            return str(len(bytearray(READER_BYTES)))
        case "be killed":
            os.kill(os.getpid(), signal.SIGKILL)
        case "loop":
            used = resource.getrusage(resource.RUSAGE_SELF)
            resource.setrlimit(resource.RLIMIT_CPU, (int(used.ru_utime + used.ru_stime) + 1, -1))
            while True:
                pass
        case "sleep":
            time.sleep(60)
        case "fail":
            raise ZeroDivisionError("a fault\nof ours")
        case "refuse":
            raise UnreadableExport("no table", "export it again", 12)
        case "print":
            print("a library's line")
        case "leak" if _calls > 1:
            raise MemoryError
    return f"{deed} done"


@pytest.mark.parametrize(
    ("deed", "reason"),
    [
        ("abort", r"crashes its reader \(SIGABRT\): memory of the parser is damaged"),
        pytest.param("exit", r"crashes its reader \(exit code 7\)", marks=pytest.mark.slow),
        pytest.param("fill", "more than 3 GB of memory", marks=pytest.mark.slow),
        pytest.param("be killed", "more than 3 GB of memory", marks=pytest.mark.slow),
        pytest.param("loop", "more than 5 minutes", marks=pytest.mark.slow),
        pytest.param("fail", "a fault of the program .* ZeroDivisionError: a fault�of ours", marks=pytest.mark.slow),
    ],
)
def test_what_ends_a_reader_refuses_its_file_and_no_other(deed: str, reason: str) -> None:
    outcomes = list(isolated_calls(_act, [("read",), (deed,), ("read",)]))
    assert outcomes[0] == outcomes[2] == "read done"
    with pytest.raises(UnreadableExport, match=reason):
        raise outcomes[1]  # type: ignore[misc]


@pytest.mark.slow
def test_a_reader_that_hangs_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(isolation, "READER_WAIT_S", 2.0)
    with pytest.raises(UnreadableExport, match="more than 5 minutes"):
        isolated(_act, "sleep")


def test_a_refusal_and_printed_lines_come_through_as_they_are() -> None:
    with pytest.raises(UnreadableExport, match="no table") as refusal:
        isolated(_act, "refuse")
    assert refusal.value.rows == 12
    assert isolated(_act, "print") == "print done"


@pytest.mark.slow
def test_a_failure_in_a_used_process_is_tried_again_in_a_new_one() -> None:
    assert isolated(_act, "read") == "read done"
    assert isolated(_act, "leak") == "leak done"


@pytest.mark.slow
def test_outcomes_come_in_the_order_of_the_calls_from_several_processes() -> None:
    assert list(isolated_calls(_double, [(number,) for number in range(60)])) == list(range(0, 120, 2))


@pytest.mark.slow
def test_memory_that_the_account_lacks_is_no_fault_of_the_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(isolation, "address_space", lambda: READER_BYTES // 2)
    with pytest.raises(isolation.ReaderStartError, match=r"may use 1.5 GB.*ulimit"):
        isolated(_act, "be killed")


@pytest.mark.slow
def test_a_reader_that_cannot_start_is_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    stop_readers()
    monkeypatch.setattr(isolation, "_SERVE", "raise SystemExit('no room')")
    with pytest.raises(isolation.ReaderStartError, match=r"exit code 1\): no room"):
        isolated(_act, "read")


@pytest.mark.slow
def test_a_reader_ends_with_the_process_that_started_it() -> None:
    code = "from pipeline.exports.isolation import *; start_reader(); import os, pipeline.exports.isolation as i; print(i._idle[0]._process.pid, flush=True); os.abort()"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    stat = Path("/proc", done.stdout.strip(), "stat")
    until = time.monotonic() + 60
    # where nothing collects its exit code, it stays in the list as a zombie
    while stat.exists() and stat.read_text().split()[2] != "Z":
        assert time.monotonic() < until, "the reader process is still there"
        time.sleep(0.1)


@pytest.mark.slow
def test_start_reader_starts_one_process_only() -> None:
    stop_readers()
    start_reader()
    start_reader()
    assert len(isolation._idle) == 1


def test_a_long_name_costs_its_rows_and_a_quote_of_it_is_short(tmp_path: Path) -> None:
    path = tmp_path / "long_name.csv"
    path.write_bytes(b"\n".join(long_name().split(b"\n")[:5]))
    raw = read_export(path, profile_of(tmp_path, CSV, PITCHER))
    assert (raw.rows_read, raw.cells.height, raw.problems.height) == (4, 1, 3)
    assert raw.problems["reason"][0] == "'who' has 999,900 characters; 500 are allowed"
    assert raw.problems["value"].str.len_chars().to_list() == [200] * 3


@pytest.mark.slow
@pytest.mark.parametrize("name", FILES)
def test_a_small_file_that_unpacks_to_more_than_a_machine_holds_is_refused(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(FILES[name][2]())
    with pytest.raises(UnreadableExport, match=FILES[name][3]):
        isolated(read_export, path, profile_for(name, tmp_path))
