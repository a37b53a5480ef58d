"""Contracts: the only list of columns; `keeps` and pandera must give the same verdict."""

import subprocess
import sys
from dataclasses import replace

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.contract import Column, Contract, ContractError, conform, failures_of, in_order, keeps, required, validate
from schemas.metrics import METRICS, TRAJECTORY
from schemas.sightings import SIGHTINGS, SIGHTINGS_FRAME
from schemas.tables import TABLES

SMALL = Contract(
    "small",
    "a made-up row",
    ("name",),
    (
        required("name", pl.String, "its name"),
        Column("hand", pl.String, "a hand", "", True, ("right", "left")),
        Column("share", pl.Float64, "a share", "ratio", True, (), 0.0, 1.0),
        Column("gap_s", pl.Float64, "a gap", "s", True, (), 0.0),
    ),
)
GOOD = pl.DataFrame({"name": ["a", "b"], "hand": ["right", None], "share": [0.0, 1.0], "gap_s": [None, 3.0]})
ROW = st.tuples(
    st.sampled_from(["a", "b", "c", None]),
    st.sampled_from(["right", "left", "both", None]),
    st.sampled_from([0.0, 1.0, 0.5, -0.1, 1.1, float("nan"), None]),
    st.sampled_from([0.0, 7.0, -1.0, float("nan"), None]),
)


@settings(deadline=None)  # the first example pays for the import of pandera
@given(st.lists(ROW, max_size=4))
def test_keeps_and_pandera_give_the_same_verdict(rows):
    frame = pl.DataFrame(rows, schema=SMALL.polars_schema(), orient="row")
    assert keeps(frame, SMALL) == (not failures_of(frame, SMALL))


@pytest.mark.parametrize("change", [{"share": pl.lit(1, pl.Int64)}, {"extra": pl.lit(1)}, {"name": pl.lit("a")}])
def test_keeps_and_pandera_agree_on_types_columns_and_keys(change):
    frame = GOOD.with_columns(**change)
    assert not keeps(frame, SMALL)
    assert failures_of(frame, SMALL)


@pytest.mark.parametrize("table", TABLES)
def test_keeps_and_pandera_accept_an_empty_table(table):
    assert keeps(TABLES[table].empty(), TABLES[table])
    assert failures_of(TABLES[table].empty(), TABLES[table]) == []


def test_every_failure_is_reported_with_table_column_and_values():
    bad = GOOD.with_columns(hand=pl.lit("both"), share=pl.Series([2.0, 0.5]), gap_s=pl.Series([float("nan"), 1.0]))
    with pytest.raises(ContractError) as raised:
        validate(bad, SMALL)
    message = str(raised.value)
    assert "table small, column hand" in message
    assert "first both (row 0, 1)" in message
    assert "column share" in message
    assert "first 2.0 (row 0)" in message
    assert "column gap_s: NaN in 1 value(s)" in message


def test_a_valid_table_is_returned_unchanged():
    assert validate(GOOD, SMALL) is GOOD


def test_conform_orders_casts_and_fills_nullable_columns():
    loose = pl.DataFrame({"gap_s": [1], "more": ["x"], "name": ["a"]})
    assert conform(loose, SMALL).to_dicts() == [{"name": "a", "hand": None, "share": None, "gap_s": 1.0}]


def test_conform_refuses_a_missing_required_column():
    with pytest.raises(ContractError, match=r"table small: missing column\(s\) name"):
        conform(pl.DataFrame({"gap_s": [1.0]}), SMALL)


def test_conform_refuses_text_in_a_number_column():
    with pytest.raises(ContractError, match="fast"):
        conform(pl.DataFrame({"name": ["a"], "gap_s": ["fast"]}), SMALL)


def test_the_order_of_rows_does_not_depend_on_their_input_order():
    many = pl.DataFrame({"name": [f"n{i % 7}" for i in range(40)], "share": [i / 40 for i in range(40)]})
    contract = replace(SMALL, key=())
    first = in_order(conform(many, contract), contract)
    assert in_order(conform(many.sample(fraction=1, shuffle=True, seed=3), contract), contract).equals(first)


def test_a_sighting_has_every_metric_and_trajectory_column_in_its_unit():
    units = {column.name: column.unit for column in SIGHTINGS.columns}
    assert {name: units[name] for name in METRICS} == {name: metric.unit for name, metric in METRICS.items()}
    assert {name: units[name] for name in TRAJECTORY} == TRAJECTORY
    assert set(SIGHTINGS.names) - set(SIGHTINGS_FRAME.names) == {"pitch_id", "match_probability", "matched_by"}


@pytest.mark.parametrize("table", TABLES)
def test_every_column_has_a_definition_and_its_unit(table):
    suffixes = {"_mph": "mph", "_ft": "ft", "_in": "in", "_deg": "deg", "_rpm": "rpm", "_s": "s", "_ppm": "ppm"}
    for column in TABLES[table].columns:
        assert len(column.definition) > 3, column.name
        for suffix, unit in suffixes.items():
            if column.name.endswith(suffix) and column.dtype == pl.Float64:
                assert column.unit == unit, column.name


def test_publishing_valid_tables_does_not_import_pandera():
    code = "import sys, pipeline.warehouse.publish, pipeline.warehouse.database as w; w.finish_tables({}); print('pandera' in sys.modules)"
    assert (
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip()
        == "False"
    )
