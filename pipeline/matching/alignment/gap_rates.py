"""Gap rates: how often runs of unmatched records open, go on and turn, and how often neighbors cross.

They give the transitions of the pair hidden Markov model.
"""

from typing import NamedTuple

import numpy as np

from pipeline.matching.alignment.bands import Cells
from pipeline.matching.alignment.forward_backward import Moves, Transitions
from pipeline.matching.data.arrays import Bools, Floats, Ints
from pipeline.matching.data.days import Days

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Prior of the opening rate: 1.5 runs of unmatched records in 30.
_OPEN_PRIOR = (1.5, 30.0)
# Prior of the extension rate: 6 of 10 unmatched records are followed by another.
_EXTEND_PRIOR = (6.0, 10.0)
# Ends of runs that the prior of the turning rate is worth. A choice, no source: 10 to 1,000 act alike.
_TURN_WEIGHT = 10.0
# Orders of two unmatched records, one of each stream: the one path of an alignment represents both.
_ORDERS = 2.0
# Highest opening rate, so that matches stay possible ...
_MAX_OPEN = 0.4
# ... highest extension rate, so that runs end ...
_MAX_EXTEND = 0.97
# ... and highest turning rate, at first ...
_MAX_FIRST_TURN = 0.7
# ... and learned.
_MAX_TURN = 0.8
# Prior of the share of crossings among matches, by class of stamps (fine, coarse, none): common practice, no source.
_CROSSED_SHARE = np.array([1 / 100, 1 / 400, 1 / 400])
# Matches that this prior is worth.
_CROSSED_WEIGHT = 400.0
# First log factor of two crossed pairs. Started high, crossings of like throws would sustain themselves.
_FIRST_CROSSED = np.array([-4.0, -6.0, -6.0])
# Range of the log factor.
_CROSSED_RANGE = (-8.0, -2.0)
# The counts end at pairs above this posterior.
_MATCHED = 0.5
# Unmatched records at the ends are nearly free if clocks are coarse or missing: floor of the extension rate.
_FREE_END = float(np.exp(-0.015))


class GapCounts(NamedTuple):
    """Expected events and chances of them, by stream pair or by model: the last axis of each array.

    `open`, `extend`, `turn` (pairs, streams, 2): runs of unmatched records that open, of the records that could open
    one; those that extend one, of all unmatched; runs that turn into one of the other stream, of those that end.
    `crossed` (pairs, 2): crossings of two neighbors, of the matches.
    """

    open: Floats
    extend: Floats
    turn: Floats
    crossed: Floats

    def only(self, pairs: Ints) -> "GapCounts":
        """Return those of some pairs."""
        return GapCounts(*(count[pairs] for count in self))


class GapRates(NamedTuple):
    """Probabilities that a run of unmatched records opens and extends, and that one that ends turns into the other's.

    Arrays are (stream pairs, 2), for runs of the first and of the second stream. `crossed` (stream pairs,): log factor
    of two crossed pairs.
    """

    open: Floats
    extend: Floats
    turn: Floats
    crossed: Floats

    def only(self, pairs: Ints) -> "GapRates":
        """Return those of some stream pairs."""
        return GapRates(*(rate[pairs] for rate in self))

    def put(self, pairs: Ints, new: "GapRates") -> "GapRates":
        """Return the same with those of some stream pairs replaced."""
        rates = GapRates(*(rate.copy() for rate in self))
        for rate, of_new in zip(rates, new, strict=True):
            rate[pairs] = of_new
        return rates


def gap_prior(days: Days) -> GapCounts:
    """Return the prior as counts: a run of 2.5 records opens after every 20th record, and crossings are rare."""
    opening, extend = (np.tile(prior, (len(days), 2, 1)) for prior in (_OPEN_PRIOR, _EXTEND_PRIOR))
    crossed = _CROSSED_WEIGHT * np.exp(_FIRST_CROSSED[_stamp_class(days)])
    return GapCounts(opening, extend, np.zeros_like(opening), _event_counts(crossed, _CROSSED_WEIGHT))


def pooled_gap_prior(days: Days, pooled: GapCounts) -> GapCounts:
    """Return the prior from what many days counted (by stream pair), for runs with the weight of the first prior."""
    prior = gap_prior(days)
    opening, extend = prior.open + pooled.open, prior.extend + pooled.extend
    crossed = pooled.crossed + _event_counts(_CROSSED_WEIGHT * _CROSSED_SHARE[_stamp_class(days)], _CROSSED_WEIGHT)
    return GapCounts(
        _OPEN_PRIOR[1] * opening / opening[..., 1:],
        _EXTEND_PRIOR[1] * extend / extend[..., 1:],
        _TURN_WEIGHT * pooled.turn / (pooled.turn[..., 1:] + _TURN_WEIGHT),
        crossed,
    )


def count_gaps(days: Days, cells: Cells, moves: Moves) -> GapCounts:
    """Count the expected runs of unmatched records, from the first to the last match of each stream pair."""
    runs = np.zeros((2, len(days), 2, 2))
    matches = np.flatnonzero(cells.posterior > _MATCHED)
    for side, position in enumerate((cells.i, cells.j)):
        size = np.array([streams.shape[side] for streams in days.stream_pairs], dtype=np.int64)
        start = np.cumsum(size) - size
        at = start[cells.stream_pair] + position
        matched = np.bincount(at, cells.posterior, int(size.sum()))
        unmatched = 1 - np.minimum(matched, 1.0)
        first, last = np.full(len(days), len(matched)), np.full(len(days), -1)
        np.minimum.at(first, cells.stream_pair[matches], at[matches])
        np.maximum.at(last, cells.stream_pair[matches], at[matches])
        record = np.arange(len(matched))
        # the first match opens nothing
        inside = (record > np.repeat(first, size)) & (record <= np.repeat(last, size))
        before = np.concatenate([[0.0], unmatched[:-1]])
        opened, could_open, extended = (
            np.add.reduceat(inside * expected, start)
            for expected in (unmatched * (1 - before), 1 - before, unmatched * before)
        )
        runs[0, :, side] = _event_counts(opened, could_open)
        runs[1, :, side] = _event_counts(extended, opened + extended)
    turned = np.stack([moves.first_second, moves.second_first], axis=1)
    ended = turned + np.stack([moves.first_both, moves.second_both], axis=1)
    crossed = _event_counts(moves.crossed, np.bincount(cells.stream_pair, cells.posterior, len(days)).astype(float))
    return GapCounts(runs[0], runs[1], _event_counts(_orders(days) * turned, ended), crossed)


def start_gap_rates(days: Days) -> GapRates:
    """Return the rates of the prior."""
    prior = gap_prior(days)
    return fit_gap_rates(prior, GapCounts(*(np.zeros_like(count) for count in prior)))


def fit_gap_rates(prior: GapCounts, counts: GapCounts) -> GapRates:
    """Return the rates from expected counts and the prior's; that of crossings is the prior's."""
    opening, extend, turn = (before + now for before, now in zip(prior[:3], counts[:3], strict=True))
    rate = np.minimum(opening[..., 0] / opening[..., 1], _MAX_OPEN)
    turn = turn + _event_counts(_TURN_WEIGHT * _turn_prior(rate), _TURN_WEIGHT)
    return GapRates(
        rate,
        np.minimum(extend[..., 0] / extend[..., 1], _MAX_EXTEND),
        np.minimum(turn[..., 0] / turn[..., 1], _MAX_TURN),
        np.clip(np.log(prior.crossed[:, 0] / prior.crossed[:, 1]), *_CROSSED_RANGE),
    )


def _event_counts(events: Floats, chances: Floats | float) -> Floats:
    """Put events and chances side by side, in a last axis."""
    return np.stack([events, np.broadcast_to(chances, events.shape)], axis=-1)


def _turn_prior(opening: Floats) -> Floats:
    """Return the share of ending runs that turn into the other stream's, if records are missed independently."""
    return np.asarray(np.minimum(_ORDERS * opening[:, ::-1], _MAX_FIRST_TURN))


def _is_untimed(days: Days) -> Bools:
    return np.array([np.isnan(streams.resolution_s) for streams in days.stream_pairs], dtype=bool)


def _stamp_class(days: Days) -> Ints:
    """Return the class of the coarser stamps of each stream pair: 0 fine, 1 coarse, 2 none."""
    return np.where(_is_untimed(days), 2, np.where(days.is_coarse, 1, 0))


def _orders(days: Days) -> Floats:
    """Return how many orders of two unmatched records a path of each stream pair represents, beside those it counts.

    Coarse stamps put the two in one order, whichever it was. Without clocks the first stream's come first, and fine
    stamps show the order.
    """
    return np.asarray(np.where(days.is_coarse, _ORDERS, 1.0)[:, None])


def transitions_of(days: Days, rates: GapRates) -> Transitions:
    """Return the transition weights of the pair hidden Markov model, by stream pair."""
    opening, extend = rates.open, rates.extend
    untimed = _is_untimed(days)
    turn = (1 - extend) * rates.turn
    # without clocks the first stream's records come first
    turn[untimed, 1] = 0.0
    match = 1 - extend - turn / _orders(days)
    at_ends = np.where((untimed | days.is_coarse)[:, None], np.maximum(extend, _FREE_END), extend)
    return Transitions(
        both_both=1 - opening.sum(axis=1),
        both_first=opening[:, 0],
        both_second=opening[:, 1],
        first_first=extend[:, 0],
        first_second=turn[:, 0],
        first_both=match[:, 0],
        second_second=extend[:, 1],
        second_first=turn[:, 1],
        second_both=match[:, 1],
        first_first_start=at_ends[:, 0],
        first_first_end=at_ends[:, 0],
        second_second_start=at_ends[:, 1],
        second_second_end=at_ends[:, 1],
        crossed=np.exp(rates.crossed),
    )
