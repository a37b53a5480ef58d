"""The run lock: one run at a time in an output folder."""

import contextlib
import os
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from pipeline.durable_files import make_folder, private_files
from pipeline.errors import PitchledgerError


class RunInProgressError(PitchledgerError):
    """Another run holds the lock of the output folder; trying again later helps."""

    exit_code = 4


class NoOutputFolderError(PitchledgerError):
    """The output folder cannot be created or written to."""


@contextlib.contextmanager
def run_lock(output: Path) -> Iterator[None]:
    """Hold the lock of the output folder. The operating system releases it when a process dies, so a dead run never blocks another.

    Raises RunInProgressError at once, naming the process that holds it, and NoOutputFolderError.
    """
    import filelock

    note = output / ".run.txt"
    lock = filelock.FileLock(output / ".run.lock")
    try:
        make_folder(output)
        lock.acquire(timeout=0)
    except filelock.Timeout as held:
        raise RunInProgressError(f"another run is in progress: {_holder(note)}") from held
    except OSError as fault:
        raise _no_output_folder(output, fault) from fault
    try:
        try:
            with private_files():
                note.write_text(f"process {os.getpid()} since {datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC", "utf-8")
        except OSError as fault:
            raise _no_output_folder(output, fault) from fault
        yield
    finally:
        # The note only names the holder; the lock itself decides.
        with contextlib.suppress(OSError):
            note.unlink(missing_ok=True)
        lock.release()


def _holder(note: Path) -> str:
    """Return who holds the lock; the holder may not have written its note yet, or deleted it already."""
    try:
        return note.read_text("utf-8") or "another process"
    except OSError:
        return "another process"


def _no_output_folder(output: Path, fault: OSError) -> NoOutputFolderError:
    return NoOutputFolderError(
        f"nothing can be written to {output}: {fault}; nothing was changed. Free or repair the disk and run again"
    )
