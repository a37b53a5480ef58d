"""One round of alignment: weigh pairs, run forward-backward, share records."""

from typing import NamedTuple

import numpy as np

from pipeline.matching.alignment.bands import Cells, join_windows
from pipeline.matching.alignment.batches import posterior_of_cells
from pipeline.matching.alignment.forward_backward import Moves
from pipeline.matching.alignment.gap_rates import transitions_of
from pipeline.matching.alignment.search import Search, SearchRegion, region_window
from pipeline.matching.clocks.search import path_cost
from pipeline.matching.data.arrays import Bools, Floats, Ints, gather
from pipeline.matching.data.days import Days, DecidedPairs
from pipeline.matching.data.streams import COARSE_S, StreamPair
from pipeline.matching.evidence.labels import label_evidence
from pipeline.matching.evidence.models import Models
from pipeline.matching.evidence.readings import log_ratio
from pipeline.matching.evidence.timing import box_density, density

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Density per second of a stamp that is off by any amount: one in 3,000, anywhere in two hours. An estimate, no source.
_GLITCH_DENSITY = 5e-8
# Two trackers' false records mostly follow the same pitch, within some ten seconds and before the next pitch: density
# per second of another event near a record that comes soon after the one before. Common practice, no source.
_SOON_RATE = 0.1
# A step can bring two neighbors to one time: density per second of another event beside a step, one within a minute for
# each of the two offsets. An estimate, no source.
_BESIDE_STEP_RATE = 2 / 60
# Cost (natural log) of two steps with one pitch in between, against one step. An estimate, no source.
_SECOND_STEP_COST = 6.0
# What a person's decision adds to the evidence of a pair (natural log): more than all other evidence.
_DECISION_EVIDENCE = 40.0
# A clock path must beat streams without a common pitch by this much (natural log) to show one session.
_CLOCK_MARGIN = 12.0
# With less doubt than this, for or against a pair, rounding and pruning decide its odds. A choice, no source.
_LEAST_DOUBT = 1e-6
# Posteriors below this do not compete for a record.
_NEGLIGIBLE_POSTERIOR = 1e-6


class Fit(NamedTuple):
    """Result of a round.

    `cells`: pairs of records with posteriors. `log_evidence`, `same_session` (stream pairs,): log evidence and
    probability that both streams show one session. `moves`: expected moves of the alignment, if they do.
    """

    cells: Cells
    log_evidence: Floats
    same_session: Floats
    moves: Moves

    @property
    def matched(self) -> Floats:
        """Expected number of matched pairs, by stream pair."""
        pairs = len(self.log_evidence)
        return np.asarray(np.bincount(self.cells.stream_pair, self.cells.posterior, pairs), dtype=float)

    def put(self, pairs: Ints, new: "Fit") -> "Fit":
        """Return the same with some stream pairs replaced.

        Rows and columns of the bands then have no meaning.
        """
        kept = np.flatnonzero(~np.isin(self.cells.stream_pair, pairs))
        cells = new.cells._replace(stream_pair=pairs[new.cells.stream_pair])
        order = np.argsort(np.concatenate([self.cells.stream_pair[kept], cells.stream_pair]), kind="stable")
        cells = Cells(*(np.concatenate([a[kept], b])[order] for a, b in zip(self.cells, cells, strict=True)))
        log_evidence, same_session = self.log_evidence.copy(), self.same_session.copy()
        log_evidence[pairs], same_session[pairs] = new.log_evidence, new.same_session
        return Fit(cells, log_evidence, same_session, self.moves.put(pairs, new.moves))

    def only(self, pairs: Ints) -> "Fit":
        """Return the result of some stream pairs (ascending), numbered from 0."""
        cells = self.cells.take(np.flatnonzero(np.isin(self.cells.stream_pair, pairs)))
        cells = cells._replace(stream_pair=np.searchsorted(pairs, cells.stream_pair))
        return Fit(cells, self.log_evidence[pairs], self.same_session[pairs], self.moves.only(pairs))


def align(days: Days, search: Search, models: Models) -> Fit:
    """Return the posterior of each pair of records inside the search regions."""
    regions = search.regions
    windows = [
        region_window(streams, region, reach_s)
        for streams, region, reach_s in zip(days.stream_pairs, regions, search.reach_s.tolist(), strict=True)
    ]
    bands, cells = join_windows(days.stream_pairs, windows, [region.clock for region in regions])
    cells = with_decisions(weigh(days, regions, models, cells), days.decisions)
    posterior, log_evidence, moves = posterior_of_cells(bands, cells, transitions_of(days, search.gaps))
    # pairs are near the path because the path was drawn through them
    log_evidence = log_evidence - [
        0.0 if region.borrowed or region.clock is None else path_cost(region.clock, streams.resolution_s)
        for streams, region in zip(days.stream_pairs, regions, strict=True)
    ]
    score = np.array([region.clock.score - _CLOCK_MARGIN if region.clock else -np.inf for region in regions])
    same_session = 1.0 / (1.0 + np.exp(-np.clip(np.maximum(log_evidence, score), -50, 50)))
    order = _order_evidence(posterior, cells.evidence)
    cells = cells._replace(order=order, posterior=posterior * same_session[cells.stream_pair])
    moves = Moves(*(same_session * count for count in moves))
    return Fit(share_contested_records(days, cells), log_evidence, same_session, moves)


def weigh(days: Days, regions: list[SearchRegion], models: Models, cells: Cells) -> Cells:
    """Compute the log-likelihood ratios of readings, labels and time of each cell."""
    model_of, records = days.model_of[cells.stream_pair], days.records
    return cells._replace(
        readings=log_ratio(models.readings, model_of, records.readings, cells.first, cells.second),
        label=label_evidence(models.labels, model_of, records.labels, cells.first, cells.second),
        time=_time_evidence(days, regions, cells),
    )


def _order_evidence(posterior: Floats, evidence: Floats) -> Floats:
    """Return what the alignment's log odds of each cell say beyond the cell's own evidence."""
    doubtful = np.minimum(posterior, 1 - posterior) >= _LEAST_DOUBT
    odds = np.where(doubtful, posterior / np.maximum(1 - posterior, _LEAST_DOUBT), np.nan)
    return np.asarray(np.log(odds) - evidence)


def _time_evidence(days: Days, regions: list[SearchRegion], cells: Cells) -> Floats:
    """Return the log-likelihood ratio of each time gap.

    It compares the density for one pitch with that of other events near an event. It is 0 where a stamp or the clock is
    missing.
    """
    time, stamped = np.zeros(len(cells.i)), np.flatnonzero(~np.isnan(cells.time_gap_s))
    pair, i, j = cells.stream_pair[stamped], cells.i[stamped], cells.j[stamped]
    same, other = _time_densities(days.stream_pairs, regions, pair, cells.time_gap_s[stamped])
    streams, is_fine = days.stream_pairs, ~days.is_coarse[pair]
    both_soon = gather([s.first.is_soon for s in streams], pair, i) & gather(
        [s.second.is_soon for s in streams], pair, j
    )
    other = np.where(both_soon & is_fine, np.maximum(other, _SOON_RATE), other)
    segments = [
        np.zeros(len(s.second.rows), np.int64) if region.clock is None else region.clock.segment
        for s, region in zip(streams, regions, strict=True)
    ]
    beside_step = gather([_is_beside_step(segment) for segment in segments], pair, j)
    other = np.where(beside_step & is_fine, np.maximum(other, _BESIDE_STEP_RATE), other)
    evidence = np.log(same + _GLITCH_DENSITY) - np.log(other)
    # an offset that was fitted to one record alone is not evidence: the cost of a second step replaces its time
    fitted_to_one = gather(
        [(np.bincount(k)[k] == 1) | (len(s.first.rows) == 1) for s, k in zip(streams, segments, strict=True)], pair, j
    )
    time[stamped] = np.where(fitted_to_one, np.minimum(evidence, -_SECOND_STEP_COST), evidence)
    return time


def _time_densities(
    stream_pairs: list[StreamPair], regions: list[SearchRegion], pair: Ints, gap_s: Floats
) -> tuple[Floats, Floats]:
    """Return the densities per second of each gap: for one pitch, and for others."""
    nearby_rate = np.array([(s.first.nearby_rate + s.second.nearby_rate) / 2 for s in stream_pairs])
    sigma_s = np.array([region.clock.sigma_s if region.clock is not None else np.nan for region in regions])[pair]
    resolution_s = np.array([s.resolution_s for s in stream_pairs])[pair]
    same, other = density(gap_s, sigma_s), nearby_rate[pair]
    coarse = np.flatnonzero(resolution_s > COARSE_S)
    same[coarse] = box_density(gap_s[coarse], sigma_s[coarse], resolution_s[coarse])
    # inside one coarse stamp other events are likely, too; but a shared stamp must not count against a match
    other[coarse] = 1 / (2 * resolution_s[coarse])
    return same, other


def _is_beside_step(segment: Ints) -> Bools:
    """Return which records of the second stream are next to a step of the path."""
    turn = np.diff(segment) != 0
    return np.asarray(np.append(turn, False) | np.append(False, turn))


def with_decisions(cells: Cells, decisions: DecidedPairs) -> Cells:
    """Add a person's decisions to the evidence.

    They outweigh everything else, and free the records for other pairs.
    """
    label = cells.label.copy()
    for evidence, pairs in ((_DECISION_EVIDENCE, decisions.same), (-_DECISION_EVIDENCE, sorted(decisions.apart))):
        for a, b in pairs:
            decided = ((cells.first == a) & (cells.second == b)) | ((cells.first == b) & (cells.second == a))
            label[decided] += evidence
    return cells._replace(label=label)


def share_contested_records(days: Days, cells: Cells) -> Cells:
    """Lower the posteriors of records that several stream pairs claim.

    Each claim's odds are divided by 1 + the sum of the odds of all claims; of both sides, the smaller posterior counts.
    """
    posterior = cells.posterior
    if len({(streams.trackers, streams.day) for streams in days.stream_pairs}) == len(days):
        return cells
    trackers = np.array([s.trackers[0] * 1000 + s.trackers[1] for s in days.stream_pairs])[cells.stream_pair]
    live = np.flatnonzero(posterior > _NEGLIGIBLE_POSTERIOR)
    out = posterior.copy()
    for record in (cells.first, cells.second):
        claims = np.stack([trackers[live], record[live], cells.stream_pair[live]], axis=1)
        key, claim_of = np.unique(claims, axis=0, return_inverse=True)
        claim = np.minimum(np.bincount(claim_of.ravel(), posterior[live]), 1 - 1e-9)
        odds = claim / (1 - claim)
        owner = np.unique(key[:, :2], axis=0, return_inverse=True)[1].ravel()
        contested = np.bincount(owner)[owner] > 1
        factor = np.where(contested, odds / (1 + np.bincount(owner, odds)[owner]) / np.maximum(claim, 1e-12), 1.0)
        out[live] = np.minimum(out[live], posterior[live] * np.minimum(factor[claim_of.ravel()], 1.0))
    return cells._replace(posterior=out)
