"""roster.csv and decisions.csv: who plays here, and what a person has decided. Both are text that people edit; every fault is told."""

from collections.abc import Iterable, Mapping
from pathlib import Path

import polars as pl

from pipeline.toml_problems import Problem, nearest_of
from schemas.metrics import HANDS

ROSTER = ("player_id", "name", "hand", "team", "other_names", "tracker_ids")
DECISIONS = ("kind", "tracker", "subject", "object", "by", "on", "why")
KINDS = ("label_is", "label_is_not", "same_pitch", "not_same_pitch", "no_pitch")
ROSTER_HANDS = (*HANDS, "both")


def read_roster(path: Path, trackers: Iterable[str]) -> tuple[pl.DataFrame, list[Problem]]:
    """The roster, all columns text (null where blank), and its problems. A missing file is an empty roster."""
    roster, problems = _read_table(path, ROSTER, required=("player_id", "name"))
    known = tuple(trackers)
    seen: dict[str, int] = {}
    for line, row in enumerate(roster.iter_rows(named=True), 2):
        problems += _roster_row(path.name, line, row, known, seen)
    return roster, problems


def read_decisions(path: Path, roster: pl.DataFrame, trackers: Iterable[str]) -> tuple[pl.DataFrame, list[Problem]]:
    """The decisions, all columns text (null where blank), and their problems. A missing file is no decision."""
    decisions, problems = _read_table(path, DECISIONS, required=("kind", "subject"))
    players = tuple(roster.get_column("player_id").drop_nulls())
    known = tuple(trackers)
    for line, row in enumerate(decisions.iter_rows(named=True), 2):
        problems += _decision_row(path.name, line, row, players, known)
    return decisions, problems


def _read_table(path: Path, names: tuple[str, ...], required: tuple[str, ...]) -> tuple[pl.DataFrame, list[Problem]]:
    empty = pl.DataFrame(schema=dict.fromkeys(names, pl.String))
    if not path.is_file() or path.stat().st_size == 0:
        return empty, []
    try:
        text = path.read_bytes().decode("utf-8-sig")
        table = pl.read_csv(text.encode(), infer_schema=False, truncate_ragged_lines=False)
    except UnicodeDecodeError as fault:
        return empty, [
            Problem(path.name, "", None, f"is not UTF-8 text (byte {fault.start + 1}); save it as CSV UTF-8")
        ]
    except pl.exceptions.PolarsError as fault:
        return empty, [Problem(path.name, "", None, f"is no CSV table: {str(fault).splitlines()[0]}")]
    strange = [name for name in table.columns if name not in names]
    problems = [
        Problem(path.name, name, None, "is not a known column", names, nearest_of(name, names)) for name in strange
    ]
    problems += [
        Problem(path.name, name, None, "is missing: the column must be there")
        for name in required
        if name not in table.columns
    ]
    missing = [pl.lit(None, pl.String).alias(name) for name in names if name not in table.columns]
    cells = table.with_columns(missing).select(pl.col(name).str.strip_chars() for name in names)
    cells = cells.with_columns(pl.when(pl.col(name) != "").then(pl.col(name)).alias(name) for name in names)
    return cells.filter(~pl.all_horizontal(pl.all().is_null())), problems


def _roster_row(
    file: str, line: int, row: Mapping[str, str | None], trackers: tuple[str, ...], seen: dict[str, int]
) -> list[Problem]:
    problems = [
        Problem(file, f"row {line}, {name}", None, "is blank and must be stated")
        for name in ("player_id", "name")
        if row[name] is None
    ]
    player = row["player_id"]
    if player in seen:
        problems.append(
            Problem(file, f"row {line}, player_id", player, f"stands in row {seen[player]} too; an id is one player's")
        )
    elif player is not None:
        seen[player] = line
    hand = row["hand"]
    if hand is not None and hand not in ROSTER_HANDS:
        problems.append(
            Problem(file, f"row {line}, hand", hand, "is not allowed", ROSTER_HANDS, nearest_of(hand, ROSTER_HANDS))
        )
    for part in (row["tracker_ids"] or "").split(";"):
        tracker, colon, number = part.strip().partition(":")
        if part.strip() and (not colon or not number):
            problems.append(Problem(file, f"row {line}, tracker_ids", part.strip(), "is not written as tracker:id"))
        elif part.strip() and tracker not in trackers:
            problems.append(
                Problem(
                    file,
                    f"row {line}, tracker_ids",
                    tracker,
                    "is no tracker of ledger.toml",
                    trackers,
                    nearest_of(tracker, trackers),
                )
            )
    return problems


def _decision_row(
    file: str, line: int, row: Mapping[str, str | None], players: tuple[str, ...], trackers: tuple[str, ...]
) -> list[Problem]:
    kind, tracker, target = row["kind"], row["tracker"], row["object"]
    if kind not in KINDS:
        return [Problem(file, f"row {line}, kind", kind, "is not allowed", KINDS, nearest_of(kind or "", KINDS))]
    problems = []
    if row["subject"] is None:
        problems.append(Problem(file, f"row {line}, subject", None, "is blank and must be stated"))
    if target is None and kind in ("label_is", "same_pitch", "not_same_pitch"):
        problems.append(Problem(file, f"row {line}, object", None, f"is blank; {kind} needs it"))
    if tracker is not None and tracker not in trackers:
        problems.append(
            Problem(
                file,
                f"row {line}, tracker",
                tracker,
                "is no tracker of ledger.toml",
                trackers,
                nearest_of(tracker, trackers),
            )
        )
    if target is not None and kind in ("label_is", "label_is_not") and target not in players:
        problems.append(
            Problem(
                file,
                f"row {line}, object",
                target,
                "is no player_id of roster.csv",
                players,
                nearest_of(target, players),
            )
        )
    return problems
