"""Read and map exports: what each file gives, independent of the other files."""

import logging
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

import polars as pl

from pipeline.exports.archive import kept_export
from pipeline.exports.duplicates import natural_key, order_exports
from pipeline.exports.inbox import MAX_FILE_BYTES, ExportFile, content_hash
from pipeline.exports.isolation import isolated_calls
from pipeline.exports.mapping.rows import Mapped, map_export
from pipeline.exports.readers import UnreadableExport, read_export
from pipeline.settings.ledger import Ledger, TrackerSettings
from schemas.tables import TABLES

Progress = Callable[[str, int, int], None]

log = logging.getLogger("pitchledger")

FILE_FACTS: dict[str, pl.DataType | type[pl.DataType]] = {
    "file_id": pl.String,
    "tracker": pl.String,
    "file_name": pl.String,
    "sha256": pl.String,
    "bytes": pl.Int64,
    "modified_at": pl.Datetime("us", "UTC"),
    "status": pl.String,
    "rows": pl.UInt32,
    "reason": pl.String,
    "newest_by": pl.String,
    "exported_at": pl.Datetime("us"),
    "first_seen_at": pl.Datetime("us", "UTC"),
    "gone_since": pl.Datetime("us", "UTC"),
}
_FRAMES = ("sightings", "set_aside", "quarantine", "metric_sources", "unknown_labels")


class MappedExports(NamedTuple):
    """Exports as mapped rows. `files` (FILE_FACTS) has a row for each; `metric_sources` and `unknown_labels` have a file_id as well."""

    files: pl.DataFrame
    sightings: pl.DataFrame
    set_aside: pl.DataFrame
    quarantine: pl.DataFrame
    metric_sources: pl.DataFrame
    unknown_labels: pl.DataFrame


def map_exports(ledger: Ledger, exports: Sequence[ExportFile], report_progress: Progress) -> MappedExports:
    """Read and map these exports; a file that can't be read becomes a quarantine line and a row of `files`."""
    trackers = {tracker.id: tracker for tracker in ledger.trackers}
    parts = [_with_file_id(_no_rows(), "")]
    files: list[dict[str, object]] = []
    seen: set[str] = set()
    ordered = order_exports(exports)
    outcomes = isolated_calls(_read_and_map, [(file, trackers[file.tracker], ledger.output) for file in ordered])
    for number, (file, outcome) in enumerate(zip(ordered, outcomes, strict=True)):
        report_progress("read", number, len(ordered))
        mapped, facts = _accounted(file, outcome, is_repeat=file.file_id in seen)
        facts |= {"newest_by": trackers[file.tracker].profile.file.newest_by}
        # a file refused for its name does not make a file with the same bytes and a fitting name a repeat
        if facts["status"] != "quarantined":
            seen.add(file.file_id)
        files.append(facts)
        parts.append(_with_file_id(mapped, file.file_id))
    report_progress("read", len(ordered), len(ordered))
    listed = pl.DataFrame(files, schema=FILE_FACTS, orient="row")
    return MappedExports(listed, *(pl.concat(getattr(part, name) for part in parts) for name in _FRAMES))


def _with_file_id(mapped: Mapped, file_id: str) -> Mapped:
    """Add the file's id to the lines about the complete file."""
    id_column = pl.lit(file_id).alias("file_id")
    return mapped._replace(
        metric_sources=mapped.metric_sources.with_columns(id_column),
        unknown_labels=mapped.unknown_labels.with_columns(id_column),
    )


class _FileRows(NamedTuple):
    """What an export gives: its rows, and how many it holds."""

    mapped: Mapped
    rows_read: int


def _accounted(
    file: ExportFile, outcome: _FileRows | UnreadableExport, *, is_repeat: bool
) -> tuple[Mapped, dict[str, object]]:
    """Return an export's rows, and its row of `files`."""
    facts: dict[str, object] = {
        name: getattr(file, name) for name in ("file_id", "tracker", "file_name", "sha256", "bytes", "modified_at")
    }
    if isinstance(outcome, UnreadableExport):
        log.warning("%s/%s is quarantined: %s", file.tracker, file.file_name, outcome.reason)
        line = {"level": "file", "tracker": file.tracker, "file_id": file.file_id, "file_name": file.file_name}
        refused = pl.DataFrame(
            [line | {"reason": outcome.reason, "fix": outcome.fix}], schema=TABLES["quarantine"].polars_schema()
        )
        facts |= {"status": "quarantined", "rows": outcome.rows, "reason": outcome.reason}
        return _no_rows()._replace(quarantine=refused), facts
    facts |= {"rows": outcome.rows_read, "exported_at": outcome.mapped.exported_at}
    if is_repeat:
        return _no_rows(), facts | {"status": "repeat", "reason": "another file has the same bytes"}
    return outcome.mapped, facts | {"status": "read"}


def _read_and_map(file: ExportFile, tracker: TrackerSettings, output: Path) -> _FileRows:
    """Read and map one export, in a reader process. Raises UnreadableExport."""
    if file.fault is not None:
        raise UnreadableExport(file.fault, "put the export itself into the inbox")
    raw = read_export(file.path, tracker.profile, _content(file, output))
    return _FileRows(map_export(raw, tracker, file), raw.rows_read)


def _content(file: ExportFile, output: Path) -> bytes | None:
    """Return the bytes that were hashed: the kept copy, or None where the unchanged file itself is to be read."""
    if not file.sha256 or file.bytes > MAX_FILE_BYTES:
        return None
    kept = kept_export(output, file.sha256)
    if kept is not None:
        return kept
    if not file.path.is_file():
        raise UnreadableExport(
            "the file is no longer in the inbox, and its kept copy is missing or damaged",
            "put it back into the inbox, or add a drop_export line to decisions.csv",
        )
    if content_hash(file.path) != file.sha256:
        raise UnreadableExport("the file changed while it was being read", "nothing to do: the next run reads it again")
    return None


def _no_rows() -> Mapped:
    """Return a mapped export without rows."""
    frames = {name: TABLES[name].empty() for name in _FRAMES}
    frames["sightings"] = frames["sightings"].drop("pitch_id", "match_probability", "matched_by")
    return Mapped(**frames, exported_at=None)


def newness(files: pl.DataFrame) -> pl.DataFrame:
    """Return file_id, newness and file_name: which of a tracker's exports is newer, by what its profile states.

    `files` is in the order of names.
    """
    named = files.with_row_index("by_name").filter(pl.col("status") != "quarantined")
    time = (
        pl.when(pl.col("newest_by") == "exported_at")
        .then(pl.col("exported_at").dt.epoch("us"))
        .when(pl.col("newest_by") == "modified_time")
        .then(pl.col("modified_at").dt.epoch("us"))
    )
    ordered = named.with_columns(time=time).sort("tracker", "time", "by_name", nulls_last=False)
    return (
        ordered.unique("file_id", keep="first", maintain_order=True)
        .with_row_index("newness")
        .select("file_id", pl.col("newness").cast(pl.Int64), "file_name")
    )


def sort_by_name(files: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of FILE_FACTS in the order of order_exports."""
    rows = list(files.select("file_name", "sha256").iter_rows())
    order = sorted(range(len(rows)), key=lambda place: (natural_key(rows[place][0]), *rows[place]))
    return files[order]
