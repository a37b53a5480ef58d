"""Turn pitches, pairs, double triggers and statistics into the frames of the contract."""

import numpy as np
import polars as pl

from pipeline.matching.data.arrays import Bools, Ints, PolarsType
from pipeline.matching.data.records import METRIC_NAMES, Records, build_records
from pipeline.matching.evidence.readings import metric_log_ratio
from pipeline.matching.pitches.decisions import Decisions
from pipeline.matching.pitches.double_triggers import Doubles, FoundDoubles, find_unplaced_doubles
from pipeline.matching.pitches.final_fit import FinalFit
from pipeline.matching.pitches.form_pitches import Pitches
from pipeline.matching.pitches.pairs import PROBABILITY_DECIMALS, REPORTED, record_probabilities

MATCHES = {"sighting_id": pl.String, "group_id": pl.String, "match_probability": pl.Float64, "decided_by": pl.String}
MATCH_PAIRS = {
    **dict.fromkeys(("sighting_a", "sighting_b", "tracker_a", "tracker_b", "venue", "station"), pl.String),
    "baseball_day": pl.Date,
    "probability": pl.Float64,
    "merged": pl.Boolean,
    "decided_by": pl.String,
    **dict.fromkeys(
        ("time_gap_s", "time_evidence", "reading_evidence", "label_evidence", "order_evidence"), pl.Float64
    ),
    "strongest_readings": pl.String,
    "competing_sighting_id": pl.String,
}
DOUBLES = {"sighting_id": pl.String, "kept_sighting_id": pl.String, "probability": pl.Float64, "time_gap_s": pl.Float64}
STATION_FINDS: dict[str, PolarsType] = {"sighting_id": pl.String, "station": pl.String, "probability": pl.Float64}
CALIBRATION = {
    **dict.fromkeys(("tracker_a", "tracker_b"), pl.String),
    "baseball_day": pl.Date,
    "metric": pl.String,
    "n": pl.UInt32,
    **dict.fromkeys(("bias", "spread", "outlier_share"), pl.Float64),
}
# Decimals of published evidence, in nats, and of published seconds. The last bits of a sum may depend on how the work was cut into batches.
_NATS_DECIMALS = 3
_SECONDS_DECIMALS = 4
# Readings that a pair names: those with the most evidence, for or against.
_NAMED_READINGS = 3


def matches_frame(
    sightings: pl.DataFrame, records: Records, rank: Ints, pitches: Pitches, decisions: Decisions
) -> pl.DataFrame:
    """Return one row per sighting: its group, named by the group's best-ranked record, and the group's probability."""
    pairs, groups = pitches.pairs, pitches.groups
    ids = records.frame["sighting_id"]
    order = np.lexsort((np.arange(len(ids)), rank[records.tracker], groups.group))
    best = order[np.diff(groups.group[order], prepend=-1) != 0]
    # A group's number is one of its records.
    named_by = np.zeros(len(ids), dtype=np.int64)
    named_by[groups.group[best]] = best
    by_person = np.zeros(len(ids), dtype=bool)
    for record in (pairs.first, pairs.second):
        by_person[record[pairs.by_person & (pairs.probability == 1.0)]] = True
    size = np.bincount(groups.group, minlength=len(ids))[groups.group]
    decided_by = np.where(by_person, 0, np.where(size > 1, 1, 2))
    located = pl.DataFrame(
        {
            "sighting_id": ids,
            "group_id": ids.gather(named_by[groups.group]),
            "match_probability": record_probabilities(pairs, groups, records.tracker, pitches.probability),
            "decided_by": pl.Series(["person", "model", "single"]).gather(decided_by),
        },
        schema=MATCHES,
    )
    return pl.concat([located, _unmatchable(sightings, records, decisions)]).sort("sighting_id")


def _unmatchable(sightings: pl.DataFrame, records: Records, decisions: Decisions) -> pl.DataFrame:
    """Return rows for sightings without a station, and for those that a person called no pitch."""
    alone = sightings.select("sighting_id").join(records.frame, on="sighting_id", how="anti")
    by_person = pl.col("sighting_id").is_in(list(decisions.no_pitch))
    return alone.select(
        "sighting_id",
        pl.col("sighting_id").alias("group_id"),
        pl.lit(1.0).alias("match_probability"),
        pl.when(by_person).then(pl.lit("person")).otherwise(pl.lit("single")).alias("decided_by"),
    )


def set_doubles_aside(matches: pl.DataFrame, doubles: pl.DataFrame, possible: pl.DataFrame) -> pl.DataFrame:
    """Drop double records that are set aside, and lower the probability of pitches that may rest on a double trigger.

    A record that another one repeats is as sure as that the other does; one that may repeat another, as sure as that it does not.
    """
    factors = pl.concat(
        [
            doubles.select(pl.col("kept_sighting_id").alias("sighting_id"), factor="probability"),
            possible.select("sighting_id", factor=1 - pl.col("probability")),
        ]
    )
    factors = factors.group_by("sighting_id").agg(pl.col("factor").product())
    kept = matches.join(doubles, on="sighting_id", how="anti").join(factors, on="sighting_id", how="left")
    probability = (pl.col("match_probability") * pl.col("factor").fill_null(1.0)).round(PROBABILITY_DECIMALS)
    return kept.with_columns(match_probability=probability).select(list(MATCHES)).sort("sighting_id")


def pairs_frame(final: FinalFit, rank: Ints, pitches: Pitches) -> pl.DataFrame:
    """Return one row per pair, better rank first, with each kind of evidence in nats and the likelier pair that excludes it."""
    records, cells, pairs = final.records, final.fit.cells, pitches.pairs
    a, b = pairs.first, pairs.second
    swap = (rank[records.tracker[a]] > rank[records.tracker[b]]) if len(a) else np.zeros(0, dtype=bool)
    left, right = np.where(swap, b, a), np.where(swap, a, b)
    has_cell = pairs.cell >= 0
    cell = np.maximum(pairs.cell, 0)
    if not len(cells.stream_pair):
        cell, has_cell = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=bool)
    kinds = (cells.time, cells.readings, cells.label, cells.order)
    evidence = [np.where(has_cell, values[cell], np.nan) for values in kinds]
    # of a pair that took over the pairs of a double record, the alignment took the two records for rivals
    shared = pairs.probability > cells.posterior[cell] + 10**-PROBABILITY_DECIMALS
    evidence[3] = np.where(shared, np.nan, evidence[3])
    gap_s = np.where(has_cell, np.where(swap, -cells.time_gap_s[cell], cells.time_gap_s[cell]), np.nan)
    frame_a, frame_b = records.frame[left], records.frame.select("sighting_id", "tracker")[right]
    frame = pl.DataFrame(
        {
            "sighting_a": frame_a["sighting_id"],
            "sighting_b": frame_b["sighting_id"],
            "tracker_a": frame_a["tracker"],
            "tracker_b": frame_b["tracker"],
            **{name: frame_a[name] for name in ("venue", "station", "baseball_day")},
            "probability": pitches.probability,
            "merged": pitches.groups.joined,
            "decided_by": pl.Series(["model", "person"]).gather(pairs.by_person.astype(np.int64)),
            "time_gap_s": gap_s.round(_SECONDS_DECIMALS),
            "time_evidence": evidence[0].round(_NATS_DECIMALS),
            "reading_evidence": evidence[1].round(_NATS_DECIMALS),
            "label_evidence": evidence[2].round(_NATS_DECIMALS),
            "order_evidence": evidence[3].round(_NATS_DECIMALS),
            "strongest_readings": _strongest_readings(final, cell, has_cell),
            "competing_sighting_id": _rivals(records.frame["sighting_id"], pitches),
        },
        schema=MATCH_PAIRS,
    )
    with_nulls = frame.lazy().with_columns(pl.col(pl.Float64).fill_nan(None))
    return with_nulls.sort("baseball_day", "venue", "station", "sighting_a", "sighting_b").collect()


def _strongest_readings(final: FinalFit, cell: Ints, has_cell: Bools) -> pl.Series:
    """Return the readings with the most evidence, such as "plate_side_ft +2.1; extension_ft -0.4" (nats)."""
    if not len(cell):
        return pl.Series(dtype=pl.String)
    cells = final.fit.cells
    # The evidence wants its pairs sorted by model, as the cells are.
    order = np.argsort(cell, kind="stable")
    at = cell[order]
    evidence = np.zeros((len(cell), len(METRIC_NAMES)))
    evidence[order] = metric_log_ratio(
        final.models.readings,
        final.model_of[cells.stream_pair[at]],
        final.records.readings,
        cells.first[at],
        cells.second[at],
    )
    top = np.argsort(-np.abs(evidence), axis=1, kind="stable")[:, :_NAMED_READINGS]
    nats = np.where(has_cell[:, None], np.take_along_axis(evidence, top, axis=1).round(1), 0.0)
    named = pl.DataFrame({f"metric_{n}": top[:, n] for n in range(_NAMED_READINGS)}).with_columns(
        pl.Series(f"nats_{n}", nats[:, n]) for n in range(_NAMED_READINGS)
    )
    words = [_reading_words(pl.col(f"metric_{n}"), pl.col(f"nats_{n}")) for n in range(_NAMED_READINGS)]
    text = pl.concat_str(words, separator="; ", ignore_nulls=True)
    return named.select(pl.when(text != "").then(text)).to_series()


def _reading_words(metric: pl.Expr, nats: pl.Expr) -> pl.Expr:
    """Return a metric's name and its evidence; null where it has none."""
    sign = pl.when(nats > 0).then(pl.lit("+")).otherwise(pl.lit(""))
    name = pl.lit(pl.Series(METRIC_NAMES)).gather(metric)
    return pl.when(nats != 0).then(pl.format("{} {}{}", name, sign, nats))


def _rivals(ids: pl.Series, pitches: Pitches) -> pl.Series:
    """Return for each pair that was not merged the sighting of it that is in a likelier pair."""
    pairs, joined = pitches.pairs, pitches.groups.joined
    likeliest = np.zeros(len(ids))
    for record in (pairs.first, pairs.second):
        np.maximum.at(likeliest, record[joined], pitches.probability[joined])
    taken = np.where(likeliest[pairs.first] >= likeliest[pairs.second], pairs.first, pairs.second)
    return ids.gather(pl.Series(taken).set(pl.Series(joined | (likeliest[taken] == 0)), None))


def doubles_frames(
    sightings: pl.DataFrame, final: FinalFit, found: FoundDoubles, decisions: Decisions
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return (set aside, possible) double triggers: those `found`, and those among `sightings` whose station stays unknown."""
    lost = sightings.filter(pl.col("station").is_null())
    unplaced = build_records(lost.with_columns(station=pl.lit("unknown")))
    found_there = find_unplaced_doubles(unplaced, final, decisions.row_pairs(unplaced)[1], REPORTED)
    aside, possible = (
        pl.concat([_doubles_frame(final.records, placed), _doubles_frame(unplaced, there)])
        for placed, there in zip(found, found_there, strict=True)
    )
    return aside.sort("sighting_id", "kept_sighting_id"), possible.sort("sighting_id", "kept_sighting_id")


def _doubles_frame(records: Records, doubles: Doubles) -> pl.DataFrame:
    """Return one row per record that repeats another of the same tracker, or may."""
    ids = records.frame["sighting_id"]
    frame = pl.DataFrame(
        {
            "sighting_id": ids.gather(doubles.second),
            "kept_sighting_id": ids.gather(doubles.first),
            "probability": doubles.probability.round(PROBABILITY_DECIMALS),
            "time_gap_s": doubles.gap_s.round(_SECONDS_DECIMALS),
        },
        schema=DOUBLES,
    )
    return frame.with_columns(pl.col("time_gap_s").fill_nan(None))


def calibration_frame(statistics: pl.DataFrame, records: Records, rank: Ints) -> pl.DataFrame:
    """Return the days' statistics for people: one row per tracker pair, day and metric, better rank first."""
    place = {name: int(r) for name, r in zip(records.trackers, rank, strict=True)}
    swap = pl.col("tracker_a").replace_strict(place, default=0) > pl.col("tracker_b").replace_strict(place, default=0)
    days = statistics.join(records.frame.select("baseball_day").unique(), on="baseball_day", how="semi")
    lists = ("n", "bias", "spread", "outlier_share")
    by_metric = days.lazy().select("tracker_a", "tracker_b", "baseball_day", *(pl.col(c).arr.to_list() for c in lists))
    by_metric = by_metric.with_columns(pl.lit(list(METRIC_NAMES)).alias("metric")).explode("metric", *lists)
    n = pl.col("n")
    return (
        by_metric.filter(n >= 1)
        .select(
            pl.when(swap).then("tracker_b").otherwise("tracker_a").alias("tracker_a"),
            pl.when(swap).then("tracker_a").otherwise("tracker_b").alias("tracker_b"),
            "baseball_day",
            "metric",
            n,
            pl.when(swap).then(-pl.col("bias")).otherwise("bias").alias("bias"),
            "spread",
            "outlier_share",
        )
        .group_by("tracker_a", "tracker_b", "baseball_day", "metric")
        .agg(
            n.sum().round().cast(pl.UInt32),
            *((pl.col(c) * n).sum() / n.sum() for c in ("bias", "spread", "outlier_share")),
        )
        .sort("baseball_day", "tracker_a", "tracker_b", "metric")
        .select(list(CALIBRATION))
        .with_columns(pl.col(pl.Float64).round_sig_figs(6))
        .collect()
    )
