"""What needs attention: one made-up case for each query of sql/needs on the small warehouse, with its sentences written by hand."""

import re
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline.exports.duplicates import COPIED, REPLACED
from pipeline.reports.attention import Need
from pipeline.warehouse.database import SQL_FOLDER
from pipeline.warehouse.publish import publish
from pipeline.warehouse.query import open_published
from pipeline.warehouse.run_log import Attempt, record_attempt
from schemas.contract import conform
from schemas.tables import TABLES
from tests.conftest import published_needs
from tests.small_warehouse import SUN, WED, sighting_id, small_tables

NAMES = {"radar": "Main radar", "array": "Camera", "unit": "Pen unit", "spare": "Spare"}
MOST_WORDS = 25


def frame(table: str, *rows: dict[str, object]) -> pl.DataFrame:
    names = {name: dtype for name, dtype in TABLES[table].polars_schema().items() if name in rows[0]}
    return conform(pl.DataFrame(list(rows), schema=names), TABLES[table])


def utc(day: date, hour: int = 2) -> datetime:
    return datetime(day.year, day.month, day.day, hour, tzinfo=UTC)


def file(tracker: str, name: str, **values: object) -> dict[str, object]:
    counts: dict[str, object] = {"rows": 0, "sightings": 0, "repeats": 0, "no_pitch": 0, "quarantined": 0}
    plain = {"file_id": f"{tracker}-{name}", "tracker": tracker, "file_name": name, "sha256": "0" * 64, "bytes": 1}
    return (
        plain
        | counts
        | {"status": "read", "modified_at": utc(WED), "gone_since": None, "baseball_day_last": None}
        | values
    )


def lost(level: str, tracker: str, file_id: str, row: int | None, reason: str, **values: object) -> dict[str, object]:
    place = {"level": level, "tracker": tracker, "file_id": file_id, "file_name": "unit.csv", "file_row": row}
    return place | {"column": None, "metric": None, "value": None, "reason": reason, "fix": None} | values


@pytest.fixture(scope="module")
def troubled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small warehouse with something wrong of every kind."""
    tables = small_tables()
    common = {"venue": "fen_park", "stations": "field,pen_1", "time_zone": "America/Chicago", "late_after_h": 24.0}
    ranks = {name: rank for rank, name in enumerate(NAMES, 1)}
    tables["trackers"] = frame(
        "trackers", *(common | {"tracker": id_, "name": name, "rank": ranks[id_]} for id_, name in NAMES.items())
    )
    tables["runs"] = frame("runs", {"run_id": "1", "started_at": utc(date(2026, 3, 6), 14), "status": "done"})
    tables["files"] = pl.concat([
        tables["files"],
        frame(
            "files",
            file("radar", "cut.csv", status="quarantined", reason="the file is empty (0 bytes)"),
            # gone at 2 am in UTC is the evening before in Chicago
            file("array", 'of "May".csv', gone_since=utc(WED)),
        ),
    ])  # fmt: skip
    unreadable = lost("file", "radar", "radar-cut.csv", None, "the file is empty (0 bytes)") | {"file_name": "cut.csv"}
    spins = [
        lost(
            "value",
            "unit",
            "unit-file",
            row,
            "a dash is not a number",
            metric="spin_rate_rpm",
            fix="list the dash as null",
        )
        for row in (7, 8, 9)
    ]
    no_key = lost("value", "array", "array-file", None, "no record has 'hand_at.2'")
    cut_row = lost("row", "unit", "unit-file", 30, "line 30 is cut off")
    tables["quarantine"] = frame("quarantine", unreadable, *spins, no_key, cut_row)
    aside = {"file_row": 40, "stage": "export", "baseball_day": WED}
    tables["set_aside"] = frame(
        "set_aside",
        aside | {"kind": "superseded", "tracker": "radar", "file_id": "radar-file", "why": REPLACED},
        aside | {"kind": "repeat", "tracker": "unit", "file_id": "unit-file", "why": COPIED},
    )
    pair = {"baseball_day": WED, "other_day": WED, "key": "sequence", "throws": 3, "example": "12"}
    tables["key_collisions"] = frame(
        "key_collisions", pair | {"tracker": "radar", "file_id": "radar-cut.csv", "other_file_id": "radar-file"}
    )
    by_file = {"repeats": {"radar-file": 1, "unit-file": 1}, "no_pitch": {}, "quarantined": {"unit-file": 1}}
    counts = {
        name: pl.col("file_id").replace_strict(files, default=0, return_dtype=pl.UInt32)
        for name, files in by_file.items()
    }
    tables["files"] = (
        tables["files"]
        .with_columns(**counts)
        .with_columns(rows=pl.sum_horizontal("sightings", "repeats", "quarantined"))
    )
    far = (pl.col("metric") == "release_speed_mph") & (pl.col("seen_by") == 2)
    values = tables["pitch_values"]
    tables["pitch_values"] = values.with_columns(spread=pl.when(far).then(15.0).otherwise("spread"))
    clock = {"venue": "fen_park", "station": "field", "reference_tracker": "radar", "steps": 0, "matched": 3}
    clock |= {"tracker": "array", "only_this": 0, "only_reference": 0, "hour_slip": False, "verdict": "-"}
    tables["clocks"] = frame(
        "clocks",
        clock | {"file_id": "array-file", "baseball_day": SUN, "offset_start_s": -130.0},
        clock | {"file_id": "array-file", "baseball_day": WED, "offset_start_s": 142.4},
    )
    ids = {"first_sighting_id": sighting_id(8, "unit"), "last_sighting_id": sighting_id(8, "unit")}
    ids |= {"sighting_ids": sighting_id(8, "unit"), "file_id": "unit-file", "proposed_player_id": "ace"}
    series = {"tracker": "unit", "baseball_day": WED, "label": "Bo", "pitches": 1, "proposed_label": "finch, a"}
    tables["label_runs"] = frame("label_runs", ids | series | {"probability": 0.968})
    words = {"tracker": "radar", "field": "pitch_type", "became": "unknown"}
    tables["unknown_labels"] = frame(
        "unknown_labels", words | {"label": "junk", "rows": 7}, words | {"label": "eephus", "rows": 1}
    )
    tables["decisions"] = frame(
        "decisions", {"kind": "no_pitch", "subject": "s1", "note": "names a sighting that is not there"}
    )
    folder = tmp_path_factory.mktemp("needs")
    publish(tables, folder, "v1", 2)
    return folder


EXPECTED = [
    ("delivery", "Spare: no export has ever arrived.", "Put its exports into inbox/spare/."),
    ("file", "radar/cut.csv could not be read: the file is empty (0 bytes).", "Export it again."),
    ("row", "Pen unit: 1 row is in quarantine. Reason: line 30 is cut off.", "See warehouse/quarantine/unit.csv."),
    ("value", "Pen unit: spin rate was left out on 3 of 4 rows. Most common reason: a dash is not a number.", "List the dash as null."),
    ("value", "Camera: no record has 'hand_at.2' (1 file).", "Check the tracker's profile."),
    ("gone", 'Camera: 1 export is missing from the inbox since Mar 3 (first: of "May".csv). The rows are kept.',
     'Put it back, or add to decisions.csv: drop_export,array,"of ""May"".csv",,YOU,DATE,WHY'),
    ("same key", "Main radar: radar.csv and cut.csv use number 12 for different throws. All of them count (3 pairs).",
     "In [keys] of its profile, set session to what tells them apart, such as a part of the file name. If one corrects the other, remove the wrong one."),
    ("lost", "Main radar: newer exports replaced 1 row by ones with other readings (last: Mar 4). The rest of both exports agrees.",
     "If they are corrections, nothing to do. If they are other throws, give each export its own session in the profile."),
    ("copy", "unit/unit.csv: 1 row of Mar 4 repeats the readings of another export under other ids. They count once.",
     "If it is a copy, remove it from the inbox and add to decisions.csv: drop_export,unit,unit.csv,,YOU,DATE,WHY"),
    ("unlike", "Main radar and Camera: release speed differs by more than 10.0 mph on 3 of 3 pitches (median 15.0 mph).",
     "Check the column's unit, sign and plane in both profiles. If only some rows differ, check the device's own setting that day."),
    ("gap", "Thu Mar 5, field: Camera saw only 0 of the 1 pitches that Main radar saw.", "Check whether an export is missing."),
    ("name", "A. Finsh (Pen unit, 1 row) is probably Alder Finch (ace).", "Add to decisions.csv: label_is,,A. Finsh,ace,YOU,DATE,WHY"),
    ("doubtful", "2 pitches on 1 day are doubtful matches.", "`pitchledger review` shows each with the lines for decisions.csv."),
    ("clock", "Camera: clock was off on 2 days, most recently 2 min 22 s ahead of Main radar (Mar 4).", "Set the clock. Matching already corrects for it."),
    ("stale label", "Pen unit: 1 pitch labeled 'Bo' on Mar 4 looks like Alder Finch's (97% likely).",
     "`pitchledger review --kind labels` shows each with the lines for decisions.csv."),
    ("label", "Main radar: 8 rows have pitch_type words that the profile does not list: junk, eephus.", "Add them to [labels.pitch_type] words in the profile."),
    ("decision", "decisions.csv: no_pitch s1 has no effect: it names a sighting that is not there.", "Correct the line, or delete it."),
]  # fmt: skip


def test_each_problem_has_its_sentence_and_what_to_do(troubled: Path) -> None:
    assert published_needs(troubled) == [Need(*expected) for expected in EXPECTED]


def test_sentences_of_needs_are_short(troubled: Path) -> None:
    for need in published_needs(troubled):
        for sentence in re.split(r"(?<=\.) (?=[A-Z`])", f"{need.problem} {need.what_to_do}"):
            assert len(sentence.split()) <= MOST_WORDS, sentence


@pytest.mark.parametrize("path", sorted((SQL_FOLDER / "needs").glob("*.sql")), ids=lambda path: path.stem)
def test_an_analyst_can_run_each_query_of_needs(path: Path, troubled: Path) -> None:
    with open_published(troubled) as con:
        columns = con.sql(path.read_text(encoding="utf-8")).columns
    text = path.read_text(encoding="utf-8")
    assert text.startswith("-- One row")
    # labels and impossible readings become needs in Python: joining spellings and comparing definitions takes more than SQL
    assert columns == ["kind", "problem", "what_to_do"] or path.stem in ("open_names", "impossible_readings")


@pytest.mark.parametrize("listed", [True, False])
def test_a_roster_that_names_no_pitcher_is_the_first_need(listed: bool, tmp_path: Path) -> None:
    tables = small_tables()
    nobody = pl.lit("x-guests-bo")
    tables["pitches"] = tables["pitches"].with_columns(
        pitcher_id=pl.when(pl.col("pitcher_id") == "ace").then(nobody).otherwise("pitcher_id")
    )
    if not listed:
        tables["players"] = tables["players"].filter(~pl.col("on_roster"))
    publish(tables, tmp_path, "v1", 2)
    note = Attempt.ended(utc(WED), utc(WED), "done", "v1", "all well")
    record_attempt(
        tmp_path, note._replace(unread=["inbox/shed/ holds 2 files, but no tracker in ledger.toml reads it."])
    )
    roster, folder, *_ = published_needs(tmp_path)
    # ten of the eleven throws of the small warehouse have a label
    begin = "roster.csv does not fit the exports. It lists 1 player, and" if listed else "roster.csv lists no player:"
    assert roster.problem.startswith(f"{begin} 0 of 10 throws are by a pitcher on it.") and roster.kind == "roster"
    assert (folder.kind, folder.problem[:12]) == ("inbox", "inbox/shed/ ")
