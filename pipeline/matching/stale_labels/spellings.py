"""One name for an arm whose name two devices spell otherwise: a matter of names must not be taken for a wrong label."""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Bools, Floats, Ints

# two names stand for one arm when of either one's pitches more than this share bears the other ...
_MOSTLY_BESIDE = 0.6
# ... or, when they are written alike, more than this: labels that were not changed in time hide the rest
_ALIKE_BESIDE, _ALIKE = 0.2, 0.9
_LEAST_BESIDE = 2


class Spelling(NamedTuple):
    """How a name is written, and whether it is a player's of the roster: two players of the roster are never one arm."""

    words: str
    on_roster: bool


def one_spelling(told: Ints, spellings: Mapping[int, Spelling]) -> dict[int, int]:
    """The name that stands for each name of `told` (pitches, trackers; -1: no label) that is another spelling of it.

    Only names that no tracker writes both can be one arm's: a device spells a name in one way.
    """
    stands_for: dict[int, int] = {}
    while (found := _same_arm(told, spellings)) is not None:
        keep, gone = found
        told = np.where(told == gone, keep, told)
        stands_for = {**{name: keep if kept == gone else kept for name, kept in stands_for.items()}, gone: keep}
    return stands_for


def _same_arm(told: Ints, spellings: Mapping[int, Spelling]) -> tuple[int, int] | None:
    """The pair of names that most surely stand for one arm, the one that more trackers write first."""
    names = np.unique(told[told >= 0])
    says = (told == names[:, None, None]).astype(float)
    used = says.any(axis=1)
    beside, share = _beside(says, used)
    likely = np.argwhere(np.triu(~(used @ used.T)) & (beside >= _LEAST_BESIDE) & (share > _ALIKE_BESIDE))
    pairs = [
        (int(beside[a, b]), -int(names[a]), -int(names[b]), int(a), int(b))
        for a, b in likely
        if _may_be_one(spellings[int(names[a])], spellings[int(names[b])], share[a, b])
    ]
    if not pairs:
        return None
    *_, a, b = max(pairs)
    a, b = (a, b) if used[a].sum() >= used[b].sum() else (b, a)
    return int(names[a]), int(names[b])


def _may_be_one(one: Spelling, other: Spelling, share: float) -> bool:
    from rapidfuzz import fuzz

    if one.on_roster and other.on_roster:
        return False
    return share > _MOSTLY_BESIDE or fuzz.ratio(one.words, other.words) >= 100 * _ALIKE


def _beside(says: Floats, used: Bools) -> tuple[Floats, Floats]:
    """(names, names), where it `says` (names, pitches, trackers) who writes which name: pitches where one tracker writes the one and another
    the other; and their share of the pitches where either one stands beside a label of a tracker that writes the other (of the two
    shares, the lesser)."""
    others = says.sum(axis=2, keepdims=True) - says
    beside = others.reshape(len(says), -1) @ says.reshape(len(says), -1).T
    company = (others * (says.sum(axis=0) > 0)).sum(axis=1)
    most = company @ used.T
    return beside, beside / np.maximum(np.maximum(most, most.T), 1)
