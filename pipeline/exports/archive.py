"""A copy of every export that was taken in, by the hash of its bytes: what a sync removes from an inbox is not lost to the warehouse.

Copies are compressed (zstd). One whose bytes do not give its hash is as good as none.
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
    """An export could not be copied: what can't be kept is not taken in, as nobody could bring it back."""


def keep_export(output: Path, sha256: str, content: bytes) -> None:
    """Keep a copy below the output folder; on the disk when this returns. One that is there already stays. Raises NotKeptError."""
    place = _place(output, sha256)
    if place.is_file():
        return
    try:
        make_folder(place.parent)
        write_atomically(place, _squeezed(content))
    except OSError as fault:
        place.with_name(f".{place.name}.new").unlink(missing_ok=True)
        raise NotKeptError(
            f"an export could not be copied to {place.parent}: {fault}; nothing was published. Free or repair the disk and run again"
        ) from fault


def _squeezed(content: bytes) -> bytes:
    import pyarrow

    packed = pyarrow.BufferOutputStream()  # type: ignore[attr-defined]
    with pyarrow.CompressedOutputStream(packed, "zstd") as stream:  # type: ignore[attr-defined]
        stream.write(content)
    squeezed: bytes = packed.getvalue().to_pybytes()
    return squeezed


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
    """Remove the copies of exports that no kept version needs, and what a killed run has left. What can't be removed waits for the next run."""
    for place in (output / ARCHIVE).glob("*/*"):
        if place.stem not in needed:
            try:
                place.unlink(missing_ok=True)
            except OSError as fault:
                log.warning("%s can't be removed: %s", place, fault)


def _place(output: Path, sha256: str) -> Path:
    return output / ARCHIVE / sha256[:2] / f"{sha256}.zst"
