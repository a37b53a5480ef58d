"""A copy of every export that was taken in, by the hash of its bytes: what a sync removes from an inbox is not lost to the warehouse.

Copies are compressed (zstd). One whose bytes do not give its hash is as good as none.
"""

import hashlib
import logging
import os
from collections.abc import Collection
from pathlib import Path

ARCHIVE = ".exports"

log = logging.getLogger("pitchledger")


def keep_export(output: Path, sha256: str, content: bytes) -> None:
    """Keep a copy below the output folder; on the disk when this returns. One that is there already stays."""
    place = _place(output, sha256)
    if place.is_file():
        return
    import pyarrow

    place.parent.mkdir(parents=True, exist_ok=True)
    squeezed = pyarrow.BufferOutputStream()  # type: ignore[attr-defined]
    with pyarrow.CompressedOutputStream(squeezed, "zstd") as stream:  # type: ignore[attr-defined]
        stream.write(content)
    half = place.with_name(f".{place.name}.new")
    with half.open("wb") as file:
        file.write(squeezed.getvalue())
        file.flush()
        os.fsync(file.fileno())
    half.replace(place)


def kept_export(output: Path, sha256: str) -> bytes | None:
    """The bytes of a kept export; None where there is no copy, or it is damaged."""
    import pyarrow

    place = _place(output, sha256)
    try:
        packed = pyarrow.BufferReader(place.read_bytes())  # type: ignore[attr-defined]
        with pyarrow.CompressedInputStream(packed, "zstd") as stream:  # type: ignore[attr-defined]
            content: bytes = stream.read()
    except FileNotFoundError:
        return None
    except OSError as fault:
        log.warning("%s can't be read: %s", place, fault)
        return None
    return content if hashlib.sha256(content).hexdigest() == sha256 else None


def clear_archive(output: Path, needed: Collection[str]) -> None:
    """Remove the copies of exports that no kept version needs, and what a killed run has left."""
    for place in (output / ARCHIVE).glob("*/*"):
        if place.stem not in needed:
            place.unlink(missing_ok=True)


def _place(output: Path, sha256: str) -> Path:
    return output / ARCHIVE / sha256[:2] / f"{sha256}.zst"
