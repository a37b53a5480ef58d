"""What became of each run, also of those that published nothing: a line for each in the output folder, the last of them kept.

A run writes its line when it begins and writes it anew when it ends. One that is killed leaves the first.
"""

import json
import os
from datetime import datetime
from pathlib import Path
from typing import Literal, NamedTuple

from pipeline.durable_files import write_atomically

ATTEMPTS = "runs.jsonl"
MOST_KEPT = 200

Outcome = Literal["begun", "done", "nothing_new", "failed", "restored"]


class Attempt(NamedTuple):
    """One run. `version`: the one that readers see after it; `notes`: what it could not do and the next run has to, a sentence each.

    One that has not ended, or that something ended from outside, is "begun", and `finished_at` is empty.
    """

    started_at: str
    finished_at: str
    outcome: Outcome
    version: str
    message: str
    notes: list[str]


def record_begin(output: Path, started_at: datetime, version: str) -> None:
    """Add the line of a run that begins; otherwise as `record_attempt`."""
    message = f"process {os.getpid()}, not ended"
    _write([*read_attempts(output), Attempt(_written(started_at), "", "begun", version, message, [])], output)


def record_attempt(
    output: Path,
    started_at: datetime,
    finished_at: datetime,
    outcome: Outcome,
    version: str,
    message: str,
    notes: list[str],
) -> None:
    """Add the line of a run that is over, in place of the one it began with; it is on the disk then, or OSError is raised."""
    attempt = Attempt(_written(started_at), _written(finished_at), outcome, version, message, notes)
    before = read_attempts(output)
    if before and before[-1].outcome == "begun" and before[-1].started_at == attempt.started_at:
        del before[-1]
    _write([*before, attempt], output)


def _written(moment: datetime) -> str:
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"


def _write(attempts: list[Attempt], output: Path) -> None:
    lines = [json.dumps(one._asdict(), ensure_ascii=False) for one in attempts[-MOST_KEPT:]]
    write_atomically(output / ATTEMPTS, ("\n".join(lines) + "\n").encode())


def read_attempts(output: Path) -> list[Attempt]:
    """The runs, oldest first; a line that is no record (a disk that was full) is passed over."""
    try:
        lines = (output / ATTEMPTS).read_text("utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return []
    return [attempt for line in lines if (attempt := _read(line)) is not None]


def _read(line: str) -> Attempt | None:
    try:
        return Attempt(**json.loads(line))
    except (ValueError, TypeError):
        return None
