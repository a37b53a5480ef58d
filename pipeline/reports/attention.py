"""What needs a person's attention, in sentences, each with what to do. Read from the published tables only.

Most of it is asked by sql/needs/*.sql. Whatever stays open until a person decides (names, doubtful matches, unreadable files, live
alarms) is listed every time. What belongs to one night (rows in quarantine, clocks, stale labels) is listed for a week, and gaps on the
next morning; after that the tables keep them.
"""

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Literal, NamedTuple

import duckdb

from pipeline.players.names import natural_order, person_key
from pipeline.reports.directory import Directory, read_directory
from pipeline.warehouse.database import SQL_FOLDER
from pipeline.warehouse.run_log import read_attempts
from pipeline.words import moment_words, pluralize

Kind = Literal[
    "run", "roster", "inbox", "gone", "delivery", "decision", "file", "copy", "same key", "row", "value",
    "name", "unmatched", "doubtful", "warm-up", "stale label", "label", "gap", "clock", "drift", "setup", "correction", "lost", "unlike",
    "definition",
]  # fmt: skip

# printed once below the list, if the kind is on it
FOOTNOTES: dict[Kind, str] = {
    "stale label": "Until you decide, a pitch counts for the pitcher most trackers named; a tie goes to the top-ranked tracker."
}


class Need(NamedTuple):
    """One problem that needs a person's attention, and what to do about it."""

    kind: Kind
    problem: str
    what_to_do: str


def find_needs(con: duckdb.DuckDBPyConnection, folder: Path) -> list[Need]:
    """Return all that needs attention in the published version of `folder`, most serious first."""
    directory = read_directory(con)
    roster = _ask(con, directory, name="roster_not_used")
    others = (need for source in _SOURCES for need in source(con, directory))
    return [*_last_run(folder, directory), *roster, *_unread_folders(folder), *others]


def first_of_each(needs: Sequence[Need], most: int) -> tuple[list[Need], dict[str, int]]:
    """Return the first `most` needs of each kind, and the number left out by kind."""
    shown: list[Need] = []
    left_out: dict[str, int] = {}
    for kind in dict.fromkeys(need.kind for need in needs):
        same = [need for need in needs if need.kind == kind]
        shown += same[:most]
        if len(same) > most:
            left_out[kind] = len(same) - most
    return shown, left_out


def read_need_query(name: str) -> str:
    """Return the text of sql/needs/<name>.sql."""
    return (SQL_FOLDER / "needs" / f"{name}.sql").read_text(encoding="utf-8")


def _ask(con: duckdb.DuckDBPyConnection, _directory: Directory, *, name: str) -> list[Need]:
    return [Need(*row) for row in con.execute(read_need_query(name)).fetchall()]


def _last_run(folder: Path, directory: Directory) -> list[Need]:
    """Return how the last run failed or was interrupted, and what it left to do: the published tables cannot know."""
    attempts = read_attempts(folder)
    if not attempts:
        return []
    last = attempts[-1]
    notes = [
        Need("run", note, "Nothing, if the next run picks it up. Otherwise look at the inbox.") for note in last.notes
    ]
    started = moment_words(datetime.fromisoformat(last.started_at).astimezone(UTC), directory.home_zone)
    match last.outcome:
        case "begun":
            problem = f"The run of {started} ({last.message}) is still running, or was stopped from outside."
            return [
                Need(
                    "run", problem, "Wait for it. If it was killed or the power failed, run again: nothing is damaged."
                )
            ]
        case "failed":
            problem = f"The run of {started} failed and published nothing: {last.message}"
            return [Need("run", problem, "Fix the cause, then run again."), *notes]
        case _:
            return notes


def _unread_folders(folder: Path) -> list[Need]:
    """Return the folders with files that no tracker reads, as the last complete run found them."""
    complete = [attempt for attempt in read_attempts(folder) if attempt.outcome in ("done", "nothing_new")]
    what_to_do = "Add the device to ledger.toml ([[tracker]]), or move the files into its tracker's folder."
    return [Need("inbox", sentence, what_to_do) for attempt in complete[-1:] for sentence in attempt.unread]


def _agreement(con: duckdb.DuckDBPyConnection, directory: Directory) -> list[Need]:
    """Return metrics read by different conventions, devices that drifted or are crooked, and nights left uncorrected."""
    from pipeline.reports.agreement_todo import agreement_todo

    mismatches, setup, drift = (
        con.sql(f"select * from {table}").pl() for table in ("convention_mismatches", "setup", "drift")
    )
    return [Need(*todo) for todo in agreement_todo(mismatches, setup, drift, directory.trackers)]


def _definitions(con: duckdb.DuckDBPyConnection, directory: Directory) -> list[Need]:
    """Return definitions in profiles that a tracker's own readings of the last week contradict."""
    from pipeline.exports.contradictions import COLUMNS, evidence_by_tracker, find_contradictions

    recent = con.sql(
        f"select {', '.join(COLUMNS)} from sightings where baseball_day >= (select week_began from last_night)"
    ).pl()
    impossible = con.sql(read_need_query("impossible_readings")).pl()
    sources = con.sql("from metric_sources").pl()
    return [
        Need("definition", f"{directory.tracker(tracker)}: {found.problem}", found.what_to_do)
        for tracker, evidence in evidence_by_tracker(recent, impossible, sources)
        for found in find_contradictions(evidence)
    ]


# ---- names ---------------------------------------------------------------------------------------------------------------------------------


class OpenName(NamedTuple):
    """A label that needs a decision, with all trackers that write it. `proposed`: ids of the players that it may name.

    `how` it was matched: see table name_matches. `is_number`: a device's number without a name.
    """

    label: str
    is_number: bool
    how: str
    player_id: str | None
    proposed: tuple[str, ...]
    trackers: tuple[str, ...]
    rows: int


def open_names(con: duckdb.DuckDBPyConnection) -> list[OpenName]:
    """Return the labels that need a decision, one for each name however the trackers spell it, those with most rows first."""
    names: dict[tuple[object, ...], OpenName] = {}
    for label, is_number, how, player_id, proposal, tracker, rows in con.execute(
        read_need_query("open_names")
    ).fetchall():
        key = (person_key(label) or label, how, player_id, proposal)
        proposed = tuple(proposal.split(" or ")) if proposal else ()
        first = names.setdefault(key, OpenName(label, is_number, how, player_id, proposed, (), 0))
        trackers = tuple(sorted({*first.trackers, tracker}))
        names[key] = first._replace(trackers=trackers, rows=first.rows + rows)
    return sorted(names.values(), key=lambda name: (-name.rows, name.label))


def _names(con: duckdb.DuckDBPyConnection, directory: Directory) -> list[Need]:
    return [Need("name", *_name_problem(name, directory)) for name in open_names(con)]


def _name_problem(name: OpenName, directory: Directory) -> tuple[str, str]:
    """Return what is unclear about a label, and what to do."""
    shown = name.label if name.is_number else natural_order(name.label)
    label = f"{shown} ({directory.tracker_list(name.trackers)}, {pluralize(name.rows, 'row')})"
    proposed = directory.player_choice(name.proposed)
    if name.how == "tracker_id":
        holder = directory.player(name.player_id or "")
        return (
            f"{label} has the device number of {holder} but the name of {proposed}. It counts for {holder}.",
            "Correct tracker_ids in roster.csv, or the player list in the device.",
        )
    if name.how == "provisional":
        return (
            f"{label} of the other team resembles {proposed}. It counts as an opponent.",
            f"If that is right, add to decisions.csv (otherwise label_is): {decision_line('label_is_not', name.label, '')}",
        )
    if len(name.proposed) > 1:
        return (
            f"{label} may be {proposed}.",
            "Write the first name at the device. If it is always the same player, add a label_is line to decisions.csv.",
        )
    if name.proposed:
        line = decision_line("label_is", name.label, name.proposed[0])
        return f"{label} is probably {proposed}.", f"Add to decisions.csv: {line}"
    line = decision_line("label_is", name.label, "PLAYER_ID")
    return f"{label} is not on the roster.", f"Add a row to roster.csv, or to decisions.csv: {line}"


def decision_line(kind: str, subject: str, target: str, tracker: str = "", on: str = "DATE") -> str:
    """Return a line of decisions.csv to paste; the person fills in who, why and, without `on`, the date."""
    line = io.StringIO()
    csv.writer(line, lineterminator="").writerow((kind, tracker, subject, target, "YOU", on, "WHY"))
    return line.getvalue()


_Source = Callable[[duckdb.DuckDBPyConnection, Directory], Iterable[Need]]
# most serious first
_SOURCES: tuple[_Source, ...] = (
    partial(_ask, name="late_deliveries"),
    partial(_ask, name="trackers_without_exports"),
    partial(_ask, name="unreadable_files"),
    partial(_ask, name="rows_in_quarantine"),
    partial(_ask, name="lost_values"),
    partial(_ask, name="missing_columns"),
    partial(_ask, name="exports_gone"),
    partial(_ask, name="key_collisions"),
    partial(_ask, name="replaced_rows"),
    partial(_ask, name="copied_exports"),
    _definitions,
    partial(_ask, name="readings_far_apart"),
    _agreement,
    partial(_ask, name="gaps"),
    _names,
    partial(_ask, name="unmatched_sessions"),
    partial(_ask, name="doubtful_pitches"),
    partial(_ask, name="possible_warm_ups"),
    partial(_ask, name="future_dates"),
    partial(_ask, name="clocks_off"),
    partial(_ask, name="stale_labels"),
    partial(_ask, name="unknown_words"),
    partial(_ask, name="decisions_without_effect"),
)
