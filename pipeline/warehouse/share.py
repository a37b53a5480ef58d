"""Share: a Parquet copy of the published version for outsiders, with pseudonyms for players and without any text that was typed.

    DIR/manifest.json                start here: it names the folder with the copy, and is replaced atomically
        README.txt                   what this is, for the recipient
        data-<version>/<table>/[season=2026/month=10/]<table>[-from-11].parquet

schemas/sharing.py states which columns are shared. Ids are keyed with HMAC-SHA-256 (RFC 2104): without the key, no guess can be tested.
"""

import contextlib
import hashlib
import hmac
import json
import os
import re
import secrets
import shutil
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl

import pipeline
from pipeline.durable_files import fsync_file, private_files, write_atomically
from pipeline.errors import PitchledgerError
from pipeline.players.names import parse_name
from pipeline.settings.ledger import Ledger
from pipeline.settings.ledger_checks import LEDGER
from pipeline.warehouse.lock import RunInProgressError
from pipeline.warehouse.parquet import parquet_schema, schema_metadata
from pipeline.warehouse.query import REBUILD_HINT, published_database
from pipeline.warehouse.versions import MANIFEST, Version, current_version
from schemas.contract import ContractError, conform, in_order, validate
from schemas.drift import OWN_HISTORY
from schemas.runs import SCHEMA_VERSION
from schemas.sharing import CLASSES, ID_KINDS, NOT_SHARED, PLAYER_KIND, Classes, shared_contract

KIND = "pitchledger share"
README = "README.txt"
# prefix of the folder with the copy
DATA = "data-"
# prefix of whatever is not finished yet
UNFINISHED = ".half-"
LOCK = ".share.lock"
# how long one share waits for another to the same folder; a season takes a minute
LOCK_WAIT_S = 600
# Characters of a key at least: a key of HMAC-SHA-256 that is a word can be searched, and 32 characters keep people from typing one.
SHORTEST_KEY = 32
MAKE_KEY = "python3 -c 'import secrets; print(secrets.token_hex(32))'"
# ids of ledger.toml and words of the program, single or separated by commas, or as tracker:metric
_WORD = r"[a-z0-9_-]{1,60}(:[a-z0-9_]{1,60})?"
_WORDS = rf"^({_WORD}(, ?{_WORD})*)?$"
# letters of a name that is searched for in ids: shorter ones are part of many ordinary words
SHORTEST_NAME = 4
CAUTION = (
    "A date, a park and a performance may still identify a person, and body measurements are personal data. Before you pass this on, "
    "ask whoever is responsible for athlete data in your program."
)
LEFT_OUT = (
    "names, labels, teams, the trackers' own ids and numbers, file names and rows, quarantine, decisions and corrections, notes and "
    "sentences: any text from a device or a person"
)


class Key(NamedTuple):
    """The key of the pseudonyms. `source`: where it came from; `made`: whether it was created just now."""

    secret: bytes
    source: str
    made: bool = False

    @property
    def fingerprint(self) -> str:
        """Return eight hex digits that distinguish two keys and reveal neither."""
        return hmac.digest(self.secret, b"which key is this", "sha256").hex()[:8]


class Shared(NamedTuple):
    """What was shared. `other_key`: an earlier copy there has another key. `revealing_ids`: ids that contain a name of the roster."""

    version: str
    folder: Path
    rows: dict[str, int]
    bytes: int
    key: Key
    other_key: bool
    revealing_ids: tuple[str, ...]


class ShareRefusedError(PitchledgerError):
    """The folder or the key cannot be used for sharing; nothing was written."""

    exit_code = 2


def share(ledger: Ledger, folder: Path) -> Shared:
    """Write a copy of the current version to `folder`, which is empty or has an earlier copy; that one stays until the new one is complete.

    Raises ShareRefusedError where folder or key cannot be used, PitchledgerError where nothing is published or the disk refuses.
    """
    published_database(ledger.output)
    _check_folder(folder, ledger)
    key = read_key(ledger, folder)
    try:
        with private_files(), _folder_lock(folder):
            # again: another share may have ended meanwhile
            return _write(ledger, folder, key, _check_folder(folder, ledger))
    except OSError as fault:
        raise PitchledgerError(
            f"could not share to {folder}: {fault}; an earlier copy there is unchanged. Free or repair the disk and share again"
        ) from fault


@contextlib.contextmanager
def _folder_lock(folder: Path) -> Iterator[None]:
    """Hold the lock of the target folder, which is created; wait for another share that holds it. Raises RunInProgressError."""
    import filelock

    folder.mkdir(parents=True, exist_ok=True)
    try:
        # the file stays: if it were removed, two shares that wait for it could hold it at once
        with filelock.FileLock(folder / LOCK, timeout=LOCK_WAIT_S):
            yield
    except filelock.Timeout as held:
        raise RunInProgressError(
            f"another share to {folder} is in progress for {LOCK_WAIT_S // 60} minutes: try again later"
        ) from held


def describe(shared: Shared) -> list[str]:
    """Return what a person should know about a new share, one line each."""
    lines = [
        f"Shared version {shared.version} in {shared.folder}: {len(shared.rows)} tables, {sum(shared.rows.values()):,} rows, "
        f"{shared.bytes / 1e6:.1f} MB; {MANIFEST} names every file.",
        f"Players and ids are pseudonyms, keyed with {shared.key.source} (key {shared.key.fingerprint}).",
    ]
    if shared.key.made:
        lines.append(
            "This key was created just now. Keep it secret, out of version control and away from the recipient: it reveals the players behind the "
            "pseudonyms. Without it, the next copy has other pseudonyms."
        )
    if shared.other_key:
        lines.append("NOTE: the previous copy here was made with another key. Its pseudonyms differ from these.")
    lines += [
        f"Left out: {LEFT_OUT}.",
        "Trackers, venues and stations keep their ids from ledger.toml. Check that none is named after a person.",
    ]
    if shared.revealing_ids:
        lines.append(f"NOTE: these ids contain a name of the roster: {', '.join(shared.revealing_ids)}.")
    return [*lines, CAUTION]


# ---- folder and key ------------------------------------------------------------------------------------------------------------------------------


def _check_folder(folder: Path, ledger: Ledger) -> dict[str, Any]:
    """Return the manifest of the earlier copy in the folder, {} where there is none. Raises ShareRefusedError."""
    private = [ledger.output, ledger.folder / "profiles", *(tracker.inbox for tracker in ledger.trackers)]
    for other in private:
        if folder.resolve().is_relative_to(other.resolve()):
            raise ShareRefusedError(f"{folder} is inside {other}, which is not for outsiders: name another folder")
    if not folder.exists():
        return {}
    if not folder.is_dir():
        raise ShareRefusedError(f"{folder} is a file: name an empty or a new folder")
    others = [path.name for path in folder.iterdir() if not _belongs_to_share(path.name)]
    manifest = _read_share_manifest(folder)
    if others and not manifest:
        raise ShareRefusedError(f"{folder} is not empty and has no earlier share ({_few(others)}): name another folder")
    if others:
        raise ShareRefusedError(f"{folder} has other files beside the share ({_few(others)}): move them elsewhere")
    return manifest


def _belongs_to_share(name: str) -> bool:
    """Return whether a file belongs to a share, or is one that file managers leave in every folder."""
    return name in (MANIFEST, README, "Thumbs.db", "desktop.ini") or name.startswith((DATA, "."))


def _few(names: Sequence[str]) -> str:
    return ", ".join(sorted(names)[:3]) + (", ..." if len(names) > 3 else "")


def _read_share_manifest(folder: Path) -> dict[str, Any]:
    try:
        content = json.loads((folder / MANIFEST).read_text("utf-8"))
    except FileNotFoundError:
        return {}
    except ValueError:
        content = None
    if isinstance(content, dict) and content.get("kind") == KIND:
        return content
    raise ShareRefusedError(f"{folder / MANIFEST} does not belong to a share: name another folder")


def read_key(ledger: Ledger, folder: Path) -> Key:
    """Return the key that [share] of ledger.toml names; create the key file on first use. Raises ShareRefusedError, never showing a key."""
    variable = ledger.share.key_from
    if variable is not None:
        text = os.environ.get(variable, "").strip()
        if not text:
            raise ShareRefusedError(
                f"the environment variable {variable}, which {LEDGER} names in [share], is not set. To create a key: {MAKE_KEY}"
            )
        return Key(_validated_key(text, f"the environment variable {variable}"), f"environment variable {variable}")
    path = ledger.folder / ledger.share.key_file
    if path.resolve().is_relative_to(folder.resolve()):
        raise ShareRefusedError(
            f"the key {path} would be inside the share: set [share] key_file in {LEDGER} to another place"
        )
    return _read_key_file(path) if path.exists() else _create_key_file(path)


def _validated_key(text: str, source: str) -> bytes:
    if len(text) < SHORTEST_KEY:
        raise ShareRefusedError(
            f"{source} has fewer than {SHORTEST_KEY} characters, too few for a key. To create one: {MAKE_KEY}"
        )
    return text.encode()


def _read_key_file(path: Path) -> Key:
    if os.name == "posix" and path.stat().st_mode & 0o077:
        raise ShareRefusedError(f"the key file {path} is readable by other users: run chmod 600 '{path}'")
    try:
        return Key(_validated_key(path.read_text("utf-8").strip(), f"the key file {path}"), str(path))
    except (OSError, UnicodeDecodeError) as fault:
        raise ShareRefusedError(f"the key file {path} cannot be read ({type(fault).__name__})") from None


def _create_key_file(path: Path) -> Key:
    text = secrets.token_hex(32)
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError as fault:
        raise ShareRefusedError(f"the key file {path} cannot be created: {fault.strerror}") from fault
    with os.fdopen(handle, "w") as file:
        file.write(text + "\n")
        file.flush()
        os.fsync(file.fileno())
    return Key(text.encode(), str(path), made=True)


# ---- rows -----------------------------------------------------------------------------------------------------------------------------------------


def shareable(frame: pl.DataFrame, table: str, secret: bytes) -> pl.DataFrame:
    """Return a table's rows for outsiders, in an order that reveals nothing about the original ids.

    Raises PitchledgerError where a value that should be an id or a word of the program may be something else.
    """
    contract, classes = shared_contract(table), CLASSES[table]
    _check_words(frame, table, classes)
    kinds = {**dict.fromkeys(classes.players, PLAYER_KIND), **{name: ID_KINDS[name] for name in classes.ids}}
    pseudonyms = [_with_pseudonyms(frame, name, kind, secret) for name, kind in kinds.items() if name in frame.columns]
    try:
        return validate(in_order(conform(frame.with_columns(pseudonyms), contract), contract), contract)
    except ContractError as fault:
        raise PitchledgerError(f"{fault}. {REBUILD_HINT}") from fault


def _check_words(frame: pl.DataFrame, table: str, classes: Classes) -> None:
    for name in classes.words:
        if name not in frame.columns:
            continue
        known = frame.get_column(name).str.contains(_WORDS) | frame.get_column(name).is_in([OWN_HISTORY])
        if not known.all():
            raise PitchledgerError(
                f"table {table}, column {name}: a value is neither an id of {LEDGER} nor a word of the program; nothing was shared"
            )


def _with_pseudonyms(frame: pl.DataFrame, name: str, kind: str, secret: bytes) -> pl.Series:
    """Return the column with a pseudonym for each value; null stays null. Kinds differ, so a pitch does not reveal the sighting it is named after."""
    values = frame.get_column(name)
    # The standard library's HMAC, one value at a time (1,000,000 take 2 s): none of our libraries has it for columns.
    known = values.drop_nulls().unique().to_list()
    pseudonyms = [pseudonym(value, kind, secret) for value in known]
    return values.replace_strict(known, pseudonyms, default=None, return_dtype=pl.String).alias(name)


def pseudonym(value: str, kind: str, secret: bytes) -> str:
    """Return `kind` and the first 64 bits of the HMAC-SHA-256 of kind and value."""
    return f"{kind}_{hmac.digest(secret, f'{kind}/{value}'.encode(), 'sha256').hex()[:16]}"


def _revealing_ids(ledger: Ledger) -> tuple[str, ...]:
    """Return the ids of trackers, venues and stations that contain a part of a name on the roster."""
    names = [name for name in ledger.roster.get_column("name").drop_nulls() if name]
    parts = {word for name in names for word in parse_name(name).words if len(word) >= SHORTEST_NAME}
    ids = {word for tracker in ledger.trackers for word in (tracker.id, tracker.venue, *tracker.stations)}
    return tuple(sorted(word for word in ids if parts & set(re.split("[_0-9]+", word))))


# ---- writing ---------------------------------------------------------------------------------------------------------------------------------


def _write(ledger: Ledger, folder: Path, key: Key, earlier: dict[str, Any]) -> Shared:
    for unfinished in folder.glob(f"{UNFINISHED}*"):
        shutil.rmtree(unfinished, ignore_errors=True)
    version = str(current_version(ledger.output))
    name = _free_name(folder, f"{DATA}{version}")
    temporary = folder / f"{UNFINISHED}{name}"
    temporary.mkdir()
    try:
        rows = {table: _write_table(table, ledger.output, version, temporary / table, key.secret) for table in CLASSES}
        temporary.replace(folder / name)
    except BaseException:
        shutil.rmtree(temporary, ignore_errors=True)
        raise
    manifest = _manifest(folder, name, version, rows, key)
    write_atomically(folder / README, _readme(manifest).encode())
    write_atomically(folder / MANIFEST, (json.dumps(manifest, indent=1) + "\n").encode())
    for old in folder.glob(f"{DATA}*"):
        if old.name != name:
            shutil.rmtree(old, ignore_errors=True)
    size = sum(entry["bytes"] for entry in manifest["files"])
    other_key = bool(earlier) and earlier.get("key") != key.fingerprint
    return Shared(version, folder, rows, size, key, other_key, _revealing_ids(ledger))


def _free_name(folder: Path, wanted: str) -> str:
    number = 1
    while (folder / (name := wanted if number == 1 else f"{wanted}.{number}")).exists():
        number += 1
    return name


def _write_table(table: str, output: Path, version: str, target: Path, secret: bytes) -> int:
    """Copy a published table file by file, so that one third of a month is in memory at a time; return the number of rows."""
    listed = Version(output, version).read_manifest()["tables"].get(table)
    if listed is None:
        raise PitchledgerError(f"Version {version} has no table {table}. {REBUILD_HINT}")
    schema = parquet_schema(shared_contract(table), version)
    metadata = schema_metadata(schema)
    rows = 0
    for source in listed["files"]:
        part = shareable(pl.read_parquet(output / source, hive_partitioning=False), table, secret)
        path = target / _path_in_copy(source, table)
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_parquet(path, compression="zstd", arrow_schema=schema, metadata=metadata)
        fsync_file(path)
        rows += part.height
    return rows


def _path_in_copy(source: str, table: str) -> str:
    """Return the path below the table's folder: season, month and first day of the published path, and nothing else of it."""
    month, first = re.search(r"season=\d+/month=\d+/", source), re.search(r"-from-\d+(?=\.parquet$)", source)
    return f"{month.group() if month else ''}{table}{first.group() if first else ''}.parquet"


def _manifest(folder: Path, name: str, version: str, rows: Mapping[str, int], key: Key) -> dict[str, Any]:
    files = [_file_entry(path, folder) for path in sorted((folder / name).rglob("*.parquet"))]
    return {
        "kind": KIND,
        "version": version,
        "schema_version": SCHEMA_VERSION,
        "program_version": pipeline.__version__,
        "key": key.fingerprint,
        "folder": name,
        "tables": {
            table: {"rows": rows[table], "files": [e["path"] for e in files if e["path"].split("/")[1] == table]}
            for table in CLASSES
        },
        "files": files,
        "left_out": {
            "tables": NOT_SHARED,
            "columns": {table: list(classes.left_out) for table, classes in CLASSES.items() if classes.left_out},
        },
        "caution": CAUTION,
    }


def _file_entry(path: Path, folder: Path) -> dict[str, Any]:
    with path.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    return {"path": path.relative_to(folder).as_posix(), "bytes": path.stat().st_size, "sha256": sha256}


def _readme(manifest: Mapping[str, Any]) -> str:
    return "\n".join(
        [
            f"Pitches of version {manifest['version']}, copied by pitchledger {manifest['program_version']} for use outside the program.",
            "",
            f"manifest.json names every file with its rows and checksum; the tables are Parquet, below {manifest['folder']}/.",
            "Each column's unit and definition are in the metadata of its field.",
            f"Players and ids are pseudonyms, the same in every copy made with the same key (this one: {manifest['key']}).",
            f"Left out: {LEFT_OUT}.",
            "",
            CAUTION,
            "",
        ]
    )
