"""Table `drift` of tracker pairs.

Since when two trackers differ by something else than usual, and which of them moved.
"""

import math
from collections.abc import Iterator, Mapping

import numpy as np
import polars as pl

from pipeline.agreement.drift.movers import Evidence, Mover, who_moved
from pipeline.agreement.drift.pair_charts import FALSE_ALARM_NIGHTS, Chart, Rule, Stretch, WatchedChart, rule_for, watch
from pipeline.agreement.wording import alarm_sentence
from schemas.contract import conform
from schemas.drift import DRIFT

# Below this share of the metric's tolerance a change is real but of no consequence (common practice, no source).
MATTERS_FROM = 0.25

_KEY = ("tracker_a", "tracker_b", "metric")
_ALARM_COLUMNS = (
    "change_day",
    "change_low",
    "change_high",
    "size",
    "nights_since",
    "pitches_since",
    "mover",
    "mover_how",
    "matters",
    "sentence",
)
_ALARM_SCHEMA = {name: DRIFT.polars_schema()[name] for name in (*_KEY, "baseball_day", *_ALARM_COLUMNS)}


def drift_of_charts(
    charts: list[Chart], pitcher_means: pl.DataFrame, tolerances: Mapping[str, float], own_charts: int = 0
) -> pl.DataFrame:
    """Return the rows of table `drift`, one per pair, metric and night.

    `pitcher_means` is described at movers.Evidence. `own_charts` is the number of further charts, of trackers against their pitchers' own
    history: they share the rate of false alarms.
    """
    family = sum(chart.is_watched for chart in charts) + own_charts
    rule = rule_for(float(FALSE_ALARM_NIGHTS * family)) if family else Rule(math.nan, math.nan)
    if not charts:
        return DRIFT.empty()
    watched = [watch(chart, rule) for chart in charts]
    evidence = Evidence({chart.key: chart for chart in charts}, pitcher_means)
    alarms = [row for chart in watched for row in _alarm_rows(chart, evidence, tolerances)]
    by = [*_KEY, "baseball_day"]
    rows = _night_rows(watched, rule).join(
        pl.DataFrame(alarms, schema=_ALARM_SCHEMA), on=by, how="left", maintain_order="left"
    )
    return conform(rows, DRIFT).with_columns(pl.selectors.float().fill_nan(None))


def _night_rows(watched: list[WatchedChart], rule: Rule) -> pl.DataFrame:
    """Return the rows of all nights without the columns that describe an alarm."""
    charts = [found.chart for found in watched]
    nights = [len(chart.days) for chart in charts]
    half_width = np.array([rule.half_width if chart.is_watched else math.nan for chart in charts])
    by_chart = pl.DataFrame(
        [chart.key for chart in charts], schema=dict.fromkeys(_KEY, pl.String), orient="row"
    ).with_columns(
        between_nights_sd=np.array([chart.between for chart in charts]), ewma_low=-half_width, ewma_high=half_width
    )
    by_night = {
        "baseball_day": [pl.Series(chart.days, dtype=pl.Date).to_numpy() for chart in charts],
        "n": [chart.n for chart in charts],
        "night_bias": [chart.center for chart in charts],
        "se": [chart.se for chart in charts],
        "ewma": [found.smoothed for found in watched],
        "change_p": [found.change_p for found in watched],
        "usual_bias": [found.usual for found in watched],
        "level": [found.level for found in watched],
        "alarm": [found.alarm for found in watched],
        "latest": [np.arange(number) == number - 1 for number in nights],
    }
    columns = {name: np.concatenate(parts) for name, parts in by_night.items()}
    return by_chart[np.repeat(np.arange(len(charts)), nights)].with_columns(**columns)


def _alarm_rows(
    watched: WatchedChart, evidence: Evidence, tolerances: Mapping[str, float]
) -> Iterator[dict[str, object]]:
    """Yield the alarm columns of each night on which an alarm was live."""
    for stretch, usual, nights in watched.alarmed_stretches():
        mover = who_moved(watched.chart, usual, stretch, evidence)
        least = MATTERS_FROM * tolerances[watched.chart.metric]
        for night in nights:
            yield _alarm_row(watched, night, stretch, mover, least)


def _alarm_row(watched: WatchedChart, night: int, stretch: Stretch, mover: Mover, least: float) -> dict[str, object]:
    chart, level, usual = watched.chart, float(watched.level[night]), float(watched.usual[night])
    row: dict[str, object] = {
        **dict(zip(_KEY, chart.key, strict=True)),
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
        "matters": abs(level - usual) >= least,
    }
    return {name: row[name] for name in _ALARM_SCHEMA if name in row} | {"sentence": alarm_sentence(row, {})}
