"""Gap rates: how often runs of unmatched records open and go on.

They give the transitions of the pair hidden Markov model.
"""

from typing import NamedTuple

import numpy as np

from pipeline.matching.alignment.bands import Cells
from pipeline.matching.alignment.forward_backward import Transitions
from pipeline.matching.data.arrays import Floats, Ints
from pipeline.matching.data.days import Days

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Prior of the opening rate: 1.5 runs of unmatched records in 30.
_OPEN_PRIOR = (1.5, 30.0)
# Prior of the extension rate: 6 of 10 unmatched records are followed by another.
_EXTEND_PRIOR = (6.0, 10.0)
# Highest opening rate, so that matches stay possible.
_MAX_OPEN = 0.4
# Highest extension rate, so that runs end.
_MAX_EXTEND = 0.97
# After a run of one stream's own records, a run of the other's opens this many times as often as elsewhere ...
_TURN_FACTOR = 1.5
# ... and at most with this share of the probability that the first run ends.
_MAX_TURN = 0.3
# Cost (natural log) of two crossed pairs with clocks ...
_CROSSING_COST = 2.0
# ... and without.
_UNTIMED_CROSSING_COST = 5.0
# Unmatched records at the ends are nearly free if clocks are coarse or missing: floor of the extension rate.
_FREE_END = float(np.exp(-0.015))


class GapRates(NamedTuple):
    """Probabilities that a run of unmatched records opens and extends.

    Arrays are (stream pairs, 2), for runs of the first and of the second stream.
    """

    open: Floats
    extend: Floats

    def only(self, pairs: Ints) -> "GapRates":
        """Return those of some stream pairs."""
        return GapRates(self.open[pairs], self.extend[pairs])

    def put(self, pairs: Ints, new: "GapRates") -> "GapRates":
        """Return the same with those of some stream pairs replaced."""
        opening, extend = self.open.copy(), self.extend.copy()
        opening[pairs], extend[pairs] = new.open, new.extend
        return GapRates(opening, extend)


def start_gap_rates(pairs: int) -> GapRates:
    """Return the priors: a run of 2.5 records opens after every 20th record."""
    opening, extend = (prior[0] / prior[1] for prior in (_OPEN_PRIOR, _EXTEND_PRIOR))
    return GapRates(np.full((pairs, 2), opening), np.full((pairs, 2), extend))


def fit_gap_rates(days: Days, cells: Cells) -> GapRates:
    """Estimate the gap rates from the expected runs of unmatched records."""
    rates = start_gap_rates(len(days))
    for side, position in enumerate((cells.i, cells.j)):
        size = np.array([streams.shape[side] for streams in days.stream_pairs], dtype=np.int64)
        start = np.cumsum(size) - size
        matched = np.bincount(start[cells.stream_pair] + position, cells.posterior, int(size.sum()))
        unmatched = 1 - np.minimum(matched, 1.0)
        before = np.concatenate([[0.0], unmatched[:-1]])
        before[start[size > 0]] = 0.0
        opened, extended, possible = (
            np.add.reduceat(x, start) for x in (unmatched * (1 - before), unmatched * before, 1 - before)
        )
        rates.open[:, side] = np.minimum((opened + _OPEN_PRIOR[0]) / (possible + _OPEN_PRIOR[1]), _MAX_OPEN)
        extend = (extended + _EXTEND_PRIOR[0]) / (opened + extended + _EXTEND_PRIOR[1])
        rates.extend[:, side] = np.minimum(extend, _MAX_EXTEND)
    return rates


def transitions_of(days: Days, rates: GapRates) -> Transitions:
    """Return the transition weights of the pair hidden Markov model, by stream pair."""
    opening, extend = rates
    untimed = np.array([np.isnan(streams.resolution_s) for streams in days.stream_pairs], dtype=bool)
    turn = np.minimum(_TURN_FACTOR * opening[:, ::-1], _MAX_TURN * (1 - extend))
    at_ends = np.where((untimed | days.is_coarse)[:, None], np.maximum(extend, _FREE_END), extend)
    return Transitions(
        both_both=1 - opening.sum(axis=1),
        both_first=opening[:, 0],
        both_second=opening[:, 1],
        first_first=extend[:, 0],
        first_second=turn[:, 0],
        first_both=1 - extend[:, 0] - turn[:, 0],
        second_second=extend[:, 1],
        second_first=turn[:, 1],
        second_both=1 - extend[:, 1] - turn[:, 1],
        first_first_start=at_ends[:, 0],
        first_first_end=at_ends[:, 0],
        second_second_start=at_ends[:, 1],
        second_second_end=at_ends[:, 1],
        crossed=np.exp(-np.where(untimed, _UNTIMED_CROSSING_COST, _CROSSING_COST)),
    )
