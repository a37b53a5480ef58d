"""What outlasts a power cut: bytes and names that are on the disk when a function returns. Outputs are for owner and group only."""

import contextlib
import errno
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

# the owner writes, the group reads, nobody else does either: exports and tables hold people's names
PRIVATE_UMASK = 0o027


@contextlib.contextmanager
def private_files() -> Iterator[None]:
    """What is made meanwhile is for owner and group."""
    before = os.umask(PRIVATE_UMASK)
    try:
        yield
    finally:
        os.umask(before)


def sync_file(path: Path) -> None:
    """The file's bytes on the disk. One that may only be read can be settled too; Windows alone wants to write for it."""
    handle = os.open(path, os.O_RDONLY if os.name == "posix" else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(folder: Path) -> None:
    """A folder's names on the disk; systems other than POSIX, and some shares, have no such call."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as fault:
        if fault.errno not in (errno.EINVAL, errno.EBADF):
            raise
    finally:
        os.close(handle)


def make_folder(folder: Path) -> None:
    """Make a folder, for owner and group, and those above it that are missing; their names are on the disk then."""
    missing = [path for path in (folder, *folder.parents) if not path.is_dir()]
    with private_files():
        folder.mkdir(parents=True, exist_ok=True)
    for path in missing:
        sync_folder(path.parent)


def link_or_copy(source: Path, target: Path) -> None:
    """One more name for a file that nobody ever changes; a copy where the disk knows no such thing."""
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        target.hardlink_to(source)
    except (OSError, NotImplementedError):
        shutil.copyfile(source, target)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file aside and give it its name in one step: at no time is there half of it under that name."""
    aside = path.with_name(f".{path.name}.new")
    with private_files(), aside.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    aside.replace(path)
    sync_folder(path.parent)


@contextlib.contextmanager
def disk_of_polars() -> Iterator[None]:
    """What the disk refuses to polars as an OSError; polars tells some of it as a fault of the file's form."""
    import polars as pl

    try:
        yield
    except pl.exceptions.ComputeError as fault:
        raise OSError(str(fault)) from fault
