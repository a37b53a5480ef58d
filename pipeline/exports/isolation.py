"""Call the readers of exports in processes of their own: a file that crashes one, hangs it or fills its memory never stops the run.

A reader process answers one call after another and ends with the process that started it. Whatever it can't answer becomes UnreadableExport
for that one file. A failure in a process that answered other calls before is tried again in a new one, so that it depends on its file alone.
"""

import atexit
import contextlib
import logging
import os
import pickle
import signal
import subprocess
import sys
import tempfile
import threading
import traceback
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Literal, NamedTuple, TypeVar

from pipeline.errors import PitchledgerError
from pipeline.exports.readers.raw import UnreadableExport
from pipeline.machine import address_space, machine_memory

# address space of a reader process, of which an idle one takes half a GB; the largest exports that readers/raw.py allows fit in
READER_BYTES = 3 * 2**30
# processor time for one export; the largest ones need about a minute
READER_CPU_S = 300
# time on the clock for one export, which may wait for a disk or a network
READER_WAIT_S = 900.0
# so many exports take about as long as starting another reader process
_EXPORTS_PER_PROCESS = 24
# more processes would wait for the disk
_MOST_PROCESSES = 8
# exports are small; each more thread, and each more arena of an allocator, costs address space
_ENVIRONMENT = {
    "POLARS_MAX_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "MALLOC_ARENA_MAX": "1",
    "_RJEM_MALLOC_CONF": "narenas:1,dirty_decay_ms:0,muzzy_decay_ms:0",
}
_SERVE = "from pipeline.exports.isolation import serve; serve()"
# after any of these, a new process goes on
_SPOILED = frozenset({"memory", "time", "crash"})
_OUT_OF_MEMORY = ("MemoryError", "memory allocation", "out of memory", "bad_alloc")

Result = TypeVar("Result")
log = logging.getLogger("pitchledger")


class ReaderStartError(PitchledgerError):
    """The system refuses a process that reads exports."""


class _Answer(NamedTuple):
    """What became of a call. `value`: its result, or the sentence that says why there is none; `details`: a traceback, or what was printed."""

    kind: Literal["done", "refused", "memory", "time", "crash", "fault"]
    value: Any = None
    details: str = ""


def isolated(function: Callable[..., Result], *arguments: object) -> Result:
    """Return what `function` returns for one file, from a reader process. Raises UnreadableExport.

    The function is one of a module, and arguments and result can be pickled.
    """
    (outcome,) = isolated_calls(function, [arguments])
    if isinstance(outcome, UnreadableExport):
        raise outcome
    return outcome


def isolated_calls(
    function: Callable[..., Result], calls: Sequence[tuple[object, ...]]
) -> Iterator[Result | UnreadableExport]:
    """Yield the outcome of each call, in order, from as many reader processes as pay."""
    pool = _Pool()
    number = min(
        1 + len(calls) // _EXPORTS_PER_PROCESS,
        os.cpu_count() or 1,
        _MOST_PROCESSES,
        max(1, machine_memory() // READER_BYTES),
    )
    with ThreadPoolExecutor(number) as threads:
        try:
            yield from threads.map(lambda arguments: pool.outcome(function, arguments), calls)
        except BaseException:
            threads.shutdown(wait=False, cancel_futures=True)
            pool.stop()
            raise


# ---- the side of the caller ------------------------------------------------------------------------------------------------------------------


class _Reader:
    """A reader process."""

    def __init__(self) -> None:
        self.answered = 0
        self._printed = tempfile.TemporaryFile()  # noqa: SIM115 -- it lives as long as the process
        paths = os.pathsep.join(str(Path(path).absolute()) for path in sys.path if path)
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-c", _SERVE],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._printed,
                env=os.environ | _ENVIRONMENT | {"PYTHONPATH": paths},
            )
        except OSError as error:
            raise ReaderStartError(
                f"A process that reads exports could not be started: {error}. Free memory, or raise this account's limits, and run again."
            ) from error

    def answer(self, call: bytes) -> _Answer:
        """Have the process answer a call. Raises ReaderStartError where it does not even start."""
        assert self._process.stdin and self._process.stdout
        late = threading.Event()
        timer = threading.Timer(READER_WAIT_S, self._stop_late, (late,))
        timer.start()
        try:
            is_ready = self.answered > 0
            if not is_ready:
                pickle.load(self._process.stdout)
                is_ready = True
            self._process.stdin.write(call)
            self._process.stdin.flush()
            answer: _Answer = pickle.load(self._process.stdout)
        except (EOFError, OSError, ValueError, pickle.UnpicklingError):
            code = self._process.wait()
            printed = self._last_words()
            if not is_ready and not late.is_set():
                raise ReaderStartError(
                    f"A process that reads exports did not start (exit code {code}): {printed or 'no message'}. "
                    "Free memory, or raise this account's limits, and run again."
                ) from None
            return _death(code, printed, is_late=late.is_set())
        finally:
            timer.cancel()
        self.answered += 1
        return answer

    def stop(self) -> None:
        """End the process."""
        self._process.kill()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout, self._printed):
            # what was not yet written can't be flushed any longer
            with contextlib.suppress(OSError):
                stream.close()  # type: ignore[union-attr]

    def _stop_late(self, late: threading.Event) -> None:
        late.set()
        self._process.kill()

    def _last_words(self) -> str:
        self._printed.seek(max(self._printed.seek(0, os.SEEK_END) - 4_000, 0))
        lines = self._printed.read().decode("utf-8", "replace").split("\n")
        return " ".join(line.strip() for line in lines if line.strip())[-1_000:]


def _death(code: int, printed: str, *, is_late: bool) -> _Answer:
    """Return why a reader process ended, by its exit code (minus the signal) and what it printed."""
    if is_late or code == -getattr(signal, "SIGXCPU", 0) != 0:
        return _Answer("time")
    # no one but the system, which has run out of memory, kills a process that is not late
    if any(word in printed for word in _OUT_OF_MEMORY) or code == -getattr(signal, "SIGKILL", 0) != 0:
        return _Answer("memory")
    name = signal.Signals(-code).name if code < 0 else f"exit code {code}"
    return _Answer("crash", name, printed)


_idle: list[_Reader] = []


def start_reader() -> None:
    """Start a reader process in the background, so that the first export does not wait for it."""
    if not _idle:
        _idle.append(_Reader())


@atexit.register
def stop_readers() -> None:
    """End the reader processes that wait for calls."""
    while _idle:
        _idle.pop().stop()


if hasattr(os, "register_at_fork"):
    # two processes can't talk to one reader
    os.register_at_fork(after_in_child=_idle.clear)


class _Pool:
    """The reader processes of one series of calls."""

    def __init__(self) -> None:
        self._busy: set[_Reader] = set()
        self._is_stopped = False

    def outcome(self, function: Callable[..., Result], arguments: tuple[object, ...]) -> Result | UnreadableExport:
        call = pickle.dumps((Path.cwd(), function, arguments))
        answer, answered = self._answer(call)
        if answer.kind in _SPOILED and answered and not self._is_stopped:
            answer, _ = self._answer(call)
        return answer.value if answer.kind == "done" else _refusal(answer, function)

    def stop(self) -> None:
        self._is_stopped = True
        for reader in list(self._busy):
            reader.stop()

    def _answer(self, call: bytes) -> tuple[_Answer, int]:
        """Return the answer, and how many others its process gave before."""
        reader = _idle.pop() if _idle else _Reader()
        answered = reader.answered
        self._busy.add(reader)
        try:
            answer = reader.answer(call)
        except BaseException:
            reader.stop()
            raise
        finally:
            self._busy.discard(reader)
        if answer.kind in _SPOILED:
            reader.stop()
        else:
            _idle.append(reader)
        return answer, answered


def _refusal(answer: _Answer, function: Callable[..., object]) -> UnreadableExport:
    again = "export it again or in parts; `pitchledger run --rebuild` reads it again"
    match answer.kind:
        case "refused":
            assert isinstance(answer.value, UnreadableExport)
            return answer.value
        case "memory":
            if address_space() < READER_BYTES:
                raise ReaderStartError(
                    f"Reading an export ran out of memory: this account may use {address_space() / 2**30:.1f} GB, and an export "
                    f"may need {READER_BYTES / 2**30:g} GB. Raise the limit (ulimit -v) and run again."
                )
            return UnreadableExport(f"reading the file takes more than {READER_BYTES / 2**30:g} GB of memory", again)
        case "time":
            return UnreadableExport(f"reading the file takes more than {READER_CPU_S // 60} minutes", again)
        case "crash":
            log.error("%s crashed (%s): %s", function.__name__, answer.value, answer.details)
            return UnreadableExport(f"the file crashes its reader ({answer.value}): {answer.details[-200:]}", again)
        case _:
            log.error("%s failed on a file: %s\n%s", function.__name__, answer.value, answer.details)
            return UnreadableExport(
                f"a fault of the program keeps the file from being read: {answer.value}",
                "send the file and the log to the people who maintain the program",
            )


# ---- the side of the reader process ----------------------------------------------------------------------------------------------------------


def serve() -> None:
    """Answer calls on standard input until it ends. What a library prints goes to standard error."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    # Ctrl-C reaches every process of a terminal; the caller decides what it means
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _limit_memory()
    # so that the first export does not wait for it
    import pipeline.exports.reading  # noqa: F401

    _send("ready", answers)
    while True:
        try:
            folder, function, arguments = pickle.load(sys.stdin.buffer)
        except EOFError:
            return
        # a path may be relative, and the caller may have moved since it started this process
        os.chdir(folder)
        _limit_cpu()
        _send(_answer(function, arguments), answers)


def _send(value: object, answers: Any) -> None:
    try:
        pickle.dump(value, answers, protocol=pickle.HIGHEST_PROTOCOL)
        answers.flush()
    except BrokenPipeError:  # the caller is gone
        os._exit(0)


def _answer(function: Callable[..., object], arguments: tuple[object, ...]) -> _Answer:
    try:
        return _Answer("done", function(*arguments))
    except UnreadableExport as refusal:
        return _Answer("refused", refusal)
    except MemoryError:
        return _Answer("memory")
    except BaseException as error:  # a panic of compiled code is not an Exception
        return _Answer("fault", f"{type(error).__name__}: {str(error)[:200]}", traceback.format_exc())


def _limit_memory() -> None:
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        hard = resource.getrlimit(resource.RLIMIT_AS)[1]
        resource.setrlimit(resource.RLIMIT_AS, (min(READER_BYTES, address_space()), hard))
        # a crash is reported, and leaves no file
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    # where the machine runs out of memory, this process ends first, and not the run
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("1000", "ascii")


def _limit_cpu() -> None:
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        used = resource.getrusage(resource.RUSAGE_SELF)
        hard = resource.getrlimit(resource.RLIMIT_CPU)[1]
        resource.setrlimit(resource.RLIMIT_CPU, (int(used.ru_utime + used.ru_stime) + READER_CPU_S, hard))
