"""Control chart of a tracker against its own pitchers' earlier nights.

It is for readings that too few other trackers give. A pitcher's release point varies little from outing to outing, and independently of
other pitchers. Where several pitchers' readings move together, by the same amount and the same way, the device has moved: it was set up
again, turned, or pushed. Speed and spin are different: cold, rest and a season's build-up move many arms together. There the chart needs
twice as many pitchers and never blames the device.

Each outing is compared with the same pitcher's earlier outings on the same tracker. A night is tested for a change on any of the RECENT
nights up to it (likelihood ratio over all dates, Bonferroni over the dates). Each pitcher's part is bounded, so that one or two pitchers
cannot raise an alarm. Method: change-point tests of Hawkins, Qiu & Kang, J Quality Technology 2003;35:355, on differences within
pitchers.
"""

import math
from datetime import date
from typing import NamedTuple, Self

import numpy as np

from pipeline.agreement.drift.charts import DATED_WITHIN, RECENT, credible, most_within
from pipeline.agreement.drift.outings import (
    LEAST_STEPS,
    PACE,
    POSITIONS,
    OutingSpread,
    PitcherHistory,
    outing_sd,
    outing_steps,
)

# An alarm needs this many pitchers who moved together (common practice, no source).
LEAST_PITCHERS = dict.fromkeys(POSITIONS, 3) | dict.fromkeys(PACE, 6)
# How far a pitcher's earlier outings reach back, in nights of the tracker (our choice, no source).
BACK = 60
# One pitcher counts as at most this many SDs of an outing (our choice, no source).
CLIP = 3.0
# An alarm needs this share of the pitchers to move the same way, by a third of the mean shift or more (our choice, no source).
TOGETHER = 2 / 3
# A return to the usual level needs less proof than a change, because a device that is set up each night does just that.
RETURN_P = 0.01
# Pitchers that a return to the usual level needs.
RETURN_PITCHERS = 2
# A mean shift within this many standard errors of 0 counts as the usual level.
_USUAL_WITHIN_SE = 2.0
# Weights up to here are rounding errors of running sums.
_NO_WEIGHT = 1e-9


class Level(NamedTuple):
    """Mean shift from the same pitchers' earlier readings, its error, and pitchers.

    The error is the standard error of the mean shift.
    """

    mean: float
    se: float
    pitchers: int


class DetectedChange(NamedTuple):
    """A change: the night that revealed it, its first night, and ends of its 95 % set."""

    seen: int
    start: int
    earliest: int
    latest: int


class HistoryNight(NamedTuple):
    """One night: its own level, the level since the last change, and the live change.

    `change_p` is the p-value of a change.
    """

    own: Level
    level: Level
    change_p: float
    change: DetectedChange | None


def watch_history(history: PitcherHistory, spread: OutingSpread, change_p: float) -> list[HistoryNight]:
    """Read a tracker's chart night by night.

    An undisturbed night alarms with probability `change_p` at most.
    """
    usual, base, since, change = np.ones(len(history.days), bool), 0, 1, None
    chart, nights = _Chart.from_history(history, spread, usual), list[HistoryNight]()
    for night in range(len(history.days)):
        if change is not None and night - change.start > change.start - base:
            # the level that has lasted longest is the usual one: history begins again with it
            base, since, change = change.start, change.start + 1, None
        chart = chart._replace(base=base, since=since)
        if change is not None and (end := _end_of_change(chart, change, night, change_p)) is not None:
            usual[change.start : end] = False
            since, change = end, None
            chart = _Chart.from_history(history, spread, usual)._replace(base=base, since=since)
            # in hindsight the readings were usual from that night on
            nights[end:] = [_history_night(chart, past, math.nan, None) for past in range(end, night)]
        p_value = math.nan
        if change is None:
            p_value, found = _test_for_change(chart, night)
            if found is not None and p_value < change_p and _is_confirmed(chart, found, change_p):
                change = found
        nights.append(_history_night(chart, night, p_value, change))
    return nights


def shift_between(history: PitcherHistory, spread: OutingSpread, before: set[date], after: set[date]) -> Level:
    """Return how much the same pitchers' readings changed between two sets of days."""
    first, second = (np.array([day in days for day in history.days]) for days in (before, after))
    seen, weight, value = _weights(history, spread)
    past, now = (_Weighted(weight[days].sum(axis=0)[None], value[days].sum(axis=0)[None]) for days in (first, second))
    outings = seen[second].sum(axis=1)
    crowd = _Crowd(np.array([outings.sum()]), np.array([(outings**2).sum()]))
    return _level(_pool(spread, past, now, crowd))


class _Weighted(NamedTuple):
    """Sums of weights and of weighted values, ... x pitchers."""

    weight: np.ndarray
    value: np.ndarray


class _Crowd(NamedTuple):
    """Outings in a window, and the sum over its nights of their squared number.

    How many pitchers share a night.
    """

    outings: np.ndarray
    squares: np.ndarray


class _Chart(NamedTuple):
    """A chart being read, with running sums over nights (one more entry than nights).

    `usual` marks nights that count as history. History begins with night `base`; a change is dated to night `since` or later.
    """

    history: PitcherHistory
    spread: OutingSpread
    usual: np.ndarray
    base: int
    since: int
    all_nights: _Weighted
    usual_nights: _Weighted
    crowd: _Crowd

    @classmethod
    def from_history(cls, history: PitcherHistory, spread: OutingSpread, usual: np.ndarray) -> Self:
        """Sum up a tracker's nights."""
        seen, weight, value = _weights(history, spread)
        outings, counted = seen.sum(axis=1), usual[:, None]
        columns = (weight, value, weight * counted, value * counted, outings, outings**2)
        sums = [np.concatenate([np.zeros((1, *column.shape[1:])), np.cumsum(column, axis=0)]) for column in columns]
        return cls(history, spread, usual, 0, 1, _Weighted(*sums[:2]), _Weighted(*sums[2:4]), _Crowd(*sums[4:]))

    def past(self, start: int | np.ndarray) -> _Weighted:
        """Sum the history before `start`: up to BACK usual nights, from `base` on."""
        first = np.maximum(start - BACK, self.base)
        return _Weighted(*(sums[start] - sums[first] for sums in self.usual_nights))

    def pool(self, past: _Weighted, start: np.ndarray, end: int | np.ndarray) -> "_Pooled":
        """Pool the pitchers' shifts from `past` to the nights start..end-1.

        One window per entry of `start`.
        """
        now = _Weighted(*(sums[end] - sums[start] for sums in self.all_nights))
        return _pool(self.spread, past, now, _Crowd(*(sums[end] - sums[start] for sums in self.crowd)))

    def pool_since(self, start: np.ndarray, end: int) -> "_Pooled":
        """Pool the shifts from the history before each start to the nights start..end-1."""
        return self.pool(self.past(start), start, end)

    def threw(self, nights: np.ndarray) -> np.ndarray:
        """Return which pitchers threw on each night, nights x pitchers."""
        return np.asarray(self.all_nights.weight[nights + 1] - self.all_nights.weight[nights] > _NO_WEIGHT)


class _Pooled(NamedTuple):
    """Per window: mean shift of the pitchers, its variance, and how clear it is.

    `score` bounds each pitcher's part; `together` is the share of pitchers that moved the same way; `gain` is how much better the shift fits
    than no shift (half the fall in squared scores, each bounded).
    """

    mean: np.ndarray
    variance: np.ndarray
    score: np.ndarray
    pitchers: np.ndarray
    together: np.ndarray
    gain: np.ndarray


def _weights(history: PitcherHistory, spread: OutingSpread) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return which outings exist, their weights and weighted values.

    Nights x pitchers.
    """
    seen = np.isfinite(history.value)
    weight = np.where(seen, 1 / (spread.sd**2 + np.where(seen, history.within, 1.0)), 0.0)
    return seen, weight, weight * np.where(seen, history.value, 0.0)


def _pool(spread: OutingSpread, past: _Weighted, now: _Weighted, crowd: _Crowd) -> _Pooled:
    """Pool the pitchers' shifts from past to now, one window per row."""
    both = (past.weight > _NO_WEIGHT) & (now.weight > _NO_WEIGHT)
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = np.where(both, now.value / now.weight - past.value / past.weight, 0.0)
        weight = np.where(both, 1 / (1 / past.weight + 1 / now.weight), 0.0)
        total = weight.sum(axis=1)
        root = np.sqrt(weight)
        inflation = 1 + spread.shared * np.maximum(crowd.squares / np.maximum(crowd.outings, 1.0) - 1, 0.0)
        middle = _weighted_medians(shift, weight)
        near = middle[:, None] + np.clip((shift - middle[:, None]) * root, -CLIP, CLIP) / np.where(both, root, 1.0)
        mean = (weight * near).sum(axis=1) / total
        score = (root * np.clip(shift * root, -CLIP, CLIP)).sum(axis=1) / np.sqrt(total * inflation)
        alike = (both & (shift * np.sign(mean)[:, None] > np.abs(mean)[:, None] / 3)).sum(axis=1) / both.sum(axis=1)
        without, with_shift = (np.minimum((off * root) ** 2, CLIP**2) for off in (shift, shift - mean[:, None]))
        gain = np.where(both, without - with_shift, 0.0).sum(axis=1) / 2
    return _Pooled(mean, inflation / np.where(total > 0, total, math.nan), score, both.sum(axis=1), alike, gain)


def _test_for_change(chart: _Chart, night: int) -> tuple[float, DetectedChange | None]:
    """Return the p-value of the clearest recent change, and that change."""
    starts = np.arange(max(chart.since, night - RECENT + 1), night + 1)
    starts = starts[_is_informative(chart, starts)]
    if not len(starts):
        return math.nan, None
    tests = chart.pool_since(starts, night + 1)
    enough = tests.pitchers >= LEAST_PITCHERS[chart.history.metric]
    if not enough.any():
        return math.nan, None
    alarming = enough & (tests.together >= TOGETHER)
    p_values = np.where(alarming, _two_sided_p(tests.score, chart.spread.df) * enough.sum(), 1.0)
    if not alarming.any():
        return min(float(p_values.min()), 1.0), None
    gain = np.where(alarming, tests.gain, -math.inf)
    return min(float(p_values.min()), 1.0), _date_change(chart, gain, tests.variance, starts, night)


def _date_change(
    chart: _Chart, gain: np.ndarray, variance: np.ndarray, starts: np.ndarray, night: int
) -> DetectedChange:
    """Date the change as in charts.change_point.

    It may have come with any night since the last informative one.
    """
    posterior = np.exp(gain - gain.max()) * np.sqrt(variance)
    posterior = posterior / posterior.sum()
    best, (first, last) = most_within(posterior, DATED_WITHIN), credible(posterior)
    first, last = min(first, best), max(last, best)
    earliest = int(starts[first - 1]) + 1 if first else chart.since
    return DetectedChange(night, int(starts[best]), min(earliest, int(starts[first])), int(starts[last]))


def _is_informative(chart: _Chart, nights: np.ndarray) -> np.ndarray:
    """Return nights on which a pitcher threw who had thrown before.

    Other nights cannot distinguish two levels.
    """
    return np.asarray((chart.threw(nights) & (chart.past(nights).weight > _NO_WEIGHT)).any(axis=1))


def _is_confirmed(chart: _Chart, change: DetectedChange, change_p: float) -> bool:
    """Test the change again with the tracker's own spread of outings, if it is wider.

    Wider than the spread on all trackers.
    """
    level = float(chart.pool_since(np.array([change.start]), change.seen + 1).mean[0])
    level_removed = chart.history.value[: change.seen + 1].copy()
    level_removed[change.start :] -= level
    level_removed[~chart.usual[: change.seen + 1]] = math.nan
    steps, within = outing_steps(level_removed, chart.history.within[: change.seen + 1])
    if len(steps) < LEAST_STEPS:
        return True
    own = outing_sd(steps, within)
    if own <= chart.spread.sd:
        return True
    wider = _Chart.from_history(chart.history, chart.spread._replace(sd=own), chart.usual)
    wider = wider._replace(base=chart.base, since=chart.since)
    return _test_for_change(wider, change.seen)[0] < change_p


def _end_of_change(chart: _Chart, change: DetectedChange, night: int, change_p: float) -> int | None:
    """Return the first night on which a shifted tracker was normal or shifted again.

    None if neither.
    """
    ends = np.arange(change.start + 1, night + 1)
    past = chart.past(change.start)
    ends = ends[(chart.threw(ends) & (past.weight > _NO_WEIGHT)).any(axis=1)]
    if not len(ends):
        return None
    old = chart.pool(past, np.full(len(ends), change.start), ends)
    new = chart.pool(past, ends, night + 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        score = (new.mean - old.mean) / np.sqrt(new.variance + old.variance)
        is_usual = np.abs(new.mean) < _USUAL_WITHIN_SE * np.sqrt(new.variance)
    least = np.where(is_usual, RETURN_PITCHERS, LEAST_PITCHERS[chart.history.metric])
    tested = (old.pitchers > 0) & (new.pitchers >= least)
    p_values = np.where(tested, _two_sided_p(np.nan_to_num(score), chart.spread.df) * max(tested.sum(), 1), 1.0)
    relative = p_values / np.where(is_usual, RETURN_P, change_p)
    return int(ends[relative.argmin()]) if relative.min() < 1 else None


def _history_night(chart: _Chart, night: int, p_value: float, change: DetectedChange | None) -> HistoryNight:
    start = night if change is None else change.start
    own = _level(chart.pool(chart.past(start), np.array([night]), night + 1))
    level = Level(0.0, 0.0, own.pitchers) if change is None else _level(chart.pool_since(np.array([start]), night + 1))
    return HistoryNight(own, level, p_value, change)


def _level(pooled: _Pooled) -> Level:
    return Level(float(pooled.mean[0]), math.sqrt(float(pooled.variance[0])), int(pooled.pitchers[0]))


def _weighted_medians(values: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Return the weighted median of each row."""
    order = np.argsort(np.where(weights > 0, values, math.inf), axis=1, kind="stable")
    ordered = np.take_along_axis(weights, order, axis=1).cumsum(axis=1)
    # half of the weight below and half above; the mean of the two middle values where it falls between them
    low, high = ((ordered >= share * ordered[:, -1:]).argmax(axis=1) for share in (0.5 - 1e-9, 0.5 + 1e-9))
    sorted_values = np.take_along_axis(values, order, axis=1)
    rows = np.arange(len(values))
    return np.asarray((sorted_values[rows, low] + sorted_values[rows, high]) / 2)


def _two_sided_p(scores: np.ndarray, df: float) -> np.ndarray:
    from scipy.special import stdtr

    return np.asarray(2 * stdtr(df, -np.abs(scores)))
