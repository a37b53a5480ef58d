"""Bad and hostile exports, for real: whatever lies in an inbox, the night ends well, and every row and every value is accounted for.

Laws checked here are the project's own (rows read = sightings + repeats + no pitch + quarantined rows). The full number of spoilt exports:
`pytest tests/test_hostile.py -m long`.
"""

import csv
import json
import os
import re
import resource
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from hashlib import sha256
from io import BytesIO
from pathlib import Path

import duckdb
import polars as pl
import pytest
import xlsxwriter

from pipeline.errors import PitchledgerError
from pipeline.exports import reading as gathering
from pipeline.exports.inbox import ExportFile, list_exports
from pipeline.exports.mapping.null_reasons import Why
from pipeline.exports.mapping.rows import Mapped, map_export
from pipeline.exports.readers import RawExport, UnreadableExport, read_export
from pipeline.settings.ledger import load_ledger
from pipeline.settings.metric_tables import columns
from pipeline.warehouse.query import run_query
from tests.conftest import command
from tests.exports import check_law_1, mapped, profile_of
from tests.hostile import PROJECT, Original, bomb, book, originals, spoilt

FEW, SHORT, LONG = 3, 12, 2_000
# a spoilt export is as small as a sound one; these are ceilings for a busy machine, not aims
MOST_SECONDS, MOST_MEGABYTES = 20.0, 1_500


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> list[Original]:
    return originals(tmp_path_factory.mktemp("originals"))


def taken(original: Original, data: bytes, path: Path) -> tuple[RawExport, Mapped] | UnreadableExport:
    """Read and map; anything else than UnreadableExport is a fault of ours."""
    path.write_bytes(data)
    digest = sha256(data).hexdigest()
    file = ExportFile(
        original.tracker.id, path, path.name, digest[:16], digest, len(data), datetime(2026, 11, 1, tzinfo=UTC)
    )
    try:
        raw = read_export(path, original.profile)
    except UnreadableExport as refusal:
        assert refusal.reason and refusal.fix
        return refusal
    return raw, map_export(raw, original.tracker, file)


def check_values(original: Original, raw: RawExport, found: Mapped) -> None:
    """Check that no value is lost silently: each cell of a row that was read has its reading, a quarantine line or a reason."""
    lines = found.quarantine.select("file_row", "column")
    reasons = found.metric_sources.filter(pl.col("null_reason").is_not_null())
    nulls = ["", *original.profile.file.null_words]
    for metric, spec in original.profile.metric.given().items():
        telling = set(reasons.filter(pl.col("metric") == metric).get_column("null_reason").to_list())
        refs = columns(spec)
        if len(refs) != 1 or telling - {Why.NOT_MEASURED.text, Why.NO_CLOCK.text}:  # these need a line
            continue
        empty = found.sightings.filter(pl.col(metric).is_null()).select("file_row")
        cells = raw.cells.select("file_row", text=pl.col(refs[0]).str.strip_chars(" \t\r\n\u00a0\u202f\u2007\ufeff"))
        lost = cells.filter(~pl.col("text").is_in(nulls)).join(empty, on="file_row")
        untold = lost.join(lines.filter(pl.col("column") == refs[0]), on="file_row", how="anti")
        assert untold.is_empty(), (metric, untold.head(3).rows())


def check_labels(original: Original, raw: RawExport, found: Mapped) -> None:
    """A word that is not known is counted."""
    told = set(found.unknown_labels.select("field", "label").iter_rows())
    for field, table in original.profile.labels.given().items():
        if table.column is None or table.column.startswith("@"):
            continue
        words = raw.cells.select(
            "file_row", text=pl.col(table.column).str.strip_chars(" \t\r\n\u00a0\u202f\u2007\ufeff")
        )
        missing = found.sightings.filter(pl.col(field).is_null()).select("file_row")
        lost = words.join(missing, on="file_row").get_column("text").drop_nulls().unique()
        nulls = {"", *original.profile.file.null_words}
        assert {(field, word) for word in lost if word not in nulls} <= told


def check_export(original: Original, seed: int, folder: Path) -> str:
    """One spoilt export, all laws. Returns what became of it."""
    began = time.monotonic()
    outcome = taken(original, spoilt(original, seed), folder / original.name)
    assert time.monotonic() - began < MOST_SECONDS
    if isinstance(outcome, UnreadableExport):
        return "a parser's last word" if outcome.reason.startswith("the file can't be read: ") else "refused"
    raw, found = outcome
    check_law_1(raw, found)
    check_values(original, raw, found)
    check_labels(original, raw, found)
    return "read"


def check_many(sound: list[Original], seeds: range, folder: Path) -> Counter[str]:
    ends: Counter[str] = Counter()
    for original in sound:
        for seed in seeds:
            try:
                ends[check_export(original, seed, folder)] += 1
            except BaseException as fault:
                fault.add_note(f"spoilt export: {original.name}, seed {seed}")
                raise
    return ends


@pytest.mark.parametrize("seeds", [FEW, pytest.param(SHORT, marks=pytest.mark.slow)])
def test_a_spoiled_export_is_read_or_refused_and_every_row_and_value_is_reported(
    seeds: int, sound: list[Original], tmp_path: Path
) -> None:
    ends = check_many(sound, range(seeds), tmp_path)
    # the faults are real, and not so coarse that nothing is ever read
    assert ends["read"] > seeds and ends["refused"] > seeds / 2


@pytest.mark.long
@pytest.mark.parametrize("part", range(5))
def test_ten_thousand_spoiled_exports_are_read_or_refused(sound: list[Original], tmp_path: Path, part: int) -> None:
    ends = check_many(sound, range(1_000 + part * LONG // 5, 1_000 + (part + 1) * LONG // 5), tmp_path)
    print(dict(ends))
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    assert memory < MOST_MEGABYTES


# ---- large and deep: each in a process of its own, whose memory is measured ---------------------------------------------------------------

MEASURE = r"""
import re, sys, time
from pathlib import Path
from pipeline.settings.ledger import load_ledger
from pipeline.exports.readers import UnreadableExport, read_export
tracker = next(t for t in load_ledger(Path(sys.argv[1])).trackers if t.id == sys.argv[2])
began = time.monotonic()
try:
    raw = read_export(Path(sys.argv[3]), tracker.profile)
    end = f"read {raw.rows_read} {raw.problems.height}"
except UnreadableExport as refusal:
    end = f"refused {refusal.reason[:150]}"
# getrusage would count what the process that started this one had used
peak = int(re.search(r"VmHWM:\s*(\d+)", Path("/proc/self/status").read_text())[1]) // 1024
print(time.monotonic() - began, peak, end)
"""


def huge(kind: str) -> tuple[str, str, bytes]:
    """tracker, name, bytes."""
    radar = (PROJECT / "demo_inputs/inbox/stadium_radar/2026-10/radar_2026-10-20_v1.csv").read_bytes()
    head, first = radar.split(b"\n")[:2]
    made = {
        "line": ("stadium_radar", "radar_x.csv", lambda: radar + b"x" * (50 * 2**20)),
        "quoted line": ("stadium_radar", "radar_x.csv", lambda: radar + b'"' + b'x"",' * (12 * 2**20)),
        "columns": ("stadium_radar", "radar_x.csv", lambda: head + b"," + b",".join(b"c%d" % n for n in range(10_000)) + b"\n" + (first + b",1" * 10_000 + b"\n") * 300),
        "quotes": ("stadium_radar", "radar_x.csv", lambda: head + b"\n" + b'"\n' * 300_000),
        "lines": ("stadium_radar", "radar_x.csv", lambda: head + b"\n" + b"x\n" * 300_000),
        "bomb": ("camera_array", "camera_x.xlsx", bomb),
        "deep lines": ("ball", "ball_x.jsonl", lambda: b'{"a":' * 10_000 + b"1" + b"}" * 10_000 + b"\n" + b"[" * 1_000_000),
        "wide record": ("ball", "ball_x.jsonl", lambda: json.dumps({f"k{n}": n for n in range(15_000)}).encode()),
    }  # fmt: skip
    tracker, name, make = made[kind]
    return tracker, name, make()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["line", "columns", "deep lines"])
def test_a_huge_export_costs_little_time_and_memory(kind: str, tmp_path: Path) -> None:
    check_huge(kind, tmp_path)


@pytest.mark.long
@pytest.mark.parametrize("kind", ["quoted line", "quotes", "lines", "bomb", "wide record"])
def test_a_huge_export_of_faults_costs_bounded_time_and_memory(kind: str, tmp_path: Path) -> None:
    check_huge(kind, tmp_path)


def check_huge(kind: str, folder: Path) -> None:
    tracker, name, data = huge(kind)
    (folder / name).write_bytes(data)
    words = [sys.executable, "-c", MEASURE, PROJECT / "demo_inputs", tracker, folder / name]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    seconds, memory, end = done.stdout.split(" ", 2)
    print(kind, done.stdout)
    assert end.startswith(("read", "refused"))
    assert float(seconds) < 3 * MOST_SECONDS and int(memory) < MOST_MEGABYTES


# ---- the inbox ---------------------------------------------------------------------------------------------------------------------------

EVIL_NAMES = (
    "radar_[red]x.csv",
    "radar_\x1b[31m.csv",
    "radar_a\n2026-11-01 02:30:00,000 INFO all is well.csv",
    "radar_=HYPERLINK(1).csv",
    "radar_\u202elia.csv",
    "radar_" + "x" * 240 + ".csv",
    "radar_<script>alert(1)<script>.csv",
    "=cmd|'calc'!A0.csv",
    "-rf.csv",
    "nul\u0007.csv",
    " .csv",
)


@pytest.fixture(scope="module")
def hostile_night(tmp_path_factory: pytest.TempPathFactory, sound: list[Original]) -> Iterator[Path]:
    """A workspace in which half of what lies in the inboxes is spoilt, after one run."""
    folder = tmp_path_factory.mktemp("night") / "workspace"
    shutil.copytree(PROJECT / "demo_inputs", folder, ignore=shutil.ignore_patterns("truth", "warehouse"))
    # two nights of the demo are enough beside them, and fast
    for path in [path for path in (folder / "inbox").rglob("*") if path.is_file()]:
        if not re.search("2026-?10-?(20|14)", path.name):
            path.unlink()
    for original in sound[:4]:
        start, end = original.name.rsplit(".", 1)
        for seed in range(6):
            (folder / "inbox" / original.tracker.id / f"{start}_{seed}.{end}").write_bytes(spoilt(original, seed))
    _fill_with_evil(folder)
    done = command("run", "-w", folder)
    (folder / "exit.txt").write_text(str(done.returncode))
    (folder / "log.txt").write_text(done.stderr)
    (folder / "summary.txt").write_text(done.stdout)
    for name in ("status", "check"):
        told = command(name, "-w", folder)
        (folder / f"{name}.txt").write_text(told.stdout + told.stderr)
    yield folder


def _fill_with_evil(folder: Path) -> None:
    radar = folder / "inbox" / "stadium_radar"
    good = (radar / "2026-10" / "radar_2026-10-20_v1.csv").read_bytes()
    for name in EVIL_NAMES:
        # formulas in the cells, a stray quote, and the name itself
        (radar / name).write_bytes(good.replace(b"righty", b"=1+1", 3).replace(b"straight", b'@SUM(A1)"', 1)[:4_000])
    (Path(os.fsdecode(os.fsencode(radar) + b"/radar_\xff\xfe.csv"))).write_bytes(good[:2_000])
    contents = {"empty": b"", "blank": b" \n\t\n", "zip": b"PK\x03\x04" + b"x" * 99, "zeros": b"\x00" * 4_096}
    for name, data in contents.items():
        (radar / f"radar_{name}.csv").write_bytes(data)
    (radar / "radar_folder.csv").mkdir()
    (folder / "secret.csv").write_bytes(good)
    (radar / "radar_out.csv").symlink_to(folder / "secret.csv")
    (radar / "radar_folder_out").symlink_to("/etc")
    (radar / "radar_loop.csv").symlink_to(radar / "radar_loop.csv")
    (radar / "radar_gone.csv").symlink_to(radar / "radar_nowhere.csv")
    (folder / "inbox" / "camera_array" / "camera_evil.xlsx").write_bytes(
        book(["a"], ["b"], ["recording", "=1+1", "[red]x"], ["=1/0", "x", 3])
    )


def rows_of(folder: Path, sql: str) -> list[tuple[object, ...]]:
    with duckdb.connect(folder / "warehouse" / "pitchledger.duckdb", read_only=True) as con:
        return con.sql(sql).fetchall()


@pytest.mark.slow
def test_a_night_of_hostile_files_ends_well_and_is_published(hostile_night: Path) -> None:
    assert (hostile_night / "exit.txt").read_text() == "0", (hostile_night / "log.txt").read_text()[-2_000:]
    assert "Traceback" not in (hostile_night / "log.txt").read_text()
    assert rows_of(hostile_night, "select count(*) > 200 from pitches") == [(True,)]


@pytest.mark.slow
def test_every_row_of_each_hostile_file_is_accounted_for(hostile_night: Path) -> None:
    wrong = "select * from files where rows <> sightings + repeats + no_pitch + quarantined"
    assert rows_of(hostile_night, wrong) == []


@pytest.mark.slow
def test_each_refused_file_has_a_line_with_reason_and_fix(hostile_night: Path) -> None:
    refused = "select file_name from files where status = 'quarantined'"
    told = "select distinct file_name from quarantine where level = 'file' and reason <> '' and fix <> ''"
    assert set(rows_of(hostile_night, refused)) <= set(rows_of(hostile_night, told))
    names = {str(name) for (name,) in rows_of(hostile_night, told)}
    assert {"radar_empty.csv", "radar_blank.csv", "radar_zip.csv", "radar_zeros.csv"} <= names
    assert {"radar_out.csv", "radar_folder_out", "radar_loop.csv", "radar_gone.csv"} <= names


@pytest.mark.slow
def test_nothing_outside_the_inbox_is_read(hostile_night: Path) -> None:
    assert rows_of(hostile_night, "select rows from files where file_name like '%_out%'") in ([(0,)], [(0,), (0,)])


def test_no_file_name_can_forge_a_log_line_or_control_the_terminal(hostile_night: Path) -> None:
    log = (hostile_night / "log.txt").read_text()
    assert not [
        line for line in log.splitlines() if line.endswith("INFO all is well.csv") or "INFO all is well" in line[:50]
    ]
    asked = "select file_name, reason from files order by all limit 100"
    names = ("summary", "log", "status", "check")
    shown = [(hostile_night / f"{name}.txt").read_text() for name in names]
    for text in (*shown, command("query", "-w", hostile_night, asked).stdout):
        assert text and not {"\x1b", "\x07", "\u202e", "\r"} & set(text)


def test_status_and_check_report_the_hostile_files_without_markup(hostile_night: Path) -> None:
    check, status = ((hostile_night / f"{name}.txt").read_text() for name in ("check", "status"))
    assert "Traceback" not in check + status
    assert "radar_empty.csv" in status + check or "[red]" in status + check
    state = command("status", "-w", hostile_night, "--format", "json")
    assert state.returncode == 0 and "radar_empty.csv" in json.dumps(json.loads(state.stdout))


@pytest.mark.long
def test_the_page_of_a_hostile_night_holds_no_markup_from_the_files(hostile_night: Path) -> None:
    page = hostile_night / "page.html"
    assert command("report", "agreement", "-w", hostile_night, "-o", page).returncode == 0
    assert "<script>alert" not in page.read_text("utf-8")


def test_no_csv_we_write_runs_in_a_spreadsheet(hostile_night: Path, tmp_path: Path) -> None:
    paths = list((hostile_night / "warehouse").glob("quarantine/*.csv"))
    answer = tmp_path / "answer.csv"
    sql = (
        "select file_name as \"=1+1\", file_name, reason, -1.5 as number, ['=1', '@x'] as list from files order by all"
    )
    done = command("query", "-w", hostile_night, sql, "--format", "csv", "-o", answer)
    assert done.returncode == 0, done.stderr
    seen = 0
    for path in [*paths, answer]:
        with path.open(newline="", encoding="utf-8-sig") as file:
            for row in csv.reader(file):
                for cell in row:
                    seen += cell.startswith("'")
                    assert not cell.lstrip(" ").startswith(("=", "+", "@", "\t", "\r", "\n"))
                    assert not cell.lstrip(" ").startswith("-") or float(cell) < 0
    assert paths and seen


def test_a_second_run_over_hostile_files_says_that_nothing_is_new(hostile_night: Path) -> None:
    done = command("run", "-w", hostile_night)
    assert done.returncode == 0 and "Nothing is new" in done.stdout


def test_a_file_that_vanishes_between_listing_and_reading_is_reported(sound: list[Original], tmp_path: Path) -> None:
    path = tmp_path / sound[0].name
    path.write_bytes(sound[0].data)
    (listed,) = list_exports(sound[0].tracker.id, tmp_path)
    path.unlink()
    with pytest.raises(UnreadableExport, match="can't be opened"):
        read_export(listed.path, sound[0].profile)


def test_a_file_without_read_permission_is_listed_and_reported(
    sound: list[Original], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / sound[0].name
    path.write_bytes(sound[0].data)

    def refuse(self: Path, *_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    # root may read everything, so the system's answer is put in its mouth
    monkeypatch.setattr(Path, "open", refuse)
    monkeypatch.setattr(Path, "read_bytes", refuse)
    (listed,) = list_exports(sound[0].tracker.id, tmp_path)
    assert listed.sha256 == ""
    with pytest.raises(UnreadableExport, match="Permission denied"):
        read_export(path, sound[0].profile)


@pytest.mark.parametrize(
    "sql",
    [
        "select * from read_text('/etc/passwd')",
        "select * from '/etc/passwd'",
        "select * from glob('/*')",
        "select getenv('HOME')",
        "select * from sniff_csv('/etc/passwd')",
        "select * from parquet_scan('../other.parquet')",
        "from read_json('/etc/passwd')",
        "select * from query('copy pitches to ''x.csv''')",
        "pragma database_list",
        "load parquet",
        "export database 'x'",
        "create temp table t as select 1",
        "set memory_limit = '100GB'",
        "call enable_logging()",
        "with x as (select * from read_blob('/etc/passwd')) select * from x",
    ],
)  # fmt: skip
def test_a_query_reaches_no_other_file(
    sql: str, hostile_night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(PitchledgerError):
        run_query(hostile_night.resolve() / "warehouse", sql)
    assert list(tmp_path.iterdir()) == []


def _fail(*_: object) -> Mapped:
    raise ZeroDivisionError("a fault\nof ours")


def test_a_bug_in_the_program_loses_one_file_and_not_the_night(
    hostile_night: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    ledger = load_ledger(hostile_night)
    tracker = ledger.trackers[0]
    exports = [file for file in list_exports(tracker.id, tracker.inbox) if "2026-10-20_v1" in file.file_name]
    monkeypatch.setattr(gathering, "_read_and_map", _fail)
    gathered = gathering.map_exports(ledger, exports, lambda *_: None)
    assert gathered.sightings.is_empty() and gathered.files.get_column("status").unique().to_list() == ["quarantined"]
    reasons = gathered.quarantine.get_column("reason").to_list()
    assert (
        any("ZeroDivisionError: a fault�of ours" in reason for reason in reasons)
        and "_fail failed on a file" in caplog.text
    )


def test_lists_structs_and_bytes_of_an_answer_become_text_in_a_csv(hostile_night: Path, tmp_path: Path) -> None:
    answer = tmp_path / "answer.csv"
    sql = "select ['=1', null] as list, {'a': -1} as struct, 'ab'::blob as bytes, null::int[] as none, '=1+1' as formula, '-1.5' as number"
    done = command("query", "-w", hostile_night, sql, "--format", "csv", "-o", answer)
    assert done.returncode == 0, done.stderr
    with answer.open(newline="", encoding="utf-8") as file:
        assert list(csv.reader(file))[1] == ['["=1",null]', '{"a":-1}', "6162", "", "'=1+1", "-1.5"]


def test_a_pipe_and_links_are_listed_and_never_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "radar_pipe.csv")
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "in.csv").write_text("x")
    (tmp_path / "again.csv").symlink_to(tmp_path / "sub" / "in.csv")
    (tmp_path / ".hidden").mkdir()
    (tmp_path / ".hidden" / "x.csv").write_text("x")
    found = {file.file_name: file.fault for file in list_exports("radar", tmp_path)}
    assert found == {"radar_pipe.csv": "it is not an ordinary file", "sub/in.csv": None, "again.csv": None}


def test_parquet_values_that_are_not_readings_are_reported(sound: list[Original], tmp_path: Path) -> None:
    """A formula's error, bytes that are no text, and a list are no readings: each has its line."""
    parquet = sound[-1]
    frame = pl.read_parquet(BytesIO(parquet.data)).head(4)
    held = [b"\xff\x01", b"91.5", None, b""]
    for column in (pl.Series("pace", held, dtype=pl.Binary), pl.Series("pace", [[90.0] * 100, None, [1.0], []])):
        data = BytesIO()
        frame.with_columns(column).write_parquet(data)
        outcome = taken(parquet, data.getvalue(), tmp_path / parquet.name)
        assert not isinstance(outcome, UnreadableExport)
        check_values(parquet, *outcome)
        assert 100.0 not in outcome[1].sightings.get_column("release_speed_mph").to_list()
    assert outcome[1].quarantine.get_column("value").to_list()[0] == "a list of 100 values"


def test_a_formula_error_is_reported_with_its_cell(tmp_path: Path) -> None:
    profile = profile_of(tmp_path, 'format = "xlsx"')
    held = BytesIO()
    with xlsxwriter.Workbook(held) as made:
        sheet = made.add_worksheet("any")
        sheet.write_row(0, 0, ["when", "pace"])
        sheet.write_row(1, 0, ["2026-10-20 18:00:00", 91])
        sheet.write_row(3, 0, ["2026-10-20 18:01:00"])
        sheet.write_formula(3, 1, "=1/0", None, "#DIV/0!")
    path = tmp_path / "a.xlsx"
    path.write_bytes(held.getvalue())
    found = mapped(path, profile)
    assert found.sightings.get_column("release_speed_mph").to_list() == [91, None]
    assert found.quarantine.select("file_row", "column", "value", "reason").rows() == [
        (4, "pace", "#DIV/0!", "the text is not a number")
    ]


def test_half_a_character_loses_neither_its_file_nor_its_row(sound: list[Original], tmp_path: Path) -> None:
    ball = sound[3]
    lines = ball.data.splitlines(keepends=True)[:3]
    record = json.loads(lines[1])
    record["pitcher"]["name"] = "A\ud800"
    lines[1] = json.dumps(record).encode() + b"\n"
    outcome = taken(ball, b"".join(lines), tmp_path / ball.name)
    assert not isinstance(outcome, UnreadableExport)
    check_law_1(*outcome)
    assert "A�" in outcome[1].sightings.get_column("pitcher_label").to_list()
    assert outcome[1].quarantine.select("level", "file_row", "column").rows() == [("value", 2, "pitcher.name")]
