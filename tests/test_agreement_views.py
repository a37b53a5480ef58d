"""The agreement views against the tables they read."""

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.agreement import Agreement
from pipeline.agreement.device_setup.corrections import Correction, apply_corrections
from pipeline.warehouse.database import read_views
from schemas.metrics import METRICS, TRAJECTORY
from schemas.sightings import CORRECTIONS_TYPE
from schemas.tables import TABLES
from tests.simulator.agreement_world import measure_agreement, season

RANKS = {"radar": 1, "unit": 2}
SEEN = ("release_speed_mph", "release_side_ft", "release_height_ft", "extension_ft", "plate_side_ft", "plate_height_ft")


@pytest.fixture(scope="module")
def tables() -> Agreement:
    """Two trackers: the second drifts, is aimed off, and has a corrected height.

    It drifts by 1.2 mph from night 16 of 22 on, is aimed 0.57 degrees off throughout, and 0.1 ft of height is corrected.
    """
    seen = season(np.random.default_rng(1), 22, 40, {"radar": 0.2, "unit": 0.3}, SEEN)
    unit, late = pl.col("tracker") == "unit", pl.col("baseball_day") >= seen.pitches["baseball_day"].unique().sort()[16]
    absent = [pl.lit(None, pl.Float64).alias(name) for name in (*METRICS, *TRAJECTORY) if name not in SEEN]
    sightings = seen.sightings.with_columns(
        *absent,
        pl.when(unit & late)
        .then(pl.col("release_speed_mph") + 1.2)
        .otherwise("release_speed_mph")
        .alias("release_speed_mph"),
        pl.when(unit).then(pl.col("release_side_ft") + 0.54).otherwise("release_side_ft").alias("release_side_ft"),
        corrections=pl.lit(None, CORRECTIONS_TYPE),
    )
    corrected = apply_corrections(
        sightings, [Correction("unit", "plate_height_ft", None, 0.1, None, None, "reads low")]
    )
    return measure_agreement(seen._replace(sightings=corrected), RANKS)


@pytest.fixture(scope="module")
def con(tables: Agreement) -> duckdb.DuckDBPyConnection:
    con = duckdb.connect()
    for name, contract in TABLES.items():
        frame = getattr(tables, name, None)
        con.register("frame", contract.empty() if frame is None else frame)
        con.execute(f'create table "{name}" as select * from frame')
        con.unregister("frame")
    for view in read_views():
        con.execute(f"create view {view.name} as {view.select}")
    return con


def test_how_far_apart_has_one_row_per_pair_and_metric(con: duckdb.DuckDBPyConnection, tables: Agreement) -> None:
    view = con.sql("select * from how_far_apart").pl()
    assert view.height == len(SEEN)
    for row in view.iter_rows(named=True):
        frame = tables.agreement.filter(slice_by="all", metric=row["metric"]).row(0, named=True)
        assert {name: row[name] for name in ("n", "nights", "bias", "loa_low", "loa_high", "share_beyond")} == {
            name: frame[name] for name in ("n", "nights", "bias", "loa_low", "loa_high", "share_beyond")
        }
    alarmed = view.filter(pl.col("alarm").is_not_null())
    assert alarmed["metric"].to_list() == ["release_speed_mph"]


def test_the_view_has_the_bias_before_corrections(con: duckdb.DuckDBPyConnection) -> None:
    row = (
        con.sql("select bias, bias_before_corrections from how_far_apart where metric = 'plate_height_ft'").pl().row(0)
    )
    assert row[0] - row[1] == pytest.approx(0.1)


def test_a_live_alarm_has_its_date_and_counts(con: duckdb.DuckDBPyConnection) -> None:
    view = con.sql("select * from live_alarms").pl()
    assert view.height == 1
    row = view.row(0, named=True)
    assert (row["metric"], row["nights_since"], row["pitches_since"]) == ("release_speed_mph", 6, 240)
    assert row["size"] == pytest.approx(1.2, abs=0.15)


def test_crooked_setups_lists_only_what_is_crooked(con: duckdb.DuckDBPyConnection, tables: Agreement) -> None:
    view = con.sql("select * from crooked_setups").pl()
    assert view.height == tables.setup.filter("crooked").height > 0
    overall = view.filter(pl.col("baseball_day").is_null())
    assert overall["quantity"].to_list() == ["aim_deg"]
    assert overall["value"].item() == pytest.approx(0.58, abs=0.05)
