"""The state of the warehouse in one look, for people or as JSON."""

import json
from pathlib import Path
from typing import Any

import duckdb
from rich.console import Console

from pipeline.reports.attention import RECENT_DAYS, SINCE, find_needs
from pipeline.reports.printing import harmless, make_table
from pipeline.reports.summary import print_counts, print_needs, read_facts
from pipeline.warehouse.query import published_connection
from pipeline.warehouse.run_log import read_attempts

MOST_REASONS, LAST_RUNS = 12, 3
# of view deliveries
VERDICTS = ("came", "late", "too few", "missing", "due")


def read_status(folder: Path) -> dict[str, Any]:
    """Everything `status` shows, as plain values: the summary's facts, and nights, gaps, quarantine, deliveries, runs, attempts, needs, disk_bytes."""
    facts = read_facts(folder)
    with published_connection(folder) as con:
        facts |= {
            "nights": _nights(con),
            "gaps": _gaps(con),
            "quarantine": _reasons(con),
            "deliveries": _deliveries(con),
            "runs": con.execute(
                f"select version, status, files_new, pitches, message from runs order by started_at desc, version desc limit {LAST_RUNS}"
            ).fetchall(),
        }
    attempts = read_attempts(folder)[: -LAST_RUNS - 1 : -1]
    return facts | {"attempts": attempts, "needs": find_needs(folder), "disk_bytes": _disk_bytes(folder)}


def _disk_bytes(folder: Path) -> int:
    """What the output folder takes on the disk: versions share the files that did not change."""
    files = (path.stat() for path in folder.rglob("*") if path.is_file() and not path.is_symlink())
    return sum({(facts.st_dev, facts.st_ino): facts.st_size for facts in files}.values())


def _deliveries(con: duckdb.DuckDBPyConnection) -> list[tuple[Any, ...]]:
    """Of each tracker of ledger.toml: the last day it saw pitches, and of the last week how many nights came, came late, ... (VERDICTS)."""
    counts = ", ".join(f"count(*) filter (where verdict = '{verdict}')" for verdict in VERDICTS)
    return con.execute(f"""
        with recent as (select tracker, {counts} from deliveries where baseball_day >= {SINCE} group by tracker),
        last as (select tracker, max(baseball_day) as last_day from sightings group by tracker)
        select trackers.tracker, last_day, recent.* exclude (tracker) from trackers
        left join last using (tracker) left join recent using (tracker) order by rank""").fetchall()


def _nights(con: duckdb.DuckDBPyConnection) -> list[tuple[Any, ...]]:
    """Baseball day, station, pitches, tracker, and how many of the pitches it saw; the last week, newest first."""
    return con.execute(f"""
        with recent as (
            select baseball_day, coalesce(station, 'unknown') as station, string_split(trackers, ',') as trackers,
                count(*) over (partition by baseball_day, station) as pitches
            from pitches where baseball_day >= {SINCE}),
        seen as (select baseball_day, station, pitches, unnest(trackers) as tracker from recent)
        select baseball_day, station, pitches, tracker, count(*) from seen
        group by all order by baseball_day desc, station, tracker""").fetchall()


def _gaps(con: duckdb.DuckDBPyConnection) -> list[tuple[Any, ...]]:
    return con.execute(f"""
        select distinct baseball_day, coalesce(station, 'unknown'), tracker from nights_with_gaps
        where baseball_day >= {SINCE} order by all""").fetchall()


def _reasons(con: duckdb.DuckDBPyConnection) -> list[tuple[Any, ...]]:
    """Level, tracker, reason with its numbers left out, lines."""
    return con.execute(f"""
        select level, tracker, regexp_replace(reason, '(^|[ (])-?[0-9]+([.,][0-9]+)*\\b', '\\1#', 'g') as kind, count(*) as lines from quarantine
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
        "needs_a_person": [need._asdict() for need in status["needs"]],
        "disk_bytes": status["disk_bytes"],
    }
    return json.dumps(document, indent=2, default=str, ensure_ascii=False)


def _named(names: tuple[str, ...], rows: list[tuple[Any, ...]]) -> list[dict[str, Any]]:
    return [dict(zip(names, row, strict=True)) for row in rows]


def print_status(status: dict[str, Any], out: Console) -> None:
    """Print the status for a person."""
    runs = [(one.started_at, one.outcome.replace("_", " "), one.version, one.message) for one in status["attempts"]]
    out.print(make_table("Last runs", ("started", "outcome", "readers see", "what"), runs, numbers_from=9))
    out.print()
    print_counts(status, out)
    out.print()
    _print_nights(status, out)
    rows = [tuple("-" if value is None else value for value in row) for row in status["deliveries"]]
    out.print(
        make_table(
            f"Deliveries of the last {RECENT_DAYS} days: nights of each tracker",
            ("tracker", "last pitches", *VERDICTS),
            rows,
            numbers_from=2,
        )
    )
    out.print()
    if status["quarantine"]:
        columns = ("level", "tracker", "reason", "lines")
        out.print(
            make_table(
                "Quarantine by reason",
                columns,
                status["quarantine"],
                numbers_from=3,
                whole=("level", "tracker", "lines"),
            )
        )
        out.print()
    print_needs(status["needs"], out)
    out.print()
    out.print(harmless(f"Disk: {status['disk_bytes'] / 1e6:.1f} MB in the output folder."))


def _print_nights(status: dict[str, Any], out: Console) -> None:
    """A row for each night and station, a column for each tracker; a gap is marked."""
    trackers = [name for name, *_ in status["trackers"]]
    gaps = {tuple(gap) for gap in status["gaps"]}
    nights: dict[tuple[Any, str], dict[str, int]] = {}
    pitches: dict[tuple[Any, str], int] = {}
    for day, station, number, tracker, seen in status["nights"]:
        nights.setdefault((day, station), {})[tracker] = seen
        pitches[day, station] = number
    rows = [
        (
            day,
            station,
            pitches[day, station],
            *(_seen(seen.get(tracker), (day, station, tracker) in gaps) for tracker in trackers),
        )
        for (day, station), seen in nights.items()
    ]
    out.print(
        make_table(
            f"The last {RECENT_DAYS} days: pitches, and how many of them each tracker saw",
            ("day", "station", "pitches", *trackers),
            rows,
            numbers_from=2,
        )
    )
    if gaps:
        out.print('! a gap: `pitchledger query "from nights_with_gaps"`')
    out.print()


def _seen(number: int | None, is_gap: bool) -> str:
    return f"{'! ' if is_gap else ''}{number or ('0' if is_gap else '-')}"
