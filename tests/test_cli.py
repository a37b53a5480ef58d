"""The command line as people and schedulers use it: what it prints, and its exit codes."""

import csv
import errno
import io
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import filelock
import polars as pl
import pytest
from rich.console import Console

from pipeline.reports.attention import Need, decision_line, first_of_each
from pipeline.reports.printing import print_rows, value_words
from pipeline.warehouse.query import run_query
from tests.conftest import PITCHLEDGER, command

COMMANDS = ("check", "demo", "draft", "explain", "init", "query", "review", "run", "status")
WIDTH = 100


@pytest.fixture
def example(published_program: Path) -> Path:
    """What `init` makes, after a first run; tests only read it."""
    return published_program


@pytest.fixture
def fresh(new_program: Path, tmp_path: Path) -> Path:
    """What `init` makes, before any run, to change at will."""
    folder = tmp_path / "program"
    shutil.copytree(new_program, folder)
    return folder


def printed(*words: str | Path) -> str:
    """What a command that succeeds prints."""
    done = command(*words)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def change(folder: Path, old: str, new: str) -> None:
    """Change the export that `init` made."""
    (export,) = (folder / "inbox" / "example_unit").glob("*.csv")
    export.write_text(export.read_text("utf-8").replace(old, new), "utf-8")


def first(folder: Path, sql: str) -> str:
    return str(run_query(folder / "warehouse", sql).item(0, 0))


# ---- help ----------------------------------------------------------------------------------------------------------------------------------


def test_help_names_every_command_and_the_exit_codes() -> None:
    text = printed("--help")
    assert all(re.search(rf"^  {name} ", text, re.MULTILINE) for name in COMMANDS)
    assert "Exit codes: 0 done; 2 " in text


@pytest.mark.parametrize("name", COMMANDS)
def test_the_help_of_each_command_describes_it_and_its_options(name: str) -> None:
    text = printed(name, "--help")
    assert len(text.splitlines()[2].strip()) > 30
    options = re.findall(r"^  (-\S.*?)(?:  +(\S.*))?$", text, re.MULTILINE)
    assert options


def test_help_loads_nothing_heavy() -> None:
    code = "import sys; sys.argv = ['pitchledger', '--help']\nimport pipeline.cli\ntry: pipeline.cli.main()\nexcept SystemExit: pass\nprint(sorted(sys.modules), file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = done.stderr
    assert not [name for name in ("duckdb", "polars", "pydantic", "numpy", "rich.console") if f"'{name}'" in loaded]


# ---- exit codes ----------------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "words", [("walk",), ("run", "--fast"), ("query",), ("explain",), ("status", "--format", "xml")]
)
def test_a_wrong_command_line_ends_with_2(words: tuple[str, ...], tmp_path: Path) -> None:
    assert command(*words, cwd=tmp_path).returncode == 2


@pytest.mark.parametrize("name", ["check", "run", "status"])
def test_without_a_workspace_each_command_ends_with_2_and_names_init(name: str, tmp_path: Path) -> None:
    for words in ((name,), (name, "-w", tmp_path)):
        done = command(*words, cwd=tmp_path)
        assert (done.returncode, done.stdout) == (2, "")
        assert "There is no ledger.toml" in done.stderr and "pitchledger init" in done.stderr


@pytest.mark.parametrize("name", ["check", "run"])
def test_errors_in_all_settings_files_are_reported_at_once_and_end_with_2(name: str, fresh: Path) -> None:
    ledger, profile = fresh / "ledger.toml", fresh / "profiles" / "example_unit.toml"
    ledger.write_text(ledger.read_text("utf-8").replace("rank = 1", "rank = 0"), "utf-8")
    profile.write_text(profile.read_text("utf-8").replace('at = "release"', 'at = "relaese"'), "utf-8")
    (fresh / "roster.csv").write_text("player_id,name,hand\nP01,Avery Example,rihgt\n", "utf-8")
    done = command(name, "-w", fresh)
    assert done.returncode == 2
    for place in (
        "ledger.toml, [[tracker]] 1: rank = 0",
        "[metric.release_speed_mph]: at =",
        "roster.csv, row 2: hand",
    ):
        assert place in done.stderr
    assert "Traceback" not in done.stderr
    assert not (fresh / "warehouse").exists()


def test_a_run_that_fails_publishes_nothing_and_ends_with_3(fresh: Path) -> None:
    (fresh / "warehouse").write_text("a file where the folder should be")
    done = command("run", "-w", fresh)
    assert done.returncode == 3
    assert (fresh / "warehouse").read_text() == "a file where the folder should be"


def test_a_full_disk_fails_the_run_in_one_sentence_and_the_next_run_recovers(
    fresh: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The real disk errors are in test_crash.py."""

    def fail(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", fail)
        done = command("run", "-w", fresh)
    assert done.returncode == 3 and "Traceback" not in done.stderr
    (sentence,) = [line for line in done.stderr.splitlines() if line.startswith("pitchledger: ")]
    assert "No space left on device" in sentence
    assert command("run", "-w", fresh).returncode == 0
    assert first(fresh, "select count(*) from pitches") == "4"


def test_status_before_the_first_run_says_what_to_do(fresh: Path) -> None:
    done = command("status", "-w", fresh)
    assert done.returncode != 0 and "pitchledger run" in done.stderr and "Traceback" not in done.stderr


def test_a_second_run_at_the_same_time_ends_with_4_and_names_the_first(fresh: Path) -> None:
    output = fresh / "warehouse"
    output.mkdir()
    with filelock.FileLock(output / ".run.lock"):
        (output / ".run.txt").write_text("process 4711 since 2026-10-12 02:30:00 UTC", "utf-8")
        done = command("run", "-w", fresh)
    assert done.returncode == 4
    assert "another run is in progress: process 4711 since 2026-10-12 02:30:00 UTC" in done.stderr
    assert not (output / "versions").exists()


def test_the_lock_of_a_dead_run_blocks_nothing(fresh: Path) -> None:
    output = fresh / "warehouse"
    output.mkdir()
    code = f"import filelock, os; filelock.FileLock({str(output / '.run.lock')!r}).acquire(); os.kill(os.getpid(), 9)"
    subprocess.run([sys.executable, "-c", code], check=False)
    (output / ".run.txt").write_text("process 1 since 2026-10-12 02:30:00 UTC", "utf-8")
    assert command("run", "-w", fresh).returncode == 0
    assert not (output / ".run.txt").exists()


# ---- init, check, run ----------------------------------------------------------------------------------------------------------------------


def test_a_new_workspace_passes_check_and_runs(example: Path) -> None:
    assert "All settings are valid" in printed("check", "-w", example)
    assert first(example, "select count(*) from pitches") == "4"


def test_init_overwrites_nothing(fresh: Path) -> None:
    (fresh / "ledger.toml").write_text("mine", "utf-8")
    (fresh / "roster.csv").unlink()
    assert "roster.csv" in printed("init", fresh)
    assert (fresh / "ledger.toml").read_text("utf-8") == "mine"


def test_check_shows_what_each_column_becomes(example: Path) -> None:
    text = printed("check", "-w", example)
    # 141.3 km/h are 87.8 mph: a mile is 1.609344 km exactly (NIST Special Publication 811, appendix B)
    assert re.search(r"release_speed_mph +speed km/h +km/h +141\.3 +87\.8 +all *\n +speed \(3-D\) at release", text)
    assert re.search(r"pitch_type +called .*straight one +four_seam", text)


def test_check_names_a_decision_about_an_unknown_sighting(fresh: Path) -> None:
    printed("run", "-w", fresh)
    known = first(fresh, "select min(sighting_id) from sightings")
    lines = f"kind,tracker,subject,object\nnot_same_pitch,,{known},s00000000000000aa\n"
    (fresh / "decisions.csv").write_text(lines, "utf-8")
    text = " ".join(printed("check", "-w", fresh).split())
    assert "no published sighting has the id s00000000000000aa" in text and f"id {known}" not in text


def test_check_and_run_report_an_example_roster_and_a_folder_that_no_tracker_reads(fresh: Path) -> None:
    (fresh / "inbox" / "shed_camera").mkdir()
    shutil.copy(next((fresh / "inbox" / "example_unit").iterdir()), fresh / "inbox" / "shed_camera")
    (fresh / "roster.csv").write_text("player_id,name\nQ1,Somebody Else\n", "utf-8")
    checked = " ".join(printed("check", "-w", fresh).split())
    assert re.search(r"0 of \d+ rows of the newest exports are by a pitcher on roster.csv", checked)
    assert "All settings are valid" not in checked
    folder = "inbox/shed_camera/ holds 1 file, but no tracker in ledger.toml reads it."
    assert folder in checked
    (fresh / "roster.csv").write_text("player_id,name\n", "utf-8")
    assert "roster.csv lists no player" in " ".join(printed("check", "-w", fresh).split())
    for words in (("run",), ("run",), ("run", "--dry-run"), ("status",)):
        assert folder in " ".join(printed(*words, "-w", fresh).split())
    assert "roster.csv lists no player: 0 of" in " ".join(printed("status", "-w", fresh).split())


def test_check_writes_nothing(fresh: Path) -> None:
    before = sorted(fresh.rglob("*"))
    printed("check", "-w", fresh)
    assert sorted(fresh.rglob("*")) == before


def test_check_reports_a_missing_inbox_and_run_continues(fresh: Path) -> None:
    shutil.rmtree(fresh / "inbox")
    done = command("check", "-w", fresh)
    assert done.returncode == 2 and "inbox" in done.stdout
    assert "0 new exports" in printed("run", "-w", fresh)


def test_check_reports_an_export_that_the_profile_does_not_fit(fresh: Path) -> None:
    change(fresh, "speed km/h", "Speed kmh")
    done = command("check", "-w", fresh)
    assert done.returncode == 2 and "Speed kmh" in " ".join(done.stdout.split())


def test_a_run_ends_with_the_morning_summary_and_logs_plain_lines(fresh: Path) -> None:
    done = command("run", "-w", fresh)
    assert re.search(r"^example_unit +1 +5 +4 +0 +1 +0$", done.stdout, re.MULTILINE)
    assert "Every row is accounted for" in done.stdout and "4 seen by 1 tracker" in done.stdout
    assert re.search(r"^\d{4}-\d\d-\d\d .* INFO read: 1 of 1$", done.stderr, re.MULTILINE)
    assert "\x1b" not in done.stdout + done.stderr


def test_a_second_run_says_that_nothing_is_new(example: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(example, tmp_path / "program", symlinks=True)
    assert "Nothing is new" in command("run", "-w", folder).stdout


def test_the_workspace_is_found_from_a_folder_inside_it(example: Path) -> None:
    assert command("status", cwd=example / "inbox").returncode == 0


# ---- status --------------------------------------------------------------------------------------------------------------------------------


def test_status_strict_ends_with_0_where_nothing_needs_attention(example: Path) -> None:
    done = command("status", "-w", example, "--strict")
    assert (done.returncode, "Nothing needs your attention." in done.stdout) == (0, True)


def test_status_as_json_has_every_section_of_the_page(demo: Path) -> None:
    state = json.loads(printed("status", "-w", demo, "--format", "json"))
    assert set(state) >= {
        "run",
        "runs",
        "trackers",
        "pitches_seen_by",
        "nights",
        "gaps",
        "quarantine",
        "needs_attention",
        "disk_bytes",
    }
    assert sum(state["pitches_seen_by"].values()) == int(first(demo, "select count(*) from pitches"))
    for counts in state["trackers"].values():
        assert counts["rows"] == counts["sightings"] + counts["repeats"] + counts["no_pitch"] + counts["quarantined"]


def test_status_strict_ends_with_1_where_something_needs_attention(demo: Path) -> None:
    done = command("status", "-w", demo, "--strict")
    assert done.returncode == 1 and "Needs your attention" in done.stdout


def test_status_counts_the_pitches_of_a_night_once(demo: Path) -> None:
    state = json.loads(printed("status", "-w", demo, "--format", "json"))
    by_night = {(night["baseball_day"], night["station"]): night["pitches"] for night in state["nights"]}
    asked = "select baseball_day::varchar, coalesce(station, 'unknown'), count(*) from pitches where baseball_day > date '2026-10-31' group by all"
    assert by_night == {(day, station): n for day, station, n in run_query(demo / "warehouse", asked).rows()}


def test_a_name_on_three_trackers_is_asked_once_with_its_decision_line(demo: Path) -> None:
    text = " ".join(printed("status", "-w", demo).split())
    assert text.count("Rusk Ollerby") == 1 and text.count("Ollerby, Rusk") == 1
    assert "(Instrumented balls, Stadium camera array and Stadium radar," in text
    assert 'label_is,,"Ollerby, Rusk",PLAYER_ID,YOU,DATE,WHY' in text


def test_a_line_to_paste_is_one_csv_row() -> None:
    line = decision_line("label_is", 'Ramolde, "Pepe" José', "p01")
    assert next(csv.reader(io.StringIO(line))) == ["label_is", "", 'Ramolde, "Pepe" José', "p01", "YOU", "DATE", "WHY"]


def test_the_summary_shows_the_first_of_each_kind_and_counts_the_rest() -> None:
    needs = [Need("name", f"n{n}", "r") for n in range(4)] + [Need("clock", "c", "r")]
    shown, more = first_of_each(needs, 2)
    assert [need.problem for need in shown] == ["n0", "n1", "c"] and more == {"name": 2}


# ---- query ---------------------------------------------------------------------------------------------------------------------------------

SQL = "select pitch_id, release_speed_mph, pitcher_label, thrown_at from pitches order by pitch_id"


def test_every_format_holds_the_same_rows(example: Path, tmp_path: Path) -> None:
    asked = run_query(example / "warehouse", SQL)
    files = {form: tmp_path / f"answer.{form}" for form in ("csv", "json", "parquet")}
    for form, path in files.items():
        printed("query", "-w", example, SQL, "--format", form, "--output", path)
    assert pl.read_parquet(files["parquet"]).equals(asked)
    assert json.loads(files["json"].read_text("utf-8"))[0]["pitch_id"] == asked.item(0, 0)
    assert pl.read_csv(files["csv"]).get_column("release_speed_mph").to_list() == asked["release_speed_mph"].to_list()
    piped = subprocess.run(
        [PITCHLEDGER, "query", "-w", example, SQL, "--format", "parquet"], capture_output=True, check=True
    )
    assert pl.read_parquet(io.BytesIO(piped.stdout)).equals(asked)


@pytest.mark.parametrize(
    "sql",
    [
        "drop table pitches",
        "select 1; select 2",
        "select * from read_csv('/etc/hostname')",
        "copy pitches to 'stolen.csv'",
        "attach 'other.duckdb'",
        "install httpfs",
        "set enable_external_access = true",
        "select nothing from nowhere",
        "",
    ],
)
def test_a_query_can_do_nothing_but_read_the_warehouse(sql: str, example: Path, tmp_path: Path) -> None:
    done = command("query", "-w", example.resolve(), sql, cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("Error: ") and "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_long_answer_is_cut_with_a_note(demo: Path) -> None:
    text = printed("query", "-w", demo, "select pitch_id from pitches")
    assert len(text.splitlines()) == 52 and "(first 50; use --limit N" in text
    assert printed("query", "-w", demo, "select pitch_id from pitches", "--limit", "3").endswith("3 rows\n")
    assert len(printed("query", "-w", demo, "select pitch_id from pitches", "--format", "csv").splitlines()) > 3000


def test_workload_tables_come_with_the_caution_and_data_formats_without(demo: Path) -> None:
    assert "athletic" in printed("query", "-w", demo, "from throws_by_day limit 3")
    assert "athletic" not in printed("query", "-w", demo, "from throws_by_day limit 3", "--format", "csv")
    assert "athletic" not in printed("query", "-w", demo, "from sessions limit 3")


def test_numbers_are_printed_without_powers_of_ten() -> None:
    assert [value_words(value) for value in (None, True, 12345.678, 1234567.8, 0.00012345678, 3.0, 7)] == [
        "", "true", "12345.7", "1234568", "0.000123457", "3", "7",
    ]  # fmt: skip


@pytest.fixture
def page() -> Iterator[Console]:
    yield Console(file=io.StringIO(), width=60)


def shown(page: Console) -> list[str]:
    assert isinstance(page.file, io.StringIO)
    return page.file.getvalue().splitlines()


def test_columns_wider_than_the_screen_continue_below(page: Console) -> None:
    columns = [f"a_rather_long_name_{n}" for n in range(12)]
    print_rows(columns, [[f"value {n}" for n in range(12)]] * 5, (), page)
    lines = shown(page)
    assert max(map(len, lines)) <= 60
    assert all(sum(f"value {n} " in f"{line} " for line in lines) == 5 for n in range(12))


def test_one_wide_row_is_a_block_with_a_line_for_each_column(page: Console) -> None:
    columns = [f"a_rather_long_name_{n}" for n in range(12)]
    print_rows(columns, [list(range(12))], (), page)
    assert [line.split() for line in shown(page)[1:]] == [[name, str(n)] for n, name in enumerate(columns)]


def test_an_answer_without_rows_still_names_its_columns(page: Console) -> None:
    print_rows(["pitch_id", "mph"], [], (), page)
    assert shown(page)[0].split() == ["pitch_id", "mph"]


# ---- explain -------------------------------------------------------------------------------------------------------------------------------


def test_explain_shows_every_reading_and_marks_the_preferred_one(demo: Path) -> None:
    three = "select pitch_id from pitches where seen_by = 3 and trackers like 'stadium_radar%' and outliers is null order by 1 limit 1"
    pitch = first(demo, three)
    text = printed("explain", "-w", demo, pitch)
    for tracker, sighting, speed in run_query(
        demo / "warehouse", f"select tracker, sighting_id, release_speed_mph from sightings where pitch_id = '{pitch}'"
    ).rows():
        assert tracker in text and sighting in text and f"{speed:.1f}" in text
    speeds = next(line for line in text.splitlines() if line.startswith("release speed, mph"))
    preferred = first(demo, f"select release_speed_mph from pitches where pitch_id = '{pitch}'")
    assert f"{float(preferred):.1f}*" in speeds
    assert "Why these records are one pitch" in text and "After clock correction" in " ".join(text.split())


def test_explain_takes_any_id_that_resolves_to_a_pitch(demo: Path) -> None:
    pitch, sighting = run_query(
        demo / "warehouse",
        "select pitch_id, max(sighting_id) from sightings group by 1 having count(*) = 2 order by 1 limit 1",
    ).row(0)
    aside = first(demo, "select sighting_id from set_aside where kind = 'double_trigger' order by 1 limit 1")
    assert f"Pitch {pitch}" in printed("explain", "-w", demo, sighting)
    assert f"p{sighting[1:]} is now in pitch {pitch}." in printed("explain", "-w", demo, f"p{sighting[1:]}")
    assert "double_trigger" in printed("explain", "-w", demo, aside)
    text = " ".join(printed("explain", "-w", demo, aside).split())
    assert re.search(rf"one pitch twice: s\w+ and {aside}, .* apart \(probability [^)]*\)\. {aside} is set aside", text)


def test_explain_says_why_a_pitch_of_one_tracker_has_no_match(example: Path) -> None:
    text = printed("explain", "-w", example, first(example, "select pitch_id from pitches limit 1"))
    assert "Why no other record is part of this pitch" in text and "No other tracker" in text


def test_explain_of_an_unknown_pitch_ends_with_2(example: Path) -> None:
    done = command("explain", "-w", example, "p0000000000000000")
    assert (done.returncode, done.stdout) == (2, "") and "p0000000000000000" in done.stderr


# ---- what all of them print ------------------------------------------------------------------------------------------------------------------


def test_no_printed_line_is_wider_than_a_log(demo: Path) -> None:
    pitch = first(demo, "select pitch_id from pitches order by seen_by desc, pitch_id limit 1")
    texts = [
        (demo / "summary.txt").read_text("utf-8"),
        printed("status", "-w", demo),
        printed("check", "-w", demo),
        printed("explain", "-w", demo, pitch),
        printed("query", "-w", demo, "from clocks limit 5"),
    ]
    assert [line for text in texts for line in text.splitlines() if len(line.rstrip()) > WIDTH] == []


@pytest.mark.parametrize(
    "evil",
    [
        "[red]\u202e\x1b]0;x\x07liam",
        *(pytest.param(evil, marks=pytest.mark.slow) for evil in ("[red]\u202eliam", "[red]\x1b]0;x\x07liam")),
    ],
)
def test_text_of_an_export_can_neither_color_nor_control_the_terminal(evil: str, fresh: Path) -> None:
    change(fresh, "5,15:04:55,A. Example", f"5,15:04:55,{evil}")
    summary = printed("run", "-w", fresh)
    asked = "select coalesce(pitcher_label, pitch_id) from pitches union all select value from quarantine"
    texts = [
        summary,
        printed("status", "-w", fresh),
        printed("check", "-w", fresh),
        printed("query", "-w", fresh, asked),
    ]
    assert any("[red]" in text for text in texts)
    assert not set("\x1b\x07\u202e") & set("".join(texts))


def test_quarantined_rows_are_reported_even_where_no_pitch_is_left(fresh: Path) -> None:
    change(fresh, "A. Example", "\x07")
    assert "5 rows are in quarantine" in printed("run", "-w", fresh)


@pytest.mark.parametrize("name", ["a copy.csv", pytest.param("zz copy.csv", marks=pytest.mark.slow)])
def test_a_copy_with_an_unexpected_name_is_refused_and_the_export_counts(name: str, fresh: Path) -> None:
    (profile,) = (fresh / "profiles").glob("*.toml")
    profile.write_text(
        profile.read_text("utf-8").replace('name_pattern = "*.csv"', 'name_pattern = "unit_*.csv"'), "utf-8"
    )
    (export,) = (fresh / "inbox" / "example_unit").glob("*.csv")
    shutil.copyfile(export, export.with_name(name))
    text = printed("run", "-w", fresh)
    assert "Pitches: 4" in text
    assert f"{name} could not be read" in text
    taken = printed("query", "-w", fresh, "from files order by status", "--format", "json")
    assert [(file["status"], file["sightings"]) for file in json.loads(taken)] == [("quarantined", 0), ("read", 4)]


def test_the_latest_refused_file_is_reported_first(fresh: Path) -> None:
    inbox = fresh / "inbox" / "example_unit"
    for name, modified_at in (("a_old.csv", 1_700_000_000), ("b_old.csv", 1_700_000_001), ("z_new.csv", 1_800_000_000)):
        (inbox / name).write_text("")
        os.utime(inbox / name, (modified_at, modified_at))
    text = printed("run", "-w", fresh)
    assert text.index("z_new.csv could not be read") < text.index("b_old.csv could not be read")
    assert "a_old.csv could not be read" not in text


def test_check_fails_for_a_profile_that_quarantines_every_row(fresh: Path) -> None:
    change(fresh, "A. Example", "\x07")
    done = command("check", "-w", fresh)
    assert done.returncode == 2
    assert "Every row would be quarantined" in done.stdout
    assert "All settings are valid" not in done.stdout


def test_a_key_that_no_record_has_needs_attention(fresh: Path) -> None:
    (profile,) = (fresh / "profiles").glob("*.toml")
    profile.write_text(
        """describes = "One record a line"
[file]
format = "json_lines"
[time]
column = "at"
formats = ["iso8601"]
zone = "UTC"
[keys]
pitcher = "arm.name"
[metric.release_height_ft]
column = "hand_at.2"
unit = "ft"
at = "release"
height_from = "ground"
[metric.spin_rate_rpm]
column = "turns"
unit = "rpm"
spin = "total"
"""
    )
    (export,) = (fresh / "inbox" / "example_unit").glob("*.csv")
    export.write_text('{"at": "2026-02-03T15:04:05Z", "arm": {"name": "A"}, "hand_at": [1.5, 5.9], "turns": 2200}\n')
    assert "no record has 'hand_at.2'" in " ".join(printed("run", "-w", fresh).split())


def test_a_reading_that_is_never_taken_is_reported(fresh: Path) -> None:
    change(fresh, "15:0", "25:0")
    assert "clock time was left out on 4 of 4 rows" in " ".join(printed("run", "-w", fresh).split())


def test_a_clock_years_ahead_is_reported_and_is_not_taken_for_last_night(fresh: Path) -> None:
    (export,) = (fresh / "inbox" / "example_unit").glob("*.csv")
    ahead = export.with_name("unit_2091-02-03.csv")
    ahead.write_text(export.read_text("utf-8").replace("141.3", "141.1"), "utf-8")
    text = " ".join(printed("run", "-w", fresh).split())
    assert ": 4 pitches are dated after the run, up to Feb 3, 2091." in text and "Last night (Tue Feb 3)" in text
