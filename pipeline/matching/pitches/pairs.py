"""Pairs of records that may be one pitch, with their probabilities, from the cells of the alignment and from people's decisions."""

from typing import NamedTuple

import numpy as np

from pipeline.matching.alignment.bands import Cells
from pipeline.matching.data.arrays import Bools, Floats, Ints
from pipeline.matching.data.records import Records
from pipeline.matching.pitches.decisions import Decisions
from pipeline.matching.pitches.double_triggers import Doubles
from pipeline.matching.pitches.grouping import Groups

# Pairs less likely than this are not published. It is low enough that every pair worth a look in review is there; a choice, no source.
REPORTED = 0.02
# Decimals of published probabilities. The last bits of a sum may depend on how the work was cut into batches.
PROBABILITY_DECIMALS = 6


class Pairs(NamedTuple):
    """Pairs of records (pairs,): `cell` is the cell that they come from (-1: none); `by_person`: a person decided."""

    first: Ints
    second: Ints
    probability: Floats
    cell: Ints
    by_person: Bools

    def take(self, keep: Bools) -> "Pairs":
        """Return a part of the pairs."""
        return Pairs(self.first[keep], self.second[keep], self.probability[keep], self.cell[keep], self.by_person[keep])


def candidate_pairs(records: Records, cells: Cells, doubles: Doubles, decisions: Decisions) -> Pairs:
    """Return the pairs likely enough to publish.

    A double record that is set aside passes its pairs on to the record that it repeats. Decisions override the model.
    """
    # A pair can gain the cells of a double record, and so may begin below the limit.
    likely = np.flatnonzero(cells.posterior >= REPORTED / 4)
    kept_record = np.arange(len(records.tracker))
    kept_record[doubles.second] = doubles.first
    first, second = kept_record[cells.first[likely]], kept_record[cells.second[likely]]
    posterior = cells.posterior[likely]
    order = np.lexsort((likely, -posterior, second, first))
    first, second, posterior, likely = first[order], second[order], posterior[order], likely[order]
    new = np.zeros(len(first), dtype=bool)
    new[:1], new[1:] = True, (np.diff(first) != 0) | (np.diff(second) != 0)
    total = np.minimum(np.bincount(np.cumsum(new) - 1, posterior) if len(posterior) else posterior, 1.0)
    found = Pairs(first[new], second[new], total, likely[new], np.zeros(int(new.sum()), dtype=bool))
    capped = _cap_shared_partners(found, records.tracker, doubles.first)
    found = found._replace(probability=np.round(capped, PROBABILITY_DECIMALS))
    return _apply_decisions(found.take(found.probability >= REPORTED), *decisions.row_pairs(records))


def _cap_shared_partners(pairs: Pairs, tracker: Ints, rows: Ints) -> Floats:
    """Return the probabilities after each of the `rows`, which took over a double's pairs, has one partner per tracker at most.

    The less likely partners share the probability that the likeliest one leaves.
    """
    probability = pairs.probability.copy()
    for row in rows.tolist():
        own = np.flatnonzero((pairs.first == row) | (pairs.second == row))
        partner_tracker = tracker[np.where(pairs.first[own] == row, pairs.second[own], pairs.first[own])]
        for other in np.unique(partner_tracker).tolist():
            claims = own[partner_tracker == other]
            likeliest = claims[probability[claims].argmax()]
            lesser = claims[claims != likeliest]
            left, wanted = 1.0 - probability[likeliest], probability[lesser].sum()
            if wanted > left:
                probability[lesser] *= left / wanted
    return probability


def _apply_decisions(pairs: Pairs, same: list[tuple[int, int]], apart: set[tuple[int, int]]) -> Pairs:
    """Set decided pairs to probability 1 or 0; a decided pair that the model does not have is added."""
    verdict = {**dict.fromkeys(same, 1.0), **dict.fromkeys(apart, 0.0)}
    if not verdict:
        return pairs
    known = {(min(a, b), max(a, b)) for a, b in zip(pairs.first.tolist(), pairs.second.tolist(), strict=True)}
    added = np.array([pair for pair in verdict if pair not in known], dtype=np.int64).reshape(-1, 2)
    first, second = np.concatenate([pairs.first, added[:, 0]]), np.concatenate([pairs.second, added[:, 1]])
    probability = np.concatenate([pairs.probability, np.zeros(len(added))])
    by_person = np.zeros(len(first), dtype=bool)
    for n, (a, b) in enumerate(zip(first.tolist(), second.tolist(), strict=True)):
        if (pair := (min(a, b), max(a, b))) in verdict:
            probability[n], by_person[n] = verdict[pair], True
    return Pairs(first, second, probability, np.concatenate([pairs.cell, np.full(len(added), -1)]), by_person)


def add_indirect_pairs(pairs: Pairs, groups: Groups) -> tuple[Pairs, Groups]:
    """Add, with probability 0, the pairs of a group that only a third record joins."""
    rows = np.unique(np.concatenate([pairs.first[groups.joined], pairs.second[groups.joined]]))
    large = np.bincount(groups.group[rows], minlength=len(groups.group)) > 2
    members: dict[int, list[int]] = {}
    for row in rows[large[groups.group[rows]]].tolist():
        members.setdefault(int(groups.group[row]), []).append(row)
    inside = large[groups.group[pairs.first]] & groups.joined
    first, second = pairs.first[inside].tolist(), pairs.second[inside].tolist()
    known = {(min(a, b), max(a, b)) for a, b in zip(first, second, strict=True)}
    added = [(a, b) for own in members.values() for n, a in enumerate(own) for b in own[n + 1 :] if (a, b) not in known]
    if not added:
        return pairs, groups
    rows_added, zeros = np.array(added, dtype=np.int64), np.zeros(len(added))
    columns = (rows_added[:, 0], rows_added[:, 1], zeros, np.full(len(added), -1), zeros > 0)
    pairs = Pairs(*(np.concatenate(both) for both in zip(pairs, columns, strict=True)))
    return pairs, groups._replace(joined=groups.group[pairs.first] == groups.group[pairs.second])


def indirect_pairs(pairs: Pairs, groups: Groups) -> Ints:
    """Return the pairs inside a group that have no cell of their own."""
    return np.flatnonzero(groups.joined & (pairs.cell < 0) & ~pairs.by_person)


def pair_probabilities(pairs: Pairs, groups: Groups, limit: Floats) -> Floats:
    """Return (pairs,) the greater of a pair's own probability and that of the way over a third record, the latter up to `limit`."""
    return np.maximum(pairs.probability, np.minimum(_over_third_record(pairs, groups), limit))


def _over_third_record(pairs: Pairs, groups: Groups) -> Floats:
    """Return p(a, c) raised to the greatest p(a, b) p(b, c) of any third record b in the group."""
    known: dict[tuple[int, int], float] = {}
    partners: dict[int, list[int]] = {}
    size = np.bincount(groups.group, minlength=1)
    inside = np.flatnonzero(groups.joined & (size[groups.group[pairs.first]] > 2))
    for n in inside.tolist():
        a, b = int(pairs.first[n]), int(pairs.second[n])
        known[(a, b)] = known[(b, a)] = float(pairs.probability[n])
        partners.setdefault(a, []).append(b)
        partners.setdefault(b, []).append(a)
    out = pairs.probability.copy()
    for n in inside.tolist():
        a, b = int(pairs.first[n]), int(pairs.second[n])
        ways = [known[(a, c)] * known[(c, b)] for c in partners[a] if c != b and (c, b) in known]
        out[n] = max([out[n], *ways])
    return out


def record_probabilities(pairs: Pairs, groups: Groups, tracker: Ints, probability: Floats) -> Floats:
    """Return (records,) the probability of each record's group.

    A record in a group has that of its likeliest pair. A single has the product over the other trackers of 1 - their claims on it.
    """
    size = np.bincount(groups.group, minlength=len(tracker))[groups.group]
    likeliest = np.zeros(len(tracker))
    claims = np.zeros((len(tracker), int(tracker.max()) + 1 if len(tracker) else 1))
    for record, partner in ((pairs.first, pairs.second), (pairs.second, pairs.first)):
        np.maximum.at(likeliest, record[groups.joined], probability[groups.joined])
        np.add.at(claims, (record, tracker[partner]), probability)
    unclaimed = np.prod(1 - np.minimum(claims, 1.0), axis=1)
    return np.where(size > 1, likeliest, np.round(unclaimed, PROBABILITY_DECIMALS))
