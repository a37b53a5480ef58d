"""Pairs into pitches: strongest first, at most one sighting of each tracker in a group, decisions of people above all."""

from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Bools, Floats, Ints


class Groups(NamedTuple):
    """`group[r]`: number of the group of record r (that of its lowest record); `joined[e]`: whether edge e is inside a group."""

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
    """Join records along edges, strongest first, unless that would put two records of one tracker, or a pair kept apart, together.

    `forced` edges come before all others. Ties are broken by the records' order, so the outcome does not depend on input order.
    """
    contested = {row for pair in forced for row in pair} | {row for pair in apart for row in pair}
    degree = np.bincount(np.concatenate([first, second]), minlength=len(tracker))
    degree[sorted(contested)] += 2
    plain = (degree[first] == 1) & (degree[second] == 1) & (tracker[first] != tracker[second])
    home = np.arange(len(tracker))
    home[np.maximum(first[plain], second[plain])] = np.minimum(first[plain], second[plain])
    rest = np.flatnonzero(~plain)
    order = rest[np.lexsort((second[rest], first[rest], -strength[rest]))]
    edges = [*forced, *zip(first[order].tolist(), second[order].tolist(), strict=True)]
    for row, group in _joined(tracker.tolist(), edges, _enemies(apart)).items():
        home[row] = group
    return Groups(home, home[first] == home[second])


def _joined(tracker: list[int], edges: list[tuple[int, int]], enemies: dict[int, set[int]]) -> dict[int, int]:
    """Group (its lowest record) of every record on the edges, which come in the order in which they are tried."""
    members: dict[int, list[int]] = {}
    home: dict[int, int] = {}
    for a, b in edges:
        one, two = home.setdefault(a, a), home.setdefault(b, b)
        if one == two:
            continue
        ours, theirs = members.get(one, [one]), members.get(two, [two])
        if _clash(tracker, ours, theirs, enemies):
            continue
        keep, gone = min(one, two), max(one, two)
        members[keep] = ours + theirs
        members.pop(gone, None)
        home.update(dict.fromkeys(members[keep], keep))
    return home


def _enemies(apart: set[tuple[int, int]]) -> dict[int, set[int]]:
    enemies: dict[int, set[int]] = {}
    for a, b in apart:
        enemies.setdefault(a, set()).add(b)
        enemies.setdefault(b, set()).add(a)
    return enemies


def _clash(tracker: list[int], ours: list[int], theirs: list[int], enemies: dict[int, set[int]]) -> bool:
    if {tracker[r] for r in ours} & {tracker[r] for r in theirs}:
        return True
    return any(not enemies.get(r, set()).isdisjoint(theirs) for r in ours)
