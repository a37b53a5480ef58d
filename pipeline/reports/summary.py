"""The morning summary: what came, what became of it, and what needs a person. Fits one screen."""

import contextlib
from pathlib import Path
from typing import Any

from rich.console import Console

from pipeline.publishing import open_published
from pipeline.reports.attention import Need, find_needs
from pipeline.reports.printing import harmless, make_table

COUNTS = ("files", "rows", "sightings", "repeats", "no pitch", "quarantined")
CAUTION = (
    "Counts and speeds are measurements, not findings about a person. Workload and velocity are for athletic trainers, physicians "
    "and the governing body's rules to judge."
)


def read_facts(folder: Path) -> dict[str, Any]:
    """The numbers of the summary: last run, counts by tracker, pitches by how many trackers saw them, the last night."""
    with contextlib.closing(open_published(folder)) as con:
        trackers = con.execute("""
            select tracker, count(*), sum(rows), sum(sightings), sum(repeats), sum(no_pitch), sum(quarantined)
            from files group by tracker order by tracker""").fetchall()
        seen = con.execute("select seen_by, count(*) from pitches group by seen_by order by seen_by").fetchall()
        lost = con.execute("select coalesce(sum(rows_unexplained), 0) from row_conservation").fetchall()[0][0]
        last = con.execute("""
            select baseball_day, occasion, station, count(*), count(distinct coalesce(pitcher_id, pitcher_label)) from pitches
            where baseball_day = (select max(baseball_day) from pitches) group by all order by all""").fetchall()
        run = con.execute("select version, started_at, message from runs order by started_at desc limit 1").fetchall()[
            0
        ]
    return {"trackers": trackers, "seen": seen, "unexplained": lost, "last_night": last, "run": run}


def print_summary(folder: Path, out: Console) -> None:
    """Print the morning summary of what is published in `folder`."""
    facts = read_facts(folder)
    version, started_at, message = facts["run"]
    out.print(harmless(f"Published {version} ({started_at:%Y-%m-%d %H:%M} UTC): {message}."))
    out.print()
    print_counts(facts, out)
    out.print()
    print_needs(find_needs(folder), out)


def print_counts(facts: dict[str, Any], out: Console) -> None:
    """Print the table of trackers, the pitches by how often they were seen, and the last night."""
    rows = [(name, *(f"{count:,}" for count in counts)) for name, *counts in facts["trackers"]]
    out.print(make_table("", ("tracker", *COUNTS), rows))
    if facts["unexplained"] == 0:
        out.print("Every row is accounted for: rows = sightings + repeats + no pitch + quarantined, in each file.")
    out.print()
    seen = ", ".join(f"{count:,} by {trackers}" for trackers, count in facts["seen"])
    total = sum(count for _, count in facts["seen"])
    out.print(harmless(f"Pitches: {total:,}, each counted once; seen by how many trackers: {seen or 'none'}."))
    for day, occasion, station, pitches, pitchers in facts["last_night"]:
        out.print(
            harmless(
                f"Last night {day}: {occasion or 'occasion unknown'} at {station or 'an unknown station'}, {pitches} pitches, {pitchers} pitchers."
            )
        )


def print_needs(needs: list[Need], out: Console) -> None:
    """Print what needs a person, each with its remedy."""
    if not needs:
        out.print("Nothing needs a person.")
        return
    out.print("What needs a person", style="bold")
    for need in needs:
        out.print(harmless(f"- {need.sentence}"))
        if need.remedy:
            out.print(harmless(f"    {need.remedy}"), style="dim")
