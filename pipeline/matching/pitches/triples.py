"""Records of two trackers that are one pitch only by way of a third's, and pairs that cannot both be.

Each pair of trackers is aligned by itself, and three alignments can contradict one another: a and b are one pitch, b and c are, but a
and c, whose clocks are known, lie minutes apart. What two records are by way of a third is borne out, or not, by their own readings
and clocks; and where a group left a likely pair out, the pair and the group take from each other.
"""

import numpy as np

from pipeline.matching.alignment.align_round import Fit, Place
from pipeline.matching.alignment.bands import is_coarse
from pipeline.matching.data.arrays import Bools, Floats, Ints
from pipeline.matching.data.records import Records, Unit
from pipeline.matching.evidence.readings import log_ratio
from pipeline.matching.learning.day_models import Models
from pipeline.matching.pitches.grouping import Groups
from pipeline.matching.pitches.tables import Pairs

# log odds of two records by way of a third, how far their own readings move that and at most, and what clocks say that keep them apart:
# fitted to simulated seasons of two makes (474 such pairs)
_BY_WAY, _READINGS_SAY, _READINGS_MOST, _CLOCKS_SAY = 2.0, 0.6, 4.0, 3.0
# a pair that was left out takes from others from this probability on; the powers by which odds of different alignments count for a pair
# inside a group and for one that was left out: fitted to the same seasons
_RIVAL, _INSIDE, _LEFT_OUT = 0.5, 0.75, 0.5
# share of the smaller tracker's records in pairs: with fewer, the clock between two trackers may not have been found
_ALIVE = 0.5


def borne_out(
    records: Records,
    units: list[Unit],
    which: Ints,
    models: Models,
    fit: Fit,
    places: list[Place],
    first: Ints,
    second: Ints,
) -> Floats:
    """Probability, at most, that two records are one pitch which only a third's record joins; 1 where their trackers have no model."""
    out = np.ones(len(first))
    swap = records.tracker[first] > records.tracker[second]
    a, b = np.where(swap, second, first), np.where(swap, first, second)
    place = {key: m for m, key in enumerate(models.keys)}
    asked = zip(records.tracker[a].tolist(), records.tracker[b].tolist(), records.day[a].tolist(), strict=True)
    of = np.array([place.get(key, -1) for key in asked], dtype=np.int64)
    order = np.flatnonzero(of >= 0)[np.argsort(of[of >= 0], kind="stable")]
    if len(order):
        say = log_ratio(models.readings, of[order], records.readings, a[order], b[order])
        fine = _with_clocks(records, units, which, models, fit, places)[of[order]]
        stamped = ~np.isnan(records.seen_s[a[order]] + records.seen_s[b[order]])
        odds = _BY_WAY + _READINGS_SAY * np.minimum(say, _READINGS_MOST) - _CLOCKS_SAY * (fine & stamped)
        out[order] = 1 / (1 + np.exp(-np.clip(odds, -50, 50)))
    return out


def _with_clocks(
    records: Records, units: list[Unit], which: Ints, models: Models, fit: Fit, places: list[Place]
) -> Bools:
    """Models of two trackers whose fine clocks are known from most of their records: what lies apart by them is no pitch."""
    matched = np.bincount(which[fit.cells.unit], fit.cells.posterior, len(models.keys))
    owner = np.bincount(records.day * len(records.trackers) + records.tracker)
    size = np.array([min(owner[day * len(records.trackers) + t] for t in (a, b)) for a, b, day in models.keys])
    clocked = np.ones(len(models.keys), dtype=bool)
    for unit, place, m in zip(units, places, which.tolist(), strict=True):
        clocked[m] &= place.clock is not None and not is_coarse(unit)
    return np.asarray(clocked & (matched > _ALIVE * size))


def taking_from_each_other(
    pairs: Pairs, groups: Groups, tracker: Ints, probability: Floats, apart: set[tuple[int, int]]
) -> Floats:
    """Probabilities (pairs,) after each likely pair that its groups left out, and the pairs of these that rule it out, took from each other.

    They are taken for hypotheses of which one is true, or none: odds over the sum of the odds. The alignments share readings, and so
    their odds count by a power under 1.
    """
    left = np.flatnonzero(~groups.joined & ~pairs.by_person & (probability > _RIVAL))
    if not len(left):
        return probability
    members = _members_of(groups, np.concatenate([pairs.first[left], pairs.second[left]]))
    inside = np.flatnonzero(groups.joined & ~pairs.by_person)
    place = {
        (min(a, b), max(a, b)): n
        for n, a, b in zip(inside.tolist(), pairs.first[inside].tolist(), pairs.second[inside].tolist(), strict=True)
    }
    chance = np.clip(probability, 1e-6, 1 - 1e-6)
    odds = (chance / (1 - chance)) ** np.where(groups.joined, _INSIDE, _LEFT_OUT)
    rival = (chance / (1 - chance)) ** np.where(groups.joined, _LEFT_OUT, _INSIDE)
    against = np.zeros(len(odds))
    for n in left.tolist():
        u, v = int(pairs.first[n]), int(pairs.second[n])
        edges = {
            place.get((min(edge), max(edge)), -1)
            for x in members[int(groups.group[u])]
            for y in members[int(groups.group[v])]
            if tracker[x] == tracker[y] or (min(x, y), max(x, y)) in apart
            for edge in ((u, x), (v, y))
            if edge[0] != edge[1]
        }
        rivals = [e for e in edges if e >= 0 and probability[e] + probability[n] > 1]
        for e in rivals:
            against[e] += rival[n]
        against[n] = max((float(rival[e]) for e in rivals), default=0.0)
    touched = against > 0
    return np.where(touched, np.minimum(probability, odds / (1 + odds + against)), probability)


def _members_of(groups: Groups, rows: Ints) -> dict[int, list[int]]:
    """The records of each group that holds one of the rows."""
    wanted = np.unique(groups.group[rows])
    members: dict[int, list[int]] = {int(group): [] for group in wanted.tolist()}
    for row in np.flatnonzero(np.isin(groups.group, wanted)).tolist():
        members[int(groups.group[row])].append(row)
    return members
