"""Proposals for clocks that the first search got wrong.

Each returns the fit, with other search regions where they are better. README.md, section "When the first clock is
wrong".
"""

from dataclasses import replace

import numpy as np

from pipeline.matching.alignment.align_round import align
from pipeline.matching.alignment.search import FINE_S, NOWHERE, SearchRegion, find_regions, refine_regions
from pipeline.matching.clocks.search import STEP_COST, Clock
from pipeline.matching.data.arrays import Floats
from pipeline.matching.data.days import UNDECIDED, Days
from pipeline.matching.learning.day_fit import DayFit
from pipeline.matching.repairs.diagnosis import is_matched_elsewhere, unmatched_at_an_end
from pipeline.matching.repairs.missed_steps import add_missed_steps
from pipeline.matching.repairs.shifted_clocks import shift_coarse_clocks
from pipeline.matching.repairs.weak_steps import without_weak_steps

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Another file may borrow the clock of a stream pair with at least so many expected matches ...
_MIN_MATCHED = 6.0
# ... and more log evidence of one session than this.
_MIN_LOG_EVIDENCE = 30.0
# A clock that a stream pair found itself must explain this much more (natural log) than a borrowed one: it was set
# between the two files.
_OWN_CLOCK_COST = STEP_COST


def missed_step(days: Days, fit: DayFit) -> DayFit:
    """Add steps that unmatched records show, if they gain more than they cost."""
    return replace(fit, search=add_missed_steps(days, fit.models, fit.search, fit.fit, only_stepped=False))


def missed_step_beside_known_step(days: Days, fit: DayFit) -> DayFit:
    """Add such steps beside known steps only.

    Models pooled over days may show what the model of one day left open.
    """
    return replace(fit, search=add_missed_steps(days, fit.models, fit.search, fit.fit, only_stepped=True))


def search_again_with_learned_readings(days: Days, fit: DayFit) -> DayFit:
    """Search the clocks of unsettled stream pairs again.

    The model of readings has been learned since the first search.
    """
    regions = find_regions(days.only(fit.unsettled), fit.models.readings)
    return replace(fit, search=fit.search.put_regions(fit.unsettled, regions))


def clock_of_neighboring_file(days: Days, fit: DayFit) -> DayFit:
    """Let stream pairs borrow the clock of the same trackers' nearest file.

    Those with too little in common to find a clock. Pieces of one session overlap by a pitch or two only. But a clock
    can be set between two files: a stream pair keeps the clock that it found itself if that explains more by the cost
    of a step.
    """
    borrowed = _borrowed_regions(days, fit)
    asked = np.array(list(borrowed), dtype=np.int64)
    if not len(asked):
        return fit
    # a decision would support whichever clock brings its two records together
    part = replace(days.only(asked), decisions=UNDECIDED)
    search = fit.search.only(asked).within(FINE_S)

    def log_evidence(regions: list[SearchRegion]) -> Floats:
        return align(part, replace(search, regions=regions), fit.models).log_evidence

    takes = log_evidence(search.regions) <= log_evidence(list(borrowed.values())) + _OWN_CLOCK_COST
    chosen = asked[takes]
    return replace(fit, search=fit.search.put_regions(chosen, [borrowed[p] for p in chosen.tolist()]))


def _borrowed_regions(days: Days, fit: DayFit) -> dict[int, SearchRegion]:
    """Return, by stream pair, the region that the nearest file would lend it."""
    matched, regions = fit.fit.matched, fit.search.regions
    lenders: dict[tuple[tuple[int, int], int], list[int]] = {}
    for p, streams in enumerate(days.stream_pairs):
        plenty = matched[p] >= _MIN_MATCHED and fit.fit.log_evidence[p] > _MIN_LOG_EVIDENCE
        if regions[p].clock is not None and plenty:
            lenders.setdefault((streams.trackers, streams.day), []).append(p)
    borrowed: dict[int, SearchRegion] = {}
    for p, streams in enumerate(days.stream_pairs):
        others = lenders.get((streams.trackers, streams.day), [])
        if regions[p].clock is not None and others and p not in others:
            middle_s = float(np.nanmean(streams.second.seen_s))
            distance_s = {q: np.abs(days.stream_pairs[q].second.seen_s - middle_s) for q in others}
            nearest = min(others, key=lambda q: (np.nanmin(distance_s[q]), q))
            lent = regions[nearest].clock
            assert lent is not None
            offset_s = lent.offset_s[int(np.nanargmin(distance_s[nearest]))]
            one_segment = np.zeros(len(streams.second.rows), dtype=np.int64)
            clock = Clock(np.full(len(one_segment), offset_s), one_segment, lent.sigma_s, 0.0)
            borrowed[p] = SearchRegion(clock, None, borrowed=True)
    return borrowed


def exclude_streams_matched_elsewhere(days: Days, fit: DayFit) -> DayFit:
    """Exclude stream pairs without clocks that are matched elsewhere.

    Their records have their partners in other stream pairs.
    """
    excluded = [
        p for p in np.flatnonzero(is_matched_elsewhere(days, fit.fit)).tolist() if fit.search.regions[p].clock is None
    ]
    return replace(fit, search=fit.search.put_regions(np.array(excluded, dtype=np.int64), [NOWHERE] * len(excluded)))


def shift_to_neighbors(days: Days, fit: DayFit) -> DayFit:
    """Shift coarse clocks where all pairs near a segment fit better."""
    return replace(fit, search=shift_coarse_clocks(days, fit.models, fit.search))


def look_wider_where_a_step_may_hide(days: Days, fit: DayFit) -> DayFit:
    """Look farther from the clock path where coarse stamps may hide a step.

    Or hide the record at which one happened.
    """
    stepped = np.isin(np.arange(len(days)), fit.search.stepped)
    wide = np.flatnonzero(days.is_coarse & (stepped | unmatched_at_an_end(days, fit.fit.cells)))
    return replace(fit, search=fit.search.within(FINE_S, wide))


def drop_weak_steps(days: Days, fit: DayFit) -> DayFit:
    """Drop segments of a path whose pairs do not pay for a step.

    Only where the path explains more without them.
    """
    for from_left in (True, False):
        asked, regions = without_weak_steps(days, fit.search, fit.fit, from_left)
        if len(asked):
            search = replace(fit.search.only(asked), regions=regions).within(FINE_S)
            new = align(days.only(asked), search, fit.models)
            better = np.flatnonzero(new.log_evidence > fit.fit.log_evidence[asked])
            fit = replace(
                fit,
                fit=fit.fit.put(asked[better], new.only(better)),
                search=fit.search.put_regions(asked[better], [regions[k] for k in better.tolist()]),
            )
    return fit


def refine_stepped_clocks(days: Days, fit: DayFit) -> DayFit:
    """Refine stepped clocks by the pairs of the last round.

    Segments past a step were found last, by few pairs.
    """
    return replace(fit, search=refine_regions(days, fit.search, fit.fit.cells, fit.search.stepped))
