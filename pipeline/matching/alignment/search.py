"""Where to look for the pairs of each stream pair.

Along its clock path or, without clocks, around a first chain of pairs.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from pipeline.matching.alignment.bands import Cells
from pipeline.matching.alignment.forward_backward import Moves
from pipeline.matching.alignment.gap_rates import (
    GapCounts,
    GapRates,
    count_gaps,
    fit_gap_rates,
    gap_prior,
    start_gap_rates,
)
from pipeline.matching.alignment.windows import (
    EMPTY_WINDOW,
    Window,
    full_window,
    heaviest_chain,
    intersection,
    window_around_chain,
    window_around_pairs,
    window_between_pins,
    window_near_clock,
)
from pipeline.matching.clocks.refine import SURE_PAIR, refine
from pipeline.matching.clocks.search import Clock, OffsetLikelihoods, find_clocks, offset_likelihoods
from pipeline.matching.data.arrays import Floats, Ints
from pipeline.matching.data.days import Days
from pipeline.matching.data.records import Records
from pipeline.matching.data.streams import StreamPair
from pipeline.matching.evidence.readings import CIRCULAR, ReadingModel, shared_metrics

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Seconds around the clock path in which pairs are compared: where the path is uncertain ...
ROUGH_S = 75.0
# ... once it is settled ...
FINE_S = 12.0
# ... where it is plain at first sight ...
CLOSE_S = 4.0
# ... and with coarse stamps, where the path is uncertain.
_COARSE_ROUGH_S = 150.0
# With coarse stamps and a settled path: half a stamp, so many spreads ...
_COARSE_SPREADS = 4
# ... and so many seconds.
_COARSE_EXTRA_S = 30
# A first path is plain if its score (natural log) per record of the smaller stream is at least this, with fine stamps ...
_PLAIN_SCORE = 2.0
# ... or with coarse ones.
_COARSE_PLAIN_SCORE = 1.0
# Stream pairs with at most this many cells are compared completely.
_SMALL = 3000
# Metrics that the first search uses: the most telling ones.
_SEARCH_METRICS = 5
# In the first search, a metric costs a pair at most this (natural log).
_MAX_METRIC_COST = 3.0
# Evidence that a pair must exceed to join the first chain.
_CHAIN_COST = 1.0
# A chain is trusted if its gain per record of the smaller stream is at least this ...
_CHAIN_TRUSTED = 1.0
# ... and plain from this gain on.
_CHAIN_PLAIN = 1.6
# Records on both sides of a trusted chain that stay in the band ...
_MARGIN = 8
# ... of a plain chain ...
_PLAIN_MARGIN = 3
# ... and of the pairs of an alignment.
_FITTED_MARGIN = 5
# A pair above this posterior ...
_PIN_POSTERIOR = 0.99
# ... and this evidence (natural log) is a pin ...
_PIN_EVIDENCE = 6.0
# ... and others lie between so many pins before and after.
_PINS = 2
# Pairs below this posterior do not widen the band of the next round.
_NEGLIGIBLE_POSTERIOR = 1e-6


class SearchRegion(NamedTuple):
    """Where to look for the pairs of one stream pair.

    Along the clock path, inside a window, or both. `borrowed`: the clock was found in another stream pair.
    """

    clock: Clock | None
    window: Window | None
    borrowed: bool = False

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to compare."""
        return self.window is not None and self.window.is_empty

    @property
    def is_stepped(self) -> bool:
        """Whether the clock path has a step."""
        return self.clock is not None and self.clock.steps > 0


NOWHERE = SearchRegion(None, EMPTY_WINDOW)


@dataclass(frozen=True)
class Search:
    """Where to look for pairs, by stream pair.

    `regions`, `gaps` (gap rates), `gap_prior` (what they are shrunk to), `reach_s` (seconds from the clock path).
    """

    regions: list[SearchRegion]
    gaps: GapRates
    gap_prior: GapCounts
    reach_s: Floats

    def only(self, pairs: Ints) -> "Search":
        """Return the same for some stream pairs (ascending)."""
        regions = [self.regions[p] for p in pairs.tolist()]
        return Search(regions, self.gaps.only(pairs), self.gap_prior.only(pairs), self.reach_s[pairs])

    def put(self, pairs: Ints, new: "Search") -> "Search":
        """Return the same with some stream pairs replaced."""
        reach_s = self.reach_s.copy()
        reach_s[pairs] = new.reach_s
        regions = self.put_regions(pairs, new.regions).regions
        return Search(regions, self.gaps.put(pairs, new.gaps), self.gap_prior, reach_s)

    def put_regions(self, pairs: Ints, new: list[SearchRegion]) -> "Search":
        """Return the same with the regions of some stream pairs replaced."""
        regions = list(self.regions)
        for p, region in zip(pairs.tolist(), new, strict=True):
            regions[p] = region
        return replace(self, regions=regions)

    def within(self, reach_s: float, wide: Ints | None = None) -> "Search":
        """Return the same within `reach_s` seconds; `wide` ones within ROUGH_S."""
        reaches_s = np.full(len(self.regions), reach_s)
        if wide is not None:
            reaches_s[wide] = ROUGH_S
        return replace(self, reach_s=reaches_s)

    @property
    def stepped(self) -> Ints:
        """Stream pairs whose clock path has a step."""
        return np.flatnonzero([region.is_stepped for region in self.regions])


def first_search(days: Days, model: ReadingModel) -> Search:
    """Search all clocks; without clocks, a first chain of pairs."""
    regions = find_regions(days, model)
    per_record = np.array(
        [
            region.clock.score / min(streams.shape) if region.clock is not None else 0.0
            for streams, region in zip(days.stream_pairs, regions, strict=True)
        ]
    )
    # records off a plain path, past a step, are left to the repair of missed steps
    plain = per_record >= np.where(days.is_coarse, _COARSE_PLAIN_SCORE, _PLAIN_SCORE)
    reach_s = np.where(~plain, ROUGH_S, np.where(days.is_coarse, FINE_S, CLOSE_S))
    return Search(regions, start_gap_rates(days), gap_prior(days), reach_s)


def find_regions(days: Days, model: ReadingModel) -> list[SearchRegion]:
    """Return the most likely region of each stream pair.

    A clock path by the likelihood of all pairs; without clocks, a window around the heaviest chain.
    """
    regions: dict[int, SearchRegion] = {}
    timed, likelihoods = list[int](), list[OffsetLikelihoods]()
    for p, streams in enumerate(days.stream_pairs):
        evidence = quick_evidence(days.records, streams, model, int(days.model_of[p]))
        if np.isnan(streams.resolution_s):
            regions[p] = SearchRegion(None, _window_without_clock(streams, evidence))
        else:
            timed.append(p)
            seen_s = streams.first.seen_s, streams.second.seen_s
            likelihoods.append(offset_likelihoods(*seen_s, evidence, streams.resolutions_s))
    for p, clock in zip(timed, find_clocks(likelihoods), strict=True):
        regions[p] = SearchRegion(clock, None)
    return [regions[p] for p in range(len(days))]


def quick_evidence(records: Records, streams: StreamPair, model: ReadingModel, m: int) -> Floats:
    """Return an approximate log ratio of all pairs (first, second).

    It uses the most telling metrics only.
    """
    a, b = records.readings[streams.first.rows], records.readings[streams.second.rows]
    total = np.zeros((len(a), len(b)), dtype=np.float32)
    metrics = _most_telling(model, m, a, b)
    read_a, read_b = (a[:, metrics] + model.bias[m, metrics]).T, b[:, metrics].T
    known_a, known_b = ~np.isnan(read_a), ~np.isnan(read_b)
    first, second = (np.where(known, x, 0.0).astype(np.float32) for known, x in ((known_a, read_a), (known_b, read_b)))
    for n, k in enumerate(metrics):
        d = second[n] - first[n][:, None]
        if CIRCULAR[k]:
            d -= np.rint(d * np.float32(1 / 360)) * np.float32(360)
        spread, wide = model.spread[m, k], float(model.neighbor_spread[m, :, k].mean())
        weight = model.trust[m] * model.weight[m, k]
        np.multiply(d, d, out=d)
        d *= np.float32(weight * (0.5 / wide**2 - 0.5 / spread**2))
        d += np.float32(weight * np.log(wide / spread))
        # a row of it: with a scalar, numpy's maximum takes four times as long
        np.maximum(d, np.full(len(b), -_MAX_METRIC_COST * weight, dtype=np.float32), out=d)
        d[~known_a[n]] = 0.0
        d[:, ~known_b[n]] = 0.0
        total += d
    return total


def _most_telling(model: ReadingModel, m: int, a: Floats, b: Floats) -> list[int]:
    metrics = shared_metrics(model, m)
    known = (~np.isnan(a[:, metrics])).mean(axis=0) * (~np.isnan(b[:, metrics])).mean(axis=0)
    ratio = np.maximum(model.neighbor_spread[m, 1, metrics] / model.spread[m, metrics], 1.0)
    gain = known * model.weight[m, metrics] * np.log(ratio)
    best = np.argsort(-gain, kind="stable")[:_SEARCH_METRICS]
    return [int(metrics[k]) for k in best if gain[k] > 0]


def _window_without_clock(streams: StreamPair, evidence: Floats) -> Window:
    """Return the band around the heaviest chain, or everything.

    Everything if no chain is trusted.
    """
    if evidence.size <= _SMALL:
        return full_window(streams)
    i, j, weight = heaviest_chain(np.maximum(evidence - _CHAIN_COST, 0.0))
    size = min(evidence.shape)
    if weight < _CHAIN_TRUSTED * size:
        return full_window(streams)
    return window_around_chain(i, j, evidence.shape, _MARGIN if weight < _CHAIN_PLAIN * size else _PLAIN_MARGIN)


def region_window(streams: StreamPair, region: SearchRegion, reach_s: float) -> Window:
    """Return the window in which the records of a region are compared."""
    if region.clock is None:
        return region.window or full_window(streams)
    if streams.is_coarse:
        settled_s = streams.resolution_s / 2 + _COARSE_SPREADS * region.clock.sigma_s + _COARSE_EXTRA_S
        reach_s = _COARSE_ROUGH_S if reach_s == ROUGH_S else settled_s
    return window_near_clock(streams, region.clock, reach_s, region.window)


def refine_search(days: Days, search: Search, cells: Cells, moves: Moves) -> Search:
    """Refine regions and gap rates by the pairs that the alignment found."""
    everything, gaps = np.arange(len(days)), fit_gap_rates(search.gap_prior, count_gaps(days, cells, moves))
    return replace(refine_regions(days, search, cells, everything), gaps=gaps)


def refine_regions(days: Days, search: Search, cells: Cells, chosen: Ints) -> Search:
    """Refine the clocks of some stream pairs by sure pairs; narrow their windows."""
    starts = np.searchsorted(cells.stream_pair, np.arange(len(days) + 1))
    sure = np.flatnonzero(cells.posterior > SURE_PAIR)
    cuts = np.searchsorted(sure, starts)
    is_pin = (cells.posterior > _PIN_POSTERIOR) & (cells.evidence > _PIN_EVIDENCE)
    refined: list[SearchRegion] = []
    for p in chosen.tolist():
        streams, region = days.stream_pairs[p], search.regions[p]
        pairs = sure[cuts[p] : cuts[p + 1]]
        pins = pairs[is_pin[pairs]]
        window = window_between_pins(cells.i[pins], cells.j[pins], streams.shape, _PINS)
        if region.is_empty:
            refined.append(region)
        elif region.clock is None:
            live = np.flatnonzero(cells.posterior[starts[p] : starts[p + 1]] > _NEGLIGIBLE_POSTERIOR) + int(starts[p])
            near = window_around_pairs(cells.i[live], cells.j[live], streams.shape, _FITTED_MARGIN)
            refined.append(SearchRegion(None, intersection(near, window)))
        else:
            clock = refine(region.clock, streams, (cells.i[pairs], cells.j[pairs], cells.posterior[pairs]))
            refined.append(region._replace(clock=clock, window=window))
    return search.put_regions(chosen, refined)
