"""Control chart of one pair and metric: its alarms, and stretches at one level.

A night is scored only against the nights before it (self-starting), and the
scores are smoothed. A change-point test runs beside the smoothed score; it sees a large change even when few nights came before. Both
limits are set from the number of all charts, so that one false alarm in FALSE_ALARM_NIGHTS nights is expected over all charts together.
After an alarm the date of the change is estimated and a new stretch begins.
"""

import math
from collections.abc import Iterator
from datetime import date
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pipeline.agreement.drift.charts import (
    LEAST_NIGHTS,
    change_p_values,
    change_point,
    ewma,
    ewma_half_width,
    limit_for_run_length,
    self_starting_scores,
)

# One false alarm in this many nights, over all charts together (our choice, no source).
FALSE_ALARM_NIGHTS = 200
# An alarm stays live while the level since the change is this many standard errors from the usual level (common practice, no source).
LIVE_BEYOND_SE = 3.0
# Share of the false-alarm rate that the moving average gets, as a factor on its run length. The change-point test is conservative: it alarms
# five times less often than its level says (simulated: tests/benchmarks/bench_agreement.py), so it gets the full rate.
_EWMA_RUN_LENGTH = 1.25
# Smallest variance of a night: keeps weights finite where all readings are equal.
_LEAST_VARIANCE = 1e-18


class Chart(NamedTuple):
    """The nights of one pair and metric.

    `n` counts pitches; `center` and `se` are the center of the differences b - a and its standard error; `between` is the SD between nights.
    """

    tracker_a: str
    tracker_b: str
    metric: str
    days: list[date]
    n: np.ndarray
    center: np.ndarray
    se: np.ndarray
    between: float

    @property
    def key(self) -> tuple[str, str, str]:
        """The two trackers and the metric."""
        return self.tracker_a, self.tracker_b, self.metric

    @property
    def variances(self) -> np.ndarray:
        """Variance of each night's center about the chart's level."""
        return np.maximum(self.se**2 + self.between**2, _LEAST_VARIANCE)

    @property
    def is_watched(self) -> bool:
        """Whether there are enough nights for an alarm."""
        return len(self.days) >= LEAST_NIGHTS

    def shift(self, before: list[date], after: list[date]) -> tuple[float, float]:
        """Return the change of level between two sets of nights, and its variance.

        nan where either has no night.
        """
        levels, variances = [], []
        for days in (before, after):
            wanted = set(days)
            nights = np.array([day in wanted for day in self.days])
            if not nights.any():
                return math.nan, math.nan
            weights = 1 / self.variances[nights]
            levels.append(float((weights * self.center[nights]).sum() / weights.sum()))
            variances.append(1 / float(weights.sum()))
        return levels[1] - levels[0], variances[0] + variances[1]


class Rule(NamedTuple):
    """The limits at which a chart alarms.

    The smoothed score is beyond +- half_width, or a change has a p-value below change_p.
    """

    half_width: float
    change_p: float


class Stretch(NamedTuple):
    """Nights start..end-1 at one level, and the 95 % set first..last of its start.

    `alarmed` is the night that raised the alarm; -1 for the first stretch.
    """

    start: int
    end: int
    alarmed: int
    first: int
    last: int


class WatchedChart(NamedTuple):
    """A chart with its stretches, and what it showed night by night.

    Per night: smoothed score, p-value of a change, level and usual level so far, live alarm.
    """

    chart: Chart
    stretches: list[Stretch]
    smoothed: np.ndarray
    change_p: np.ndarray
    level: np.ndarray
    usual: np.ndarray
    alarm: np.ndarray

    def alarmed_stretches(self) -> Iterator[tuple[Stretch, Stretch, list[int]]]:
        """Yield each stretch with a live alarm, the usual stretch before it, and nights.

        The nights are those on which the alarm was live.
        """
        for index, stretch in enumerate(self.stretches[1:], 1):
            nights = stretch.start + np.flatnonzero(self.alarm[stretch.start : stretch.end])
            if len(nights):
                yield stretch, usual_stretch(self.stretches[:index]), nights.tolist()


def rule_for(run_length: float) -> Rule:
    """Return limits with one alarm in `run_length` undisturbed nights on average."""
    return Rule(ewma_half_width(limit_for_run_length(_EWMA_RUN_LENGTH * run_length)), 1 / run_length)


def watch(chart: Chart, rule: Rule) -> WatchedChart:
    """Read a chart night by night.

    After each alarm a new stretch begins at the estimated change.
    """
    nights = len(chart.days)
    smoothed, change_p = np.full(nights, math.nan), np.full(nights, math.nan)
    if not chart.is_watched:
        single = [Stretch(0, nights, -1, 0, 0)]
        return WatchedChart(chart, single, smoothed, change_p, *_levels(chart, single))
    starts, alarms = _find_alarms(chart, rule, smoothed, change_p)
    stretches = _stretches(chart, starts, alarms)
    return WatchedChart(chart, stretches, smoothed, change_p, *_levels(chart, stretches))


def usual_stretch(stretches: list[Stretch]) -> Stretch:
    """Return the longest stretch (the earlier of equals).

    Its level is the pair's usual difference.
    """
    return max(stretches, key=lambda stretch: stretch.end - stretch.start)


def _find_alarms(chart: Chart, rule: Rule, smoothed: np.ndarray, change_p: np.ndarray) -> tuple[list[int], list[int]]:
    """Return the starts of the stretches after the first, and the nights that alarmed.

    Fills `smoothed` and `change_p`.
    """
    starts, alarms = [0], list[int]()
    start = resume = 0
    while resume < len(chart.days):
        values, variances = chart.center[start:], chart.variances[start:]
        scores = np.nan_to_num(self_starting_scores(values, variances))[resume - start :]
        # until there are enough nights, no score is used
        scores[: max(start + LEAST_NIGHTS - 1 - resume, 0)] = 0.0
        smoothed[resume:] = ewma(scores)
        change_p[resume:] = change_p_values(values, variances)[resume - start :]
        beyond = np.flatnonzero((np.abs(smoothed[resume:]) > rule.half_width) | (change_p[resume:] < rule.change_p))
        if not len(beyond):
            break
        alarms.append(resume + int(beyond[0]))
        change = change_point(chart.center[start : alarms[-1] + 1], chart.variances[start : alarms[-1] + 1])
        start, resume = start + change.start, alarms[-1] + 1
        starts.append(start)
    return starts[1:], alarms


def _stretches(chart: Chart, starts: list[int], alarms: list[int]) -> list[Stretch]:
    """Return the stretches, each change dated again.

    The date comes from all nights of the stretches on either side.
    """
    edges = [0, *starts, len(chart.days)]
    dates = [(0, 0, 0)]
    for before, (_, end) in zip(edges, pairwise(edges[1:]), strict=False):
        before = max(before, dates[-1][0])
        change = change_point(chart.center[before:end], chart.variances[before:end])
        dates.append((before + change.start, before + change.first, before + change.last))
    ends = [start for start, _, _ in dates[1:]] + [len(chart.days)]
    return [
        Stretch(start, end, alarm, first, last)
        for (start, first, last), end, alarm in zip(dates, ends, [-1, *alarms], strict=True)
    ]


def _levels(chart: Chart, stretches: list[Stretch]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return, per night: level of the stretch so far, usual level, live alarm."""
    first, _ = _running_mean(chart, stretches[0])
    levels, usuals, alarms = [first], [first], [np.full(len(first), False)]
    for index, stretch in enumerate(stretches[1:], 1):
        level, se = _running_mean(chart, stretch)
        usual = usual_stretch(stretches[:index])
        usual_level, usual_se = (column[-1] for column in _running_mean(chart, usual))
        nights = np.arange(stretch.start, stretch.end)
        # a level that has lasted longer than the usual one becomes the usual one
        longest = nights + 1 - stretch.start > usual.end - usual.start
        off = np.abs(level - usual_level) > LIVE_BEYOND_SE * np.hypot(se, usual_se)
        levels.append(level)
        usuals.append(np.where(longest, level, usual_level))
        alarms.append((nights >= stretch.alarmed) & ~longest & (off | (nights == stretch.alarmed)))
    return np.concatenate(levels), np.concatenate(usuals), np.concatenate(alarms)


def _running_mean(chart: Chart, stretch: Stretch) -> tuple[np.ndarray, np.ndarray]:
    """Return the weighted mean up to each night of the stretch, with its error."""
    weights = 1 / chart.variances[stretch.start : stretch.end]
    total = np.cumsum(weights)
    return np.cumsum(weights * chart.center[stretch.start : stretch.end]) / total, total**-0.5
