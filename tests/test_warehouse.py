"""The DuckDB file follows the contracts, and each law is broken once to see that it is detected."""

import shutil

import duckdb
import polars as pl
import pytest

from pipeline.errors import PitchledgerError
from pipeline.warehouse.database import (
    IDS_BY_LAW,
    SQL_FOLDER,
    LawBrokenError,
    build_warehouse,
    column_comment,
    duckdb_type,
    empty_warehouse,
    finish_tables,
    update_warehouse,
)
from schemas.metrics import METRICS
from schemas.tables import TABLES
from tests.small_warehouse import THU, pitch_id, sighting_id, small_tables


def _build(tables, folder):
    build_warehouse(finish_tables(tables), folder / "w.duckdb", cache=folder)
    return duckdb.connect(str(folder / "w.duckdb"), read_only=True)


def test_every_table_has_the_columns_types_and_comments_of_its_contract(tmp_path):
    with _build({}, tmp_path) as con:
        there = con.execute(
            "select table_name, column_name, lower(data_type), comment from duckdb_columns() where table_name in (select table_name from duckdb_tables()) order by table_oid, column_index"
        ).fetchall()
    types = {"timestamptz": "timestamp with time zone"}
    wanted = [
        (table, column.name, types.get(duckdb_type(column), duckdb_type(column)), column_comment(column))
        for table, contract in TABLES.items()
        for column in contract.columns
    ]
    assert sorted(there) == sorted(wanted)


def test_tables_read_back_equal_what_was_written(tmp_path):
    finished = finish_tables(small_tables())
    with _build(small_tables(), tmp_path) as con:
        for name, frame in finished.items():
            back = con.sql(f'select * from "{name}"').pl()
            assert back.cast(frame.schema).equals(frame), name


def test_the_file_has_the_storage_format_that_older_clients_open(tmp_path):
    with _build({}, tmp_path) as con:
        assert "v1.0.0" in str(con.execute("select tags from duckdb_databases() where database_name = 'w'").fetchone())


def test_a_table_without_a_contract_is_refused():
    with pytest.raises(PitchledgerError, match="no contract for table"):
        finish_tables({"pitchs": pl.DataFrame()})


def test_the_empty_warehouse_is_built_once_and_cached(tmp_path):
    first = empty_warehouse(tmp_path)
    made_at = first.stat().st_mtime_ns
    assert empty_warehouse(tmp_path) == first
    assert first.stat().st_mtime_ns == made_at


def test_a_cached_empty_warehouse_of_other_contracts_is_replaced(tmp_path):
    (tmp_path / ".empty-0000.duckdb").write_bytes(b"old")
    kept = empty_warehouse(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [kept.name]


def _set(table, column, value, where=None):
    """Return the tables with another value in one column (of the rows that `where` selects)."""

    def tamper(tables):
        changed = value if where is None else pl.when(where).then(value).otherwise(column)
        return tables | {table: tables[table].with_columns(changed.alias(column))}

    return tamper


def _without(table, where):
    return lambda tables: tables | {table: tables[table].filter(~where)}


_FIRST = pl.col("pitch_id") == pitch_id(1)
# for each law, an error that breaks it
BREAKS = {
    "law_1_rows_add_up": _set("files", "rows", pl.col("rows") + 1),
    "law_1_rows_are_there": _without("set_aside", pl.col("kind") == "repeat"),
    "law_1_no_row_without_a_file": _without("files", pl.col("tracker") == "unit"),
    "law_2_one_sighting_a_tracker": _set("sightings", "tracker", pl.lit("radar"), _FIRST),
    "law_2_every_sighting_in_a_pitch": _without("sightings", _FIRST & (pl.col("tracker") == "array")),
    "law_2_one_station_a_pitch": _set(
        "sightings", "station", pl.lit("pen_2"), pl.col("sighting_id") == sighting_id(1, "array")
    ),
    "law_5_ids_resolve": _without("pitch_aliases", _FIRST),
    "sessions_count_their_pitches": _set("outings", "pitches", pl.col("pitches") + 1),
    "players_are_known": _without("players", pl.col("player_id") == "ace"),
    "settings_are_there": _without("settings", pl.col("setting") == "gap_share"),
    "values_are_traced": _set("pitches", "release_speed_mph", pl.lit(99.0), _FIRST),
    "values_keep_their_night": _set("pitch_values", "baseball_day", pl.lit(THU), _FIRST),
}


def test_every_law_is_broken_by_a_test():
    assert {path.stem for path in (SQL_FOLDER / "checks").glob("*.sql")} == {*BREAKS, "throws_count_once"}


def test_the_small_warehouse_breaks_no_law(tmp_path):
    _build(small_tables(), tmp_path).close()


@pytest.mark.parametrize("law", BREAKS)
def test_a_broken_law_is_named_with_its_rows(law, built, tmp_path):
    # the cache of empty warehouses is shared
    with pytest.raises(LawBrokenError, match=law):
        build_warehouse(finish_tables(BREAKS[law](small_tables())), tmp_path / "w.duckdb", cache=built)


# each table whose nights are replaced and whose ids belong to one night
BY_NIGHT = [
    name
    for name, frame in small_tables().items()
    if TABLES[name].by_night and TABLES[name].key and "baseball_day" not in TABLES[name].key and frame.height
]


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """A folder with the small warehouse; tests copy its file."""
    folder = tmp_path_factory.mktemp("built")
    _build(small_tables(), folder).close()
    return folder


def _renew(tables, built, folder):
    """The small warehouse with the last night's rows loaded again from `tables`."""
    shutil.copyfile(built / "w.duckdb", folder / "w.duckdb")
    nights = {name: [THU] for name in tables if TABLES[name].by_night}
    return update_warehouse(folder / "w.duckdb", finish_tables(tables), nights)


def _last_night(tables):
    return {name: frame.filter(baseball_day=THU) if TABLES[name].by_night else frame for name, frame in tables.items()}


def test_a_night_loaded_again_gives_the_same_rows(built, tmp_path):
    rows = _renew(_last_night(small_tables()), built, tmp_path)
    assert rows == {name: frame.height for name, frame in finish_tables(small_tables()).items()}


@pytest.mark.parametrize("name", BY_NIGHT)
def test_an_id_of_another_night_is_noticed(name, built, tmp_path):
    tables = _last_night(small_tables())
    ident, before = TABLES[name].key[0], small_tables()[name].filter(pl.col("baseball_day") != THU)
    stood = before[ident][0]
    last = tables[name] if tables[name].height else before.head(1).with_columns(baseball_day=pl.lit(THU))
    tables[name] = last.with_columns(
        pl.when(pl.int_range(pl.len()) == 0).then(pl.lit(stood)).otherwise(ident).alias(ident)
    )
    law = "values_keep_their_night" if name in IDS_BY_LAW else f"table {name}: {ident} {stood} is on two nights"
    with pytest.raises(LawBrokenError, match=law):
        _renew(tables, built, tmp_path)


def test_a_throw_counted_twice_is_detected(tmp_path, monkeypatch):
    """While player ids are unique, no table can cause this, so the view that the counts read is made to list pitches twice."""
    views = tmp_path / "sql" / "views"
    views.mkdir(parents=True)
    (tmp_path / "sql" / "checks").symlink_to(SQL_FOLDER / "checks")
    once = (SQL_FOLDER / "views" / "pitch_log.sql").read_text()
    (views / "pitch_log.sql").write_text(f"{once}cross join (values (1), (2)) as twice (number)\n")
    monkeypatch.setattr("pipeline.warehouse.database.SQL_FOLDER", tmp_path / "sql")
    monkeypatch.setattr("pipeline.warehouse.database.read_views.__defaults__", (views,))
    with pytest.raises(LawBrokenError, match="throws_count_once"):
        _build(small_tables(), tmp_path)


@pytest.mark.parametrize("file", ["checks/values_are_traced.sql", "views/readings.sql"])
def test_sql_that_lists_the_metrics_lists_every_one_each_time(file: str) -> None:
    text = (SQL_FOLDER / file).read_text("utf-8")
    listed = {metric: text.count(metric) for metric in METRICS}
    assert set(listed.values()) == {listed["release_speed_mph"]}
    assert listed["release_speed_mph"] > 1
