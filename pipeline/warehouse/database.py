"""The warehouse: one DuckDB file made from the tables, the views of sql/views, and the laws of sql/checks.

The file is written once, in one transaction, and never changed: a new run writes a new file (publishing.py). Tables, types and comments
come from the contracts; a view is a file that holds one select, and its leading comment is the view's description.
"""

import contextlib
import hashlib
import re
import shutil
from collections.abc import Collection, Iterator, Mapping
from datetime import date
from graphlib import TopologicalSorter
from pathlib import Path
from typing import NamedTuple

import duckdb
import polars as pl

import pipeline
from pipeline.durable_files import fsync_file
from pipeline.errors import PitchledgerError
from schemas.contract import Column, Contract, conform, in_order, validate
from schemas.sightings import CORRECTIONS_TYPE
from schemas.tables import TABLES

SQL_FOLDER = Path(pipeline.__file__).parent.parent / "sql"
# The oldest storage that still knows comments: clients from 1.1 on open it (tried: 1.1.3, 1.4.0), where today's default opens only in
# 2.0 and later. It costs 7 % of size and nothing in queries (50,000 x 98: 8.2 MB against 7.7, both 0.04 s).
STORAGE_VERSION = "v1.0.0"
MEMORY_LIMIT = "1GB"
EMPTY = ".empty-"
SHOWN_ROWS = 5
# tables whose ids are those of another table in the same night, by a law of sql/checks; this one is the longest of all
IDS_BY_LAW = frozenset({"pitch_values"})
# says so in a file of sql/checks whose law can be looked at night by night
OF_A_NIGHT = "-- A night keeps it by itself."

_DUCKDB_TYPES: dict[pl.DataType | type[pl.DataType], str] = {
    pl.String: "varchar",
    pl.Boolean: "boolean",
    pl.Date: "date",
    pl.Datetime("us", "UTC"): "timestamptz",
    pl.Float64: "double",
    pl.Int8: "tinyint",
    pl.Int16: "smallint",
    pl.Int32: "integer",
    pl.Int64: "bigint",
    pl.UInt8: "utinyint",
    pl.UInt32: "uinteger",
    CORRECTIONS_TYPE: "struct(metric varchar, raw_value double)[]",
}


class View(NamedTuple):
    """One view: its file's select, what its leading comment says, and each column's (unit, definition)."""

    name: str
    about: str
    columns: dict[str, tuple[str, str]]
    select: str


class LawBrokenError(PitchledgerError):
    """The tables contradict themselves. Nothing is published."""


def finish_tables(tables: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Every table of the contracts, in its columns, types and order of rows, and checked; a table that was not handed in is empty.

    Raises PitchledgerError for a table without a contract and ContractError for one that breaks its contract.
    """
    unknown = sorted(set(tables) - set(TABLES))
    if unknown:
        raise PitchledgerError(f"no contract for table(s) {', '.join(unknown)}: add them to schemas/tables.py")
    return {name: _finish(tables.get(name, contract.empty()), contract) for name, contract in TABLES.items()}


def _finish(frame: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    return validate(in_order(conform(frame, contract), contract), contract)


def build_warehouse(tables: Mapping[str, pl.DataFrame], file: Path, cache: Path) -> dict[str, int]:
    """Write the DuckDB file from finished tables: typed, commented, with views; filled in one transaction, its laws checked.

    `cache` is a folder in which the warehouse without rows is kept from run to run. Returns the rows of each table.
    """
    shutil.copyfile(empty_warehouse(cache), file)
    with _attached(file) as con:
        con.execute("begin")
        _load(con, tables)
        check_laws(con)
        con.execute("commit")
    return {name: frame.height for name, frame in tables.items()}


def update_warehouse(
    file: Path, tables: Mapping[str, pl.DataFrame], nights: Mapping[str, Collection[date]]
) -> dict[str, int]:
    """Change a copy of an older DuckDB file: in the tables named in `nights` the rows of these nights are replaced, the others whole.

    In one transaction, its laws checked. Returns the rows of each table.
    """
    with _attached(file) as con:
        con.execute("begin")
        for name in tables:
            con.execute(f'delete from "{name}"{_of_nights(nights.get(name))}')
        _load(con, tables)
        _check_ids(con, nights)
        check_laws(con, nights)
        con.execute("commit")
        return {name: con.execute(f'select count(*) from "{name}"').fetchall()[0][0] for name in tables}


def _of_nights(nights: Collection[date] | None) -> str:
    if nights is None:
        return ""
    days = ", ".join(f"date '{day}'" for day in sorted(nights))
    return f" where baseball_day in ({days})" if days else " where false"


def _check_ids(con: duckdb.DuckDBPyConnection, nights: Mapping[str, Collection[date]]) -> None:
    """No row of these nights has an id of a row that stood: what a key begins with belongs to one night. Raises LawBrokenError."""
    for name, days in nights.items():
        key = TABLES[name].key
        if not key or not days or "baseball_day" in key or name in IDS_BY_LAW:
            continue
        here = _of_nights(days)
        there = here.replace(" in (", " not in (")
        # the few rows of these nights are what is looked up, the many others only pass by
        sql = f'select {key[0]} from "{name}" semi join (select {key[0]} from "{name}"{here}) using ({key[0]}){there} limit 1'
        if twice := con.execute(sql).fetchall():
            raise LawBrokenError(f"table {name}: {key[0]} {twice[0][0]} stands in two nights; nothing was published")


def empty_warehouse(cache: Path) -> Path:
    """A warehouse with every table, view and comment and no row, made once for these contracts and views and kept in `cache`.

    Its 700 comments cost 0.5 s, a quarter of a night, because the engine rewrites a table's entry for each; a copy costs nothing.
    """
    statements = _statements()
    made_from = hashlib.sha256("\n".join([duckdb.__version__, STORAGE_VERSION, *statements]).encode()).hexdigest()
    kept = cache / f"{EMPTY}{made_from[:16]}.duckdb"
    if not kept.is_file():
        for older in cache.glob(f"{EMPTY}*"):
            older.unlink()
        aside = cache / f"{EMPTY}new"
        _make_empty(statements, aside)
        fsync_file(aside)
        aside.replace(kept)
    return kept


def _make_empty(statements: list[str], file: Path) -> None:
    with _attached(file) as con:
        con.execute("begin")
        for statement in statements:
            try:
                con.execute(statement)
            except duckdb.Error as problem:
                raise PitchledgerError(
                    f"{statement.splitlines()[0]} ... (schemas/, sql/views/): {problem}"
                ) from problem
        con.execute("commit")


@contextlib.contextmanager
def _attached(file: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection whose current database is the file, in the storage that older clients read; all is in the file at the end."""
    with duckdb.connect(config=_settings(file)) as con:
        con.execute(f"attach {_quoted(str(file))} as warehouse (storage_version '{STORAGE_VERSION}')")
        con.execute("use warehouse")
        yield con
        con.execute("checkpoint warehouse")
        con.execute("use memory")
        con.execute("detach warehouse")


def _settings(file: Path) -> dict[str, str | bool | int | float | list[str]]:
    """No extension is fetched from anywhere, and a big night spills to disk, beside the file, before it starves the machine."""
    return {
        "memory_limit": MEMORY_LIMIT,
        "temp_directory": f"{file}.spill",
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
    }


def _statements() -> list[str]:
    """Every statement that makes the warehouse without rows, in order."""
    of_tables = [line for contract in TABLES.values() for line in (table_ddl(contract), *_table_comments(contract))]
    return of_tables + [line for view in read_views() for line in _view_statements(view)]


def _load(con: duckdb.DuckDBPyConnection, tables: Mapping[str, pl.DataFrame]) -> None:
    for name, frame in tables.items():
        if frame.height:
            con.register("rows_to_load", frame)
            con.execute(f'insert into "{name}" by name select * from rows_to_load')
            con.unregister("rows_to_load")


def table_ddl(contract: Contract) -> str:
    """The `create table` statement of a contract."""
    lines = (
        f'"{column.name}" {duckdb_type(column)}{"" if column.nullable else " not null"}' for column in contract.columns
    )
    return f'create table "{contract.table}" (' + ", ".join(lines) + ")"


def duckdb_type(column: Column) -> str:
    """The column's type in the warehouse."""
    return _DUCKDB_TYPES[column.dtype]


def _table_comments(contract: Contract) -> list[str]:
    key = f" Unique: {', '.join(contract.key)}." if contract.key else ""
    on_columns = (
        f'comment on column "{contract.table}"."{column.name}" is {_quoted(column_comment(column))}'
        for column in contract.columns
    )
    return [f'comment on table "{contract.table}" is {_quoted(f"One row: {contract.row}.{key}")}', *on_columns]


def column_comment(column: Column) -> str:
    """The unit in brackets, the definition, and the values allowed."""
    allowed = f": {', '.join(column.allowed)}" if 0 < len(column.allowed) <= 20 else ""
    return _with_unit(column.unit, column.definition) + allowed


def _with_unit(unit: str, definition: str) -> str:
    return f"[{unit}] {definition}" if unit else definition


def read_views(folder: Path = SQL_FOLDER / "views") -> list[View]:
    """The views of a folder, each after those that it reads."""
    views = {path.stem: _read_view(path) for path in sorted(folder.glob("*.sql"))}
    needs = {name: (set(re.findall(r"\w+", view.select)) & set(views)) - {name} for name, view in views.items()}
    return [views[name] for name in TopologicalSorter(needs).static_order()]


_COLUMN_LINE = re.compile(r"^(?P<name>[a-z][a-z0-9_]*)(?: \[(?P<unit>[^\]]+)\])?: (?P<definition>.+)$")


def _read_view(path: Path) -> View:
    """A line `-- name [unit]: definition` of the leading comment is about a column, any other is about the view."""
    lines = path.read_text(encoding="utf-8").splitlines()
    head = next((place for place, line in enumerate(lines) if not line.startswith("--")), len(lines))
    said = [line.removeprefix("--").strip() for line in lines[:head]]
    found = [(line, _COLUMN_LINE.match(line)) for line in said]
    columns = {match["name"]: (match["unit"] or "", match["definition"]) for _, match in found if match}
    return View(
        path.stem,
        " ".join(line for line, match in found if not match),
        columns,
        "\n".join(lines[head:]).strip().rstrip(";"),
    )


def _view_statements(view: View) -> list[str]:
    on_columns = (
        f'comment on column "{view.name}"."{name}" is {_quoted(_with_unit(unit, definition))}'
        for name, (unit, definition) in view.columns.items()
    )
    about = f'comment on view "{view.name}" is {_quoted(view.about)}'
    return [f'create view "{view.name}" as {view.select}', about, *on_columns]


def check_laws(con: duckdb.DuckDBPyConnection, nights: Mapping[str, Collection[date]] | None = None) -> None:
    """Run every file of sql/checks, which select the rows that break a law. Raises LawBrokenError naming each law with its first rows.

    With `nights` (by table, those whose rows are new), a law that a night keeps by itself is looked at in these nights only: the others
    kept it when they were new.
    """
    paths = sorted((SQL_FOLDER / "checks").glob("*.sql"))
    of_nights = [path for path in paths if nights is not None and OF_A_NIGHT in path.read_text(encoding="utf-8")]
    broken = [told for path in paths if path not in of_nights and (told := _broken_by(con, path))]
    if nights is not None:
        with _only(con, nights):
            broken += [told for path in of_nights if (told := _broken_by(con, path))]
    if broken:
        raise LawBrokenError("\n".join(["the tables contradict themselves; nothing was published:", *broken]))


@contextlib.contextmanager
def _only(con: duckdb.DuckDBPyConnection, nights: Mapping[str, Collection[date]]) -> Iterator[None]:
    """For a while, tables and the views that the laws read hold the rows of these nights only: temporary views of the same names."""
    days = {day for some in nights.values() for day in some}
    names = [*nights, "throws_by_day"]
    for name in names:
        con.execute(f'create temp view "{name}" as select * from warehouse.main."{name}"{_of_nights(days)}')
    yield
    for name in names:
        con.execute(f'drop view temp."{name}"')


def _broken_by(con: duckdb.DuckDBPyConnection, path: Path) -> str:
    text = path.read_text(encoding="utf-8")
    breaches = con.sql(text.strip().rstrip(";")).pl()
    if breaches.is_empty():
        return ""
    law = text.splitlines()[0].removeprefix("--").strip()
    rows = "; ".join(
        ", ".join(f"{name} {value}" for name, value in row.items()) for row in breaches.head(SHOWN_ROWS).to_dicts()
    )
    return f"{path.stem}: {law} {breaches.height} row(s) break it, first: {rows}"


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
