"""The demo from inputs to warehouse, against the truth that its generator wrote down."""

import hashlib
import shutil
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.warehouse.query import run_query
from tests.conftest import PROJECT, command

TRUTH = PROJECT / "demo_inputs" / "truth"


@pytest.fixture(scope="session")
def sightings_with_truth(demo: Path) -> pl.DataFrame:
    """Every sighting with its pitch, and the true pitch that it is of (null: none)."""
    seen = run_query(
        demo / "warehouse",
        """select sighting_id, sightings.tracker, file_row, file_name, pitch_id, sightings.station, pitches.match_probability, sightings.pitcher_id
        from sightings join pitches using (pitch_id) join files using (file_id) where files.status = 'read'""",
    )
    truth = pl.read_parquet(TRUTH / "truth_sightings.parquet").select(
        "tracker", "file_name", "file_row", "pitch_key", "record"
    )
    return seen.join(truth, on=["tracker", "file_name", "file_row"], how="left")


def pairs(sightings_with_truth: pl.DataFrame, key: str) -> pl.DataFrame:
    """Every two sightings that share `key`."""
    columns = ("sighting_id", "pitch_key", "pitch_id", "match_probability")
    one = sightings_with_truth.filter(pl.col(key).is_not_null()).select(*columns, pl.col(key).alias("shared"))
    return one.join(one, on="shared", suffix="_b").filter(pl.col("sighting_id") < pl.col("sighting_id_b"))


def test_the_truth_has_every_sighting(sightings_with_truth: pl.DataFrame) -> None:
    assert (
        sightings_with_truth.filter(pl.col("record").is_null()).select("tracker", "file_name", "file_row").rows() == []
    )


def test_pitches_are_matched_as_in_the_truth(sightings_with_truth: pl.DataFrame) -> None:
    merged, true = pairs(sightings_with_truth, "pitch_id"), pairs(sightings_with_truth, "pitch_key")
    wrong = merged.filter(pl.col("pitch_key").ne_missing(pl.col("pitch_key_b")) | pl.col("pitch_key").is_null())
    found = true.filter(pl.col("pitch_id") == pl.col("pitch_id_b"))
    precision, recall = 1 - wrong.height / merged.height, found.height / true.height
    sure = wrong.filter(pl.col("match_probability") > 0.9).height
    print(
        f"precision {precision:.5f}, recall {recall:.5f}, wrong merges {wrong.height} of {merged.height}, {sure} of them above 0.9"
    )
    assert precision > 0.995
    assert recall > 0.985
    assert sure <= 0.002 * merged.height


def test_arms_are_neither_counted_twice_nor_forgotten(sightings_with_truth: pl.DataFrame) -> None:
    """Pitches with a true throw behind them, by how often that throw was counted, and whether one of its pitches says so."""
    counted = (
        sightings_with_truth.filter(pl.col("pitch_key").is_not_null())
        .group_by("pitch_key")
        .agg(times=pl.col("pitch_id").n_unique(), surely=pl.col("match_probability").min())
    )
    twice = counted.filter(pl.col("times") > 1)
    unsaid = twice.filter(pl.col("surely") > 0.9).height
    print(f"{twice.height} of {counted.height} throws counted more than once, {unsaid} of them without a doubt")
    assert twice.height < 0.01 * counted.height
    assert unsaid <= 0.3 * twice.height


def test_second_records_of_one_throw_are_set_aside_or_reported(demo: Path) -> None:
    read = """select sighting_id, tracker, file_name, file_row from (
            select sighting_id, file_id, file_row from sightings
            union all by name select sighting_id, file_id, file_row from set_aside where kind = 'double_trigger')
        join files using (file_id) where files.status = 'read'"""
    truth = pl.read_parquet(TRUTH / "truth_sightings.parquet").drop("native_id")
    records = run_query(demo / "warehouse", read).join(truth, on=["tracker", "file_name", "file_row"])
    keys = dict(records.select("sighting_id", "pitch_key").iter_rows())
    doubles = run_query(demo / "warehouse", "from double_triggers")
    pairs = [(keys[one], keys[other]) for one, other in doubles.select("sighting_id", "kept_sighting_id").iter_rows()]
    one = pl.Series([a is not None and a == b for a, b in pairs])
    truly = records.filter(record="double_trigger").height
    print(
        f"{truly} second records, {doubles.filter(one).height} reported, {doubles.filter(one & doubles['set_aside']).height} set aside"
    )
    assert truly >= 35
    assert doubles.filter(one).height >= 0.9 * truly
    assert doubles.filter(one & doubles["set_aside"]).height >= 0.8 * truly
    assert doubles.filter(~one & doubles["set_aside"]).height <= 1


def test_roaming_trackers_are_found_at_their_mound(sightings_with_truth: pl.DataFrame) -> None:
    where = pl.read_parquet(TRUTH / "truth_pitches.parquet").select("key", true_station="station")
    placed = sightings_with_truth.filter((pl.col("tracker") == "ball") & pl.col("station").is_not_null()).join(
        where, left_on="pitch_key", right_on="key"
    )
    assert (placed.get_column("station") == placed.get_column("true_station")).mean() > 0.98  # type: ignore[operator]


def test_preferred_values_are_near_the_truth(demo: Path, sightings_with_truth: pl.DataFrame) -> None:
    """Each metric's median error over all pitches: a wrong sign, plane or unit would be far beyond these."""
    pitches = run_query(demo / "warehouse", "from pitches")
    truth = pl.read_parquet(TRUTH / "truth_pitches.parquet")
    key = sightings_with_truth.group_by("pitch_id").agg(pl.col("pitch_key").first())
    both = pitches.join(key, on="pitch_id").join(truth, left_on="pitch_key", right_on="key", suffix="_true")
    allowed = {
        "release_speed_mph": 0.8,
        "plate_speed_mph": 0.9,
        "spin_rate_rpm": 60,
        "induced_vertical_break_in": 1.2,
        "horizontal_break_in": 1.2,
        "release_height_ft": 0.15,
        "release_side_ft": 0.2,
        "extension_ft": 0.3,
        "plate_height_ft": 0.15,
        "plate_side_ft": 0.15,
        "vertical_approach_deg": 0.3,
        "horizontal_approach_deg": 0.3,
    }
    for metric, most in allowed.items():
        error = (both.get_column(metric) - both.get_column(f"{metric}_true")).drop_nulls()
        assert error.len() > 500, metric
        assert abs(float(error.median())) < most / 2, metric  # type: ignore[arg-type]
        assert float(error.abs().median()) < most, metric  # type: ignore[arg-type]


def test_every_row_of_every_file_is_accounted_for(demo: Path) -> None:
    lost = run_query(demo / "warehouse", "from row_conservation where rows_unexplained <> 0")
    assert lost.height == 0


def test_the_intended_faults_are_reported(demo: Path) -> None:
    status = command("status", "-w", demo).stdout
    for said in ("utf-16", "empty (0 bytes)", "daylight-saving", "Pelgrave", "llerby"):
        assert said in status, said


def fingerprint(folder: Path) -> dict[str, Any]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted((folder / "warehouse").rglob("*"))
        # every run leaves a line of its own there
        if path.is_file() and path.name != "runs.jsonl"
    }


def test_a_second_run_reports_nothing_new_and_changes_no_byte(demo: Path, tmp_path: Path) -> None:
    folder = tmp_path / "demo_workspace"
    shutil.copytree(demo, folder, symlinks=True)
    before = fingerprint(folder)
    done = command("demo", folder)
    assert done.returncode == 0
    assert "Nothing is new" in done.stdout
    assert fingerprint(folder) == before
