"""A Parquet copy of the published version for outsiders: pseudonyms for players, no names, no labels, nothing that a person or a device typed.

    DIR/manifest.json                the only name to begin from: it names the folder that holds the copy, and is replaced in one step
        README.txt                   what this is, for whoever gets it
        data-<version>/<table>/[season=2026/month=10/]<table>[-from-11].parquet

Which columns go is stated in schemas/sharing.py. Ids are keyed with HMAC-SHA-256 (RFC 2104): whoever has no key can't test a guess.
"""

import hashlib
import hmac
import json
import os
import re
import secrets
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl

import pipeline
from pipeline.durable_files import private_files
from pipeline.errors import PitchledgerError
from pipeline.players.names import parse_name
from pipeline.settings.ledger import Ledger
from pipeline.settings.ledger_checks import LEDGER
from pipeline.warehouse.parquet import parquet_schema
from pipeline.warehouse.query import REBUILD_HINT, published_database
from pipeline.warehouse.versions import MANIFEST, current_version
from schemas.contract import ContractError, conform, in_order, validate
from schemas.drift import OWN_HISTORY
from schemas.sharing import CLASSES, ID_KINDS, NOT_SHARED, PLAYER_KIND, Classes, shared_contract

KIND = "pitchledger share"
README, DATA, HALF_DONE = "README.txt", "data-", ".half-"
# HMAC-SHA-256 with fewer than 256 bits of key can be searched when the key is a word; 32 characters keep people from typing one
SHORTEST_KEY = 32
MAKE_KEY = "python3 -c 'import secrets; print(secrets.token_hex(32))'"
# ids of ledger.toml and words of the program, alone or with commas, or as tracker:metric
_WORD = r"[a-z0-9_-]{1,60}(:[a-z0-9_]{1,60})?"
_WORDS = rf"^({_WORD}(, ?{_WORD})*)?$"
# names of fewer letters stand in half of all words
SHORTEST_NAME = 4
CAUTION = (
    "A date, a park and a performance may still tell who a person is, and measurements of a body are that person's. Before you hand this on, "
    "ask whoever is responsible for athlete data in your program."
)
LEFT_OUT = (
    "names, labels, teams, the trackers' own ids and numbers, file names and rows, quarantine, decisions and corrections, notes and "
    "sentences: whatever a device or a person typed"
)


class Key(NamedTuple):
    """The key of the pseudonyms, where it came from, and whether it was made just now."""

    secret: bytes
    source: str
    made: bool = False

    @property
    def mark(self) -> str:
        """Eight hex digits that tell two keys apart and lead to neither."""
        return hmac.digest(self.secret, b"which key is this", "sha256").hex()[:8]


class Shared(NamedTuple):
    """What was shared. `other_key`: the share that stood there was made with another one. `telling_ids`: ids that hold a name of the roster."""

    version: str
    folder: Path
    rows: dict[str, int]
    bytes: int
    key: Key
    other_key: bool
    telling_ids: tuple[str, ...]


class ShareRefusedError(PitchledgerError):
    """The folder or the key is not one to share with; nothing was written."""

    exit_code = 2


def share(ledger: Ledger, folder: Path) -> Shared:
    """Write the copy of what readers see to `folder`, which is empty or holds an earlier share; that one stands until the new one is whole.

    Raises ShareRefusedError where the folder or the key won't do, PitchledgerError where nothing is published or the disk refuses.
    """
    published_database(ledger.output)
    before = _check_folder(folder, ledger)
    key = read_key(ledger, folder)
    try:
        with private_files():
            return _write(ledger, folder, key, before)
    except OSError as fault:
        raise PitchledgerError(
            f"could not share to {folder}: {fault}; an earlier share there stands as it was. Free or repair the disk and share again"
        ) from fault


def describe(shared: Shared) -> list[str]:
    """What a person should know of a share that was just made, a line each."""
    lines = [
        f"Shared version {shared.version} in {shared.folder}: {len(shared.rows)} tables, {sum(shared.rows.values()):,} rows, "
        f"{shared.bytes / 1e6:.1f} MB; {MANIFEST} names every file.",
        f"Players and ids are pseudonyms, keyed with {shared.key.source} (key {shared.key.mark}).",
    ]
    if shared.key.made:
        lines.append(
            "That key was made just now. Keep it, out of version control and away from who gets the copy: with it the pseudonyms can be led "
            "back, and without it the next copy has others."
        )
    if shared.other_key:
        lines.append("NOTE: the copy that stood here was made with another key: its pseudonyms do not fit this one's.")
    lines += [
        f"Left out: {LEFT_OUT}.",
        "Trackers, venues and stations stand as ledger.toml calls them: look that none is called after a person.",
    ]
    if shared.telling_ids:
        lines.append(f"NOTE: a name of the roster stands in: {', '.join(shared.telling_ids)}.")
    return [*lines, CAUTION]


# ---- where to, and with which key ------------------------------------------------------------------------------------------------------------


def _check_folder(folder: Path, ledger: Ledger) -> dict[str, Any]:
    """The manifest of the share that stands there, {} where none does. Raises ShareRefusedError."""
    place = folder.resolve()
    closed = [ledger.output, ledger.folder / "profiles", *(tracker.inbox for tracker in ledger.trackers)]
    for other in closed:
        if place.is_relative_to(other.resolve()):
            raise ShareRefusedError(f"{folder} lies in {other}, which is not for outsiders: name a folder elsewhere")
    if not folder.exists():
        return {}
    if not folder.is_dir():
        raise ShareRefusedError(f"{folder} is a file: name a folder that is empty or not there")
    others = [path.name for path in folder.iterdir() if not _ours(path.name)]
    before = _manifest_of(folder)
    if others and not before:
        raise ShareRefusedError(
            f"{folder} is not empty and holds no earlier share ({_few(others)}): name another folder"
        )
    if others:
        raise ShareRefusedError(f"{folder} holds other things beside the share ({_few(others)}): move them away")
    return before


def _ours(name: str) -> bool:
    """Ours, or what a file manager leaves in every folder."""
    return name in (MANIFEST, README, "Thumbs.db", "desktop.ini") or name.startswith((DATA, "."))


def _few(names: Sequence[str]) -> str:
    return ", ".join(sorted(names)[:3]) + (", ..." if len(names) > 3 else "")


def _manifest_of(folder: Path) -> dict[str, Any]:
    try:
        content = json.loads((folder / MANIFEST).read_text("utf-8"))
    except FileNotFoundError:
        return {}
    except ValueError:
        content = None
    if isinstance(content, dict) and content.get("kind") == KIND:
        return content
    raise ShareRefusedError(f"{folder / MANIFEST} is no share's: name another folder")


def read_key(ledger: Ledger, folder: Path) -> Key:
    """The key that ledger.toml's [share] leads to; the key file is made on first use. Raises ShareRefusedError, never showing a key."""
    variable = ledger.share.key_from
    if variable is not None:
        text = os.environ.get(variable, "").strip()
        if not text:
            raise ShareRefusedError(
                f"the environment variable {variable}, which {LEDGER} names in [share], is not set; a new key: {MAKE_KEY}"
            )
        return Key(_checked(text, f"the environment variable {variable}"), f"environment variable {variable}")
    path = ledger.folder / ledger.share.key_file
    if path.resolve().is_relative_to(folder.resolve()):
        raise ShareRefusedError(f"the key {path} would lie in the share: put [share] key_file in {LEDGER} elsewhere")
    return _read_key_file(path) if path.exists() else _make_key_file(path)


def _checked(text: str, source: str) -> bytes:
    if len(text) < SHORTEST_KEY:
        raise ShareRefusedError(f"{source} holds fewer than {SHORTEST_KEY} characters, too few for a key: {MAKE_KEY}")
    return text.encode()


def _read_key_file(path: Path) -> Key:
    if os.name == "posix" and path.stat().st_mode & 0o077:
        raise ShareRefusedError(f"others than its owner may read the key {path}: chmod 600 '{path}'")
    try:
        return Key(_checked(path.read_text("utf-8").strip(), f"the key file {path}"), str(path))
    except (OSError, UnicodeDecodeError) as fault:
        raise ShareRefusedError(f"the key file {path} can't be read ({type(fault).__name__})") from None


def _make_key_file(path: Path) -> Key:
    text = secrets.token_hex(32)
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError as fault:
        raise ShareRefusedError(f"the key file {path} can't be made: {fault.strerror}") from fault
    with os.fdopen(handle, "w") as file:
        file.write(text + "\n")
        file.flush()
        os.fsync(file.fileno())
    return Key(text.encode(), str(path), made=True)


# ---- what goes -------------------------------------------------------------------------------------------------------------------------------


def shareable(frame: pl.DataFrame, table: str, secret: bytes) -> pl.DataFrame:
    """The rows of a table as outsiders may have them, in an order that tells nothing of what they were called.

    Raises PitchledgerError where a word of the program is none: what it is then can't be known.
    """
    contract, classes = shared_contract(table), CLASSES[table]
    _check_words(frame, table, classes)
    kinds = {**dict.fromkeys(classes.players, PLAYER_KIND), **{name: ID_KINDS[name] for name in classes.ids}}
    keyed = [_keyed(frame, name, kind, secret) for name, kind in kinds.items() if name in frame.columns]
    try:
        return validate(in_order(conform(frame.with_columns(keyed), contract), contract), contract)
    except ContractError as fault:
        raise PitchledgerError(f"{fault}: {REBUILD_HINT}") from fault


def _check_words(frame: pl.DataFrame, table: str, classes: Classes) -> None:
    for name in classes.words:
        if name not in frame.columns:
            continue
        known = frame.get_column(name).str.contains(_WORDS) | frame.get_column(name).is_in([OWN_HISTORY])
        if not known.all():
            raise PitchledgerError(
                f"table {table}, column {name}: a value is neither an id of {LEDGER} nor a word of the program; nothing was shared"
            )


def _keyed(frame: pl.DataFrame, name: str, kind: str, secret: bytes) -> pl.Series:
    """The column with each value's pseudonym; null stays null. The kind is part of it: a pitch can't be told from the sighting it is named by."""
    values = frame.get_column(name)
    # the standard library's HMAC, once a value: no library of ours has it for whole columns, and 1,000,000 take 2 s
    known = values.drop_nulls().unique().to_list()
    pseudonyms = [pseudonym(value, kind, secret) for value in known]
    return values.replace_strict(known, pseudonyms, default=None, return_dtype=pl.String).alias(name)


def pseudonym(value: str, kind: str, secret: bytes) -> str:
    """`kind` and the first 64 bits of HMAC-SHA-256 of kind and value."""
    return f"{kind}_{hmac.digest(secret, f'{kind}/{value}'.encode(), 'sha256').hex()[:16]}"


def _telling_ids(ledger: Ledger) -> tuple[str, ...]:
    """Ids of trackers, venues and stations that hold a part of a name on the roster."""
    names = [name for name in ledger.roster.get_column("name").drop_nulls() if name]
    parts = {word for name in names for word in parse_name(name).words if len(word) >= SHORTEST_NAME}
    ids = {word for tracker in ledger.trackers for word in (tracker.id, tracker.venue, *tracker.stations)}
    return tuple(sorted(word for word in ids if parts & set(re.split("[_0-9]+", word))))


# ---- writing ---------------------------------------------------------------------------------------------------------------------------------


def _write(ledger: Ledger, folder: Path, key: Key, before: dict[str, Any]) -> Shared:
    folder.mkdir(parents=True, exist_ok=True)
    for left in folder.glob(f"{HALF_DONE}*"):
        shutil.rmtree(left, ignore_errors=True)
    version = str(current_version(ledger.output))
    name = _free_name(folder, f"{DATA}{version}")
    half = folder / f"{HALF_DONE}{name}"
    half.mkdir()
    try:
        rows = {table: _write_table(table, ledger.output, version, half / table, key.secret) for table in CLASSES}
        half.replace(folder / name)
    except BaseException:
        shutil.rmtree(half, ignore_errors=True)
        raise
    manifest = _manifest(folder, name, version, rows, key)
    _replace_text(folder / README, _readme(manifest))
    _replace_text(folder / MANIFEST, json.dumps(manifest, indent=1) + "\n")
    for old in folder.glob(f"{DATA}*"):
        if old.name != name:
            shutil.rmtree(old, ignore_errors=True)
    size = sum(entry["bytes"] for entry in manifest["files"])
    other_key = bool(before) and before.get("key") != key.mark
    return Shared(version, folder, rows, size, key, other_key, _telling_ids(ledger))


def _free_name(folder: Path, wanted: str) -> str:
    number = 1
    while (folder / (name := wanted if number == 1 else f"{wanted}.{number}")).exists():
        number += 1
    return name


def _write_table(table: str, output: Path, version: str, target: Path, secret: bytes) -> int:
    """Each file of the published table as a file of the copy, one part of a month in memory at a time; the rows written."""
    listed = json.loads((output / "versions" / version / MANIFEST).read_text("utf-8"))["tables"].get(table)
    if listed is None:
        raise PitchledgerError(f"version {version} has no table {table}: {REBUILD_HINT}")
    schema = parquet_schema(shared_contract(table), version)
    metadata = {key.decode(): value.decode() for key, value in schema.metadata.items()}
    rows = 0
    for place in listed["files"]:
        part = shareable(pl.read_parquet(output / place, hive_partitioning=False), table, secret)
        path = target / _inner_path(place, table)
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_parquet(path, compression="zstd", arrow_schema=schema, metadata=metadata)
        _sync(path)
        rows += part.height
    return rows


def _inner_path(place: str, table: str) -> str:
    """The path below the table's folder, as publishing writes it: from season, month and first day, and nothing else."""
    month, first = re.search(r"season=\d+/month=\d+/", place), re.search(r"-from-\d+(?=\.parquet$)", place)
    return f"{month.group() if month else ''}{table}{first.group() if first else ''}.parquet"


def _manifest(folder: Path, name: str, version: str, rows: Mapping[str, int], key: Key) -> dict[str, Any]:
    files = [_file_entry(path, folder) for path in sorted((folder / name).rglob("*.parquet"))]
    return {
        "kind": KIND,
        "version": version,
        "program_version": pipeline.__version__,
        "key": key.mark,
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
            "Each column's unit and definition stand in the metadata of its field.",
            f"Players and ids are pseudonyms, the same in every copy made with the same key (this one: {manifest['key']}).",
            f"Left out: {LEFT_OUT}.",
            "",
            CAUTION,
            "",
        ]
    )


def _replace_text(path: Path, text: str) -> None:
    aside = path.with_name(f"{HALF_DONE}{path.name}")
    aside.write_text(text, "utf-8")
    _sync(aside)
    aside.replace(path)


def _sync(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())
