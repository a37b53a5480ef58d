"""Find how far the second stream's clock is ahead of the first's.

The method is a hidden Markov model over the offset. Track before detect: no pair of records is trusted before the clock
is known. The states are offsets on a grid. Each record of the second stream gives every offset a likelihood, from the
pairs that it would make there and the likelihood ratio of their readings. Viterbi's algorithm finds the best path: to
stay is free, drift and steps cost. One method for a constant offset, a whole hour, drift, steps and restarts.
README.md, section "Clock".
"""

import math
from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Bools, Floats, Ints, median
from pipeline.matching.data.streams import COARSE_S
from pipeline.matching.evidence.timing import box_density, density, start_sigma

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Width of the offset grid in seconds: below the error that the refinement corrects.
_GRID_S = 1.0
# The same for coarse stamps.
_COARSE_GRID_S = 4.0
# Seconds around each candidate offset that the grid covers: room for drift.
_REACH_S = 75.0
# The same for coarse stamps.
_COARSE_REACH_S = 120.0
# Cost (natural log) of a drift to the next grid cell.
_DRIFT_COST = 4.0
# Cost (natural log) of a step of the clock: about one in a million records.
STEP_COST = 14.0
# Width in seconds of the bins of the offset histogram.
_BIN_S = 1.0
# The same for coarse stamps.
_COARSE_BIN_S = 10.0
# Candidate offsets that the grid covers at most: a file can hold two sessions with different clocks.
_MAX_CANDIDATES = 5
# Highest bins that are examined for candidates.
_EXAMINED_CANDIDATES = 60
# Candidates lie at least this many seconds apart.
_CANDIDATE_DISTANCE_S = 30.0
# A candidate must exceed the background by this many votes ...
_MIN_VOTES = 0.5
# ... and this many standard deviations.
_MIN_DEVIATIONS = 3
# Seconds on each side of a bin that the background is averaged over.
_BACKGROUND_S = 300
# Where trackers share several readings the strongest vote exceeds 0.17 (simulated seasons); with speed and spin only it
# is 0.04. Below this limit votes count relative to the strongest one.
_WEAK_VOTE = 0.1
# A pair whose log ratio is this far below log(records) adds no vote that counts.
_NEGLIGIBLE = 4.0
# Log ratios are clipped to this range before they vote for an offset.
EVIDENCE_RANGE = (-7.0, 6.0)
# An offset this near to a whole hour is preferred twice: by a clock that agrees (or was set to the hour) ...
_AGREES_S = 5.0
# ... and by one that agrees roughly.
_ROUGHLY_AGREES_S = 400.0
# Probability that the other tracker has no record of a pitch.
MISSED = 0.15
# A stream gives no evidence about records this many seconds before its first or after its last.
_UNCOVERED_S = 60.0
# Records that share a state in the first pass: no clock drifts by a grid cell in a minute.
_RECORDS_PER_STATE = 3
# Seconds between two pitches, for streams too short to measure it; common practice, no source.
_USUAL_GAP_S = 20.0
# Floor of the median gap, in seconds.
_MIN_GAP_S = 1.0
# Standard deviations by which the pairs at one offset must exceed chance to count without their readings: the highest
# of 10,000 bins reaches 6 by chance.
_BEYOND_CHANCE = 10.0
# Those pairs must be at least this many.
_MIN_COINCIDENT = 10.0
# Prior of a clock's offset as (share, width in seconds): clocks that agree, ...
_AGREEING_CLOCKS = (0.5, 10.0)
# ... that are minutes off, ...
_MINUTES_OFF = (0.3, 800.0)
# ... that are whole hours off (the share of each of six hours), ...
_HOURS_OFF = (0.1 / 6, 10.0)
# ... and the density per second of any other offset within four hours. Estimates, no source.
_ANY_OFFSET = 0.1 / 14400
# Elements (records x states x stream pairs) of one batch of Viterbi paths: keeps memory small.
_BATCH_ELEMENTS = 3_000_000


class Clock(NamedTuple):
    """Path of the offset between two clocks.

    `offset_s[j]`: second clock minus first at record j of the second stream. `segment[j]` grows at each step.
    `sigma_s`: spread of time differences about the path. `score`: log likelihood of the path against streams with no
    pitch in common.
    """

    offset_s: Floats
    segment: Ints
    sigma_s: float
    score: float

    @property
    def steps(self) -> int:
        """Number of steps."""
        return int(self.segment[-1])


class OffsetLikelihoods(NamedTuple):
    """Emissions of one stream pair.

    `values` (records of the second stream, states): log likelihood of each offset. `states`: offset / grid, ascending.
    `sigma_s`: spread of time differences about the offset.
    """

    values: Floats
    states: Ints
    grid_s: float
    sigma_s: float


def offset_likelihoods(
    first_s: Floats, second_s: Floats, evidence: Floats, resolutions_s: tuple[float, float]
) -> OffsetLikelihoods:
    """Compute the likelihood of each offset at each record of the second stream.

    `evidence` (first, second): log ratio of the readings. Times are nan where unknown.
    """
    gap_s = second_s[None, :] - first_s[:, None]
    coarse = max(resolutions_s) > COARSE_S
    grid_s, sigma_s = (_COARSE_GRID_S if coarse else _GRID_S), start_sigma(*resolutions_s)
    candidates = _candidate_offsets(gap_s, evidence, _COARSE_BIN_S if coarse else _BIN_S)
    states = _grid_around(candidates, grid_s, _COARSE_REACH_S if coarse else _REACH_S)
    kernel = _kernel(grid_s, max(resolutions_s), sigma_s)
    values = _emissions(gap_s, evidence, states, grid_s, kernel, _median_gap(first_s, second_s))
    values = np.where(_is_covered(first_s, second_s, states * grid_s), values, 0.0)
    return OffsetLikelihoods(values, states, grid_s, sigma_s)


def find_clocks(likelihoods: list[OffsetLikelihoods]) -> list[Clock]:
    """Return the most likely clock path of each stream pair."""
    clocks: dict[int, Clock] = {}
    for batch in _batches(likelihoods):
        paths, scores = _best_paths([likelihoods[p] for p in batch])
        for p, path, score in zip(batch, paths, scores, strict=True):
            grid_s = likelihoods[p].grid_s
            offset = likelihoods[p].states[path] * grid_s
            # until it is refined, the path is known to a grid cell only
            sigma = math.hypot(likelihoods[p].sigma_s, 0.3 * grid_s)
            clocks[p] = Clock(offset, _segments(offset, 2.5 * grid_s), sigma, score)
    return [clocks[p] for p in range(len(likelihoods))]


def path_cost(clock: Clock, resolution_s: float) -> float:
    """Return what a path must explain (natural log) to beat the best of all tried.

    It pays for its start and its steps. Most clocks agree or are minutes apart; some are off by whole hours, a few by
    any offset.
    """
    offset_s = abs(float(clock.offset_s[0]))
    from_hour_s = abs(offset_s - 3600.0 * round(offset_s / 3600.0))
    prior = ((_AGREEING_CLOCKS, offset_s), (_MINUTES_OFF, offset_s), (_HOURS_OFF, from_hour_s))
    near = sum(share / width for (share, width), distance in prior if distance < width / 2)
    width_s = max(2 * clock.sigma_s, resolution_s if resolution_s > COARSE_S else 0.0)
    return STEP_COST * float(clock.steps) - math.log(min((near + _ANY_OFFSET) * width_s, 1.0))


def coincident_pairs(first_s: Floats, second_s: Floats) -> tuple[Ints, Ints]:
    """Return the pairs (first, second) at the one offset that exceeds chance.

    Far more pairs share it than by chance; none if there is no such offset. Readings do not count. For fine stamps
    only: within one stamp of a minute too many pairs coincide by chance.
    """
    gap_s = second_s[None, :] - first_s[:, None]
    known = np.flatnonzero(~np.isnan(gap_s))
    none = np.zeros(0, dtype=np.int64)
    if not len(known):
        return none, none
    center, votes = offset_histogram(gap_s.ravel()[known], np.ones(len(known)), _BIN_S)
    background = _moving_average(votes, _BACKGROUND_S)
    score = (votes - background) / np.sqrt(background + 1.0)
    best = int(score.argmax())
    if score[best] < _BEYOND_CHANCE or votes[best] < _MIN_COINCIDENT:
        return none, none
    first, second = np.nonzero(np.abs(gap_s - center[best]) <= 1.0)
    return first, second


def offset_histogram(gap_s: Floats, weight: Floats, width: float) -> tuple[Floats, Floats]:
    """Return (centers, votes) of the time differences in bins of `width` s.

    Each pair votes with its weight. A pitch's two stamps can fall on both sides of a bin's edge: half of a bin's votes
    also count for its neighbors.
    """
    low = math.floor(float(gap_s.min()) / width) - 1
    bins = np.bincount((gap_s / width - low).astype(np.int64), weight)
    bins = np.concatenate([bins, [0.0]])
    return (np.arange(len(bins)) + low + 0.5) * width, np.convolve(bins, [0.5, 1.0, 0.5], "same")


def _candidate_offsets(gap_s: Floats, evidence: Floats, width: float) -> Floats:
    """Return the offsets in seconds that most pairs vote for, best first."""
    known = ~np.isnan(gap_s)
    voters = np.flatnonzero((evidence > math.log(gap_s.shape[0]) - _NEGLIGIBLE) & known)
    if not len(voters):
        voters = np.flatnonzero(known)
    weight = 1.0 / (1.0 + gap_s.shape[0] * np.exp(-evidence.ravel()[voters].astype(float)))
    # where no pair is strong, as with a tracker that measures speed only, an offset that many share still stands out
    strongest = float(weight.max(initial=0.0))
    if 0.0 < strongest < _WEAK_VOTE:
        weight /= strongest
    center, votes = offset_histogram(gap_s.ravel()[voters], weight, width)
    background = _moving_average(votes, max(3, round(_BACKGROUND_S / width)))
    score = (votes - background) / np.sqrt(background + 0.3) + _offset_preference(center)
    best = _highest(score, _EXAMINED_CANDIDATES)
    excess = votes[best] - background[best]
    stands_out = excess > _MIN_VOTES + _MIN_DEVIATIONS * np.sqrt(np.maximum(background[best], 0.0))
    keep = [int(best[0])]
    for k in best[stands_out].tolist():
        if len(keep) < _MAX_CANDIDATES and np.abs(center[keep] - center[k]).min() > _CANDIDATE_DISTANCE_S:
            keep.append(k)
    return center[keep]


def _highest(values: Floats, most: int) -> Ints:
    """Return the positions of the highest values, highest first.

    At most so many; of equal ones the first.
    """
    least = np.partition(values, -most)[-most] if len(values) > most else -np.inf
    high = np.flatnonzero(values >= least)
    return high[np.argsort(-values[high], kind="stable")][:most]


def _moving_average(values: Floats, half: int) -> Floats:
    position, total = np.arange(len(values)), np.cumsum(values)
    total = np.concatenate([np.zeros(half + 1), total, np.full(half, total[-1])])
    size = np.minimum(position + half + 1, len(values)) - np.maximum(position - half, 0)
    return np.asarray((total[2 * half + 1 :] - total[: len(values)]) / size)


def _offset_preference(offset_s: Floats) -> Floats:
    """Return a small bonus for offsets that clocks often have.

    They agree, agree roughly, or are whole hours apart (daylight saving, zone).
    """
    from_hour_s = np.abs(offset_s - 3600.0 * np.round(offset_s / 3600.0))
    roughly = (from_hour_s < _ROUGHLY_AGREES_S).astype(float)
    return np.asarray((from_hour_s < _AGREES_S) + roughly + (np.abs(offset_s) < _ROUGHLY_AGREES_S))


def _grid_around(candidates: Floats, grid_s: float, reach_s: float) -> Ints:
    """Return the grid cells (offset / grid) near any candidate, ascending."""
    reach = round(reach_s / grid_s)
    return np.unique(np.concatenate([round(c / grid_s) + np.arange(-reach, reach + 1) for c in candidates.tolist()]))


def _emissions(
    gap_s: Floats, evidence: Floats, states: Ints, grid_s: float, kernel: Floats, median_gap_s: float
) -> Floats:
    """Return the log likelihood of each record (rows) in each state (columns).

    Against having no partner at all.
    """
    n, half = gap_s.shape[1], len(kernel) // 2
    low, size = int(states[0]), int(states[-1] - states[0]) + 1
    flat = np.flatnonzero((gap_s > (low - 0.5) * grid_s) & (gap_s < (low + size - 0.5) * grid_s))
    # empty columns after each stretch of states, and after each record, keep the kernel from what does not touch
    column = np.arange(len(states)) + half * np.cumsum(np.diff(states, prepend=low) > 1)
    width = int(column[-1]) + 1 + half
    column_of = np.full(size, -1)
    column_of[states - low] = column
    target = column_of[np.rint(gap_s.ravel()[flat] / grid_s).astype(np.int64) - low]
    flat, target = flat[target >= 0], target[target >= 0]
    weight = np.exp(np.clip(evidence.ravel()[flat], *EVIDENCE_RANGE))
    found = np.convolve(np.bincount((flat % n) * width + target, weight, n * width), kernel, "same")
    # most records have no pair near most offsets
    nonzero, values = np.flatnonzero(found > 0), np.full(n * width, np.log(MISSED))
    values[nonzero] = np.log(MISSED + (1 - MISSED) * median_gap_s * found[nonzero])
    return values.reshape(n, width)[:, column]


def _median_gap(first_s: Floats, second_s: Floats) -> float:
    gaps = np.concatenate([np.diff(np.sort(s[~np.isnan(s)])) for s in (first_s, second_s)])
    return max(median(gaps), _MIN_GAP_S) if len(gaps) else _USUAL_GAP_S


def _is_covered(first_s: Floats, second_s: Floats, offsets_s: Floats) -> Bools:
    """Return (records, states) whether the first stream was then recording.

    That is, when the record came, if the state were the offset. Where it was not, a missing partner is not evidence.
    Otherwise a stretch that only the second stream has would be drawn to any offset that gives it a few chance
    partners.
    """
    open_s, close_s = np.nanmin(first_s) - _UNCOVERED_S, np.nanmax(first_s) + _UNCOVERED_S
    seen_s = second_s[:, None] - offsets_s
    return np.asarray((seen_s >= open_s) & (seen_s <= close_s))


def _kernel(grid_s: float, resolution_s: float, sigma_s: float) -> Floats:
    """Return the density of a time difference about the path, on the grid."""
    sigma = max(sigma_s, 0.6 * grid_s)
    coarse = resolution_s > COARSE_S
    reach = math.ceil(((resolution_s / 2 if coarse else 0.0) + 2.5 * sigma) / grid_s)
    residual = np.arange(-reach, reach + 1) * grid_s
    return box_density(residual, sigma, resolution_s) if coarse else density(residual, sigma)


def _batches(likelihoods: list[OffsetLikelihoods]) -> list[list[int]]:
    batches: list[list[int]] = []
    rows, states = 0, 0
    for p in sorted(range(len(likelihoods)), key=lambda p: (likelihoods[p].values.shape, p)):
        rows, states = max(rows, len(likelihoods[p].values)), max(states, len(likelihoods[p].states))
        if batches and rows * states * (len(batches[-1]) + 1) <= _BATCH_ELEMENTS:
            batches[-1].append(p)
        else:
            batches.append([p])
            rows, states = likelihoods[p].values.shape
    return batches


def _best_paths(likelihoods: list[OffsetLikelihoods]) -> tuple[list[Ints], list[float]]:
    """Find the best path of several stream pairs at once.

    First by threes of records, then to the record at steps.
    """
    grouped = [_group_records(one.values) for one in likelihoods]
    paths, scores = _viterbi(grouped, [one.states for one in likelihoods])
    return [_with_exact_steps(one.values, path) for one, path in zip(likelihoods, paths, strict=True)], scores


def _group_records(values: Floats) -> Floats:
    """Add up the log likelihoods of each three records, and of those left at the end."""
    complete = len(values) - len(values) % _RECORDS_PER_STATE
    grouped = values[:complete].reshape(-1, _RECORDS_PER_STATE, values.shape[1]).sum(axis=1)
    return grouped if complete == len(values) else np.vstack([grouped, values[complete:].sum(axis=0)])


def _with_exact_steps(values: Floats, path: Ints) -> Ints:
    """Return the path by record: each step goes where the records near it fit best."""
    out = np.repeat(path, _RECORDS_PER_STATE)[: len(values)]
    for k in (np.flatnonzero(np.abs(np.diff(path)) > 1) + 1).tolist():
        start, end = _RECORDS_PER_STATE * (k - 1), min(_RECORDS_PER_STATE * (k + 1), len(values))
        gain = values[start:end, path[k - 1]] - values[start:end, path[k]]
        cut = start + int(np.argmax(np.concatenate([[0.0], np.cumsum(gain)])))
        out[start:cut], out[cut:end] = path[k - 1], path[k]
    return out


def _viterbi(values_by_pair: list[Floats], states_by_pair: list[Ints]) -> tuple[list[Ints], list[float]]:
    """Run Viterbi's algorithm on several stream pairs at once.

    A path stays, drifts to the next cell, or steps anywhere, each at its cost.
    """
    rows, states = max(len(v) for v in values_by_pair), max(len(s) for s in states_by_pair)
    pairs = np.arange(len(values_by_pair))
    emission = np.zeros((rows, len(pairs), states))
    drift_cost = np.full((len(pairs), states + 1), np.inf)  # between cell c - 1 and cell c
    for p, (values, cells) in enumerate(zip(values_by_pair, states_by_pair, strict=True)):
        emission[: len(values), p, : len(cells)] = values
        emission[:, p, len(cells) :] = -1e9
        drift_cost[p, 1 : len(cells)] = np.where(np.diff(cells) == 1, _DRIFT_COST, np.inf)
    best = np.empty_like(emission)
    best[0] = emission[0]
    for j in range(1, rows):
        before, now = best[j - 1], best[j]
        np.maximum(before, (before.max(axis=1) - STEP_COST)[:, None], out=now)
        np.maximum(now[:, 1:], before[:, :-1] - drift_cost[:, 1:-1], out=now[:, 1:])
        np.maximum(now[:, :-1], before[:, 1:] - drift_cost[:, 1:-1], out=now[:, :-1])
        now += emission[j]
    best_state = best.argmax(axis=2)
    state = best_state[-1]
    score = best[-1, pairs, state]
    paths = np.empty((rows, len(pairs)), dtype=np.int64)
    paths[-1] = state
    for j in range(rows - 1, 0, -1):
        state = _previous_state(best[j - 1], best_state[j - 1], state, drift_cost)
        paths[j - 1] = state
    return [paths[: len(v), p] for p, v in enumerate(values_by_pair)], score.tolist()


def _previous_state(before: Floats, best_state: Ints, state: Ints, drift_cost: Floats) -> Ints:
    """Return the best state before each pair's state.

    That of staying, drifting, or stepping from the best one.
    """
    pairs = np.arange(len(state))
    choices = np.array([state, np.maximum(state - 1, 0), np.minimum(state + 1, before.shape[1] - 1), best_state])
    score = before[pairs, choices]
    score[1] -= drift_cost[pairs, state]
    score[2] -= drift_cost[pairs, state + 1]
    score[3] -= STEP_COST
    return np.asarray(choices[score.argmax(axis=0), pairs])


def _segments(offset: Floats, step: float) -> Ints:
    """Number the step-free segment of each record from 0."""
    return np.concatenate([[0], np.cumsum(np.abs(np.diff(offset)) >= step)]).astype(np.int64)
