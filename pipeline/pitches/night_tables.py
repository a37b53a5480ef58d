"""Edit the frames of a night between the stages: stations, rows that are no pitch, pitch ids, aliases."""

from collections.abc import Collection, Mapping, Sequence
from datetime import date

import polars as pl

# ids of a pitch and of its group of sightings differ in the first letter only
_PITCH_OF_GROUP = pl.format("p{}", pl.col("group_id").str.slice(1))
_GROUP_OF_PITCH = pl.format("s{}", pl.col("pitch_id").str.slice(1))


def locate(sightings: pl.DataFrame, found_stations: pl.DataFrame, usual_occasions: Mapping[str, str]) -> pl.DataFrame:
    """Fill in the station that matching found for roaming trackers, and the usual occasion of the station."""
    found = found_stations.select("sighting_id", found="station")
    sightings = sightings.join(found, on="sighting_id", how="left")
    by = (
        pl.when(pl.col("station").is_null() & pl.col("found").is_not_null())
        .then(pl.lit("matching"))
        .otherwise("station_by")
    )
    sightings = sightings.with_columns(station_by=by, station=pl.coalesce("station", "found")).drop("found")
    usual = pl.col("station").replace_strict(dict(usual_occasions), default=None, return_dtype=pl.String)
    return sightings.with_columns(occasion=pl.coalesce("occasion", usual))


def remove_non_pitches(
    sightings: pl.DataFrame, double_triggers: pl.DataFrame, decisions: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Split off second records of one throw and rows that a decision calls no pitch; return the sightings and the removed rows."""
    doubles = double_triggers.select(
        "sighting_id",
        "kept_sighting_id",
        kind=pl.lit("double_trigger"),
        why=pl.lit("the tracker recorded one throw twice"),
    )
    no_pitch = (
        decisions.filter(pl.col("kind") == "no_pitch")
        .select(
            sighting_id="subject",
            kept_sighting_id=pl.lit(None, pl.String),
            kind=pl.lit("no_pitch"),
            why=pl.lit("a person's decision"),
        )
        .unique("sighting_id", keep="first")
    )
    removed = pl.concat([no_pitch, doubles]).unique("sighting_id", keep="first", maintain_order=True)
    rows = sightings.select(
        "sighting_id",
        "tracker",
        "baseball_day",
        "file_id",
        "file_row",
        "thrown_at",
        "pitcher_label",
        "release_speed_mph",
        "spin_rate_rpm",
    )
    set_aside = removed.join(rows, on="sighting_id").with_columns(stage=pl.lit("night"))
    return sightings.join(removed, on="sighting_id", how="anti"), set_aside


def replace_set_aside(
    old: pl.DataFrame, fresh: pl.DataFrame, files: Collection[str], nights: Collection[date]
) -> pl.DataFrame:
    """Return the table `set_aside`: rows found in a night are replaced with the night, rows found while reading with their export."""
    replaced = (
        pl.when(pl.col("stage") == "night")
        .then(pl.col("baseball_day").is_in(list(nights)))
        .otherwise(pl.col("file_id").is_in(list(files)))
    )
    return pl.concat([old.filter(~replaced), fresh])


def double_triggers_table(removed: pl.DataFrame, possible: pl.DataFrame, sightings: pl.DataFrame) -> pl.DataFrame:
    """Return the table `double_triggers`: second records that were set aside, and possible ones that remain."""
    doubles = pl.concat([removed.with_columns(set_aside=True), possible.with_columns(set_aside=False)])
    return doubles.join(sightings.select("sighting_id", "tracker", "baseball_day"), on="sighting_id")


def add_pitch_ids(sightings: pl.DataFrame, matches: pl.DataFrame) -> pl.DataFrame:
    """Add pitch_id, match_probability and matched_by."""
    columns = matches.select("sighting_id", "match_probability", pitch_id=_PITCH_OF_GROUP, matched_by="decided_by")
    return sightings.join(columns, on="sighting_id", how="left")


def matches_of(sightings: pl.DataFrame) -> pl.DataFrame:
    """Return the matches that published sightings came from: the inverse of `add_pitch_ids`."""
    return sightings.select(
        "sighting_id", _GROUP_OF_PITCH.alias("group_id"), "match_probability", decided_by="matched_by"
    )


def add_set_aside_aliases(
    aliases: pl.DataFrame, removed: pl.DataFrame, repeats: Sequence[pl.DataFrame], matches: pl.DataFrame
) -> pl.DataFrame:
    """Add aliases of sightings that are no longer a pitch: to the pitch of the record they repeat, or to none.

    `removed`: as from `remove_non_pitches`. `repeats`: rows set aside while reading, of which copies under another id matter here, and ids
    that a sighting had before.
    """
    names = ("sighting_id", "kept_sighting_id", "baseball_day")
    copies = pl.concat(frame.select(names) for frame in repeats)
    copies = copies.filter(pl.col("sighting_id") != pl.col("kept_sighting_id"))
    # A copy of a removed second record leads to the first record.
    first_records = removed.select(kept_sighting_id="sighting_id", first="kept_sighting_id")
    copies = copies.join(first_records, on="kept_sighting_id", how="left", maintain_order="left")
    copies = copies.with_columns(kept_sighting_id=pl.coalesce("first", "kept_sighting_id"))
    gone = pl.concat([removed.select(names), copies.select(names)])
    pitches = matches.select(kept_sighting_id="sighting_id", pitch_id=_PITCH_OF_GROUP)
    gone_aliases = gone.join(pitches, on="kept_sighting_id", how="left").select(
        "baseball_day", pl.format("p{}", pl.col("sighting_id").str.slice(1)).alias("old_pitch_id"), "pitch_id"
    )
    return pl.concat([aliases, gone_aliases]).unique("old_pitch_id", keep="first").sort("old_pitch_id")


def label_runs_table(label_runs: pl.DataFrame, sightings: pl.DataFrame) -> pl.DataFrame:
    """Return the table `label_runs`, with the night of each run of labels."""
    days = sightings.select("baseball_day", first_sighting_id="sighting_id")
    return label_runs.join(days, on="first_sighting_id", how="left", maintain_order="left")
