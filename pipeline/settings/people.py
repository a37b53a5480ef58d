"""roster.csv and decisions.csv: the players, and what people decided. People edit both; every problem is reported."""

import csv
import io
import re
from collections.abc import Collection, Iterator
from datetime import date
from pathlib import Path
from typing import NamedTuple

import polars as pl

from pipeline.settings.problems import Problem, nearest_of, settings_bytes
from schemas.metrics import HANDS

ROSTER = ("player_id", "name", "hand", "team", "other_names", "tracker_ids")
DECISIONS = ("kind", "tracker", "subject", "object", "by", "on", "why")
KINDS = (
    "label_is",
    "label_is_not",
    "same_pitch",
    "not_same_pitch",
    "no_pitch",
    "thrown_by",
    "drop_export",
    "drop_matching_exports",
)
ROSTER_HANDS = (*HANDS, "both")
_OPPOSITE = {"same_pitch": "not_same_pitch", "not_same_pitch": "same_pitch"}
# the subject of the first is a file name, as it is; that of the second a shell pattern of such names
DROP_KINDS = ("drop_export", "drop_matching_exports")
SIGHTING_KINDS = (*_OPPOSITE, "no_pitch", "thrown_by")
_SIGHTING_ID = re.compile(r"s[0-9a-f]{16}")
_PLAYER_KINDS = ("label_is", "label_is_not", "thrown_by")
# the program makes ids with this prefix for players who are not on the roster
PROVISIONAL = "x-"


class _Row(NamedTuple):
    """One line of a CSV that is not blank; `line` is its number in the file, from 1. Blank cells are None."""

    file: str
    line: int
    cells: dict[str, str | None]

    def problem(
        self, column: str, message: str, allowed: Collection[str] = (), value: str | None = None, fix: str = ""
    ) -> Problem:
        """Return a problem of this row's cell, or of `value`, a part of the cell."""
        found = value or self.cells[column]
        nearest = nearest_of(found, tuple(allowed)) if found and allowed else None
        key = f"row {self.line}, {column}"
        return Problem(self.file, key, found, message, tuple(dict.fromkeys(allowed)), nearest, fix)

    def blanks(self, *columns: str) -> Iterator[Problem]:
        """Yield a problem for each of these cells that is blank."""
        return (self.problem(name, "is blank", fix="Fill it in.") for name in columns if self.cells[name] is None)


def read_roster(path: Path, trackers: Collection[str] | None) -> tuple[pl.DataFrame, list[Problem]]:
    """Read the roster: all columns text, null if blank, and its problems. A missing file is an empty roster.

    `trackers`: the ids that `tracker_ids` may name; None = not known, then every id passes.
    """
    rows, problems = _read_table(path, ROSTER, required=("player_id", "name"))
    for row in rows:
        problems += [*row.blanks("player_id", "name"), *_roster_problems(row, trackers)]
    problems += _ids_used_twice(rows)
    return _frame(rows, ROSTER), problems


def read_decisions(
    path: Path, players: Collection[str] | None, trackers: Collection[str] | None
) -> tuple[pl.DataFrame, list[Problem]]:
    """Read the decisions: all columns text, null if blank, and their problems. A missing file has no decisions.

    A thrown_by line that names several sightings, separated by spaces, becomes one row for each.

    `players`, `trackers`: the ids of roster and ledger; None = not known, then every id passes. Whether a sighting exists, or a player
    who is not on the roster, is known only after the exports are read: the table `decisions` notes those that do not.
    """
    lines, problems = _read_table(path, DECISIONS, required=("kind", "subject"))
    rows = [row for line in lines for row in _by_sighting(line)]
    for row in rows:
        problems += _decision_problems(row, players, trackers)
    problems += _conflicting_decisions(rows)
    return _frame(rows, DECISIONS), problems


def _frame(rows: list[_Row], names: tuple[str, ...]) -> pl.DataFrame:
    return pl.DataFrame([row.cells for row in rows], schema=dict.fromkeys(names, pl.String))


def _read_table(path: Path, names: tuple[str, ...], required: tuple[str, ...]) -> tuple[list[_Row], list[Problem]]:
    """Read a CSV with a header. A column that the file lacks is blank; a missing or empty file has no rows."""
    file = path.name
    try:
        text = settings_bytes(path).decode("utf-8-sig") if path.exists() else ""
    except OSError as error:
        return [], [Problem(file, "", None, f"the file cannot be read: {error.strerror or error}")]
    except UnicodeDecodeError as error:
        message = f"the file is not UTF-8 text (byte {error.start + 1})"
        return [], [Problem(file, "", None, message, fix="Save it as CSV UTF-8.")]
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    lines: list[tuple[int, list[str]]] = []
    begins = 1
    try:
        for cells in reader:
            lines.append((begins, [cell.strip() for cell in cells]))
            begins = reader.line_num + 1
    except csv.Error as error:
        message = f"the row is not valid CSV: {error}"
        return [], [Problem(file, f"row {begins}", None, message, fix="A quoted cell starts and ends with a quote.")]
    lines = [(line, cells) for line, cells in lines if any(cells)]
    return _rows(file, lines, names, required) if lines else ([], [])


def _delimiter(text: str) -> str:
    """Return the delimiter: a comma, or the semicolon of spreadsheets whose decimal separator is a comma."""
    header = text.lstrip().partition("\n")[0]
    return ";" if ";" in header and "," not in header else ","


def _rows(
    file: str, lines: list[tuple[int, list[str]]], names: tuple[str, ...], required: tuple[str, ...]
) -> tuple[list[_Row], list[Problem]]:
    header = lines[0][1]
    problems = [
        Problem(file, f"column {name}", None, "is not known", names, nearest_of(name, names))
        for name in header
        if name and name not in names
    ]
    problems += [
        Problem(file, f"column {name}", None, "is missing", fix="Add it to the header.")
        for name in required
        if name not in header
    ]
    problems += [
        Problem(file, f"column {name}", None, "appears twice in the header", fix="Remove one.")
        for name in names
        if header.count(name) > 1
    ]
    for line, cells in lines[1:]:
        if len(cells) > len(header) and any(cells[len(header) :]):
            message = (
                f'the row has {len(cells)} cells ("{cells[len(header)]}" is one too many), the header has {len(header)}'
            )
            fix = "Put quotes around a cell that contains a comma."
            problems.append(Problem(file, f"row {line}", None, message, fix=fix))
    blank = dict.fromkeys(names)
    rows = [
        _Row(
            file, line, blank | {name: cell or None for name, cell in zip(header, cells, strict=False) if name in names}
        )
        for line, cells in lines[1:]
    ]
    # without the required columns each row would have the same problem
    return (rows, problems) if set(required) <= set(header) else ([], problems)


# ---- roster.csv --------------------------------------------------------------------------------------------------------------------------


def tracker_ids(cell: str | None) -> list[tuple[str, str]]:
    """Split "radar:07; ball:3" into (tracker, number) pairs; a part without a colon has no number."""
    parts = (part.partition(":") for part in (cell or "").split(";") if part.strip())
    return [(tracker.strip(), number.strip()) for tracker, _, number in parts]


def _roster_problems(row: _Row, trackers: Collection[str] | None) -> Iterator[Problem]:
    player, hand = row.cells["player_id"], row.cells["hand"]
    if player is not None and player.startswith(PROVISIONAL):
        yield row.problem(
            "player_id", f"starts with {PROVISIONAL}, which is reserved for players who are not on the roster"
        )
    if hand is not None and hand not in ROSTER_HANDS:
        yield row.problem("hand", "is not allowed", ROSTER_HANDS)
    for tracker, number in tracker_ids(row.cells["tracker_ids"]):
        if not tracker or not number:
            yield row.problem("tracker_ids", "is not in the form tracker:id", (), tracker or number)
        elif trackers is not None and tracker not in trackers:
            yield row.problem("tracker_ids", "is not a tracker of ledger.toml", trackers, tracker)


def _ids_used_twice(rows: list[_Row]) -> Iterator[Problem]:
    """Yield a problem for each player_id, and each tracker's number, that two rows use."""
    players: dict[str, int] = {}
    numbers: dict[tuple[str, str], _Row] = {}
    for row in rows:
        player = row.cells["player_id"]
        if player in players:
            yield row.problem(
                "player_id", f"is already used in row {players[player]}", fix="Give each player his own id."
            )
        if player is not None:
            players.setdefault(player, row.line)
        for number in tracker_ids(row.cells["tracker_ids"]):
            first = numbers.setdefault(number, row)
            if all(number) and first is not row:
                yield row.problem("tracker_ids", f"is already used in row {first.line}", (), ":".join(number))


# ---- decisions.csv -----------------------------------------------------------------------------------------------------------------------


def named_sightings(decisions: pl.DataFrame) -> list[str]:
    """Return the ids of all sightings that decisions name."""
    subjects = decisions.filter(pl.col("kind").is_in(SIGHTING_KINDS)).get_column("subject")
    others = decisions.filter(pl.col("kind").is_in(list(_OPPOSITE))).get_column("object")
    return pl.concat([subjects, others]).drop_nulls().unique().sort().to_list()


def throwers(decisions: pl.DataFrame) -> pl.DataFrame:
    """Return the pitcher of each sighting that has a thrown_by decision: sighting_id, player_id."""
    decided = decisions.filter(pl.col("kind") == "thrown_by").select(sighting_id="subject", player_id="object")
    return decided.unique("sighting_id", keep="first", maintain_order=True)


def _by_sighting(row: _Row) -> Iterator[_Row]:
    """Yield one row for each sighting of a thrown_by line, or the row itself."""
    sightings = (row.cells["subject"] or "").split() if row.cells["kind"] == "thrown_by" else []
    yield from (row._replace(cells=row.cells | {"subject": each}) for each in sightings) if sightings else (row,)


def _decision_problems(
    row: _Row, players: Collection[str] | None, trackers: Collection[str] | None
) -> Iterator[Problem]:
    kind, tracker, on = row.cells["kind"], row.cells["tracker"], row.cells["on"]
    if kind not in KINDS:
        yield row.problem("kind", "is not allowed" if kind else "is blank", KINDS)
        return
    yield from row.blanks("subject")
    if tracker is not None and trackers is not None and tracker not in trackers:
        yield row.problem("tracker", "is not a tracker of ledger.toml", trackers)
    if on is not None and not _is_date(on):
        yield row.problem("on", "is not a date", fix="Write it as 2026-03-15.")
    if kind in DROP_KINDS:
        yield from _export_problems(row)
    else:
        yield from _sighting_problems(row) if kind in SIGHTING_KINDS else ()
        yield from _player_problems(row, players) if kind in _PLAYER_KINDS else ()


def _player_problems(row: _Row, players: Collection[str] | None) -> Iterator[Problem]:
    player, kind = row.cells["object"], row.cells["kind"]
    if player is None and kind != "label_is_not":
        yield row.problem("object", f"is blank, and {kind} needs a player_id")
    # whether a label belongs to a player who is not on the roster is known only after the exports are read
    is_provisional = kind == "thrown_by" and (player or "").startswith(PROVISIONAL)
    if player is not None and players is not None and player not in players and not is_provisional:
        yield row.problem("object", "is not a player_id of roster.csv", players)


def _export_problems(row: _Row) -> Iterator[Problem]:
    yield from row.blanks("tracker")
    if row.cells["object"] is not None:
        yield row.problem("object", f"must be blank for {row.cells['kind']}", fix="Put the file name into subject.")


def _sighting_problems(row: _Row) -> Iterator[Problem]:
    subject, other, kind = row.cells["subject"], row.cells["object"], row.cells["kind"]
    for column in ("subject",) if kind == "thrown_by" else ("subject", "object"):
        text = row.cells[column]
        if text is not None and not _SIGHTING_ID.fullmatch(text):
            fix = "It is s and 16 of 0-9, a-f; `pitchledger explain` shows it."
            yield row.problem(column, "is not a sighting_id", fix=fix)
    if kind == "no_pitch" and other is not None:
        yield row.problem("object", "must be blank for no_pitch")
    if kind in _OPPOSITE and other is None:
        yield row.problem("object", f"is blank, and {kind} needs another sighting_id")
    if kind in _OPPOSITE and other is not None and other == subject:
        yield row.problem("object", "is the same as subject", fix="Name two different sightings.")


def _is_date(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _conflicting_decisions(rows: list[_Row]) -> Iterator[Problem]:
    """Yield a problem for each decision that contradicts an earlier row; a person must choose."""
    earlier: dict[tuple[str | None, ...], tuple[str | None, int]] = {}
    for row in rows:
        contradicted = [
            line
            for about, claim in _claims(row)
            for other, line in [earlier.setdefault(about, (claim, row.line))]
            if other != claim
        ]
        if contradicted:
            yield row.problem("kind", f"contradicts row {contradicted[0]}", fix="Keep only the right one.")


def _claims(row: _Row) -> list[tuple[tuple[str | None, ...], str | None]]:
    """Return a decision's claims as (subject, claim); two different claims about one subject contradict each other."""
    kind, tracker, subject, other = (row.cells[name] for name in DECISIONS[:4])
    if kind in _OPPOSITE:
        return [(("pair", *sorted((subject or "", other or ""))), kind)]
    if kind == "thrown_by":
        return [(("thrower", subject), other)]
    label = (tracker, subject)
    if kind == "label_is":
        return [(("player", *label), other), (("roster", *label), "a player"), (("is", *label, other), kind)]
    if kind == "label_is_not":
        return [(("is", *label, other), kind) if other else (("roster", *label), "not a player")]
    return []
