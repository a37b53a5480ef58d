"""roster.csv into a frame: our players, their other names, and the numbers that trackers know them by."""

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import polars as pl

from pipeline.people_csv import Line, cell_problem, read_people_csv
from pipeline.toml_problems import Problem, nearest_of

COLUMNS = ("player_id", "name", "hand", "team", "other_names", "tracker_ids")
HANDS = ("right", "left", "both")
US = "us"
PROVISIONAL = "x-"
SCHEMA = {
    "player_id": pl.String,
    "name": pl.String,
    "hand": pl.String,
    "team": pl.String,
    "other_names": pl.List(pl.String),
    "tracker_ids": pl.List(pl.String),
}


class Roster(NamedTuple):
    """`players`: one row each (columns of `SCHEMA`; hand null where blank); `problems`: what is wrong, by row and column."""

    players: pl.DataFrame
    problems: tuple[Problem, ...]


def read_roster(path: Path, trackers: Sequence[str]) -> Roster:
    """Read roster.csv; a file that is not there is an empty roster."""
    table = read_people_csv(path, COLUMNS, needed=("player_id", "name"))
    lines = [Line(line.number, {name: line.cells.get(name, "") for name in COLUMNS}) for line in table.lines]
    problems = [problem for line in lines for problem in _row_problems(path.name, line, trackers)]
    problems += _repeated(path.name, lines)
    players = pl.DataFrame([_player(line.cells) for line in lines], schema=SCHEMA, orient="row")
    return Roster(players, (*table.problems, *problems))


def _player(cells: dict[str, str]) -> dict[str, object]:
    return {
        "player_id": cells["player_id"],
        "name": cells["name"],
        "hand": cells["hand"].lower() or None,
        "team": cells["team"] or US,
        "other_names": split_list(cells["other_names"]),
        "tracker_ids": split_list(cells["tracker_ids"]),
    }


def split_list(cell: str) -> list[str]:
    """The parts of a cell that holds several, between semicolons."""
    return [part.strip() for part in cell.split(";") if part.strip()]


def _row_problems(file: str, line: Line, trackers: Sequence[str]) -> list[Problem]:
    cells, problems = line.cells, []
    if not cells["player_id"]:
        problems.append(cell_problem(file, line, "player_id", "is blank; give every player an id of your own"))
    if cells["player_id"].startswith(PROVISIONAL):
        problems.append(cell_problem(file, line, "player_id", f"begins with {PROVISIONAL}, which is kept for players who are on no roster"))
    if not cells["name"]:
        problems.append(cell_problem(file, line, "name", "is blank"))
    if cells["hand"] and cells["hand"].lower() not in HANDS:
        problems.append(cell_problem(file, line, "hand", "is not allowed", HANDS, nearest_of(cells["hand"], HANDS)))
    for known_as in split_list(cells["tracker_ids"]):
        tracker, colon, number = known_as.partition(":")
        if not colon or not number.strip():
            problems.append(cell_problem(file, line, "tracker_ids", f"has '{known_as}', which should be tracker:id"))
        elif tracker.strip() not in trackers:
            message = f"has '{known_as}', but ledger.toml has no tracker '{tracker.strip()}'"
            problems.append(cell_problem(file, line, "tracker_ids", message, trackers, nearest_of(tracker, trackers)))
    return problems


def _repeated(file: str, lines: Sequence[Line]) -> list[Problem]:
    """Player ids, and a tracker's numbers, that stand in two rows."""
    problems, first_rows = [], dict[tuple[str, str], int]()
    for line in lines:
        numbers = [(part, "tracker_ids") for part in split_list(line.cells["tracker_ids"])]
        for value, column in [(line.cells["player_id"], "player_id"), *numbers]:
            first = first_rows.setdefault((column, value), line.number)
            if value and first != line.number:
                problems.append(cell_problem(file, line, column, f"'{value}' stands in row {first} already"))
    return problems
