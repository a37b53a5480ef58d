"""Frames that a run keeps for the next one: large frames are stored by month, and a month without a new night is not rewritten."""

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.incremental.previous_run import (
    BY_MONTH,
    HISTORY,
    SIGHTING_NIGHTS,
    DamagedVersionError,
    History,
    prefetch_history,
    write_history,
)
from schemas.tables import TABLES

GROWING = min(BY_MONTH)
OLD, NEW = date(2026, 9, 30), date(2026, 10, 1)


def _kept(folder: Path, frame: pl.DataFrame, history: History, *nights: date) -> History:
    folder.mkdir()
    write_history(folder, {GROWING: frame, "statistics": frame}, {}, history.without_nights(nights))
    return History(folder.name, folder)


def test_months_without_a_new_night_are_links_and_all_rows_come_back(tmp_path: Path) -> None:
    first = pl.DataFrame({"baseball_day": [OLD, OLD], "d.spin_rate_rpm": [1.0, None]})
    before = _kept(tmp_path / "one", first, History(), OLD)
    # A night with another metric adds a column that the month before lacks.
    more = pl.concat([first, pl.DataFrame({"baseball_day": [NEW], "d.extension_ft": [0.5]})], how="diagonal")
    after = _kept(tmp_path / "two", more, before, NEW)
    september = Path(HISTORY, GROWING, "2026-09.parquet")
    assert (after.folder / september).samefile(before.folder / september)
    assert after.read(GROWING).equals(more)
    assert after.read("statistics").equals(more)


def test_a_month_with_a_reprocessed_night_is_rewritten(tmp_path: Path) -> None:
    before = _kept(tmp_path / "one", pl.DataFrame({"baseball_day": [OLD], "d": [1.0]}), History(), OLD)
    fixed = pl.DataFrame({"baseball_day": [OLD], "d": [2.0]})
    assert _kept(tmp_path / "two", fixed, before, OLD).read(GROWING).equals(fixed)


def test_a_night_without_rows_leaves_an_empty_frame(tmp_path: Path) -> None:
    empty = pl.DataFrame(schema={"baseball_day": pl.Date, "d": pl.Float64})
    assert _kept(tmp_path / "one", empty, History(), OLD).read(GROWING).equals(empty)


def test_prefetched_frames_equal_those_on_disk(tmp_path: Path) -> None:
    frame = pl.DataFrame({"baseball_day": [OLD, NEW], "d": [1.0, 2.0]})
    history = _kept(tmp_path / "one", frame, History(), OLD, NEW)
    with prefetch_history(history) as prefetched:
        assert set(prefetched.prefetched) == BY_MONTH | {SIGHTING_NIGHTS}
        assert prefetched.read(GROWING).equals(frame) and prefetched.read("statistics").equals(frame)
    with prefetch_history(History()) as nothing:
        assert nothing == History()


def test_a_damaged_frame_is_reported_when_it_is_read(tmp_path: Path) -> None:
    history = _kept(tmp_path / "one", pl.DataFrame({"baseball_day": [OLD], "d": [1.0]}), History(), OLD)
    (history.folder / HISTORY / GROWING / "2026-09.parquet").write_bytes(b"no Parquet")
    with prefetch_history(history) as prefetched:
        assert prefetched.read("statistics").height == 1
        with pytest.raises(DamagedVersionError, match=f"{GROWING}.* cannot be read"):
            prefetched.read(GROWING)


def test_history_adds_fresh_rows_to_those_of_other_nights_and_files(tmp_path: Path) -> None:
    rows = pl.DataFrame({"baseball_day": [OLD, NEW], "file_id": ["a", "b"], "d": [1.0, 2.0]})
    fresh = rows.tail(1).with_columns(d=3.0)
    history = _kept(tmp_path / "one", rows, History(), OLD, NEW)
    expected = pl.concat([rows.head(1), fresh])
    assert history.without_nights([NEW]).plus_nights("statistics", fresh).equals(expected)
    assert history.without_files(["b"]).plus_files("statistics", fresh).equals(expected)
    assert history.without_nights([NEW]).other_nights("statistics").equals(rows.head(1))


def test_an_empty_history_has_empty_frames_and_returns_fresh_rows_as_they_are() -> None:
    fresh = pl.DataFrame({"baseball_day": [OLD], "d": [1.0]})
    assert History().plus_nights(GROWING, fresh) is fresh and History().plus_files(GROWING, fresh) is fresh
    assert History().read(GROWING, like=fresh).equals(fresh.clear())
    assert History().read("pitches").equals(TABLES["pitches"].empty())
    assert History().read("labels").is_empty() and History().sighting_nights().is_empty()
    assert History().count("pitches") == 0
