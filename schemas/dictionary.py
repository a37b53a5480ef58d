"""The data dictionary in sql/README.md, made from contracts and view comments: `python -m schemas.dictionary` writes it."""

from pathlib import Path

from pipeline.warehouse.database import SQL_FOLDER, View, column_comment, duckdb_type, read_views
from schemas.contract import Contract
from schemas.generated_sql import generated_sql
from schemas.tables import TABLES

BEGIN, END = "<!-- begin: made by python -m schemas.dictionary -->", "<!-- end -->"


def data_dictionary() -> str:
    """Return every table and view with every column, as Markdown."""
    views = sorted(read_views(), key=lambda view: view.name)
    return "\n".join(["## Views", *map(_view, views), "", "## Tables", *map(_table, TABLES.values())])


def _table(contract: Contract) -> str:
    key = f" Unique: {', '.join(f'`{name}`' for name in contract.key)}." if contract.key else ""
    rows = [
        f"| `{column.name}` | {duckdb_type(column)}{'' if column.nullable else ', never null'} | {_cell(column_comment(column))} |"
        for column in contract.columns
    ]
    head = [
        "",
        f"### {contract.table}",
        f"One row is {contract.row}.{key}",
        "",
        "| column | type | [unit] meaning |",
        "|---|---|---|",
    ]
    return "\n".join([*head, *rows])


def _view(view: View) -> str:
    rows = [f"| `{name}` | {unit} | {_cell(definition)} |" for name, (unit, definition) in view.columns.items()]
    return "\n".join(
        ["", f"### {view.name}", view.description, "", "| column | unit | meaning |", "|---|---|---|", *rows]
    )


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def with_dictionary(page: str) -> str:
    """Return the page with the current dictionary between its markers."""
    before, rest = page.split(BEGIN)
    return before + BEGIN + "\n" + data_dictionary() + "\n" + END + rest.split(END)[1]


def main() -> None:
    """Write the generated SQL and the dictionary in sql/README.md."""
    for name, text in generated_sql().items():
        (SQL_FOLDER / name).write_text(text, encoding="utf-8")
    path: Path = SQL_FOLDER / "README.md"
    path.write_text(with_dictionary(path.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
