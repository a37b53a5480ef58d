"""Form pitches from matched pairs: group them, check what only a third tracker joins, and set the probabilities."""

from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Floats
from pipeline.matching.pitches.decisions import Decisions
from pipeline.matching.pitches.final_fit import FinalFit
from pipeline.matching.pitches.grouping import Groups, group_records
from pipeline.matching.pitches.pairs import (
    PROBABILITY_DECIMALS,
    Pairs,
    add_indirect_pairs,
    indirect_pairs,
    pair_probabilities,
)
from pipeline.matching.pitches.triples import limit_indirect_pairs, weigh_rivals


class Pitches(NamedTuple):
    """`pairs` with their published `probability` (pairs,), and the `groups` of records that are one pitch."""

    pairs: Pairs
    groups: Groups
    probability: Floats


def form_pitches(final: FinalFit, pairs: Pairs, decisions: Decisions, merge_above: float) -> Pitches:
    """Group the pairs that are likelier than `merge_above`.

    A group that only a third record holds together is split again where the two records' own readings and clocks make it unlikely.
    """
    same, apart = decisions.row_pairs(final.records)
    tracker, split = final.records.tracker, set[tuple[int, int]]()
    strong = np.flatnonzero(pairs.probability > merge_above)
    edges = pairs.first[strong], pairs.second[strong], pairs.probability[strong]
    while True:
        group = group_records(tracker, *edges, same, apart | split).group
        groups = Groups(group, group[pairs.first] == group[pairs.second])
        grouped, groups = add_indirect_pairs(pairs, groups)
        indirect = indirect_pairs(grouped, groups)
        limit = np.ones(len(grouped.first))
        limit[indirect] = limit_indirect_pairs(final, grouped.first[indirect], grouped.second[indirect])
        unlikely = indirect[limit[indirect] < merge_above]
        if not len(unlikely):
            break
        both = grouped.first[unlikely], grouped.second[unlikely]
        split |= set(zip(np.minimum(*both).tolist(), np.maximum(*both).tolist(), strict=True))
    probability = weigh_rivals(grouped, groups, tracker, pair_probabilities(grouped, groups, limit), split)
    return Pitches(grouped, groups, np.round(probability, PROBABILITY_DECIMALS))
