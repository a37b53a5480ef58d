"""The files that lie in the trackers' inboxes, each with its content's hash."""

import hashlib
import os
import stat
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple


class ExportFile(NamedTuple):
    """One file in a tracker's inbox. `file_name` is the path below the inbox, with `/`; `file_id` is 16 hex digits of the content's hash.

    `fault`: why it is not to be opened; null for an ordinary file.
    """

    tracker: str
    path: Path
    file_name: str
    file_id: str
    sha256: str
    bytes: int
    modified_at: datetime
    fault: str | None = None


def list_exports(tracker: str, inbox: Path) -> list[ExportFile]:
    """All that lies below `inbox`, by name; hidden files are passed over. What must not or can't be opened is listed with its fault."""
    if not inbox.is_dir():
        return []
    root = inbox.resolve()
    return [_describe(tracker, path, inbox, fault) for path, fault in sorted(_entries(inbox, root))]


def _entries(inbox: Path, root: Path) -> Iterator[tuple[Path, str]]:
    """Each entry that is no ordinary folder, with its fault ("" = none). Links to folders are not followed."""
    closed: list[OSError] = []
    for folder, subfolders, names in os.walk(inbox, onerror=closed.append):
        subfolders[:] = [name for name in subfolders if not name.startswith(".")]
        for name in (*subfolders, *names):
            path = Path(folder, name)
            if not name.startswith(".") and (fault := _fault(path, root)) is not None:
                yield path, fault
    for error in closed:
        yield Path(str(error.filename)), f"the folder can't be opened: {error.strerror}"


def _fault(path: Path, root: Path) -> str | None:
    """Why an entry must not be opened; "" for an ordinary file, None for a folder of the inbox."""
    try:
        target = path.resolve(strict=True)
        kind = target.stat().st_mode
    except OSError as error:
        return f"can't be opened: {error.strerror or error}"
    except RuntimeError:  # before Python 3.13; then an OSError
        return "can't be opened: a link that leads to itself"
    if not target.is_relative_to(root):
        return "is a link that leads out of the inbox"
    if stat.S_ISDIR(kind):
        return None
    return "" if stat.S_ISREG(kind) else "is no ordinary file"


def _describe(tracker: str, path: Path, inbox: Path, fault: str) -> ExportFile:
    """A file that can't be opened just now is listed all the same, without content: reading it then says why."""
    file_name = fit_to_store(path.relative_to(inbox).as_posix())
    unknown = ExportFile(
        tracker, path, file_name, _short_id(tracker, file_name), "", 0, datetime.fromtimestamp(0, UTC), fault or None
    )
    if fault:
        return unknown
    try:
        with path.open("rb") as file:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        facts = path.stat()
    except OSError:
        return unknown
    modified_at = datetime.fromtimestamp(facts.st_mtime, UTC)
    return ExportFile(tracker, path, file_name, _short_id(tracker, sha256), sha256, facts.st_size, modified_at)


def fit_to_store(name: str) -> str:
    r"""A file name as text that every table can hold: bytes that are no UTF-8 are written out (\udcff)."""
    return name.encode("utf-8", "backslashreplace").decode("utf-8")


def _short_id(tracker: str, content: str) -> str:
    # the tracker is part of the id: two trackers may write the same bytes
    return hashlib.sha256(f"{tracker}\n{content}".encode()).hexdigest()[:16]
