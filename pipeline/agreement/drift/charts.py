"""Statistics of control charts: scores, run lengths and change points.

Sources: EWMA chart, Roberts 1959, with run lengths by the integral
equation of Lucas & Saccucci, Technometrics 1990;32:1; self-starting form, Hawkins, J Quality Technology 1987;19 (t statistics of each
night against the nights before it, so neither level nor spread need be known); change point, least squares.
"""

import math
from functools import cache
from typing import NamedTuple

import numpy as np

# Weight of the newest night in the moving average (Roberts 1959; 0.2 is common practice).
SMOOTHING = 0.2
# A chart with fewer nights gives no alarm: its nights are all that is known about their spread (our choice, no source).
LEAST_NIGHTS = 5
# The change-point test tries changes in this many last nights; older ones are left to the moving average.
RECENT = 30
# The change-point test needs at least this many nights before the change.
LEAST_BEFORE = 3
# The estimated date is the one most often right to within this many nights.
DATED_WITHIN = 2
# Gauss-Legendre nodes of the run-length integral; agrees with the published tables (tests/test_agreement_published.py).
_NODES = 41
# Normal quantile of 0.75: the median of |N(0, 1)|.
_NORMAL_75 = 0.6744897501960817


class Change(NamedTuple):
    """A change of level: its first night, the levels on both sides, the size's error.

    `start` is an index; `first` and `last` are the ends of its 95 % set.
    """

    start: int
    first: int
    last: int
    before: float
    after: float
    se: float


def between_night_sd(centers: np.ndarray, se: np.ndarray) -> float:
    """Estimate the SD of nights' true centers.

    It comes from the median change between neighboring nights. A step or a single bad night hardly affects it.
    """
    steps = np.diff(centers)
    if len(steps) < 2:
        return 0.0
    # with this variance the median of |step| / its own SD is that of |N(0, 1)|: half of the steps need more, half less
    needed = (steps / _NORMAL_75) ** 2 - (se[1:] ** 2 + se[:-1] ** 2)
    return math.sqrt(max(float(np.median(needed)) / 2, 0.0))


def ewma(values: np.ndarray, smoothing: float = SMOOTHING, start: float = 0.0) -> np.ndarray:
    """Return the exponentially weighted moving average, beginning at `start`."""
    smoothed, level = np.empty(len(values)), start
    for index, value in enumerate(values.tolist()):
        level += smoothing * (value - level)
        smoothed[index] = level
    return smoothed


def ewma_half_width(limit: float, smoothing: float = SMOOTHING, sd: float = 1.0) -> float:
    """Return the distance of the chart's limits from its center line.

    Limit x asymptotic SD of the moving average.
    """
    return limit * sd * math.sqrt(smoothing / (2 - smoothing))


def average_run_length(limit: float, smoothing: float = SMOOTHING, shift: float = 0.0) -> float:
    """Return the mean number of nights until an EWMA chart alarms.

    Nights are independent and normal. `shift` is in SDs of a night (Lucas & Saccucci 1990).
    """
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    half = ewma_half_width(limit, smoothing)
    levels = nodes * half
    # from level u the next level is (1 - s) u + s x, x normal about the shift
    z = (levels[None, :] - (1 - smoothing) * levels[:, None]) / smoothing - shift
    kernel = np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi) / smoothing * weights[None, :] * half
    lengths = np.linalg.solve(np.eye(len(levels)) - kernel, np.ones(len(levels)))
    z0 = levels / smoothing - shift
    return float(1 + (np.exp(-0.5 * z0**2) / math.sqrt(2 * math.pi) / smoothing * weights * half) @ lengths)


@cache
def limit_for_run_length(run_length: float, smoothing: float = SMOOTHING) -> float:
    """Return the limit with one alarm in `run_length` undisturbed nights on average.

    In asymptotic SDs of the moving average.
    """
    low, high = 0.5, 8.0
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (middle, high) if average_run_length(middle, smoothing) < run_length else (low, middle)
    return high


def self_starting_scores(values: np.ndarray, variances: np.ndarray) -> np.ndarray:
    """Score each night against the nights before it, as a standard normal variate.

    Nan for the first two. `variances` need only be right relative to each other.
    """
    from scipy.special import ndtri, stdtr

    weights = 1 / variances
    total, mean_sum = np.cumsum(weights), np.cumsum(weights * values)
    squares = np.cumsum(weights * values**2) - mean_sum**2 / total
    scores = np.full(len(values), math.nan)
    if len(values) < 3:
        return scores
    # index of the last night before each scored one
    before = np.arange(1, len(values) - 1)
    spread = np.sqrt(np.maximum(squares[before], 1e-300) / before)
    t = (values[2:] - mean_sum[before] / total[before]) / np.sqrt(variances[2:] + 1 / total[before]) / spread
    # the smaller tail, so that an extreme night does not round to 1
    tail = np.maximum(stdtr(before, -np.abs(t)), 1e-300)
    scores[2:] = -np.sign(t) * ndtri(tail)
    return scores


def change_p_values(values: np.ndarray, variances: np.ndarray) -> np.ndarray:
    """Return, per night, the p-value of the clearest change up to that night.

    nan where nights are too few. The change-point formulation of Hawkins, Qiu & Kang, J Quality Technology 2003;35:355: the largest two-
    sample t over all dates. The p-value is corrected for the number of dates (Bonferroni), which is conservative. Dates more than RECENT
    nights back are not tried.
    """
    from scipy.special import stdtr

    nights = np.arange(len(values))[:, None]
    start = nights - np.arange(RECENT)[None, :]
    tried = (start >= LEAST_BEFORE) & (nights >= LEAST_NIGHTS - 1)
    before = np.maximum(start - 1, 0)
    weights, centered = 1 / variances, values - values.mean()
    total, sums, squares = (np.cumsum(weights * centered**power) for power in (0, 1, 2))
    w1, s1, w, s = total[before], sums[before], total[nights], sums[nights]
    with np.errstate(divide="ignore", invalid="ignore"):
        within = squares[nights] - s**2 / w
        between = s1**2 / w1 + (s - s1) ** 2 / (w - w1) - s**2 / w
        t = np.sqrt(between * (nights - 1) / np.maximum(within - between, 1e-12 * within))
    # all dates of one night have the same degrees of freedom, so the largest t has the smallest p-value
    largest = np.where(tried & np.isfinite(t), t, 0.0).max(axis=1)
    p_values = 2 * stdtr(np.maximum(nights[:, 0] - 1, 1), -largest)
    corrected = np.minimum(p_values * tried.sum(axis=1), 1.0)
    return np.where(tried.any(axis=1), corrected, math.nan)


def change_point(values: np.ndarray, variances: np.ndarray, least: int = 1) -> Change:
    """Estimate one change of level and the 95 % set of nights on which it began.

    By weighted least squares. The date is the night with most posterior weight within DATED_WITHIN nights, so it is most often right to
    that many nights. For a change of one SD of a night it is right in 60 %, where an estimator that knows both levels reaches 67 %
    (tests/benchmarks/bench_agreement.py). For a clear change it is the best-fitting night.
    """
    weights = 1 / variances
    total, sums = np.cumsum(weights), np.cumsum(weights * values)
    # first index after the change
    starts = np.arange(least, len(values) - least + 1)
    w1, s1 = total[starts - 1], sums[starts - 1]
    w2, s2 = total[-1] - w1, sums[-1] - s1
    explained = s1**2 / w1 + s2**2 / w2
    residual = float((weights * values**2).sum() - explained.max())
    factor = residual / max(len(values) - 2, 1)
    posterior = _posterior(explained, w1 * w2, factor)
    best = most_within(posterior, DATED_WITHIN)
    first, last = credible(posterior)
    # the levels on either side of the estimated date
    before, after = float(s1[best] / w1[best]), float(s2[best] / w2[best])
    se = math.sqrt(max(factor, 1e-300) * (1 / w1[best] + 1 / w2[best]))
    return Change(int(starts[best]), int(starts[min(first, best)]), int(starts[max(last, best)]), before, after, se)


def _posterior(explained: np.ndarray, weight_product: np.ndarray, factor: float) -> np.ndarray:
    """Return the posterior of the change's index.

    Flat prior on the index, levels integrated out.
    """
    log_weight = (explained - explained.max()) / (2 * max(factor, 1e-300)) - 0.5 * np.log(weight_product)
    posterior = np.exp(log_weight - log_weight.max())
    return np.asarray(posterior / posterior.sum())


def most_within(posterior: np.ndarray, nights: int) -> int:
    """Return the index with most of the posterior within `nights` of it.

    Ties go to the one whose weight is nearer.
    """
    nearness = 1 - 0.1 * np.abs(np.arange(-nights, nights + 1))
    return int(np.argmax(np.convolve(posterior, nearness)[nights : nights + len(posterior)]))


def credible(posterior: np.ndarray) -> tuple[int, int]:
    """Return the ends of the smallest set of indexes that holds 95 % of the posterior."""
    order = np.argsort(-posterior, kind="stable")
    inside = order[: int(np.searchsorted(np.cumsum(posterior[order]), 0.95)) + 1]
    return int(inside.min()), int(inside.max())
