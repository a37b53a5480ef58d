"""Publishing: readers see one complete version or the other, whatever happens, through a read-only connection."""

import csv
import errno
import hashlib
import json
import os
import shutil
import signal
import stat
import subprocess
import sys
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl
import pyarrow.parquet as pq
import pytest

import pipeline
from pipeline.errors import PitchledgerError
from pipeline.warehouse import versions
from pipeline.warehouse.database import LawBrokenError, finish_tables
from pipeline.warehouse.publish import Base, prefetch_database, publish
from pipeline.warehouse.quarantine_csv import escaped
from pipeline.warehouse.query import open_published, published_connection, published_tables, run_query
from pipeline.warehouse.versions import (
    PublishFailedError,
    Version,
    current_version,
    delete_pruned,
    deleting_pruned,
    list_versions,
    point_to,
    recover,
)
from schemas.runs import SCHEMA_VERSION
from schemas.tables import TABLES
from tests.small_warehouse import small_tables


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    """A folder with one version of the small warehouse published; tests only read it."""
    folder = tmp_path_factory.mktemp("shared")
    publish(small_tables(), folder, "v1", 3)
    return folder


@pytest.fixture
def warehouse(shared, tmp_path):
    """A copy of it, to publish more versions in."""
    return shutil.copytree(shared, tmp_path / "warehouse", symlinks=True)


def _seen(folder):
    """Return the version behind each published name: all must be of one complete version."""
    manifest = json.loads((folder / "manifest.json").read_text())
    for entry in manifest["files"]:
        content = (folder / entry["path"]).read_bytes()
        assert (len(content), hashlib.sha256(content).hexdigest()) == (entry["bytes"], entry["sha256"])
    with duckdb.connect(str(folder / "pitchledger.duckdb"), read_only=True) as con:
        by_database = con.execute("select version from warehouse_version").fetchone()[0]
        assert con.execute("select count(*) from pitches").fetchone()[0] == manifest["tables"]["pitches"]["rows"]
    by_parquet = pq.read_schema(folder / manifest["tables"]["pitches"]["files"][0]).metadata[b"written_in"].decode()
    assert by_database == by_parquet == manifest["version"] == current_version(folder)
    return by_database


def test_the_published_version_is_found_by_the_plain_names(shared):
    assert _seen(shared) == "v1"
    assert (shared / "parquet" / "pitches" / "season=2026" / "month=03" / "pitches-from-01.parquet").is_file()
    assert (shared / "parquet" / "players" / "players.parquet").is_file()
    assert sorted(path.name for path in (shared / "quarantine").iterdir()) == ["radar.csv", "radar_values.csv"]


def test_parquet_holds_the_same_tables_with_units_and_version(shared):
    for name, frame in finish_tables(small_tables()).items():
        if name == "warehouse_version":
            continue
        back = published_tables(shared, (name,))[name]
        assert back.equals(frame), name
    schema = pq.read_schema(shared / "parquet/pitches/season=2026/month=03/pitches-from-01.parquet")
    assert schema.field("release_speed_mph").metadata[b"unit"] == b"mph"
    assert b"at release" in schema.field("release_speed_mph").metadata[b"definition"]
    assert (schema.metadata[b"written_in"], schema.metadata[b"table"]) == (b"v1", b"pitches")


def test_manifest_and_warehouse_version_name_the_schema_version(shared):
    manifest = json.loads((shared / "manifest.json").read_text())
    (row,) = published_tables(shared, ("warehouse_version",))["warehouse_version"].to_dicts()
    assert manifest["schema_version"] == row["schema_version"] == SCHEMA_VERSION == 2
    assert manifest["program_version"] == row["program_version"] == pipeline.__version__
    assert timedelta(0) < datetime.now(UTC) - row["published_at"] < timedelta(hours=1)


def test_other_parquet_readers_take_the_folder_as_one_table(shared):
    con = duckdb.connect()
    found = con.execute(
        f"select count(*), min(month), min(season) from read_parquet('{shared}/parquet/pitches/**/*.parquet', hive_partitioning = false)"
    ).fetchone()
    assert found == (11, 3, 2026)


def test_rows_in_any_order_give_the_same_parquet_bytes(tmp_path, monkeypatch):
    monkeypatch.setattr("pipeline.warehouse.publish.utc_now", lambda: datetime(2026, 11, 30, 4, 45, tzinfo=UTC))
    shuffled = {name: frame.sample(fraction=1, shuffle=True, seed=5) for name, frame in small_tables().items()}
    for place, tables in (("a", small_tables()), ("b", dict(reversed(shuffled.items())))):
        publish(tables, tmp_path / place, "v1", 2)
    sums = [
        {
            entry["path"]: entry["sha256"]
            for entry in json.loads((tmp_path / place / "manifest.json").read_text())["files"]
        }
        for place in "ab"
    ]
    parquet = [{path: value for path, value in side.items() if not path.endswith(".duckdb")} for side in sums]
    assert len(parquet[0]) > len(TABLES)
    assert parquet[0] == parquet[1]


def _pairs(*days):
    """Return a match pair on each of these days."""
    bad = small_tables()["match_pairs"].head(1)
    ids = pl.Series([f"s{number:016x}" for number in range(len(days))])
    return pl.concat([bad] * len(days)).with_columns(baseball_day=pl.Series(days), sighting_a=ids)


def _parts(folder, version):
    return sorted(
        path.relative_to(folder / "versions" / version / "parquet" / "match_pairs").as_posix()
        for path in folder.glob(f"versions/{version}/parquet/match_pairs/**/*.parquet")
    )


def test_parts_of_months_are_files_of_their_own(tmp_path):
    days = [date(2026, 3, day) for day in (1, 10, 11, 20, 21, 31)] + [date(2026, 4, 1), date(2027, 3, 1)]
    publish({"match_pairs": _pairs(*days)}, tmp_path, "v1", 2)
    assert _parts(tmp_path, "v1") == [
        f"season={year}/month={month}/match_pairs-from-{first}.parquet"
        for year, month, first in (
            ("2026", "03", "01"),
            ("2026", "03", "11"),
            ("2026", "03", "21"),
            ("2026", "04", "01"),
            ("2027", "03", "01"),
        )
    ]
    for path in tmp_path.glob("versions/v1/parquet/match_pairs/**/*-from-11.parquet"):
        found = pl.read_parquet(path, hive_partitioning=False).get_column("baseball_day").to_list()
        assert found == [date(2026, 3, 11), date(2026, 3, 20)]


def test_a_night_writes_its_part_of_the_month_and_links_the_others(tmp_path):
    days = [date(2026, 3, day) for day in (10, 11, 12, 21)]
    first = _pairs(*days)
    publish({"match_pairs": first}, tmp_path, "v1", 2)
    again = first.filter(baseball_day=date(2026, 3, 12)).with_columns(probability=0.25)
    with prefetch_database(tmp_path, "v1") as copying:
        standing = Base(Version(tmp_path, "v1"), {"match_pairs": [date(2026, 3, 12)]}, copying)
        publish({"match_pairs": again}, tmp_path, "v2", 2, standing)
    of_both = [tmp_path / "versions" / version / "parquet" / "match_pairs" for version in ("v1", "v2")]
    same = [path[-10:-8] for path in _parts(tmp_path, "v2") if (of_both[0] / path).samefile(of_both[1] / path)]
    assert (_parts(tmp_path, "v2"), same) == (_parts(tmp_path, "v1"), ["01", "21"])
    found = published_tables(tmp_path, ("match_pairs",))["match_pairs"]
    assert dict(found.select("baseball_day", "probability").iter_rows()) == {
        day: 0.25 if day.day == 12 else first["probability"][0] for day in days
    }


# ---- a new version ---------------------------------------------------------------------------------------------------------------------


def test_a_new_version_replaces_the_old_and_the_last_ones_are_kept(warehouse):
    for version in ("v2", "v3", "v4"):
        publish(small_tables(), warehouse, version, 3)
        assert _seen(warehouse) == version
    assert list_versions(warehouse) == ["v2", "v3", "v4"]


def test_at_least_the_previous_version_is_kept(warehouse):
    publish(small_tables(), warehouse, "v2", 1)
    assert list_versions(warehouse) == ["v1", "v2"]


def test_an_older_version_can_be_restored(warehouse):
    publish({}, warehouse, "v2", 3)
    point_to(warehouse, "v1")
    assert _seen(warehouse) == "v1"
    publish(small_tables(), warehouse, "v3", 2)
    assert _seen(warehouse) == "v3"


def test_the_version_that_readers_had_until_the_switch_is_kept_whatever_its_age(warehouse):
    """After a restore, and after a clock that ran ahead, the current version is not the newest."""
    publish({}, warehouse, "v2", 3)
    publish({}, warehouse, "v3", 3)
    point_to(warehouse, "v1")
    publish(small_tables(), warehouse, "v4", 2)
    assert _seen(warehouse) == "v4" and list_versions(warehouse) == ["v1", "v4"]


def test_versions_are_in_the_order_of_their_names_whatever_their_files_times(warehouse):
    for version in ("v2", "v3"):
        publish({}, warehouse, version, 5)
    os.utime(warehouse / "versions" / "v1" / "manifest.json", (4_000_000_000, 4_000_000_000))
    assert list_versions(warehouse) == ["v1", "v2", "v3"]


def test_a_new_version_sorts_last_even_after_a_clock_that_was_ahead(tmp_path):
    now = datetime(2026, 10, 20, 2, 30, tzinfo=UTC)
    names = []
    for ahead in (0, 0, 365, *[0] * 9):
        names.append(versions.next_version(tmp_path, now + timedelta(days=ahead)))
        folder = tmp_path / "versions" / names[-1]
        folder.mkdir(parents=True)
        (folder / "manifest.json").write_text("{}")
    assert list_versions(tmp_path) == names
    assert names[1] == "20261020T023000Z-2" and names[-1] == "20271020T023000Z-10"


def test_the_version_that_readers_see_is_never_removed(warehouse):
    publish({}, warehouse, "v2", 3)
    point_to(warehouse, "v1")
    versions.prune_versions(warehouse, 1)
    assert list_versions(warehouse) == ["v1"]


def test_only_the_remains_of_a_removed_version_are_deleted_in_the_background(warehouse):
    publish({}, warehouse, "v2", 2)
    publish({}, warehouse, "v3", 2)
    of_another_run = warehouse / "versions" / f"{versions.UNFINISHED}v4"
    of_another_run.mkdir()
    assert list_versions(warehouse) == ["v2", "v3"]
    assert list((warehouse / "versions").glob(f"{versions.PRUNED}*"))
    with deleting_pruned(warehouse):
        pass
    assert not list((warehouse / "versions").glob(f"{versions.PRUNED}*"))
    assert list_versions(warehouse) == ["v2", "v3"]
    assert of_another_run.is_dir()


def test_an_unknown_version_is_refused_by_name(shared):
    with pytest.raises(PublishFailedError, match=r"no version v9 in .*; existing versions: v1"):
        point_to(shared, "v9")


def test_the_copy_for_the_next_version_is_complete_and_removed_at_the_end(warehouse):
    database = warehouse / "versions" / "v1" / "pitchledger.duckdb"
    with prefetch_database(warehouse, "v1") as copying:
        copy = copying.result()
        assert copy.read_bytes() == database.read_bytes()
        assert copy.stat().st_nlink == 1 and not copy.stat().st_mode & 0o007
        assert list_versions(warehouse) == ["v1"]
    assert not copy.exists()


def test_a_failed_run_leaves_no_copy_and_removes_that_of_a_killed_run(warehouse):
    left = warehouse / "versions" / ".half-pitchledger.duckdb"
    left.write_bytes(b"half a copy")
    with pytest.raises(ValueError, match="of the run"), prefetch_database(warehouse, "v1") as copying:
        assert copying.result().stat().st_size > 1000
        raise ValueError("of the run")
    assert not left.exists()


def test_any_run_removes_the_partial_copy_of_a_killed_run(warehouse):
    left = warehouse / "versions" / ".half-pitchledger.duckdb"
    left.write_bytes(b"half a copy")
    recover(warehouse, 2)
    assert not left.exists()
    left.write_bytes(b"half a copy")
    publish(small_tables(), warehouse, "v2", 2)
    assert not left.exists()


def test_a_copy_that_cannot_be_removed_hides_no_error_of_the_run(warehouse, monkeypatch):
    def refuse(path, missing_ok=False):
        raise OSError(errno.EIO, "Input/output error", str(path))

    with pytest.raises(ValueError, match="of the run"), prefetch_database(warehouse, "v1") as copying:
        left = copying.result()
        monkeypatch.setattr(Path, "unlink", refuse)
        raise ValueError("of the run")
    monkeypatch.undo()
    assert left.exists()
    recover(warehouse, 2)
    assert not left.exists()


def test_a_failed_copy_fails_the_publish_in_one_sentence(warehouse):
    (warehouse / "versions" / "v1" / "pitchledger.duckdb").unlink()
    with prefetch_database(warehouse, "v1") as copying:
        assert copying is not None
        with pytest.raises(PublishFailedError, match=r"could not publish to .*pitchledger\.duckdb.* version v1"):
            publish(small_tables(), warehouse, "v2", 2, Base(Version(warehouse, "v1"), {}, copying))
    assert current_version(warehouse) == "v1"


def test_the_current_version_is_never_overwritten(shared):
    with pytest.raises(PublishFailedError, match="v1 is the one that readers have open"):
        publish({}, shared, "v1", 2)


@pytest.mark.parametrize("version", ["../v2", "", ".hidden", "a/b", "a b"])
def test_a_version_that_is_not_a_plain_name_is_refused(shared, version):
    with pytest.raises(PublishFailedError, match="folder's name"):
        publish({}, shared, version, 2)


def test_tables_that_break_a_law_leave_the_published_version_in_place(warehouse):
    tables = small_tables() | {"players": TABLES["players"].empty()}
    with pytest.raises(LawBrokenError, match="players_are_known"):
        publish(tables, warehouse, "v2", 2)
    assert _seen(warehouse) == "v1"
    assert sorted(path.name for path in (warehouse / "versions").iterdir() if not path.name.startswith(".empty")) == [
        "v1"
    ]


def test_an_open_reader_keeps_its_version_and_blocks_no_run(warehouse):
    with duckdb.connect(str(warehouse / "pitchledger.duckdb"), read_only=True) as reader:
        for version in ("v2", "v3", "v4"):
            publish({}, warehouse, version, 2)
        assert reader.execute("select count(*) from pitches").fetchone() == (11,)
    assert _seen(warehouse) == "v4"


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write whatever the mode says")
def test_the_published_file_cannot_be_opened_for_writing(warehouse):
    with pytest.raises(duckdb.IOException):
        duckdb.connect(str(warehouse / "pitchledger.duckdb"))


@pytest.mark.skipif(os.name != "posix", reason="modes are POSIX's")
def test_outputs_are_for_owner_and_group_and_files_are_read_only(tmp_path):
    folder = tmp_path / "warehouse"
    publish(small_tables(), folder, "v1", 2)
    for path in (folder, *(path for path in folder.rglob("*") if not path.name.startswith(".empty"))):
        mode = stat.S_IMODE(path.stat().st_mode)
        assert mode == (0o750 if path.is_dir() else 0o440), path


# ---- faults ----------------------------------------------------------------------------------------------------------------------------


class _Killed(BaseException):
    """A kill: no error handler may catch it."""


FAULTS = {"kill": _Killed(), "full": OSError(28, "No space left on device"), "io": OSError(5, "Input/output error")}


def test_a_kill_or_full_disk_at_the_last_calls_leaves_the_old_version_or_the_new(tmp_path, monkeypatch):
    calls = _calls_of_a_publish(tmp_path, monkeypatch)
    assert calls > 50
    for fault, at in (("kill", calls // 2), ("full", calls - 2), ("kill", calls - 1)):
        _publish_with_fault(tmp_path, monkeypatch, FAULTS[fault], at)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["kill", "full"])
def test_a_disk_error_leaves_the_old_version_or_the_new(tmp_path, monkeypatch, kind):
    calls = _calls_of_a_publish(tmp_path, monkeypatch)
    # The last calls rename the version, move the link and hide the old one: all of them; of the many calls before, two.
    for at in (1, calls // 2, *range(calls - 3, calls + 1)):
        _publish_with_fault(tmp_path, monkeypatch, FAULTS[kind], at)


@pytest.mark.long
@pytest.mark.parametrize("kind", FAULTS)
def test_an_error_at_each_call_to_the_disk_leaves_the_old_version_or_the_new(tmp_path, monkeypatch, kind):
    for at in range(1, _calls_of_a_publish(tmp_path, monkeypatch) + 1):
        _publish_with_fault(tmp_path, monkeypatch, FAULTS[kind], at)


def _calls_of_a_publish(folder, monkeypatch):
    """Return how often a publish on top of two versions renames, links or fsyncs something."""
    publish(small_tables(), folder, "first", 2)
    publish(small_tables(), folder, "second", 2)
    return _publish_counting(folder, monkeypatch, "counted", None, 0)


def _publish_with_fault(folder, monkeypatch, fault, at):
    before = current_version(folder)
    try:
        _publish_counting(folder, monkeypatch, f"faulty-{at}", fault, at)
    except (PublishFailedError, _Killed) as failure:
        if isinstance(failure, PublishFailedError):
            assert f"see version {_seen(folder)}" in str(failure)
        assert _seen(folder) in {before, f"faulty-{at}"}
    else:  # only pruning an old version failed: the new one is published
        assert _seen(folder) == f"faulty-{at}"
    publish(small_tables(), folder, f"after-{at}", 2)
    assert _seen(folder) == f"after-{at}"
    assert len(list_versions(folder)) == 2
    delete_pruned(folder)
    assert not [path.name for path in (folder / "versions").iterdir() if path.name.startswith(versions.UNFINISHED)]
    assert not list(folder.glob(".*.new"))


def _publish_counting(folder, monkeypatch, version, fault, at):
    """Publish with the `at`-th call failing with `fault`; return the number of calls."""
    calls = [0]

    def counted(call):
        def wrapped(*args, **more):
            calls[0] += 1
            if calls[0] == at:
                raise fault
            return call(*args, **more)

        return wrapped

    with monkeypatch.context() as patch:
        for name in ("replace", "fsync", "symlink"):
            patch.setattr(os, name, counted(getattr(os, name)))
        publish(small_tables(), folder, version, 2)
    return calls[0]


_PUBLISH_FOREVER = """
import sys, itertools
from pathlib import Path
from pipeline.warehouse.publish import publish
from tests.small_warehouse import small_tables
tables = small_tables()
print("ready", flush=True)
for number in itertools.count():
    publish(tables, Path(sys.argv[1]), f"{sys.argv[2]}-{number}", 2)
"""


@pytest.mark.slow
def test_kill_9_during_a_publish_leaves_a_complete_version(warehouse):
    for attempt in range(3):
        run = subprocess.Popen(
            [sys.executable, "-c", _PUBLISH_FOREVER, str(warehouse), f"k{attempt}"], stdout=subprocess.PIPE, text=True
        )
        run.stdout.readline()
        time.sleep(0.05 + 0.3 * attempt)
        run.send_signal(signal.SIGKILL)
        run.wait()
        run.stdout.close()
        _seen(warehouse)
        publish(small_tables(), warehouse, f"after-{attempt}", 2)
        assert _seen(warehouse) == f"after-{attempt}"
        assert len(list_versions(warehouse)) == 2


@pytest.mark.slow
def test_a_reader_that_loops_while_versions_change_sees_complete_ones_only(warehouse):
    run = subprocess.Popen(
        [sys.executable, "-c", _PUBLISH_FOREVER, str(warehouse), "loop"], stdout=subprocess.PIPE, text=True
    )
    run.stdout.readline()
    seen = set()
    until = time.monotonic() + 120
    while len(seen) < 4 and time.monotonic() < until:
        with open_published(warehouse) as con:
            seen.add(con.execute("select version from warehouse_version").fetchone()[0])
            assert con.execute("select count(*) from throws_by_day").fetchone() == (7,)
    run.kill()
    run.wait()
    run.stdout.close()
    assert len(seen) > 1


def test_a_version_of_an_older_program_is_reported_as_such(warehouse):
    told = r"a_(table|column)_of_a_later_program.*pitchledger run --rebuild"
    for sql in ("from a_table_of_a_later_program", "select a_column_of_a_later_program from pitches"):
        with pytest.raises(PitchledgerError, match=told), published_connection(warehouse) as con:
            con.execute(sql)


# ---- without links ---------------------------------------------------------------------------------------------------------------------


@pytest.fixture
def no_links(monkeypatch):
    """A system that permits no links, usually Windows."""

    def refuse(*_args, **_kwargs):
        raise OSError(1314, "A required privilege is not held by the client")

    monkeypatch.setattr(os, "symlink", refuse)


def test_without_links_a_pointer_file_and_copies_do_the_same(no_links, tmp_path):
    for version in ("v1", "v2", "v3"):
        publish(small_tables(), tmp_path, version, 2)
        assert (tmp_path / "current.txt").read_text().strip() == version
        assert _seen(tmp_path) == version
        assert run_query(tmp_path, "select version from warehouse_version").item() == version
    assert list_versions(tmp_path) == ["v2", "v3"]
    assert not (tmp_path / "current").exists()


def test_a_disk_error_at_the_first_link_does_not_mean_links_are_unsupported(tmp_path, monkeypatch):
    def fail(*_args, **_kwargs):
        raise OSError(errno.EIO, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(os, "symlink", fail)
        with pytest.raises(PublishFailedError, match="nothing is published yet"):
            publish(small_tables(), tmp_path, "v1", 2)
    assert not (tmp_path / "current.txt").exists() and not (tmp_path / "manifest.json").exists()
    publish(small_tables(), tmp_path, "v2", 2)
    assert _seen(tmp_path) == "v2"


def test_without_links_a_copy_held_open_is_left_and_the_run_continues(no_links, tmp_path, monkeypatch, caplog):
    publish(small_tables(), tmp_path, "v1", 2)
    replace = os.replace

    def held_open(source, target, **more):
        if Path(target).name == "pitchledger.duckdb":
            raise PermissionError(13, "The process cannot access the file because it is being used by another process")
        return replace(source, target, **more)

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", held_open)
        publish(small_tables(), tmp_path, "v2", 2)
    assert "is open in another program" in caplog.text
    assert run_query(tmp_path, "select version from warehouse_version").item() == "v2"
    with duckdb.connect(str(tmp_path / "pitchledger.duckdb"), read_only=True) as con:
        assert con.execute("select version from warehouse_version").fetchone() == ("v1",)
    point_to(tmp_path, "v2")
    assert _seen(tmp_path) == "v2"


# ---- quarantine for spreadsheets -------------------------------------------------------------------------------------------------------


def _lines(path):
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_quarantine_files_keep_numbers_and_disarm_formulas(shared):
    rows = _lines(shared / "quarantine" / "radar.csv")
    assert [row["value"] for row in rows] == ["941", "'=1+1"]
    assert [row["fix"] for row in rows] == ["correct the row", "'-"]
    (value,) = _lines(shared / "quarantine" / "radar_values.csv")
    assert (value["value"], value["fix"], value["file_row"]) == ("-5.5", "'@home", "2")


@pytest.mark.parametrize("cell", ["=cmd()", "+1+1", "-2+3", "@sum(a1)", "\t=1", "\r=1", "  =1", "-1e", "＝1", " \t=1"])
def test_cells_that_a_spreadsheet_would_run_get_an_apostrophe(cell):
    assert pl.DataFrame({"c": [cell]}).select(escaped("c")).item() == "'" + cell


@pytest.mark.parametrize("cell", ["95.1", "-5", "+3,5", "-0.25", "Finch, Alder", "", None, "a=b", "-1.5e-3"])
def test_numbers_and_words_are_not_changed(cell):
    assert pl.DataFrame({"c": [cell]}, schema={"c": pl.String}).select(escaped("c")).item() == cell


def test_a_tracker_name_cannot_escape_the_quarantine_folder(tmp_path):
    line = {"level": "row", "tracker": "../../evil", "file_name": "x", "reason": "r"}
    publish({"quarantine": pl.DataFrame([line])}, tmp_path, "v1", 2)
    assert [path.name for path in (tmp_path / "quarantine").iterdir()] == ["______evil.csv"]


# ---- read-only queries-----------------------------------------------------------------------------------------------------------------


def test_before_the_first_run_a_query_says_what_to_do(tmp_path):
    with pytest.raises(PitchledgerError, match=r"nothing is published in .* yet: run `pitchledger run`"):
        run_query(tmp_path, "select 1")


def test_a_query_gives_a_frame_with_at_most_the_rows_asked_for(shared):
    assert run_query(shared, "select pitch_id from pitches order by pitch_number -- all of them", 3).height == 3
    assert run_query(shared, "from pitches;").height == 11


@pytest.mark.parametrize(
    "query",
    ["describe pitches", "show tables", "summarize players", "with a as (select 1 as x) select x from a", "values (1)"],
)
def test_read_only_statements_are_allowed(shared, query):
    assert run_query(shared, query).height > 0


ESCAPES = (
    "select * from read_csv('{secret}')",
    "select * from '{secret}'",
    "select * from read_text('{secret}')",
    "select * from read_blob('{secret}')",
    "select * from glob('{folder}/*')",
    "select * from read_parquet('{folder}/parquet/players/players.parquet')",
    "select * from read_json('{secret}')",
    "select * from sniff_csv('{secret}')",
    "select * from parquet_metadata('{folder}/parquet/players/players.parquet')",
    "select * from read_duckdb('{other}', table_name = 'players')",
    "select * from query('select * from read_text(''{secret}'')')",
    "select getenv('HOME')",
    "select * from duckdb_secrets()",
    "select * from secret_frame",
    "copy players to '{folder}/out.csv'",
    "copy (select 1) to '{folder}/out.csv'",
    "export database '{folder}/out'",
    "attach '{other}' as other",
    "attach ':memory:' as other",
    "install httpfs",
    "load httpfs",
    "set enable_external_access = true",
    "set lock_configuration = false",
    "reset memory_limit",
    "pragma enable_profiling",
    "call enable_logging()",
    "select * from enable_logging()",
    "create table x (a int)",
    "create temp table x as select 1",
    "create macro m() as 1",
    "insert into players select * from players",
    "with gone as (delete from players returning *) select * from gone",
    "update players set name = 'x'",
    "delete from players",
    "drop view throws_by_day",
    "prepare p as select 1",
    "explain analyze select 1",
    "vacuum",
    "checkpoint",
    "select 1; select 2",
    "select 1; copy players to '{folder}/out.csv'",
    "",
    "-- nothing",
    "selct 1",
)


@pytest.mark.parametrize("query", ESCAPES)
def test_a_query_reaches_nothing_but_the_warehouse(shared, tmp_path_factory, query):
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    secret, other = elsewhere / "secret.csv", elsewhere / "other.duckdb"
    secret.write_text("a,b\n1,2\n")
    duckdb.connect(str(other)).execute("create table players (a int)").close()
    secret_frame = pl.DataFrame({"secret": [1]})  # noqa: F841 - a query could find it by its name
    before = sorted(path for path in shared.rglob("*"))
    with pytest.raises(PitchledgerError):
        run_query(shared, query.format(secret=secret, other=other, folder=shared))
    assert sorted(path for path in shared.rglob("*")) == before
    assert _seen(shared) == "v1"


@pytest.mark.long
def test_a_query_that_needs_too_much_memory_fails_and_spills_nothing(shared):
    before = sorted(shared.rglob("*"))
    with pytest.raises(PitchledgerError, match="Out of Memory"):
        run_query(shared, "select count(*) from (select * from range(300000000) order by hash(range))")
    assert sorted(shared.rglob("*")) == before
