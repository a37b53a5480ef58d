"""The morning summary: what came, what became of it, and what needs a person. Fits one screen."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from pipeline.reports.attention import LAST_NIGHT, Need, find_needs, first_of_each
from pipeline.reports.printing import harmless, make_table
from pipeline.warehouse.query import published_connection
from pipeline.words import pluralize

COUNTS = ("files", "rows", "sightings", "repeats", "no pitch", "quarantined")
# so many of a kind: the summary is read on one screen, `status` tells all
MOST_EACH = 2


def read_facts(folder: Path) -> dict[str, Any]:
    """The numbers of the summary: last run, counts by tracker, pitches by how many trackers saw them, the last night."""
    with published_connection(folder) as con:
        trackers = con.execute("""
            select tracker, count(*), sum(rows), sum(sightings), sum(repeats), sum(no_pitch), sum(quarantined)
            from files group by tracker order by tracker""").fetchall()
        seen = con.execute("select seen_by, count(*) from pitches group by seen_by order by seen_by").fetchall()
        lost = con.execute("select coalesce(sum(rows_unexplained), 0) from row_conservation").fetchall()[0][0]
        last = con.execute(f"""
            select baseball_day, occasion, station, count(*), count(distinct coalesce(pitcher_id, pitcher_label)) from pitches
            where baseball_day = {LAST_NIGHT} group by all order by all""").fetchall()
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
    print_needs(find_needs(folder), out, MOST_EACH)


def print_counts(facts: dict[str, Any], out: Console) -> None:
    """Print the table of trackers, the pitches by how often they were seen, and the last night."""
    rows = [(name, *(f"{count:,}" for count in counts)) for name, *counts in facts["trackers"]]
    out.print(make_table("", ("tracker", *COUNTS), rows))
    if facts["unexplained"] == 0:
        out.print("Every row is accounted for: rows = sightings + repeats + no pitch + quarantined, in each file.")
    else:
        out.print(f"NOT every row is accounted for: {facts['unexplained']} are missing.", style="bold")
    out.print()
    seen = ", ".join(f"{count:,} by {trackers}" for trackers, count in facts["seen"])
    total = sum(count for _, count in facts["seen"])
    out.print(harmless(f"Pitches: {total:,}, each counted once; seen by how many trackers: {seen or 'none'}."))
    for day, occasion, station, pitches, pitchers in facts["last_night"]:
        where = f"{occasion or 'occasion unknown'} at {station or 'an unknown station'}"
        out.print(
            harmless(f"Last night {day}: {where}, {pluralize(pitches, 'pitch')}, {pluralize(pitchers, 'pitcher')}.")
        )


def print_needs(needs: Sequence[Need], out: Console, most_each: int | None = None) -> None:
    """Print what needs a person, each with what settles it; of each kind at most `most_each`, and how many more there are."""
    if not needs:
        out.print("Nothing needs a person.")
        return
    shown, more = first_of_each(needs, most_each or len(needs))
    out.print("What needs a person (> what settles it)", style="bold")
    for need in shown:
        out.print(_hanging("- ", need.sentence))
        out.print(_hanging("  > ", need.remedy))
    if more:
        kinds = ", ".join(f"{kind}: {count}" for kind, count in more.items())
        out.print(harmless(f"And more ({kinds}). `pitchledger status` lists all."))


def _hanging(sign: str, text: str) -> Table:
    """A sign, and the text beside it: the lines that follow stand under the text."""
    grid = Table.grid()
    grid.add_column(width=len(sign))
    grid.add_column()
    grid.add_row(sign, harmless(text))
    return grid
