"""Find double triggers: one tracker recorded one pitch twice, half a second to two and a half seconds apart."""

from datetime import date
from typing import NamedTuple

import numpy as np

from pipeline.matching.alignment.bands import Cells
from pipeline.matching.data.arrays import Floats, Ints
from pipeline.matching.data.records import Records
from pipeline.matching.data.streams import COARSE_S, Stream, find_streams
from pipeline.matching.evidence.labels import label_evidence
from pipeline.matching.evidence.readings import ReadingModel, log_ratio, start_model
from pipeline.matching.learning.day_models import START_TRUST, median_and_spread
from pipeline.matching.pitches.final_fit import FinalFit

# No two pitches reach one plate this soon after each other, in seconds; on two mounds they do. Common practice, no source.
_LONGEST_S = 2.7
# Waits up to this many seconds, and above the last, count as "soon": they show how often two mounds are in use at once.
_SOON_S = 6.0
# Share of the second records of a double trigger that are fragments: their readings say nothing. Common practice, no source.
_FRAGMENT = 0.2
# Usual time between the two records of a double trigger, in seconds; common practice, no source.
_USUAL_S = 1.2
# Prior share of pitches that a tracker records twice; common practice, no source.
_DOUBLE_SHARE = 0.007
# Share of neighbors within `_LONGEST_S` that are two pitches where one mound is in use; a guess, no source.
_CHANCE_FLOOR = 0.0007
# Part of the "soon" share that would fall within `_LONGEST_S`; a guess, no source.
_SOON_FACTOR = 0.5
# Evidence, in nats, that neighbors without fine stamps need; a guess, no source.
_UNTIMED_EVIDENCE = 5.0
# Metrics that both records must have where there is no fine clock; a guess, no source.
_UNTIMED_METRICS = 3
# Evidence, in nats, of one reading that agrees to the last digit: two pitches share a speed with one decimal once in 30 ...
_COPY_EVIDENCE = 4.0
# ... and of all such readings together at most.
_COPY_CAP = 12.0
# Prior number of waits that were not soon, so that two short waits of a small file do not count as two mounds; a guess, no source.
_PRIOR_WAITS = 100.0
# Evidence, in nats, of what can not be a double trigger: no prior lifts it.
_IMPOSSIBLE = -50.0
# Prior share of a tracker's pitches that another one sees; a guess, no source ...
_SEEN = 0.85
# ... and the records that this prior counts for ...
_SEEN_RECORDS = 10.0
# ... and the highest share that is believed.
_SEEN_CAP = 0.97
# Two records of one tracker differ by this many times the spread of two trackers' readings; a guess, no source.
_OWN_SPREAD = 1.2
# Two records are one pitch when that is more likely than not.
_LIKELY = 0.5
_NIGHT = ("tracker", "venue", "baseball_day")


class Doubles(NamedTuple):
    """Records `second` that repeat record `first` of the same tracker, with the probability that both are one pitch.

    `gap_s`: seconds from first to second; below 0 where the later record is kept, nan where no time was measured.
    """

    first: Ints
    second: Ints
    probability: Floats
    gap_s: Floats

    def take(self, keep: Ints) -> "Doubles":
        """Return a part of them."""
        return Doubles(self.first[keep], self.second[keep], self.probability[keep], self.gap_s[keep])


class FoundDoubles(NamedTuple):
    """`aside`: the second record is set aside. `possible`: both are kept, though they may be one pitch."""

    aside: Doubles
    possible: Doubles


class _Neighbors(NamedTuple):
    """Neighboring records of one tracker: rows, seconds between them (nan: unknown), and the evidence that they need (nats)."""

    first: Ints
    second: Ints
    gap_s: Floats
    needed: Floats


def find_doubles(final: FinalFit, apart: set[tuple[int, int]], reported: float) -> FoundDoubles:
    """Find neighbors in a stream that are one pitch with probability `reported` or more.

    Neighbors that another tracker saw as two pitches, or that a person keeps `apart`, are left out.
    """
    records, cells = final.records, final.fit.cells
    near = _all_neighbors(final.streams)
    evidence = _double_evidence(records, final, _models_of(final, near.first), near)
    claimed = _claimed(records, cells)
    evidence = evidence - near.needed + _evidence_of_other_trackers(records, claimed, near)
    found = _likely_doubles(near, evidence, apart, reported)
    found = _weigh_two_partners(records, cells, found)
    found = found.take(np.flatnonzero(found.probability >= reported))
    return _split_by_likelihood(_keep_matched_record(found, claimed.sum(axis=1)), len(records.tracker), apart)


def find_unplaced_doubles(
    unplaced: Records, final: FinalFit, apart: set[tuple[int, int]], reported: float
) -> FoundDoubles:
    """Find double triggers among records whose station is unknown.

    No other tracker was aligned with these. The model comes from the tracker's placed records of the same day.
    """
    near = _all_neighbors(find_streams(unplaced))
    evidence = _double_evidence(unplaced, final, _models_of_the_day(unplaced, near.first, final), near)
    found = _likely_doubles(near, evidence - near.needed, apart, reported)
    return _split_by_likelihood(found, len(unplaced.tracker), apart)


def _all_neighbors(streams: list[Stream]) -> _Neighbors:
    none = np.zeros(0, dtype=np.int64)
    parts = [_Neighbors(none, none, np.zeros(0), np.zeros(0)), *map(_neighbors, streams)]
    return _Neighbors(*(np.concatenate(part) for part in zip(*parts, strict=True)))


def _neighbors(stream: Stream) -> _Neighbors:
    """Return records next to each other or, by a fine clock, with one record of another mound between them."""
    rows = stream.rows
    if np.isnan(stream.resolution_s) or stream.resolution_s > COARSE_S:
        unknown = np.full(max(len(rows) - 1, 0), np.nan)
        return _Neighbors(rows[:-1], rows[1:], unknown, _UNTIMED_EVIDENCE - _stamp_evidence(stream))
    wait_s = np.diff(stream.seen_s)
    soon = float(((wait_s > _LONGEST_S) & (wait_s <= _SOON_S)).sum()) / (len(wait_s) + _PRIOR_WAITS)
    needed = -float(np.log(_DOUBLE_SHARE / (_SOON_FACTOR * soon + _CHANCE_FLOOR)))
    # Whole-second stamps round the time between two records up.
    longest_s = _LONGEST_S + (stream.resolution_s if stream.resolution_s >= 0.5 else 0.0) * 0.3
    parts = []
    for step in (1, 2):
        gap_s = stream.seen_s[step:] - stream.seen_s[:-step]
        near = (gap_s >= 0) & (gap_s <= longest_s)
        parts.append((rows[:-step][near], rows[step:][near], gap_s[near]))
    first, second, gap_s = (np.concatenate(part) for part in zip(*parts, strict=True))
    return _Neighbors(first, second, gap_s, np.full(len(gap_s), needed))


def _stamp_evidence(stream: Stream) -> Floats:
    """Return the evidence of coarse stamps: a double record comes so soon that it mostly has the same stamp."""
    wait_s = np.diff(stream.seen_s)
    later, known = wait_s > 0, ~np.isnan(wait_s)
    if not known.any():
        return np.zeros(len(later))
    # One pseudo-pair of each kind keeps the share away from 0 and 1.
    differ = (later.sum() + 1) / (known.sum() + 2)
    double_differs = min(_USUAL_S / stream.resolution_s, differ)
    evidence = np.where(later, np.log(double_differs / differ), np.log((1 - double_differs) / (1 - differ)))
    return np.where(known, evidence, 0.0)


def _double_evidence(records: Records, final: FinalFit, model: Ints, near: _Neighbors) -> Floats:
    """Return the log-likelihood ratio of one pitch against two, by the learned model or by the tracker's own day.

    Readings that agree to the last digit are a copy, whatever the model says.
    """
    a, b = records.readings[near.first], records.readings[near.second]
    shared = (~np.isnan(a) & ~np.isnan(b)).sum(axis=1)
    copied = (shared > 1) & ((a == b).sum(axis=1) == shared)
    modeled = np.maximum(_model_evidence(records, final, model, near, shared), _own_day_evidence(records, near, model))
    # on one mound no two pitches come this soon, whatever the readings: the second record is a fragment or a fault
    one_mound = near.needed < 0
    modeled[one_mound] = np.log((1 - _FRAGMENT) * np.exp(modeled[one_mound]) + _FRAGMENT)
    return np.maximum(modeled, np.where(copied, np.minimum(_COPY_EVIDENCE * shared, _COPY_CAP), _IMPOSSIBLE))


def _model_evidence(records: Records, final: FinalFit, model: Ints, near: _Neighbors, shared: Ints) -> Floats:
    """Return the evidence by the learned model; without a clock the two must share three metrics."""
    evidence = np.full(len(near.first), _IMPOSSIBLE)
    order = np.flatnonzero(model >= 0)[np.argsort(model[model >= 0], kind="stable")]
    own, a, b = model[order], near.first[order], near.second[order]
    learned = log_ratio(_own_model(final.models.readings), own, records.readings, a, b)
    learned = learned + label_evidence(final.models.labels, own, records.labels, a, b)
    too_few = np.isnan(near.gap_s[order]) & (shared[order] < _UNTIMED_METRICS)
    evidence[order] = np.where(too_few, _IMPOSSIBLE, learned)
    return evidence


def _own_day_evidence(records: Records, near: _Neighbors, model: Ints) -> Floats:
    """Return the evidence where no other tracker was on the day and so no model was learned; only with a clock.

    Without a clock, two similar pitches of one pitcher in a row would look like a double trigger.
    """
    evidence = np.full(len(near.first), _IMPOSSIBLE)
    alone = np.flatnonzero((model < 0) & ~np.isnan(near.gap_s))
    if not len(alone):
        return evidence
    owner = records.tracker_day
    owners, own_model = np.unique(owner[near.first[alone]], return_inverse=True)
    _, spread, seen = zip(*(median_and_spread(records.readings[owner == one]) for one in owners.tolist()), strict=True)
    day_spread = np.stack(spread)
    known = (np.stack(seen) > 1) & (day_spread > 0)
    start = start_model(np.zeros_like(day_spread), np.where(known, day_spread, 1.0), known, trust=START_TRUST)
    order = np.argsort(own_model, kind="stable")
    a, b = near.first[alone][order], near.second[alone][order]
    evidence[alone[order]] = log_ratio(_own_model(start), own_model[order], records.readings, a, b)
    return evidence


def _own_model(model: ReadingModel) -> ReadingModel:
    """Return the model of a tracker against itself: without bias, and with a wider spread."""
    return model._replace(
        bias=np.zeros_like(model.bias),
        spread=_OWN_SPREAD * model.spread,
        neighbor_mean=np.zeros_like(model.neighbor_mean),
    )


def _models_of(final: FinalFit, rows: Ints) -> Ints:
    """Return a model of each row's tracker on its station-day, else on another station's; -1 where the tracker was alone."""
    records = final.records
    known: dict[tuple[int, int], int] = {}
    for streams, model in zip(final.stream_pairs, final.model_of.tolist(), strict=True):
        for tracker in streams.trackers:
            known.setdefault((streams.day, tracker), model)
    owners = zip(records.day[rows].tolist(), records.tracker[rows].tolist(), strict=True)
    found = np.array([known.get(owner, -1) for owner in owners], dtype=np.int64)
    alone = np.flatnonzero(found < 0)
    if len(alone):
        found[alone] = _models_of_the_day(records, rows[alone], final)
    return found


def _models_of_the_day(records: Records, rows: Ints, final: FinalFit) -> Ints:
    """Return a model of each row's tracker at any station of the venue on its baseball day; -1 where there is none."""
    known: dict[tuple[str, str, date], int] = {}
    nights = final.records.frame.select(_NIGHT)
    for streams, model in zip(final.stream_pairs, final.model_of.tolist(), strict=True):
        for stream in (streams.first, streams.second):
            known.setdefault(nights.row(int(stream.rows[0])), model)
    return np.array([known.get(night, -1) for night in records.frame.select(_NIGHT)[rows].rows()], dtype=np.int64)


def _claimed(records: Records, cells: Cells) -> Floats:
    """Return (records, trackers) the expected number of each tracker's records that match each record."""
    claimed = np.zeros((len(records.tracker), len(records.trackers)))
    np.add.at(claimed, (cells.first, records.tracker[cells.second]), cells.posterior)
    np.add.at(claimed, (cells.second, records.tracker[cells.first]), cells.posterior)
    return claimed


def _evidence_of_other_trackers(records: Records, claimed: Floats, near: _Neighbors) -> Floats:
    """Return the evidence of other trackers that match one of the two records only.

    With d the chance that another tracker sees a pitch (counted over the day), one pitch gives this with probability d, two pitches with
    2 d (1 - d): the evidence is -log(2 (1 - d)).
    """
    if not len(near.first):
        return np.zeros(0)
    owner = records.tracker_day
    size = np.bincount(owner)
    matched = np.stack([np.bincount(owner, column > 0.5) for column in claimed.T], axis=1)
    seen = np.minimum((matched + _SEEN * _SEEN_RECORDS) / (size[:, None] + _SEEN_RECORDS), _SEEN_CAP)
    both = claimed[near.first] + claimed[near.second]
    evidence = np.maximum(-np.log(2 * (1 - seen[owner[near.first]])), 0.0)
    return np.asarray((((both > 0.5) & (both < 1.5)) * evidence).sum(axis=1))


def _likely_doubles(near: _Neighbors, evidence: Floats, apart: set[tuple[int, int]], reported: float) -> Doubles:
    probability = np.asarray(1 / (1 + np.exp(-np.clip(evidence, -50, 50))))
    found = Doubles(near.first, near.second, probability, near.gap_s)
    return _most_likely_per_pair(found.take(np.flatnonzero(probability >= reported)), apart)


def _most_likely_per_pair(found: Doubles, apart: set[tuple[int, int]]) -> Doubles:
    """Keep the most probable entry per pair; drop pairs that a decision keeps apart."""
    seen, keep = set(apart), []
    for n in np.argsort(-found.probability, kind="stable").tolist():
        pair = min(found.first[n], found.second[n]), max(found.first[n], found.second[n])
        if pair not in seen:
            seen.add(pair)
            keep.append(n)
    return found.take(np.array(sorted(keep), dtype=np.int64))


def _weigh_two_partners(records: Records, cells: Cells, found: Doubles) -> Doubles:
    """Lower the probability where another tracker matches the two records with two different ones, not a double trigger themselves.

    With p the chance that both matches are right, a double trigger has odds of (1 - p) / p against two pitches: one match must be wrong.
    """
    first, second, likely = found.first, found.second, found.probability > _LIKELY
    partners: dict[int, dict[int, tuple[int, float]]] = {}
    wanted = np.isin(cells.first, [first, second]) | np.isin(cells.second, [first, second])
    for cell in np.flatnonzero((cells.posterior > 0.5) & wanted).tolist():
        a, b, p = int(cells.first[cell]), int(cells.second[cell]), float(cells.posterior[cell])
        partners.setdefault(a, {})[int(records.tracker[b])] = b, p
        partners.setdefault(b, {})[int(records.tracker[a])] = a, p
    doubles = set(zip(first[likely].tolist(), second[likely].tolist(), strict=True))
    odds = found.probability / np.maximum(1 - found.probability, 1e-12)
    for n, (a, b) in enumerate(zip(first.tolist(), second.tolist(), strict=True)):
        of_a, of_b = partners.get(a, {}), partners.get(b, {})
        for tracker in of_a.keys() & of_b.keys():
            (partner_a, p_a), (partner_b, p_b) = of_a[tracker], of_b[tracker]
            if partner_a != partner_b and (partner_a, partner_b) not in doubles:
                odds[n] *= (1 - p_a * p_b) / (p_a * p_b)
    return found._replace(probability=odds / (1 + odds))


def _keep_matched_record(doubles: Doubles, claimed: Floats) -> Doubles:
    """Keep of each double the record that other trackers match, else the earlier one.

    A record a second before a pitch may be a false one, whose readings must not become the pitch's.
    """
    turned = claimed[doubles.second] > claimed[doubles.first]
    return Doubles(
        np.where(turned, doubles.second, doubles.first),
        np.where(turned, doubles.first, doubles.second),
        doubles.probability,
        np.where(turned, -doubles.gap_s, doubles.gap_s),
    )


def _split_by_likelihood(found: Doubles, records: int, apart: set[tuple[int, int]]) -> FoundDoubles:
    """Set aside what is likelier than not; the rest is possible, between the records that are kept."""
    keep = _without_chains(found)
    aside = found.take(keep)
    possible = found.take(np.setdiff1d(np.arange(len(found.first)), keep))
    return FoundDoubles(aside, _most_likely_per_pair(_between_kept_records(possible, aside, records), apart))


def _without_chains(found: Doubles) -> Ints:
    """Return those likelier than not, likeliest first; no record is in two of them."""
    taken: set[int] = set()
    keep = []
    for n in np.argsort(-found.probability, kind="stable").tolist():
        a, b = int(found.first[n]), int(found.second[n])
        if found.probability[n] > _LIKELY and a not in taken and b not in taken:
            taken.update((a, b))
            keep.append(n)
    return np.array(keep, dtype=np.int64)


def _between_kept_records(possible: Doubles, aside: Doubles, records: int) -> Doubles:
    """Replace each record that is set aside by the one that it repeats."""
    kept_record = np.arange(records)
    kept_record[aside.second] = aside.first
    first, second = kept_record[possible.first], kept_record[possible.second]
    moved = (first != possible.first) | (second != possible.second)
    gap_s = np.where(moved, np.nan, possible.gap_s)
    return Doubles(first, second, possible.probability, gap_s).take(np.flatnonzero(first != second))
