"""Build the tables that account for exports and settings: what became of each row, and where each metric came from."""

from collections.abc import Collection, Iterable, Mapping
from datetime import datetime

import polars as pl

from pipeline.incremental.plan import DROP, Plan
from pipeline.incremental.previous_run import History
from pipeline.settings.ledger import Ledger
from pipeline.settings.people import SIGHTING_KINDS, named_sightings
from schemas.metrics import METRICS
from schemas.trackers import TRACKERS


def count_sightings(sightings: pl.DataFrame) -> pl.DataFrame:
    """Count sightings by export and night, with their first and last time."""
    return (
        sightings.group_by("baseball_day", "file_id")
        .agg(
            sightings=pl.len().cast(pl.UInt32),
            first_thrown_at=pl.col("thrown_at").min(),
            last_thrown_at=pl.col("thrown_at").max(),
        )
        .sort("baseball_day", "file_id")
    )


def count_metrics(sightings: pl.DataFrame) -> pl.DataFrame:
    """Count sightings by tracker and night, and how many of them have each metric."""
    return (
        sightings.group_by("baseball_day", "tracker")
        .agg(pl.len().cast(pl.UInt32).alias("sightings"), pl.col(*METRICS).count().cast(pl.UInt32))
        .sort("baseball_day", "tracker")
    )


def files_table(facts: pl.DataFrame, sighting_counts: pl.DataFrame, tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Return the table `files`, with the counts of law 1: rows = sightings + repeats + no-pitch rows + quarantined rows.

    `facts`: of all exports. `sighting_counts`: of all nights (`count_sightings`). `tables`: set_aside and quarantine, complete.
    """
    by_file = sighting_counts.group_by("file_id").agg(
        sightings=pl.col("sightings").sum(),
        first_thrown_at=pl.col("first_thrown_at").min(),
        last_thrown_at=pl.col("last_thrown_at").max(),
        baseball_day_first=pl.col("baseball_day").min(),
        baseball_day_last=pl.col("baseball_day").max(),
    )
    no_pitch = pl.col("kind") == "no_pitch"
    set_aside = tables["set_aside"].group_by("file_id").agg(no_pitch=no_pitch.sum(), repeats=(~no_pitch).sum())
    refused_rows = tables["quarantine"].filter(pl.col("level") == "row")
    refused = refused_rows.group_by("file_id").agg(quarantined=pl.col("file_row").n_unique())
    files = facts
    for counts in (by_file, set_aside, refused):
        files = files.join(counts, on="file_id", how="left")
    # A file_id comes from the bytes: of two identical files, only the one that was read has counts.
    files = files.with_columns(
        pl.when(pl.col("status") != "read")
        .then(pl.lit(0))
        .otherwise(pl.col(name).fill_null(0))
        .cast(pl.UInt32)
        .alias(name)
        for name in ("sightings", "repeats", "no_pitch", "quarantined")
    )
    is_repeat, is_refused = (pl.col("status") == status for status in ("repeat", "quarantined"))
    return files.with_columns(
        repeats=pl.when(is_repeat).then("rows").otherwise("repeats"),
        # of a file that was refused, as far as they could be counted
        quarantined=pl.when(is_refused).then("rows").otherwise("quarantined"),
    )


def with_presence(facts: pl.DataFrame, plan: Plan, now: datetime) -> pl.DataFrame:
    """Set first_seen_at and gone_since of each export: as before, or `now` where it is new or has gone since the previous run."""
    by = ["tracker", "file_name"]
    gone = pl.DataFrame(sorted(plan.gone), schema=dict.fromkeys(by, pl.String), orient="row").with_columns(is_gone=True)
    known = facts.drop("first_seen_at", "gone_since").join(plan.seen, on=by, how="left", maintain_order="left")
    known = known.join(gone, on=by, how="left", maintain_order="left")
    this_run = pl.lit(now, pl.Datetime("us", "UTC"))
    return known.with_columns(
        first_seen_at=pl.coalesce("first_seen_at", this_run),
        gone_since=pl.when("is_gone").then(pl.coalesce("gone_since", this_run)),
    ).select(facts.columns)


def metric_sources_table(file_sources: pl.DataFrame, metric_counts: pl.DataFrame) -> pl.DataFrame:
    """Return the table `metric_sources`: lines of files merged by tracker, with counts of the sightings that remain."""
    by = [name for name in file_sources.columns if name not in ("file_id", "sightings", "measured", "affected")]
    lines = file_sources.group_by(by).agg(pl.col("affected").sum())
    has_reason = pl.col("null_reason").is_not_null().any().over("tracker", "metric")
    lines = lines.filter(pl.col("null_reason").is_not_null() | ~has_reason)
    totals = metric_counts.group_by("tracker").agg(pl.col("sightings", *METRICS).sum())
    counts = totals.unpivot(
        list(METRICS), index=["tracker", "sightings"], variable_name="metric", value_name="measured"
    )
    joined = lines.join(counts, on=["tracker", "metric"], how="left")
    return joined.with_columns(pl.col("sightings", "measured").fill_null(0))


def unknown_labels_table(file_labels: pl.DataFrame) -> pl.DataFrame:
    """Return the table `unknown_labels`: the lines of all files, added up."""
    return file_labels.group_by("tracker", "field", "label", "became").agg(pl.col("rows").sum())


def settings_table(ledger: Ledger) -> pl.DataFrame:
    """Return the table `settings`: those that the views use."""
    rows = [
        ("gap_share", ledger.gaps.share, "a tracker has a gap where it saw less than this share of another's pitches"),
        ("doubtful_below", ledger.matching.doubtful_below, "pitches matched with a lower probability need a review"),
        ("merge_above", ledger.matching.merge_above, "two sightings become one pitch above this match probability"),
    ]
    return pl.DataFrame(rows, schema={"setting": pl.String, "value": pl.Float64, "meaning": pl.String}, orient="row")


def trackers_table(ledger: Ledger) -> pl.DataFrame:
    """Return the table `trackers`."""
    rows = [
        {
            "tracker": tracker.id,
            "name": tracker.name,
            "venue": tracker.venue,
            "stations": ",".join(tracker.stations),
            "rank": tracker.rank,
            "time_zone": tracker.time_zone,
            "expected_days": ",".join(tracker.expect.days) or None,
            "late_after_h": float(tracker.expect.within_h),
        }
        for tracker in ledger.trackers
    ]
    return pl.DataFrame(rows, schema=TRACKERS.polars_schema())


def decisions_table(
    decisions: pl.DataFrame, sightings: Collection[str], tables: Mapping[str, pl.DataFrame]
) -> pl.DataFrame:
    """Return the table `decisions`, with a note on each decision that has no effect.

    `sightings`: the ids among those that decisions name that exist (`find_sightings`). `tables`: players and files, complete.
    """
    missing = [name for name in named_sightings(decisions) if name not in sightings]
    names_missing = pl.col("kind").is_in(SIGHTING_KINDS) & pl.any_horizontal(pl.col("subject", "object").is_in(missing))
    present = tables["files"].filter(pl.col("gone_since").is_null()).select("tracker", subject="file_name").unique()
    players = tables["players"].get_column("player_id")
    joined = decisions.join(
        present.with_columns(in_inbox=True), on=["tracker", "subject"], how="left", maintain_order="left"
    )
    note = (
        pl.when(names_missing)
        .then(pl.lit("names a sighting that does not exist"))
        .when((pl.col("kind") == "thrown_by") & ~pl.col("object").is_in(players.implode()))
        .then(pl.format("names player {}, who is neither on the roster nor named by any label", "object"))
        .when((pl.col("kind") == DROP) & pl.col("in_inbox"))
        .then(pl.lit("names an export that is still in its inbox: remove it from there first"))
    )
    return joined.with_columns(note=note).drop("in_inbox")


def find_sightings(decisions: pl.DataFrame, fresh: Iterable[pl.DataFrame], history: History) -> set[str]:
    """Return the sightings that decisions name and that exist: in the `fresh` frames, or on other nights."""
    named = named_sightings(decisions)
    if not named:
        return set()
    parts = [frame.lazy().select("sighting_id") for frame in fresh]
    others = (history.scan(name).filter(history.is_other_night()) for name in ("sightings", "set_aside"))
    parts += [other.select("sighting_id") for other in others]
    found = pl.concat(part.filter(pl.col("sighting_id").is_in(named)) for part in parts).collect()
    return set(found.get_column("sighting_id").to_list())
