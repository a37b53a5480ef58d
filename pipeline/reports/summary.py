"""The morning summary: what came in, what became of it, and what needs attention. Fits one screen."""

from collections.abc import Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

import duckdb
from rich.console import Console
from rich.table import Table

from pipeline.reports.attention import FOOTNOTES, Need, find_needs, first_of_each
from pipeline.reports.directory import read_directory
from pipeline.reports.printing import harmless, make_table
from pipeline.warehouse.query import published_connection
from pipeline.words import capitalize, moment_words, pluralize, weekday_words

COUNTS = ("files", "rows", "sightings", "repeats", "no pitch", "quarantined")
# the summary shows so many needs of each kind; `status` shows all
MOST_EACH = 2
OCCASIONS = {"live_bp": "live batting practice", None: "occasion unknown"}


def read_facts(con: duckdb.DuckDBPyConnection) -> dict[str, Any]:
    """Return the numbers of the summary: last run, counts by tracker, pitches by number of trackers, last night, home time zone."""
    trackers = con.execute("""
        select tracker, count(*), sum(rows), sum(sightings), sum(repeats), sum(no_pitch), sum(quarantined)
        from files group by tracker order by tracker""").fetchall()
    seen = con.execute("select seen_by, count(*) from pitches group by seen_by order by seen_by").fetchall()
    unexplained = con.execute("select coalesce(sum(rows_unexplained), 0) from row_conservation").fetchall()[0][0]
    last_night = con.execute("""
        select baseball_day, occasion, station, count(*), count(distinct coalesce(pitcher_id, pitcher_label)) from pitches
        where baseball_day = (select baseball_day from last_night) group by all order by all""").fetchall()
    (run,) = con.execute("select version, started_at, message from runs order by started_at desc limit 1").fetchall()
    zone = read_directory(con).home_zone
    return {
        "trackers": trackers,
        "seen": seen,
        "unexplained": unexplained,
        "last_night": last_night,
        "run": run,
        "zone": zone,
    }


def print_summary(folder: Path, out: Console) -> None:
    """Print the morning summary of what is published in `folder`."""
    with published_connection(folder) as con:
        facts, needs = read_facts(con), find_needs(con, folder)
    version, started_at, message = facts["run"]
    out.print(harmless(f"{capitalize(message)}. Published {version} ({moment_words(started_at, facts['zone'])})."))
    out.print()
    print_counts(facts, out)
    out.print()
    print_needs(needs, out, MOST_EACH)


def print_counts(facts: dict[str, Any], out: Console) -> None:
    """Print the table of trackers, the pitches by number of trackers, and the last night."""
    rows = [(name, *(f"{count:,}" for count in counts)) for name, *counts in facts["trackers"]]
    out.print(make_table(("tracker", *COUNTS), rows))
    if facts["unexplained"] == 0:
        out.print("Every row is accounted for: rows = sightings + repeats + no pitch + quarantined, in each file.")
    else:
        out.print(f"NOT every row is accounted for: {facts['unexplained']} are missing.", style="bold")
    out.print()
    (least, alone), *more = facts["seen"] or [(1, 0)]
    seen = [
        f"{alone:,} seen by {pluralize(least, 'tracker')}",
        *(f"{count:,} by {trackers}" for trackers, count in more),
    ]
    total = sum(count for _, count in facts["seen"])
    out.print(harmless(f"Pitches: {total:,}, each counted once: {', '.join(seen)}."))
    for line in last_night_lines(facts):
        out.print(harmless(line))


def last_night_lines(facts: dict[str, Any]) -> list[str]:
    """Return a sentence for each station and occasion of the last night: "Last night (Sat Nov 7): game at field, ..."."""
    return [
        f"Last night ({weekday_words(day)}): {OCCASIONS.get(occasion, occasion)} at {station or 'an unknown station'}, "
        f"{pluralize(pitches, 'pitch')}, {pluralize(pitchers, 'pitcher')}."
        for day, occasion, station, pitches, pitchers in facts["last_night"]
    ]


def print_needs(needs: Sequence[Need], out: Console, most_each: int | None = None) -> None:
    """Print what needs attention and what to do, at most `most_each` of a kind. Needs with the same remedy share its line."""
    if not needs:
        out.print("Nothing needs your attention.")
        return
    shown, left_out = first_of_each(needs, most_each or len(needs))
    out.print("Needs your attention (> what to do)", style="bold")
    for what_to_do, same in groupby(shown, key=lambda need: need.what_to_do):
        for need in same:
            out.print(_hanging("- ", need.problem))
        out.print(_hanging("  > ", what_to_do))
    if left_out:
        kinds = ", ".join(f"{kind}: {count}" for kind, count in left_out.items())
        out.print(harmless(f"{sum(left_out.values())} more ({kinds}): `pitchledger status` lists all."))
    for kind, footnote in FOOTNOTES.items():
        if any(need.kind == kind for need in shown):
            out.print(harmless(footnote))


def _hanging(sign: str, text: str) -> Table:
    """Return a sign and the text beside it; further lines of the text are aligned below its first."""
    grid = Table.grid()
    grid.add_column(width=len(sign))
    grid.add_column()
    grid.add_row(sign, harmless(text))
    return grid
