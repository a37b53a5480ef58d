"""Merge names that two trackers spell differently, so that a spelling is not mistaken for a wrong label."""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Bools, Floats, Ints

# Two names are one pitcher when more than this share of either one's pitches carries the other, too; a guess, no source ...
_MOSTLY_BESIDE = 0.6
# ... or more than this share, if they are spelled alike: stale labels hide the rest; a guess, no source.
_ALIKE_BESIDE = 0.2
# Similarity (0 to 1) from which two names are spelled alike; a guess, no source.
_ALIKE = 0.9
# Pitches on which both names must occur; a guess, no source.
_LEAST_BESIDE = 2


class Spelling(NamedTuple):
    """How a name is written, and whether it is a roster player's: two roster players are never one pitcher."""

    words: str
    on_roster: bool


def merge_spellings(label: Ints, spellings: Mapping[int, Spelling]) -> dict[int, int]:
    """Return, for each name of `label` (pitches, trackers; -1: none) that is another spelling of one, the name that replaces it.

    Only names that no tracker writes both can be one pitcher: a tracker spells a name in one way.
    """
    replaced_by: dict[int, int] = {}
    while (pair := _same_pitcher(label, spellings)) is not None:
        kept, gone = pair
        label = np.where(label == gone, kept, label)
        replaced_by = {name: kept if target == gone else target for name, target in replaced_by.items()}
        replaced_by[gone] = kept
    return replaced_by


def _same_pitcher(label: Ints, spellings: Mapping[int, Spelling]) -> tuple[int, int] | None:
    """Return the two names that most surely are one pitcher, the one that more trackers write first; None if there are none."""
    names = np.unique(label[label >= 0])
    written = (label == names[:, None, None]).astype(float)
    used_by = written.any(axis=1)
    beside, share = _beside(written, used_by)
    likely = np.argwhere(np.triu(~(used_by @ used_by.T)) & (beside >= _LEAST_BESIDE) & (share > _ALIKE_BESIDE))
    pairs = [
        (int(beside[a, b]), -int(names[a]), -int(names[b]), int(a), int(b))
        for a, b in likely
        if _may_be_one(spellings[int(names[a])], spellings[int(names[b])], share[a, b])
    ]
    if not pairs:
        return None
    *_, a, b = max(pairs)
    a, b = (a, b) if used_by[a].sum() >= used_by[b].sum() else (b, a)
    return int(names[a]), int(names[b])


def _may_be_one(a: Spelling, b: Spelling, share: float) -> bool:
    from rapidfuzz import fuzz

    if a.on_roster and b.on_roster:
        return False
    return share > _MOSTLY_BESIDE or fuzz.ratio(a.words, b.words) >= 100 * _ALIKE


def _beside(written: Floats, used_by: Bools) -> tuple[Floats, Floats]:
    """Return (names, names) the pitches where one tracker writes the one name and another tracker the other, and their share.

    The share is of the pitches with either name that have a label of a tracker that writes the other; of the two, the smaller one.
    `written` (names, pitches, trackers): who writes which name. `used_by` (names, trackers): whether at all.
    """
    others = written.sum(axis=2, keepdims=True) - written
    beside = others.reshape(len(written), -1) @ written.reshape(len(written), -1).T
    company = (others * (written.sum(axis=0) > 0)).sum(axis=1)
    possible = company @ used_by.T
    return beside, beside / np.maximum(np.maximum(possible, possible.T), 1)
