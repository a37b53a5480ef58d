"""The outcome as frames."""

from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.matching.alignment.bands import Cells
from pipeline.matching.data.arrays import Bools, Floats, Ints, PolarsType
from pipeline.matching.data.records import METRIC_NAMES, Records
from pipeline.matching.evidence.readings import ReadingModel, metric_log_ratio
from pipeline.matching.pitches.decisions import Decided
from pipeline.matching.pitches.double_triggers import Doubles
from pipeline.matching.pitches.grouping import Groups

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
    "what": pl.String,
    "rival_of": pl.String,
}
DOUBLES = {"sighting_id": pl.String, "of_sighting_id": pl.String, "probability": pl.Float64, "time_gap_s": pl.Float64}
STATION_FINDS: dict[str, PolarsType] = {"sighting_id": pl.String, "station": pl.String, "probability": pl.Float64}
CALIBRATION = {
    **dict.fromkeys(("tracker_a", "tracker_b"), pl.String),
    "baseball_day": pl.Date,
    "metric": pl.String,
    "n": pl.UInt32,
    **dict.fromkeys(("bias", "spread", "outlier_share"), pl.Float64),
}
# decimals of published probabilities, evidence and seconds: the last bits of a sum may depend on how the work was cut into batches
PROBABILITY_DECIMALS, _NATS, _SECONDS = 6, 3, 4


class Pairs(NamedTuple):
    """Pairs of records worth telling: probability, the cell they came from (-1: a person's only), and whether a person decided."""

    first: Ints
    second: Ints
    probability: Floats
    cell: Ints
    by_person: Bools

    def take(self, keep: Bools) -> "Pairs":
        """Some of the pairs."""
        return Pairs(self.first[keep], self.second[keep], self.probability[keep], self.cell[keep], self.by_person[keep])


def candidate_pairs(records: Records, cells: Cells, doubles: Doubles, decided: Decided, reported: float) -> Pairs:
    """Cells with some probability, a double's claim given to the record that it repeats, decisions on top."""
    live = np.flatnonzero(cells.posterior >= reported / 4)
    home = np.arange(len(records.tracker))
    home[doubles.second] = doubles.first
    first, second, p = home[cells.first[live]], home[cells.second[live]], cells.posterior[live]
    order = np.lexsort((live, -p, second, first))
    first, second, p, live = first[order], second[order], p[order], live[order]
    new = (
        np.concatenate([[True], (np.diff(first) != 0) | (np.diff(second) != 0)])
        if len(first)
        else np.zeros(0, dtype=bool)
    )
    total = np.minimum(np.bincount(np.cumsum(new) - 1, p) if len(p) else p, 1.0)
    found = Pairs(first[new], second[new], total, live[new], np.zeros(int(new.sum()), dtype=bool))
    found = found._replace(probability=np.round(_shared(found, records.tracker, doubles.first), PROBABILITY_DECIMALS))
    keep = found.probability >= reported
    return _with_decisions(found.take(keep), *decided.places(records))


def _shared(pairs: Pairs, tracker: Ints, rows: Ints) -> Floats:
    """A record that took over the claims of its double has one partner of a tracker: the lesser claims share what the best leaves."""
    probability = pairs.probability.copy()
    for row in rows.tolist():
        mine = np.flatnonzero((pairs.first == row) | (pairs.second == row))
        partner = tracker[np.where(pairs.first[mine] == row, pairs.second[mine], pairs.first[mine])]
        for other in np.unique(partner).tolist():
            claims = mine[partner == other]
            lesser = claims[claims != claims[probability[claims].argmax()]]
            left, wanted = 1.0 - probability[claims].max(), probability[lesser].sum()
            if wanted > left:
                probability[lesser] *= left / wanted
    return probability


def _with_decisions(pairs: Pairs, same: list[tuple[int, int]], apart: set[tuple[int, int]]) -> Pairs:
    """A decided pair has probability 1 or 0, whatever the model says."""
    verdict = {**dict.fromkeys(same, 1.0), **dict.fromkeys(apart, 0.0)}
    if not verdict:
        return pairs
    place = {
        (min(a, b), max(a, b)): n
        for n, (a, b) in enumerate(zip(pairs.first.tolist(), pairs.second.tolist(), strict=True))
    }
    new = [pair for pair in verdict if pair not in place]
    first, second = (
        np.concatenate([column, np.array([pair[side] for pair in new], dtype=np.int64)])
        for side, column in ((0, pairs.first), (1, pairs.second))
    )
    probability = np.concatenate([pairs.probability, np.zeros(len(new))])
    cell = np.concatenate([pairs.cell, np.full(len(new), -1)])
    person = np.zeros(len(first), dtype=bool)
    for n, pair in enumerate(zip(first.tolist(), second.tolist(), strict=True)):
        key = (min(pair), max(pair))
        if key in verdict:
            probability[n], person[n] = verdict[key], True
    return Pairs(first, second, probability, cell, person)


def with_third(pairs: Pairs, groups: Groups) -> tuple[Pairs, Groups]:
    """Members of a group that were joined only by way of a third: their pair is told too, with a claim of its own of 0."""
    rows = np.unique(np.concatenate([pairs.first[groups.joined], pairs.second[groups.joined]]))
    large = np.bincount(groups.group[rows], minlength=len(groups.group)) > 2
    members: dict[int, list[int]] = {}
    for row in rows[large[groups.group[rows]]].tolist():
        members.setdefault(int(groups.group[row]), []).append(row)
    inside = large[groups.group[pairs.first]] & groups.joined
    first, second = pairs.first[inside].tolist(), pairs.second[inside].tolist()
    told = {(min(a, b), max(a, b)) for a, b in zip(first, second, strict=True)}
    new = [(a, b) for rows in members.values() for n, a in enumerate(rows) for b in rows[n + 1 :] if (a, b) not in told]
    if not new:
        return pairs, groups
    more = np.array(new, dtype=np.int64)
    none = np.zeros(len(new))
    columns = (more[:, 0], more[:, 1], none, np.full(len(new), -1), none > 0)
    pairs = Pairs(*(np.concatenate(both) for both in zip(pairs, columns, strict=True)))
    return pairs, groups._replace(joined=groups.group[pairs.first] == groups.group[pairs.second])


def only_by_third(pairs: Pairs, groups: Groups) -> Ints:
    """Pairs inside a group without a claim of their own."""
    return np.flatnonzero(groups.joined & (pairs.cell < 0) & ~pairs.by_person)


def pair_probabilities(pairs: Pairs, groups: Groups, at_most: Floats) -> Floats:
    """(pairs,). A pair of a group is as sure as the way over a third record, but no surer than `at_most` (pairs,) unless it is by itself."""
    return np.maximum(pairs.probability, np.minimum(_over_third(pairs, groups), at_most))


def record_probabilities(pairs: Pairs, groups: Groups, tracker: Ints, probability: Floats) -> Floats:
    """(records,). One of a group is as sure as its surest pair; a single is as sure as no claim on it."""
    count = np.bincount(groups.group, minlength=len(tracker))[groups.group]
    best = np.zeros(len(tracker))
    for side in (pairs.first, pairs.second):
        np.maximum.at(best, side[groups.joined], probability[groups.joined])
    claims = pairs._replace(probability=probability)
    return np.where(count > 1, best, np.round(_unclaimed(claims, tracker), PROBABILITY_DECIMALS))


def _over_third(pairs: Pairs, groups: Groups) -> Floats:
    """a and c are one pitch at least when a and b are, and b and c."""
    known: dict[tuple[int, int], float] = {}
    neighbours: dict[int, list[int]] = {}
    size = np.bincount(groups.group, minlength=1)
    inside = np.flatnonzero(groups.joined & (size[groups.group[pairs.first]] > 2))
    for n in inside.tolist():
        a, b = int(pairs.first[n]), int(pairs.second[n])
        known[(a, b)] = known[(b, a)] = float(pairs.probability[n])
        neighbours.setdefault(a, []).append(b)
        neighbours.setdefault(b, []).append(a)
    out = pairs.probability.copy()
    for n in inside.tolist():
        a, b = int(pairs.first[n]), int(pairs.second[n])
        ways = [known[(a, c)] * known[(c, b)] for c in neighbours[a] if c != b and (c, b) in known]
        out[n] = max([out[n], *ways])
    return out


def _unclaimed(pairs: Pairs, tracker: Ints) -> Floats:
    """Probability that nobody else has the record: product over the other trackers of 1 - their claims."""
    n, trackers = len(tracker), int(tracker.max()) + 1 if len(tracker) else 1
    claims = np.zeros((n, trackers))
    np.add.at(claims, (pairs.first, tracker[pairs.second]), pairs.probability)
    np.add.at(claims, (pairs.second, tracker[pairs.first]), pairs.probability)
    return np.asarray(np.prod(1 - np.minimum(claims, 1.0), axis=1))


def matches_frame(
    sightings: pl.DataFrame,
    records: Records,
    rank: Ints,
    pairs: Pairs,
    groups: Groups,
    probability: Floats,
    decided: Decided,
) -> pl.DataFrame:
    """One row per sighting: its group, named by the member of best rank."""
    ids = records.frame["sighting_id"]
    order = np.lexsort((np.arange(len(ids)), rank[records.tracker], groups.group))
    # the first of each group in this order; a group's number is that of one of its records
    best = order[np.diff(groups.group[order], prepend=-1) != 0]
    anchor = np.zeros(len(ids), dtype=np.int64)
    anchor[groups.group[best]] = best
    person = np.zeros(len(ids), dtype=bool)
    for side in (pairs.first, pairs.second):
        person[side[pairs.by_person & (pairs.probability == 1.0)]] = True
    size = np.bincount(groups.group, minlength=len(ids))[groups.group]
    by = np.where(person, 0, np.where(size > 1, 1, 2))
    located = pl.DataFrame(
        {
            "sighting_id": ids,
            "group_id": ids.gather(anchor[groups.group]),
            "match_probability": probability,
            "decided_by": pl.Series(["person", "model", "single"]).gather(by),
        },
        schema=MATCHES,
    )
    return pl.concat([located, singles(sightings, decided, except_for=records.frame)]).sort("sighting_id")


def without_doubles(matches: pl.DataFrame, doubles: pl.DataFrame, possible: pl.DataFrame) -> pl.DataFrame:
    """The matches without the records that are set aside; one that stands for another is as sure as that the other repeats it, and one
    that may repeat another as sure as that it does not."""
    told = pl.concat(
        [
            doubles.select(pl.col("of_sighting_id").alias("sighting_id"), sure="probability"),
            possible.select("sighting_id", sure=1 - pl.col("probability")),
        ]
    )
    told = told.group_by("sighting_id").agg(pl.col("sure").product())
    left = matches.join(doubles, on="sighting_id", how="anti").join(told, on="sighting_id", how="left")
    sure = (pl.col("match_probability") * pl.col("sure").fill_null(1.0)).round(PROBABILITY_DECIMALS)
    return left.with_columns(match_probability=sure).select(list(MATCHES)).sort("sighting_id")


def singles(sightings: pl.DataFrame, decided: Decided, except_for: pl.DataFrame) -> pl.DataFrame:
    """Sightings that nothing can match: without a station, or of which a person said that they are no pitch."""
    alone = sightings.select("sighting_id").join(except_for, on="sighting_id", how="anti")
    by = pl.when(pl.col("sighting_id").is_in(list(decided.no_pitch))).then(pl.lit("person")).otherwise(pl.lit("single"))
    return alone.select(
        "sighting_id",
        pl.col("sighting_id").alias("group_id"),
        pl.lit(1.0).alias("match_probability"),
        by.alias("decided_by"),
    )


def pairs_frame(
    records: Records,
    rank: Ints,
    pairs: Pairs,
    groups: Groups,
    probability: Floats,
    cells: Cells,
    model: ReadingModel,
    which: Ints,
) -> pl.DataFrame:
    """One row per pair, better rank first, with what each kind of evidence said and the pair that it contends with."""
    a, b = pairs.first, pairs.second
    swap = (rank[records.tracker[a]] > rank[records.tracker[b]]) if len(a) else np.zeros(0, dtype=bool)
    left, right = np.where(swap, b, a), np.where(swap, a, b)
    told = pairs.cell >= 0
    cell = np.maximum(pairs.cell, 0)
    if not len(cells.unit):
        cell, told = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=bool)
    known = [np.where(told, values[cell], np.nan) for values in (cells.time, cells.readings, cells.label)]
    gap = np.where(told, np.where(swap, -cells.time_gap_s[cell], cells.time_gap_s[cell]), np.nan)
    logit = np.log(np.clip(pairs.probability, 1e-6, 1 - 1e-6)) - np.log1p(-np.clip(pairs.probability, 1e-6, 1 - 1e-6))
    one, other = records.frame[left], records.frame.select("sighting_id", "tracker")[right]
    frame = pl.DataFrame(
        {
            "sighting_a": one["sighting_id"],
            "sighting_b": other["sighting_id"],
            "tracker_a": one["tracker"],
            "tracker_b": other["tracker"],
            **{name: one[name] for name in ("venue", "station", "baseball_day")},
            "probability": probability,
            "merged": groups.joined,
            "decided_by": pl.Series(["model", "person"]).gather(pairs.by_person.astype(np.int64)),
            "time_gap_s": gap.round(_SECONDS),
            "time_evidence": known[0].round(_NATS),
            "reading_evidence": known[1].round(_NATS),
            "label_evidence": known[2].round(_NATS),
            "order_evidence": (logit - sum(known)).round(_NATS),
            "what": _loudest(records, cells, cell, told, model, which),
            "rival_of": _rivals(records.frame["sighting_id"], pairs, groups, probability),
        },
        schema=MATCH_PAIRS,
    )
    told_frame = frame.lazy().with_columns(pl.col(pl.Float64).fill_nan(None))
    return told_frame.sort("baseball_day", "venue", "station", "sighting_a", "sighting_b").collect()


def _loudest(records: Records, cells: Cells, cell: Ints, told: Bools, model: ReadingModel, which: Ints) -> pl.Series:
    """The three readings that said most, for or against."""
    if not len(cell):
        return pl.Series(dtype=pl.String)
    order = np.argsort(cell, kind="stable")
    at = cell[order]
    say = np.zeros((len(cell), len(METRIC_NAMES)))
    say[order] = metric_log_ratio(model, which[cells.unit[at]], records.readings, cells.first[at], cells.second[at])
    top = np.argsort(-np.abs(say), axis=1, kind="stable")[:, :3]
    loudest = np.take_along_axis(say, top, axis=1).round(1)
    said = pl.DataFrame({f"at_{n}": top[:, n] for n in range(3)}).with_columns(
        pl.Series(f"say_{n}", np.where(told, loudest[:, n], 0.0)) for n in range(3)
    )
    text = pl.concat_str(
        [_word(pl.col(f"at_{n}"), pl.col(f"say_{n}")) for n in range(3)], separator="; ", ignore_nulls=True
    )
    return said.select(pl.when(text != "").then(text)).to_series()


def _word(metric: pl.Expr, say: pl.Expr) -> pl.Expr:
    """A metric, by its number, and what it said; null where it said nothing."""
    sign = pl.when(say > 0).then(pl.lit("+")).otherwise(pl.lit(""))
    return pl.when(say != 0).then(pl.format("{} {}{}", pl.lit(pl.Series(METRIC_NAMES)).gather(metric), sign, say))


def _rivals(ids: pl.Series, pairs: Pairs, groups: Groups, probability: Floats) -> pl.Series:
    """For a pair that was not merged: the sighting of it that stands in a likelier pair."""
    held = np.zeros(len(ids))
    for side in (pairs.first, pairs.second):
        np.maximum.at(held, side[groups.joined], probability[groups.joined])
    contended = np.where(held[pairs.first] >= held[pairs.second], pairs.first, pairs.second)
    return ids.gather(pl.Series(contended).set(pl.Series(groups.joined | (held[contended] == 0)), None))


def doubles_frame(records: Records, doubles: Doubles) -> pl.DataFrame:
    """One row per record that repeats another of the same tracker, or may."""
    ids = records.frame["sighting_id"]
    frame = pl.DataFrame(
        {
            "sighting_id": ids.gather(doubles.second),
            "of_sighting_id": ids.gather(doubles.first),
            "probability": doubles.probability.round(PROBABILITY_DECIMALS),
            "time_gap_s": doubles.gap_s.round(_SECONDS),
        },
        schema=DOUBLES,
    )
    return frame.with_columns(pl.col("time_gap_s").fill_nan(None)).sort("sighting_id", "of_sighting_id")


def calibration_frame(statistics: pl.DataFrame, records: Records, rank: Ints) -> pl.DataFrame:
    """Stage 1's statistics for people: better rank first, one row per pair, day and metric."""
    place = {name: int(r) for name, r in zip(records.trackers, rank, strict=True)}
    swap = pl.col("tracker_a").replace_strict(place, default=0) > pl.col("tracker_b").replace_strict(place, default=0)
    today = statistics.join(records.frame.select("baseball_day").unique(), on="baseball_day", how="semi")
    lists = ("n", "bias", "spread", "outlier_share")
    one = today.lazy().select("tracker_a", "tracker_b", "baseball_day", *(pl.col(c).arr.to_list() for c in lists))
    one = one.with_columns(pl.lit(list(METRIC_NAMES)).alias("name")).explode("name", *lists).filter(pl.col("n") >= 1)
    n = pl.col("n")
    return (
        one.select(
            pl.when(swap).then("tracker_b").otherwise("tracker_a").alias("tracker_a"),
            pl.when(swap).then("tracker_a").otherwise("tracker_b").alias("tracker_b"),
            "baseball_day",
            pl.col("name").alias("metric"),
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
