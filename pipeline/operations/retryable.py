"""Transient faults, which a retry can cure: an offline network drive, a locked file, another run in progress."""

import errno
import os
from collections.abc import Iterator, Mapping
from pathlib import Path

from pipeline.errors import PitchledgerError
from pipeline.exports.inbox import fit_to_store
from pipeline.settings.ledger import Ledger
from pipeline.warehouse.lock import RunInProgressError
from pipeline.warehouse.query import published_connection
from pipeline.warehouse.versions import current_version

# a network drive or server that comes back, a file that another program holds open
_TRANSIENT = frozenset(
    number
    for name in (
        *("EAGAIN", "EBUSY", "ETXTBSY", "EDEADLK", "ESTALE", "ETIMEDOUT", "ENOTCONN", "ECONNRESET", "ECONNREFUSED"),
        *("ECONNABORTED", "EHOSTDOWN", "EHOSTUNREACH", "ENETDOWN", "ENETUNREACH", "ENETRESET", "EREMOTEIO"),
    )
    if (number := getattr(errno, name, None)) is not None
)
# Windows: sharing violation, lock violation, network path not found, network name gone, network name not found, semaphore timeout
_TRANSIENT_ON_WINDOWS = frozenset({32, 33, 53, 64, 67, 121})
# locked files that a message names
MAX_FILES_NAMED = 3


class InboxUnreachableError(PitchledgerError):
    """Inboxes or new exports that cannot be reached now; `unreachable` holds (tracker, sentence) pairs."""

    def __init__(self, unreachable: list[tuple[str, str]]) -> None:
        """Keep the pairs; the message joins them."""
        self.unreachable = unreachable
        super().__init__("; ".join(f"{tracker}: {sentence}" for tracker, sentence in unreachable))


def check_inboxes(ledger: Ledger) -> None:
    """Raise InboxUnreachableError unless every inbox exists and all new exports can be opened.

    An empty inbox counts as unreachable if exports came from it before: an unmounted network drive looks like that.
    """
    known = _known_files(ledger.output)
    unreachable = [
        (tracker.id, sentence)
        for tracker in ledger.trackers
        for sentence in _faults(tracker.inbox, known.get(tracker.id, {}))
    ]
    if unreachable:
        raise InboxUnreachableError(unreachable)


def _known_files(output: Path) -> dict[str, dict[str, int]]:
    """Return name and size of each tracker's exports that were in the inbox at the last publish."""
    if current_version(output) is None:
        return {}
    with published_connection(output) as con:
        files = con.sql("from files").pl()
    if "gone_since" in files.columns:  # versions of an older program lack the column
        files = files.filter(files["gone_since"].is_null())
    known: dict[str, dict[str, int]] = {}
    for tracker, name, size in files.select("tracker", "file_name", "bytes").iter_rows():
        known.setdefault(tracker, {})[name] = size
    return known


def _faults(inbox: Path, known: Mapping[str, int]) -> Iterator[str]:
    faults: list[OSError] = []
    found: dict[str, Path] = {}
    for folder, subfolders, names in os.walk(inbox, onerror=faults.append):
        subfolders[:] = [name for name in subfolders if not name.startswith(".")]
        paths = [Path(folder, name) for name in names if not name.startswith(".")]
        found |= {fit_to_store(path.relative_to(inbox).as_posix()): path for path in paths}
    if faults:
        yield f"cannot reach the inbox {inbox} ({faults[0].strerror or faults[0]})"
    elif not found and known:
        yield f"the inbox {inbox} is empty, but {len(known)} exports came from it before; is the network drive mounted?"
    locked = [name for name, path in sorted(found.items()) if _is_locked(path, known.get(name))]
    if locked:
        more = f" and {len(locked) - MAX_FILES_NAMED} more" if len(locked) > MAX_FILES_NAMED else ""
        yield f"cannot open now: {', '.join(map(ascii, locked[:MAX_FILES_NAMED]))}{more}"


def _is_locked(path: Path, known_size: int | None) -> bool:
    """Return whether an export that is new or changed size since the last run cannot be opened now."""
    try:
        if path.is_symlink() or not path.is_file() or path.stat().st_size == known_size:
            return False
        with path.open("rb") as file:
            file.read(1)
    except OSError:
        return True
    return False


def is_transient(fault: BaseException | None) -> bool:
    """Return whether a fault or one of its causes is transient. Settings, contracts and a full disk are not."""
    while fault is not None:
        if isinstance(fault, InboxUnreachableError | RunInProgressError):
            return True
        if isinstance(fault, OSError) and (
            fault.errno in _TRANSIENT or getattr(fault, "winerror", None) in _TRANSIENT_ON_WINDOWS
        ):
            return True
        fault = fault.__cause__
    return False
