"""Count a simulated season's throws as the warehouse does: match, reconcile, and ask the views."""

from collections.abc import Mapping

import duckdb
import polars as pl

from pipeline.matching import Matched, MatchSettings, match_sightings
from pipeline.pitches import night_tables
from pipeline.pitches.reconcile import Rules, reconcile
from pipeline.warehouse.database import finish_tables, read_views, table_ddl
from schemas.tables import TABLES
from tests.simulator.matching_season import Season

RANKS = {"radar": 1, "camera": 2, "portable": 3}
UNDECIDED = pl.DataFrame(schema=dict.fromkeys(("kind", "tracker", "subject", "object"), pl.String))


def matched_season(season: Season) -> tuple[pl.DataFrame, Matched]:
    """Match a season whose labels mean the players that they name; return its sightings, too."""
    # the simulator misspells a name by leaving out the "o" of "Demo"; the last letter tells players apart
    named = season.sightings.with_columns(pitcher_id=pl.col("pitcher_label").str.replace(r"Dem(o?)(.)$", "Demo${2}"))
    return named, match_sightings(named, RANKS, MatchSettings(), {}, UNDECIDED)


def workload_tables(sightings: pl.DataFrame, matched: Matched) -> dict[str, pl.DataFrame]:
    """Return the tables that the workload views read."""
    kept, removed = night_tables.remove_non_pitches(sightings, matched.doubles, UNDECIDED)
    doubles = night_tables.double_triggers_table(matched.doubles, matched.possible_doubles, sightings)
    found = {"match_pairs": matched.match_pairs, "double_triggers": doubles, "set_aside": removed}
    runs = night_tables.label_runs_table(matched.label_runs, sightings)
    return reconciled_tables(kept, matched.matches) | found | {"label_runs": runs}


def reconciled_tables(sightings: pl.DataFrame, matches: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Return the tables of pitches, people and trackers that come from these sightings."""
    kept = sightings.with_columns(pitcher_by=pl.when(pl.col("pitcher_id").is_not_null()).then(pl.lit("label")))
    reconciled = reconcile(kept, matches, TABLES["calibration"].empty(), Rules(RANKS))
    players = kept.select(player_id="pitcher_id").drop_nulls().unique().with_columns(name="player_id")
    trackers = pl.DataFrame({"tracker": list(RANKS), "rank": list(RANKS.values())}).with_columns(
        name="tracker", venue=pl.lit("park"), stations=pl.lit(""), time_zone=pl.lit("UTC"), late_after_h=24.0
    )
    return {
        "pitches": reconciled.pitches,
        "sessions": reconciled.sessions,
        "outings": reconciled.outings,
        "sightings": night_tables.add_pitch_ids(kept, matches),
        "players": players.with_columns(on_roster=True, provisional=False),
        "trackers": trackers,
        "settings": pl.DataFrame({"setting": ["gap_share"], "value": [0.8], "meaning": [""]}),
    }


def open_views(tables: Mapping[str, pl.DataFrame]) -> duckdb.DuckDBPyConnection:
    """Return a database in memory with these tables and all views."""
    con = duckdb.connect()
    for name, frame in finish_tables(tables).items():
        con.execute(table_ddl(TABLES[name]))
        if frame.height:
            con.register("rows_to_load", frame)
            con.execute(f'insert into "{name}" by name select * from rows_to_load')
            con.unregister("rows_to_load")
    for view in read_views():
        con.execute(f'create view "{view.name}" as {view.select}')
    return con


def counted_throws(con: duckdb.DuckDBPyConnection, season: Season) -> pl.DataFrame:
    """Return arm, baseball_day, truth, throws, throws_at_least, throws_at_most.

    `truth`: throws that at least one tracker recorded.
    """
    days = season.sightings.select("sighting_id", "baseball_day")
    thrown = season.truth.filter(pl.col("throw").is_not_null()).join(days, on="sighting_id")
    true_counts = thrown.group_by("baseball_day", arm="true_pitcher").agg(truth=pl.col("throw").n_unique())
    counts = ("throws", "throws_at_least", "throws_at_most")
    counted = con.sql(f"select baseball_day, arm, {', '.join(counts)} from throws_by_day").pl()
    both = true_counts.join(counted, on=["baseball_day", "arm"], how="full", coalesce=True)
    return both.with_columns(pl.col("truth", *counts).fill_null(0).cast(pl.Int64)).sort("baseball_day", "arm")
