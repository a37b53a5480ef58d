"""What became of each run, also of those that published nothing: a line for each in the output folder, the last of them kept."""

import json
from datetime import datetime
from pathlib import Path
from typing import Literal, NamedTuple

from pipeline.disk import write_whole

ATTEMPTS = "runs.jsonl"
MOST_KEPT = 200

Outcome = Literal["done", "nothing_new", "failed", "restored"]


class Attempt(NamedTuple):
    """One run. `version`: the one that readers see after it; `notes`: what it could not do and the next run has to, a sentence each."""

    started_at: str
    finished_at: str
    outcome: Outcome
    version: str
    message: str
    notes: list[str]


def record_attempt(
    output: Path,
    started_at: datetime,
    finished_at: datetime,
    outcome: Outcome,
    version: str,
    message: str,
    notes: list[str],
) -> None:
    """Add a line; the run before it is on the disk then, or OSError is raised."""
    attempt = Attempt(
        f"{started_at:%Y-%m-%dT%H:%M:%SZ}", f"{finished_at:%Y-%m-%dT%H:%M:%SZ}", outcome, version, message, notes
    )
    lines = [json.dumps(one._asdict(), ensure_ascii=False) for one in [*read_attempts(output), attempt][-MOST_KEPT:]]
    write_whole(output / ATTEMPTS, ("\n".join(lines) + "\n").encode())


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
