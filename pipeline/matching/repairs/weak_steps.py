"""Drop steps of a clock path that their pairs do not pay for.

A segment that a few coincidences made can keep true pairs apart. README.md, section "When the first clock is wrong".
"""

import numpy as np

from pipeline.matching.alignment.align_round import Fit
from pipeline.matching.alignment.search import Search, SearchRegion
from pipeline.matching.clocks.search import STEP_COST, Clock
from pipeline.matching.data.arrays import Bools, Ints
from pipeline.matching.data.days import Days
from pipeline.matching.repairs.missed_steps import SECOND_STEP_COST

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Offsets of two segments that differ by less than this many spreads are one segment.
_WIDTH = 3.0


def without_weak_steps(days: Days, search: Search, fit: Fit, from_left: bool) -> tuple[Ints, list[SearchRegion]]:
    """Return (stream pairs, regions) without segments weaker than a step's cost.

    The clock before such a segment (or after it, without `from_left`) goes on through it. Another round shows whether
    the path is better without.
    """
    cells = fit.cells
    matched = np.flatnonzero(cells.posterior > 0.5)
    cuts = np.searchsorted(cells.stream_pair[matched], np.arange(len(days) + 1))
    found: dict[int, SearchRegion] = {}
    for p, region in enumerate(search.regions):
        clock = region.clock
        if clock is None or clock.steps == 0 or days.stream_pairs[p].is_coarse:
            continue
        own = matched[cuts[p] : cuts[p + 1]]
        gain = np.bincount(clock.segment[cells.j[own]], cells.evidence[own], clock.steps + 1)
        # a segment between two steps was found beside a known one, at that cost; a single pitch there has paid it in full
        cost = np.full(clock.steps + 1, SECOND_STEP_COST)
        cost[[0, -1]] = STEP_COST
        paid = (gain >= np.minimum(cost, float(gain.max()))) | (np.bincount(clock.segment) == 1)
        strong = paid[clock.segment]
        if not strong.all():
            found[p] = SearchRegion(_through_weak(clock, strong, from_left), None, region.borrowed)
    return np.array(list(found), dtype=np.int64), list(found.values())


def _through_weak(clock: Clock, strong: Bools, from_left: bool) -> Clock:
    """Return the path with weak records at the offset of a strong neighbor.

    The strong one before or after.
    """
    position = np.arange(len(strong))
    strong_at = np.flatnonzero(strong)
    near = np.searchsorted(strong_at, position, "right") - 1 if from_left else np.searchsorted(strong_at, position)
    source = strong_at[np.clip(near, 0, len(strong_at) - 1)]
    differs = np.abs(np.diff(clock.offset_s[source])) > _WIDTH * clock.sigma_s
    step = (np.diff(source) != 0) & differs & (np.diff(clock.segment[source]) != 0)
    segment = np.concatenate([[0], np.cumsum(step)])
    return clock._replace(offset_s=clock.offset_s[source], segment=segment)
