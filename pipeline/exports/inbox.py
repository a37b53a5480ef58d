"""The files in the trackers' inboxes, each with the hash of its content."""

import hashlib
import os
import stat
import time
from collections.abc import Callable, Collection, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from pipeline.words import pluralize

# a file written less than this many seconds ago may still be growing: it is checked again when they have passed
SETTLE_S = 2.0
# an export of one night has some hundred kilobytes; a larger file is refused, so that none can exhaust the memory
MAX_FILE_BYTES = 200 * 2**20


class ExportFile(NamedTuple):
    """One file in a tracker's inbox. `file_name` is the path below the inbox, with `/`; `file_id` is 16 hex digits of the content's hash.

    `fault`: why it must not be opened; null for an ordinary file.
    """

    tracker: str
    path: Path
    file_name: str
    file_id: str
    sha256: str
    bytes: int
    modified_at: datetime
    fault: str | None = None


class KnownFile(NamedTuple):
    """A file as an earlier run found it; the same size and time of writing mean the same content."""

    bytes: int
    modified_at: datetime
    sha256: str


class InboxScan(NamedTuple):
    """The `exports` of an inbox, and the names of files that are still growing (they are not among the exports)."""

    exports: list[ExportFile]
    growing: list[str]


def list_exports(tracker: str, inbox: Path) -> list[ExportFile]:
    """Return all files below `inbox` by name, hidden ones excepted. A file that must not or can't be opened is listed with its fault."""
    return _list(tracker, inbox, {}, None)


def scan_inbox(
    tracker: str, inbox: Path, known: Mapping[str, KnownFile], keep: Callable[[str, bytes], None] | None = None
) -> InboxScan:
    """Return the exports as list_exports does; leave a file that is still being written for the next run.

    Files in `known` (by file_name) that have not changed since are not opened. `keep` receives the hash and content of each other file, so
    that what is read later is what was hashed here.
    """
    exports = _list(tracker, inbox, known, keep)
    new = [file for file in exports if file.fault is None and not _is_known(file, known.get(file.file_name))]
    _wait_until_settled(new)
    growing = [file.file_name for file in new if _has_moved(file)]
    return InboxScan([file for file in exports if file.file_name not in growing], growing)


def unread_folders(workspace: Path, inboxes: Collection[Path]) -> list[str]:
    """Return a sentence for each folder beside the trackers' inboxes that holds files and that no tracker reads.

    Only folders inside the workspace are looked at: beside an inbox elsewhere, other programs may keep their files.
    """
    known = {inbox.resolve() for inbox in inboxes}
    top = workspace.resolve()
    roots = {top / "inbox", *(inbox.parent for inbox in known if top in inbox.parent.parents)}
    sentences = []
    for root in sorted(roots):
        if not root.is_dir() or any(inbox in (root, *root.parents) for inbox in known):
            continue
        entries = sorted(entry for entry in root.iterdir() if not entry.name.startswith("."))
        for folder in (entry for entry in entries if entry.is_dir()):
            place = folder.resolve()
            is_read = any(place in (inbox, *inbox.parents) for inbox in known)
            if not is_read and (files := sum(1 for _ in _entries(folder, place))):
                name = fit_to_store(folder.relative_to(top).as_posix())
                sentences.append(f"{name}/ holds {pluralize(files, 'file')}, but no tracker in ledger.toml reads it.")
        if files := sum(not entry.is_dir() for entry in entries):
            name = root.relative_to(top).as_posix()
            sentences.append(
                f"{name}/ holds {pluralize(files, 'file')} outside the trackers' folders. No tracker reads them."
            )
    return sentences


def _wait_until_settled(files: list[ExportFile]) -> None:
    ages = [time.time() - file.modified_at.timestamp() for file in files if file.sha256]
    # a time ahead of our clock says nothing about an age
    young = [age for age in ages if 0 <= age < SETTLE_S]
    if young:
        time.sleep(SETTLE_S - min(young))


def _has_moved(file: ExportFile) -> bool:
    try:
        facts = file.path.stat()
    except OSError:
        # gone or out of reach: the copy kept of it can still be read; a file without a copy is reported as unreadable
        return file.sha256 != ""
    return bool(file.sha256) and (facts.st_size != file.bytes or _written_at(facts) != file.modified_at)


def _written_at(facts: os.stat_result) -> datetime:
    return datetime.fromtimestamp(facts.st_mtime_ns // 1000 / 1e6, UTC)


def _is_known(file: ExportFile, known: KnownFile | None) -> bool:
    return known is not None and (file.bytes, file.modified_at, file.sha256) == known


def _list(
    tracker: str, inbox: Path, known: Mapping[str, KnownFile], keep: Callable[[str, bytes], None] | None
) -> list[ExportFile]:
    if not inbox.is_dir():
        return []
    root = inbox.resolve()
    return [_describe(tracker, path, inbox, fault, known, keep) for path, fault in sorted(_entries(inbox, root))]


def _entries(inbox: Path, root: Path) -> Iterator[tuple[Path, str]]:
    """Yield each entry that is not an ordinary folder, with its fault ("" = none). Links to folders are not followed."""
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
    """Return why an entry must not be opened; "" for an ordinary file, None for a folder of the inbox."""
    try:
        target, kind = path, path.lstat().st_mode
        # only a link can lead out of the inbox, and resolving a path takes thirty times as long as lstat
        if stat.S_ISLNK(kind):
            target = path.resolve(strict=True)
            kind = target.stat().st_mode
    except OSError as error:
        return f"the file can't be opened: {error.strerror or error}"
    except RuntimeError:  # before Python 3.13; then an OSError
        return "the file can't be opened: it is a link to itself"
    if target is not path and not target.is_relative_to(root):
        return "the file is a link to a place outside the inbox"
    if stat.S_ISDIR(kind):
        return None
    return "" if stat.S_ISREG(kind) else "it is not an ordinary file"


def _describe(
    tracker: str,
    path: Path,
    inbox: Path,
    fault: str,
    known: Mapping[str, KnownFile],
    keep: Callable[[str, bytes], None] | None,
) -> ExportFile:
    """Describe a file. One that can't be opened is listed without content: reading it later reports why."""
    file_name = fit_to_store(path.relative_to(inbox).as_posix())
    unknown = ExportFile(
        tracker, path, file_name, _short_id(tracker, file_name), "", 0, datetime.fromtimestamp(0, UTC), fault or None
    )
    if fault:
        return unknown
    try:
        facts = path.stat()
        sha256 = _known_hash(facts, known.get(file_name)) or _hash(path, facts.st_size, keep)
    except OSError:
        return unknown
    return ExportFile(tracker, path, file_name, _short_id(tracker, sha256), sha256, facts.st_size, _written_at(facts))


def _known_hash(facts: os.stat_result, known: KnownFile | None) -> str | None:
    """Return the hash of an earlier run, where the file has not been written since."""
    same = known is not None and (facts.st_size, _written_at(facts)) == (known.bytes, known.modified_at)
    return known.sha256 if known and same else None


def content_hash(path: Path) -> str:
    """Return the SHA-256 of a file's bytes as hex digits. Raises OSError."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _hash(path: Path, size: int, keep: Callable[[str, bytes], None] | None) -> str:
    if keep is None or size > MAX_FILE_BYTES:
        return content_hash(path)
    content = path.read_bytes()
    sha256 = hashlib.sha256(content).hexdigest()
    keep(sha256, content)
    return sha256


def fit_to_store(name: str) -> str:
    r"""Return a file name that every table can hold: bytes that are not UTF-8 are written out (\udcff)."""
    return name.encode("utf-8", "backslashreplace").decode("utf-8")


def _short_id(tracker: str, content: str) -> str:
    # the tracker is part of the id: two trackers may write the same bytes
    return hashlib.sha256(f"{tracker}\n{content}".encode()).hexdigest()[:16]
