"""What earlier runs published, and frames that only the next run needs, kept beside each version.

    versions/<version>/history/<name>.parquet    rows by export (file_...) or by night
                               <name>/<year-month>.parquet  for a frame that grows with every pitch; months without a new night are hard links
                               settings.json     the settings of that run, part by part (plan.py)

The history belongs to a version, so it is never newer or older than the rows that readers see, and a restored version brings its own.
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
from pipeline.exports.reading import FILE_FACTS
from pipeline.matching.learning.pooled_models import STATISTICS
from pipeline.players.identify import NAMED_LABELS
from pipeline.warehouse.versions import Version, current_version, list_versions
from schemas.tables import TABLES

HISTORY, SETTINGS = "history", "settings.json"
# One file per month: rewriting these frames completely would take as long every night as all other kept frames together.
BY_MONTH = frozenset({"agreement_differences"})
SIGHTING_NIGHTS = "sighting_nights"
_DAY = {"baseball_day": pl.Date}
# columns that a run reads of the kept frames, for a first run, which has no such frames
_KEPT_COLUMNS: dict[str, Mapping[str, pl.DataType | type[pl.DataType]]] = {
    "file_facts": FILE_FACTS,
    "file_nights": {"file_id": pl.String, **_DAY},
    "labels": NAMED_LABELS,
    "metric_counts": {"tracker": pl.String, **_DAY},
    "new_ids": {**_DAY, "key_id": pl.String},
    "same_keys": {**_DAY, "other_day": pl.Date},
    "statistics": STATISTICS,
}

log = logging.getLogger("pitchledger")


class DamagedVersionError(PitchledgerError):
    """Files of the current version that a run needs are missing or damaged."""


class History(NamedTuple):
    """What earlier runs published, without this run's nights and files. Empty on a first run and for a rebuild.

    `version`: "" where empty. `settings`: by part, empty for a version of an older program. `nights`, `files`: what this run replaces.
    `prefetched`: frames that a background thread is reading (`prefetch_history`).
    """

    version: str = ""
    folder: Path = Path()
    settings: Mapping[str, str] = MappingProxyType({})
    nights: frozenset[date] = frozenset()
    files: frozenset[str] = frozenset()
    prefetched: Mapping[str, Future[pl.DataFrame]] = MappingProxyType({})

    @property
    def is_empty(self) -> bool:
        """Return whether there was no earlier run."""
        return not self.version

    def without_nights(self, nights: Collection[date]) -> "History":
        """Return the history for a run that replaces these nights."""
        return self._replace(nights=frozenset(nights))

    def without_files(self, files: Collection[str]) -> "History":
        """Return the history for a run that replaces the rows of these exports (file_id)."""
        return self._replace(files=frozenset(files))

    def read(self, name: str, like: pl.DataFrame | None = None) -> pl.DataFrame:
        """Return a published table or a kept frame, with all rows. Raises DamagedVersionError.

        `like`: a frame with the columns to return where the history is empty, for a kept frame whose columns vary.
        """
        if name in self.prefetched:
            return self.prefetched[name].result()
        if self.is_empty and like is not None:
            return like.clear()
        if self.is_empty:
            return TABLES[name].empty() if name in TABLES else pl.DataFrame(schema=_KEPT_COLUMNS[name])
        file = self.folder / HISTORY / f"{name}.parquet"
        files = sorted((self.folder / HISTORY / name).glob("*.parquet")) or [file]
        try:
            if name in TABLES:
                return self.scan(name).collect()
            return pl.concat(
                [pl.scan_parquet(part, hive_partitioning=False) for part in files], how="diagonal"
            ).collect()
        except (OSError, pl.exceptions.ComputeError) as fault:
            raise DamagedVersionError(
                f"version {self.version} is damaged: {name if name in TABLES else file} cannot be read ({fault}). Restore an older "
                f"version with `pitchledger run --restore VERSION` and run again; if there is none, move {self.folder} elsewhere"
            ) from fault

    def scan(self, table: str) -> pl.LazyFrame:
        """Return a published table lazily, with all rows."""
        if self.is_empty:
            return TABLES[table].empty().lazy()
        return pl.scan_parquet(sorted((self.folder / "parquet" / table).rglob("*.parquet")), hive_partitioning=False)

    def sighting_nights(self) -> pl.DataFrame:
        """Return sighting_id, baseball_day of every sighting, including those set aside."""
        if SIGHTING_NIGHTS in self.prefetched:
            return self.prefetched[SIGHTING_NIGHTS].result()
        parts = (self.scan(name).select("sighting_id", "baseball_day") for name in ("sightings", "set_aside"))
        return pl.concat(parts).collect()

    def is_other_night(self) -> pl.Expr:
        """Return whether a row belongs to a night that this run does not replace."""
        return ~pl.col("baseball_day").is_in(list(self.nights))

    def other_nights(self, name: str) -> pl.DataFrame:
        """Return the rows of nights that this run does not replace."""
        return self.read(name).filter(self.is_other_night())

    def count(self, table: str) -> int:
        """Return the number of a published table's rows on nights that this run does not replace."""
        return int(self.scan(table).filter(self.is_other_night()).select(pl.len()).collect().item())

    def plus_nights(self, name: str, fresh: pl.DataFrame) -> pl.DataFrame:
        """Return the rows of other nights, then this run's."""
        return fresh if self.is_empty else pl.concat([self.other_nights(name), fresh])

    def plus_files(self, name: str, fresh: pl.DataFrame) -> pl.DataFrame:
        """Return the rows of other exports, then this run's."""
        if self.is_empty:
            return fresh
        return pl.concat([self.read(name).filter(~pl.col("file_id").is_in(list(self.files))), fresh])


def read_history(output: Path) -> History:
    """Return the history of the version that readers see; if its files are gone, of the newest complete one."""
    name = current_version(output)
    complete = list_versions(output)
    if name not in complete:
        if name is not None:
            log.warning("Version %s is missing from %s.", name, output / "versions")
        if not complete:
            return History()
        name = complete[-1]
    folder = Version(output, name).folder
    try:
        settings = json.loads((folder / HISTORY / SETTINGS).read_text("utf-8"))
    except (OSError, ValueError):
        settings = {}
    return History(name, folder, settings)


@contextlib.contextmanager
def prefetch_history(history: History) -> Iterator[History]:
    """Prefetch the large frames in a background thread, while the caller is at the stages before those that need them."""
    if history.is_empty:
        yield history
        return
    with ThreadPoolExecutor(1) as background:
        # in the order in which a run needs them
        nights = background.submit(history.sighting_nights)
        frames = {name: background.submit(history.read, name) for name in sorted(BY_MONTH)}
        yield history._replace(prefetched={SIGHTING_NIGHTS: nights, **frames})


def write_history(
    folder: Path, frames: Mapping[str, pl.DataFrame], settings: Mapping[str, str], history: History
) -> None:
    """Write kept frames and settings into a version's folder. Months without a night of this run are those of `history`."""
    (folder / HISTORY).mkdir()
    for name, frame in frames.items():
        if name in BY_MONTH and frame.height:
            _write_months(name, frame, folder / HISTORY, history)
        else:
            _write(frame, folder / HISTORY / f"{name}.parquet")
    (folder / HISTORY / SETTINGS).write_text(json.dumps(dict(settings), indent=1) + "\n", "utf-8")


def _write_months(name: str, frame: pl.DataFrame, folder: Path, history: History) -> None:
    (folder / name).mkdir()
    changed_months = {day.replace(day=1) for day in history.nights}
    # Unique days first: finding the month of every row takes longer than writing a month.
    for month in frame.get_column("baseball_day").unique().dt.truncate("1mo").unique().sort():
        file = Path(name, f"{month:%Y-%m}.parquet")
        previous = history.folder / HISTORY / file
        if not history.is_empty and month not in changed_months and previous.is_file():
            link_or_copy(previous, folder / file)
        else:
            # Every run reads all months: uncompressed reads twice as fast, and versions share the unchanged months.
            rows = frame.filter(pl.col("baseball_day").is_between(month, pl.lit(month).dt.month_end()))
            _write(rows, folder / file, "uncompressed")


def _write(frame: pl.DataFrame, file: Path, compression: Literal["lz4", "uncompressed"] = "lz4") -> None:
    # Written every night and read only by the next run: speed matters more than size.
    with polars_disk_errors():
        frame.write_parquet(file, compression=compression)
