"""What the run before left: its published rows, and frames that only the next run wants, kept beside them.

    versions/<version>/memory/<name>.parquet    by export (file_...) or by night; night.py and preparing.py say which
                              settings.json     what the settings were, part by part (planning.py)

The memory belongs to a version, so it can never be newer or older than the rows that readers see, and an old version that is put back
brings its own.
"""

import json
from collections.abc import Collection, Mapping
from datetime import date
from pathlib import Path
from typing import NamedTuple

import polars as pl

from pipeline.publishing import current_version, version_folder

MEMORY, SETTINGS = "memory", "settings.json"


class Memory(NamedTuple):
    """The version that stands. `settings` by part; empty where the version was made by a program that kept no memory."""

    version: str
    folder: Path
    settings: Mapping[str, str]

    def frame(self, name: str) -> pl.DataFrame:
        """One of the kept frames."""
        return pl.read_parquet(self.folder / MEMORY / f"{name}.parquet", hive_partitioning=False)

    def table(self, name: str) -> pl.LazyFrame:
        """A published table, to be read as far as it is needed."""
        return pl.scan_parquet(sorted((self.folder / "parquet" / name).rglob("*.parquet")), hive_partitioning=False)


def recall(output: Path) -> Memory | None:
    """The memory of the version that readers see; None where nothing is published."""
    version = current_version(output)
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
        frame.write_parquet(folder / MEMORY / f"{name}.parquet", compression="zstd")
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
