"""Runs in separate processes that are killed, starved of memory or given disk errors: the faults of tests/test_crash.py.

A `Nursery` is a process that has imported everything and forks a run for each order it is given, so that a run costs no imports. Linux only.
"""

import contextlib
import functools
import json
import os
import select
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any, NamedTuple
from unittest import mock

PROJECT = Path(__file__).parents[1]
# a run that takes longer hangs, which is an error itself
LONGEST_S = 120.0
COUNT, FAIL_ONCE, FAIL_FROM, KILL = 0, 1, 2, 3


class Deed(NamedTuple):
    """A disk fault: disk_faults.c applies it at the `at`-th call that changes something in the workspace's output folder."""

    at: int = 0
    what: int = COUNT
    errno: int = 0
    half_first: bool = False
    log: str = ""


class Order(NamedTuple):
    """A run to fork.

    `words`: the command line; empty: `run_and_record` alone in the output folder, which can be killed at a point of the program.
    `die`: (within, at, when, count): kill itself when `at` begins or ends for the count-th time while `within` runs ("" = anywhere);
    `at` may be "progress:<step>", `when` then begin or end of that step. `limits`: of the system, by name (AS, FSIZE), in bytes.
    `user`: a number of a user to become.
    """

    workspace: str
    words: list[str] = []  # noqa: RUF012 -- never changed
    rebuild: bool = False
    die: tuple[str, str, str, int] | None = None
    deed: Deed | None = None
    limits: dict[str, int] = {}  # noqa: RUF012
    user: int = 0


# glibc, elf/dl-minimal and dl-tls: _dl_fatal_printf ends the process by _exit(127)
LOADER_GAVE_UP = 127


class Ended(NamedTuple):
    """How a run ended. `code`: exit code, or minus the signal's number; `calls`: disk calls that were counted."""

    code: int
    out: str
    err: str
    seconds: float
    calls: int

    @property
    def was_killed(self) -> bool:
        """Return whether a signal ended it, or glibc's loader, for want of memory for a library's thread."""
        return self.code < 0 or (self.code == LOADER_GAVE_UP and "thread-local data: ABORT" in self.err)


class Nursery:
    """Forks runs. `preload`: the compiled disk_faults.c, for disk errors."""

    def __init__(self, folder: Path, preload: Path | None = None) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        # One thread: a fork copies only the calling thread.
        own = {"OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(PROJECT), "TMPDIR": str(folder)}
        if preload is not None:
            own["LD_PRELOAD"] = str(preload)
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.killed_run"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            cwd=PROJECT,
            env=os.environ | own,
            text=True,
            bufsize=1,
        )
        assert self._line(LONGEST_S) == "ready"

    def close(self) -> None:
        assert self._process.stdin and self._process.stdout
        self._process.stdin.close()
        self._process.wait(LONGEST_S)
        self._process.stdout.close()

    def start(self, order: Order) -> int:
        """Fork a run; return its process id."""
        assert self._process.stdin
        self._process.stdin.write(json.dumps([str(self._folder), order]) + "\n")
        return int(self._line(LONGEST_S))

    def end(self, pid: int, kill_after_s: float | None = None) -> Ended:
        """Wait for the run; kill it if it still runs after this many seconds."""
        said = self._line(kill_after_s, or_none=True) if kill_after_s is not None else self._line(LONGEST_S, True)
        if said is None:
            os.kill(pid, signal.SIGKILL)
            said = self._line(LONGEST_S)
            assert kill_after_s is not None, f"a run hung: {said}"
        code, seconds = json.loads(said)
        out, err = ((self._folder / f"{pid}.{name}") for name in ("out", "err"))
        counted = self._folder / f"{pid}.calls"
        calls = int(counted.read_text()) if counted.is_file() else 0
        ended = Ended(code, out.read_text("utf-8", "replace"), err.read_text("utf-8", "replace"), seconds, calls)
        for path in (out, err, counted):
            path.unlink(missing_ok=True)
        return ended

    def run(self, order: Order, kill_after_s: float | None = None) -> Ended:
        return self.end(self.start(order), kill_after_s)

    def _line(self, wait_s: float | None, or_none: bool = False) -> str:
        assert self._process.stdout
        if not select.select([self._process.stdout], [], [], wait_s)[0]:
            assert or_none, "no answer from the process that forks runs"
            return None  # type: ignore[return-value]
        line = self._process.stdout.readline()
        assert line, "the process that forks runs is gone"
        return line.strip()


# ---- in the process that forks -----------------------------------------------------------------------------------------------------------


def _import_all() -> None:
    """Import what a run imports, so that forks need not. Polars must not do any work here: forks do not copy its threads."""
    import importlib

    for name in (
        "pipeline.night",
        "pipeline.cli",
        "pipeline.operations.run_commands",
        "pipeline.warehouse.lock",
        "pipeline.operations.notify",
        "pipeline.reports.summary",
        "pipeline.reports.printing",
        "pipeline.exports.readers.excel",
        "filelock",
        "pandera.polars",
        "pyarrow",
        "pyarrow.parquet",
        "pint",
        "scipy.stats",
        "rich.console",
    ):
        importlib.import_module(name)


def _serve() -> None:
    _import_all()
    print("ready", flush=True)
    # Not sys.stdin: a fork must not share its buffer.
    with open(0, "rb", buffering=0, closefd=False) as orders:
        for line in iter(lambda: orders.readline(), b""):
            folder, order = json.loads(line)
            started = time.monotonic()
            pid = os.fork()
            if pid == 0:
                _become_a_run(Path(folder), Order(*order))
            print(pid, flush=True)
            _, status = os.waitpid(pid, 0)
            print(json.dumps([os.waitstatus_to_exitcode(status), time.monotonic() - started]), flush=True)


def _become_a_run(folder: Path, order: Order) -> None:
    code = 70
    try:
        pid = os.getpid()
        for number, name in ((1, "out"), (2, "err")):
            os.dup2(os.open(folder / f"{pid}.{name}", os.O_WRONLY | os.O_CREAT, 0o600), number)
        _limit(order.limits)
        if order.user:
            os.setresuid(order.user, order.user, order.user)
        if order.deed is not None:
            _arm(Path(order.workspace) / "warehouse", Deed(*order.deed))
        code = _by_command(order.words) if order.words else _by_function(order)
        if order.deed is not None:
            (folder / f"{pid}.calls").write_text(str(_calls()))
        sys.stdout.flush()
        sys.stderr.flush()
    finally:
        os._exit(code)


def _limit(limits: dict[str, int]) -> None:
    import resource

    if "FSIZE" in limits:
        # Otherwise the signal ends the process before EFBIG is reported.
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    for name, size in limits.items():
        # memory: this much more than the process has now
        size += int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize() if name == "AS" else 0
        resource.setrlimit(getattr(resource, f"RLIMIT_{name}"), (size, size))


def _arm(below: Path, deed: Deed) -> None:
    import ctypes

    arm = ctypes.CDLL(None).disk_faults_arm
    arm.argtypes = [ctypes.c_char_p, ctypes.c_long, ctypes.c_int, ctypes.c_int, ctypes.c_int, ctypes.c_char_p]
    arm(str(below).encode(), deed.at, deed.what, deed.errno, int(deed.half_first), deed.log.encode())


def _calls() -> int:
    import ctypes

    count = ctypes.CDLL(None).disk_faults_calls
    count.restype = ctypes.c_long
    return int(count())


def _by_command(words: list[str]) -> int:
    from pipeline.cli import main

    sys.argv = ["pitchledger", *words]
    try:
        main()
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 1
    except BaseException:
        import traceback

        traceback.print_exc()
        return 1


def _by_function(order: Order) -> int:
    within, at, when, count = order.die or ("", "", "", 0)
    seen_steps: list[str] = []

    def progress(step: str, done: int, total: int) -> None:
        if at == f"progress:{step}" and (done == 0 if when == "begin" else done == total):
            seen_steps.append(step)
            if len(seen_steps) == count:
                os.kill(os.getpid(), signal.SIGKILL)

    with _watched(within, at, when, count):
        from pipeline.night import run_and_record
        from pipeline.settings.ledger import load_ledger
        from pipeline.warehouse.lock import run_lock
        from pipeline.warehouse.versions import delete_pruned

        ledger = load_ledger(Path(order.workspace))
        with run_lock(ledger.output):
            run_and_record(ledger, rebuild=order.rebuild, progress=progress)
            delete_pruned(ledger.output)
    return 0


@contextlib.contextmanager
def _watched(within: str, at: str, when: str, count: int):  # type: ignore[no-untyped-def]
    """Kill the process when a function, ours or the system's, begins or ends for the count-th time while `within` runs (or ever)."""
    depth = seen = 0

    def strike() -> None:
        nonlocal seen
        seen += bool(depth or not within)
        if seen == count:
            os.kill(os.getpid(), signal.SIGKILL)

    def counting_depth(call):  # type: ignore[no-untyped-def]
        @functools.wraps(call)
        def wrapped(*args, **more):  # type: ignore[no-untyped-def]
            nonlocal depth
            depth += 1
            try:
                return call(*args, **more)
            finally:
                depth -= 1

        return wrapped

    def striking(call):  # type: ignore[no-untyped-def]
        @functools.wraps(call)
        def wrapped(*args, **more):  # type: ignore[no-untyped-def]
            if when == "begin":
                strike()
            try:
                return call(*args, **more)
            finally:
                if when == "end":
                    strike()

        return wrapped

    with contextlib.ExitStack() as patches:
        for name, wrapper in ((within, counting_depth), (at, striking)):
            for holder in _holders(name) if name else ():
                patches.enter_context(mock.patch.object(holder, name, wrapper(getattr(holder, name))))
        yield


def _holders(name: str) -> list[Any]:
    """Return the modules and classes that hold a function of this name: ours, and those that change the disk."""
    import shutil

    import polars as pl

    ours = [module for path, module in sys.modules.items() if path.startswith("pipeline.")]
    everywhere = [*ours, os, shutil, Path, pl.DataFrame]
    return [holder for holder in everywhere if getattr(vars(holder).get(name), "__name__", "") == name]


if __name__ == "__main__":
    _serve()
