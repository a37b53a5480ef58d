"""The copy for outsiders: no personal data, pseudonyms that cannot be guessed, and a folder that is complete at any moment."""

import hashlib
import hmac
import json
import os
import re
import shutil
import stat
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import PitchledgerError
from pipeline.settings.ledger import Ledger, load_ledger
from pipeline.warehouse import share as sharing
from pipeline.warehouse.query import published_tables, run_query
from pipeline.warehouse.share import ShareRefusedError, pseudonym, share, shareable
from schemas.metrics import PITCH_RESULTS, PLATE_APPEARANCE_RESULTS
from schemas.sharing import CLASSES, NOT_SHARED, shared_contract
from schemas.tables import TABLES
from tests.conftest import command

KEY = "0123456789abcdef0123456789abcdef0123456789abcdef"


@pytest.fixture(scope="module")
def program(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the demo after its run, with a place for a key."""
    folder = tmp_path_factory.mktemp("share") / "program"
    shutil.copytree(demo, folder, symlinks=True)
    return folder


@pytest.fixture(scope="module")
def ledger(program: Path) -> Ledger:
    return load_ledger(program)


@pytest.fixture(scope="module")
def shared(program: Path, ledger: Ledger) -> Path:
    folder = program.parent / "for_outsiders"
    share(ledger, folder)
    return folder


def manifest(folder: Path) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((folder / "manifest.json").read_text("utf-8"))
    return content


def frames(folder: Path) -> dict[str, pl.DataFrame]:
    tables = manifest(folder)["tables"]
    return {
        name: pl.concat(pl.read_parquet(folder / path, hive_partitioning=False) for path in table["files"])
        for name, table in tables.items()
    }


# ---- classes of columns -------------------------------------------------------------------------------------------------------------------


def test_every_table_is_shared_or_stays_at_home() -> None:
    assert set(CLASSES) | set(NOT_SHARED) == set(TABLES)
    assert not set(CLASSES) & set(NOT_SHARED)


@pytest.mark.parametrize("table", CLASSES)
def test_every_column_of_a_shared_table_has_one_class(table: str) -> None:
    classed = [name for names in CLASSES[table] for name in names]
    assert sorted(classed) == sorted(TABLES[table].names)


@pytest.mark.parametrize("table", CLASSES)
def test_text_is_shared_as_it_is_only_where_its_values_are_a_closed_list(table: str) -> None:
    columns = {column.name: column for column in TABLES[table].columns}
    texts = [name for name in CLASSES[table].as_is if columns[name].dtype == pl.String]
    assert [name for name in texts if not columns[name].allowed] == []


def test_columns_with_names_labels_or_typed_text_are_left_out() -> None:
    """The list is repeated here by hand, so that a class changed by mistake is noticed."""
    kept = {(table, column.name) for table in CLASSES for column in shared_contract(table).columns}
    telling = re.compile(
        r"label$|native|_name$|^name$|^team|^file|reason|^why$|^note$|sentence|verdict|corrections|sequence"
    )
    assert [name for name in kept if telling.search(name[1])] == []


# ---- no personal data ---------------------------------------------------------------------------------------------------------------------


def texts_of_people(program: Path) -> set[str]:
    """Return every name, label, native id and file name of the demo."""
    asked = """
        select pitcher_label from sightings union select batter_label from sightings union select team_label from sightings
        union select pitcher_native_id from sightings union select batter_native_id from sightings union select native_id from sightings
        union select native_session from sightings union select name from players union select team from players
        union select player_id from players union select file_name from files union select label from name_matches
        union select native_id from name_matches union select value from quarantine union select "column" from quarantine
        union select pitch_id from pitches union select sighting_id from sightings union select file_id from files
        union select sha256 from files union select session_id from sessions union select outing_id from outings"""
    texts = set(run_query(program / "warehouse", asked).to_series().drop_nulls())
    roster = pl.read_csv(program / "roster.csv", infer_schema=False)
    for column in ("name", "player_id", "other_names", "tracker_ids", "team"):
        for cell in roster.get_column(column).drop_nulls():
            texts |= {cell, *re.split(r"[;:]", cell)}
    words = {word for text in texts for word in re.findall(r"[^\W\d_]{5,}", text)}
    return {text.strip() for text in texts | words if text and text.strip()}


def words_of_ours(ledger: Ledger) -> set[str]:
    """Return words that every copy contains: those of contracts and their lists, of the caution, and the ids of ledger.toml."""
    columns = [column for table in CLASSES for column in shared_contract(table).columns]
    texts = [text for column in columns for text in (column.name, column.definition, column.unit, *column.allowed)]
    texts += [part for contract in TABLES.values() for part in (contract.table, contract.row, *contract.names)]
    texts += [
        *NOT_SHARED.values(),
        sharing.CAUTION,
        sharing.LEFT_OUT,
        sharing.KIND,
        *PITCH_RESULTS,
        *PLATE_APPEARANCE_RESULTS,
    ]
    texts += [word for tracker in ledger.trackers for word in (tracker.id, tracker.venue, *tracker.stations)]
    return {*texts, *(word for text in texts for word in re.findall(r"[^\W\d_]+", text))}


def every_text(folder: Path) -> Iterator[tuple[str, str]]:
    """Return every text in the copy with its place: values of every column, statistics, metadata, and the small files."""
    for path in folder.rglob("*"):
        yield "path", str(path.relative_to(folder))
        if path.suffix in (".json", ".txt"):
            yield path.name, path.read_text("utf-8")
        if path.suffix == ".parquet":
            table = pq.read_table(path)  # every value of every column, decompressed
            for name in table.column_names:
                values = pl.Series(table.column(name)).unique().drop_nulls()
                yield from ((f"{path.name} {name}", str(value)) for value in values.cast(pl.String))
            file = pq.ParquetFile(path)
            for key, text in (file.metadata.metadata or {}).items():
                yield f"{path.name} {key!r}", text.decode("utf-8", "replace")
            yield path.name, str(file.schema_arrow.to_string(show_field_metadata=True, truncate_metadata=False))


def test_the_copy_holds_no_name_label_native_id_or_file_name(program: Path, ledger: Ledger, shared: Path) -> None:
    # A bare number or day has no recognizable origin; the classes ensure that no native id is shared.
    plain = re.compile(r"[-+]?\d{1,8}([.,]\d+)?|\d{4}-\d\d-\d\d.*")
    forbidden = {text for text in texts_of_people(program) if not plain.fullmatch(text)} - words_of_ours(ledger)
    assert len(forbidden) > 5000 and {"Wendrake", "Ollerby"} <= forbidden
    names = {text for text in forbidden if re.fullmatch(r"[^\W\d_]{5,}", text)}
    found = []
    for place, text in every_text(shared):
        if text in forbidden:
            found.append((place, text))
        words = set(re.findall(r"[^\W\d_]{5,}", re.sub(r"[0-9a-f]{16,64}", "", text)))
        found += [(place, word) for word in words & names]
    assert found == []


def test_the_bytes_of_the_copy_hold_no_name(program: Path, shared: Path) -> None:
    names = pl.read_csv(program / "roster.csv", infer_schema=False).get_column("name").drop_nulls()
    last = {word.encode() for name in names for word in re.findall(r"[^\W\d_]{5,}", name)}
    for path in shared.rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            assert not [name for name in last if name in content], path


def test_the_order_of_the_rows_reveals_no_name(shared: Path) -> None:
    """If rows were sorted by the roster's ids, a known roster would reveal the pseudonyms."""
    for name, frame in frames(shared).items():
        contract = shared_contract(name)
        if contract.key and not contract.by_night:
            by = list(dict.fromkeys((*contract.order, *contract.key)))
            assert frame.equals(frame.sort(by, nulls_last=False)), name


# ---- pseudonyms ----------------------------------------------------------------------------------------------------------------------------


def test_a_pseudonym_is_hmac_sha_256() -> None:
    """RFC 4231, test case 2: key "Jefe", data "what do ya want for nothing?"."""
    expected = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert hmac.digest(b"Jefe", b"what do ya want for nothing?", "sha256").hex() == expected
    # by the definition of RFC 2104, H(K xor opad, H(K xor ipad, text)), with a block of 64 bytes
    key = KEY.encode().ljust(64, b"\0")
    inner = hashlib.sha256(bytes(byte ^ 0x36 for byte in key) + b"player/p07").digest()
    outer = hashlib.sha256(bytes(byte ^ 0x5C for byte in key) + inner).hexdigest()
    assert pseudonym("p07", "player", KEY.encode()) == f"player_{outer[:16]}"


@pytest.mark.parametrize(("one", "other"), [("p07", "p08"), ("p07", "p07"), ("p07", "P07"), ("é", "e\u0301")])
def test_pseudonyms_differ_where_values_kinds_or_keys_do(one: str, other: str) -> None:
    check_pseudonyms(one, other)


@pytest.mark.slow
@given(st.text(min_size=1), st.text(min_size=1))
def test_pseudonyms_of_any_text_differ_where_values_kinds_or_keys_do(one: str, other: str) -> None:
    check_pseudonyms(one, other)


def check_pseudonyms(one: str, other: str) -> None:
    secret = KEY.encode()
    assert (pseudonym(one, "player", secret) == pseudonym(other, "player", secret)) == (one == other)
    assert pseudonym(one, "pitch", secret) != pseudonym(one, "sighting", secret)
    assert pseudonym(one, "pitch", secret) != pseudonym(one, "pitch", secret + b"x")


def test_the_shared_tables_join_as_before_and_hold_the_same_numbers(program: Path, shared: Path) -> None:
    copies = frames(shared)
    whole = published_tables(program / "warehouse", list(CLASSES))
    assert {name: frame.height for name, frame in copies.items()} == {
        name: frame.height for name, frame in whole.items()
    }
    for frame, name in ((copies["sightings"], "pitch_id"), (copies["pitch_values"], "pitch_id")):
        assert frame.join(copies["pitches"], on=name, how="anti").is_empty()
    assert (
        copies["pitches"]
        .drop_nulls("pitcher_id")
        .join(copies["players"], left_on="pitcher_id", right_on="player_id", how="anti")
        .is_empty()
    )
    throws = lambda pitches: sorted(pitches["pitcher_id"].value_counts()["count"].to_list())  # noqa: E731
    assert throws(copies["pitches"]) == throws(whole["pitches"])
    speeds = lambda pitches: pitches["release_speed_mph"].drop_nulls().sort()  # noqa: E731
    assert speeds(copies["pitches"]).equals(speeds(whole["pitches"]))


def test_the_same_key_gives_the_same_bytes_and_another_key_other_pseudonyms(
    ledger: Ledger, shared: Path, tmp_path: Path
) -> None:
    share(ledger, tmp_path / "again")
    before, after = manifest(shared), manifest(tmp_path / "again")
    assert before == after
    key_file = ledger.folder / "share.key"
    kept = key_file.read_text()
    key_file.unlink()
    try:
        other = share(ledger, tmp_path / "again")
        assert other.other_key and other.key.made
        assert set(frames(tmp_path / "again")["players"]["player_id"]).isdisjoint(
            frames(shared)["players"]["player_id"]
        )
    finally:
        key_file.write_text(kept)


def test_a_value_that_is_not_an_id_stops_the_copy() -> None:
    """A label in the place of a tracker's id is not shared."""
    contract = TABLES["calibration"]
    row = {"tracker_a": "Jane Roe", "tracker_b": "gun", "baseball_day": None, "metric": "spin_rate_rpm", "n": 1}
    frame = pl.DataFrame([row], schema_overrides=contract.polars_schema())
    with pytest.raises(PitchledgerError, match="table calibration, column tracker_a") as fault:
        shareable(frame, "calibration", KEY.encode())
    assert "Jane" not in str(fault.value)


# ---- metadata and manifest -----------------------------------------------------------------------------------------------------------------


def test_the_metadata_holds_units_and_definitions(shared: Path) -> None:
    (path, *_) = manifest(shared)["tables"]["pitches"]["files"]
    schema = pq.read_schema(shared / path)
    assert schema.field("release_speed_mph").metadata[b"unit"] == b"mph"
    assert b"pseudonym, the same for the same player" in schema.field("pitcher_id").metadata[b"definition"]


def test_the_manifest_lists_every_file_with_its_checksum_and_what_was_left_out(ledger: Ledger, shared: Path) -> None:
    told = manifest(shared)
    there = {path.relative_to(shared).as_posix() for path in shared.rglob("*.parquet")}
    assert {entry["path"] for entry in told["files"]} == there
    published = json.loads((ledger.output / "manifest.json").read_text("utf-8"))["tables"]
    for table, parts in told["tables"].items():
        assert parts["rows"] == published[table]["rows"], table
        assert [Path(path).name for path in parts["files"]] == [Path(path).name for path in published[table]["files"]]
    for entry in told["files"]:
        assert hashlib.sha256((shared / entry["path"]).read_bytes()).hexdigest() == entry["sha256"]
    assert "quarantine" in told["left_out"]["tables"] and "pitcher_label" in told["left_out"]["columns"]["pitches"]
    assert "athlete data" in told["caution"] and "athlete data" in (shared / "README.txt").read_text("utf-8")


@pytest.mark.skipif(os.name != "posix", reason="rights of POSIX")
def test_owner_and_group_can_read_the_copy_and_only_the_owner_the_key(ledger: Ledger, shared: Path) -> None:
    assert stat.S_IMODE((ledger.folder / "share.key").stat().st_mode) == 0o600
    assert not [path for path in shared.rglob("*") if path.stat().st_mode & 0o007]


# ---- the folder ----------------------------------------------------------------------------------------------------------------------------


def test_an_earlier_copy_stays_complete_until_it_is_replaced(
    small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger, folder = load_ledger(small), tmp_path / "copy"
    share(ledger, folder)
    before = manifest(folder)
    usual = sharing._write_table

    def full(table: str, *words: Any) -> int:
        if table == "agreement":
            raise OSError(28, "No space left on device")
        return usual(table, *words)

    monkeypatch.setattr(sharing, "_write_table", full)
    with pytest.raises(PitchledgerError, match="an earlier copy there is unchanged"):
        share(ledger, folder)
    assert manifest(folder) == before
    assert all((folder / entry["path"]).is_file() for entry in before["files"])
    monkeypatch.undo()
    share(ledger, folder)
    assert manifest(folder)["folder"] != before["folder"]
    assert sorted(path.name for path in folder.iterdir()) == [
        ".share.lock",
        "README.txt",
        manifest(folder)["folder"],
        "manifest.json",
    ]


def test_two_shares_into_one_folder_at_once_leave_one_complete_copy(small: Path, tmp_path: Path) -> None:
    folder = tmp_path / "copy"
    ledger = load_ledger(small)
    with ThreadPoolExecutor(3) as threads:
        list(threads.map(lambda _: share(ledger, folder), range(3)))
    assert all((folder / entry["path"]).stat().st_size == entry["bytes"] for entry in manifest(folder)["files"])
    assert len(list(folder.glob("data-*"))) == 1


@pytest.mark.parametrize("where", ["warehouse/share", "inbox/ball", "inbox/ball/deep/er", "profiles"])
def test_a_folder_of_the_workspace_is_refused(where: str, ledger: Ledger) -> None:
    with pytest.raises(ShareRefusedError, match="not for outsiders"):
        share(ledger, ledger.folder / where)


def test_a_folder_with_other_files_is_refused_and_left_unchanged(ledger: Ledger, tmp_path: Path) -> None:
    (tmp_path / "thesis.doc").write_text("mine")
    with pytest.raises(ShareRefusedError, match=r"has no earlier share \(thesis.doc\)"):
        share(ledger, tmp_path)
    (tmp_path / "manifest.json").write_text('{"kind": "something else"}')
    with pytest.raises(ShareRefusedError, match="does not belong to a share"):
        share(ledger, tmp_path)
    with pytest.raises(ShareRefusedError, match="is a file"):
        share(ledger, tmp_path / "thesis.doc")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["manifest.json", "thesis.doc"]


# ---- the key -------------------------------------------------------------------------------------------------------------------------------


@pytest.fixture
def small(published_program: Path, tmp_path: Path) -> Path:
    """Return the example program after its first run, for the test to change."""
    return Path(shutil.copytree(published_program, tmp_path / "program", symlinks=True))


def with_share(folder: Path, lines: str) -> None:
    ledger = folder / "ledger.toml"
    ledger.write_text(f"{ledger.read_text('utf-8')}\n[share]\n{lines}\n", "utf-8")


def test_a_key_is_made_on_first_use_with_the_advice_to_keep_it(small: Path) -> None:
    first = command("share", "-w", small, small.parent / "copy")
    assert first.returncode == 0 and "This key was created just now. Keep it" in " ".join(first.stdout.split())
    again = command("share", "-w", small, small.parent / "copy")
    assert again.returncode == 0 and "created just now" not in again.stdout
    key = (small / "share.key").read_text().strip()
    assert re.fullmatch("[0-9a-f]{64}", key) and key not in first.stdout + first.stderr
    for told in (
        "may still identify a person",
        "ask whoever is responsible for athlete data",
        "Left out: names, labels",
    ):
        assert told in " ".join(first.stdout.split())


def test_a_key_in_the_environment_is_used_and_no_file_is_made(small: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with_share(small, 'key_from = "PITCHLEDGER_SHARE_KEY"')
    monkeypatch.setenv("PITCHLEDGER_SHARE_KEY", KEY)
    done = command("share", "-w", small, small.parent / "copy")
    assert done.returncode == 0 and KEY not in done.stdout + done.stderr
    assert not (small / "share.key").exists()
    ids = set(frames(small.parent / "copy")["players"]["player_id"])
    assert ids == {
        pseudonym(name, "player", KEY.encode())
        for name in run_query(small / "warehouse", "select player_id from players").to_series()
    }


@pytest.mark.parametrize(("key", "told"), [("", "is not set"), ("short secret", "fewer than 32 characters")])
def test_a_missing_or_weak_key_ends_with_2_and_is_not_shown(
    key: str, told: str, small: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_share(small, 'key_from = "PITCHLEDGER_SHARE_KEY"')
    monkeypatch.setenv("PITCHLEDGER_SHARE_KEY", key)
    done = command("share", "-w", small, small.parent / "copy")
    assert done.returncode == 2 and told in done.stderr and "short secret" not in done.stderr
    assert not (small.parent / "copy").exists()


@pytest.mark.skipif(os.name != "posix", reason="rights of POSIX")
def test_a_key_that_others_can_read_is_refused(small: Path) -> None:
    (small / "share.key").write_text(KEY)
    (small / "share.key").chmod(0o640)
    done = command("share", "-w", small, small.parent / "copy")
    assert done.returncode == 2 and "chmod 600" in done.stderr and KEY not in done.stderr


def test_a_key_inside_the_copy_is_refused(small: Path) -> None:
    with_share(small, 'key_file = "copy/share.key"')
    done = command("share", "-w", small, small / "copy")
    assert done.returncode == 2 and "would be inside the share" in done.stderr


def test_before_the_first_run_there_is_nothing_to_share(new_program: Path, tmp_path: Path) -> None:
    shutil.copytree(new_program, tmp_path / "program")
    done = command("share", "-w", tmp_path / "program", tmp_path / "copy")
    assert done.returncode == 3 and "pitchledger run" in done.stderr
    assert not (tmp_path / "copy").exists() and not (tmp_path / "program" / "share.key").exists()


def test_a_ledger_id_that_contains_a_roster_name_is_reported(small: Path) -> None:
    (small / "roster.csv").write_text("player_id,name\np1,Dana Penner-Homer\n", "utf-8")
    ledger = small / "ledger.toml"
    ledger.write_text(ledger.read_text("utf-8").replace('"home_park"', '"homer_park"'), "utf-8")
    command("run", "-w", small)
    done = command("share", "-w", small, small.parent / "copy")
    assert "these ids contain a name of the roster: homer_park" in " ".join(done.stdout.split())
