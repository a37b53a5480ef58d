"""What a run keeps for the next one: frames that grow with every pitch stand by month, and a month without a new night is not written again."""

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.incremental.previous_run import (
    BY_MONTH,
    MEMORY,
    SIGHTING_NIGHTS,
    DamagedVersionError,
    Memory,
    reading_ahead,
    write_memory,
)

GROWING = min(BY_MONTH)
OLD, NEW = date(2026, 9, 30), date(2026, 10, 1)


def _kept(folder: Path, frame: pl.DataFrame, before: Memory | None, *nights: date) -> Memory:
    folder.mkdir()
    write_memory({GROWING: frame, "standing": frame}, {}, folder, before, nights)
    return Memory(folder.name, folder, {})


def test_months_without_a_new_night_are_links_and_all_rows_come_back(tmp_path: Path) -> None:
    first = pl.DataFrame({"baseball_day": [OLD, OLD], "d.spin_rate_rpm": [1.0, None]})
    before = _kept(tmp_path / "one", first, None, OLD)
    # a night on which another metric came in brings a column that the month before lacks
    more = pl.concat([first, pl.DataFrame({"baseball_day": [NEW], "d.extension_ft": [0.5]})], how="diagonal")
    after = _kept(tmp_path / "two", more, before, NEW)
    september = Path(MEMORY, GROWING, "2026-09.parquet")
    assert (after.folder / september).samefile(before.folder / september)
    assert after.frame(GROWING).equals(more)
    assert after.frame("standing").equals(more)


def test_a_month_of_which_a_night_is_done_again_is_written_anew(tmp_path: Path) -> None:
    before = _kept(tmp_path / "one", pl.DataFrame({"baseball_day": [OLD], "d": [1.0]}), None, OLD)
    mended = pl.DataFrame({"baseball_day": [OLD], "d": [2.0]})
    assert _kept(tmp_path / "two", mended, before, OLD).frame(GROWING).equals(mended)


def test_a_night_without_a_row_leaves_an_empty_frame(tmp_path: Path) -> None:
    empty = pl.DataFrame(schema={"baseball_day": pl.Date, "d": pl.Float64})
    assert _kept(tmp_path / "one", empty, None, OLD).frame(GROWING).equals(empty)


def test_what_is_read_ahead_is_what_would_be_read(tmp_path: Path) -> None:
    frame = pl.DataFrame({"baseball_day": [OLD, NEW], "d": [1.0, 2.0]})
    memory = _kept(tmp_path / "one", frame, None, OLD, NEW)
    with reading_ahead(memory) as ahead:
        assert ahead is not None and set(ahead.ahead) == BY_MONTH | {SIGHTING_NIGHTS}
        assert ahead.frame(GROWING).equals(frame) and ahead.frame("standing").equals(frame)
    with reading_ahead(None) as nothing:
        assert nothing is None


def test_a_frame_that_is_spoilt_is_told_where_it_is_wanted(tmp_path: Path) -> None:
    memory = _kept(tmp_path / "one", pl.DataFrame({"baseball_day": [OLD], "d": [1.0]}), None, OLD)
    (memory.folder / MEMORY / GROWING / "2026-09.parquet").write_bytes(b"no Parquet")
    with reading_ahead(memory) as ahead:
        assert ahead is not None and ahead.frame("standing").height == 1
        with pytest.raises(DamagedVersionError, match=f"{GROWING}.* can't be read"):
            ahead.frame(GROWING)
