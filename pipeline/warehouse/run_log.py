"""The run log: one line in the output folder for each of the last runs, including those that failed or published nothing.

A run adds its line when it begins and replaces it when it ends. A killed run leaves the first line.
"""

import contextlib
import json
import os
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, NamedTuple

from pipeline.durable_files import write_atomically
from pipeline.warehouse.versions import current_version, point_to

RUN_LOG = "runs.jsonl"
# runs kept in the log
MOST_KEPT = 200
# characters of a failure's message that are kept
LONGEST_MESSAGE = 500

Outcome = Literal["begun", "done", "nothing_new", "failed", "restored"]


class Attempt(NamedTuple):
    """One run. `version`: the one that readers see after it. `notes`: one sentence for each thing that the next run has to do.

    `unread`: one sentence for each folder with files that no tracker reads.
    A run that has not ended, or was killed, is "begun", with an empty `finished_at`. Times are UTC in ISO 8601.
    """

    started_at: str
    finished_at: str
    outcome: Outcome
    version: str
    message: str
    notes: list[str]
    unread: Sequence[str] = ()

    @classmethod
    def ended(
        cls,
        started_at: datetime,
        finished_at: datetime,
        outcome: Outcome,
        version: str,
        message: str,
        notes: list[str] | None = None,
    ) -> "Attempt":
        """Return a run that ended."""
        return cls(_iso(started_at), _iso(finished_at), outcome, version, message, notes or [])


@contextlib.contextmanager
def failures_recorded(output: Path, started_at: datetime) -> Iterator[None]:
    """Record that a run begins, and, if it raises, why it failed. A disk that refuses these lines will fail the run itself."""
    with contextlib.suppress(OSError):
        record_begin(output, started_at)
    try:
        yield
    # also a panic of compiled code, and Ctrl-C
    except BaseException as fault:
        record_failure(output, started_at, fault)
        raise


def record_begin(output: Path, started_at: datetime) -> None:
    """Add the line of a run that begins. Raises OSError."""
    message = f"process {os.getpid()}, not ended"
    begun = Attempt(_iso(started_at), "", "begun", current_version(output) or "", message, [])
    _write([*read_attempts(output), begun], output)


def record_failure(output: Path, started_at: datetime, fault: BaseException) -> None:
    """Record that a run failed, and why. A full disk fails both run and record: then the run's own error is the one reported."""
    message = (str(fault) or type(fault).__name__)[:LONGEST_MESSAGE]
    with contextlib.suppress(OSError):
        version = current_version(output) or ""
        record_attempt(output, Attempt.ended(started_at, datetime.now(UTC), "failed", version, message))


def record_attempt(output: Path, attempt: Attempt) -> None:
    """Add the line of a run that ended, in place of the one it began with, durably. Raises OSError."""
    earlier = read_attempts(output)
    if earlier and earlier[-1].outcome == "begun" and earlier[-1].started_at == attempt.started_at:
        del earlier[-1]
    _write([*earlier, attempt], output)


def restore(output: Path, version: str) -> None:
    """Show readers an older version again. The next run starts from it: whatever came since is new to it."""
    started_at = datetime.now(UTC)
    point_to(output, version)
    message = f"Restored version {version}"
    record_attempt(output, Attempt.ended(started_at, datetime.now(UTC), "restored", version, message))


def read_attempts(output: Path) -> list[Attempt]:
    """Return the runs, oldest first, without malformed lines (the disk was full)."""
    try:
        lines = (output / RUN_LOG).read_text("utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return []
    return [attempt for line in lines if (attempt := _read(line)) is not None]


def _read(line: str) -> Attempt | None:
    try:
        return Attempt(**json.loads(line))
    except (ValueError, TypeError):
        return None


def _iso(moment: datetime) -> str:
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"


def _write(attempts: list[Attempt], output: Path) -> None:
    lines = [json.dumps(attempt._asdict(), ensure_ascii=False) for attempt in attempts[-MOST_KEPT:]]
    write_atomically(output / RUN_LOG, ("\n".join(lines) + "\n").encode())
