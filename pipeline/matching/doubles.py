"""Double triggers: one tracker writes one throw twice, half a second to two and a half seconds apart."""

from typing import NamedTuple

import numpy as np

from pipeline.matching.arrays import Bools, Floats, Ints
from pipeline.matching.bands import Cells
from pipeline.matching.calibrating import Models, middle_and_spread
from pipeline.matching.clock import COARSE_S
from pipeline.matching.labels import label_evidence
from pipeline.matching.readings import ReadingModel, log_ratio, start_model
from pipeline.matching.records import Records, Stream, Unit

# no two pitches are thrown to one plate this soon after one another; on two mounds they are
_LONGEST_S = 2.7
# share of throws that are written twice (method page, section 5)
_DOUBLE_SHARE, _FLOOR = 0.007, 0.0007
_UNTIMED_EVIDENCE, _UNTIMED_METRICS = 5.0, 3
# no evidence that any prior could lift
_NOTHING = -50.0


class Doubles(NamedTuple):
    """Records `second` for which record `first` of the same tracker stands, with the probability that they are one throw, and the time
    from the one that stands to the other: below 0 where the later one stands."""

    first: Ints
    second: Ints
    probability: Floats
    gap_s: Floats


def find_doubles(
    records: Records, streams: list[Stream], models: Models, units: list[Unit], which: Ints, cells: Cells
) -> Doubles:
    """Neighbours in a stream that are one throw, unless the other trackers saw two."""
    parts = [_neighbours(stream) for stream in streams]
    first = np.concatenate([p[0] for p in parts]) if parts else np.zeros(0, dtype=np.int64)
    second = np.concatenate([p[1] for p in parts]) if parts else first
    gap = np.concatenate([p[2] for p in parts]) if parts else np.zeros(0)
    needed = np.concatenate([np.full(len(p[0]), p[3]) for p in parts]) if parts else gap
    of = _model_of(records, models, units, which, first)
    strength = np.maximum(
        _one_throw(records, models, of, first, second), _one_throw_alone(records, of, first, second, gap)
    )
    probability = 1 / (1 + np.exp(-np.clip(strength - needed, -50, 50)))
    likely = np.flatnonzero(probability > 0.5)
    two = _seen_as_two(records, cells, first[likely], second[likely])
    keep = _without_chains(first, second, likely[~two])
    return _standing(Doubles(first[keep], second[keep], probability[keep], gap[keep]), cells, len(records.tracker))


def _neighbours(stream: Stream) -> tuple[Ints, Ints, Floats, float]:
    """Pairs next to one another that come soon enough, and the evidence that they need."""
    rows = stream.rows
    if np.isnan(stream.resolution_s) or stream.resolution_s > COARSE_S:
        return rows[:-1], rows[1:], np.full(max(len(rows) - 1, 0), np.nan), _UNTIMED_EVIDENCE
    gap = np.diff(stream.seen_s)
    soon = (gap >= 0) & (gap <= _LONGEST_S + (stream.resolution_s if stream.resolution_s >= 0.5 else 0.0) * 0.3)
    crowd = float(((gap > _LONGEST_S) & (gap <= 6.0)).mean()) if len(gap) else 0.0
    return rows[:-1][soon], rows[1:][soon], gap[soon], -float(np.log(_DOUBLE_SHARE / (0.5 * crowd + _FLOOR)))


def _one_throw(records: Records, models: Models, which: Ints, first: Ints, second: Ints) -> Floats:
    """Log ratio that two records of one tracker are one throw; under 3 common metrics without a clock there is none."""
    strength = np.full(len(first), _NOTHING)
    order = np.flatnonzero(which >= 0)[np.argsort(which[which >= 0], kind="stable")]
    of, a, b = which[order], first[order], second[order]
    say = log_ratio(_own_model(models.readings), of, records.readings, a, b)
    if models.labels is not None:
        say = say + label_evidence(models.labels, of, records.labels, a, b)
    common = (~np.isnan(records.readings[a]) & ~np.isnan(records.readings[b])).sum(axis=1)
    say = np.where(common < 1, _NOTHING, say)
    strength[order] = np.where(common < _UNTIMED_METRICS, np.minimum(say, _UNTIMED_EVIDENCE - 0.1), say)
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
    common = (~np.isnan(records.readings[a]) & ~np.isnan(records.readings[b])).sum(axis=1)
    strength[lone[order]] = np.where(
        common < 1, _NOTHING, log_ratio(_own_model(model), of[order], records.readings, a, b)
    )
    return strength


def _own_model(model: ReadingModel) -> ReadingModel:
    """A tracker against itself: no bias, and 1.2 times the spread."""
    return model._replace(
        bias=np.zeros_like(model.bias), spread=1.2 * model.spread, other_mean=np.zeros_like(model.other_mean)
    )


def _model_of(records: Records, models: Models, units: list[Unit], unit_models: Ints, rows: Ints) -> Ints:
    """A model of the tracker with any other on the day; -1 where it was alone."""
    place: dict[tuple[int, int], int] = {}
    for unit, which in zip(units, unit_models.tolist(), strict=True):
        for tracker in unit.trackers:
            place.setdefault((unit.day, tracker), which)
    return np.array(
        [place.get((int(d), int(t)), -1) for d, t in zip(records.day[rows], records.tracker[rows], strict=True)],
        dtype=np.int64,
    )


def _seen_as_two(records: Records, cells: Cells, first: Ints, second: Ints) -> Bools:
    """Some other tracker has a record for each of the two, and these are not doubles themselves."""
    partners: dict[int, dict[int, int]] = {}
    asked = np.isin(cells.first, [first, second]) | np.isin(cells.second, [first, second])
    for cell in np.flatnonzero((cells.posterior > 0.5) & asked).tolist():
        a, b = int(cells.first[cell]), int(cells.second[cell])
        partners.setdefault(a, {})[int(records.tracker[b])] = b
        partners.setdefault(b, {})[int(records.tracker[a])] = a
    twins = set(zip(first.tolist(), second.tolist(), strict=True))
    out = np.zeros(len(first), dtype=bool)
    for n, (a, b) in enumerate(zip(first.tolist(), second.tolist(), strict=True)):
        ours, theirs = partners.get(a, {}), partners.get(b, {})
        out[n] = any(ours[t] != theirs[t] and (ours[t], theirs[t]) not in twins for t in ours.keys() & theirs.keys())
    return out


def _standing(doubles: Doubles, cells: Cells, records: int) -> Doubles:
    """The record that other trackers' go with stands for both, else the earlier one: what comes a second before a pitch may be a false
    record, and must not lend its readings to the pitch."""
    claimed = np.bincount(cells.first, cells.posterior, records) + np.bincount(cells.second, cells.posterior, records)
    turned = claimed[doubles.second] > claimed[doubles.first]
    return Doubles(
        np.where(turned, doubles.second, doubles.first),
        np.where(turned, doubles.first, doubles.second),
        doubles.probability,
        np.where(turned, -doubles.gap_s, doubles.gap_s),
    )


def _without_chains(first: Ints, second: Ints, found: Ints) -> Ints:
    """A record that repeats another cannot be repeated itself: of a chain, every second link falls away."""
    taken: set[int] = set()
    keep = []
    for n in found.tolist():
        if int(first[n]) not in taken and int(second[n]) not in taken:
            taken.update((int(first[n]), int(second[n])))
            keep.append(n)
    return np.array(keep, dtype=np.int64)
