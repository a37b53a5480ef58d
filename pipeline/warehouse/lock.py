"""One run at a time in an output folder."""

import contextlib
import os
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from pipeline.durable_files import make_folder, private_files
from pipeline.errors import PitchledgerError


class RunInProgressError(PitchledgerError):
    """Another run holds the output folder; it passes by itself."""

    exit_code = 4


class NoOutputFolderError(PitchledgerError):
    """The output folder can't be made, or nothing can be written there."""


@contextlib.contextmanager
def run_lock(output: Path) -> Iterator[None]:
    """Hold the run's lock. The operating system frees it when a process dies, so a dead run is no obstacle.

    Raises RunInProgressError, at once, saying which process runs since when, and NoOutputFolderError.
    """
    import filelock

    note = output / ".run.txt"
    lock = filelock.FileLock(output / ".run.lock")
    try:
        make_folder(output)
        lock.acquire(timeout=0)
    except filelock.Timeout as held:
        raise RunInProgressError(f"another run is in progress: {_said(note)}") from held
    except OSError as fault:
        raise NoOutputFolderError(_refused(output, fault)) from fault
    try:
        _write_note(note, output)
        yield
    finally:
        with contextlib.suppress(OSError):  # the lock says whether a run is in progress; this only tells whose it is
            note.unlink(missing_ok=True)
        lock.release()


def _write_note(note: Path, output: Path) -> None:
    try:
        with private_files():
            note.write_text(f"process {os.getpid()} since {datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC", "utf-8")
    except OSError as fault:
        raise NoOutputFolderError(_refused(output, fault)) from fault


def _said(note: Path) -> str:
    """Whose the lock is; the holder may not have said so yet, or not any more."""
    try:
        return note.read_text("utf-8") or "another process"
    except OSError:
        return "another process"


def _refused(output: Path, fault: OSError) -> str:
    return f"nothing can be written to {output}: {fault}; nothing was changed. Free or repair the disk and run again"
