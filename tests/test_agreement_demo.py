"""The demo's turned bullpen unit and hot radar: found, reported, and corrected.

Against the truth put in.
"""

import tomllib
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.agreement.device_setup.corrections import Correction, apply_corrections, uncorrected
from pipeline.settings.ledger_tables import CorrectionTable
from pipeline.warehouse.query import run_query
from schemas.metrics import METRICS, TRAJECTORY
from tests.conftest import PROJECT, command

TRUTH = PROJECT / "demo_inputs" / "truth"
HELD = ("release_side_ft", "plate_side_ft", "release_speed_mph", "plate_speed_mph")


@pytest.fixture(scope="session")
def proposed(demo: Path) -> list[Correction]:
    """The blocks as ledger.toml would take them."""
    blocks = run_query(demo / "warehouse", "select block from proposed_corrections order by tracker, metric")["block"]
    tables = [CorrectionTable(**tomllib.loads(block)["correction"][0]) for block in blocks]
    return [Correction(*(getattr(table, field) for field in Correction._fields)) for table in tables]


@pytest.fixture(scope="session")
def off_truth(demo: Path, proposed: list[Correction]) -> pl.DataFrame:
    """Return by sighting how far its readings are from the truth, without misreads.

    `<metric>` as published, and `<metric>_corrected` with the proposed blocks.
    """
    columns = ", ".join(f"s.{name}" for name in (*METRICS, *TRAJECTORY))
    seen = run_query(
        demo / "warehouse",
        f"select s.tracker, s.baseball_day, file_name, s.file_row, s.corrections, {columns} from sightings s join files using (file_id)",
    )
    corrected_readings = apply_corrections(seen, proposed)
    # the raw readings are kept
    assert_frame_equal(uncorrected(corrected_readings).select(HELD), seen.select(HELD))
    true_values = [pl.col(name).alias(f"{name}_true") for name in HELD]
    truth = pl.read_parquet(TRUTH / "truth_pitches.parquet").select(pl.col("key").alias("pitch_key"), *true_values)
    records = pl.read_parquet(TRUTH / "truth_sightings.parquet").filter(pl.col("value_fault").is_null(), record="pitch")
    both = seen.with_columns(corrected_readings[name].alias(f"{name}_corrected") for name in HELD)
    joined = both.join(records, on=["tracker", "file_name", "file_row"]).join(truth, on="pitch_key")
    return joined.with_columns(
        *((pl.col(name) - pl.col(f"{name}_true")).alias(name) for name in HELD),
        *((pl.col(f"{name}_corrected") - pl.col(f"{name}_true")).alias(f"{name}_corrected") for name in HELD),
    )


def test_the_proposed_blocks_are_those_of_the_two_simulated_faults(proposed: list[Correction]) -> None:
    faults = pl.read_csv(TRUTH / "truth_faults.csv", try_parse_dates=True)
    turned = faults.filter(what="turned").row(0, named=True)
    (unit,) = (block for block in proposed if block.tracker == "pen_unit")
    assert (unit.frame, str(unit.from_day)) == ("aim_deg", str(turned["from"]))
    # aimed toward first base: corrected toward third, by the simulated turn within the error of one night's few pitchers
    assert unit.amount == pytest.approx(turned["size"], abs=0.15)
    hot = faults.filter(what="reads_hot").row(0, named=True)
    speeds = [block for block in proposed if block.tracker == "stadium_radar"]
    assert [block.metric for block in speeds] == ["plate_speed_mph", "release_speed_mph"]
    assert [block.amount for block in speeds] == pytest.approx([-hot["size"]] * 2, abs=0.06)
    assert len(proposed) == 3


@pytest.mark.parametrize(
    ("tracker", "metric", "first", "last", "before", "after"),
    [
        ("pen_unit", "release_side_ft", "2026-10-26", "2026-10-29", 0.9, 0.1),
        ("stadium_radar", "release_speed_mph", "2026-10-31", "2026-11-07", 0.65, 0.05),
        ("stadium_radar", "plate_speed_mph", "2026-10-31", "2026-11-07", 0.65, 0.06),
    ],
)
def test_the_pasted_blocks_bring_the_readings_to_the_truth(
    off_truth: pl.DataFrame, tracker: str, metric: str, first: str, last: str, before: float, after: float
) -> None:
    days = pl.col("baseball_day").is_between(pl.lit(first).str.to_date(), pl.lit(last).str.to_date())
    readings = off_truth.filter(pl.col("tracker") == tracker)
    off = readings.filter(days).drop_nulls(metric)
    assert off.height > 100
    assert abs(off[metric].to_numpy().mean()) > before
    assert abs(off[f"{metric}_corrected"].to_numpy().mean()) < after
    # and no other night is touched
    rest = readings.filter(~days)
    assert rest[metric].equals(rest[f"{metric}_corrected"], check_names=False)


def test_status_and_summary_say_what_to_do_about_both_faults(demo: Path) -> None:
    status = " ".join(command("status", "-w", demo).stdout.split())
    for text in (status, " ".join((demo / "summary.txt").read_text().split())):
        assert "Stadium radar has read release speed 0.6 mph above Stadium camera array since Oct 31" in text
        assert "Also since then: plate speed 0.7 mph higher." in text
        assert (
            "Portable bullpen unit was aimed 1.0° (0.7-1.3°) toward first base, 12.3 in at the rubber, Oct 26-29."
            in text
        )
        assert "To correct its readings: `pitchledger report agreement`." in text


def test_the_page_lists_both_faults_on_top_and_has_the_blocks(demo: Path, tmp_path: Path) -> None:
    wrote = command("report", "agreement", "-w", demo, "-o", tmp_path / "page.html")
    assert wrote.returncode == 0, wrote.stderr
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    top = page[: page.index("All comparisons")]
    assert "2 things need your attention." in top
    assert "Stadium radar has read release speed 0.6 mph above Stadium camera array" in top
    assert "Portable bullpen unit was aimed 1.0° (0.7-1.3°) toward first base" in top
    assert page.count("[[correction]]") == 3
