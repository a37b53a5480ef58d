"""Group matched records into pitches: strongest pair first, at most one record of each tracker, people's decisions above all."""

from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Bools, Floats, Ints


class Groups(NamedTuple):
    """`group` (records,): lowest record in each record's group. `joined` (pairs,): whether both records are in one group."""

    group: Ints
    joined: Bools


def group_records(
    tracker: Ints,
    first: Ints,
    second: Ints,
    strength: Floats,
    forced: list[tuple[int, int]],
    apart: set[tuple[int, int]],
) -> Groups:
    """Join records along pairs (first, second), strongest pair first.

    A pair is skipped if it would put two records of one tracker, or a pair in `apart`, into one group. `forced` pairs come before all
    others. Ties go by the records' order, so the result does not depend on the order of the input.
    """
    decided = {row for pair in forced for row in pair} | {row for pair in apart for row in pair}
    degree = np.bincount(np.concatenate([first, second]), minlength=len(tracker))
    degree[sorted(decided)] += 2
    # Most pairs compete with no other pair; they need no search.
    isolated = (degree[first] == 1) & (degree[second] == 1) & (tracker[first] != tracker[second])
    group = np.arange(len(tracker))
    group[np.maximum(first[isolated], second[isolated])] = np.minimum(first[isolated], second[isolated])
    rest = np.flatnonzero(~isolated)
    order = rest[np.lexsort((second[rest], first[rest], -strength[rest]))]
    pairs = [*forced, *zip(first[order].tolist(), second[order].tolist(), strict=True)]
    for row, lowest in _join_pairs(tracker.tolist(), pairs, apart).items():
        group[row] = lowest
    return Groups(group, group[first] == group[second])


def _join_pairs(tracker: list[int], pairs: list[tuple[int, int]], apart: set[tuple[int, int]]) -> dict[int, int]:
    """Return the lowest record of the group of every record in `pairs`, which are tried in order."""
    kept_from: dict[int, set[int]] = {}
    for a, b in apart:
        kept_from.setdefault(a, set()).add(b)
        kept_from.setdefault(b, set()).add(a)
    members: dict[int, list[int]] = {}
    group: dict[int, int] = {}
    for a, b in pairs:
        group_a, group_b = group.setdefault(a, a), group.setdefault(b, b)
        if group_a == group_b:
            continue
        members_a, members_b = members.get(group_a, [group_a]), members.get(group_b, [group_b])
        same_tracker = {tracker[row] for row in members_a} & {tracker[row] for row in members_b}
        if same_tracker or any(not kept_from.get(row, set()).isdisjoint(members_b) for row in members_a):
            continue
        lowest = min(group_a, group_b)
        members.pop(max(group_a, group_b), None)
        members[lowest] = members_a + members_b
        group.update(dict.fromkeys(members[lowest], lowest))
    return group
