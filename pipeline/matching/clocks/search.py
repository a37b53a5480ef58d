"""How far the second tracker's clock is ahead of the first's, pitch by pitch: a hidden Markov model over the offset.

Track before detect: no pair of records is trusted before the clock is known. Every pair votes for its offset with the strength of its
readings; the path of the offset through the session is the one that the votes, and the rarity of steps, make most likely. One code
path for a constant offset, a whole hour, drift, steps and restarts (match_method, section 2).
"""

import functools
import math
from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Bools, Floats, Ints, median

# stamps coarser than this say little about the order of neighbours
COARSE_S = 2.0
_GRID_S, _COARSE_GRID_S = 1.0, 4.0
_REACH_S, _COARSE_REACH_S = 75.0, 120.0
_DRIFT_COST, _STEP_COST = 4.0, 14.0
_MOST_PEAKS, _TRIED_PEAKS = 5, 60
# where trackers share several readings the plainest pair is stronger than this (simulated seasons: 0.17 and more); of speed and spin, 0.04
_PLAIN = 0.1
# chance that the other tracker has no record of a pitch (method page, section 2)
_MISSED = 0.15
# a stream says nothing about what came this long before its first or after its last record
_UNCOVERED_S = 60.0
# records that share a place on the first path: no clock drifts by a cell of the grid in a minute
_TOGETHER = 3
# how far the pairs at one offset must stand out from chance, in standard deviations, and how many they must be, to be believed by their
# number alone: the highest of 10,000 bins by chance is 6
_BEYOND_CHANCE, _LEAST_COINCIDENT = 10.0, 10.0
# clocks' offsets, shares and the seconds that they spread over: those that agree, that are some minutes apart, that are whole hours off
# (six of them); and per second of those that are off by anything within four hours; guesses, no source
_OFFSETS = ((0.5, 0.3, 0.1 / 6), (10.0, 800.0, 10.0))
_ANY_OFFSET = 0.1 / 14400
# cells (records x states x units) that one batch of paths may hold
_BATCH_CELLS = 3_000_000
# spread of honest clocks' drift, the prior of the fitted line; a plain quartz keeps within it (common practice, no source)
_DRIFT_SD = 100e-6
# width of the running median that follows a clock which does not run straight, in pairs
_MEDIAN_PAIRS = 31
# under so many pairs, of clocks with stamps this coarse or coarser, the rounding of the stamps is reckoned with (`rounded_centre`)
_FEW_PAIRS, _ROUNDED_S = 40, 0.5
# what clocks that stamp one pitch differ by beyond rounding, three kinds equally likely, and the density of a stamp that is off by
# anything; guesses, no source
_STEADINESS_S, _STRAY = (0.1, 0.25, 0.6), 0.01
# offsets tried for coarse stamps, over one stamp's width, and steps of the table from one to the next; likelihood of a gap that no box holds
_CANDIDATES, _STEPS_OF_CANDIDATE, _OUTSIDE_BOX = 120, 8, 0.02


class Clock(NamedTuple):
    """`offset_s[j]`: second clock minus first at each record of the second stream; `segment[j]` grows at each step.

    `score` is the log-likelihood of the path against no common pitch; `sigma_s` the spread of time differences about the path.
    """

    offset_s: Floats
    segment: Ints
    sigma_s: float
    score: float


class Votes(NamedTuple):
    """What the pairs of one unit say: (records of the second stream, states) log-likelihoods; states are offset / grid, ascending."""

    values: Floats
    states: Ints
    grid: float
    sigma_s: float


def collect_votes(first_s: Floats, second_s: Floats, evidence: Floats, resolutions_s: tuple[float, float]) -> Votes:
    """Votes for the clock's offset; `evidence` (first, second) is the readings' log ratio, times are nan where unknown."""
    gap_s = second_s[None, :] - first_s[:, None]
    coarse = max(resolutions_s) > COARSE_S
    grid, sigma_s = (_COARSE_GRID_S if coarse else _GRID_S), start_sigma(*resolutions_s)
    peaks = _peaks(gap_s, evidence, 10.0 if coarse else 1.0)
    states = _states(peaks, grid, _COARSE_REACH_S if coarse else _REACH_S)
    values = _vote(
        gap_s, evidence, states, grid, _kernel(grid, max(resolutions_s), sigma_s), _median_gap(first_s, second_s)
    )
    return Votes(np.where(_covered(first_s, second_s, states * grid), values, 0.0), states, grid, sigma_s)


def find_clocks(votes: list[Votes]) -> list[Clock]:
    """The most likely path of each unit's clock."""
    clocks: list[Clock | None] = [None] * len(votes)
    for batch in _batches(votes):
        paths, scores = _best_paths([votes[u] for u in batch])
        for u, path, score in zip(batch, paths, scores, strict=True):
            offset = votes[u].states[path] * votes[u].grid
            # the path is known to a cell of the grid only, until it is refined
            sigma = math.hypot(votes[u].sigma_s, 0.3 * votes[u].grid)
            clocks[u] = Clock(offset, _segments(offset, 2.5 * votes[u].grid), sigma, score)
    return [clock for clock in clocks if clock is not None]


def path_cost(clock: Clock, resolution_s: float) -> float:
    """What a path must explain before it is more than the best of all that were tried (natural log): where it starts, and its steps.

    Clocks mostly agree or are minutes apart; some are off by whole hours, a few by anything.
    """
    offset_s = abs(float(clock.offset_s[0]))
    away_s = (offset_s, offset_s, abs(offset_s - 3600.0 * round(offset_s / 3600.0)))
    near = sum(share / reach for share, reach, away in zip(*_OFFSETS, away_s, strict=True) if away < reach / 2)
    width_s = max(2 * clock.sigma_s, resolution_s if resolution_s > COARSE_S else 0.0)
    return _STEP_COST * float(clock.segment[-1]) - math.log(min((near + _ANY_OFFSET) * width_s, 1.0))


def start_sigma(first_resolution_s: float, second_resolution_s: float) -> float:
    """Spread of time differences to begin with: 0.3 s of the devices' own and 0.29 of each stamp's width.

    For coarse stamps the coarser one is a box of its own (`box_density`), and only the finer one is in the spread.
    """
    low, high = sorted((first_resolution_s, second_resolution_s))
    return math.sqrt(1.0 + low**2 / 12) if high > COARSE_S else math.sqrt(0.3**2 + (low**2 + high**2) / 12)


def refine(
    clock: Clock,
    first_s: Floats,
    second_s: Floats,
    pairs: tuple[Ints, Ints, Floats],
    resolutions_s: tuple[float, float],
    floor_s: float,
) -> Clock:
    """The path again, from pairs (first, second, posterior) of the alignment, in each step-free stretch by itself."""
    first, second, posterior = pairs
    sure = (posterior > 0.8) & ~np.isnan(first_s[first]) & ~np.isnan(second_s[second])
    first, second = first[sure], second[sure]
    if len(first) < 4:
        return clock
    order = np.argsort(second, kind="stable")
    second, gap = second[order], (second_s[second] - first_s[first])[order]
    resolution_s = max(resolutions_s)
    offset = clock.offset_s.copy()
    for segment in range(int(clock.segment[-1]) + 1):
        mine = clock.segment[second] == segment
        members = np.flatnonzero(clock.segment == segment)
        if not mine.any():
            continue
        if resolution_s > COARSE_S:
            offset[members] = box_centre(gap[mine], clock.sigma_s, resolution_s)
        else:
            offset[members] = _path(second_s, members, second[mine], gap[mine], resolutions_s, floor_s)
    sigma = clock.sigma_s if resolution_s > COARSE_S else max(floor_s, robust_sd(gap - offset[second]))
    return clock._replace(offset_s=offset, sigma_s=sigma)


def robust_sd(residual: Floats) -> float:
    """Standard deviation of the middle: of residuals within three times their median size (stamps are quantised: no plain MAD)."""
    size = np.abs(residual)
    near = residual[size <= 3.0 * max(median(size), 0.5 * float(np.mean(np.minimum(size, 3.0))), 1e-3)]
    return float(np.sqrt(np.mean(near**2))) if len(near) else 0.0


def _path(
    second_s: Floats, members: Ints, second: Ints, gap: Floats, resolutions_s: tuple[float, float], floor_s: float
) -> Floats:
    """A straight line through one stretch, by robust regression; where the clock does not run straight, a running median about it."""
    middle = float(np.mean(second_s[second]))
    at = second_s[second] - middle
    start, slope = robust_line(at, gap, floor_s)
    stamped = second_s[members]
    missing = np.isnan(stamped)
    if missing.any():
        stamped = np.where(missing, np.interp(members, second, second_s[second]), stamped)
    if len(gap) < _FEW_PAIRS and max(resolutions_s) >= _ROUNDED_S:
        start = rounded_centre(gap - slope * at, start, resolutions_s)
    line = start + slope * (stamped - middle)
    if len(gap) < 2 * _MEDIAN_PAIRS:
        return line
    bend = running_mean(np.clip(gap - start - slope * at, -2.5 * floor_s, 2.5 * floor_s), _MEDIAN_PAIRS)
    # its own error is floor / sqrt(31): a bend must stand out from that
    return line + np.interp(members, second, bend) if np.ptp(bend) > 8 * floor_s / math.sqrt(_MEDIAN_PAIRS) else line


def robust_line(at: Floats, gap: Floats, scale_s: float) -> tuple[float, float]:
    """(gap at 0, slope) by Huber-weighted regression from a median start, slope shrunk to 0 with the prior of honest clocks."""
    start, slope = median(gap), 0.0
    pull, far = (scale_s / _DRIFT_SD) ** 2, 8 * scale_s + 2.0
    for _ in range(8):
        before = start
        size = np.abs(gap - start - slope * at)
        weight = 1.5 * scale_s / np.maximum(size, 1.5 * scale_s)
        if size.min() < far:
            weight[size > far] = 0.0
        total = weight.sum()
        away = at - (weight @ at) / total
        slope = float((weight * away) @ (gap - start) / ((weight * away) @ away + pull))
        start = float(weight @ (gap - slope * at) / total)
        if abs(start - before) < 1e-4:
            break
    return start, slope


def rounded_centre(gap: Floats, near_s: float, resolutions_s: tuple[float, float]) -> float:
    """Mean of what the offset can be, given few time differences of two clocks that cut their stamps to whole units.

    The difference of two stamps of 1 s takes one of two values, in shares that tell the fraction of the offset: neither a median nor the
    mean of three of them reads that well. Every offset about `near_s` counts by its likelihood, over clocks that are steady and less so.
    """
    reach = sum(resolutions_s) / 2
    offset = near_s + np.linspace(-reach, reach, 81)
    away = gap - offset[:, None]
    # a product of so few densities, none under that of a stray stamp, is far from the smallest number there is
    weight = sum((_rounded_density(away, spread, resolutions_s) + _STRAY).prod(axis=1) for spread in _STEADINESS_S)
    return float((weight * offset).sum() / np.sum(weight))


def _rounded_density(residual_s: Floats, spread_s: float, resolutions_s: tuple[float, float]) -> Floats:
    """Density of a time difference with normal spread, both of whose stamps were cut to whole units; 0 beyond what can be."""
    at, height = _rounded_densities(spread_s, resolutions_s)
    return np.asarray(np.interp(residual_s, at, height))


@functools.lru_cache(maxsize=64)
def _rounded_densities(spread_s: float, resolutions_s: tuple[float, float]) -> tuple[Floats, Floats]:
    """(places, density there): box * box * normal, in steps of a sixteenth of the spread."""
    low, high = sorted(max(r, 0.05) for r in resolutions_s)
    outer, inner = (high + low) / 2, (high - low) / 2
    reach = outer + 6 * spread_s
    at = np.linspace(-reach, reach, 2 * math.ceil(16 * reach / spread_s) + 1)
    corners = ((outer, 1.0), (inner, -1.0), (-inner, -1.0), (-outer, 1.0))
    total = sum(sign * _ramp((at + corner) / spread_s) for corner, sign in corners)
    return at, np.maximum(total * spread_s / (low * high), 0.0)


def _ramp(x: Floats) -> Floats:
    """Integral of the normal distribution function up to x."""
    near = np.clip(x, -6.0, 6.0)
    return np.asarray(
        near * normal_cdf(near) + np.exp(-0.5 * near**2) / math.sqrt(2 * math.pi) + np.maximum(x - 6.0, 0.0)
    )


def running_mean(values: Floats, width: int) -> Floats:
    """Mean of the `width` values around each; at the ends, where the window would be one-sided, that of the last whole window."""
    half = min(width // 2, (len(values) - 1) // 2)
    total = np.concatenate([[0.0], np.cumsum(values)])
    middle = (total[2 * half + 1 :] - total[: -(2 * half + 1)]) / (2 * half + 1)
    return np.concatenate([np.full(half, middle[0]), middle, np.full(half, middle[-1])])


def density(residual_s: Floats, sigma_s: Floats | float) -> Floats:
    """Density per second of the time difference of one pitch's two records, about the clock path; heavy-tailed."""
    return 0.985 * _normal(residual_s, sigma_s) + 0.015 * _normal(residual_s, 3 * sigma_s + 0.8)


def box_density(residual_s: Floats, sigma_s: Floats | float, resolution_s: Floats | float) -> Floats:
    """The same for coarse stamps: anywhere within one stamp's width, with soft edges."""
    half = resolution_s / 2
    return (normal_cdf((residual_s + half) / sigma_s) - normal_cdf((residual_s - half) / sigma_s)) / resolution_s


def _normal(x: Floats, sigma: Floats | float) -> Floats:
    return np.asarray(np.exp(-0.5 * (x / sigma) ** 2) / (math.sqrt(2 * math.pi) * sigma))


_CDF_AT = np.linspace(-6, 6, 2401)
_CDF = np.array([0.5 * math.erfc(-x / math.sqrt(2)) for x in _CDF_AT.tolist()])


def normal_cdf(x: Floats) -> Floats:
    """Normal distribution function to 1e-6, from a table of math.erfc: importing scipy.special would cost a night 0.4 s."""
    return np.asarray(np.interp(x, _CDF_AT, _CDF))


def crowding(seen_s: Floats) -> float:
    """Density per second of other events 2.7 to 6 s from an event of the same stream; never under 0.0015."""
    known = np.sort(seen_s[~np.isnan(seen_s)])
    if len(known) < 2:
        return 0.0015
    near = np.searchsorted(known, known + 6.0, "right") - np.searchsorted(known, known + 2.7, "left")
    return max(0.0015, float(near.mean() / 3.3))


def _median_gap(first_s: Floats, second_s: Floats) -> float:
    gaps = np.concatenate([np.diff(np.sort(s[~np.isnan(s)])) for s in (first_s, second_s)])
    return max(median(gaps), 1.0) if len(gaps) else 20.0


def offset_histogram(gap_s: Floats, strength: Floats, width: float) -> tuple[Floats, Floats]:
    """(centres, votes) of the time differences of all pairs, in bins of `width` seconds, each pair counted by its strength.

    A pitch's two stamps can fall on both sides of a bin's edge: half of a bin's votes count for its neighbours too.
    """
    low = math.floor(float(gap_s.min()) / width) - 1
    bins = np.bincount((gap_s / width - low).astype(np.int64), strength)
    bins = np.concatenate([bins, [0.0]])
    return (np.arange(len(bins)) + low + 0.5) * width, np.convolve(bins, [0.5, 1.0, 0.5], "same")


def coincident_pairs(first_s: Floats, second_s: Floats) -> tuple[Ints, Ints]:
    """Pairs (first, second) at the one offset that far more pairs share than chance would have it, whatever their readings; else none.

    For clocks with fine stamps only: within one stamp of a minute too many pairs are there by chance.
    """
    gap_s = second_s[None, :] - first_s[:, None]
    known = np.flatnonzero(~np.isnan(gap_s))
    none = np.zeros(0, dtype=np.int64)
    if not len(known):
        return none, none
    centre, votes = offset_histogram(gap_s.ravel()[known], np.ones(len(known)), 1.0)
    ground = _moving_average(votes, 300)
    score = (votes - ground) / np.sqrt(ground + 1.0)
    best = int(score.argmax())
    if score[best] < _BEYOND_CHANCE or votes[best] < _LEAST_COINCIDENT:
        return none, none
    first, second = np.nonzero(np.abs(gap_s - centre[best]) <= 1.0)
    return first, second


def _peaks(gap_s: Floats, evidence: Floats, width: float) -> Floats:
    """Offsets that many pairs vote for: best first, in seconds."""
    # a pair this weak adds no vote that counts, among thousands
    known = ~np.isnan(gap_s)
    telling = np.flatnonzero((evidence > math.log(gap_s.shape[0]) - 4.0) & known)
    if not len(telling):
        telling = np.flatnonzero(known)
    strength = 1.0 / (1.0 + gap_s.shape[0] * np.exp(-evidence.ravel()[telling].astype(float)))
    # where no pair is plain, as of a tracker that reads but the speed, they count among one another: an offset that many share stands out
    plainest = float(strength.max(initial=0.0))
    if 0.0 < plainest < _PLAIN:
        strength /= plainest
    centre, votes = offset_histogram(gap_s.ravel()[telling], strength, width)
    ground = _moving_average(votes, max(3, round(300 / width)))
    score = (votes - ground) / np.sqrt(ground + 0.3) + _offset_prior(centre)
    best = _highest(score, _TRIED_PEAKS)
    stands_out = votes[best] - ground[best] > 0.5 + 3 * np.sqrt(np.maximum(ground[best], 0.0))
    keep = [int(best[0])]
    for at in best[stands_out].tolist():
        if len(keep) < _MOST_PEAKS and np.abs(centre[keep] - centre[at]).min() > 30.0:
            keep.append(at)
    return centre[keep]


def _highest(values: Floats, most: int) -> Ints:
    """Places of the highest values, so many of them at most: highest first, of equals the first."""
    least = np.partition(values, -most)[-most] if len(values) > most else -np.inf
    high = np.flatnonzero(values >= least)
    return high[np.argsort(-values[high], kind="stable")][:most]


def _moving_average(values: Floats, half: int) -> Floats:
    at, total = np.arange(len(values)), np.cumsum(values)
    total = np.concatenate([np.zeros(half + 1), total, np.full(half, total[-1])])
    size = np.minimum(at + half + 1, len(values)) - np.maximum(at - half, 0)
    return np.asarray((total[2 * half + 1 :] - total[: len(values)]) / size)


def _offset_prior(offset_s: Floats) -> Floats:
    """Small favour for clocks that agree, roughly agree, or are whole hours apart (daylight saving, a wrong zone)."""
    off_hour = np.abs(offset_s - 3600.0 * np.round(offset_s / 3600.0))
    return np.asarray((off_hour < 5.0) + (off_hour < 400.0).astype(float) + (np.abs(offset_s) < 400.0))


def _states(peaks: Floats, grid: float, reach_s: float) -> Ints:
    """Grid cells (offset / grid) near any of the peaks, ascending."""
    reach = round(reach_s / grid)
    return np.unique(np.concatenate([round(p / grid) + np.arange(-reach, reach + 1) for p in peaks.tolist()]))


def _vote(gap_s: Floats, evidence: Floats, states: Ints, grid: float, kernel: Floats, median_gap_s: float) -> Floats:
    """Log-likelihood of each record of the second stream (rows) for each offset state, against no partner at all."""
    n, half = gap_s.shape[1], len(kernel) // 2
    low, size = int(states[0]), int(states[-1] - states[0]) + 1
    flat = np.flatnonzero((gap_s > (low - 0.5) * grid) & (gap_s < (low + size - 0.5) * grid))
    # so many empty columns after each stretch of states, and after each record, keep the kernel from what does not touch
    column = np.arange(len(states)) + half * np.cumsum(np.diff(states, prepend=low) > 1)
    width = int(column[-1]) + 1 + half
    place = np.full(size, -1)
    place[states - low] = column
    at = place[np.rint(gap_s.ravel()[flat] / grid).astype(np.int64) - low]
    flat, at = flat[at >= 0], at[at >= 0]
    weight = np.exp(np.clip(evidence.ravel()[flat], -7.0, 6.0))
    found = np.convolve(np.bincount((flat % n) * width + at, weight, n * width), kernel, "same")
    # most records have no pair anywhere near most offsets
    some, values = np.flatnonzero(found > 0), np.full(n * width, np.log(_MISSED))
    values[some] = np.log(_MISSED + (1 - _MISSED) * median_gap_s * found[some])
    return values.reshape(n, width)[:, column]


def _covered(first_s: Floats, second_s: Floats, offsets_s: Floats) -> Bools:
    """(records of the second stream, states): the first stream was being written when the record came, if that were the offset.

    Where it was not, a missing partner says nothing; else a stretch that only the second has would be drawn to any offset that
    gives it a few chance partners.
    """
    open_s, close_s = np.nanmin(first_s) - _UNCOVERED_S, np.nanmax(first_s) + _UNCOVERED_S
    at = second_s[:, None] - offsets_s
    return np.asarray((at >= open_s) & (at <= close_s))


def _kernel(grid: float, resolution_s: float, sigma_s: float) -> Floats:
    """Density of a pair's own offset about the path, on the grid: a normal, for minute stamps a box with soft edges."""
    sigma = max(sigma_s, 0.6 * grid)
    coarse = resolution_s > COARSE_S
    reach = math.ceil(((resolution_s / 2 if coarse else 0.0) + 2.5 * sigma) / grid)
    at = np.arange(-reach, reach + 1) * grid
    return box_density(at, sigma, resolution_s) if coarse else density(at, sigma)


def _batches(votes: list[Votes]) -> list[list[int]]:
    batches: list[list[int]] = []
    rows, states = 0, 0
    for u in sorted(range(len(votes)), key=lambda u: (votes[u].values.shape, u)):
        rows, states = max(rows, len(votes[u].values)), max(states, len(votes[u].states))
        if batches and rows * states * (len(batches[-1]) + 1) <= _BATCH_CELLS:
            batches[-1].append(u)
        else:
            batches.append([u])
            rows, states = votes[u].values.shape
    return batches


def _best_paths(votes: list[Votes]) -> tuple[list[Ints], list[float]]:
    """The best path of several units at once, first by threes of records; where it steps, the record at which it does is looked for."""
    threes = [_threes(v.values) for v in votes]
    paths, scores = _viterbi(threes, [v.states for v in votes])
    return [_with_exact_steps(v.values, path) for v, path in zip(votes, paths, strict=True)], scores


def _threes(values: Floats) -> Floats:
    """Votes of each three records together, and of those that are left at the end."""
    whole = len(values) - len(values) % _TOGETHER
    together = values[:whole].reshape(-1, _TOGETHER, values.shape[1]).sum(axis=1)
    return together if whole == len(values) else np.vstack([together, values[whole:].sum(axis=0)])


def _with_exact_steps(values: Floats, path: Ints) -> Ints:
    """The path by records: each step goes where the votes of the records near it are served best."""
    out = np.repeat(path, _TOGETHER)[: len(values)]
    for at in (np.flatnonzero(np.abs(np.diff(path)) > 1) + 1).tolist():
        start, end = _TOGETHER * (at - 1), min(_TOGETHER * (at + 1), len(values))
        gain = values[start:end, path[at - 1]] - values[start:end, path[at]]
        cut = start + int(np.argmax(np.concatenate([[0.0], np.cumsum(gain)])))
        out[start:cut], out[cut:end] = path[at - 1], path[at]
    return out


def _viterbi(values_of: list[Floats], states_of: list[Ints]) -> tuple[list[Ints], list[float]]:
    """Viterbi on several units at once: stay, drift to the next cell, or step anywhere at a cost."""
    rows, states = max(len(v) for v in values_of), max(len(s) for s in states_of)
    units = np.arange(len(values_of))
    said = np.zeros((rows, len(units), states))
    apart = np.full((len(units), states + 1), np.inf)  # cost of going between cell c - 1 and cell c
    for u, (own, cells) in enumerate(zip(values_of, states_of, strict=True)):
        said[: len(own), u, : len(cells)] = own
        said[:, u, len(cells) :] = -1e9
        apart[u, 1 : len(cells)] = np.where(np.diff(cells) == 1, _DRIFT_COST, np.inf)
    values = np.empty_like(said)
    values[0] = said[0]
    for j in range(1, rows):
        before, now = values[j - 1], values[j]
        np.maximum(before, (before.max(axis=1) - _STEP_COST)[:, None], out=now)
        np.maximum(now[:, 1:], before[:, :-1] - apart[:, 1:-1], out=now[:, 1:])
        np.maximum(now[:, :-1], before[:, 1:] - apart[:, 1:-1], out=now[:, :-1])
        now += said[j]
    best = values.argmax(axis=2)
    at = best[-1]
    score = values[-1, units, at]
    paths = np.empty((rows, len(units)), dtype=np.int64)
    paths[-1] = at
    for j in range(rows - 1, 0, -1):
        at = _came_from(values[j - 1], best[j - 1], at, apart, units)
        paths[j - 1] = at
    return [paths[: len(v), u] for u, v in enumerate(values_of)], score.tolist()


def _came_from(before: Floats, best: Ints, at: Ints, apart: Floats, units: Ints) -> Ints:
    """The state before each unit's state: that of staying, drifting or stepping from the best one, whichever is worth most."""
    choices = np.array([at, np.maximum(at - 1, 0), np.minimum(at + 1, before.shape[1] - 1), best])
    worth = before[units, choices]
    worth[1] -= apart[units, at]
    worth[2] -= apart[units, at + 1]
    worth[3] -= _STEP_COST
    return np.asarray(choices[worth.argmax(axis=0), units])


def _segments(offset: Floats, step: float) -> Ints:
    """Number from 0 of the step-free stretch of each record."""
    return np.concatenate([[0], np.cumsum(np.abs(np.diff(offset)) >= step)]).astype(np.int64)


def box_centre(gap: Floats, sigma_s: float, resolution_s: float) -> float:
    """For coarse stamps: the offset whose box of one stamp's width holds the gaps best."""
    step, lowest, says = _box_says(sigma_s, resolution_s)
    candidates = median(gap) - resolution_s / 2 + _STEPS_OF_CANDIDATE * step * np.arange(_CANDIDATES)
    at = (gap - candidates[0]) / step - lowest
    before = np.floor(at)
    places = before.astype(np.int64) - _STEPS_OF_CANDIDATE * np.arange(_CANDIDATES)[:, None]
    np.clip(places, 0, len(says) - 2, out=places)
    likelihood = says[places] @ (before + 1 - at) + says[places + 1] @ (at - before)
    # the likelihood is flat between its edges: take its centre of mass
    weight = np.exp(likelihood - likelihood.max())
    return float((weight * candidates).sum() / weight.sum())


@functools.lru_cache(maxsize=64)
def _box_says(sigma_s: float, resolution_s: float) -> tuple[float, int, Floats]:
    """(step, place of the first in steps, log-likelihood of a gap so far from the offset), the same from the ends on."""
    step = resolution_s / (_CANDIDATES * _STEPS_OF_CANDIDATE)
    last = math.ceil((resolution_s / 2 + 6 * sigma_s) / step) + 1
    density = resolution_s * box_density(np.arange(-last, last + 1) * step, sigma_s, resolution_s)
    return step, -last, np.log(density + _OUTSIDE_BOX)
