"""Deliveries by tracker against what was expected, counted by hand on the small warehouse."""

from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline.reports.status import VERDICTS, read_status
from pipeline.warehouse.publish import publish
from pipeline.warehouse.query import open_published
from pipeline.warehouse.run_log import Attempt, record_attempt
from schemas.contract import conform
from schemas.tables import TABLES
from tests.conftest import published_needs
from tests.small_warehouse import small_tables

SUN, TUE, WED, THU, FRI = (date(2026, 3, day) for day in (1, 3, 4, 5, 6))


def utc(day: int, hour: int = 8) -> datetime:
    return datetime(2026, 3, day, hour, tzinfo=UTC)


def frame(table: str, *rows: dict[str, object]) -> pl.DataFrame:
    names = {name: dtype for name, dtype in TABLES[table].polars_schema().items() if name in rows[0]}
    return conform(pl.DataFrame(list(rows), schema=names), TABLES[table])


def warehouse(folder: Path, last_run: datetime) -> Path:
    """The small warehouse after runs on the mornings from Monday on; the unit's Tuesday came two mornings late."""
    tables = small_tables()
    common = {"venue": "fen_park", "stations": "field,pen_1", "time_zone": "America/Chicago", "late_after_h": 6.0}
    tables["trackers"] = frame(
        "trackers",
        *(
            {"tracker": name, "name": name, "rank": rank, "expected_days": "tue,wed,fri" if name == "unit" else None}
            | common
            for rank, name in enumerate(("radar", "array", "unit", "spare"), 1)
        ),
    )
    # one export a night, as the unit writes them
    unit = tables["sightings"].filter(pl.col("tracker") == "unit")
    tables["sightings"] = tables["sightings"].with_columns(
        file_id=pl.when(pl.col("baseball_day") == TUE).then(pl.lit("unit-tue")).otherwise("file_id")
    )
    files = tables["files"].filter(pl.col("tracker") != "unit")
    first_days = pl.col("tracker").replace_strict({"radar": SUN, "array": SUN}, return_dtype=pl.Date)
    files = files.with_columns(baseball_day_first=first_days, first_seen_at=pl.lit(utc(2)))
    plain = {"tracker": "unit", "sha256": "0" * 64, "bytes": 1, "status": "read", "repeats": 0, "no_pitch": 0}
    of_unit = [
        plain | {"file_id": name, "file_name": f"{name}.csv", "rows": rows, "sightings": rows, "quarantined": 0}
        | {"baseball_day_first": day, "baseball_day_last": day, "first_seen_at": utc(5)}
        for name, rows, day in (("unit-tue", 1, TUE), ("unit-file", unit.height - 1, WED))
    ]  # fmt: skip
    tables["files"] = pl.concat([conform(files, TABLES["files"]), frame("files", *of_unit)])
    mornings = [*(utc(day) for day in range(2, 6)), last_run]
    tables["runs"] = frame(
        "runs", *({"run_id": f"{n}", "started_at": morning, "status": "done"} for n, morning in enumerate(mornings))
    )
    publish(tables, folder, "v1", 2)
    return folder


def verdicts(folder: Path) -> list[tuple[object, ...]]:
    with open_published(folder) as con:
        return con.execute(
            "select baseball_day, tracker, pitches, expected_by, hours_after, verdict from deliveries order by all"
        ).fetchall()


def test_each_night_of_each_tracker_has_a_verdict(tmp_path: Path) -> None:
    """A baseball day ends at 04:00 in Chicago, 10:00 UTC in winter (tz database); late is 6 h after that, 16:00 UTC."""
    assert verdicts(warehouse(tmp_path, utc(7, 12))) == [
        (SUN, "array", 4, "others", -2.0, "too few"),
        (SUN, "radar", 5, "others", -2.0, "too few"),
        (TUE, "unit", 1, "schedule", 22.0, "late"),
        (WED, "unit", 3, "schedule", -2.0, "came"),
        (THU, "array", 0, "others", None, "missing"),
        (THU, "radar", 1, None, -98.0, "came"),
        (FRI, "unit", 0, "schedule", None, "due"),
    ]


def test_a_due_delivery_is_missing_after_a_run_past_the_deadline(tmp_path: Path) -> None:
    found = verdicts(warehouse(tmp_path, utc(7, 17)))
    assert found[-1] == (FRI, "unit", 0, "schedule", None, "missing")


def test_nights_before_the_first_run_are_not_late(tmp_path: Path) -> None:
    folder = warehouse(tmp_path, utc(7, 12))
    with open_published(folder) as con:
        first = con.execute("select min(started_at) from runs").fetchone()
        late = con.execute("select min(baseball_day) from deliveries where verdict = 'late'").fetchone()
    assert first is not None and late is not None
    assert late[0] >= first[0].date()


def test_status_counts_verdicts_and_names_trackers_without_exports(tmp_path: Path) -> None:
    folder = warehouse(tmp_path, utc(7, 17))
    rows = {
        tracker: dict(zip(VERDICTS, counts, strict=True)) for tracker, _, *counts in read_status(folder)["deliveries"]
    }
    assert list(rows) == ["radar", "array", "unit", "spare"]
    assert rows["unit"] == {"came": 1, "late": 1, "too few": 0, "missing": 1, "due": 0}
    assert set(rows["spare"].values()) == {None}
    problems = [need.problem for need in published_needs(folder)]
    assert "spare: no export has ever arrived." in problems
    assert "unit: nothing arrived for 1 scheduled night (last: Mar 6)." in problems
    assert "unit: the exports of 1 night arrived late (last: Mar 3)." in problems


@pytest.mark.parametrize("outcome", ["done", "failed"])
def test_a_failed_run_is_the_first_need(outcome: str, tmp_path: Path) -> None:
    folder = warehouse(tmp_path, utc(7, 17))
    record_attempt(folder, Attempt.ended(utc(7, 17), utc(7, 17), "done", "v1", "all well"))
    assert published_needs(folder)[0].kind != "run"
    postponed = ["a/b.csv is still being written"]
    record_attempt(folder, Attempt.ended(utc(8), utc(8), outcome, "v1", "the disk is full", postponed))
    first = published_needs(folder)[0]
    assert first.kind == "run"
    assert ("the disk is full" in first.problem) == (outcome == "failed")
    assert any("still being written" in need.problem for need in published_needs(folder))
    assert [attempt.outcome for attempt in read_status(folder)["attempts"]] == [outcome, "done"]
