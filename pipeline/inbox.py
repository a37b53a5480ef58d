"""The exports that lie in the trackers' inboxes, each with its content's hash."""

import hashlib
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple


class ExportFile(NamedTuple):
    """One file in a tracker's inbox. `file_name` is the path below the inbox, with `/`; `file_id` is 16 hex digits of the content's hash."""

    tracker: str
    path: Path
    file_name: str
    file_id: str
    sha256: str
    bytes: int
    modified_at: datetime


def list_exports(tracker: str, inbox: Path) -> list[ExportFile]:
    """All files below `inbox`, by name; hidden files and links that lead out of the inbox are passed over."""
    root = inbox.resolve()
    paths = sorted(path for path in inbox.rglob("*") if path.is_file() and _is_export(path, inbox, root))
    return [_describe(tracker, path, inbox) for path in paths]


def _is_export(path: Path, inbox: Path, root: Path) -> bool:
    hidden = any(part.startswith(".") for part in path.relative_to(inbox).parts)
    return not hidden and path.resolve().is_relative_to(root)


def _describe(tracker: str, path: Path, inbox: Path) -> ExportFile:
    """A file that can't be opened just now is listed all the same, without content: reading it then says why."""
    file_name = path.relative_to(inbox).as_posix()
    try:
        with path.open("rb") as file:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        stat = path.stat()
    except OSError:
        unknown = datetime.fromtimestamp(0, UTC)
        return ExportFile(tracker, path, file_name, _short_id(tracker, file_name), "", 0, unknown)
    modified_at = datetime.fromtimestamp(stat.st_mtime, UTC)
    return ExportFile(tracker, path, file_name, _short_id(tracker, sha256), sha256, stat.st_size, modified_at)


def _short_id(tracker: str, content: str) -> str:
    # the tracker is part of the id: two trackers may write the same bytes
    return hashlib.sha256(f"{tracker}\n{content}".encode()).hexdigest()[:16]
