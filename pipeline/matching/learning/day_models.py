"""Learn the models of one day.

The start without pairs, and expectation-maximization with the pairs of an alignment.
"""

import numpy as np

from pipeline.matching.alignment.align_round import Fit
from pipeline.matching.alignment.bands import Cells
from pipeline.matching.data.arrays import Bools, Floats, Ints
from pipeline.matching.data.days import Days
from pipeline.matching.data.records import METRIC_NAMES
from pipeline.matching.evidence.labels import LabelModel, fit_labels
from pipeline.matching.evidence.models import Models
from pipeline.matching.evidence.readings import (
    CIRCULAR,
    START_OUTLIER_SHARE,
    Prior,
    ReadingModel,
    SameFit,
    fit_neighbors,
    fit_same,
    start_model,
)

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Trust in the log ratios of the start model ...
START_TRUST = 0.6
# ... and of a model that was fitted once; it is 1 after that.
FIRST_TRUST = 0.8
# Smallest spread of a circular metric's readings, in degrees.
_MIN_CIRCULAR_SPREAD = 5.0
# Pairs that the start's bias is worth as the first prior.
_BIAS_PRIOR_PAIRS = 2
# The same of the start's spread.
_SPREAD_PRIOR_PAIRS = 6
# Steps of expectation-maximization in each round.
_EM_STEPS = 3
# Pairs below this posterior are left out of the fit.
_MIN_POSTERIOR = 0.05
# Neighbors of a matched record, by position in the stream: the only confusions that really happen.
_NEIGHBORS = (-4, -2, -1, 1, 2, 4)
# Neighbors that the mixture of a model is fitted to at most; more change nothing that counts.
_MAX_NEIGHBORS = 500
# Share of the readings within one robust spread of the median, as within one standard deviation of a normal.
_WITHIN_SPREAD = 0.68
# The robust spread is at least this share of the root mean square.
_MIN_OF_RMS = 0.7


def start_models(days: Days) -> ReadingModel:
    """Return the models before any pair is known.

    Bias: difference of the day's medians. Spread: from that of both trackers' readings.
    """
    records, keys = days.records, days.model_keys
    size = (len(keys), len(METRIC_NAMES))
    bias, spread, known = np.zeros(size), np.ones(size), np.zeros(size, dtype=bool)
    owner = records.tracker_day
    blocks = np.split(np.arange(len(owner)), np.flatnonzero(np.diff(owner)) + 1)
    by_owner = {int(owner[rows[0]]): median_and_spread(records.readings[rows]) for rows in blocks if len(rows)}
    for m, (first, second, day) in enumerate(keys):
        (median_a, spread_a, count_a), (median_b, spread_b, count_b) = (
            by_owner[day * len(records.trackers) + tracker] for tracker in (first, second)
        )
        known[m] = (count_a > 0) & (count_b > 0)
        # with pitchers of both hands the mean direction of an axis means little: start without a bias
        bias[m] = np.where(known[m] & ~CIRCULAR, median_b - median_a, 0.0)
        pooled = np.sqrt((count_a * spread_a**2 + count_b * spread_b**2) / np.maximum(count_a + count_b, 1))
        spread[m] = np.where(known[m], np.maximum(pooled, np.where(CIRCULAR, _MIN_CIRCULAR_SPREAD, 1e-6)), 1.0)
    return start_model(bias, spread, known, trust=START_TRUST)


def start_prior(model: ReadingModel) -> Prior:
    """Return the prior of one pitch's readings: the start model."""
    ones = np.ones_like(model.bias)
    share = np.full_like(model.bias, START_OUTLIER_SHARE)
    return Prior(model.bias, model.spread, share, _BIAS_PRIOR_PAIRS * ones, _SPREAD_PRIOR_PAIRS * ones)


def median_and_spread(readings: Floats) -> tuple[Floats, Floats, Floats]:
    """Return median, robust spread and count of readings, by metric.

    `readings` (records, metrics). Circular metrics are taken about their mean direction.
    """
    values = readings.T.copy()
    known = ~np.isnan(values)
    count = known.sum(axis=1)
    for k in np.flatnonzero(CIRCULAR & (count > 0)).tolist():
        direction = np.degrees(np.angle(np.exp(1j * np.radians(values[k, known[k]])).sum()))
        values[k] = (values[k] - direction + 180.0) % 360.0 - 180.0
    middle = _quantile(np.sort(values, axis=1), count, 0.5)
    off = np.sort(np.abs(values - middle[:, None]), axis=1)
    mean_square = np.where(np.isnan(off), 0.0, off**2).sum(axis=1) / np.maximum(count, 1)
    spread = np.maximum(_quantile(off, count, _WITHIN_SPREAD), _MIN_OF_RMS * np.sqrt(mean_square))
    return middle, spread, count.astype(float)


def _quantile(ordered: Floats, count: Ints, share: float) -> Floats:
    """Return a quantile of each row of sorted values (nan last), 0 where it is empty."""
    position = np.maximum(np.floor((count - 1) * share).astype(np.int64), 0)
    return np.where(count > 0, ordered[np.arange(len(ordered)), position], 0.0)


def learn(days: Days, models: Models, prior: Prior, fit: Fit, trust: float) -> tuple[Models, SameFit]:
    """Fit readings, neighbors and labels to the pairs of a round.

    Models without pairs stay as they are.
    """
    cells, records = fit.cells, days.records
    live = np.flatnonzero(cells.posterior > _MIN_POSTERIOR)
    model_of = days.model_of[cells.stream_pair[live]]
    pairs = (cells.first[live], cells.second[live], cells.posterior[live])
    same = fit_same(models.readings, prior, model_of, records.readings, pairs, steps=_EM_STEPS)
    fitted = np.isin(np.arange(len(models.keys)), model_of)
    learned = {
        name: _update(fitted, getattr(same, name), getattr(models.readings, name))
        for name in ("bias", "spread", "outlier_share", "weight")
    }
    readings = models.readings._replace(**learned, trust=np.where(fitted, trust, models.readings.trust))
    neighbors = _neighbors_of_matched(days, cells)
    readings = fit_neighbors(readings, neighbors[0], records.readings, *neighbors[1:], steps=_EM_STEPS)
    labels = fit_labels(len(models.keys), records.labels, (model_of, *pairs), neighbors)
    labels = LabelModel(
        _update(fitted, labels.same, models.labels.same),
        _update(fitted, labels.neighbor, models.labels.neighbor),
        labels.trust,
    )
    return Models(models.keys, readings, labels), same


def _update(fitted: Bools, new: Floats, old: Floats) -> Floats:
    return np.where(fitted[:, None], new, old)


def _neighbors_of_matched(days: Days, cells: Cells) -> tuple[Ints, Ints, Ints]:
    """Return (model, first row, second row) of records near a matched one.

    Evenly thinned, by model.
    """
    matched = np.flatnonzero(cells.posterior > 0.5)
    size = np.array([streams.shape[1] for streams in days.stream_pairs], dtype=np.int64)
    start = np.cumsum(size) - size
    all_second = np.concatenate([np.zeros(0, dtype=np.int64), *(s.second.rows for s in days.stream_pairs)])
    pair_of = cells.stream_pair[matched]
    position = cells.j[matched][:, None] + np.array(_NEIGHBORS)
    match, column = np.nonzero((position >= 0) & (position < size[pair_of][:, None]))
    second = all_second[start[pair_of[match]] + position[match, column]]
    model_of = days.model_of[pair_of[match]]
    order = np.argsort(model_of, kind="stable")
    order = order[_thinned(model_of[order])]
    return model_of[order], cells.first[matched][match][order], second[order]


def _thinned(model_of: Ints) -> Ints:
    """Return the positions of some entries of each model, evenly.

    At most about _MAX_NEIGHBORS; `model_of` is sorted.
    """
    start = np.flatnonzero(np.diff(model_of, prepend=-1))
    size = np.diff(np.append(start, len(model_of)))
    position = np.arange(len(model_of)) - np.repeat(start, size)
    every = np.repeat(np.maximum(size // _MAX_NEIGHBORS, 1), size)
    return np.flatnonzero(position % every == 0)
