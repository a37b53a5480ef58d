"""What the run before left: its published rows, and frames that only the next run wants, kept beside them.

    versions/<version>/memory/<name>.parquet    by export (file_...) or by night; night.py and preparing.py say which
                              settings.json     what the settings were, part by part (planning.py)

The memory belongs to a version, so it can never be newer or older than the rows that readers see, and an old version that is put back
brings its own.
"""

import json
import logging
from collections.abc import Collection, Mapping
from datetime import date
from pathlib import Path
from typing import NamedTuple

import polars as pl

from pipeline.disk import disk_of_polars
from pipeline.errors import PitchledgerError
from pipeline.publishing import current_version, version_folder, versions

MEMORY, SETTINGS = "memory", "settings.json"

log = logging.getLogger("pitchledger")


class DamagedVersionError(PitchledgerError):
    """What a run needs of the version that stands is gone or spoilt."""


class Memory(NamedTuple):
    """The version that stands. `settings` by part; empty where the version was made by a program that kept no memory."""

    version: str
    folder: Path
    settings: Mapping[str, str]

    def frame(self, name: str) -> pl.DataFrame:
        """One of the kept frames. Raises DamagedVersionError."""
        file = self.folder / MEMORY / f"{name}.parquet"
        try:
            return pl.read_parquet(file, hive_partitioning=False)
        except (OSError, pl.exceptions.ComputeError) as fault:
            raise DamagedVersionError(
                f"version {self.version} is damaged: {file} can't be read ({fault}). Put an older one back with "
                f"`pitchledger run --restore VERSION` and run again; where there is none, move {self.folder} out of the way"
            ) from fault

    def table(self, name: str) -> pl.LazyFrame:
        """A published table, to be read as far as it is needed."""
        return pl.scan_parquet(sorted((self.folder / "parquet" / name).rglob("*.parquet")), hive_partitioning=False)


def recall(output: Path) -> Memory | None:
    """The memory of the version that readers see, or, where that is gone from the disk, of the newest that is whole; None without any."""
    version = current_version(output)
    whole = versions(output)
    if version not in whole:
        if version is not None:
            log.warning("version %s is gone from %s", version, output / "versions")
        version = whole[-1] if whole else None
    if version is None:
        return None
    folder = version_folder(output, version)
    try:
        settings = json.loads((folder / MEMORY / SETTINGS).read_text("utf-8"))
    except (OSError, ValueError):
        settings = {}
    return Memory(version, folder, settings)


def write_memory(frames: Mapping[str, pl.DataFrame], settings: Mapping[str, str], folder: Path) -> None:
    """Write the frames and settings into a version's folder."""
    (folder / MEMORY).mkdir()
    for name, frame in frames.items():
        with disk_of_polars():
            # written every night and read by the next one only: speed is worth more than the last tenth of room
            frame.write_parquet(folder / MEMORY / f"{name}.parquet", compression="lz4")
    (folder / MEMORY / SETTINGS).write_text(json.dumps(dict(settings), indent=1) + "\n", "utf-8")


def renewed(old: pl.DataFrame | None, new: pl.DataFrame, nights: Collection[date]) -> pl.DataFrame:
    """The old rows of other nights, then the new ones."""
    if old is None:
        return new
    return pl.concat([old.filter(~pl.col("baseball_day").is_in(list(nights))), new])


def renewed_files(old: pl.DataFrame | None, new: pl.DataFrame, files: Collection[str]) -> pl.DataFrame:
    """The old rows of other files, then the new ones."""
    if old is None:
        return new
    return pl.concat([old.filter(~pl.col("file_id").is_in(list(files))), new])
