"""Shift clock paths of coarse stamps that the first search put into a neighbor's place.

The first search uses a few readings and no labels, and the refinement trusts the pairs that it led to. Within minutes,
neighbors are then joined in good order. With all that was learned, every pair near a segment votes on its offset again.
README.md, section "When the first clock is wrong".
"""

import numpy as np

from pipeline.matching.alignment.search import Search, SearchRegion
from pipeline.matching.clocks.search import EVIDENCE_RANGE, MISSED, Clock
from pipeline.matching.data.arrays import Floats, Ints
from pipeline.matching.data.days import Days
from pipeline.matching.evidence.models import Models
from pipeline.matching.evidence.timing import box_density

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Seconds from one shift that is tried to the next: below what half a minute's stamps show.
_GRID_S = 3.0
# Shifts reach this many stamps to both sides: past the neighbors that share a stamp.
_REACH_IN_STAMPS = 1.0
# Pairs with less evidence (natural log) do not vote: some ten of them are near a record, and weigh less than its chance to be alone.
_LEAST_EVIDENCE = -5.0
# A shift must explain this much more (natural log): the choice of one of so many.
_COST = float(np.log(2 * 60.0 / _GRID_S + 1))


def shift_coarse_clocks(days: Days, models: Models, search: Search) -> Search:
    """Return the search with each segment of a coarse clock where all pairs near it fit best."""
    asked = [p for p, region in enumerate(search.regions) if days.is_coarse[p] and region.clock is not None]
    regions = {p: _shifted(days, models, p, search.regions[p]) for p in asked}
    moved = [p for p in asked if regions[p] is not search.regions[p]]
    return search.put_regions(np.array(moved, dtype=np.int64), [regions[p] for p in moved])


def _shifted(days: Days, models: Models, p: int, region: SearchRegion) -> SearchRegion:
    streams, clock = days.stream_pairs[p], region.clock
    assert clock is not None
    width_s = streams.resolution_s
    reach_s = _REACH_IN_STAMPS * width_s
    shifts = np.arange(-reach_s, reach_s + _GRID_S / 2, _GRID_S)
    gap_s = streams.second.seen_s - clock.offset_s - streams.first.seen_s[:, None]
    i, j = np.nonzero(np.abs(gap_s) < reach_s + width_s / 2 + 3 * clock.sigma_s)
    evidence = models.log_ratio(
        days.records, np.full(len(i), days.model_of[p]), streams.first.rows[i], streams.second.rows[j]
    )
    live = np.flatnonzero(evidence > _LEAST_EVIDENCE)
    score = segment_scores(clock, gap_s[i[live], j[live]], j[live], evidence[live], shifts, width_s)
    best = score.argmax(axis=1)
    gain = score.max(axis=1) - score[:, len(shifts) // 2]
    shift = np.where(gain > _COST, shifts[best], 0.0)
    if not shift.any():
        return region
    # the pairs that bounded the window may be neighbors
    return region._replace(clock=clock._replace(offset_s=clock.offset_s + shift[clock.segment]), window=None)


def segment_scores(
    clock: Clock, gap_s: Floats, record: Ints, evidence: Floats, shifts: Floats, width_s: float
) -> Floats:
    """Return the log-likelihood of each shift (columns) of each segment (rows), against records without partners.

    `gap_s`, `record`, `evidence` (pairs,): time difference about the path, record of the second stream, log-likelihood
    ratio. As in the first search, a record has a partner in any of its pairs, or none.
    """
    weight = np.exp(np.clip(evidence, *EVIDENCE_RANGE))
    records = len(clock.offset_s)
    score = np.zeros((clock.steps + 1, len(shifts)))
    for column, shift in enumerate(shifts.tolist()):
        # 2 widths: the density of other events is half of that in one stamp, as in the time evidence
        density = 2 * width_s * box_density(gap_s - shift, clock.sigma_s, width_s)
        found = np.bincount(record, weight * density, records)
        score[:, column] = np.bincount(clock.segment, np.log(MISSED + (1 - MISSED) * found), clock.steps + 1)
    return score
