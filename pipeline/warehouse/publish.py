"""Publishing: a version is written whole beside the others, and one link, turned in one step, makes it the one that readers see.

    warehouse/versions/<version>/pitchledger.duckdb      written once, never changed
                                 parquet/<table>/season=2026/month=02/<table>-from-11.parquet    (or -01, -21)
                                 quarantine/<tracker>.csv
                                 manifest.json
    warehouse/current -> versions/<version>              the only thing that moves
    warehouse/pitchledger.duckdb -> current/pitchledger.duckdb, and parquet, quarantine, manifest.json alike

A reader that has a file open keeps it; a kill or a full disk at any moment leaves the old version or the new one, whole. Where the system
permits no links (Windows as a rule) current.txt names the version, and pitchledger.duckdb and manifest.json are copies beside it.
"""

import contextlib
import errno
import hashlib
import json
import logging
import os
import re
import shutil
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import polars as pl

import pipeline
from pipeline.durable_files import (
    disk_of_polars,
    link_or_copy,
    make_folder,
    private_files,
    sync_file,
    sync_folder,
    write_whole,
)
from pipeline.errors import PitchledgerError
from pipeline.warehouse.database import build_warehouse, finish_tables, renew_warehouse
from schemas.contract import Contract, in_order
from schemas.tables import TABLES

DATABASE = "pitchledger.duckdb"
MANIFEST = "manifest.json"
OLDER = "if the program is newer than the version, `pitchledger run --rebuild` publishes one that fits"
POINTER = "current.txt"
LINKED = (DATABASE, "parquet", "quarantine", MANIFEST)
COPIED = (DATABASE, MANIFEST)
HALF_DONE = ".half-"
RETIRED = f"{HALF_DONE}old-"
# a disk that fails once is no system without links
_OF_THE_DISK = (errno.EIO, errno.ENOSPC, errno.EDQUOT, errno.EROFS) if os.name == "posix" else (errno.EIO, errno.ENOSPC)
# what the engine says of a disk or memory that gives no more; a commit that fails can have no other cause, as nobody else writes the file
_REFUSALS = (duckdb.IOException, duckdb.FatalException, duckdb.OutOfMemoryException, duckdb.TransactionException)
# the first days of a month's parts: a night writes its part anew, and late in a month all of it would cost as much as the night itself
PARTS_BEGIN = (1, 11, 21)
# a reader that has just looked up the version before this one must still find its files
FEWEST_KEPT = 2

log = logging.getLogger("pitchledger")


class Published(NamedTuple):
    """A version as it was published; `rows` by table."""

    version: str
    folder: Path
    database: Path
    manifest: Path
    rows: dict[str, int]
    bytes: int


class PublishFailedError(PitchledgerError):
    """The version could not be written or pointed to; readers still see the version before."""


class Standing(NamedTuple):
    """What stays as it is: the version that it is taken from, and by table the nights whose rows are replaced; other tables come whole.

    `database`: a copy of that version's, by `copied_ahead`, for the new one to be made of.
    """

    version: str
    nights: Mapping[str, Collection[date]]
    database: Future[Path]


@contextlib.contextmanager
def copied_ahead(folder: Path, version: str | None) -> Iterator[Future[Path] | None]:
    """A copy of the version's database is made while the caller works, for the version that it publishes; gone at the end. Of none, none.

    Over a long history that copy, on the disk to its last byte, takes longer than all the rest of publishing, and it waits for nothing.
    """
    if version is None:
        yield None
        return
    with _told_as_publish_failure(folder, ""):
        _remove_half_done(folder)
    ahead = folder / "versions" / f"{HALF_DONE}{DATABASE}"
    with ThreadPoolExecutor(1) as beside:
        copying = beside.submit(_copy_settled, version_folder(folder, version) / DATABASE, ahead)
        try:
            yield copying
        finally:
            wait([copying])
            _remove(ahead)


def _copy_settled(source: Path, target: Path) -> Path:
    # made before it is filled: what the program makes elsewhere meanwhile may have other rights
    target.touch(0o640)
    shutil.copyfile(source, target)
    sync_file(target)
    return target


def publish(
    tables: Mapping[str, pl.DataFrame],
    folder: Path,
    version: str,
    keep: int,
    standing: Standing | None = None,
    remember: Callable[[Path], None] | None = None,
) -> Published:
    """Write the tables as a version of the warehouse and turn the readers to it; of older versions the last `keep` - 1 stay (1 at least).
    The others are gone for everybody; `remove_retired` gives their room back.

    Without `standing` the tables are all there is. `remember` may write more into the version's folder, for the next run. Raises ContractError or LawBrokenError where the tables are wrong, PublishFailedError where the disk refuses. Both leave the version
    that readers see untouched.
    """
    _check_name(version, folder)
    finished = finish_tables({**tables, "warehouse_version": _version_row(version)})
    with private_files(), _told_as_publish_failure(folder, version):
        make_folder(folder / "versions")
        if standing is None:  # else `copied_ahead` has, and what it copies is for this version
            _remove_half_done(folder)
        whole = _write_version(finished, folder, version, standing, remember)
        point_to(folder, version)
    _remove_old(folder, max(keep, FEWEST_KEPT))
    manifest = _read_json(whole / MANIFEST)
    size = sum(entry["bytes"] for entry in manifest["files"])
    rows = {name: entry["rows"] for name, entry in manifest["tables"].items()}
    return Published(version, whole, whole / DATABASE, whole / MANIFEST, rows, size)


def _check_name(version: str, folder: Path) -> None:
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,99}", version):
        raise PublishFailedError(f"version {version!r}: only letters, digits, '.', '_' and '-' make a folder's name")
    if version == current_version(folder):
        raise PublishFailedError(
            f"version {version} is the one that readers have open: a new run needs a name of its own"
        )


def _version_row(version: str) -> pl.DataFrame:
    return pl.DataFrame({"version": [version], "program_version": [pipeline.__version__]})


@contextlib.contextmanager
def _told_as_publish_failure(folder: Path, version: str) -> Iterator[None]:
    try:
        yield
    except (OSError, *_REFUSALS) as problem:
        seen = current_version(folder)
        kept = f"readers still see version {seen}" if seen else "nothing is published yet"
        if seen == version:
            kept = f"readers see version {seen}, whole, but it may not outlast a power cut"
        raise PublishFailedError(
            f"could not publish to {folder}: {problem}; {kept}. Free or repair the disk and run again"
        ) from problem


def _write_version(
    tables: Mapping[str, pl.DataFrame],
    folder: Path,
    version: str,
    standing: Standing | None,
    remember: Callable[[Path], None] | None,
) -> Path:
    """Everything under a name that no reader looks at, on the disk to the last byte; then its name in one step."""
    half, whole = folder / "versions" / f"{HALF_DONE}{version}", folder / "versions" / version
    old = None if standing is None else version_folder(folder, standing.version)
    half.mkdir()
    try:
        nights = {} if standing is None else standing.nights
        # the engine's file beside all the others: over a long history each takes as long as the rest of the night's publishing
        with ThreadPoolExecutor(1) as beside:
            database = beside.submit(_write_database, tables, half / DATABASE, standing)
            for name, frame in tables.items():
                kept = None if old is None or name not in nights else old / "parquet" / name
                _write_parquet(frame, TABLES[name], half / "parquet" / name, version, kept, nights.get(name, ()))
            _write_quarantine(tables["quarantine"], half / "quarantine")
            if remember is not None:
                remember(half)
            # all but what the engine is still at
            parts = [path for path in half.iterdir() if not path.name.startswith(DATABASE)]
            hashed = _checksums(parts, half, old)
            for part in parts:
                _settle(part)
        rows, hashed[half / DATABASE] = database.result()
        _write_json(_manifest(half, rows, version, hashed), half / MANIFEST)
        _settle(half / DATABASE)
        _settle(half / MANIFEST)
        sync_folder(half)
        _retire(whole)  # if there: written by a run that was killed before it turned the link
        half.replace(whole)
    except BaseException:
        _remove(half)
        raise
    sync_folder(whole.parent)
    return whole


def _write_database(
    tables: Mapping[str, pl.DataFrame], file: Path, standing: Standing | None
) -> tuple[dict[str, int], str]:
    """The DuckDB file, anew or from a copy of the one that stands; returns the rows of each table, and the file's checksum."""
    if standing is None:
        rows = build_warehouse(tables, file, cache=file.parent.parent)
    else:
        standing.database.result().replace(file)
        rows = renew_warehouse(file, tables, standing.nights)
    return rows, _content_hash(file)


# ---- Parquet -----------------------------------------------------------------------------------------------------------------------------


def _write_parquet(
    frame: pl.DataFrame, contract: Contract, folder: Path, version: str, old: Path | None, nights: Collection[date]
) -> None:
    """One file, or one for each part of a month of the baseball day; a table without rows is one empty file, so that its columns are known.

    `old`: the table's folder in the version before, of which the rows of other than `nights` stand.
    """
    schema = parquet_schema(contract, version)
    if not contract.by_night:
        return _write_part(frame, schema, folder / f"{contract.table}.parquet")
    parts = {_part_file(folder, first, contract): rows for (first,), rows in frame.group_by(_part_begins())}
    linked = 0
    if old is not None:
        parts = _with_standing_rows(parts, contract, old, folder, nights)
        linked = _link_other_parts(contract, old, folder, nights)
    for path, rows in parts.items():
        _write_part(rows, schema, path)
    if not parts and not linked:
        _write_part(contract.empty(), schema, folder / f"{contract.table}.parquet")
    return None


def _with_standing_rows(
    fresh: dict[Path, pl.DataFrame], contract: Contract, old: Path, folder: Path, nights: Collection[date]
) -> dict[Path, pl.DataFrame]:
    """The parts of these nights whole: their new rows, and the old ones of their other nights."""
    whole = {}
    for path in {_part_file(folder, day, contract) for day in nights}:
        standing = _standing_rows(old / path.relative_to(folder), contract, nights)
        both = [rows for rows in (standing, fresh.get(path)) if rows is not None and rows.height]
        if both:
            whole[path] = _in_order_of_nights(pl.concat(both), contract)
    return whole


def _in_order_of_nights(rows: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """As `in_order`, of rows of which each night's are in order: where the day comes first, the nights are put in order and not all their rows."""
    if contract.order[:1] == ("baseball_day",):
        days = rows["baseball_day"]
        return rows if days.is_sorted() else rows.sort("baseball_day", maintain_order=True)
    return in_order(rows, contract)


def _link_other_parts(contract: Contract, old: Path, folder: Path, nights: Collection[date]) -> int:
    """Take over the parts of months without any of these nights; returns how many."""
    replaced = {_part_file(old, day, contract) for day in nights} | {old / f"{contract.table}.parquet"}
    standing = [path for path in old.rglob("*.parquet") if path not in replaced]
    for path in standing:
        link_or_copy(path, folder / path.relative_to(old))
    return len(standing)


def _part_begins() -> pl.Expr:
    """The first day of the part of a month in which each row's night lies."""
    day = pl.col("baseball_day")
    begins = pl.max_horizontal(pl.when(day.dt.day() >= first).then(first) for first in PARTS_BEGIN)
    return day.dt.replace(day=begins)


def _part_file(folder: Path, day: date, contract: Contract) -> Path:
    """Where the rows of a night stand."""
    begins = max(first for first in PARTS_BEGIN if first <= day.day)
    return folder / f"season={day:%Y}" / f"month={day:%m}" / f"{contract.table}-from-{begins:02}.parquet"


def _standing_rows(file: Path, contract: Contract, nights: Collection[date]) -> pl.DataFrame | None:
    if not file.is_file():
        return None
    rows = pl.read_parquet(file, hive_partitioning=False).select(contract.names)
    return rows.filter(~pl.col("baseball_day").is_in(list(nights)))


def _write_part(frame: pl.DataFrame, schema: Any, path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with disk_of_polars():
        # level 1: a fifth more room than the usual 3 for a third less of the time that a late night of a month takes
        frame.write_parquet(
            path, compression="zstd", compression_level=1, arrow_schema=schema, metadata=_metadata(schema)
        )


def _metadata(schema: Any) -> dict[str, str]:
    """The schema's metadata once more where readers other than Arrow look for it."""
    return {key.decode(): value.decode() for key, value in schema.metadata.items()}


def parquet_schema(contract: Contract, version: str) -> Any:
    """The Arrow schema: each field's unit and definition in its metadata, table and version in the schema's."""
    import pyarrow

    types = contract.empty().to_arrow().schema
    fields = [
        pyarrow.field(  # type: ignore[attr-defined]
            column.name,
            types.field(column.name).type,
            column.nullable,
            {"unit": column.unit, "definition": column.definition},
        )
        for column in contract.columns
    ]
    return pyarrow.schema(fields, {"table": contract.table, "row": contract.row, "written_in": version})  # type: ignore[attr-defined]


# ---- quarantine as CSV -------------------------------------------------------------------------------------------------------------------

# What a spreadsheet takes for a formula (the wide signs of East Asian keyboards too). A number may begin with its sign.
_FORMULA = r"^ *[=+\-@\t\r\n＝＋－＠]"
_NUMBER = r"^[+-]?\d+([.,]\d+)?([eE][+-]?\d+)?$"


def _write_quarantine(quarantine: pl.DataFrame, folder: Path) -> None:
    """One file a tracker for files and rows, and one for single values that were left out."""
    folder.mkdir()
    safe = without_formulas(quarantine)
    for (tracker, is_value), lines in safe.group_by(
        quarantine["tracker"], quarantine["level"] == "value", maintain_order=True
    ):
        name = f"{_file_name(str(tracker))}{'_values' if is_value else ''}.csv"
        # with a byte order mark: spreadsheets take a CSV without one for the old code page and spoil every accented name
        with disk_of_polars():
            lines.select(quarantine.columns).write_csv(folder / name, include_bom=True)


def without_formulas(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame as a spreadsheet may open it: no text and no column's name runs as a formula."""
    safe = frame.with_columns(_harmless(name) for name, dtype in frame.schema.items() if dtype == pl.String)
    names = pl.DataFrame({"name": frame.columns}, schema={"name": pl.String}).select(_harmless("name")).to_series()
    return safe.rename(dict(zip(frame.columns, names, strict=True)))


def _harmless(name: str) -> pl.Expr:
    """A leading apostrophe where a spreadsheet would run the cell; leading blanks do not hide a formula from it."""
    cell = pl.col(name)
    runs = cell.str.contains(_FORMULA) & ~cell.str.contains(_NUMBER)
    return pl.when(runs).then(pl.lit("'") + cell).otherwise(cell).alias(name)


def _file_name(tracker: str) -> str:
    return re.sub(r"[^A-Za-z0-9_-]", "_", tracker)


# ---- manifest and disk -------------------------------------------------------------------------------------------------------------------


def _manifest(half: Path, rows: Mapping[str, int], version: str, hashed: Mapping[Path, str]) -> dict[str, Any]:
    """What the version holds. Paths are whole from the warehouse folder, past every link, so that a reader can't end up in two versions.

    `hashed`: every file's checksum.
    """
    files: list[dict[str, Any]] = [
        {
            "path": f"versions/{version}/{path.relative_to(half).as_posix()}",
            "bytes": path.stat().st_size,
            "sha256": sha256,
        }
        for path, sha256 in sorted(hashed.items())
    ]
    of_table = {name: [entry["path"] for entry in files if f"/parquet/{name}/" in entry["path"]] for name in rows}
    return {
        "version": version,
        "database": f"versions/{version}/{DATABASE}",
        "tables": {name: {"rows": number, "files": of_table[name]} for name, number in rows.items()},
        "files": files,
    }


def _content_hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _checksums(parts: Sequence[Path], half: Path, old: Path | None) -> dict[Path, str]:
    """The checksum of every file in these parts of a version."""
    taken_over = _taken_over(half, old)
    files = [path for part in parts for path in _all_of(part) if path.is_file()]
    return {path: taken_over.get(path) or _content_hash(path) for path in files}


def _all_of(part: Path) -> list[Path]:
    """A file; or a folder and all in it, what is in a folder before it."""
    return [*sorted(part.rglob("*"), reverse=True), part]


def _taken_over(half: Path, old: Path | None) -> dict[Path, str]:
    """The checksums of the files that are those of the version before, by its manifest."""
    if old is None:
        return {}
    entries = _read_json(old / MANIFEST)["files"]
    within = {Path(entry["path"]).relative_to(f"versions/{old.name}"): entry["sha256"] for entry in entries}
    return {
        half / name: sha256
        for name, sha256 in within.items()
        if (half / name).is_file() and (old / name).is_file() and (half / name).samefile(old / name)
    }


def _is_taken_over(path: Path) -> bool:
    """Whether the file has more names than this one: it was written, and settled on the disk, with a version before."""
    return path.stat().st_nlink > 1


def _write_json(content: dict[str, Any], path: Path) -> None:
    path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")


def _read_json(path: Path) -> dict[str, Any]:
    content: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return content


def _settle(part: Path) -> None:
    """All bytes and names of a file or folder on the disk. Files become read-only: a client that opens the database to write would lock it."""
    for path in _all_of(part):
        if path.is_file():
            _settle_file(path)
        else:
            sync_folder(path)


def _settle_file(path: Path) -> None:
    if _is_taken_over(path):
        return
    sync_file(path)
    if os.name == "posix":
        path.chmod(0o440)


def _remove(path: Path) -> None:
    """Remove a folder or a file, as far as it goes; what the disk or who holds it open (Windows) does not let go is left for the next run."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)


def _retire(version: Path) -> None:
    """Put a version out of sight, for `remove_retired`: one that is half removed must never pass for whole. Held open (Windows) it stays."""
    if version.exists():
        with contextlib.suppress(PermissionError):
            version.replace(version.with_name(f"{RETIRED}{version.name}"))


# ---- versions ----------------------------------------------------------------------------------------------------------------------------


def version_folder(folder: Path, version: str) -> Path:
    """Where a version stands."""
    return folder / "versions" / version


def versions(folder: Path) -> list[str]:
    """The whole versions in the folder, oldest first."""
    whole = [
        path
        for path in (folder / "versions").glob("*")
        if not path.name.startswith(".") and (path / MANIFEST).is_file()
    ]
    return [path.name for path in sorted(whole, key=lambda path: ((path / MANIFEST).stat().st_mtime_ns, path.name))]


def current_version(folder: Path) -> str | None:
    """The version that readers see; null where nothing is published."""
    link, pointer = folder / "current", folder / POINTER
    if link.is_symlink():
        return link.readlink().name
    if pointer.is_file():
        return pointer.read_text(encoding="utf-8").strip() or None
    return None


def point_to(folder: Path, version: str) -> None:
    """Turn the readers to a version that stands in the folder, whole: the one step of publishing, and of putting an older one back.

    May be called again at any time: it mends what a kill has left. Raises PublishFailedError where there is no such version.
    """
    if version not in (there := versions(folder)):
        raise PublishFailedError(f"no version {version} in {folder}; there are: {', '.join(there) or 'none'}")
    with private_files():
        if not _point_by_links(folder, version):
            _point_by_copies(folder, version)
        sync_folder(folder)


def _point_by_links(folder: Path, version: str) -> bool:
    """False where the system permits no links. The names that lead through `current` come first: they must be there when it turns."""
    try:
        for name in LINKED:
            _link(Path("current") / name, folder / name)
        _link(Path("versions") / version, folder / "current")
    except (OSError, NotImplementedError) as refusal:
        if (folder / "current").is_symlink() or getattr(refusal, "errno", None) in _OF_THE_DISK:
            raise
        log.info("no links here (%s): copies and %s instead", refusal, POINTER)
        return False
    return True


def _link(target: Path, name: Path) -> None:
    if name.is_symlink() and name.readlink() == target:
        return
    aside = name.with_name(f".{name.name}.new")
    aside.unlink(missing_ok=True)
    aside.symlink_to(target, target_is_directory=target.suffix == "")
    aside.replace(name)


def _point_by_copies(folder: Path, version: str) -> None:
    """The pointer file turns the readers that go by it; the copies follow, and one that is held open follows at the next run."""
    write_whole(folder / POINTER, f"{version}\n".encode())
    for name in COPIED:
        try:
            _copy(folder / "versions" / version / name, folder / name)
        except PermissionError:
            log.warning(
                "%s is open in another program and stays the version before; %s names the newest",
                folder / name,
                POINTER,
            )


def _copy(source: Path, target: Path) -> None:
    aside = target.with_name(f".{target.name}.new")
    aside.unlink(missing_ok=True)
    shutil.copyfile(source, aside)
    _settle_file(aside)
    aside.replace(target)


def tidy(folder: Path, keep: int) -> None:
    """Mend and remove what a run left that was killed: half-done files, old versions, names that do not lead to the current version yet."""
    seen, there = current_version(folder), versions(folder)
    with private_files(), _told_as_publish_failure(folder, ""):
        _remove_half_done(folder)
        if there:
            point_to(folder, seen if seen in there else there[-1])
    _remove_old(folder, max(keep, FEWEST_KEPT))


def _remove_half_done(folder: Path) -> None:
    """What a killed run has left."""
    for path in (folder / "versions").glob(f"{HALF_DONE}*"):
        _remove(path)
    for path in folder.glob(".*.new"):
        path.unlink(missing_ok=True)


@contextlib.contextmanager
def removing_retired(folder: Path) -> Iterator[None]:
    """`remove_retired` while the caller works: of a long history that takes the disk as long as a summary takes to be read and printed."""
    with ThreadPoolExecutor(1) as beside:
        beside.submit(remove_retired, folder)
        yield


def remove_retired(folder: Path) -> None:
    """Remove what is left of versions that went. Nobody looks for them, so no lock is needed; what stays goes with the next run."""
    for path in (folder / "versions").glob(f"{RETIRED}*"):
        _remove(path)


def _remove_old(folder: Path, keep: int) -> None:
    """Retire all but the newest `keep` versions, and the one that readers see. What can't be moved waits for the next run."""
    seen = current_version(folder)
    old = [version for version in versions(folder) if version != seen]
    try:
        for version in old[: max(len(old) - (keep - 1), 0)]:
            _retire(folder / "versions" / version)
    except OSError as fault:
        log.warning("an old version can't be removed: %s", fault)


# ---- reading -----------------------------------------------------------------------------------------------------------------------------


# an export that repeats another has the same id as that one: of each id the row that was read, by its first name
ONE_A_FILE = "(select distinct on (file_id) * from files order by file_id, status = 'quarantined', file_name)"


def published_database(folder: Path) -> Path:
    """The database of the version that readers see, past every link. Raises PitchledgerError where there is none."""
    version = current_version(folder)
    if version is None:
        raise PitchledgerError(f"nothing is published in {folder} yet: run `pitchledger run` first")
    database = folder / "versions" / version / DATABASE
    if not database.is_file():
        raise PitchledgerError(
            f"{database} is missing; put a version back with `pitchledger run --restore VERSION`: {versions(folder)}"
        )
    return database


def published_tables(folder: Path, names: Sequence[str]) -> dict[str, pl.DataFrame]:
    """These tables of the version that readers see, from its Parquet; a table that it lacks is left out, all where nothing is published."""
    version = current_version(folder)
    parts = {name: sorted((folder / "versions" / str(version) / "parquet" / name).rglob("*.parquet")) for name in names}
    return {name: pl.read_parquet(paths, hive_partitioning=False) for name, paths in parts.items() if paths}


def open_published(folder: Path) -> duckdb.DuckDBPyConnection:
    """A connection to the published version that can read it and nothing else: no other file, no network, no extension, no setting."""
    con = duckdb.connect(str(published_database(folder)), read_only=True, config=_SEALED)
    con.execute("set timezone = 'UTC'")
    con.execute("set lock_configuration = true")
    return con


@contextlib.contextmanager
def reading_published(folder: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """The same, closed at the end. Raises PitchledgerError where the version has no table or column of that name: an older program made it."""
    with contextlib.closing(open_published(folder)) as con:
        try:
            yield con
        except (duckdb.CatalogException, duckdb.BinderException) as fault:
            raise PitchledgerError(f"{str(fault).splitlines()[0]}: {OLDER}") from fault


_SEALED: dict[str, str | bool | int | float | list[str]] = {
    "enable_external_access": "false",
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "allow_community_extensions": "false",
    "allow_unsigned_extensions": "false",
    "python_enable_replacements": "false",  # else a query could read the variables of the program that asks
    "temp_directory": "",  # else a big sort would write beside the published file
    "memory_limit": "2GB",
}


def run_query(folder: Path, sql: str, limit: int | None = None) -> pl.DataFrame:
    """The rows of one select on the published version, at most `limit`. Raises PitchledgerError for anything but one select."""
    with contextlib.closing(open_published(folder)) as con:
        try:
            statements = con.extract_statements(sql)
            if len(statements) != 1 or statements[0].type != duckdb.StatementType.SELECT:
                kinds = ", ".join(statement.type.name.lower() for statement in statements) or "nothing"
                raise PitchledgerError(f"one select is wanted, this is: {kinds}")
            answer = con.sql(statements[0].query)
            rows: pl.DataFrame = (answer if limit is None else answer.limit(limit)).pl()
            return rows
        except duckdb.Error as problem:
            raise PitchledgerError(f"the query failed: {problem}") from problem
