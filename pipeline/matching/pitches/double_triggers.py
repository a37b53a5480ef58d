"""Double triggers: one tracker writes one throw twice, half a second to two and a half seconds apart."""

from datetime import date
from typing import NamedTuple

import numpy as np

from pipeline.matching.alignment.bands import Cells
from pipeline.matching.clocks.search import COARSE_S
from pipeline.matching.data.arrays import Bools, Floats, Ints
from pipeline.matching.data.records import Records, Stream, Unit, streams_of
from pipeline.matching.evidence.labels import label_evidence
from pipeline.matching.evidence.readings import ReadingModel, log_ratio, start_model
from pipeline.matching.learning.day_models import Models, middle_and_spread

# no two pitches are thrown to one plate this soon after one another; on two mounds they are
_LONGEST_S = 2.7
# the usual time between the two records, common practice, no source
_USUAL_S = 1.2
# share of throws that are written twice (method page, section 5)
_DOUBLE_SHARE, _FLOOR = 0.007, 0.0007
_UNTIMED_EVIDENCE, _UNTIMED_METRICS = 5.0, 3
# what a reading says that is the same to the last digit, and all of them at most: two throws share a speed of one decimal in 30
_ALIKE, _ALIKE_MOST = 4.0, 12.0
_NIGHT = ("tracker", "venue", "baseball_day")
# waits without another throw soon that are believed in before a file is seen
_WAITS = 100.0
# no evidence that any prior could lift
_NOTHING = -50.0
# share of a tracker's throws that another one sees, before anything is known of the day, pairs that this is worth, and the most that is
# believed: guesses, no source
_SEEN, _SEEN_WORTH, _SEEN_AT_MOST = 0.85, 10.0, 0.97


class Doubles(NamedTuple):
    """Records `second` for which record `first` of the same tracker stands, with the probability that they are one throw, and the time
    from the one that stands to the other: below 0 where the later one stands."""

    first: Ints
    second: Ints
    probability: Floats
    gap_s: Floats

    def take(self, which: Ints) -> "Doubles":
        """Some of them."""
        return Doubles(self.first[which], self.second[which], self.probability[which], self.gap_s[which])


class FoundDoubles(NamedTuple):
    """`aside`: the first record stands for the second, which is set aside; `possible`: both stand, though they may be one throw."""

    aside: Doubles
    possible: Doubles


def find_doubles(
    records: Records,
    streams: list[Stream],
    models: Models,
    units: list[Unit],
    which: Ints,
    cells: Cells,
    apart: set[tuple[int, int]],
    told_from: float,
) -> FoundDoubles:
    """Neighbours in a stream that are one throw, unless other trackers saw two or a person said so (`apart`); those that may be one are told
    from the probability `told_from`."""
    first, second, gap, needed = _all_neighbours(streams)
    of = _model_of(records, models, units, which, first)
    strength = _strength(records, models, of, first, second, gap)
    claimed = _claimed(records, cells)
    strength = strength - needed + _saw_one(records, claimed, first, second)
    found = _worth_telling(Doubles(first, second, _probability(strength), gap), apart, told_from)
    one = np.flatnonzero(~_seen_as_two(records, cells, found))
    return _parted(_standing(found.take(one), claimed.sum(axis=1)), len(records.tracker), apart)


def find_unplaced_doubles(
    unplaced: Records,
    records: Records,
    models: Models,
    units: list[Unit],
    which: Ints,
    apart: set[tuple[int, int]],
    told_from: float,
) -> FoundDoubles:
    """The same of `unplaced` records, whose station is unknown: nothing was laid beside them, but what the tracker's readings are like is
    known where it was placed on the same day (`records` and the rest are of those)."""
    first, second, gap, needed = _all_neighbours([stream for _, _, stream in streams_of(unplaced)])
    of = _model_of_the_day(unplaced, first, records, units, which)
    strength = _strength(unplaced, models, of, first, second, gap)
    found = _worth_telling(Doubles(first, second, _probability(strength - needed), gap), apart, told_from)
    return _parted(found, len(unplaced.tracker), apart)


def _all_neighbours(streams: list[Stream]) -> tuple[Ints, Ints, Floats, Floats]:
    """Pairs next to one another in any stream, the time between them and the evidence that they need."""
    parts = [_neighbours(stream) for stream in streams]
    if not parts:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0)
    first, second, gap, needed = (np.concatenate(part) for part in zip(*parts, strict=True))
    return first, second, gap, needed


def _probability(strength: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.clip(strength, -50, 50))))


def _worth_telling(found: Doubles, apart: set[tuple[int, int]], told_from: float) -> Doubles:
    """Those that are likely enough, and of which nobody said that they are two throws."""
    return _once(found.take(np.flatnonzero(found.probability >= told_from)), apart)


def _once(found: Doubles, apart: set[tuple[int, int]]) -> Doubles:
    """Each two records once, at the likeliest, and none that are kept apart."""
    seen, keep = set(apart), []
    for n in np.argsort(-found.probability, kind="stable").tolist():
        pair = min(found.first[n], found.second[n]), max(found.first[n], found.second[n])
        if pair not in seen:
            seen.add(pair)
            keep.append(n)
    return found.take(np.array(sorted(keep), dtype=np.int64))


def _parted(found: Doubles, records: int, apart: set[tuple[int, int]]) -> FoundDoubles:
    """Those likelier than not are set aside; the others are possible, between the records that stand."""
    keep = _without_chains(found)
    aside, left = found.take(keep), np.setdiff1d(np.arange(len(found.first)), keep)
    return FoundDoubles(aside, _once(_between_those_that_stand(found.take(left), aside, records), apart))


def _between_those_that_stand(possible: Doubles, aside: Doubles, records: int) -> Doubles:
    """A record that is set aside is spoken for by the one that stands for it."""
    home = np.arange(records)
    home[aside.second] = aside.first
    first, second = home[possible.first], home[possible.second]
    moved = (first != possible.first) | (second != possible.second)
    gap_s = np.where(moved, np.nan, possible.gap_s)
    return Doubles(first, second, possible.probability, gap_s).take(np.flatnonzero(first != second))


def _neighbours(stream: Stream) -> tuple[Ints, Ints, Floats, Floats]:
    """Pairs that come soon enough after one another, and the evidence that they need: next to one another, or, by a clock, with the throw
    from another mound between."""
    rows = stream.rows
    if np.isnan(stream.resolution_s) or stream.resolution_s > COARSE_S:
        return rows[:-1], rows[1:], np.full(max(len(rows) - 1, 0), np.nan), _UNTIMED_EVIDENCE - _same_step(stream)
    wait = np.diff(stream.seen_s)
    # of few waits, two short ones are chance
    crowd = float(((wait > _LONGEST_S) & (wait <= 6.0)).sum()) / (len(wait) + _WAITS)
    needed = -float(np.log(_DOUBLE_SHARE / (0.5 * crowd + _FLOOR)))
    longest = _LONGEST_S + (stream.resolution_s if stream.resolution_s >= 0.5 else 0.0) * 0.3
    soon = []
    for step in (1, 2):
        gap = stream.seen_s[step:] - stream.seen_s[:-step]
        near = (gap >= 0) & (gap <= longest)
        soon.append((rows[:-step][near], rows[step:][near], gap[near]))
    first, second, gap = (np.concatenate(part) for part in zip(*soon, strict=True))
    return first, second, gap, np.full(len(gap), needed)


def _same_step(stream: Stream) -> Floats:
    """What a coarse stamp says of neighbours: a second record comes so soon that it mostly bears the same one."""
    later = np.diff(stream.seen_s) > 0
    known = ~np.isnan(np.diff(stream.seen_s))
    if not known.any():
        return np.zeros(len(later))
    # one pseudo-pair of each kind
    differ = (later.sum() + 1) / (known.sum() + 2)
    double_differs = min(_USUAL_S / stream.resolution_s, differ)
    say = np.where(later, np.log(double_differs / differ), np.log((1 - double_differs) / (1 - differ)))
    return np.where(known, say, 0.0)


def _strength(records: Records, models: Models, of: Ints, first: Ints, second: Ints, gap: Floats) -> Floats:
    """Log ratio that two records of one tracker are one throw: by what was learned of it, or by its own day; and the same readings to the
    last digit, whatever was learned."""
    a, b = records.readings[first], records.readings[second]
    common = (~np.isnan(a) & ~np.isnan(b)).sum(axis=1)
    copied = (common > 1) & ((a == b).sum(axis=1) == common)
    learned = np.maximum(
        _one_throw(records, models, of, first, second, gap), _one_throw_alone(records, of, first, second, gap)
    )
    return np.maximum(learned, np.where(copied, np.minimum(_ALIKE * common, _ALIKE_MOST), _NOTHING))


def _one_throw(records: Records, models: Models, which: Ints, first: Ints, second: Ints, gap: Floats) -> Floats:
    """Log ratio that two records of one tracker are one throw; under 3 common metrics without a clock there is none."""
    strength = np.full(len(first), _NOTHING)
    order = np.flatnonzero(which >= 0)[np.argsort(which[which >= 0], kind="stable")]
    of, a, b = which[order], first[order], second[order]
    say = log_ratio(_own_model(models.readings), of, records.readings, a, b)
    if models.labels is not None:
        say = say + label_evidence(models.labels, of, records.labels, a, b)
    common = (~np.isnan(records.readings[a]) & ~np.isnan(records.readings[b])).sum(axis=1)
    strength[order] = np.where(np.isnan(gap[order]) & (common < _UNTIMED_METRICS), _NOTHING, say)
    return strength


def _one_throw_alone(records: Records, which: Ints, first: Ints, second: Ints, gap: Floats) -> Floats:
    """The same where the tracker was alone on its station-day and nothing was learned of it: by its own day's spread, and only with a clock.

    Without one, two like pitches of one pitcher in a row would pass for one.
    """
    strength = np.full(len(first), _NOTHING)
    lone = np.flatnonzero((which < 0) & ~np.isnan(gap))
    if not len(lone):
        return strength
    owner = records.day * len(records.trackers) + records.tracker
    owners, of = np.unique(owner[first[lone]], return_inverse=True)
    own = [middle_and_spread(records.readings[owner == one]) for one in owners.tolist()]
    spread, seen = np.stack([one[1] for one in own]), np.stack([one[2] for one in own])
    known = (seen > 1) & (spread > 0)
    model = start_model(np.zeros_like(spread), np.where(known, spread, 1.0), known, trust=0.6)
    order = np.argsort(of, kind="stable")
    a, b = first[lone][order], second[lone][order]
    strength[lone[order]] = log_ratio(_own_model(model), of[order], records.readings, a, b)
    return strength


def _own_model(model: ReadingModel) -> ReadingModel:
    """A tracker against itself: no bias, and 1.2 times the spread."""
    return model._replace(
        bias=np.zeros_like(model.bias), spread=1.2 * model.spread, other_mean=np.zeros_like(model.other_mean)
    )


def _model_of(records: Records, models: Models, units: list[Unit], unit_models: Ints, rows: Ints) -> Ints:
    """A model of the tracker with any other on the station-day, else of another station's; -1 where it was alone."""
    place: dict[tuple[int, int], int] = {}
    for unit, which in zip(units, unit_models.tolist(), strict=True):
        for tracker in unit.trackers:
            place.setdefault((unit.day, tracker), which)
    own = [place.get((int(d), int(t)), -1) for d, t in zip(records.day[rows], records.tracker[rows], strict=True)]
    found = np.array(own, dtype=np.int64)
    alone = np.flatnonzero(found < 0)
    if len(alone):
        found[alone] = _model_of_the_day(records, rows[alone], records, units, unit_models)
    return found


def _model_of_the_day(asked: Records, rows: Ints, records: Records, units: list[Unit], unit_models: Ints) -> Ints:
    """A model of the tracker with any other at any station of the venue on the baseball day; -1 where there is none."""
    place: dict[tuple[str, str, date], int] = {}
    nights = records.frame.select(_NIGHT)
    for unit, which in zip(units, unit_models.tolist(), strict=True):
        for stream in (unit.first, unit.second):
            place.setdefault(nights.row(int(stream.rows[0])), which)
    return np.array([place.get(night, -1) for night in asked.frame.select(_NIGHT)[rows].rows()], dtype=np.int64)


def _claimed(records: Records, cells: Cells) -> Floats:
    """How many records of each tracker go with each record, (records, trackers): sums of probabilities."""
    claimed = np.zeros((len(records.tracker), len(records.trackers)))
    np.add.at(claimed, (cells.first, records.tracker[cells.second]), cells.posterior)
    np.add.at(claimed, (cells.second, records.tracker[cells.first]), cells.posterior)
    return claimed


def _saw_one(records: Records, claimed: Floats, first: Ints, second: Ints) -> Floats:
    """What the other trackers say that have a record for one of the two only (natural log).

    One throw: the other saw it, with the chance d; two throws: it saw one of them only, 2 d (1 - d). Its d is counted over the day.
    """
    if not len(first):
        return np.zeros(0)
    owner = records.day * len(records.trackers) + records.tracker
    size = np.bincount(owner)
    met = np.stack([np.bincount(owner, column > 0.5) for column in claimed.T], axis=1)
    seen = np.minimum((met + _SEEN * _SEEN_WORTH) / (size[:, None] + _SEEN_WORTH), _SEEN_AT_MOST)
    saw = claimed[first] + claimed[second]
    say = np.maximum(-np.log(2 * (1 - seen[owner[first]])), 0.0)
    return np.asarray((((saw > 0.5) & (saw < 1.5)) * say).sum(axis=1))


def _seen_as_two(records: Records, cells: Cells, found: Doubles) -> Bools:
    """Some other tracker has a record for each of the two, and these are no likely double themselves."""
    first, second, likely = found.first, found.second, found.probability > 0.5
    partners: dict[int, dict[int, int]] = {}
    asked = np.isin(cells.first, [first, second]) | np.isin(cells.second, [first, second])
    for cell in np.flatnonzero((cells.posterior > 0.5) & asked).tolist():
        a, b = int(cells.first[cell]), int(cells.second[cell])
        partners.setdefault(a, {})[int(records.tracker[b])] = b
        partners.setdefault(b, {})[int(records.tracker[a])] = a
    twins = set(zip(first[likely].tolist(), second[likely].tolist(), strict=True))
    out = np.zeros(len(first), dtype=bool)
    for n, (a, b) in enumerate(zip(first.tolist(), second.tolist(), strict=True)):
        ours, theirs = partners.get(a, {}), partners.get(b, {})
        out[n] = any(ours[t] != theirs[t] and (ours[t], theirs[t]) not in twins for t in ours.keys() & theirs.keys())
    return out


def _standing(doubles: Doubles, claimed: Floats) -> Doubles:
    """The record that other trackers' go with stands for both, else the earlier one: what comes a second before a pitch may be a false
    record, and must not lend its readings to the pitch."""
    turned = claimed[doubles.second] > claimed[doubles.first]
    return Doubles(
        np.where(turned, doubles.second, doubles.first),
        np.where(turned, doubles.first, doubles.second),
        doubles.probability,
        np.where(turned, -doubles.gap_s, doubles.gap_s),
    )


def _without_chains(found: Doubles) -> Ints:
    """Those likelier than not, the likeliest first; a record that repeats another cannot be repeated itself."""
    taken: set[int] = set()
    keep = []
    for n in np.argsort(-found.probability, kind="stable").tolist():
        a, b = int(found.first[n]), int(found.second[n])
        if found.probability[n] > 0.5 and a not in taken and b not in taken:
            taken.update((a, b))
            keep.append(n)
    return np.array(keep, dtype=np.int64)
