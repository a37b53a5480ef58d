"""Durable file operations: data and directory entries are fsynced before a function returns. Outputs are for owner and group only."""

import contextlib
import errno
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

# Owner writes, group reads, others get nothing: exports and tables hold people's names.
PRIVATE_UMASK = 0o027


@contextlib.contextmanager
def private_files() -> Iterator[None]:
    """Give files and folders created in this block to owner and group only."""
    previous_umask = os.umask(PRIVATE_UMASK)
    try:
        yield
    finally:
        os.umask(previous_umask)


def fsync_file(path: Path) -> None:
    """Flush a file's bytes to the disk. A read-only file works too."""
    # Windows alone needs write access for an fsync.
    handle = os.open(path, os.O_RDONLY if os.name == "posix" else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def fsync_folder(folder: Path) -> None:
    """Flush a folder's directory entries to the disk, where the system has such a call (POSIX, except some network drives)."""
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
    """Create a folder and its missing parents, for owner and group, and fsync their directory entries."""
    missing = [path for path in (folder, *folder.parents) if not path.is_dir()]
    with private_files():
        folder.mkdir(parents=True, exist_ok=True)
    for path in missing:
        fsync_folder(path.parent)


def link_or_copy(source: Path, target: Path) -> None:
    """Hard-link a file that never changes; copy it where the disk has no hard links."""
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        target.hardlink_to(source)
    except (OSError, NotImplementedError):
        shutil.copyfile(source, target)


def write_atomically(path: Path, content: bytes) -> None:
    """Write a temporary file, fsync it, then rename it to `path`: a reader never sees half of it."""
    temporary = path.with_name(f".{path.name}.new")
    with private_files(), temporary.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    temporary.replace(path)
    fsync_folder(path.parent)


@contextlib.contextmanager
def polars_disk_errors() -> Iterator[None]:
    """Raise OSError for disk errors that polars reports as a ComputeError."""
    import polars as pl

    try:
        yield
    except pl.exceptions.ComputeError as fault:
        raise OSError(str(fault)) from fault
