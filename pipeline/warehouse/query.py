"""Read the published version: as frames, or through a read-only connection that reaches nothing else."""

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path

import duckdb
import polars as pl

from pipeline.errors import PitchledgerError
from pipeline.machine import database_memory
from pipeline.warehouse.versions import Version, current_version, list_versions
from schemas.tables import TABLES

REBUILD_HINT = "An older program may have made it; `pitchledger run --rebuild` publishes a current one."
# An export that repeats another has the same file_id. For each id: the row that was read, under its first name.
ONE_ROW_PER_FILE_ID = "(select distinct on (file_id) * from files order by file_id, status = 'quarantined', file_name)"

_READ_ONLY: dict[str, str | bool | int | float | list[str]] = {
    "enable_external_access": "false",
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "allow_community_extensions": "false",
    "allow_unsigned_extensions": "false",
    # otherwise a query could read the variables of the calling program
    "python_enable_replacements": "false",
    # otherwise a large sort would write beside the published file
    "temp_directory": "",
}


def published_database(output: Path) -> Path:
    """Return the database file of the version that readers see, with every link resolved. Raises PitchledgerError where there is none."""
    name = current_version(output)
    if name is None:
        raise PitchledgerError(f"nothing is published in {output} yet: run `pitchledger run` first")
    database = Version(output, name).database
    if not database.is_file():
        raise PitchledgerError(
            f"{database} is missing. Restore a version with `pitchledger run --restore VERSION`; existing versions: "
            f"{', '.join(list_versions(output)) or 'none'}"
        )
    return database


def published_tables(output: Path, names: Sequence[str]) -> dict[str, pl.DataFrame]:
    """Return these tables of the version that readers see, from its Parquet files, without those that it lacks."""
    version = Version(output, str(current_version(output)))
    files = {name: version.table_files(name) for name in names}
    return {name: pl.read_parquet(paths, hive_partitioning=False) for name, paths in files.items() if paths}


def open_published(output: Path) -> duckdb.DuckDBPyConnection:
    """Open the published version read-only: no other file, no network, no extension, no setting."""
    con = duckdb.connect(
        str(published_database(output)), read_only=True, config=_READ_ONLY | {"memory_limit": database_memory()}
    )
    con.execute("set timezone = 'UTC'")
    con.execute("set lock_configuration = true")
    return con


@contextlib.contextmanager
def published_connection(output: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open the published version read-only and close it at the end.

    Raises PitchledgerError where the version lacks a table or column, because an older program made it.
    """
    with contextlib.closing(open_published(output)) as con:
        try:
            yield con
        except (duckdb.CatalogException, duckdb.BinderException) as fault:
            missing = str(fault).splitlines()[0].rstrip("!")
            raise PitchledgerError(
                f"The published version lacks a table or column ({missing}). {REBUILD_HINT}"
            ) from fault


def read_tables(output: Path, names: Sequence[str]) -> dict[str, pl.DataFrame]:
    """Return these published tables with the columns of their contracts.

    Raises PitchledgerError where the version lacks one, because an older program made it.
    """
    with published_connection(output) as con:
        columns = {name: ", ".join(f'"{column}"' for column in TABLES[name].names) for name in names}
        return {name: con.sql(f"select {columns[name]} from {name}").pl() for name in names}


def run_query(output: Path, sql: str, limit: int | None = None) -> pl.DataFrame:
    """Return the rows of one select on the published version, at most `limit`. Raises PitchledgerError for any other statement."""
    with contextlib.closing(open_published(output)) as con:
        try:
            statements = con.extract_statements(sql)
            if len(statements) != 1 or statements[0].type != duckdb.StatementType.SELECT:
                kinds = ", ".join(statement.type.name.lower() for statement in statements) or "nothing"
                raise PitchledgerError(f"expected one select statement, found: {kinds}")
            answer = con.sql(statements[0].query)
            rows: pl.DataFrame = (answer if limit is None else answer.limit(limit)).pl()
            return rows
        except duckdb.Error as problem:
            raise PitchledgerError(f"the query failed: {problem}") from problem
