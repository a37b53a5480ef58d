"""A run redoes the nights that a change affects, no more and no less: each case is compared with one run over everything.

The quick tests start from two days of the demo, the slow ones from five.
"""

import hashlib
import json
import os
import shutil
import threading
import time
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.exports import inbox
from pipeline.exports.archive import ARCHIVE
from pipeline.exports.duplicates import COPIED
from pipeline.incremental.run_report import dry_run
from pipeline.night import run_and_record
from pipeline.settings.ledger import load_ledger
from pipeline.warehouse.run_log import read_attempts, restore
from pipeline.warehouse.versions import current_version, list_versions
from tests.conftest import command, published_needs
from tests.nights import (
    DEMO,
    comparable,
    deliver,
    demo_exports,
    differences,
    empty_workspace,
    fresh,
    memory_folder,
    night,
    published,
)

Days = tuple[str, ...]
TWO_DAYS: Days = ("2026-10-13", "2026-10-16")
FIVE_DAYS: Days = ("2026-10-12", "2026-10-13", "2026-10-14", "2026-10-15", "2026-10-16")
SLOW_FIVE_DAYS = pytest.param(FIVE_DAYS, id="five days", marks=pytest.mark.slow)
only_five_days = pytest.mark.parametrize("days", [SLOW_FIVE_DAYS], indirect=True)
FIRST_DECISION = "kind,tracker,subject,object,by,on,why\n"


@pytest.fixture(scope="module", params=[pytest.param(TWO_DAYS, id="two days"), SLOW_FIVE_DAYS])
def days(request: pytest.FixtureRequest) -> Days:
    """The days whose exports are published before a test begins."""
    return tuple(request.param)


@pytest.fixture(scope="module")
def first_run(days: Days, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = empty_workspace(tmp_path_factory.mktemp("nights") / "w")
    deliver(folder, demo_exports(*days))
    night(folder)
    return folder


@pytest.fixture
def workspace(first_run: Path, tmp_path: Path) -> Path:
    """Return a workspace after its first run, for the test to change."""
    shutil.copytree(first_run, tmp_path / "w", symlinks=True)
    return tmp_path / "w"


def one(workspace: Path, word: str) -> Path:
    (path,) = [path for path in (workspace / "inbox").rglob("*") if word in str(path) and path.is_file()]
    return path


def decide(workspace: Path, *lines: str) -> None:
    path = workspace / "decisions.csv"
    text = path.read_text() if path.is_file() else FIRST_DECISION
    path.write_text(text.rstrip("\n") + "\n" + "".join(f"{line}\n" for line in lines))


def assert_as_from_nothing(workspace: Path, folder: Path) -> None:
    assert differences(comparable(workspace), fresh(workspace, folder)) == {}


@only_five_days
def test_exports_copied_again_with_the_same_content_are_hashed_only_once(
    days: Days, workspace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    deliver(workspace, demo_exports(*days), written_at=1_700_000_100)
    deliver(workspace, demo_exports("2026-11-04"))
    assert night(workspace).nights == [date(2026, 11, 4)]
    hashed: list[Path] = []
    monkeypatch.setattr(inbox, "_hash", lambda path, *_: hashed.append(path) or "")
    assert not night(workspace).published
    assert hashed == []
    written = published(workspace)["files"].get_column("modified_at").dt.epoch("s")
    assert sorted(written.unique()) == [1_700_000_000, 1_700_000_100]


@only_five_days
def test_a_rebuild_notices_content_that_changed_under_the_same_size_and_time(workspace: Path) -> None:
    path = one(workspace, "wurf_20261013_1537_Sued")
    written, content = path.stat().st_mtime_ns, path.read_bytes()
    place = max(content.rfind(b"%d" % digit) for digit in range(10))
    path.write_bytes(content[:place] + (b"7" if content[place : place + 1] != b"7" else b"8") + content[place + 1 :])
    os.utime(path, ns=(written, written))
    assert not night(workspace).published
    report = night(workspace, rebuild=True)
    assert [reason for reason in report.reasons if reason.startswith("changed without a new size or time")] == [
        f"changed without a new size or time (check the disk and the sync): pen_unit/20261013/{path.name}"
    ]
    (file_id,) = published(workspace)["files"].filter(pl.col("file_name").str.contains("1537_Sued"))["file_id"]
    content_now = hashlib.sha256(path.read_bytes()).hexdigest()
    assert file_id == hashlib.sha256(f"pen_unit\n{content_now}".encode()).hexdigest()[:16]


@only_five_days
def test_drop_export_names_one_export_literally(workspace: Path) -> None:
    path = one(workspace, "wurf_20261013_1537_Sued")
    odd = path.with_name("wurf_[1].csv")
    path.rename(odd)
    night(workspace)
    odd.unlink()
    decide(workspace, "drop_export,pen_unit,20261013/wurf*,,me,2026-11-25,a name and no pattern")
    night(workspace)
    names = set(published(workspace)["files"]["file_name"])
    assert "20261013/wurf_[1].csv" in names
    decide(workspace, "drop_export,pen_unit,20261013/wurf_[1].csv,,me,2026-11-25,sent by mistake")
    night(workspace)
    assert set(published(workspace)["files"]["file_name"]) == names - {"20261013/wurf_[1].csv"}


def test_a_run_works_through_the_new_nights_only(workspace: Path) -> None:
    deliver(workspace, demo_exports("2026-11-04"))
    report = night(workspace)
    # the opening block of 14 days is over, and nothing learns from a later night
    assert report.nights == [date(2026, 11, 4)]
    assert report.files_new == len(demo_exports("2026-11-04"))


def test_a_run_without_anything_new_publishes_nothing(workspace: Path) -> None:
    before = current_version(workspace / "warehouse")
    report = night(workspace)
    assert (report.published, report.reasons, current_version(workspace / "warehouse")) == (False, [], before)


def test_a_late_export_is_matched_with_its_pitches(workspace: Path, tmp_path: Path) -> None:
    radar = one(workspace, "radar_2026-10-16_v1")
    late = radar.read_bytes()
    radar.unlink()
    shutil.rmtree(workspace / "warehouse")
    night(workspace)
    alone = published(workspace)["pitches"].filter(pl.col("baseball_day") == date(2026, 10, 16))
    assert alone.get_column("seen_by").max() == 1
    radar.write_bytes(late)
    night(workspace)
    together = published(workspace)["pitches"].filter(pl.col("baseball_day") == date(2026, 10, 16))
    assert together.filter(pl.col("seen_by") == 2).height > 200
    assert_as_from_nothing(workspace, tmp_path / "fresh")


@only_five_days
def test_a_removed_export_is_reported_and_its_rows_stay_until_a_decision(workspace: Path, tmp_path: Path) -> None:
    before = comparable(workspace)
    path = one(workspace, "wurf_20261013_1537_Sued")
    name = path.relative_to(workspace / "inbox" / "pen_unit").as_posix()
    content = path.read_bytes()
    path.unlink()
    report = night(workspace)
    assert report.files_gone == 1 and any(name in reason and "gone" in reason for reason in report.reasons)
    assert differences(comparable(workspace), before) == {}
    # a rebuild takes it from the kept copy
    night(workspace, rebuild=True)
    assert differences(comparable(workspace), before) == {}
    gone = published(workspace)["files"].drop_nulls("gone_since").get_column("file_name").to_list()
    assert gone == [name]
    assert not night(workspace).published
    # back, with the same content
    path.write_bytes(content)
    night(workspace)
    assert published(workspace)["files"].drop_nulls("gone_since").is_empty()
    # gone again, and dropped
    path.unlink()
    decide(workspace, f"drop_export,pen_unit,{name},,me,2026-11-25,sent by mistake")
    report = night(workspace)
    assert name not in published(workspace)["files"].get_column("file_name").to_list()
    assert_as_from_nothing(workspace, tmp_path / "fresh")


@only_five_days
def test_dropping_an_export_that_exists_under_another_name_removes_no_row(workspace: Path, tmp_path: Path) -> None:
    before = comparable(workspace)["pitches"]
    path = one(workspace, "radar_2026-10-16_v1")
    copy = path.with_name("radar_2026-10-16_v0.csv")
    shutil.copy(path, copy)
    night(workspace)
    # v0 comes first by name, so its rows count, and v1 is the repeat
    copy.unlink()
    decide(workspace, "drop_export,stadium_radar,2026-10/radar_2026-10-16_v0.csv,,me,2026-11-25,a copy")
    night(workspace)
    files = published(workspace)["files"].filter(pl.col("file_name").str.contains("2026-10-16_v"))
    assert files.select("file_name", "status").rows() == [("2026-10/radar_2026-10-16_v1.csv", "read")]
    assert comparable(workspace)["pitches"].equals(before)
    assert_as_from_nothing(workspace, tmp_path / "fresh")
    # The decision remains when the copy comes again: that is reported, and no throw counts twice.
    shutil.copy(path, copy)
    night(workspace)
    (note,) = published(workspace)["decisions"].filter(pl.col("kind") == "drop_export").get_column("note").to_list()
    assert "still in its inbox" in note
    assert comparable(workspace)["pitches"].equals(before)


@pytest.mark.long
@pytest.mark.parametrize("days", [FIVE_DAYS], indirect=True)
def test_a_dropped_export_that_returns_counts_again_until_it_is_removed(workspace: Path, tmp_path: Path) -> None:
    before = comparable(workspace)
    path = one(workspace, "wurf_20261013_1537_Sued")
    content = path.read_bytes()
    path.unlink()
    decide(workspace, "drop_matching_exports,pen_unit,20261013/wurf_20261013_1537*,,me,2026-11-25,another team's")
    night(workspace)
    without = comparable(workspace)
    assert set(differences(without, before)) > {"pitches", "sightings", "files"}
    path.write_bytes(content)
    night(workspace)
    assert set(differences(comparable(workspace), before)) == {"decisions"}
    assert_as_from_nothing(workspace, tmp_path / "fresh")
    path.unlink()
    night(workspace)
    assert differences(comparable(workspace), without) == {}


@only_five_days
def test_a_run_after_a_restore_follows_decisions_and_removals_made_meanwhile(workspace: Path, tmp_path: Path) -> None:
    first, before = str(current_version(workspace / "warehouse")), comparable(workspace)
    dropped, removed = one(workspace, "wurf_20261013_1537_Sued"), one(workspace, "wurf_20261014_1525_Nord")
    content = removed.read_bytes()
    lines = content.splitlines(keepends=True)
    dropped.unlink()
    decide(workspace, "drop_export,pen_unit,20261013/wurf_20261013_1537_Sued.csv,,me,2026-11-25,another team's")
    removed.write_bytes(b"".join(lines[:-8]))
    night(workspace)
    after = comparable(workspace)
    removed.unlink()
    restore(load_ledger(workspace).output, first)
    assert differences(comparable(workspace), before) == {}
    # The restored version has the export as it was: its archived copy is read when the night is processed again.
    report = night(workspace)
    assert report.files_gone == 1 and any("decisions.csv" in reason for reason in report.reasons)
    night(workspace, rebuild=True)
    removed.write_bytes(content)
    assert differences(comparable(workspace), fresh(workspace, tmp_path / "fresh")) == {}
    # The inbox as it was before the restore gives the same tables as before it.
    removed.write_bytes(b"".join(lines[:-8]))
    night(workspace)
    assert differences(comparable(workspace), after) == {}


@only_five_days
def test_an_export_copied_under_another_session_counts_no_throw_twice(workspace: Path, tmp_path: Path) -> None:
    """The first export was cut off and has other ids, as with `session = "@file"`: only its readings identify it."""
    before = published(workspace)["pitches"].get_column("pitch_id").to_list()
    path = one(workspace, "wurf_20261013_1537_Sued")
    whole, cut = path.read_bytes(), path.with_name("wurf_20261013_1538_Sued.csv")
    lines = whole.replace(b"M3-101311", b"M3-101399").splitlines(keepends=True)
    path.unlink()
    cut.write_bytes(b"".join(lines[:-8]))
    decide(workspace, "drop_matching_exports,pen_unit,*wurf_20261013_1537*,,me,2026-11-25,cut off")
    night(workspace)
    other_ids = set(published(workspace)["pitches"].get_column("pitch_id")) - set(before)
    assert len(other_ids) > 5
    path.write_bytes(whole)
    night(workspace)
    tables = published(workspace)
    assert tables["pitches"].get_column("pitch_id").sort().to_list() == sorted(before)
    # an id that was published once still leads to its pitch
    now = dict(tables["pitch_aliases"].select("old_pitch_id", "pitch_id").iter_rows())
    assert {now[pitch] for pitch in other_ids} <= set(before)
    aside = tables["set_aside"].filter(pl.col("why") == COPIED)
    assert aside.height > 5 and set(aside.get_column("kind")) == {"repeat"}
    (need,) = [need for need in published_needs(workspace / "warehouse") if need.kind == "copy"]
    assert f"{aside.height} rows" in need.problem and "wurf_20261013_1538_Sued.csv" in need.problem
    assert_as_from_nothing(workspace, tmp_path / "fresh")


def test_an_offline_inbox_is_reported_and_changes_nothing(workspace: Path) -> None:
    before = comparable(workspace)
    (workspace / "inbox" / "stadium_radar").rename(workspace / "away")
    report = night(workspace)
    assert not report.published
    assert any("stadium_radar" in sentence and "away" in sentence for sentence in report.postponed)
    assert differences(comparable(workspace), before) == {}
    (workspace / "inbox" / "stadium_radar").mkdir()
    assert not night(workspace).published


@only_five_days
def test_a_renamed_export_is_read_under_its_new_name(workspace: Path, tmp_path: Path) -> None:
    path = one(workspace, "radar_2026-10-16_v1")
    path.rename(path.with_name("radar_2026-10-16_v9.csv"))
    night(workspace)
    names = published(workspace)["files"].get_column("file_name").to_list()
    assert "2026-10/radar_2026-10-16_v9.csv" in names and "2026-10/radar_2026-10-16_v1.csv" not in names
    assert_as_from_nothing(workspace, tmp_path / "fresh")


def test_a_corrected_export_under_the_same_name_replaces_the_old_one(workspace: Path, tmp_path: Path) -> None:
    path = one(workspace, "radar_2026-10-16_v1")
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:-20]))
    report = night(workspace)
    assert report.nights == [date(2026, 10, 16)]
    assert_as_from_nothing(workspace, tmp_path / "fresh")


@only_five_days
def test_a_copy_of_an_export_changes_only_its_row_in_files(workspace: Path, tmp_path: Path) -> None:
    before = comparable(workspace)["pitches"]
    path = one(workspace, "radar_2026-10-16_v1")
    shutil.copy(path, path.with_name("radar_2026-10-16_v0.csv"))
    night(workspace)
    assert published(workspace)["files"].filter(pl.col("status") == "repeat").height >= 1
    assert comparable(workspace)["pitches"].equals(before)
    assert_as_from_nothing(workspace, tmp_path / "fresh")
    # the first of the two goes: nothing is lost
    path.with_name("radar_2026-10-16_v0.csv").unlink()
    night(workspace)
    assert comparable(workspace)["pitches"].equals(before)
    assert_as_from_nothing(workspace, tmp_path / "fresh_2")


def test_an_export_that_is_still_growing_is_left_for_the_next_run(
    workspace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # as long as a busy machine may let the writer wait
    monkeypatch.setattr(inbox, "SETTLE_S", 1.5)
    (source,) = demo_exports("radar_2026-11-04_v1")
    target = workspace / source.relative_to(DEMO)
    target.parent.mkdir(parents=True, exist_ok=True)
    lines = source.read_bytes().splitlines(keepends=True)
    stop = threading.Event()

    def write_slowly() -> None:
        with target.open("wb", buffering=0) as file:
            for line in lines * 50:
                file.write(line)
                if stop.wait(0.05):
                    return

    writer = threading.Thread(target=write_slowly)
    writer.start()
    try:
        time.sleep(0.2)
        report = night(workspace)
    finally:
        stop.set()
        writer.join()
    assert not report.published
    assert [sentence for sentence in report.postponed if "radar_2026-11-04_v1.csv" in sentence]
    target.write_bytes(source.read_bytes())
    assert night(workspace).nights == [date(2026, 11, 4)]


@only_five_days
def test_an_export_replaced_after_hashing_is_read_as_it_was_hashed(
    workspace: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (source,) = demo_exports("radar_2026-11-04_v1")
    deliver(workspace, [source])
    target = workspace / source.relative_to(DEMO)
    from pipeline.exports import reading as gathering

    real = gathering.map_exports

    def replaced_first(*arguments: object) -> object:
        target.write_bytes(b"something else")
        return real(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr("pipeline.incremental.affected_nights.map_exports", replaced_first)
    night(workspace)
    monkeypatch.undo()
    taken = published(workspace)["files"].filter(pl.col("file_name") == "2026-11/radar_2026-11-04_v1.csv")
    assert taken.get_column("sha256").to_list() == [hashlib.sha256(source.read_bytes()).hexdigest()]
    assert taken.get_column("sightings")[0] > 200
    # The next run reads its new content.
    assert night(workspace).published
    assert_as_from_nothing(workspace, tmp_path / "fresh")


CHANGES = ("comment", "profile", "correction", "roster", "label", "tolerance", "gaps", "no_pitch", "thrown_by")
# how many nights a change affects, where the days alone decide it
AFFECTED = {"comment": 0, "profile": 1, "correction": 1, "gaps": 0, "thrown_by": 1}


def affected(change: str, days: Days) -> int | None:
    return len(days) if change == "tolerance" else AFFECTED.get(change)


@pytest.mark.parametrize("days", [TWO_DAYS], indirect=True)
@pytest.mark.parametrize("change", CHANGES)
def test_a_dry_run_names_the_nights_that_a_changed_setting_affects(change: str, days: Days, workspace: Path) -> None:
    change_a_setting(change, workspace)
    report = dry_run(load_ledger(workspace))
    assert bool(report.reasons) == (change != "comment")
    expected = affected(change, days)
    assert expected is None or len(report.nights) == expected


@pytest.mark.slow
@pytest.mark.parametrize(
    ("days", "change"),
    [
        (TWO_DAYS, "thrown_by"),
        *(pytest.param(FIVE_DAYS, change, marks=pytest.mark.slow) for change in (*CHANGES, "hand", "stranger")),
    ],
    indirect=["days"],
)
def test_the_nights_that_a_changed_setting_affects_are_redone(
    change: str, days: Days, workspace: Path, tmp_path: Path
) -> None:
    stranger = change_a_setting(change, workspace)
    report = night(workspace)
    expected = affected(change, days)
    if expected is not None:
        assert len(report.nights) == expected
    assert report.published == (change != "comment")
    if change == "stranger":
        (note,) = published(workspace)["decisions"].get_column("note").drop_nulls().unique()
        assert note == f"names player {stranger}, who is neither on the roster nor named by any label"
    assert_as_from_nothing(workspace, tmp_path / "fresh")


def change_a_setting(change: str, workspace: Path) -> str:
    """Change one setting of the workspace; "hand" and "stranger" run a night before. Returns the stranger's id, or ""."""
    stranger = ""
    ledger = workspace / "ledger.toml"
    text = ledger.read_text()
    if change == "hand":
        # a player whom no label of that night names
        decide(workspace, f"thrown_by,,{_of_one_night(workspace)},hs06,me,2026-11-25,saw it")
        night(workspace)
    if change == "stranger":
        stranger, labels, pitches = _stranger(workspace)
        decide(workspace, f"thrown_by,,{pitches},{stranger},me,2026-11-25,saw it")
        night(workspace)
        assert stranger in published(workspace)["sightings"].filter(pitcher_by="person").get_column("pitcher_id")
        # Once his labels mean a player of ours, no label names the opponent.
        decide(workspace, *(f'label_is,,"{label}",hs01,me,2026-11-25,asked him' for label in labels))
    if change == "comment":
        ledger.write_text(text + "\n# nothing\n")
    elif change == "profile":
        profile = workspace / "profiles" / "stadium_radar.toml"
        before = profile.read_text()
        profile.write_text(_other_definition(before))
        assert profile.read_text() != before
    elif change == "correction":
        ledger.write_text(
            text + '\n[[correction]]\ntracker = "stadium_radar"\nmetric = "release_speed_mph"\namount = -0.5\n'
            'from = 2026-10-16\nwhy = "test"\n'
        )
    elif change == "roster":
        roster = workspace / "roster.csv"
        lines = roster.read_text().splitlines()
        roster.write_text("\n".join(line for line in lines if not line.startswith("hs06")) + "\n")
    elif change == "label":
        decide(workspace, 'label_is,,"Ollerby, Rusk",hs01,me,2026-11-25,asked him')
    elif change == "tolerance":
        ledger.write_text(text + "\n[limits]\nspin_rate_rpm = [500, 3400]\n")
    elif change == "gaps":
        ledger.write_text(text.replace("[gaps]", "[gaps]") + ("" if "[gaps]" in text else "\n[gaps]\nshare = 0.5\n"))
    elif change == "no_pitch":
        some = published(workspace)["sightings"].sort("sighting_id").get_column("sighting_id")[7]
        decide(workspace, f"no_pitch,,{some},,me,2026-11-25,a throw back")
    elif change == "thrown_by":
        decide(workspace, f"thrown_by,,{_of_one_night(workspace)},hs06,me,2026-11-25,saw it")
    elif change == "hand":
        roster = workspace / "roster.csv"
        lines = roster.read_text()
        assert ",left," in lines or ",right," in lines
        (line,) = [line for line in lines.splitlines() if line.startswith("hs06")]
        other = line.replace(",left,", ",none,").replace(",right,", ",left,").replace(",none,", ",right,")
        roster.write_text(lines.replace(line, other))
    return stranger


def _of_one_night(workspace: Path) -> str:
    """Return three sightings of the last night without a label of hs06."""
    seen = published(workspace)["sightings"]
    with_him = seen.filter(pl.col("pitcher_id") == "hs06").get_column("baseball_day").unique()
    days = seen.filter(~pl.col("baseball_day").is_in(with_him.implode())).sort("baseball_day", "sighting_id")
    return " ".join(days.get_column("sighting_id").tail(3))


def _stranger(workspace: Path) -> tuple[str, list[str], str]:
    """Return a pitcher who is not on the roster, his labels, and three sightings of a night without them."""
    seen = published(workspace)["sightings"].sort("baseball_day", "sighting_id")
    batters = seen.get_column("batter_id").drop_nulls().unique()
    his = seen.filter(pl.col("pitcher_id").str.starts_with("x-"), ~pl.col("pitcher_id").is_in(batters.implode()))
    his = his.filter(pl.col("pitcher_id") == his["pitcher_id"].max())
    others = seen.filter(~pl.col("baseball_day").is_in(his["baseball_day"].implode()))
    return his["pitcher_id"][0], his["pitcher_label"].unique().to_list(), " ".join(others["sighting_id"].head(3))


def _other_definition(profile: str) -> str:
    """Return the profile with another meaning for one of the operator's words."""
    words = '"slider" = "slider"'
    assert words in profile
    return profile.replace(words, '"slider" = "cutter"', 1)


@only_five_days
@pytest.mark.parametrize("kept", ["less", pytest.param("nothing", marks=pytest.mark.slow)])
def test_a_version_of_an_earlier_program_is_rebuilt(kept: str, workspace: Path) -> None:
    """Such a version may lack columns, or all kept frames."""
    before = comparable(workspace)
    memory = memory_folder(workspace)
    facts, stated = memory / "file_facts.parquet", memory / "settings.json"
    lacking = pl.read_parquet(facts).drop("first_seen_at", "gone_since")
    facts.unlink()
    lacking.write_parquet(facts)
    if kept == "less":
        settings = json.loads(stated.read_text()) | {"program": "0.0.1 earlier"}
        stated.unlink()
        stated.write_text(json.dumps(settings))
    else:
        shutil.rmtree(memory)
    report = night(workspace)
    assert any("program" in reason for reason in report.reasons)
    assert differences(comparable(workspace), before) == {}


@only_five_days
def test_a_damaged_copy_of_a_removed_export_quarantines_only_that_export(workspace: Path) -> None:
    path = one(workspace, "radar_2026-10-16_v1")
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    path.unlink()
    (kept,) = (workspace / "warehouse" / ARCHIVE).glob(f"*/{sha256}.zst")
    kept.write_bytes(kept.read_bytes()[:100])
    night(workspace, rebuild=True)
    lines = published(workspace)["quarantine"].filter(pl.col("file_name").str.contains("radar_2026-10-16_v1"))
    assert lines.get_column("reason").to_list() == [
        "the file is no longer in the inbox, and its kept copy is missing or damaged"
    ]


@only_five_days
def test_copies_of_exports_are_removed_when_no_kept_version_needs_them(workspace: Path) -> None:
    path = one(workspace, "radar_2026-10-16_v1")
    old = hashlib.sha256(path.read_bytes()).hexdigest()
    lines = path.read_bytes().splitlines(keepends=True)
    kept = workspace / "warehouse" / ARCHIVE
    for number in range(1, load_ledger(workspace).keep_versions + 1):
        assert list(kept.glob(f"*/{old}.zst"))
        path.write_bytes(b"".join(lines[:-number]))
        night(workspace)
    assert not list(kept.glob(f"*/{old}.zst"))
    assert list(kept.glob(f"*/{hashlib.sha256(path.read_bytes()).hexdigest()}.zst"))


def test_a_dry_run_says_what_would_be_done_and_writes_nothing(workspace: Path) -> None:
    deliver(workspace, demo_exports("2026-11-04"))

    def everything() -> dict[str, int]:
        return {str(path): path.lstat().st_mtime_ns for path in workspace.rglob("*")}

    before = everything()
    report = dry_run(load_ledger(workspace))
    assert everything() == before
    assert report.nights == [date(2026, 11, 4)] and not report.published
    done = command("run", "--dry-run", "-w", workspace)
    assert done.returncode == 0 and "A run would process the night of Nov 4" in done.stdout
    assert everything() == before


@only_five_days
def test_readers_see_a_restored_version_and_the_next_run_continues_from_it(workspace: Path, tmp_path: Path) -> None:
    first = str(current_version(workspace / "warehouse"))
    before = comparable(workspace)
    deliver(workspace, demo_exports("2026-11-04"))
    night(workspace)
    after = comparable(workspace)
    done = command("run", "--restore", first, "-w", workspace)
    assert done.returncode == 0, done.stderr
    assert differences(comparable(workspace), before) == {}
    refused = command("run", "--restore", "yesterday", "-w", workspace)
    assert refused.returncode == 2 and first in refused.stderr
    assert night(workspace).published
    assert differences(comparable(workspace), after) == {}
    assert len(list_versions(workspace / "warehouse")) == 3


@only_five_days
def test_every_run_leaves_a_line_with_its_outcome(workspace: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ledger = load_ledger(workspace)
    run_and_record(ledger)
    deliver(workspace, demo_exports("2026-11-04"))

    def refuse(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipeline.night.publish", refuse)
    with pytest.raises(OSError, match="No space"):
        run_and_record(ledger)
    monkeypatch.undo()
    run_and_record(ledger)
    outcomes = [(attempt.outcome, "No space" in attempt.message) for attempt in read_attempts(ledger.output)]
    assert outcomes == [("nothing_new", False), ("failed", True), ("done", False)]


@only_five_days
def test_unchanged_months_are_the_same_files_in_both_versions(workspace: Path) -> None:
    """Not copied and not changed: by POSIX, a hard link is the same file (st_ino)."""
    before = current_version(workspace / "warehouse")
    deliver(workspace, demo_exports("2026-11-04"))
    night(workspace)
    both = [
        workspace / "warehouse" / "versions" / str(version) / "parquet" / "pitches" / "season=2026" / "month=10"
        for version in (before, current_version(workspace / "warehouse"))
    ]
    ids = {(file.stat().st_ino, file.stat().st_dev) for folder in both for file in folder.iterdir()}
    assert len(ids) == 1
    assert (both[1].parent / "month=11" / "pitches-from-01.parquet").stat().st_nlink == 1
