"""What passes by waiting: an inbox whose share is away, a file that is locked, another run. Everything else is for a person to mend."""

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

# a network share or a server that comes back, a file that another program holds open just now
_PASSING = frozenset(
    number
    for name in (
        *("EAGAIN", "EBUSY", "ETXTBSY", "EDEADLK", "ESTALE", "ETIMEDOUT", "ENOTCONN", "ECONNRESET", "ECONNREFUSED"),
        *("ECONNABORTED", "EHOSTDOWN", "EHOSTUNREACH", "ENETDOWN", "ENETUNREACH", "ENETRESET", "EREMOTEIO"),
    )
    if (number := getattr(errno, name, None)) is not None
)
# Windows: sharing violation, lock violation, network path not found, network name gone, network name not found, semaphore timeout
_PASSING_ON_WINDOWS = frozenset({32, 33, 53, 64, 67, 121})
MOST_FILES_TOLD = 3


class InboxAwayError(PitchledgerError):
    """Inboxes, or new exports in them, that can't be reached just now; `away` has a sentence for each, with its tracker."""

    def __init__(self, away: list[tuple[str, str]]) -> None:
        """Keep what is away; the message has all of it."""
        self.away = away
        super().__init__("; ".join(f"{tracker}: {sentence}" for tracker, sentence in away))


def look_into_inboxes(ledger: Ledger) -> None:
    """Raise InboxAwayError unless every tracker's inbox is there and its new exports can be opened.

    An inbox that is empty although exports came from it before counts as away: so looks a folder whose share is not mounted.
    """
    known = _known_files(ledger.output)
    away = [
        (tracker.id, sentence)
        for tracker in ledger.trackers
        for sentence in _away(tracker.inbox, known.get(tracker.id, {}))
    ]
    if away:
        raise InboxAwayError(away)


def _known_files(output: Path) -> dict[str, dict[str, int]]:
    """By tracker, the exports of the published version that were in their inbox then: name and size."""
    if current_version(output) is None:
        return {}
    with published_connection(output) as con:
        files = con.sql("from files").pl()
    if "gone_since" in files.columns:  # not so in a version of an earlier program
        files = files.filter(files["gone_since"].is_null())
    known: dict[str, dict[str, int]] = {}
    for tracker, name, size in files.select("tracker", "file_name", "bytes").iter_rows():
        known.setdefault(tracker, {})[name] = size
    return known


def _away(inbox: Path, known: Mapping[str, int]) -> Iterator[str]:
    faults: list[OSError] = []
    found: dict[str, Path] = {}
    for folder, subfolders, names in os.walk(inbox, onerror=faults.append):
        subfolders[:] = [name for name in subfolders if not name.startswith(".")]
        paths = [Path(folder, name) for name in names if not name.startswith(".")]
        found |= {fit_to_store(path.relative_to(inbox).as_posix()): path for path in paths}
    if faults:
        yield f"the inbox {inbox} can't be reached ({faults[0].strerror or faults[0]})"
    elif not found and known:
        yield f"the inbox {inbox} is empty, although {len(known)} exports came from it before: is the share mounted?"
    held = [name for name, path in sorted(found.items()) if _is_held(path, known.get(name))]
    if held:
        more = f" and {len(held) - MOST_FILES_TOLD} more" if len(held) > MOST_FILES_TOLD else ""
        yield f"can't be opened just now: {', '.join(map(ascii, held[:MOST_FILES_TOLD]))}{more}"


def _is_held(path: Path, known_size: int | None) -> bool:
    """Whether an export that the last run did not have, or had in another size, can't be opened just now."""
    try:
        if path.is_symlink() or not path.is_file() or path.stat().st_size == known_size:
            return False
        with path.open("rb") as file:
            file.read(1)
    except OSError:
        return True
    return False


def can_pass(fault: BaseException | None) -> bool:
    """Whether a fault, or what caused it, passes by itself. Settings, contracts and a full disk don't."""
    while fault is not None:
        if isinstance(fault, InboxAwayError | RunInProgressError):
            return True
        if isinstance(fault, OSError) and (
            fault.errno in _PASSING or getattr(fault, "winerror", None) in _PASSING_ON_WINDOWS
        ):
            return True
        fault = fault.__cause__
    return False
