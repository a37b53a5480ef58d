"""What each pair of trackers' readings and labels are like: learned day by day, then pooled over the days before.

Stage 1 (`fit_days`) uses nothing but the sightings of one station-day and built-in priors. Stage 2 (`pooled_model`) combines the days'
statistics: for day D those of the 28 days up to D, and for a pair's first 14 days those of that opening block. So the result for a
day depends only on its own sightings and on statistics that are a pure function of other days' sightings (law 3).
"""

from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.matching.fitting import Cells, Fit, clocks_of, next_gaps, refined, run_round, start_gaps
from pipeline.matching.labels import LabelModel, fit_labels
from pipeline.matching.readings import (
    CIRCULAR,
    COMPONENTS,
    Prior,
    ReadingModel,
    SameFit,
    differences,
    fit_other,
    fit_same,
    start_model,
)
from pipeline.matching.records import LABELS, METRIC_NAMES, Records, Unit

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

WINDOW_DAYS, OPENING_DAYS = 28, 14
_NEIGHBOURS = (-4, -2, -1, 1, 2, 4)
_KEYS = ("tracker_a", "tracker_b", "venue", "station", "baseball_day")

STATISTICS = {
    **dict.fromkeys(_KEYS[:4], pl.String),
    "baseball_day": pl.Date,
    **dict.fromkeys(("part", "name"), pl.String),
    **dict.fromkeys(("n", "centre", "spread", "share", "weight"), pl.Float64),
}


class Models(NamedTuple):
    """The model of every unit: `which[u]` is its row in `readings` and `labels`."""

    which: Ints
    readings: ReadingModel
    labels: LabelModel | None


def model_keys(records: Records, units: list[Unit]) -> tuple[list[tuple[int, int, int]], Ints]:
    """(first tracker, second tracker, station-day) of every model, and which of them each unit uses."""
    keys = sorted({(*u.trackers, u.day) for u in units})
    place = {key: n for n, key in enumerate(keys)}
    return keys, np.array([place[(*u.trackers, u.day)] for u in units], dtype=np.int64)


def fit_days(records: Records, units: list[Unit], rounds: int = 2) -> tuple[Models, SameFit, Fit]:
    """Stage 1: every tracker pair on every station-day by itself, from built-in priors."""
    keys, which = model_keys(records, units)
    model = _start(records, keys)
    models = Models(which, model, None)
    gaps = start_gaps(len(units))
    clocks = clocks_of(records, units, model, which, None)
    for number in range(rounds):
        fit = run_round(records, units, models.readings, which, clocks, gaps, models.labels)
        models, same = learn(records, units, models, _start_prior(model), fit, trust=0.8)
        gaps = next_gaps(units, fit.cells)
        clocks = clocks_of(records, units, models.readings, which, models.labels) if number == 0 else clocks
        clocks = refined(units, clocks, fit.cells)
    return models, same, fit


def learn(records: Records, units: list[Unit], models: Models, prior: Prior, fit: Fit, trust: float) -> tuple[Models, SameFit]:
    """The models after a round: one pitch's readings, neighbours' readings, labels."""
    cells, which = fit.cells, models.which
    live = np.flatnonzero(cells.posterior > 0.05)
    of = which[cells.unit[live]]
    same = fit_same(models.readings, prior, of, cells.difference[live], cells.posterior[live], steps=4)
    model = models.readings._replace(
        bias=same.bias, spread=same.spread, outlier_share=same.outlier_share, weight=same.weight, trust=np.full(len(same.bias), trust)
    )
    near = neighbours(units, cells)
    near_of = which[near[0]]
    other = fit_other(model, near_of, differences(records.readings, near[1], near[2]), steps=3)
    labels = fit_labels(len(same.bias), records.labels, (of, cells.first[live], cells.second[live], cells.posterior[live]), (near_of, near[1], near[2]))
    return Models(which, other, labels), same


def neighbours(units: list[Unit], cells: Cells) -> tuple[Ints, Ints, Ints]:
    """(unit, first row, second row) of records next to a matched one: the only confusions that really happen."""
    sure = np.flatnonzero(cells.posterior > 0.5)
    of, first, second = [], [], []
    starts = np.concatenate([[0], np.cumsum([len(u.second.rows) for u in units])]).astype(np.int64)
    all_second = np.concatenate([u.second.rows for u in units]) if units else np.zeros(0, dtype=np.int64)
    unit = cells.unit[sure]
    for step in _NEIGHBOURS:
        at = cells.j[sure] + step
        ok = (at >= 0) & (at < starts[unit + 1] - starts[unit])
        of.append(unit[ok])
        first.append(cells.first[sure][ok])
        second.append(all_second[starts[unit[ok]] + at[ok]])
    return np.concatenate(of), np.concatenate(first), np.concatenate(second)


def _start(records: Records, keys: list[tuple[int, int, int]]) -> ReadingModel:
    """Bias: difference of the day's medians; spread: that of the readings of both trackers."""
    bias = np.zeros((len(keys), len(METRIC_NAMES)))
    spread = np.ones_like(bias)
    by_owner = _rows_by_owner(records)
    for n, (first, second, day) in enumerate(keys):
        a, b = (records.readings[by_owner[(day, tracker)]] for tracker in (first, second))
        for k in np.flatnonzero(~np.isnan(a).all(axis=0) & ~np.isnan(b).all(axis=0)).tolist():
            bias[n, k], spread[n, k] = _centre_and_spread(a[:, k], b[:, k], bool(CIRCULAR[k]))
    return start_model(bias, spread, trust=0.6)


def _rows_by_owner(records: Records) -> dict[tuple[int, int], Ints]:
    owner = records.day * len(records.trackers) + records.tracker
    cuts = np.flatnonzero(np.diff(owner)) + 1
    blocks = np.split(np.arange(len(owner)), cuts)
    return {(int(records.day[rows[0]]), int(records.tracker[rows[0]])): rows for rows in blocks if len(rows)}


def _centre_and_spread(a: Floats, b: Floats, circular: bool) -> tuple[float, float]:
    """Difference of medians (an axis: of mean directions) and the robust spread of both, at least a sliver."""
    a, b = a[~np.isnan(a)], b[~np.isnan(b)]
    if circular:
        turn_a, turn_b = (np.degrees(np.angle(np.exp(1j * np.radians(x)).mean())) for x in (a, b))
        off = np.concatenate([(x - t + 180) % 360 - 180 for x, t in ((a, turn_a), (b, turn_b))])
        # between pitchers of both hands the mean direction says little: start without a bias
        return 0.0, max(float(np.sqrt((off**2).mean())), 5.0)
    off = np.concatenate([a - np.median(a), b - np.median(b)])
    spread = max(float(np.quantile(np.abs(off), 0.68)), float(off.std()) * 0.7, 1e-6)
    return float(np.median(b) - np.median(a)), spread


def _start_prior(model: ReadingModel) -> Prior:
    pairs = np.ones_like(model.bias)
    return Prior(model.bias, model.spread, np.full_like(model.bias, 0.03), 2 * pairs, 6 * pairs)


def statistics_frame(records: Records, keys: list[tuple[int, int, int]], models: Models, same: SameFit) -> pl.DataFrame:
    """One row per pair, station-day, part (one_pitch, neighbours_0.., label) and name: what stage 2 needs of a day."""
    first_row = {int(day): int(row) for row, day in reversed(list(enumerate(records.day.tolist())))}
    identity = [(records.trackers[a], records.trackers[b], *records.frame.row(first_row[day])[2:5]) for a, b, day in keys]
    rows: list[tuple[object, ...]] = []
    model, labels = models.readings, models.labels
    for n, key in enumerate(identity):
        for k in np.flatnonzero(same.n[n] > 0).tolist():
            name = METRIC_NAMES[k]
            rows.append((*key, "one_pitch", name, same.n[n, k], same.bias[n, k], same.spread[n, k], same.outlier_share[n, k], same.weight[n, k]))
            rows += [
                (*key, f"neighbours_{c}", name, same.n[n, k], model.other_mean[n, c, k], model.other_spread[n, c, k], model.share[n, c], model.wide[n, k])
                for c in range(COMPONENTS)
            ]
        total = float(same.n[n].max())
        if labels is not None:
            rows += [(*key, "label", name, total, labels.same[n, k], labels.other[n, k], 0.0, 1.0) for k, name in enumerate(LABELS)]
    return pl.DataFrame(rows, schema=STATISTICS, orient="row").with_columns(pl.col(pl.Float64).round_sig_figs(9))


def pooled_models(records: Records, units: list[Unit], statistics: pl.DataFrame) -> tuple[Models, Prior]:
    """Stage 2: the model of every pair and station-day, from the statistics of the days that feed it, shrunk to the priors."""
    keys, which = model_keys(records, units)
    model = _start(records, keys)
    prior = _start_prior(model)
    first_row = {int(day): int(row) for row, day in reversed(list(enumerate(records.day.tolist())))}
    days = records.frame["baseball_day"]
    by_pair = {key: frame for key, frame in statistics.partition_by("tracker_a", "tracker_b", as_dict=True).items()}
    same, other = np.full((len(keys), len(LABELS)), 0.8), np.full((len(keys), len(LABELS)), 0.5)
    memo: dict[tuple[str, str, tuple[date, ...]], pl.DataFrame] = {}
    for n, (a, b, day) in enumerate(keys):
        pair = (records.trackers[a], records.trackers[b])
        found = by_pair.get(pair)
        if found is None:
            continue
        feeding = _feeding(found["baseball_day"].unique().sort().to_list(), days[first_row[day]])
        if (*pair, feeding) not in memo:
            memo[(*pair, feeding)] = _pooled(found.filter(pl.col("baseball_day").is_in(feeding)))
        _take(model, prior, n, memo[(*pair, feeding)], same, other)
    return Models(which, model._replace(trust=np.ones(len(keys))), LabelModel(np.maximum(same, np.minimum(other, 0.995)), other)), prior


def _feeding(known: list[date], day: date) -> tuple[date, ...]:
    """The days whose statistics make the model of `day`."""
    opening = known[0] + timedelta(days=OPENING_DAYS)
    if day < opening:
        return tuple(d for d in known if d < opening)
    return tuple(d for d in known if day - timedelta(days=WINDOW_DAYS) < d <= day)


def _pooled(statistics: pl.DataFrame) -> pl.DataFrame:
    """Robust means over days, weighted by pairs; `between` is the spread of the days' centres beyond their own error."""
    n = pl.col("n")
    by = pl.col("n").clip(0, 150)
    middle = _weighted_median("centre").alias("centre")
    return (
        statistics.filter(n > 0.5)
        .sort(*_KEYS)
        .group_by("part", "name", maintain_order=True)
        .agg(
            n.sum(),
            middle,
            _weighted_median("spread").alias("spread"),
            ((pl.col("share") * by).sum() / by.sum()).alias("share"),
            ((pl.col("weight") * by).sum() / by.sum()).alias("weight"),
            (((pl.col("centre") - _weighted_median("centre")) ** 2 * by).sum() / by.sum()).alias("between"),
            ((pl.col("spread") ** 2 / n.clip(1) * by).sum() / by.sum()).alias("error"),
            n.len().alias("days"),
        )
    )


def _weighted_median(column: str) -> pl.Expr:
    """Median of the days, each counted by its pairs (at most 150)."""
    order = pl.col(column).arg_sort()
    sorted_weight = pl.col("n").clip(0, 150).gather(order)
    at = (sorted_weight.cum_sum() >= sorted_weight.sum() / 2).arg_max()
    return pl.col(column).gather(order).get(at)


def _take(model: ReadingModel, prior: Prior, n: int, pooled: pl.DataFrame, same: Floats, other: Floats) -> None:
    """Write the pooled statistics of one model into its row."""
    metric_place = {name: k for k, name in enumerate(METRIC_NAMES)}
    label_place = {name: k for k, name in enumerate(LABELS)}
    for part, name, pairs, centre, spread, share, weight, between, error, days in pooled.iter_rows():
        if part == "label":
            same[n, label_place[name]], other[n, label_place[name]] = centre, spread
            continue
        k = metric_place[name]
        if part == "one_pitch":
            keep = pairs / (pairs + 6)
            model.bias[n, k] = prior.bias[n, k] = centre
            model.spread[n, k] = prior.spread[n, k] = float(np.sqrt(keep * spread**2 + (1 - keep) * prior.spread[n, k] ** 2))
            model.outlier_share[n, k] = prior.outlier_share[n, k] = share
            model.weight[n, k] = weight
            wander = max(between - error, 0.0) * days / max(days - 1, 1)
            prior.bias_pairs[n, k] = float(np.clip(spread**2 / max(wander, 1e-12), 4.0, 60.0))
            prior.spread_pairs[n, k] = float(np.clip(pairs, 6.0, 60.0))
        else:
            c = int(part.rsplit("_", 1)[1])
            model.other_mean[n, c, k], model.other_spread[n, c, k] = centre, spread
            model.share[n, c], model.wide[n, k] = share, weight
    model.share[n] /= model.share[n].sum()
