"""Check the pitches that three trackers share: three pairwise alignments can contradict one another.

Each pair of trackers is aligned by itself. So a may match b and b match c although the clocks put a and c minutes apart. Two records that
only a third one joins must be plausible by their own readings and clocks (`limit_indirect_pairs`). A likely pair that grouping left out
and the pairs that rule it out reduce each other's probability (`weigh_rivals`).
"""

import numpy as np

from pipeline.matching.data.arrays import Bools, Floats, Ints
from pipeline.matching.evidence.readings import log_ratio
from pipeline.matching.pitches.final_fit import FinalFit
from pipeline.matching.pitches.grouping import Groups
from pipeline.matching.pitches.pairs import Pairs

# Log odds that two records are one pitch because a third record matches both. This constant and the next five were fitted to 474 such
# pairs of seasons from two simulators.
_THIRD_RECORD = 2.0
# Log odds per nat of evidence from the two records' own readings ...
_READING_WEIGHT = 0.6
# ... of which at most this many nats count.
_READING_CAP = 4.0
# Log odds lost where both trackers have fine clocks, which would have matched the two records directly.
_CLOCK_PENALTY = 3.0
# Power of the odds of a pair inside a group. It is below 1 because the alignments share readings.
_INSIDE_POWER = 0.75
# Power of the odds of a pair that grouping left out.
_LEFT_OUT_POWER = 0.5
# Probability from which a pair that grouping left out competes with the pairs that rule it out: more likely than not.
_RIVAL = 0.5
# Share of the smaller tracker's records that must be matched before the clock between two trackers counts as known; a guess, no source.
_CLOCK_KNOWN_SHARE = 0.5


def limit_indirect_pairs(final: FinalFit, first: Ints, second: Ints) -> Floats:
    """Return the highest probability (pairs,) of pairs (first, second) that only a third tracker's record joins.

    log odds = 2.0 + 0.6 min(L, 4) - 3.0 c, with L the log-likelihood ratio of the readings in nats and c = 1 where both records have a
    stamp and their trackers' clocks are fine and known. It is 1 where the two trackers have no model.
    """
    records, models = final.records, final.models
    limit = np.ones(len(first))
    swap = records.tracker[first] > records.tracker[second]
    a, b = np.where(swap, second, first), np.where(swap, first, second)
    place = {key: m for m, key in enumerate(models.keys)}
    keys = zip(records.tracker[a].tolist(), records.tracker[b].tolist(), records.day[a].tolist(), strict=True)
    model = np.array([place.get(key, -1) for key in keys], dtype=np.int64)
    # The evidence wants its pairs sorted by model.
    order = np.flatnonzero(model >= 0)[np.argsort(model[model >= 0], kind="stable")]
    if len(order):
        reading_evidence = log_ratio(models.readings, model[order], records.readings, a[order], b[order])
        clock_known = _has_fine_clocks(final)[model[order]]
        stamped = ~np.isnan(records.seen_s[a[order]] + records.seen_s[b[order]])
        log_odds = _THIRD_RECORD + _READING_WEIGHT * np.minimum(reading_evidence, _READING_CAP)
        log_odds = log_odds - _CLOCK_PENALTY * (clock_known & stamped)
        limit[order] = 1 / (1 + np.exp(-np.clip(log_odds, -50, 50)))
    return limit


def _has_fine_clocks(final: FinalFit) -> Bools:
    """Return (models,) whether the fine clocks of two trackers are known from most of the smaller one's records."""
    records, keys, cells = final.records, final.models.keys, final.fit.cells
    matched = np.bincount(final.model_of[cells.stream_pair], cells.posterior, len(keys))
    owner = np.bincount(records.tracker_day)
    smaller = np.array([min(owner[day * len(records.trackers) + t] for t in (a, b)) for a, b, day in keys])
    clocked = np.ones(len(keys), dtype=bool)
    for streams, region, m in zip(final.stream_pairs, final.regions, final.model_of.tolist(), strict=True):
        clocked[m] &= region.clock is not None and not streams.is_coarse
    return np.asarray(clocked & (matched > _CLOCK_KNOWN_SHARE * smaller))


def weigh_rivals(
    pairs: Pairs, groups: Groups, tracker: Ints, probability: Floats, apart: set[tuple[int, int]]
) -> Floats:
    """Return the probabilities (pairs,) after likely pairs outside the groups competed with the pairs that rule them out.

    The rivals are hypotheses of which at most one is true: p = o / (1 + o + sum of the rivals' odds), with the odds of each alignment
    raised to a power below 1. A probability never rises.
    """
    left_out = np.flatnonzero(~groups.joined & ~pairs.by_person & (probability > _RIVAL))
    if not len(left_out):
        return probability
    members = _members_by_group(groups, np.concatenate([pairs.first[left_out], pairs.second[left_out]]))
    inside = np.flatnonzero(groups.joined & ~pairs.by_person)
    pair_at = {
        (min(a, b), max(a, b)): n
        for n, a, b in zip(inside.tolist(), pairs.first[inside].tolist(), pairs.second[inside].tolist(), strict=True)
    }
    clipped = np.clip(probability, 1e-6, 1 - 1e-6)
    odds = clipped / (1 - clipped)
    own_odds = odds ** np.where(groups.joined, _INSIDE_POWER, _LEFT_OUT_POWER)
    rival_odds = odds ** np.where(groups.joined, _LEFT_OUT_POWER, _INSIDE_POWER)
    against = np.zeros(len(odds))
    for n in left_out.tolist():
        u, v = int(pairs.first[n]), int(pairs.second[n])
        ruling_out = {
            pair_at.get((min(edge), max(edge)), -1)
            for x in members[int(groups.group[u])]
            for y in members[int(groups.group[v])]
            if tracker[x] == tracker[y] or (min(x, y), max(x, y)) in apart
            for edge in ((u, x), (v, y))
            if edge[0] != edge[1]
        }
        rivals = [e for e in ruling_out if e >= 0 and probability[e] + probability[n] > 1]
        for e in rivals:
            against[e] += rival_odds[n]
        against[n] = max((float(rival_odds[e]) for e in rivals), default=0.0)
    return np.where(against > 0, np.minimum(probability, own_odds / (1 + own_odds + against)), probability)


def _members_by_group(groups: Groups, rows: Ints) -> dict[int, list[int]]:
    """Return the records of each group that holds any of the rows."""
    wanted = np.unique(groups.group[rows])
    members: dict[int, list[int]] = {int(group): [] for group in wanted.tolist()}
    for row in np.flatnonzero(np.isin(groups.group, wanted)).tolist():
        members[int(groups.group[row])].append(row)
    return members
