"""Pool the statistics of many days into the models of each day.

For day D these are the 28 days up to D, and for a pair's first 14 days those of that opening block (`training_window`).
So the result of a day depends only on its own sightings and on statistics that are a pure function of other days'
sightings.
"""

from datetime import date
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.matching.alignment.gap_rates import GapCounts
from pipeline.matching.data.arrays import Floats, Ints, PolarsType
from pipeline.matching.data.days import Days
from pipeline.matching.data.records import LABELS, METRIC_NAMES, Records
from pipeline.matching.evidence.labels import MAX_SAME, LabelModel, start_labels
from pipeline.matching.evidence.models import Models
from pipeline.matching.evidence.readings import COMPONENTS, Prior, ReadingModel, SameFit
from pipeline.matching.learning.day_models import start_prior
from pipeline.matching.learning.training_window import feeding_days

_K, _L = len(METRIC_NAMES), len(LABELS)
_KEYS = ("tracker_a", "tracker_b", "venue", "station", "baseball_day")
# Columns of the statistics of a day, and the length of their lists: over metrics, components and labels.
_WIDTHS = {
    "n": _K,
    "bias": _K,
    "spread": _K,
    "outlier_share": _K,
    "weight": _K,
    "wide": _K,
    "share": COMPONENTS,
    "other_mean": COMPONENTS * _K,
    "other_spread": COMPONENTS * _K,
    "label_same": _L,
    "label_other": _L,
    "gap_open": 4,
    "gap_extend": 4,
    "gap_turn": 4,
    "gap_crossed": 2,
}
STATISTICS: dict[str, PolarsType] = {
    **dict.fromkeys(_KEYS[:4], pl.String),
    "baseball_day": pl.Date,
    **{name: pl.Array(pl.Float64, width) for name, width in _WIDTHS.items()},
}
# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# A day counts by its pairs, but for at most this many.
_MAX_PAIRS = 150.0
# Pairs that the start's spread is worth against the pooled spread.
_START_SPREAD_PAIRS = 6
# Pairs that the pooled bias is worth as the prior of a day: at least and at most.
_BIAS_PAIRS = (4.0, 60.0)
# The same of the pooled spread.
_SPREAD_PAIRS = (6.0, 60.0)
# Pairs (a sum of posteriors) that pooled statistics need to replace the start.
_MIN_POOLED_PAIRS = 0.5


def statistics_frame(days: Days, models: Models, own: SameFit, gaps: GapCounts) -> pl.DataFrame:
    """Return what pooling needs, a row per pair of trackers and station-day.

    Columns as in STATISTICS. `gaps`: counts by stream pair.
    """
    records, keys, readings = days.records, models.keys, models.readings
    if not keys:
        return pl.DataFrame(schema=STATISTICS)
    first_row = _first_row_by_day(records)
    identity = [
        (records.trackers[a], records.trackers[b], *records.frame.row(first_row[day])[2:5]) for a, b, day in keys
    ]
    arrays = {
        **{name: getattr(own, name) for name in ("n", "bias", "spread", "outlier_share", "weight")},
        "wide": readings.outlier_spread,
        "share": readings.neighbor_share,
        "other_mean": readings.neighbor_mean.reshape(len(keys), -1),
        "other_spread": readings.neighbor_spread.reshape(len(keys), -1),
        "label_same": models.labels.same,
        "label_other": models.labels.neighbor,
        **{f"gap_{name}": _sum_by_model(count, days.model_of, len(keys)) for name, count in gaps._asdict().items()},
    }
    columns = [pl.Series(name, _nine_digits(values), dtype=STATISTICS[name]) for name, values in arrays.items()]
    frame = pl.DataFrame(identity, schema={key: STATISTICS[key] for key in _KEYS}, orient="row")
    return frame.with_columns(columns).sort(_KEYS)


def with_other_days(statistics: pl.DataFrame, older: pl.DataFrame, sightings: pl.DataFrame) -> pl.DataFrame:
    """Return the statistics of this run's days and of the older ones of other days."""
    others = older.join(sightings.select("venue", "baseball_day").unique(), on=["venue", "baseball_day"], how="anti")
    return pl.concat([others, statistics]).sort("tracker_a", "tracker_b", "venue", "station", "baseball_day")


class _History(NamedTuple):
    """A tracker pair's statistics: their days, and arrays (days, ...) by column."""

    days: list[date]
    arrays: dict[str, Floats]


def pooled_models(days: Days, start: ReadingModel, statistics: pl.DataFrame) -> tuple[Models, Prior]:
    """Return the models of all pairs of trackers and station-days.

    They come from the days that feed them, shrunk to the start.
    """
    records, keys = days.records, days.model_keys
    prior = Prior(*(column.copy() for column in start_prior(start)))
    readings = ReadingModel(*(column.copy() for column in start))
    history = {
        key: _History(frame["baseball_day"].to_list(), {name: frame[name].to_numpy() for name in _WIDTHS})
        for key, frame in statistics.sort(_KEYS).partition_by("tracker_a", "tracker_b", as_dict=True).items()
    }
    first_row, dates = _first_row_by_day(records), records.frame["baseball_day"].to_list()
    labels = start_labels(len(keys))._replace(trust=np.ones(len(keys)))
    models_by_days: dict[tuple[tuple[str, str], tuple[int, ...]], list[int]] = {}
    for m, (a, b, day) in enumerate(keys):
        pair = (records.trackers[a], records.trackers[b])
        if pair in history:
            feeding = feeding_days(history[pair].days, dates[first_row[day]])
            models_by_days.setdefault((pair, feeding), []).append(m)
    for (pair, feeding), models in models_by_days.items():
        fed = {name: values[list(feeding)] for name, values in history[pair].arrays.items()}
        _write(readings, prior, labels, np.array(models), _pool(fed))
    return Models(keys, readings._replace(trust=np.ones(len(keys))), labels), prior


def pooled_gap_counts(days: Days, statistics: pl.DataFrame) -> GapCounts:
    """Return, by stream pair, the counts of all days that feed its model."""
    records, first_row = days.records, _first_row_by_day(days.records)
    dates = records.frame["baseball_day"].to_list()
    known = {
        key: (frame["baseball_day"].to_list(), [frame[f"gap_{name}"].to_numpy() for name in GapCounts._fields])
        for key, frame in statistics.sort(_KEYS).partition_by("tracker_a", "tracker_b", as_dict=True).items()
    }
    totals = [np.zeros((len(days.model_keys), _WIDTHS[f"gap_{name}"])) for name in GapCounts._fields]
    for m, (a, b, day) in enumerate(days.model_keys):
        pair = (records.trackers[a], records.trackers[b])
        if pair in known:
            feeding = list(feeding_days(known[pair][0], dates[first_row[day]]))
            for total, counts in zip(totals, known[pair][1], strict=True):
                total[m] = counts[feeding].sum(axis=0)
    opening, extend, turn, crossed = (total[days.model_of] for total in totals)
    by_stream = (len(days), 2, 2)
    return GapCounts(opening.reshape(by_stream), extend.reshape(by_stream), turn.reshape(by_stream), crossed)


def _sum_by_model(count: Floats, model_of: Ints, models: int) -> Floats:
    total = np.zeros((models, *count.shape[1:]))
    np.add.at(total, model_of, count)
    return total.reshape(models, -1)


def with_own_bias(models: Models, prior: Prior, own: SameFit) -> Models:
    """Return the models with each day's own bias, shrunk to the pooled one."""
    bias = (own.n * own.bias + prior.bias_pairs * prior.bias) / (own.n + prior.bias_pairs)
    return models._replace(readings=models.readings._replace(bias=np.where(own.n > 0, bias, models.readings.bias)))


def _pool(days: dict[str, Floats]) -> dict[str, Floats]:
    """Pool over days, each weighted by its pairs.

    Medians of what varies by day, means of shares. `between`: variance of the days' bias beyond its standard error.
    """
    weight = np.minimum(days["n"], _MAX_PAIRS)
    day_weight = weight.max(axis=1, keepdims=True)
    component_weight = np.tile(weight, (1, COMPONENTS))
    total = np.maximum(weight.sum(axis=0), 1e-9)
    bias = _weighted_median(days["bias"], weight)
    variance = ((days["bias"] - bias) ** 2 * weight).sum(axis=0) / total
    error = (days["spread"] ** 2 / np.maximum(days["n"], 1.0) * weight).sum(axis=0) / total
    count = (weight > 0).sum(axis=0)
    share = (days["share"] * day_weight).sum(axis=0)
    label_weight = np.tile(day_weight, (1, _L))
    return {
        "n": days["n"].sum(axis=0),
        "bias": bias,
        "spread": _weighted_median(days["spread"], weight),
        **{name: (days[name] * weight).sum(axis=0) / total for name in ("outlier_share", "weight", "wide")},
        "share": share / max(share.sum(), 1e-9),
        "other_mean": _weighted_median(days["other_mean"], component_weight),
        "other_spread": _weighted_median(days["other_spread"], component_weight),
        **{name: _weighted_median(days[name], label_weight) for name in ("label_same", "label_other")},
        "between": np.maximum(variance - error, 0.0) * count / np.maximum(count - 1, 1),
    }


def _weighted_median(values: Floats, weights: Floats) -> Floats:
    """Return, by column, the value at which half of the weight is reached."""
    order = np.argsort(values, axis=0, kind="stable")
    reached = np.cumsum(np.take_along_axis(weights, order, axis=0), axis=0)
    middle = (reached >= reached[-1] / 2).argmax(axis=0)
    columns = np.arange(values.shape[1])
    return np.asarray(values[order[middle, columns], columns])


def _write(readings: ReadingModel, prior: Prior, labels: LabelModel, m: Ints, pooled: dict[str, Floats]) -> None:
    """Write pooled statistics into the models m, which the same days feed."""
    known = (pooled["n"] > _MIN_POOLED_PAIRS) & (readings.outlier_spread[m] > 0)
    keep = pooled["n"] / (pooled["n"] + _START_SPREAD_PAIRS)
    spread = np.sqrt(keep * pooled["spread"] ** 2 + (1 - keep) * prior.spread[m] ** 2)
    between = np.maximum(pooled["between"], 1e-12)
    for target, values in (
        (readings.bias, pooled["bias"]),
        (readings.spread, spread),
        (readings.outlier_share, pooled["outlier_share"]),
        (readings.weight, pooled["weight"]),
        (readings.outlier_spread, pooled["wide"]),
        (prior.bias_pairs, np.clip(pooled["spread"] ** 2 / between, *_BIAS_PAIRS)),
        (prior.spread_pairs, np.clip(pooled["n"], *_SPREAD_PAIRS)),
    ):
        target[m] = np.where(known, values, target[m])
    for target, values in (
        (prior.bias, readings.bias),
        (prior.spread, readings.spread),
        (prior.outlier_share, readings.outlier_share),
    ):
        target[m] = values[m]
    for target, name in ((readings.neighbor_mean, "other_mean"), (readings.neighbor_spread, "other_spread")):
        target[m] = np.where(known[:, None], pooled[name].reshape(COMPONENTS, -1), target[m])
    if pooled["share"].sum() > 0.5:
        readings.neighbor_share[m] = pooled["share"]
    labels.same[m] = np.maximum(pooled["label_same"], np.minimum(pooled["label_other"], MAX_SAME))
    labels.neighbor[m] = pooled["label_other"]


_POWERS_OF_TEN = np.array([float(f"1e{k}") for k in range(309)])


def _nine_digits(values: Floats) -> Floats:
    """Round to nine significant digits.

    The last bits of a sum may depend on how the work was batched.
    """
    plain = np.isfinite(values) & (values != 0)
    power = 8 - np.floor(np.log10(np.abs(values), where=plain, out=np.zeros_like(values))).astype(np.int64)
    up, down = (_POWERS_OF_TEN[np.clip(p, 0, 308)] for p in (power, -power))
    return np.where(plain, np.rint(values * up / down) * down / up, values + 0.0)


def _first_row_by_day(records: Records) -> dict[int, int]:
    days, rows = np.unique(records.day, return_index=True)
    return dict(zip(days.tolist(), rows.tolist(), strict=True))
