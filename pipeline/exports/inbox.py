"""The files that lie in the trackers' inboxes, each with its content's hash."""

import hashlib
import os
import stat
import time
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

# a file written to less than this many seconds ago may still be growing: it is looked at again when they have passed
SETTLE_S = 2.0
# an export of one night is some hundred kilobytes; a larger file is refused, so that none can exhaust the memory
MAX_FILE_BYTES = 200 * 2**20


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


class Known(NamedTuple):
    """A file as an earlier run found it; the same size and time of writing stand for the same content."""

    bytes: int
    modified_at: datetime
    sha256: str


class Look(NamedTuple):
    """What lies in an inbox: `exports`, and the names of those that are still being written (they are not among the exports)."""

    exports: list[ExportFile]
    growing: list[str]


def list_exports(tracker: str, inbox: Path) -> list[ExportFile]:
    """All that lies below `inbox`, by name; hidden files are passed over. What must not or can't be opened is listed with its fault."""
    return _list(tracker, inbox, {}, None)


def look_into(
    tracker: str, inbox: Path, known: Mapping[str, Known], keep: Callable[[str, bytes], None] | None = None
) -> Look:
    """As `list_exports`; a file whose size or time of writing moves meanwhile is left for the next run.

    Files in `known` (by file_name) that have not changed since are not opened. `keep` is handed the hash and content of each of the
    others, so that what is read later is what was hashed here.
    """
    exports = _list(tracker, inbox, known, keep)
    new = [file for file in exports if file.fault is None and not _is_known(file, known.get(file.file_name))]
    _wait_until_settled(new)
    growing = [file.file_name for file in new if _has_moved(file)]
    return Look([file for file in exports if file.file_name not in growing], growing)


def _wait_until_settled(files: list[ExportFile]) -> None:
    ages = [time.time() - file.modified_at.timestamp() for file in files if file.sha256]
    # a time ahead of ours tells nothing of an age
    young = [age for age in ages if 0 <= age < SETTLE_S]
    if young:
        time.sleep(SETTLE_S - min(young))


def _has_moved(file: ExportFile) -> bool:
    try:
        facts = file.path.stat()
    except OSError:
        # gone, or away: reading what was kept of it is as good as ever; a file of which nothing is known is told as such
        return file.sha256 != ""
    return bool(file.sha256) and (facts.st_size != file.bytes or _written_at(facts) != file.modified_at)


def _written_at(facts: os.stat_result) -> datetime:
    return datetime.fromtimestamp(facts.st_mtime_ns // 1000 / 1e6, UTC)


def _is_known(file: ExportFile, known: Known | None) -> bool:
    return known is not None and (file.bytes, file.modified_at, file.sha256) == known


def _list(
    tracker: str, inbox: Path, known: Mapping[str, Known], keep: Callable[[str, bytes], None] | None
) -> list[ExportFile]:
    if not inbox.is_dir():
        return []
    root = inbox.resolve()
    return [_describe(tracker, path, inbox, fault, known, keep) for path, fault in sorted(_entries(inbox, root))]


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
        target, kind = path, path.lstat().st_mode
        # nothing else can lead out, and finding where a path leads takes thirty times as long as a look at it
        if stat.S_ISLNK(kind):
            target = path.resolve(strict=True)
            kind = target.stat().st_mode
    except OSError as error:
        return f"can't be opened: {error.strerror or error}"
    except RuntimeError:  # before Python 3.13; then an OSError
        return "can't be opened: a link that leads to itself"
    if target is not path and not target.is_relative_to(root):
        return "is a link that leads out of the inbox"
    if stat.S_ISDIR(kind):
        return None
    return "" if stat.S_ISREG(kind) else "is no ordinary file"


def _describe(
    tracker: str,
    path: Path,
    inbox: Path,
    fault: str,
    known: Mapping[str, Known],
    keep: Callable[[str, bytes], None] | None,
) -> ExportFile:
    """A file that can't be opened just now is listed all the same, without content: reading it then says why."""
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


def _known_hash(facts: os.stat_result, known: Known | None) -> str | None:
    """The hash of an earlier run, where the file has not been written since."""
    same = known is not None and (facts.st_size, _written_at(facts)) == (known.bytes, known.modified_at)
    return known.sha256 if known and same else None


def content_hash(path: Path) -> str:
    """SHA-256 of a file's bytes, as hex digits. Raises OSError."""
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
    r"""A file name as text that every table can hold: bytes that are no UTF-8 are written out (\udcff)."""
    return name.encode("utf-8", "backslashreplace").decode("utf-8")


def _short_id(tracker: str, content: str) -> str:
    # the tracker is part of the id: two trackers may write the same bytes
    return hashlib.sha256(f"{tracker}\n{content}".encode()).hexdigest()[:16]
