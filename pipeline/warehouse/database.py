"""Write the warehouse: one DuckDB file with the tables, the views of sql/views, checked by the laws of sql/checks.

The file is written once, in one transaction, and never changed: a new run writes a new file (publish.py). Tables, types and comments come
from the contracts. A view is a file with one select; its leading comment is the view's description.
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
from pipeline.machine import database_memory
from pipeline.words import pluralize
from schemas.contract import Column, Contract, conform, in_order, validate
from schemas.sightings import CORRECTIONS_TYPE
from schemas.tables import TABLES

SQL_FOLDER = Path(pipeline.__file__).parent.parent / "sql"
# The oldest storage format that has comments: clients from 1.1 on open it (tried: 1.1.3, 1.4.0); the current default needs 2.0. It costs
# 7 % in size and nothing in queries (50,000 x 98 values: 8.2 MB against 7.7 MB, both 0.04 s).
STORAGE_VERSION = "v1.0.0"
# prefix of the cached warehouse without rows
EMPTY = ".empty-"
# rows shown of those that break a law
SHOWN_ROWS = 5
# Tables whose ids are those of another table on the same night, by a law of sql/checks: no need to check them for duplicates. This one is
# the longest table.
IDS_BY_LAW = frozenset({"pitch_values"})
# marks a file of sql/checks whose law can be checked night by night
PER_NIGHT = "-- Checked per night."

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
    """One view: the select of its file, its description from the leading comment, and each column's (unit, definition)."""

    name: str
    description: str
    columns: dict[str, tuple[str, str]]
    select: str


class LawBrokenError(PitchledgerError):
    """The tables contradict each other. Nothing is published."""


def finish_tables(tables: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Return every table of the contracts with its columns, types and row order, validated; a table that is not passed is empty.

    Raises PitchledgerError for a table without a contract and ContractError for one that breaks its contract.
    """
    unknown = sorted(set(tables) - set(TABLES))
    if unknown:
        raise PitchledgerError(f"no contract for tables {', '.join(unknown)}: add them to schemas/tables.py")
    return {name: _finish(tables.get(name, contract.empty()), contract) for name, contract in TABLES.items()}


def _finish(frame: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    return validate(in_order(conform(frame, contract), contract), contract)


def build_warehouse(tables: Mapping[str, pl.DataFrame], file: Path, cache: Path) -> dict[str, int]:
    """Write the DuckDB file from finished tables in one transaction, and check its laws; return the number of rows of each table.

    `cache`: the folder that keeps the warehouse without rows from run to run.
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
    """Update a copy of the previous DuckDB file in one transaction, and check its laws; return the number of rows of each table.

    `nights`: by table, the nights whose rows are replaced. Other tables are replaced completely.
    """
    with _attached(file) as con:
        con.execute("begin")
        for name in tables:
            con.execute(f'delete from "{name}"{_where_nights(nights.get(name))}')
        _load(con, tables)
        _check_unique_ids(con, nights)
        check_laws(con, nights)
        con.execute("commit")
        return {name: con.execute(f'select count(*) from "{name}"').fetchall()[0][0] for name in tables}


def _where_nights(nights: Collection[date] | None) -> str:
    if nights is None:
        return ""
    days = ", ".join(f"date '{day}'" for day in sorted(nights))
    return f" where baseball_day in ({days})" if days else " where false"


def _check_unique_ids(con: duckdb.DuckDBPyConnection, nights: Mapping[str, Collection[date]]) -> None:
    """Raise LawBrokenError if a row of these nights has the id of a row of another night: the first key column belongs to one night."""
    for name, days in nights.items():
        key = TABLES[name].key
        if not key or not days or "baseball_day" in key or name in IDS_BY_LAW:
            continue
        these = _where_nights(days)
        others = these.replace(" in (", " not in (")
        # The hash table holds the few rows of these nights; the many others are only probed.
        sql = f'select {key[0]} from "{name}" semi join (select {key[0]} from "{name}"{these}) using ({key[0]}){others} limit 1'
        if duplicates := con.execute(sql).fetchall():
            raise LawBrokenError(f"table {name}: {key[0]} {duplicates[0][0]} is on two nights; nothing was published")


def empty_warehouse(cache: Path) -> Path:
    """Return a warehouse with every table, view and comment but no rows, built once for these contracts and views and kept in `cache`.

    Its 700 comments cost 0.5 s, a quarter of a night, because the engine rewrites a table's catalog entry for each; copying costs nothing.
    """
    statements = _statements()
    fingerprint = hashlib.sha256("\n".join([duckdb.__version__, STORAGE_VERSION, *statements]).encode()).hexdigest()
    cached = cache / f"{EMPTY}{fingerprint[:16]}.duckdb"
    if not cached.is_file():
        for older in cache.glob(f"{EMPTY}*"):
            older.unlink()
        temporary = cache / f"{EMPTY}new"
        _make_empty(statements, temporary)
        fsync_file(temporary)
        temporary.replace(cached)
    return cached


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
    """Open the file as the current database, in the storage format that older clients read; write everything to it at the end."""
    with duckdb.connect(config=_settings(file)) as con:
        con.execute(f"attach {_quoted(str(file))} as warehouse (storage_version '{STORAGE_VERSION}')")
        con.execute("use warehouse")
        yield con
        con.execute("checkpoint warehouse")
        con.execute("use memory")
        con.execute("detach warehouse")


def _settings(file: Path) -> dict[str, str | bool | int | float | list[str]]:
    """Return settings: no extension is ever downloaded, and a large night spills to disk, beside the file, before memory runs out."""
    return {
        "memory_limit": database_memory(),
        "temp_directory": f"{file}.spill",
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
    }


def _statements() -> list[str]:
    """Return every statement that builds the warehouse without rows, in order."""
    tables = [line for contract in TABLES.values() for line in (table_ddl(contract), *_table_comments(contract))]
    return tables + [line for view in read_views() for line in _view_statements(view)]


def _load(con: duckdb.DuckDBPyConnection, tables: Mapping[str, pl.DataFrame]) -> None:
    for name, frame in tables.items():
        if frame.height:
            con.register("rows_to_load", frame)
            con.execute(f'insert into "{name}" by name select * from rows_to_load')
            con.unregister("rows_to_load")


def table_ddl(contract: Contract) -> str:
    """Return the `create table` statement of a contract."""
    lines = (
        f'"{column.name}" {duckdb_type(column)}{"" if column.nullable else " not null"}' for column in contract.columns
    )
    return f'create table "{contract.table}" (' + ", ".join(lines) + ")"


def duckdb_type(column: Column) -> str:
    """Return the column's DuckDB type."""
    return _DUCKDB_TYPES[column.dtype]


def _table_comments(contract: Contract) -> list[str]:
    key = f" Unique: {', '.join(contract.key)}." if contract.key else ""
    on_columns = (
        f'comment on column "{contract.table}"."{column.name}" is {_quoted(column_comment(column))}'
        for column in contract.columns
    )
    return [f'comment on table "{contract.table}" is {_quoted(f"One row: {contract.row}.{key}")}', *on_columns]


def column_comment(column: Column) -> str:
    """Return the unit in brackets, the definition, and the allowed values."""
    allowed = f": {', '.join(column.allowed)}" if 0 < len(column.allowed) <= 20 else ""
    return _with_unit(column.unit, column.definition) + allowed


def _with_unit(unit: str, definition: str) -> str:
    return f"[{unit}] {definition}" if unit else definition


def read_views(folder: Path = SQL_FOLDER / "views") -> list[View]:
    """Return the views of a folder, each after those that it reads."""
    views = {path.stem: _read_view(path) for path in sorted(folder.glob("*.sql"))}
    needs = {name: (set(re.findall(r"\w+", view.select)) & set(views)) - {name} for name, view in views.items()}
    return [views[name] for name in TopologicalSorter(needs).static_order()]


_COLUMN_LINE = re.compile(r"^(?P<name>[a-z][a-z0-9_]*)(?: \[(?P<unit>[^\]]+)\])?: (?P<definition>.+)$")


def _read_view(path: Path) -> View:
    """Parse a view file: a line `-- name [unit]: definition` of the leading comment describes a column, any other the view."""
    lines = path.read_text(encoding="utf-8").splitlines()
    head = next((place for place, line in enumerate(lines) if not line.startswith("--")), len(lines))
    comments = [line.removeprefix("--").strip() for line in lines[:head]]
    found = [(line, _COLUMN_LINE.match(line)) for line in comments]
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
    description = f'comment on view "{view.name}" is {_quoted(view.description)}'
    return [f'create view "{view.name}" as {view.select}', description, *on_columns]


def check_laws(con: duckdb.DuckDBPyConnection, nights: Mapping[str, Collection[date]] | None = None) -> None:
    """Run every file of sql/checks, which select the rows that break a law. Raises LawBrokenError naming each law with its first rows.

    With `nights` (by table, those whose rows are new), a law that holds within each night is checked on these nights only: the others
    were checked when they were new.
    """
    paths = sorted((SQL_FOLDER / "checks").glob("*.sql"))
    per_night = [path for path in paths if nights is not None and PER_NIGHT in path.read_text(encoding="utf-8")]
    broken = [_breach(con, path) for path in paths if path not in per_night]
    if nights is not None:
        with _restricted_to(con, nights):
            broken += [_breach(con, path) for path in per_night]
    if any(broken):
        sentences = [sentence for sentence in broken if sentence]
        raise LawBrokenError("\n".join(["the tables contradict each other; nothing was published:", *sentences]))


@contextlib.contextmanager
def _restricted_to(con: duckdb.DuckDBPyConnection, nights: Mapping[str, Collection[date]]) -> Iterator[None]:
    """Hide other nights from the laws in this block, by temporary views with the names of the tables and views that the laws read."""
    days = {day for table_nights in nights.values() for day in table_nights}
    names = [*nights, "pitch_log"]
    for name in names:
        con.execute(f'create temp view "{name}" as select * from warehouse.main."{name}"{_where_nights(days)}')
    yield
    for name in names:
        con.execute(f'drop view temp."{name}"')


def _breach(con: duckdb.DuckDBPyConnection, path: Path) -> str:
    """Return a sentence with the first rows that break a law; "" where it holds."""
    text = path.read_text(encoding="utf-8")
    breaches = con.sql(text.strip().rstrip(";")).pl()
    if breaches.is_empty():
        return ""
    law = text.splitlines()[0].removeprefix("--").strip()
    rows = "; ".join(
        ", ".join(f"{name} {value}" for name, value in row.items()) for row in breaches.head(SHOWN_ROWS).to_dicts()
    )
    return f"{path.stem}: {law} Broken by {pluralize(breaches.height, 'row')}, first: {rows}"


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
