"""What the run before left: its published rows, and frames that only the next run wants, kept beside them.

    versions/<version>/memory/<name>.parquet    by export (file_...) or by night; night.py and preparing.py say which
                                     <name>/<year-month>.parquet  of a frame that grows with every pitch: months without a new night are links
                              settings.json     what the settings were, part by part (planning.py)

The memory belongs to a version, so it can never be newer or older than the rows that readers see, and an old version that is put back
brings its own.
"""

import contextlib
import json
import logging
from collections.abc import Collection, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Literal, NamedTuple

import polars as pl

from pipeline.durable_files import link_or_copy, polars_disk_errors
from pipeline.errors import PitchledgerError
from pipeline.warehouse.versions import Version, current_version, list_versions

MEMORY, SETTINGS = "memory", "settings.json"
# by month, as writing them whole every night would cost as much as all the rest of what is kept
BY_MONTH = frozenset({"agreement_differences"})
SIGHTING_NIGHTS = "sighting_nights"

log = logging.getLogger("pitchledger")


class DamagedVersionError(PitchledgerError):
    """What a run needs of the version that stands is gone or spoilt."""


class Memory(NamedTuple):
    """The version that stands. `settings` by part; empty where the version was made by a program that kept no memory.

    `ahead`: frames by name that are being read already (`reading_ahead`).
    """

    version: str
    folder: Path
    settings: Mapping[str, str]
    ahead: Mapping[str, Future[pl.DataFrame]] = MappingProxyType({})

    def frame(self, name: str) -> pl.DataFrame:
        """One of the kept frames. Raises DamagedVersionError."""
        return self.ahead[name].result() if name in self.ahead else self._read(name)

    def _read(self, name: str) -> pl.DataFrame:
        file = self.folder / MEMORY / f"{name}.parquet"
        files = sorted((self.folder / MEMORY / name).glob("*.parquet")) or [file]
        try:
            parts = [pl.scan_parquet(part, hive_partitioning=False) for part in files]
            return pl.concat(parts, how="diagonal").collect()
        except (OSError, pl.exceptions.ComputeError) as fault:
            raise DamagedVersionError(
                f"version {self.version} is damaged: {file} can't be read ({fault}). Put an older one back with "
                f"`pitchledger run --restore VERSION` and run again; where there is none, move {self.folder} out of the way"
            ) from fault

    def table(self, name: str) -> pl.LazyFrame:
        """A published table, to be read as far as it is needed."""
        return pl.scan_parquet(sorted((self.folder / "parquet" / name).rglob("*.parquet")), hive_partitioning=False)

    def sighting_nights(self) -> pl.DataFrame:
        """sighting_id, baseball_day of every sighting, of those set aside too."""
        if SIGHTING_NIGHTS in self.ahead:
            return self.ahead[SIGHTING_NIGHTS].result()
        parts = (self.table(name).select("sighting_id", "baseball_day") for name in ("sightings", "set_aside"))
        return pl.concat(parts).collect()


def recall(output: Path) -> Memory | None:
    """The memory of the version that readers see, or, where that is gone from the disk, of the newest that is whole; None without any."""
    version = current_version(output)
    whole = list_versions(output)
    if version not in whole:
        if version is not None:
            log.warning("version %s is gone from %s", version, output / "versions")
        version = whole[-1] if whole else None
    if version is None:
        return None
    folder = Version(output, version).folder
    try:
        settings = json.loads((folder / MEMORY / SETTINGS).read_text("utf-8"))
    except (OSError, ValueError):
        settings = {}
    return Memory(version, folder, settings)


@contextlib.contextmanager
def reading_ahead(memory: Memory | None) -> Iterator[Memory | None]:
    """The memory, of which what grows with every pitch is read while the caller is at the steps before those that want it."""
    if memory is None:
        yield None
        return
    with ThreadPoolExecutor(1) as beside:
        nights = beside.submit(memory.sighting_nights)  # wanted first
        frames = {name: beside.submit(memory.frame, name) for name in sorted(BY_MONTH)}
        yield memory._replace(ahead={SIGHTING_NIGHTS: nights, **frames})


def write_memory(
    frames: Mapping[str, pl.DataFrame],
    settings: Mapping[str, str],
    folder: Path,
    before: Memory | None,
    nights: Collection[date],
) -> None:
    """Write the frames and settings into a version's folder; the rows of other than these `nights` are those of `before`."""
    (folder / MEMORY).mkdir()
    for name, frame in frames.items():
        if name in BY_MONTH and frame.height:
            _write_months(name, frame, folder / MEMORY, before, nights)
        else:
            _write(frame, folder / MEMORY / f"{name}.parquet")
    (folder / MEMORY / SETTINGS).write_text(json.dumps(dict(settings), indent=1) + "\n", "utf-8")


def _write_months(
    name: str, frame: pl.DataFrame, folder: Path, before: Memory | None, nights: Collection[date]
) -> None:
    (folder / name).mkdir()
    renewed_months = {day.replace(day=1) for day in nights}
    # of the days and not of the rows, which are as many as pitches: finding a day's month takes longer than writing a month
    for month in frame.get_column("baseball_day").unique().dt.truncate("1mo").unique().sort():
        file = Path(name, f"{month:%Y-%m}.parquet")
        standing = None if before is None or month in renewed_months else before.folder / MEMORY / file
        if standing is not None and standing.is_file():
            link_or_copy(standing, folder / file)
        else:
            # years of it are read every night: twice as fast plain, and the versions share its months
            rows = frame.filter(pl.col("baseball_day").is_between(month, pl.lit(month).dt.month_end()))
            _write(rows, folder / file, "uncompressed")


def _write(frame: pl.DataFrame, file: Path, compression: Literal["lz4", "uncompressed"] = "lz4") -> None:
    # written every night and read by the next one only: speed is worth more than the last tenth of room
    with polars_disk_errors():
        frame.write_parquet(file, compression=compression)


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
