"""How far the second tracker's clock is ahead of the first's, pitch by pitch: a hidden Markov model over the offset.

Track before detect: no pair of records is trusted before the clock is known. Every pair votes for its offset with the strength of its
readings; the path of the offset through the session is the one that the votes, and the rarity of steps, make most likely. One code
path for a constant offset, a whole hour, drift, steps and restarts (match_method, section 2).
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

COARSE_S = 2.0
_GRID_S, _COARSE_GRID_S = 0.5, 4.0
_REACH_S = 75.0
_COARSE_REACH_S = 120.0
_DRIFT_COST, _STEP_COST = 4.0, 14.0
_MOST_PEAKS = 5
# width of the running median that refines the offset, in confident pairs
_MEDIAN_PAIRS = 21


class Clock(NamedTuple):
    """`offset_s[j]`: second clock minus first at each record of the second stream; `segment[j]` grows at each step.

    `score` is the log-likelihood of the path against no common pitch; `sigma_s` the spread of time differences about the path.
    """

    offset_s: Floats
    segment: Ints
    sigma_s: float
    score: float


def find_clock(first_s: Floats, second_s: Floats, evidence: Floats, resolutions_s: tuple[float, float]) -> Clock:
    """The clock path of one pair of streams; `evidence` (first, second) is the readings' log ratio, times are nan where unknown."""
    resolution_s, sigma_s = max(resolutions_s), start_sigma(*resolutions_s)
    gap_s = second_s[None, :] - first_s[:, None]
    coarse = resolution_s > COARSE_S
    grid = _COARSE_GRID_S if coarse else _GRID_S
    peaks = _peaks(gap_s, evidence, 10.0 if coarse else 1.0)
    states = _states(peaks, grid, _COARSE_REACH_S if coarse else _REACH_S)
    votes = _votes(gap_s, evidence, states, grid, _kernel(grid, resolution_s, sigma_s), _median_gap(first_s, second_s))
    path, score = _best_path(votes, states, grid)
    offset = states[path] * grid
    return Clock(offset, _segments(offset, 3 * grid), sigma_s, score)


def start_sigma(first_resolution_s: float, second_resolution_s: float) -> float:
    """Spread of time differences to begin with: 0.3 s of the devices' own and 0.29 of each stamp's width.

    For coarse stamps the coarser one is a box of its own in `density`, and only the finer one is in the spread.
    """
    low, high = sorted((first_resolution_s, second_resolution_s))
    return math.sqrt(1.0 + low**2 / 12) if high > COARSE_S else math.sqrt(0.3**2 + (low**2 + high**2) / 12)


def refine(clock: Clock, first_s: Floats, second_s: Floats, pairs: tuple[Ints, Ints, Floats], resolution_s: float, floor_s: float) -> Clock:
    """The path again, from pairs (first, second, posterior) of the alignment: running median in each step-free stretch."""
    first, second, posterior = pairs
    sure = (posterior > 0.8) & ~np.isnan(first_s[first]) & ~np.isnan(second_s[second])
    first, second = first[sure], second[sure]
    if len(first) < 4:
        return clock
    gap = second_s[second] - first_s[first]
    order = np.argsort(second, kind="stable")
    second, gap = second[order], gap[order]
    offset = clock.offset_s.copy()
    for segment in np.unique(clock.segment[second]).tolist():
        mine = clock.segment[second] == segment
        members = np.flatnonzero(clock.segment == segment)
        smooth = _box_centre(gap[mine], clock.sigma_s, resolution_s) if resolution_s > COARSE_S else running_median(gap[mine])
        offset[members] = np.interp(members, second[mine], smooth)
    residual = gap - offset[second]
    sigma = max(floor_s, float(np.median(np.abs(residual)) * 1.4826) if resolution_s <= COARSE_S else clock.sigma_s)
    return clock._replace(offset_s=offset, sigma_s=sigma)


def running_median(values: Floats, width: int = _MEDIAN_PAIRS) -> Floats:
    """Median of the `width` values around each (fewer at the ends, the same number on both sides)."""
    half = min(width // 2, (len(values) - 1) // 2)
    middle = np.median(np.lib.stride_tricks.sliding_window_view(values, 2 * half + 1), axis=1)
    # at the ends the window would be one-sided: keep the value of the last whole window
    return np.concatenate([np.full(half, middle[0]), middle, np.full(half, middle[-1])])


def density(residual_s: Floats, sigma_s: Floats | float, resolution_s: Floats) -> Floats:
    """Density per second of the time difference of one pitch's two records, about the clock path; heavy-tailed."""
    coarse = resolution_s > COARSE_S
    fine = 0.985 * _normal(residual_s, sigma_s) + 0.015 * _normal(residual_s, 3 * np.asarray(sigma_s) + 0.8)
    if not coarse.any():
        return fine
    half = resolution_s / 2
    box = (normal_cdf((residual_s + half) / sigma_s) - normal_cdf((residual_s - half) / sigma_s)) / np.maximum(resolution_s, 1e-9)
    return np.where(coarse, box, fine)


def _normal(x: Floats, sigma: Floats | float) -> Floats:
    return np.exp(-0.5 * (x / sigma) ** 2) / (np.sqrt(2 * np.pi) * sigma)


_CDF_AT = np.linspace(-6, 6, 2401)
_CDF = np.array([0.5 * math.erfc(-x / math.sqrt(2)) for x in _CDF_AT])


def normal_cdf(x: Floats) -> Floats:
    """Normal distribution function to 1e-6, from a table of math.erfc: importing scipy.special would cost a night 0.4 s."""
    return np.interp(x, _CDF_AT, _CDF)


def crowding(seen_s: Floats) -> float:
    """Density per second of other events 2.7 to 6 s from an event of the same stream; never under 0.0015."""
    known = np.sort(seen_s[~np.isnan(seen_s)])
    if len(known) < 2:
        return 0.0015
    near = np.searchsorted(known, known + 6.0, "right") - np.searchsorted(known, known + 2.7, "left")
    return max(0.0015, float(near.mean() / 3.3))


def _median_gap(first_s: Floats, second_s: Floats) -> float:
    gaps = np.concatenate([np.diff(np.sort(s[~np.isnan(s)])) for s in (first_s, second_s)])
    return float(max(np.median(gaps), 1.0)) if len(gaps) else 20.0


def _peaks(gap_s: Floats, evidence: Floats, width: float) -> Floats:
    """Offsets that many pairs vote for: best first, in seconds."""
    known = ~np.isnan(gap_s)
    gap, strength = gap_s[known], 1.0 / (1.0 + gap_s.shape[0] * np.exp(-evidence[known]))
    low = np.floor(gap.min() / width) - 1
    bins = np.bincount((np.floor(gap / width) - low).astype(np.int64), strength)
    # a pitch's two stamps can fall on both sides of a bin's edge
    votes = np.convolve(bins, [0.5, 1.0, 0.5], "same")
    spread = max(3, round(300 / width))
    ground = _moving_average(votes, spread)
    centre = (np.arange(len(votes)) + low + 0.5) * width
    score = (votes - ground) / np.sqrt(ground + 0.3) + _offset_prior(centre)
    keep = [int(np.argmax(score))]
    for at in np.argsort(-score, kind="stable")[:60].tolist():
        apart = all(abs(centre[at] - centre[k]) > 30.0 for k in keep)
        if len(keep) < _MOST_PEAKS and apart and votes[at] - ground[at] > 0.5 + 3 * math.sqrt(ground[at]):
            keep.append(at)
    return centre[keep]


def _moving_average(values: Floats, half: int) -> Floats:
    total = np.concatenate([[0.0], np.cumsum(values)])
    low = np.maximum(np.arange(len(values)) - half, 0)
    high = np.minimum(np.arange(len(values)) + half + 1, len(values))
    return (total[high] - total[low]) / (high - low)


def _offset_prior(offset_s: Floats) -> Floats:
    """Small favour for clocks that agree, roughly agree, or are whole hours apart (daylight saving, a wrong zone)."""
    off_hour = np.abs(offset_s - 3600.0 * np.round(offset_s / 3600.0))
    near_zero = np.abs(offset_s) < 1800.0
    return 1.0 * (off_hour < 5.0) + 1.0 * (off_hour < 400.0) + 1.0 * (near_zero & (off_hour < 400.0))


def _states(peaks: Floats, grid: float, reach_s: float) -> Ints:
    """Grid cells (offset / grid) near any of the peaks, ascending."""
    reach = round(reach_s / grid)
    return np.unique(np.concatenate([np.round(p / grid).astype(np.int64) + np.arange(-reach, reach + 1) for p in peaks]))


def _votes(gap_s: Floats, evidence: Floats, states: Ints, grid: float, kernel: Floats, median_gap_s: float) -> Floats:
    """Log-likelihood of each record of the second stream (rows) for each offset state, against no partner at all."""
    n = gap_s.shape[1]
    low, size = int(states[0]), int(states[-1] - states[0]) + 1
    at = np.round(np.nan_to_num(gap_s, nan=-1e9) / grid).astype(np.int64) - low
    first, second = np.nonzero((at >= 0) & (at < size))
    place = np.full(size, -1)
    place[states - low] = np.arange(len(states))
    column = place[at[first, second]]
    inside = column >= 0
    weight = np.exp(np.clip(evidence[first[inside], second[inside]], -7.0, 6.0))
    sums = np.bincount(second[inside] * len(states) + column[inside], weight, n * len(states)).reshape(n, len(states))
    dense = _smoothed(sums, states, kernel)
    return np.log(0.15 + 0.85 * median_gap_s * dense)


def _kernel(grid: float, resolution_s: float, sigma_s: float) -> Floats:
    """Density of a pair's own offset about the path, on the grid: a normal, for minute stamps a box with soft edges."""
    sigma = max(sigma_s, 1.2 * grid)
    reach = math.ceil(((resolution_s / 2 if resolution_s > COARSE_S else 0.0) + 2.5 * sigma) / grid)
    return density(np.arange(-reach, reach + 1) * grid, sigma, np.full(2 * reach + 1, resolution_s))


def _smoothed(sums: Floats, states: Ints, kernel: Floats) -> Floats:
    """Convolution along the states; states of different peaks do not touch."""
    half = len(kernel) // 2
    out = np.zeros_like(sums)
    for stretch in np.split(np.arange(len(states)), np.flatnonzero(np.diff(states) > 1) + 1):
        block = sums[:, stretch]
        total = np.zeros_like(block)
        for shift in range(-half, half + 1):
            if abs(shift) >= block.shape[1]:
                continue
            source = block[:, max(0, -shift) : block.shape[1] - max(0, shift)]
            total[:, max(0, shift) : block.shape[1] + min(0, shift)] += kernel[shift + half] * source
        out[:, stretch] = total
    return out


def _best_path(votes: Floats, states: Ints, grid: float) -> tuple[Ints, float]:
    """Viterbi: stay, drift to the next cell, or step anywhere at a cost."""
    n, size = votes.shape
    neighbour_below = np.concatenate([[False], np.diff(states) == 1])
    neighbour_above = np.concatenate([np.diff(states) == 1, [False]])
    came = np.zeros((n, size), dtype=np.int32)
    index = np.arange(size, dtype=np.int32)
    value = votes[0].copy()
    for j in range(1, n):
        best = int(np.argmax(value))
        below = np.where(neighbour_below, np.concatenate([[-np.inf], value[:-1]]), -np.inf) - _DRIFT_COST
        above = np.where(neighbour_above, np.concatenate([value[1:], [-np.inf]]), -np.inf) - _DRIFT_COST
        stay = value
        top = np.maximum(np.maximum(stay, below), np.maximum(above, value[best] - _STEP_COST))
        came[j] = np.where(top == stay, index, np.where(top == below, index - 1, np.where(top == above, index + 1, best)))
        value = top + votes[j]
    path = np.empty(n, dtype=np.int64)
    path[-1] = int(np.argmax(value))
    for j in range(n - 1, 0, -1):
        path[j - 1] = came[j, path[j]]
    return path, float(value.max())


def _segments(offset: Floats, step: float) -> Ints:
    """Number from 0 of the step-free stretch of each record."""
    return np.concatenate([[0], np.cumsum(np.abs(np.diff(offset)) >= step)]).astype(np.int64)


def _box_centre(gap: Floats, sigma_s: float, resolution_s: float) -> Floats:
    """For coarse stamps: the offset whose box of one stamp's width holds the gaps best, the same for the whole stretch."""
    candidates = np.arange(np.median(gap) - resolution_s / 2, np.median(gap) + resolution_s / 2, 0.25)
    half = resolution_s / 2
    r = gap[None, :] - candidates[:, None]
    likelihood = np.log(normal_cdf((r + half) / sigma_s) - normal_cdf((r - half) / sigma_s) + 0.02).sum(axis=1)
    # the likelihood is flat between its edges: take its centre of mass
    weight = np.exp(likelihood - likelihood.max())
    return np.full(len(gap), float((weight * candidates).sum() / weight.sum()))
