"""roster.csv and decisions.csv: who plays here, and what a person has decided. Both are text that people edit; every fault is told."""

import csv
import io
import re
from collections.abc import Collection, Iterator
from datetime import date
from pathlib import Path
from typing import NamedTuple

import polars as pl

from pipeline.settings.problems import Problem, nearest_of
from schemas.metrics import HANDS

ROSTER = ("player_id", "name", "hand", "team", "other_names", "tracker_ids")
DECISIONS = ("kind", "tracker", "subject", "object", "by", "on", "why")
KINDS = ("label_is", "label_is_not", "same_pitch", "not_same_pitch", "no_pitch", "thrown_by", "drop_export")
ROSTER_HANDS = (*HANDS, "both")
_OPPOSITE = {"same_pitch": "not_same_pitch", "not_same_pitch": "same_pitch"}
ON_SIGHTINGS = (*_OPPOSITE, "no_pitch", "thrown_by")
_SIGHTING_ID = re.compile(r"s[0-9a-f]{16}")
_OF_PLAYERS = ("label_is", "label_is_not", "thrown_by")
# ids that start so are made by the program for players who are on no roster
PROVISIONAL = "x-"


class _Row(NamedTuple):
    """One line of a CSV that holds something; `line` is its number in the file, from 1. Blank cells are None."""

    file: str
    line: int
    cells: dict[str, str | None]

    def problem(self, column: str, message: str, allowed: Collection[str] = (), value: str | None = None) -> Problem:
        """A fault of this row's cell (or of `value`, a part of it)."""
        seen = value or self.cells[column]
        near = nearest_of(seen, tuple(allowed)) if seen and allowed else None
        return Problem(self.file, f"row {self.line}, {column}", seen, message, tuple(dict.fromkeys(allowed)), near)

    def blanks(self, *columns: str) -> Iterator[Problem]:
        """A fault for each of these cells that is blank."""
        return (self.problem(name, "is blank and must be stated") for name in columns if self.cells[name] is None)


def read_roster(path: Path, trackers: Collection[str] | None) -> tuple[pl.DataFrame, list[Problem]]:
    """The roster, all columns text (null where blank), and its problems. A missing file is an empty roster.

    `trackers`: the ids that `tracker_ids` may name; None = not known, whatever stands there passes.
    """
    rows, problems = _read_table(path, ROSTER, required=("player_id", "name"))
    for row in rows:
        problems += [*row.blanks("player_id", "name"), *_roster_faults(row, trackers)]
    problems += _held_twice(rows)
    return _frame(rows, ROSTER), problems


def read_decisions(
    path: Path, players: Collection[str] | None, trackers: Collection[str] | None
) -> tuple[pl.DataFrame, list[Problem]]:
    """The decisions, all columns text (null where blank), and their problems. A missing file is no decision.

    A line of thrown_by may name several sightings, with blanks between: it comes as a row for each of them.

    `players`, `trackers`: the ids of roster and ledger; None = not known, any passes. Whether a sighting of that id, or a player who is on no roster, exists is known only when the exports are read: the table `decisions`
    tells of those that don't.
    """
    lines, problems = _read_table(path, DECISIONS, required=("kind", "subject"))
    rows = [row for line in lines for row in _by_sighting(line)]
    for row in rows:
        problems += _decision_faults(row, players, trackers)
    problems += _against_each_other(rows)
    return _frame(rows, DECISIONS), problems


def _frame(rows: list[_Row], names: tuple[str, ...]) -> pl.DataFrame:
    return pl.DataFrame([row.cells for row in rows], schema=dict.fromkeys(names, pl.String))


def _read_table(path: Path, names: tuple[str, ...], required: tuple[str, ...]) -> tuple[list[_Row], list[Problem]]:
    """The rows of a CSV with a header; a column that the file lacks is blank. No file, or nothing in it: no rows."""
    file = path.name
    try:
        text = path.read_bytes().decode("utf-8-sig") if path.exists() else ""
    except OSError as fault:
        return [], [Problem(file, "", None, f"can't be read: {fault.strerror or fault}")]
    except UnicodeDecodeError as fault:
        return [], [Problem(file, "", None, f"is not UTF-8 text (byte {fault.start + 1}); save it as CSV UTF-8")]
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    lines: list[tuple[int, list[str]]] = []
    begins = 1
    try:
        for cells in reader:
            lines.append((begins, [cell.strip() for cell in cells]))
            begins = reader.line_num + 1
    except csv.Error as fault:
        return [], [Problem(file, f"row {begins}", None, f"is no CSV: {fault}; a quote must stand around a whole cell")]
    lines = [(line, cells) for line, cells in lines if any(cells)]
    return _rows(file, lines, names, required) if lines else ([], [])


def _delimiter(text: str) -> str:
    """A comma, or the semicolon that a spreadsheet writes where the comma is the decimal sign."""
    header = text.lstrip().partition("\n")[0]
    return ";" if ";" in header and "," not in header else ","


def _rows(
    file: str, lines: list[tuple[int, list[str]]], names: tuple[str, ...], required: tuple[str, ...]
) -> tuple[list[_Row], list[Problem]]:
    header = lines[0][1]
    problems = [
        Problem(file, name, None, "is not a known column", names, nearest_of(name, names))
        for name in header
        if name and name not in names
    ]
    problems += [
        Problem(file, name, None, "is missing: the column must be there") for name in required if name not in header
    ]
    problems += [Problem(file, name, None, "is the name of two columns") for name in names if header.count(name) > 1]
    for line, cells in lines[1:]:
        if len(cells) > len(header) and any(cells[len(header) :]):
            message = (
                f"has {len(cells)} cells, the header {len(header)}; a comma within a cell needs quotes around the cell"
            )
            problems.append(Problem(file, f"row {line}", cells[len(header)], message))
    blank = dict.fromkeys(names)
    rows = [
        _Row(
            file, line, blank | {name: cell or None for name, cell in zip(header, cells, strict=False) if name in names}
        )
        for line, cells in lines[1:]
    ]
    # without its columns each row would be called faulty for the same reason
    return (rows, problems) if set(required) <= set(header) else ([], problems)


# ---- roster.csv --------------------------------------------------------------------------------------------------------------------------


def tracker_ids(cell: str | None) -> list[tuple[str, str]]:
    """The devices' own numbers of a player: "radar:07; ball:3" as (tracker, number). What is not written so has no number."""
    parts = (part.partition(":") for part in (cell or "").split(";") if part.strip())
    return [(tracker.strip(), number.strip()) for tracker, _, number in parts]


def _roster_faults(row: _Row, trackers: Collection[str] | None) -> Iterator[Problem]:
    player, hand = row.cells["player_id"], row.cells["hand"]
    if player is not None and player.startswith(PROVISIONAL):
        yield row.problem("player_id", f"starts with {PROVISIONAL}, which is kept for players on no roster")
    if hand is not None and hand not in ROSTER_HANDS:
        yield row.problem("hand", "is not allowed", ROSTER_HANDS)
    for tracker, number in tracker_ids(row.cells["tracker_ids"]):
        if not tracker or not number:
            yield row.problem("tracker_ids", "is not written as tracker:id", (), tracker or number)
        elif trackers is not None and tracker not in trackers:
            yield row.problem("tracker_ids", "is no tracker of ledger.toml", trackers, tracker)


def _held_twice(rows: list[_Row]) -> Iterator[Problem]:
    """An id that is two players', and a device's number that is."""
    players: dict[str, int] = {}
    numbers: dict[tuple[str, str], _Row] = {}
    for row in rows:
        player = row.cells["player_id"]
        if player in players:
            yield row.problem("player_id", f"stands in row {players[player]} too; an id is one player's")
        if player is not None:
            players.setdefault(player, row.line)
        for number in tracker_ids(row.cells["tracker_ids"]):
            first = numbers.setdefault(number, row)
            if all(number) and first is not row:
                yield row.problem("tracker_ids", f"stands in row {first.line} too", (), ":".join(number))


# ---- decisions.csv -----------------------------------------------------------------------------------------------------------------------


def named_sightings(decisions: pl.DataFrame) -> list[str]:
    """The ids of all sightings that decisions are about."""
    subjects = decisions.filter(pl.col("kind").is_in(ON_SIGHTINGS)).get_column("subject")
    others = decisions.filter(pl.col("kind").is_in(list(_OPPOSITE))).get_column("object")
    return pl.concat([subjects, others]).drop_nulls().unique().sort().to_list()


def throwers(decisions: pl.DataFrame) -> pl.DataFrame:
    """Who threw the sightings of which a person said so: sighting_id, player_id."""
    said = decisions.filter(pl.col("kind") == "thrown_by").select(sighting_id="subject", player_id="object")
    return said.unique("sighting_id", keep="first", maintain_order=True)


def _by_sighting(row: _Row) -> Iterator[_Row]:
    """The row; one for each sighting where a line may name several."""
    several = (row.cells["subject"] or "").split() if row.cells["kind"] == "thrown_by" else []
    yield from (row._replace(cells=row.cells | {"subject": each}) for each in several) if several else (row,)


def _decision_faults(row: _Row, players: Collection[str] | None, trackers: Collection[str] | None) -> Iterator[Problem]:
    kind, tracker, on = row.cells["kind"], row.cells["tracker"], row.cells["on"]
    if kind not in KINDS:
        yield row.problem("kind", "is not allowed" if kind else "is blank and must be stated", KINDS)
        return
    yield from row.blanks("subject")
    if tracker is not None and trackers is not None and tracker not in trackers:
        yield row.problem("tracker", "is no tracker of ledger.toml", trackers)
    if on is not None and not _is_date(on):
        yield row.problem("on", "is no date; write 2026-03-15")
    if kind == "drop_export":
        yield from _export_faults(row)
    else:
        yield from _sighting_faults(row) if kind in ON_SIGHTINGS else ()
        yield from _player_faults(row, players) if kind in _OF_PLAYERS else ()


def _player_faults(row: _Row, players: Collection[str] | None) -> Iterator[Problem]:
    player, kind = row.cells["object"], row.cells["kind"]
    if player is None and kind != "label_is_not":
        yield row.problem("object", f"is blank; {kind} needs a player_id")
    # whether any label names a player who is on no roster is known only when the exports are read
    stranger = kind == "thrown_by" and (player or "").startswith(PROVISIONAL)
    if player is not None and players is not None and player not in players and not stranger:
        yield row.problem("object", "is no player_id of roster.csv", players)


def _export_faults(row: _Row) -> Iterator[Problem]:
    yield from row.blanks("tracker")
    if row.cells["object"] is not None:
        yield row.problem("object", "must be blank for drop_export; its subject is the file's name below the inbox")


def _sighting_faults(row: _Row) -> Iterator[Problem]:
    subject, other, kind = row.cells["subject"], row.cells["object"], row.cells["kind"]
    for column in ("subject",) if kind == "thrown_by" else ("subject", "object"):
        text = row.cells[column]
        if text is not None and not _SIGHTING_ID.fullmatch(text):
            yield row.problem(column, "is no sighting_id (s and 16 of 0-9, a-f; `pitchledger explain` shows them)")
    if kind == "no_pitch" and other is not None:
        yield row.problem("object", "must be blank for no_pitch")
    if kind in _OPPOSITE and other is None:
        yield row.problem("object", f"is blank; {kind} needs another sighting_id")
    if kind in _OPPOSITE and other is not None and other == subject:
        yield row.problem("object", "is the subject itself; two different sightings are needed")


def _is_date(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _against_each_other(rows: list[_Row]) -> Iterator[Problem]:
    """A decision that an earlier row contradicts: which one holds is a person's to say."""
    said: dict[tuple[str | None, ...], tuple[str | None, int]] = {}
    for row in rows:
        against = [
            line
            for about, claim in _claims(row)
            for other, line in [said.setdefault(about, (claim, row.line))]
            if other != claim
        ]
        if against:
            yield row.problem("kind", f"says the contrary of row {against[0]}; keep the one that holds")


def _claims(row: _Row) -> list[tuple[tuple[str | None, ...], str | None]]:
    """What a decision says, each as (what about, what of it): two that differ about the same thing can't both hold."""
    kind, tracker, subject, other = (row.cells[name] for name in DECISIONS[:4])
    if kind in _OPPOSITE:
        return [(("pair", *sorted((subject or "", other or ""))), kind)]
    if kind == "thrown_by":
        return [(("thrower", subject), other)]
    label = (tracker, subject)
    if kind == "label_is":
        return [(("who", *label), other), (("roster", *label), "somebody"), (("is", *label, other), kind)]
    if kind == "label_is_not":
        return [(("is", *label, other), kind) if other else (("roster", *label), "nobody")]
    return []
