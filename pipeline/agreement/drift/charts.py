"""Control charts of night means: how often they cry wolf, and when they cry.

Sources: EWMA chart: Roberts 1959, run lengths by the integral equation of Lucas & Saccucci, Technometrics 1990;32:1; self-starting
form: Hawkins, J Quality Technology 1987;19 (t statistics of each night against those before it, so that neither the level nor the
spread need be known); change point: least squares.
"""

import math
from functools import cache
from typing import NamedTuple

import numpy as np

SMOOTHING = 0.2
# A chart needs this many nights before it can say anything: their spread is all that is known of the spread.
LEAST_NIGHTS = 5
# The change-point test looks for changes in the last RECENT nights, with so many nights before them at least.
RECENT, LEAST_BEFORE = 30, 3
# A change is dated so that it lies within so many nights as often as may be.
DATED_WITHIN = 2
_NODES = 41


class Change(NamedTuple):
    """The first night after the change (its place), the first and last it may be (95 %), the levels before and after, and the size's error."""

    place: int
    first: int
    last: int
    before: float
    after: float
    se: float


def between_night_sd(centres: np.ndarray, se: np.ndarray) -> float:
    """SD of nights' true centres, from the median change between neighbouring nights: a step or a bad night hardly moves it."""
    steps = np.diff(centres)
    if len(steps) < 2:
        return 0.0
    # the SD with which the median of |step| / its own SD is that of |N(0, 1)|, 0.6745: half of the steps ask for more, half for less
    asked = (steps / 0.6744897501960817) ** 2 - (se[1:] ** 2 + se[:-1] ** 2)
    return math.sqrt(max(float(np.median(asked)) / 2, 0.0))


def ewma(values: np.ndarray, smoothing: float = SMOOTHING, start: float = 0.0) -> np.ndarray:
    """Exponentially weighted moving average, from `start`."""
    smoothed, level = np.empty(len(values)), start
    for index, value in enumerate(values.tolist()):
        level += smoothing * (value - level)
        smoothed[index] = level
    return smoothed


def ewma_half_width(limit: float, smoothing: float = SMOOTHING, sd: float = 1.0) -> float:
    """Distance of the chart's limits from its centre line: limit x asymptotic SD of the moving average."""
    return limit * sd * math.sqrt(smoothing / (2 - smoothing))


def average_run_length(limit: float, smoothing: float = SMOOTHING, shift: float = 0.0) -> float:
    """Nights until an EWMA chart of independent normal nights alarms, on average; `shift` in SDs of a night (Lucas & Saccucci 1990)."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    half = ewma_half_width(limit, smoothing)
    at = nodes * half
    # from level u the next level is (1 - s) u + s x, x normal about the shift
    z = (at[None, :] - (1 - smoothing) * at[:, None]) / smoothing - shift
    kernel = np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi) / smoothing * weights[None, :] * half
    lengths = np.linalg.solve(np.eye(len(at)) - kernel, np.ones(len(at)))
    z0 = at / smoothing - shift
    return float(1 + (np.exp(-0.5 * z0**2) / math.sqrt(2 * math.pi) / smoothing * weights * half) @ lengths)


@cache
def limit_for_run_length(run_length: float, smoothing: float = SMOOTHING) -> float:
    """The limit (in asymptotic SDs) at which an undisturbed chart alarms once in `run_length` nights on average."""
    low, high = 0.5, 8.0
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (middle, high) if average_run_length(middle, smoothing) < run_length else (low, middle)
    return high


def self_starting_scores(values: np.ndarray, variances: np.ndarray) -> np.ndarray:
    """Each night against those before it, as a standard normal score; nan for the first two. `variances` need only be right relatively."""
    from scipy.special import ndtri, stdtr

    weights = 1 / variances
    total, mean_sum = np.cumsum(weights), np.cumsum(weights * values)
    squares = np.cumsum(weights * values**2) - mean_sum**2 / total
    scores = np.full(len(values), math.nan)
    if len(values) < 3:
        return scores
    before = np.arange(1, len(values) - 1)  # index of the last night before each scored one
    spread = np.sqrt(np.maximum(squares[before], 1e-300) / before)
    t = (values[2:] - mean_sum[before] / total[before]) / np.sqrt(variances[2:] + 1 / total[before]) / spread
    # the smaller tail, so that a far night doesn't round to 1
    tail = np.maximum(stdtr(before, -np.abs(t)), 1e-300)
    scores[2:] = -np.sign(t) * ndtri(tail)
    return scores


def change_p_values(values: np.ndarray, variances: np.ndarray) -> np.ndarray:
    """By night: how likely an undisturbed series shows as clear a change up to that night, all dates tried; nan where nights are too few.

    The change-point formulation of Hawkins, Qiu & Kang, J Quality Technology 2003;35:355: the largest two-sample t over all dates. Its
    level is by Bonferroni over the dates, which is on the safe side. Dates more than RECENT nights back are left to the moving average.
    """
    from scipy.special import stdtr

    nights = np.arange(len(values))[:, None]
    place = nights - np.arange(RECENT)[None, :]
    tried = (place >= LEAST_BEFORE) & (nights >= LEAST_NIGHTS - 1)
    before = np.maximum(place - 1, 0)
    weights, about = 1 / variances, values - values.mean()
    total, sums, squares = (np.cumsum(weights * about**power) for power in (0, 1, 2))
    w1, s1, w, s = total[before], sums[before], total[nights], sums[nights]
    with np.errstate(divide="ignore", invalid="ignore"):
        within = squares[nights] - s**2 / w
        between = s1**2 / w1 + (s - s1) ** 2 / (w - w1) - s**2 / w
        t = np.sqrt(between * (nights - 1) / np.maximum(within - between, 1e-12 * within))
    # of one night all dates have the same degrees of freedom: the largest t is the least likely
    largest = np.where(tried & np.isfinite(t), t, 0.0).max(axis=1)
    p_values = 2 * stdtr(np.maximum(nights[:, 0] - 1, 1), -largest)
    found = np.minimum(p_values * tried.sum(axis=1), 1.0)
    return np.where(tried.any(axis=1), found, math.nan)


def change_point(values: np.ndarray, variances: np.ndarray, least: int = 1) -> Change:
    """The one change of level (weighted least squares), and the nights it may have been by posterior weight.

    The date is the night about which the posterior holds most within DATED_WITHIN nights: that is the date that is most often right to
    so many nights (for a change of one SD of a night in 60 %, where even an estimator that is told both levels reaches 67 %:
    tests/benchmarks/bench_agreement.py), and for a plain change it is the best-fitting one.
    """
    weights = 1 / variances
    total, sums = np.cumsum(weights), np.cumsum(weights * values)
    at = np.arange(least, len(values) - least + 1)  # first index after the change
    w1, s1 = total[at - 1], sums[at - 1]
    w2, s2 = total[-1] - w1, sums[-1] - s1
    explained = s1**2 / w1 + s2**2 / w2
    residual = float((weights * values**2).sum() - explained.max())
    factor = residual / max(len(values) - 2, 1)
    posterior = _posterior(explained, w1 * w2, factor)
    best = most_within(posterior, DATED_WITHIN)
    first, last = credible(posterior)
    # the levels on either side of the date named
    before, after = float(s1[best] / w1[best]), float(s2[best] / w2[best])
    se = math.sqrt(max(factor, 1e-300) * (1 / w1[best] + 1 / w2[best]))
    return Change(int(at[best]), int(at[min(first, best)]), int(at[max(last, best)]), before, after, se)


def _posterior(explained: np.ndarray, weight_product: np.ndarray, factor: float) -> np.ndarray:
    """Posterior of the change's place: flat prior on the place, the levels integrated out."""
    log_weight = (explained - explained.max()) / (2 * max(factor, 1e-300)) - 0.5 * np.log(weight_product)
    posterior = np.exp(log_weight - log_weight.max())
    return np.asarray(posterior / posterior.sum())


def most_within(posterior: np.ndarray, nights: int) -> int:
    """The place that has most of the posterior within so many nights of it; of equals the one that has it nearest."""
    nearness = 1 - 0.1 * np.abs(np.arange(-nights, nights + 1))
    return int(np.argmax(np.convolve(posterior, nearness)[nights : nights + len(posterior)]))


def credible(posterior: np.ndarray) -> tuple[int, int]:
    """Ends of the smallest set of places that holds 95 % of the posterior."""
    order = np.argsort(-posterior, kind="stable")
    inside = order[: int(np.searchsorted(np.cumsum(posterior[order]), 0.95)) + 1]
    return int(inside.min()), int(inside.max())
