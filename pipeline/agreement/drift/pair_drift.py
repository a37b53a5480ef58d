"""Since when two trackers differ otherwise than they used to, and which of them moved.

Each pair and metric has a chart with one point a night. A night is scored against the nights before it only (self-starting), scores
are smoothed, and a change-point test looks beside it, which sees a large change even when few nights came before. Both limits are set from
the number of all charts, so that one false alarm in FALSE_ALARM_NIGHTS nights is expected over the whole family of charts and not
from each. After an alarm the date of the change is estimated and a new stretch begins there.
"""

import math
from datetime import date
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.drift.charts import (
    LEAST_NIGHTS,
    change_p_values,
    change_point,
    ewma,
    ewma_half_width,
    limit_for_run_length,
    self_starting_scores,
)
from pipeline.agreement.wording import alarm_sentence
from schemas.contract import conform
from schemas.drift import DRIFT
from schemas.metrics import METRICS

FALSE_ALARM_NIGHTS = 200
# An alarm stays live while the level since the change is this many standard errors from the usual one.
LIVE_BEYOND_SE = 3.0
# Below this share of the metric's tolerance a change is real but of no consequence (common practice, no source).
MATTERS_FROM = 0.25


class Chart(NamedTuple):
    """One pair and metric by night: day, pitches, centre of the differences b - a, its standard error, SD between nights."""

    tracker_a: str
    tracker_b: str
    metric: str
    days: list[date]
    n: np.ndarray
    centre: np.ndarray
    se: np.ndarray
    between: float

    @property
    def variances(self) -> np.ndarray:
        """Variance of each night's centre about the chart's level."""
        return np.maximum(self.se**2 + self.between**2, 1e-18)


class Rule(NamedTuple):
    """When a chart alarms: the smoothed score beyond ± half_width, or a change less likely by chance than change_p."""

    half_width: float
    change_p: float


class Stretch(NamedTuple):
    """Nights start..end-1 at one level; `alarmed` is the night whose point gave the change away (none for the first stretch)."""

    start: int
    end: int
    alarmed: int | None
    first: int
    last: int


class Watched(NamedTuple):
    """A chart read: its stretches, and by night the smoothed score, the chance of such a change, level and usual level so far, and whether an alarm is live."""

    stretches: list[Stretch]
    smoothed: np.ndarray
    change_p: np.ndarray
    level: np.ndarray
    usual: np.ndarray
    alarm: np.ndarray


class Mover(NamedTuple):
    """Which tracker moved ("" = can't be told), and how that is known."""

    tracker: str
    how: str


def drift_of_charts(
    charts: list[Chart], readings: pl.DataFrame, tolerances: dict[str, float], own_charts: int = 0
) -> pl.DataFrame:
    """The table `drift`: one row per pair, metric and night.

    `readings` has one row per tracker, night, pitcher and pitch type, with `n.<metric>` and `mean.<metric>` of the pitches that another
    tracker saw too. `own_charts`: how many charts are kept besides, of trackers against their pitchers' own history; they share the rate
    of false alarms.
    """
    family = sum(len(chart.days) >= LEAST_NIGHTS for chart in charts) + own_charts
    rule = rule_for(float(FALSE_ALARM_NIGHTS * family)) if family else Rule(math.nan, math.nan)
    by_name = {chart[:3]: chart for chart in charts}
    if not charts:
        return DRIFT.empty()
    watched = [watch(chart, rule) for chart in charts]
    plain = _plain_rows(charts, watched, rule)
    told = [
        row
        for chart, found in zip(charts, watched, strict=True)
        for row in _alarms_told(chart, found, by_name, readings, tolerances)
    ]
    by = [*_PAIR, "baseball_day"]
    rows = plain.join(pl.DataFrame(told, schema=_TOLD), on=by, how="left", maintain_order="left")
    return conform(rows, DRIFT).with_columns(pl.selectors.float().fill_nan(None))


def rule_for(run_length: float) -> Rule:
    """The limits at which an undisturbed chart alarms once in `run_length` nights on average.

    The test of dates, safe as it is, alarms five times less often than its level says (simulated: tests/benchmarks/bench_agreement.py),
    so the moving average gets four fifths of the rate and the test the rest.
    """
    return Rule(ewma_half_width(limit_for_run_length(1.25 * run_length)), 1 / run_length)


def watch(chart: Chart, rule: Rule) -> Watched:
    """Read a chart night by night: after each alarm a new stretch begins at the estimated change."""
    nights = len(chart.days)
    smoothed, change_p = np.full(nights, math.nan), np.full(nights, math.nan)
    if nights < LEAST_NIGHTS:
        whole = Stretch(0, nights, None, 0, 0)
        return Watched([whole], smoothed, change_p, *_levels(chart, [whole]))
    starts, alarms = _alarms(chart, rule, smoothed, change_p)
    stretches = _stretches(chart, starts, alarms)
    return Watched(stretches, smoothed, change_p, *_levels(chart, stretches))


def who_moved(
    chart: Chart, stretch: Stretch, before: Stretch, charts: dict[tuple[str, str, str], Chart], readings: pl.DataFrame
) -> Mover:
    """Which of the two trackers the change comes from: by a third tracker's readings, else by what the same pitchers threw before."""
    change, _ = _shift(chart, chart.days[before.start : before.end], chart.days[stretch.start : stretch.end])
    spans = (chart.days[before.start : before.end], chart.days[stretch.start : stretch.end])
    return (
        _by_third_tracker(chart, change, spans, charts)
        or _by_own_history(chart, spans, readings)
        or Mover("", "no third tracker, and too few of the same pitchers before and after")
    )


def _alarms(chart: Chart, rule: Rule, smoothed: np.ndarray, change_p: np.ndarray) -> tuple[list[int], list[int]]:
    """Starts of the stretches after the first and the nights that alarmed; fills `smoothed` and `change_p`."""
    starts, alarms = [0], list[int]()
    start = resume = 0
    while resume < len(chart.days):
        values, variances = chart.centre[start:], chart.variances[start:]
        scores = np.nan_to_num(self_starting_scores(values, variances))[resume - start :]
        # until there are enough nights, no score is trusted
        scores[: max(start + LEAST_NIGHTS - 1 - resume, 0)] = 0.0
        smoothed[resume:] = ewma(scores)
        change_p[resume:] = change_p_values(values, variances)[resume - start :]
        beyond = np.flatnonzero((np.abs(smoothed[resume:]) > rule.half_width) | (change_p[resume:] < rule.change_p))
        if not len(beyond):
            break
        alarms.append(resume + int(beyond[0]))
        found = change_point(chart.centre[start : alarms[-1] + 1], chart.variances[start : alarms[-1] + 1])
        start, resume = start + found.place, alarms[-1] + 1
        starts.append(start)
    return starts[1:], alarms


def _stretches(chart: Chart, starts: list[int], alarms: list[int]) -> list[Stretch]:
    """The stretches with each change dated anew from all nights of the stretches on either side."""
    edges = [0, *starts, len(chart.days)]
    places = [(0, 0, 0)]
    for before, (_, end) in zip(edges, pairwise(edges[1:]), strict=False):
        before = max(before, places[-1][0])
        found = change_point(chart.centre[before:end], chart.variances[before:end])
        places.append((before + found.place, before + found.first, before + found.last))
    ends = [place[0] for place in places[1:]] + [len(chart.days)]
    return [
        Stretch(place[0], end, alarm, *place[1:])
        for place, end, alarm in zip(places, ends, [None, *alarms], strict=True)
    ]


def _levels(chart: Chart, stretches: list[Stretch]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """By night: level of the stretch so far, the usual level, and whether an alarm is live."""
    levels, usuals, alarms = [], [], []
    for index, stretch in enumerate(stretches):
        level, se = _running_mean(chart, stretch)
        home = usual_stretch(stretches[:index])
        usual, usual_se = (
            (level, np.zeros(len(level))) if home is None else (last[-1] for last in _running_mean(chart, home))
        )
        nights = np.arange(stretch.start, stretch.end)
        longest = (
            np.full(len(nights), home is None) if home is None else nights + 1 - stretch.start > home.end - home.start
        )
        off = np.abs(level - usual) > LIVE_BEYOND_SE * np.hypot(se, usual_se)
        seen = np.full(len(nights), False) if stretch.alarmed is None else nights >= stretch.alarmed
        levels.append(level)
        usuals.append(np.where(longest, level, usual))
        alarms.append(seen & ~longest & (off | (nights == stretch.alarmed)))
    return np.concatenate(levels), np.concatenate(usuals), np.concatenate(alarms)


def _running_mean(chart: Chart, stretch: Stretch) -> tuple[np.ndarray, np.ndarray]:
    """Weighted mean of the stretch up to each of its nights, and its standard error."""
    weights = 1 / chart.variances[stretch.start : stretch.end]
    total = np.cumsum(weights)
    return np.cumsum(weights * chart.centre[stretch.start : stretch.end]) / total, total**-0.5


def usual_stretch(stretches: list[Stretch]) -> Stretch | None:
    """The longest stretch, the earlier of equals: what the pair's difference usually is."""
    return max(stretches, key=lambda stretch: stretch.end - stretch.start, default=None)


def _plain_rows(charts: list[Chart], watched: list[Watched], rule: Rule) -> pl.DataFrame:
    """The charts' rows of the table without what is to be said of their alarms."""
    nights = [len(chart.days) for chart in charts]
    half_width = np.array([rule.half_width if number >= LEAST_NIGHTS else math.nan for number in nights])
    of_charts = pl.DataFrame(
        [chart[:3] for chart in charts], schema=dict.fromkeys(_PAIR, pl.String), orient="row"
    ).with_columns(
        between_nights_sd=np.array([chart.between for chart in charts]), ewma_low=-half_width, ewma_high=half_width
    )
    of_nights = {
        "baseball_day": [pl.Series(chart.days, dtype=pl.Date).to_numpy() for chart in charts],
        "n": [chart.n for chart in charts],
        "night_bias": [chart.centre for chart in charts],
        "se": [chart.se for chart in charts],
        "ewma": [found.smoothed for found in watched],
        "change_p": [found.change_p for found in watched],
        "usual_bias": [found.usual for found in watched],
        "level": [found.level for found in watched],
        "alarm": [found.alarm for found in watched],
        "latest": [np.arange(number) == number - 1 for number in nights],
    }
    rows = {name: np.concatenate(parts) for name, parts in of_nights.items()}
    return of_charts[np.repeat(np.arange(len(charts)), nights)].with_columns(**rows)


_PAIR = ("tracker_a", "tracker_b", "metric")
_ABOUT_ALARM = (
    "change_day", "change_low", "change_high", "size", "nights_since", "pitches_since", "mover", "mover_how", "matters", "sentence",
)  # fmt: skip
_TOLD = {name: DRIFT.polars_schema()[name] for name in (*_PAIR, "baseball_day", *_ABOUT_ALARM)}


def _alarms_told(
    chart: Chart,
    watched: Watched,
    charts: dict[tuple[str, str, str], Chart],
    readings: pl.DataFrame,
    tolerances: dict[str, float],
) -> list[dict[str, object]]:
    """What is to be said of each night on which an alarm was live."""
    told = []
    for index, stretch in enumerate(watched.stretches):
        home = usual_stretch(watched.stretches[:index])
        nights = stretch.start + np.flatnonzero(watched.alarm[stretch.start : stretch.end])
        if home is not None and len(nights):
            mover = who_moved(chart, stretch, home, charts, readings)
            told += [_told(chart, watched, night, stretch, mover, tolerances) for night in nights.tolist()]
    return told


def _told(
    chart: Chart, watched: Watched, night: int, stretch: Stretch, mover: Mover, tolerances: dict[str, float]
) -> dict[str, object]:
    level, usual = float(watched.level[night]), float(watched.usual[night])
    row: dict[str, object] = {
        **dict(zip(_PAIR, chart[:3], strict=True)),
        "baseball_day": chart.days[night],
        "level": level,
        "usual_bias": usual,
        "change_day": chart.days[stretch.start],
        "change_low": chart.days[stretch.first],
        "change_high": chart.days[stretch.last],
        "size": level - usual,
        "nights_since": night + 1 - stretch.start,
        "pitches_since": int(chart.n[stretch.start : night + 1].sum()),
        "mover": mover.tracker or None,
        "mover_how": mover.how,
        "matters": abs(level - usual) >= MATTERS_FROM * tolerances[chart.metric],
    }
    return {name: row[name] for name in _TOLD if name in row} | {"sentence": alarm_sentence(row, {})}


def _shift(chart: Chart, before: list[date], after: list[date]) -> tuple[float, float]:
    """Change of level from the nights `before` to those `after`, and its variance; nan where either has no night."""
    spans = []
    for days in (before, after):
        wanted = set(days)
        nights = np.array([day in wanted for day in chart.days])
        if not nights.any():
            return math.nan, math.nan
        weights = 1 / chart.variances[nights]
        spans.append((float((weights * chart.centre[nights]).sum() / weights.sum()), 1 / float(weights.sum())))
    return spans[1][0] - spans[0][0], spans[0][1] + spans[1][1]


# Odds of 19 to 1, as a difference of squared distances in standard errors
_SURE = 2 * math.log(19)
# Beyond this (99 % of chi-square, 2 df) neither story fits
_NO_FIT = 9.21


def _by_third_tracker(
    chart: Chart, change: float, spans: tuple[list[date], list[date]], charts: dict[tuple[str, str, str], Chart]
) -> Mover | None:
    thirds = {name for key in charts for name in key[:2]} - {chart.tracker_a, chart.tracker_b}
    for third in sorted(thirds):
        of_a, of_b = (
            _shift_against(third, tracker, chart.metric, spans, charts)
            for tracker in (chart.tracker_a, chart.tracker_b)
        )
        if math.isnan(of_a[0] + of_b[0]):
            continue
        # a moved: a - third fell by the change and b - third stayed; b moved: b - third rose by it and a - third stayed
        a_moved = (of_a[0] + change) ** 2 / of_a[1] + of_b[0] ** 2 / of_b[1]
        b_moved = of_a[0] ** 2 / of_a[1] + (of_b[0] - change) ** 2 / of_b[1]
        if min(a_moved, b_moved) < _NO_FIT and abs(a_moved - b_moved) > _SURE:
            return Mover(
                chart.tracker_a if a_moved < b_moved else chart.tracker_b,
                f"{third} agrees with the other one as before",
            )
    return None


def _shift_against(
    third: str,
    tracker: str,
    metric: str,
    spans: tuple[list[date], list[date]],
    charts: dict[tuple[str, str, str], Chart],
) -> tuple[float, float]:
    """Shift of tracker - third between the spans, and its variance."""
    if (third, tracker, metric) in charts:
        return _shift(charts[third, tracker, metric], *spans)
    if (tracker, third, metric) in charts:
        shift, variance = _shift(charts[tracker, third, metric], *spans)
        return -shift, variance
    return math.nan, math.nan


_LEAST_PITCHERS = 3


def _by_own_history(chart: Chart, spans: tuple[list[date], list[date]], readings: pl.DataFrame) -> Mover | None:
    """The tracker whose readings of the same pitchers' same pitches changed, where the other's did not."""
    if METRICS[chart.metric].circular:
        return None
    of_a, of_b = (
        _change_of_readings(tracker, chart.metric, spans, readings) for tracker in (chart.tracker_a, chart.tracker_b)
    )
    if of_a is None or of_b is None:
        return None
    # pitchers change alike for both trackers: the one nearer to no change is believed
    variance = max(of_a[1], of_b[1])
    distances = of_a[0] ** 2 / variance, of_b[0] ** 2 / variance
    if abs(distances[0] - distances[1]) <= _SURE:
        return None
    return Mover(
        chart.tracker_a if distances[0] > distances[1] else chart.tracker_b,
        "the same pitchers read as before on the other one",
    )


def _change_of_readings(
    tracker: str, metric: str, spans: tuple[list[date], list[date]], readings: pl.DataFrame
) -> tuple[float, float] | None:
    n = pl.col(f"n.{metric}")
    read = readings.filter((pl.col("tracker") == tracker) & (n > 0) & pl.col("pitcher").is_not_null())
    sides = [
        read.filter(pl.col("baseball_day").is_in(days))
        .group_by("pitcher", "pitch_type")
        .agg(((n * pl.col(f"mean.{metric}")).sum() / n.sum()).alias("mean"), n.sum().alias("n"))
        for days in spans
    ]
    both = sides[0].join(sides[1], on=["pitcher", "pitch_type"], suffix="_after").sort("pitcher", "pitch_type")
    if both["pitcher"].n_unique() < _LEAST_PITCHERS:
        return None
    n_before, n_after = both["n"].to_numpy().astype(float), both["n_after"].to_numpy().astype(float)
    weights = n_before * n_after / (n_before + n_after)
    changes = (both["mean_after"] - both["mean"]).to_numpy()
    mean = float((weights * changes).sum() / weights.sum())
    k = len(changes)
    return mean, float((weights**2 * (changes - mean) ** 2).sum()) / float(weights.sum()) ** 2 * k / (k - 1)
