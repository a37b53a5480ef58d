"""Published versions on the disk: list them, point readers at one, restore one, prune old ones.

    warehouse/versions/<version>/pitchledger.duckdb      written once, never changed
                                 parquet/<table>/season=2026/month=02/<table>-from-11.parquet    (or -01, -21)
                                 quarantine/<tracker>.csv
                                 manifest.json
    warehouse/current -> versions/<version>              the only name that moves
    warehouse/pitchledger.duckdb -> current/pitchledger.duckdb; likewise parquet, quarantine, manifest.json

A new version is written completely beside the others. An atomic rename of the link `current` then shows it to readers. A reader that has
a file open keeps it. After a kill or a full disk, readers see either the old version or the new one, complete. Where the system permits
no links (usually Windows), current.txt names the version, and pitchledger.duckdb and manifest.json are copies beside it.
"""

import contextlib
import errno
import json
import logging
import os
import shutil
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import polars as pl

from pipeline.durable_files import fsync_file, fsync_folder, private_files, write_atomically
from pipeline.errors import PitchledgerError
from pipeline.exports.archive import clear_archive

DATABASE = "pitchledger.duckdb"
MANIFEST = "manifest.json"
# current.txt: names the version where the system permits no links
POINTER = "current.txt"
# names in the output folder that lead to the current version: as links, or as copies where links are not permitted
LINKED = (DATABASE, "parquet", "quarantine", MANIFEST)
COPIED = (DATABASE, MANIFEST)
# prefix of whatever a run has not finished yet; readers ignore such names
UNFINISHED = ".half-"
# prefix of a pruned version that is not deleted yet
PRUNED = f"{UNFINISHED}old-"
# A reader that has just looked up the previous version must still find its files.
FEWEST_KEPT = 2
# errors of a failing disk; any other error from the first symlink means that the system permits no links
_DISK_ERRORS = (errno.EIO, errno.ENOSPC, errno.EDQUOT, errno.EROFS) if os.name == "posix" else (errno.EIO, errno.ENOSPC)
# DuckDB's errors when the disk or memory is exhausted. A failed commit has no other cause: no other process writes the file.
_ENGINE_DISK_ERRORS = (
    duckdb.IOException,
    duckdb.FatalException,
    duckdb.OutOfMemoryException,
    duckdb.TransactionException,
)

log = logging.getLogger("pitchledger")


class PublishFailedError(PitchledgerError):
    """The version could not be written or shown to readers; they still see the previous version."""


class Version(NamedTuple):
    """One published version of the warehouse in `output`: its folder, database, manifest and Parquet files."""

    output: Path
    name: str

    @property
    def folder(self) -> Path:
        """Return the folder with all files of this version."""
        return self.output / "versions" / self.name

    @property
    def database(self) -> Path:
        """Return the DuckDB file."""
        return self.folder / DATABASE

    @property
    def manifest(self) -> Path:
        """Return the manifest file."""
        return self.folder / MANIFEST

    def read_manifest(self) -> dict[str, Any]:
        """Return the manifest: version, schema_version, tables, and every file with its size and checksum."""
        content: dict[str, Any] = json.loads(self.manifest.read_text(encoding="utf-8"))
        return content

    def table_files(self, table: str) -> list[Path]:
        """Return the table's Parquet files, oldest month first; an empty list where this version lacks the table."""
        return sorted((self.folder / "parquet" / table).rglob("*.parquet"))


def list_versions(output: Path) -> list[str]:
    """Return the complete versions in the output folder, oldest first: by their names, which say when the run began. A copy may change file times."""
    complete = [
        path
        for path in (output / "versions").glob("*")
        if not path.name.startswith(".") and (path / MANIFEST).is_file()
    ]
    return sorted((path.name for path in complete), key=_age)


def _age(version: str) -> tuple[str, int, str]:
    """Return a sort key of a version's name: its time, and its number within one second, of which 10 comes after 9."""
    time, _, number = version.partition("-")
    return time, int(number) if number.isdecimal() else 0, version


def current_version(output: Path) -> str | None:
    """Return the version that readers see; None where nothing is published."""
    link, pointer = output / "current", output / POINTER
    if link.is_symlink():
        return link.readlink().name
    if pointer.is_file():
        return pointer.read_text(encoding="utf-8").strip() or None
    return None


def next_version(output: Path, started_at: datetime) -> str:
    """Return a name that sorts after every existing version: a run's time, or that of the newest version where the clock was ahead then.

    A second run within one second gets the next number.
    """
    first = started_at.strftime("%Y%m%dT%H%M%SZ")
    newest = max(map(_age, list_versions(output)), default=("", 0, ""))
    if newest[0] < first:
        return first
    return f"{newest[0]}-{max(newest[1], 1) + 1}"


# ---- show a version to readers -----------------------------------------------------------------------------------------------------------


def point_to(output: Path, version: str) -> None:
    """Show readers a complete version of the output folder: the atomic step of publishing, and of restoring an older version.

    May be repeated at any time: it also repairs what a killed run left. Raises PublishFailedError where there is no such version.
    """
    if version not in (existing := list_versions(output)):
        raise PublishFailedError(
            f"no version {version} in {output}; existing versions: {', '.join(existing) or 'none'}"
        )
    with private_files():
        if not _point_by_links(output, version):
            _point_by_copies(output, version)
        fsync_folder(output)


def _point_by_links(output: Path, version: str) -> bool:
    """Return False where the system permits no links. The names behind `current` come first: they must exist when it moves."""
    try:
        for name in LINKED:
            _link(Path("current") / name, output / name)
        _link(Path("versions") / version, output / "current")
    except (OSError, NotImplementedError) as refusal:
        if (output / "current").is_symlink() or getattr(refusal, "errno", None) in _DISK_ERRORS:
            raise
        log.info("The system permits no links here (%s): using copies and %s instead.", refusal, POINTER)
        return False
    return True


def _link(target: Path, name: Path) -> None:
    if name.is_symlink() and name.readlink() == target:
        return
    temporary = name.with_name(f".{name.name}.new")
    temporary.unlink(missing_ok=True)
    temporary.symlink_to(target, target_is_directory=target.suffix == "")
    temporary.replace(name)


def _point_by_copies(output: Path, version: str) -> None:
    """Write the pointer file, then the copies. A copy that another program holds open is replaced by the next run."""
    write_atomically(output / POINTER, f"{version}\n".encode())
    for name in COPIED:
        try:
            _copy(output / "versions" / version / name, output / name)
        except PermissionError:
            log.warning(
                "%s is open in another program and keeps the previous version; %s names the newest.",
                output / name,
                POINTER,
            )


def _copy(source: Path, target: Path) -> None:
    temporary = target.with_name(f".{target.name}.new")
    temporary.unlink(missing_ok=True)
    shutil.copyfile(source, temporary)
    make_read_only(temporary)
    temporary.replace(target)


def make_read_only(path: Path) -> None:
    """Fsync a file and make it read-only: a client that opened the database for writing would lock it.

    A file with a second name is a hard link into an earlier version, which has done this already.
    """
    if path.stat().st_nlink > 1:
        return
    fsync_file(path)
    if os.name == "posix":
        path.chmod(0o440)


# ---- clean up and prune ------------------------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def disk_errors_as_publish_failure(output: Path, version: str) -> Iterator[None]:
    """Raise PublishFailedError, with the version that readers see now, for any error of the disk."""
    try:
        yield
    except (OSError, *_ENGINE_DISK_ERRORS) as problem:
        visible = current_version(output)
        state = f"readers still see version {visible}" if visible else "nothing is published yet"
        if visible == version:
            state = f"readers see version {visible}, complete, but it may not survive a power failure"
        raise PublishFailedError(
            f"could not publish to {output}: {problem}; {state}. Free or repair the disk and run again"
        ) from problem


def recover(output: Path, keep: int) -> None:
    """Repair what a killed run left: unfinished files, old versions, and names that do not lead to the current version yet."""
    visible, existing = current_version(output), list_versions(output)
    with private_files(), disk_errors_as_publish_failure(output, ""):
        delete_unfinished(output)
        if existing:
            point_to(output, visible if visible in existing else existing[-1])
    prune_versions(output, max(keep, FEWEST_KEPT))


def delete_unfinished(output: Path) -> None:
    """Delete what a killed run left."""
    for path in (output / "versions").glob(f"{UNFINISHED}*"):
        delete(path)
    for path in output.glob(".*.new"):
        path.unlink(missing_ok=True)


def prune_versions(output: Path, keep: int, replaced: str | None = None) -> None:
    """Hide all but `keep` versions: the current one, the one that it `replaced`, and the newest. The next run retries what cannot be moved."""
    spared = {current_version(output), replaced}
    complete = list_versions(output)
    old = [version for version in complete if version not in spared]
    try:
        for version in old[: max(len(complete) - keep, 0)]:
            hide(output / "versions" / version)
    except OSError as fault:
        log.warning("An old version could not be removed: %s", fault)


def hide(version: Path) -> None:
    """Rename a version's folder for `delete_pruned`: a half-deleted version must never look complete."""
    if version.exists():
        # Windows refuses while another program holds a file of it open: it stays.
        with contextlib.suppress(PermissionError):
            version.replace(version.with_name(f"{PRUNED}{version.name}"))


def delete_pruned(output: Path) -> None:
    """Delete the files of pruned versions. No reader looks for them, so no lock is needed; the next run retries what cannot be deleted."""
    for path in (output / "versions").glob(f"{PRUNED}*"):
        delete(path)


@contextlib.contextmanager
def deleting_pruned(output: Path) -> Iterator[None]:
    """Run `delete_pruned` in a background thread: for a long history it takes as long as printing a summary."""
    with ThreadPoolExecutor(1) as background:
        background.submit(delete_pruned, output)
        yield


def clear_exports(output: Path) -> None:
    """Delete the archived copies of exports that no kept version was made from; keep all where that cannot be determined."""
    versions = [Version(output, name) for name in list_versions(output)]
    files = [file for version in versions for file in version.table_files("files")]
    try:
        hashes = [pl.read_parquet(file, columns=["sha256"]).get_column("sha256") for file in files]
    except (OSError, pl.exceptions.ComputeError) as fault:
        log.warning("Archived exports were not cleared: %s", fault)
        return
    clear_archive(output, {sha256 for column in hashes for sha256 in column})


def delete(path: Path) -> None:
    """Delete a file or folder as far as possible; the next run retries what the disk or an open file (Windows) holds back."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)
