"""The state of the warehouse in one look, for people or as JSON."""

import contextlib
import json
from pathlib import Path
from typing import Any

from rich.console import Console

from pipeline.publishing import open_published
from pipeline.reports.attention import Need, find_needs
from pipeline.reports.printing import harmless, make_table
from pipeline.reports.summary import print_counts, print_needs, read_facts


def read_status(folder: Path) -> dict[str, Any]:
    """Everything `status` shows, as plain values: run, trackers, seen, last_night, by_night, quarantine, needs, disk_bytes."""
    facts = read_facts(folder)
    with contextlib.closing(open_published(folder)) as con:
        nights = con.execute("""
            select baseball_day, station, tracker, count(*) from sightings
            where baseball_day >= (select max(baseball_day) from pitches) - 6 group by all order by baseball_day desc, station, tracker""").fetchall()
        reasons = con.execute("""
            select level, tracker, regexp_replace(reason, '-?[0-9]+([.,][0-9]+)*', '#', 'g') as kind, count(*) from quarantine
            group by all order by count(*) desc, all limit 12""").fetchall()
        runs = con.execute(
            "select version, status, files_new, pitches, message from runs order by started_at desc limit 3"
        ).fetchall()
    disk = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file() and not path.is_symlink())
    return facts | {
        "nights": nights,
        "quarantine": reasons,
        "runs": runs,
        "needs": find_needs(folder),
        "disk_bytes": disk,
    }


def as_json(status: dict[str, Any]) -> str:
    """The status as JSON, with named fields."""
    version, started_at, message = status["run"]
    names = ("files", "rows", "sightings", "repeats", "no_pitch", "quarantined")
    document = {
        "run": {"version": version, "started_at": started_at, "message": message},
        "trackers": {tracker: dict(zip(names, counts, strict=True)) for tracker, *counts in status["trackers"]},
        "rows_unexplained": status["unexplained"],
        "pitches_seen_by": {str(trackers): count for trackers, count in status["seen"]},
        "nights": [
            dict(zip(("baseball_day", "station", "tracker", "sightings"), night, strict=True))
            for night in status["nights"]
        ],
        "quarantine": [
            dict(zip(("level", "tracker", "reason", "lines"), line, strict=True)) for line in status["quarantine"]
        ],
        "needs_a_person": [need._asdict() for need in status["needs"]],
        "disk_bytes": status["disk_bytes"],
    }
    return json.dumps(document, indent=2, default=str, ensure_ascii=False)


def print_status(status: dict[str, Any], out: Console) -> list[Need]:
    """Print the status for a person; returns what needs one."""
    runs = [(run[0], run[1], *("" if value is None else value for value in run[2:])) for run in status["runs"]]
    out.print(make_table("Last runs", ("version", "status", "new files", "pitches", "what"), runs, numbers_from=9))
    out.print()
    print_counts(status, out)
    out.print()
    out.print(
        make_table(
            "Sightings in the last seven days",
            ("day", "station", "tracker", "sightings"),
            status["nights"],
            numbers_from=3,
        )
    )
    out.print()
    if status["quarantine"]:
        out.print(
            make_table(
                "Quarantine by reason", ("level", "tracker", "reason", "lines"), status["quarantine"], numbers_from=3
            )
        )
        out.print()
    print_needs(status["needs"], out)
    out.print()
    out.print(harmless(f"Disk: {status['disk_bytes'] / 1e6:.1f} MB in the output folder."))
    needs: list[Need] = status["needs"]
    return needs
