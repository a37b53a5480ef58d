"""Refine a clock path by the pairs of an alignment.

A robust line is fitted in each step-free segment.
"""

import functools
import math

import numpy as np

from pipeline.matching.clocks.search import Clock
from pipeline.matching.data.arrays import Floats, Ints, median
from pipeline.matching.data.streams import COARSE_S, StreamPair
from pipeline.matching.evidence.timing import box_density, normal_cdf

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Pairs above this probability refine a clock ...
SURE_PAIR = 0.8
# ... if there are at least so many: fewer do not fix a line.
_MIN_PAIRS = 4
# Floor of the spread of time differences: the rounding of both stamps (1 / sqrt(12) and a little) ...
_MIN_SIGMA_IN_STAMPS = 0.32
# ... and at least this many seconds.
_MIN_SIGMA_S = 0.02
# Standard deviation of honest clocks' drift, the prior of the fitted slope: a plain quartz stays within it. Common
# practice, no source.
_DRIFT_SD = 100e-6
# Huber's constant, in scales; common practice.
_HUBER = 1.5
# Pairs in the running mean that follows a clock which does not run straight.
_BEND_PAIRS = 31
# With fewer pairs than this the rounding of the stamps is modeled ...
_FEW_PAIRS = 40
# ... if they are this wide, in seconds, or wider.
_ROUNDED_S = 0.5
# Spreads of steady and less steady clocks beyond rounding, equally likely a priori; estimates, no source.
_CLOCK_SDS_S = (0.1, 0.25, 0.6)
# Density of a stamp that is off by any amount; an estimate, no source.
_STRAY_DENSITY = 0.01
# Offsets tried for coarse stamps over one stamp's width: a precision of half a second for minute stamps.
_CANDIDATES = 120
# Table steps from one of these offsets to the next.
_TABLE_STEPS = 8
# Likelihood of a gap outside of every box; an estimate, no source.
_OUTSIDE_BOX = 0.02


def refine(clock: Clock, streams: StreamPair, pairs: tuple[Ints, Ints, Floats]) -> Clock:
    """Refit the path to the sure pairs, each step-free segment by itself.

    `pairs`: (first, second, posterior).
    """
    first_s, second_s = streams.first.seen_s, streams.second.seen_s
    first, second, posterior = pairs
    sure = (posterior > SURE_PAIR) & ~np.isnan(first_s[first]) & ~np.isnan(second_s[second])
    first, second = first[sure], second[sure]
    if len(first) < _MIN_PAIRS:
        return clock
    order = np.argsort(second, kind="stable")
    second, gap = second[order], (second_s[second] - first_s[first])[order]
    resolutions_s, resolution_s = streams.resolutions_s, max(streams.resolutions_s)
    floor_s = max(_MIN_SIGMA_IN_STAMPS * float(np.hypot(*resolutions_s)), _MIN_SIGMA_S)
    offset = clock.offset_s.copy()
    for segment in range(clock.steps + 1):
        inside = clock.segment[second] == segment
        members = np.flatnonzero(clock.segment == segment)
        if not inside.any():
            continue
        if resolution_s > COARSE_S:
            offset[members] = box_center(gap[inside], clock.sigma_s, resolution_s)
        else:
            offset[members] = _segment_path(second_s, members, second[inside], gap[inside], resolutions_s, floor_s)
    sigma = clock.sigma_s if resolution_s > COARSE_S else max(floor_s, robust_sd(gap - offset[second]))
    return clock._replace(offset_s=offset, sigma_s=sigma)


def robust_sd(residual: Floats) -> float:
    """Return the standard deviation of residuals within three times their median size.

    Stamps are rounded, so that the plain median absolute deviation can be 0.
    """
    size = np.abs(residual)
    near = residual[size <= 3.0 * max(median(size), 0.5 * float(np.mean(np.minimum(size, 3.0))), 1e-3)]
    return float(np.sqrt(np.mean(near**2))) if len(near) else 0.0


def robust_line(at: Floats, gap: Floats, scale_s: float) -> tuple[float, float]:
    """Return (gap at 0, slope) by Huber-weighted regression.

    It starts at the median; the prior shrinks the slope to 0.
    """
    start, slope = median(gap), 0.0
    pull, far = (scale_s / _DRIFT_SD) ** 2, 8 * scale_s + 2.0
    for _ in range(8):
        before = start
        size = np.abs(gap - start - slope * at)
        weight = _HUBER * scale_s / np.maximum(size, _HUBER * scale_s)
        if size.min() < far:
            weight[size > far] = 0.0
        total = weight.sum()
        centered = at - (weight @ at) / total
        slope = float((weight * centered) @ (gap - start) / ((weight * centered) @ centered + pull))
        start = float(weight @ (gap - slope * at) / total)
        if abs(start - before) < 1e-4:
            break
    return start, slope


def rounded_center(gap: Floats, near_s: float, resolutions_s: tuple[float, float]) -> float:
    """Return the posterior mean of the offset of clocks that round their stamps.

    For few time differences. The difference of two stamps of 1 s takes one of two values, in shares that depend on the
    fraction of the offset: neither a median nor the mean of three of them shows it that well. Each offset about
    `near_s` is weighted by its likelihood, over steady and less steady clocks.
    """
    reach = sum(resolutions_s) / 2
    offset = near_s + np.linspace(-reach, reach, 81)
    residual = gap - offset[:, None]
    # a product of so few densities, none below that of a stray stamp, does not underflow
    weight = sum(
        (_rounded_density(residual, sd_s, resolutions_s) + _STRAY_DENSITY).prod(axis=1) for sd_s in _CLOCK_SDS_S
    )
    return float((weight * offset).sum() / np.sum(weight))


def running_mean(values: Floats, width: int) -> Floats:
    """Return the mean of `width` values around each value.

    At the ends, that of the last complete window.
    """
    half = min(width // 2, (len(values) - 1) // 2)
    total = np.concatenate([[0.0], np.cumsum(values)])
    middle = (total[2 * half + 1 :] - total[: -(2 * half + 1)]) / (2 * half + 1)
    return np.concatenate([np.full(half, middle[0]), middle, np.full(half, middle[-1])])


def box_center(gap: Floats, sigma_s: float, resolution_s: float) -> float:
    """Return the offset whose box of one coarse stamp's width holds the gaps best."""
    step, lowest, log_density = _box_table(sigma_s, resolution_s)
    candidates = median(gap) - resolution_s / 2 + _TABLE_STEPS * step * np.arange(_CANDIDATES)
    position = (gap - candidates[0]) / step - lowest
    before = np.floor(position)
    cells = before.astype(np.int64) - _TABLE_STEPS * np.arange(_CANDIDATES)[:, None]
    np.clip(cells, 0, len(log_density) - 2, out=cells)
    likelihood = log_density[cells] @ (before + 1 - position) + log_density[cells + 1] @ (position - before)
    # the likelihood is flat between its edges: take its center of mass
    weight = np.exp(likelihood - likelihood.max())
    return float((weight * candidates).sum() / weight.sum())


def _segment_path(
    second_s: Floats, members: Ints, second: Ints, gap: Floats, resolutions_s: tuple[float, float], floor_s: float
) -> Floats:
    """Return the path in one segment.

    A straight line, or a running mean about it where the clock runs unevenly.
    """
    middle = float(np.mean(second_s[second]))
    at = second_s[second] - middle
    start, slope = robust_line(at, gap, floor_s)
    stamped = second_s[members]
    missing = np.isnan(stamped)
    if missing.any():
        stamped = np.where(missing, np.interp(members, second, second_s[second]), stamped)
    if len(gap) < _FEW_PAIRS and max(resolutions_s) >= _ROUNDED_S:
        start = rounded_center(gap - slope * at, start, resolutions_s)
    line = start + slope * (stamped - middle)
    if len(gap) < 2 * _BEND_PAIRS:
        return line
    bend = running_mean(np.clip(gap - start - slope * at, -2.5 * floor_s, 2.5 * floor_s), _BEND_PAIRS)
    # the standard error of the running mean is floor / sqrt(31): a bend must stand out from that
    return line + np.interp(members, second, bend) if np.ptp(bend) > 8 * floor_s / math.sqrt(_BEND_PAIRS) else line


def _rounded_density(residual_s: Floats, sd_s: float, resolutions_s: tuple[float, float]) -> Floats:
    """Return the density of a time difference of two rounded stamps."""
    at, height = _rounded_table(sd_s, resolutions_s)
    return np.asarray(np.interp(residual_s, at, height))


@functools.lru_cache(maxsize=64)
def _rounded_table(sd_s: float, resolutions_s: tuple[float, float]) -> tuple[Floats, Floats]:
    """Tabulate (residual, density) of the convolution box * box * normal.

    In steps of a sixteenth of the spread.
    """
    low, high = sorted(max(r, 0.05) for r in resolutions_s)
    outer, inner = (high + low) / 2, (high - low) / 2
    reach = outer + 6 * sd_s
    at = np.linspace(-reach, reach, 2 * math.ceil(16 * reach / sd_s) + 1)
    corners = ((outer, 1.0), (inner, -1.0), (-inner, -1.0), (-outer, 1.0))
    total = sum(sign * _normal_ramp((at + corner) / sd_s) for corner, sign in corners)
    return at, np.maximum(total * sd_s / (low * high), 0.0)


def _normal_ramp(x: Floats) -> Floats:
    """Return the integral of the normal distribution function up to x."""
    near = np.clip(x, -6.0, 6.0)
    return np.asarray(
        near * normal_cdf(near) + np.exp(-0.5 * near**2) / math.sqrt(2 * math.pi) + np.maximum(x - 6.0, 0.0)
    )


@functools.lru_cache(maxsize=64)
def _box_table(sigma_s: float, resolution_s: float) -> tuple[float, int, Floats]:
    """Tabulate (step, first position in steps, log-likelihood of a residual).

    Constant beyond both ends.
    """
    step = resolution_s / (_CANDIDATES * _TABLE_STEPS)
    last = math.ceil((resolution_s / 2 + 6 * sigma_s) / step) + 1
    density = resolution_s * box_density(np.arange(-last, last + 1) * step, sigma_s, resolution_s)
    return step, -last, np.log(density + _OUTSIDE_BOX)
