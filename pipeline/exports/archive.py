"""A copy of every export, by the hash of its bytes: a file that a sync removes from an inbox is not lost to the warehouse.

Copies are compressed (zstd). A copy whose bytes do not match its hash is not used.
"""

import hashlib
import logging
from collections.abc import Collection
from pathlib import Path

from pipeline.durable_files import make_folder, write_atomically
from pipeline.errors import PitchledgerError

ARCHIVE = ".exports"

log = logging.getLogger("pitchledger")


class NotKeptError(PitchledgerError):
    """An export could not be copied, so it is not processed either: it could not be restored later."""


def keep_export(output: Path, sha256: str, content: bytes) -> None:
    """Keep a copy below the output folder, on the disk when this returns. An existing copy stays. Raises NotKeptError."""
    place = _place(output, sha256)
    if place.is_file():
        return
    try:
        make_folder(place.parent)
        write_atomically(place, _compress(content))
    except OSError as fault:
        place.with_name(f".{place.name}.new").unlink(missing_ok=True)
        raise NotKeptError(
            f"An export could not be copied to {place.parent}: {fault}. Nothing was published. Free space on the disk or repair it, then run again."
        ) from fault


def _compress(content: bytes) -> bytes:
    import pyarrow

    buffer = pyarrow.BufferOutputStream()  # type: ignore[attr-defined]
    with pyarrow.CompressedOutputStream(buffer, "zstd") as stream:  # type: ignore[attr-defined]
        stream.write(content)
    compressed: bytes = buffer.getvalue().to_pybytes()
    return compressed


def kept_export(output: Path, sha256: str) -> bytes | None:
    """Return the bytes of a kept export; None where there is no copy, or it is damaged."""
    import pyarrow

    place = _place(output, sha256)
    try:
        buffer = pyarrow.BufferReader(place.read_bytes())  # type: ignore[attr-defined]
        with pyarrow.CompressedInputStream(buffer, "zstd") as stream:  # type: ignore[attr-defined]
            content: bytes = stream.read()
    except FileNotFoundError:
        return None
    except OSError as fault:
        log.warning("%s can't be read: %s", place, fault)
        return None
    return content if hashlib.sha256(content).hexdigest() == sha256 else None


def clear_archive(output: Path, needed: Collection[str]) -> None:
    """Remove copies that no kept version needs, and what a killed run left. A file that can't be removed is left for the next run."""
    for place in (output / ARCHIVE).glob("*/*"):
        if place.stem not in needed:
            try:
                place.unlink(missing_ok=True)
            except OSError as fault:
                log.warning("%s can't be removed: %s", place, fault)


def _place(output: Path, sha256: str) -> Path:
    return output / ARCHIVE / sha256[:2] / f"{sha256}.zst"
