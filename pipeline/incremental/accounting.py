"""The tables that account for exports and settings: how many rows became what, and where each metric came from."""

from collections.abc import Collection
from datetime import date, datetime

import polars as pl

from pipeline.incremental.plan import DROP, Plan
from pipeline.settings.ledger import Ledger
from pipeline.settings.people import ON_SIGHTINGS, named_sightings
from pipeline.words import day_range_words, pluralize
from schemas.metrics import METRICS
from schemas.trackers import TRACKERS


def standing_rows(sightings: pl.DataFrame) -> pl.DataFrame:
    """By export and night: how many of its rows stand as sightings, and from when to when."""
    return (
        sightings.group_by("baseball_day", "file_id")
        .agg(
            sightings=pl.len().cast(pl.UInt32),
            first_thrown_at=pl.col("thrown_at").min(),
            last_thrown_at=pl.col("thrown_at").max(),
        )
        .sort("baseball_day", "file_id")
    )


def measured_rows(sightings: pl.DataFrame) -> pl.DataFrame:
    """By tracker and night: sightings, and how many of them have each metric."""
    return (
        sightings.group_by("baseball_day", "tracker")
        .agg(pl.len().cast(pl.UInt32).alias("sightings"), pl.col(*METRICS).count().cast(pl.UInt32))
        .sort("baseball_day", "tracker")
    )


def count_files(
    facts: pl.DataFrame,
    standing: pl.DataFrame,
    set_aside: pl.DataFrame,
    quarantine: pl.DataFrame,
    plan: Plan,
    now: datetime,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The table `files`, with the counts of law 1 (rows = sightings + repeats + no-pitch rows + quarantined rows), and the facts as they are now.

    `now` is since when an export is there, or gone, where that is new.
    """
    facts = _since_when(facts, plan, now)
    kept = standing.group_by("file_id").agg(
        sightings=pl.col("sightings").sum(),
        first_thrown_at=pl.col("first_thrown_at").min(),
        last_thrown_at=pl.col("last_thrown_at").max(),
        baseball_day_first=pl.col("baseball_day").min(),
        baseball_day_last=pl.col("baseball_day").max(),
    )
    no_pitch = pl.col("kind") == "no_pitch"
    aside = set_aside.group_by("file_id").agg(no_pitch=no_pitch.sum(), repeats=(~no_pitch).sum())
    rows = (
        quarantine.filter(pl.col("level") == "row").group_by("file_id").agg(quarantined=pl.col("file_row").n_unique())
    )
    files = facts
    for counts in (kept, aside, rows):
        files = files.join(counts, on="file_id", how="left")
    # a file_id is of the bytes: of two files alike, the counts are those of the one that was read
    files = files.with_columns(
        pl.when(pl.col("status") != "read")
        .then(pl.lit(0))
        .otherwise(pl.col(name).fill_null(0))
        .cast(pl.UInt32)
        .alias(name)
        for name in ("sightings", "repeats", "no_pitch", "quarantined")
    )
    again = pl.col("status") == "repeat"
    return files.with_columns(repeats=pl.when(again).then("rows").otherwise("repeats")), facts


def _since_when(facts: pl.DataFrame, plan: Plan, now: datetime) -> pl.DataFrame:
    by = ["tracker", "file_name"]
    gone = pl.DataFrame(sorted(plan.gone), schema=dict.fromkeys(by, pl.String), orient="row").with_columns(is_gone=True)
    told = facts.drop("first_seen_at", "gone_since").join(plan.seen, on=by, how="left", maintain_order="left")
    told = told.join(gone, on=by, how="left", maintain_order="left")
    this_run = pl.lit(now, pl.Datetime("us", "UTC"))
    return told.with_columns(
        first_seen_at=pl.coalesce("first_seen_at", this_run),
        gone_since=pl.when("is_gone").then(pl.coalesce("gone_since", this_run)),
    ).select(facts.columns)


def sources_of_trackers(of_files: pl.DataFrame, measured: pl.DataFrame) -> pl.DataFrame:
    """The lines of all files as lines of their tracker: the counts are those of the sightings that stand, the reasons add up over files."""
    line = [name for name in of_files.columns if name not in ("file_id", "sightings", "measured", "affected")]
    lines = of_files.group_by(line).agg(pl.col("affected").sum())
    has_reason = pl.col("null_reason").is_not_null().any().over("tracker", "metric")
    lines = lines.filter(pl.col("null_reason").is_not_null() | ~has_reason)
    in_all = measured.group_by("tracker").agg(pl.col("sightings", *METRICS).sum())
    counts = in_all.unpivot(
        list(METRICS), index=["tracker", "sightings"], variable_name="metric", value_name="measured"
    )
    joined = lines.join(counts, on=["tracker", "metric"], how="left")
    return joined.with_columns(pl.col("sightings", "measured").fill_null(0))


def words_of_trackers(of_files: pl.DataFrame) -> pl.DataFrame:
    """The table `unknown_labels`: the lines of all files added up."""
    return of_files.group_by("tracker", "field", "label", "became").agg(pl.col("rows").sum())


def settings_table(ledger: Ledger) -> pl.DataFrame:
    """The settings that the views go by."""
    rows = [
        ("gap_share", ledger.gaps.share, "a night has a gap where a tracker saw under this share of what another saw"),
        (
            "doubtful_below",
            ledger.matching.doubtful_below,
            "pitches matched with less probability are on the review list",
        ),
        ("merge_above", ledger.matching.merge_above, "two sightings are merged above this probability"),
    ]
    return pl.DataFrame(rows, schema={"setting": pl.String, "value": pl.Float64, "meaning": pl.String}, orient="row")


def trackers_table(ledger: Ledger) -> pl.DataFrame:
    """The table `trackers`."""
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
    decisions: pl.DataFrame, known: Collection[str], players: pl.DataFrame, files: pl.DataFrame
) -> pl.DataFrame:
    """The table `decisions`: those without effect say why. `known`: the ids that are sightings, among those that decisions name."""
    strange = [name for name in named_sightings(decisions) if name not in known]
    unknown = pl.col("kind").is_in(ON_SIGHTINGS) & pl.any_horizontal(pl.col("subject", "object").is_in(strange))
    there = files.filter(pl.col("gone_since").is_null()).select("tracker", subject="file_name").unique()
    held = decisions.join(there.with_columns(held=True), on=["tracker", "subject"], how="left", maintain_order="left")
    note = (
        pl.when(unknown)
        .then(pl.lit("names a sighting that is not there"))
        .when((pl.col("kind") == "thrown_by") & ~pl.col("object").is_in(players.get_column("player_id").implode()))
        .then(pl.format("names {}, whom neither the roster nor any label names", "object"))
        .when((pl.col("kind") == DROP) & pl.col("held"))
        .then(pl.lit("names an export that lies in its inbox: take it out there first"))
    )
    return held.with_columns(note=note).drop("held")


def nights_told(nights: Collection[date], all_nights: bool) -> str:
    """Return how many nights were processed, in words."""
    if not nights:
        return "no pitches in any export" if all_nights else "no night changed"
    return f"{pluralize(len(nights), 'night')}, {day_range_words(min(nights), max(nights))}"
