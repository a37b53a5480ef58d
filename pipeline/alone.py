"""One run at a time in an output folder."""

import contextlib
import os
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from pipeline.errors import PitchledgerError


class RunInProgressError(PitchledgerError):
    """Another run holds the output folder; it passes by itself."""

    exit_code = 4


@contextlib.contextmanager
def alone(output: Path) -> Iterator[None]:
    """Hold the run's lock. The operating system frees it when a process dies, so a dead run is no obstacle.

    Raises RunInProgressError, at once, saying which process runs since when.
    """
    import filelock

    output.mkdir(parents=True, exist_ok=True)
    note = output / ".run.txt"
    lock = filelock.FileLock(output / ".run.lock")
    try:
        lock.acquire(timeout=0)
    except filelock.Timeout as held:
        said = note.read_text("utf-8") if note.is_file() else "another process"
        raise RunInProgressError(f"another run is in progress: {said}") from held
    try:
        note.write_text(f"process {os.getpid()} since {datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC", "utf-8")
        yield
    finally:
        note.unlink(missing_ok=True)
        lock.release()
