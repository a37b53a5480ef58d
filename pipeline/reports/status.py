"""The state of the warehouse in one look, for people or as JSON."""

import json
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
from rich.console import Console

from pipeline.reports.attention import find_needs
from pipeline.reports.printing import harmless, make_table
from pipeline.reports.summary import print_counts, print_needs, read_facts
from pipeline.warehouse.query import published_connection
from pipeline.warehouse.run_log import read_attempts
from pipeline.words import moment_words, weekday_words

MOST_REASONS = 12
LAST_RUNS = 3
# the verdicts of view deliveries
VERDICTS = ("came", "late", "too few", "missing", "due")
OUTCOMES = {"begun": "not finished", "nothing_new": "nothing new"}


def read_status(folder: Path) -> dict[str, Any]:
    """Return all that `status` shows: the summary's facts, nights, gaps, quarantine, deliveries, runs, attempts, needs, disk_bytes."""
    with published_connection(folder) as con:
        facts = read_facts(con) | {
            "needs": find_needs(con, folder),
            "nights": _nights(con),
            "gaps": _gaps(con),
            "quarantine": _reasons(con),
            "deliveries": _deliveries(con),
            "runs": con.execute(
                f"select version, status, files_new, pitches, message from runs order by started_at desc, version desc limit {LAST_RUNS}"
            ).fetchall(),
        }
    attempts = read_attempts(folder)[: -LAST_RUNS - 1 : -1]
    return facts | {"attempts": attempts, "disk_bytes": _disk_bytes(folder)}


def _disk_bytes(folder: Path) -> int:
    """Return the size of the output folder: versions share the files that did not change."""
    files = (path.stat() for path in folder.rglob("*") if path.is_file() and not path.is_symlink())
    return sum({(facts.st_dev, facts.st_ino): facts.st_size for facts in files}.values())


def _deliveries(con: duckdb.DuckDBPyConnection) -> list[tuple[Any, ...]]:
    """Return each tracker of ledger.toml, the last day on which it saw pitches, and its nights of the last week by verdict."""
    counts = ", ".join(f"count(*) filter (where verdict = '{verdict}')" for verdict in VERDICTS)
    return con.execute(f"""
        with recent as (select tracker, {counts} from deliveries where baseball_day >= (select week_began from last_night) group by tracker),
        last as (select tracker, max(baseball_day) as last_day from sightings group by tracker)
        select trackers.tracker, last_day, recent.* exclude (tracker) from trackers
        left join last using (tracker) left join recent using (tracker) order by rank""").fetchall()


def _nights(con: duckdb.DuckDBPyConnection) -> list[tuple[Any, ...]]:
    """Return baseball day, station, pitches, tracker and the pitches it saw, for the last week, newest first."""
    return con.execute("""
        with recent as (
            select baseball_day, coalesce(station, 'unknown') as station, string_split(trackers, ',') as trackers,
                count(*) over (partition by baseball_day, station) as pitches
            from pitches where baseball_day >= (select week_began from last_night)),
        seen as (select baseball_day, station, pitches, unnest(trackers) as tracker from recent)
        select baseball_day, station, pitches, tracker, count(*) from seen
        group by all order by baseball_day desc, station, tracker""").fetchall()


def _gaps(con: duckdb.DuckDBPyConnection) -> list[tuple[Any, ...]]:
    return con.execute("""
        select distinct baseball_day, coalesce(station, 'unknown'), tracker from nights_with_gaps
        where baseball_day >= (select week_began from last_night) order by all""").fetchall()


def _reasons(con: duckdb.DuckDBPyConnection) -> list[tuple[Any, ...]]:
    """Return level, tracker, reason without its numbers, and lines."""
    return con.execute(f"""
        select level, tracker, regexp_replace(reason, '(^|[ (])-?[0-9]+([.,][0-9]+)*\\b', '\\1...', 'g') as kind, count(*) as lines from quarantine
        group by all order by lines desc, level, tracker, kind limit {MOST_REASONS}""").fetchall()


def as_json(status: dict[str, Any]) -> str:
    """The status as JSON, with named fields."""
    version, started_at, message = status["run"]
    names = ("files", "rows", "sightings", "repeats", "no_pitch", "quarantined")
    document = {
        "run": {"version": version, "started_at": started_at, "message": message},
        "runs": _named(("version", "status", "files_new", "pitches", "message"), status["runs"]),
        "trackers": {tracker: dict(zip(names, counts, strict=True)) for tracker, *counts in status["trackers"]},
        "rows_unexplained": status["unexplained"],
        "pitches_seen_by": {str(trackers): count for trackers, count in status["seen"]},
        "last_night": _named(("baseball_day", "occasion", "station", "pitches", "pitchers"), status["last_night"]),
        "nights": _named(("baseball_day", "station", "pitches", "tracker", "seen"), status["nights"]),
        "gaps": _named(("baseball_day", "station", "tracker"), status["gaps"]),
        "deliveries": _named(
            ("tracker", "last_day", *(name.replace(" ", "_") for name in VERDICTS)), status["deliveries"]
        ),
        "last_runs": [attempt._asdict() for attempt in status["attempts"]],
        "quarantine": _named(("level", "tracker", "reason", "lines"), status["quarantine"]),
        "needs_attention": [need._asdict() for need in status["needs"]],
        "disk_bytes": status["disk_bytes"],
    }
    return json.dumps(document, indent=2, default=str, ensure_ascii=False)


def _named(names: tuple[str, ...], rows: list[tuple[Any, ...]]) -> list[dict[str, Any]]:
    return [dict(zip(names, row, strict=True)) for row in rows]


def print_status(status: dict[str, Any], out: Console) -> None:
    """Print the status for a person."""
    _print_runs(status, out)
    print_counts(status, out)
    out.print()
    _print_nights(status, out)
    _print_deliveries(status, out)
    if status["quarantine"]:
        out.print("Quarantined files, rows and values by reason", style="bold")
        columns = ("level", "tracker", "reason (... is a number)", "lines")
        out.print(make_table(columns, status["quarantine"], numbers_from=3, whole=("level", "tracker", "lines")))
        out.print()
    print_needs(status["needs"], out)
    out.print()
    out.print(harmless(f"Disk: {status['disk_bytes'] / 1e6:.1f} MB in the output folder."))


def _print_runs(status: dict[str, Any], out: Console) -> None:
    rows = [
        (
            moment_words(datetime.fromisoformat(attempt.started_at), status["zone"]),
            OUTCOMES.get(attempt.outcome, attempt.outcome),
            attempt.version,
            attempt.message,
        )
        for attempt in status["attempts"]
    ]
    columns = ("started", "outcome", "published version", "message")
    out.print("Last runs", style="bold")
    out.print(make_table(columns, rows, numbers_from=9, whole=columns[:3]))
    out.print()


def _print_nights(status: dict[str, Any], out: Console) -> None:
    """Print a row for each night and station, with a column for each tracker and a mark at each gap."""
    trackers = [name for name, *_ in status["trackers"]]
    gaps = {tuple(gap) for gap in status["gaps"]}
    seen_by_tracker: dict[tuple[Any, str], dict[str, int]] = {}
    pitches: dict[tuple[Any, str], int] = {}
    for day, station, number, tracker, seen in status["nights"]:
        seen_by_tracker.setdefault((day, station), {})[tracker] = seen
        pitches[day, station] = number
    rows = [
        (
            weekday_words(day),
            station,
            pitches[day, station],
            *(_seen_words(seen.get(tracker), (day, station, tracker) in gaps) for tracker in trackers),
        )
        for (day, station), seen in seen_by_tracker.items()
    ]
    columns = ("night", "station", "pitches", *trackers)
    out.print("Last 7 days: pitches, and how many each tracker saw", style="bold")
    out.print(make_table(columns, rows, numbers_from=2))
    if gaps:
        out.print('! The tracker missed many pitches that another saw: `pitchledger query "from nights_with_gaps"`')
    out.print()


def _print_deliveries(status: dict[str, Any], out: Console) -> None:
    rows = [
        (
            tracker,
            weekday_words(last_day) if last_day else "never",
            *("-" if count is None else count for count in counts),
        )
        for tracker, last_day, *counts in status["deliveries"]
    ]
    out.print("Last 7 days: nights by delivery", style="bold")
    out.print(make_table(("tracker", "last pitches", *VERDICTS), rows, numbers_from=2))
    out.print()


def _seen_words(number: int | None, is_gap: bool) -> str:
    return f"{'! ' if is_gap else ''}{number or ('0' if is_gap else '-')}"
