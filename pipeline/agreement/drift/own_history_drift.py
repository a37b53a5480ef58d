"""Rows of table `drift` of trackers against their own pitchers' earlier nights."""

from collections.abc import Mapping
from datetime import date
from typing import NamedTuple

import polars as pl

from pipeline.agreement.drift.charts import LEAST_NIGHTS
from pipeline.agreement.drift.outings import CHARTED, POSITIONS, OutingSpread, PitcherHistory, outing_spread
from pipeline.agreement.drift.own_history import DetectedChange, HistoryNight, Level, watch_history
from pipeline.agreement.drift.pair_charts import FALSE_ALARM_NIGHTS
from pipeline.agreement.drift.pair_drift import MATTERS_FROM
from pipeline.agreement.wording import alarm_sentence
from schemas.contract import conform
from schemas.drift import DRIFT, OWN_HISTORY

# A tracker is watched against own history where other trackers give the metric on less than this share of its nights (our choice, no source).
PARTNERED = 0.5


class OwnChart(NamedTuple):
    """A tracker's metric to be watched against its pitchers' own history."""

    history: PitcherHistory
    spread: OutingSpread


class WatchedOwnChart(NamedTuple):
    """A chart against own history with its nights."""

    chart: OwnChart
    nights: list[HistoryNight]


def metrics_without_partner(
    outings: pl.DataFrame, partner_days: Mapping[tuple[str, str], set[date]]
) -> list[tuple[str, str]]:
    """Return the (tracker, metric) that need a chart against own history.

    `outings` is what `outing_facts` returns, of any nights. `partner_days`: the days on which another tracker gave the metric of the same
    pitches.
    """
    alone = []
    for metric in (name for name in CHARTED if f"n.{name}" in outings.columns):
        read = outings.filter(pl.col(f"n.{metric}") > 0).group_by("tracker").agg(pl.col("baseball_day").unique())
        for tracker, days in read.iter_rows():
            shared = partner_days.get((tracker, metric), set())
            if len(days) >= LEAST_NIGHTS and len(shared.intersection(days)) < PARTNERED * len(days):
                alone.append((tracker, metric))
    return sorted(alone)


def own_charts(histories: Mapping[tuple[str, str], PitcherHistory], alone: list[tuple[str, str]]) -> list[OwnChart]:
    """Return the charts for which enough pitchers came back."""
    spreads = {metric: outing_spread(histories, metric) for metric in sorted({metric for _, metric in alone})}
    return [OwnChart(histories[key], spread) for key in alone if (spread := spreads[key[1]]) is not None]


def watch_own_charts(charts: list[OwnChart], pair_charts: int) -> list[WatchedOwnChart]:
    """Read all charts night by night.

    With the `pair_charts` watched charts of pairs they share one false alarm in FALSE_ALARM_NIGHTS nights.
    """
    change_p = 1 / (FALSE_ALARM_NIGHTS * max(pair_charts + len(charts), 1))
    return [WatchedOwnChart(chart, watch_history(chart.history, chart.spread, change_p)) for chart in charts]


def own_history_drift(watched: list[WatchedOwnChart], tolerances: Mapping[str, float]) -> pl.DataFrame:
    """Return the rows of table `drift`.

    Nights on which a pitcher came back, and nights under alarm.
    """
    rows = []
    for (history, _), nights in watched:
        least = MATTERS_FROM * tolerances[history.metric]
        shown = [(index, night) for index, night in enumerate(nights) if night.own.pitchers or night.change]
        rows += [_drift_row(history, index, night, least) | {"latest": index == shown[-1][0]} for index, night in shown]
    if not rows:
        return DRIFT.empty()
    table = conform(pl.from_dicts(rows, infer_schema_length=None), DRIFT)
    return table.with_columns(pl.selectors.float().fill_nan(None))


def _drift_row(history: PitcherHistory, index: int, night: HistoryNight, least: float) -> dict[str, object]:
    row: dict[str, object] = {
        "tracker_a": OWN_HISTORY,
        "tracker_b": history.tracker,
        "metric": history.metric,
        "baseball_day": history.days[index],
        "n": int(history.pitches[index].sum()),
        "night_bias": night.own.mean,
        "se": night.own.se,
        "change_p": night.change_p,
        "usual_bias": 0.0,
        "level": night.level.mean,
        "alarm": night.change is not None,
    }
    if night.change is None:
        return row
    row |= _alarm_columns(history, index, night.level, night.change)
    row |= {"matters": abs(night.level.mean) >= least}
    return row | {"sentence": alarm_sentence(row, {})}


def _alarm_columns(history: PitcherHistory, index: int, level: Level, change: DetectedChange) -> dict[str, object]:
    return {
        "change_day": history.days[change.start],
        "change_low": history.days[change.earliest],
        "change_high": history.days[change.latest],
        "size": level.mean,
        "nights_since": index + 1 - change.start,
        "pitches_since": int(history.pitches[change.start : index + 1].sum()),
        "mover": history.tracker if history.metric in POSITIONS else None,
        "mover_how": _evidence(history, level),
    }


def _evidence(history: PitcherHistory, level: Level) -> str:
    together = f"{level.pitchers} pitchers moved together against their own earlier nights; no other tracker gives it on most nights"
    if history.metric in POSITIONS:
        return together
    return f"{together}. Cold, rest or build-up can do the same: compare with another device"
