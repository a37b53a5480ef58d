"""Publish: write the tables as a new version beside the others, then show it to readers in one atomic step (versions.py)."""

import contextlib
import hashlib
import json
import re
import shutil
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl

import pipeline
from pipeline.durable_files import fsync_file, fsync_folder, make_folder, private_files
from pipeline.warehouse.database import build_warehouse, finish_tables, update_warehouse
from pipeline.warehouse.parquet import Unchanged, write_table_files
from pipeline.warehouse.quarantine_csv import write_quarantine
from pipeline.warehouse.versions import (
    DATABASE,
    FEWEST_KEPT,
    UNFINISHED,
    PublishFailedError,
    Version,
    current_version,
    delete,
    delete_unfinished,
    disk_errors_as_publish_failure,
    hide,
    make_read_only,
    point_to,
    prune_versions,
)
from schemas.runs import SCHEMA_VERSION
from schemas.tables import TABLES


class Base(NamedTuple):
    """The version that a new one is built from, and by table the nights whose rows are replaced; other tables come complete.

    `database`: a copy of its database from `prefetch_database`, which becomes the new one.
    """

    version: Version
    nights: Mapping[str, Collection[date]]
    database: Future[Path]


@contextlib.contextmanager
def prefetch_database(output: Path, version: str) -> Iterator[Future[Path] | None]:
    """Copy the version's database in a background thread, for the version built from it; delete the copy at the end.

    For a long history this copy, fsynced, takes longer than the rest of publishing. Yields None where `version` is "" (first run).
    """
    if not version:
        yield None
        return
    with disk_errors_as_publish_failure(output, ""):
        delete_unfinished(output)
    target = output / "versions" / f"{UNFINISHED}{DATABASE}"
    with ThreadPoolExecutor(1) as background:
        copy = background.submit(_copy_durably, Version(output, version).database, target)
        try:
            yield copy
        finally:
            wait([copy])
            delete(target)


def _copy_durably(source: Path, target: Path) -> Path:
    # Created with its mode before it is filled: the umask of the main thread may change meanwhile.
    target.touch(0o640)
    shutil.copyfile(source, target)
    fsync_file(target)
    return target


def publish(
    tables: Mapping[str, pl.DataFrame],
    output: Path,
    version: str,
    keep: int,
    base: Base | None = None,
    write_history: Callable[[Path], None] | None = None,
) -> Version:
    """Write the tables as a version of the warehouse, show it to readers, and prune all but the newest `keep` versions (2 at least).

    Without `base` the tables are complete. `write_history` may write more into the version's folder, for the next run.
    Raises ContractError or LawBrokenError where the tables are wrong, PublishFailedError where the disk refuses; readers then still see
    the previous version.
    """
    new = Version(output, version)
    _check_name(new)
    finished = finish_tables({**tables, "warehouse_version": _version_row(version)})
    with private_files(), disk_errors_as_publish_failure(output, version):
        make_folder(output / "versions")
        # With a base, `prefetch_database` has done this, and its copy is for this version.
        if base is None:
            delete_unfinished(output)
        _write_version(finished, new, base, write_history)
        replaced = current_version(output)
        point_to(output, version)
    # readers may still have the version open that was current until now, whatever its age
    prune_versions(output, max(keep, FEWEST_KEPT), replaced)
    return new


def _check_name(version: Version) -> None:
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,99}", version.name):
        raise PublishFailedError(
            f"version {version.name!r} cannot be a folder's name: only letters, digits, '.', '_' and '-' are allowed"
        )
    if version.name == current_version(version.output):
        raise PublishFailedError(
            f"version {version.name} is the one that readers have open: give the new version another name"
        )


def utc_now() -> datetime:
    """Return the time of publishing."""
    return datetime.now(UTC)


def _version_row(version: str) -> pl.DataFrame:
    row = {
        "version": version,
        "program_version": pipeline.__version__,
        "schema_version": SCHEMA_VERSION,
        "published_at": utc_now(),
    }
    return pl.DataFrame([row], schema_overrides={"published_at": pl.Datetime("us", "UTC")})


def _write_version(
    tables: Mapping[str, pl.DataFrame],
    version: Version,
    base: Base | None,
    write_history: Callable[[Path], None] | None,
) -> None:
    """Write everything under a name that readers ignore, fsync it, then rename the folder."""
    folder = version.folder.with_name(f"{UNFINISHED}{version.name}")
    folder.mkdir()
    try:
        # The database is written in a thread: for a long history it takes as long as all other files together.
        with ThreadPoolExecutor(1) as background:
            database = background.submit(_write_database, tables, folder / DATABASE, base)
            for name, frame in tables.items():
                write_table_files(
                    frame, TABLES[name], folder / "parquet" / name, version.name, _unchanged_rows(name, base)
                )
            write_quarantine(tables["quarantine"], folder / "quarantine")
            if write_history is not None:
                write_history(folder)
            # everything but the files that the database thread is writing
            parts = [path for path in folder.iterdir() if not path.name.startswith(DATABASE)]
            checksums = _checksums(parts, folder, base)
            for part in parts:
                _make_durable(part)
        rows, checksums[folder / DATABASE] = database.result()
        manifest = folder / version.manifest.name
        manifest.write_text(
            json.dumps(_manifest(folder, rows, version.name, checksums), indent=1) + "\n", encoding="utf-8"
        )
        _make_durable(folder / DATABASE)
        _make_durable(manifest)
        fsync_folder(folder)
        # A folder of this name exists if a run was killed after writing its version and before showing it.
        hide(version.folder)
        folder.replace(version.folder)
    except BaseException:
        delete(folder)
        raise
    fsync_folder(version.folder.parent)


def _unchanged_rows(table: str, base: Base | None) -> Unchanged | None:
    if base is None or table not in base.nights:
        return None
    return Unchanged(base.version.folder / "parquet" / table, base.nights[table])


def _write_database(tables: Mapping[str, pl.DataFrame], file: Path, base: Base | None) -> tuple[dict[str, int], str]:
    """Write the DuckDB file, from the copy of the base's if there is one; return the rows of each table, and the file's checksum."""
    if base is None:
        rows = build_warehouse(tables, file, cache=file.parent.parent)
    else:
        base.database.result().replace(file)
        rows = update_warehouse(file, tables, base.nights)
    return rows, _checksum(file)


# ---- manifest ----------------------------------------------------------------------------------------------------------------------------


def _manifest(folder: Path, rows: Mapping[str, int], version: str, checksums: Mapping[Path, str]) -> dict[str, Any]:
    """Return the manifest: the version, its tables with their rows and files, and every file with its size and checksum.

    Paths start at the output folder and pass no link, so that one reader cannot mix files of two versions.
    """
    files: list[dict[str, Any]] = [
        {
            "path": f"versions/{version}/{path.relative_to(folder).as_posix()}",
            "bytes": path.stat().st_size,
            "sha256": sha256,
        }
        for path, sha256 in sorted(checksums.items())
    ]
    table_files = {name: [entry["path"] for entry in files if f"/parquet/{name}/" in entry["path"]] for name in rows}
    return {
        "version": version,
        "schema_version": SCHEMA_VERSION,
        "program_version": pipeline.__version__,
        "database": f"versions/{version}/{DATABASE}",
        "tables": {name: {"rows": number, "files": table_files[name]} for name, number in rows.items()},
        "files": files,
    }


def _checksums(parts: Sequence[Path], folder: Path, base: Base | None) -> dict[Path, str]:
    """Return the SHA-256 of every file in these parts of a version's folder."""
    known = {} if base is None else _known_checksums(folder, base.version)
    files = [path for part in parts for path in _deepest_first(part) if path.is_file()]
    return {path: known.get(path) or _checksum(path) for path in files}


def _checksum(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _known_checksums(folder: Path, old: Version) -> dict[Path, str]:
    """Return the checksums of the files that are hard links into the old version, from its manifest."""
    entries = old.read_manifest()["files"]
    relative = {Path(entry["path"]).relative_to(f"versions/{old.name}"): entry["sha256"] for entry in entries}
    return {
        folder / name: sha256
        for name, sha256 in relative.items()
        if (folder / name).is_file() and (old.folder / name).is_file() and (folder / name).samefile(old.folder / name)
    }


def _make_durable(part: Path) -> None:
    """Fsync a file, or a folder and everything in it, and make the files read-only."""
    for path in _deepest_first(part):
        if path.is_file():
            make_read_only(path)
        else:
            fsync_folder(path)


def _deepest_first(part: Path) -> list[Path]:
    """Return everything in a folder, contents before their folder; or just the file."""
    return [*sorted(part.rglob("*"), reverse=True), part]
