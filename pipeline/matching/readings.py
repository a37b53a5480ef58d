"""What two trackers' readings of one pitch look like, and what those of two neighbouring pitches do.

For the difference d of two records (second minus first, bias taken out), the model of one pitch is a heavy-tailed product and that
of two pitches a mixture, so that the correlation between metrics that comes from the pitch type is kept (match_method, section 1).
There is one model for each tracker pair on each station-day; arrays of records come sorted by model.
"""

from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pipeline.matching.arrays import Bools, Floats, Ints, Singles
from schemas.metrics import METRICS

CIRCULAR = np.array([m.circular for m in METRICS.values()])
TOLERANCE = np.array([m.tolerance for m in METRICS.values()])
# a whole record can be blundered; then its readings cost no more than this (natural log of 0.001)
BLUNDER = 0.001
COMPONENTS = 4
# share of neighbours that are like any two records of the day, whatever the kinds that were learned: what none of these foresees (another
# arm, in a model made mostly of days with one) must not pass for one pitch because of the heavy tails of that
_ANY_TWO = 0.01
# the start of the four kinds of neighbour: same pitch type up to quite another one, in units of sqrt(2) times the spread of all
_START_SCALES = np.array([0.35, 0.7, 1.1, 1.7])
_START_SHARES = np.array([0.35, 0.3, 0.2, 0.15])


class ReadingModel(NamedTuple):
    """One row per model. Arrays are (models, metrics) or (models, components[, metrics]); `trust` tempers a model not yet fitted."""

    bias: Floats
    spread: Floats
    wide: Floats
    outlier_share: Floats
    weight: Floats
    share: Floats
    other_mean: Floats
    other_spread: Floats
    trust: Floats

    def one(self, m: int) -> "ReadingModel":
        """The row of one model; it is shared, not copied."""
        return ReadingModel(*[column[m : m + 1] for column in self])


class SameFit(NamedTuple):
    """What matched pairs say about one pitch's readings, (models, metrics): sums of posteriors, and the estimates."""

    n: Floats
    bias: Floats
    spread: Floats
    outlier_share: Floats
    weight: Floats


class Prior(NamedTuple):
    """What is believed before the pairs are seen, (models, metrics), and how many pairs that belief is worth."""

    bias: Floats
    spread: Floats
    outlier_share: Floats
    bias_pairs: Floats
    spread_pairs: Floats


def slices(which: Ints) -> Iterator[tuple[int, slice]]:
    """(model, its stretch) of a sorted column of model numbers."""
    if not len(which):
        return
    cuts = [0, *(np.flatnonzero(np.diff(which)) + 1).tolist(), len(which)]
    for start, end in pairwise(cuts):
        yield int(which[start]), slice(start, end)


def differences(readings: Floats, first: Ints, second: Ints, metrics: Ints) -> Floats:
    """Second minus first, (pairs, metrics), nan where either has no reading; the circular ones in -180..180."""
    d = readings[second][:, metrics] - readings[first][:, metrics]
    return wrapped(d, metrics)


def wrapped(difference: Floats, metrics: Ints) -> Floats:
    """Circular metrics brought to -180..180."""
    turn = CIRCULAR[metrics].nonzero()[0]
    if len(turn):
        difference[:, turn] = (difference[:, turn] + 180.0) % 360.0 - 180.0
    return difference


def shared_metrics(readings: Floats, first: Ints, second: Ints) -> Ints:
    """Metrics of which both sides have readings."""
    return np.flatnonzero(~np.isnan(readings[first]).all(axis=0) & ~np.isnan(readings[second]).all(axis=0))


def log_ratio(model: ReadingModel, which: Ints, readings: Floats, first: Ints, second: Ints) -> Floats:
    """log of (density of the readings if one pitch / if two neighbouring pitches), (pairs,), natural log.

    Missing readings drop out of both densities; a blundered record costs at most log(BLUNDER).
    """
    out = np.zeros(len(which))
    for m, part in slices(which):
        metrics = model_metrics(model, m)
        one = model.one(m)
        x = in_spreads(one, readings, first[part], second[part], metrics)
        out[part] = model.trust[m] * (_same_say(one, x, metrics) - log_sum(log_kinds(one, x, metrics)))
    return np.asarray(np.logaddexp(np.log1p(-BLUNDER) + out, np.log(BLUNDER)))


# Evidence goes in single precision, metrics first: right to 1e-5 at a third of the cost. Readings are counted in spreads of one pitch, a
# factor that both densities share.
def in_spreads(one: ReadingModel, readings: Floats, first: Ints, second: Ints, metrics: Ints) -> Singles:
    """Differences less the bias in spreads of one pitch, (metrics, pairs); nan where either has no reading."""
    low, high = (min(first.min(), second.min()), max(first.max(), second.max())) if len(first) else (0, -1)
    of = np.ascontiguousarray(readings[low : high + 1, metrics].T)
    bias, spread = one.bias[0, metrics][:, None], one.spread[0, metrics][:, None]
    d = of.take(second - low, axis=1)
    d -= of.take(first - low, axis=1)
    d -= bias
    turn = CIRCULAR[metrics].nonzero()[0]
    if len(turn):
        d[turn] = (d[turn] + 180.0) % 360.0 - 180.0
    d /= spread
    return d.astype(np.float32)


def _same_say(one: ReadingModel, x: Singles, metrics: Ints) -> Singles:
    """Log density of one pitch, (pairs,): each metric a normal with a wide normal mixed in; `x` of `in_spreads`."""
    ratio, share, weight = (
        column.astype(np.float32)[:, None]
        for column in (
            one.spread[0, metrics] / one.wide[0, metrics],
            one.outlier_share[0, metrics],
            one.weight[0, metrics],
        )
    )
    core, tail = _core_and_tail(x, ratio, share)
    core += tail
    core += np.float32(1e-30)
    np.log(core, out=core)
    core *= weight
    return np.asarray(np.where(np.isnan(x), np.float32(0), core).sum(axis=0))


def _core_and_tail(x: Floats, ratio: Floats, share: Floats) -> tuple[Floats, Floats]:
    """Density of one pitch's residuals in spreads: of those that were read well, and of the `share` that were not, 1 / `ratio` as wide."""
    square = x * x
    square *= -0.5
    core = np.exp(square)
    core *= 1 - share
    square *= ratio**2
    tail = np.exp(square, out=square)
    tail *= share * ratio
    return core, tail


def log_kinds(one: ReadingModel, x: Singles, metrics: Ints) -> Singles:
    """Log of (share x density) in each kind of neighbour, and last of any two records, (components + 1, pairs); `x` of `in_spreads`."""
    bias, unit, weight = one.bias[0, metrics], one.spread[0, metrics], one.weight[0, metrics]
    mean = np.vstack([wrapped(one.other_mean[0][:, metrics] - bias, metrics), np.zeros(len(metrics))]) / unit
    spread = np.vstack([one.other_spread[0][:, metrics], one.wide[:, metrics]]) / unit
    precision = 0.5 * weight / spread**2
    constant = precision * mean**2 + weight * np.log(spread)
    share = np.append((1 - _ANY_TWO) * one.share[0], _ANY_TWO)
    known = ~np.isnan(x)
    filled = np.where(known, x, np.float32(0))
    logs = (2 * precision * mean).astype(np.float32) @ filled
    logs -= constant.astype(np.float32) @ known.astype(np.float32)
    filled *= filled
    logs -= precision.astype(np.float32) @ filled
    logs += np.log(share).astype(np.float32)[:, None]
    return np.asarray(logs)


def log_sum(logs: Singles) -> Singles:
    """log of the sum of exp over the first axis (spelt out: np.logaddexp.reduce is several times slower)."""
    top = logs.max(axis=0)
    return np.asarray(top + np.log(np.exp(logs - top).sum(axis=0)))


def metric_log_ratio(model: ReadingModel, which: Ints, readings: Floats, first: Ints, second: Ints) -> Floats:
    """Each metric's own say, (pairs, metrics): for telling people; the sum is not the log ratio, because metrics go together."""
    out = np.zeros((len(which), readings.shape[1]))
    for m, part in slices(which):
        metrics = model_metrics(model, m)
        d = differences(readings, first[part], second[part], metrics)
        one = model.one(m)
        mean, spread = one.other_mean[0][:, metrics], one.other_spread[0][:, metrics]
        others = one.share[0][:, None] / spread * np.exp(-0.5 * ((d[:, None, :] - mean) / spread) ** 2)
        unit, odd = one.spread[0, metrics], one.outlier_share[0, metrics]
        core, tail = _core_and_tail(wrapped(d - one.bias[0, metrics], metrics) / unit, unit / one.wide[0, metrics], odd)
        other = (1 - _ANY_TWO) * others.sum(axis=1) + _ANY_TWO * tail / (odd * unit)
        say = one.weight[0, metrics] * (np.log((core + tail) / unit + 1e-30) - np.log(other + 1e-30))
        out[part.start : part.stop, metrics] = np.nan_to_num(say)
    return out


def model_metrics(model: ReadingModel, m: int) -> Ints:
    """Metrics that the model knows: the two trackers share them."""
    return np.flatnonzero(model.wide[m] > 0)


def fit_same(
    model: ReadingModel, prior: Prior, which: Ints, readings: Floats, pairs: tuple[Ints, Ints, Floats], steps: int
) -> SameFit:
    """Contaminated-normal fit of (bias, spread, outlier share) per model and metric by EM, weights = posterior of being one pitch."""
    first, second, posterior = pairs
    fit = SameFit(
        np.zeros_like(model.bias),
        prior.bias.copy(),
        prior.spread.copy(),
        prior.outlier_share.copy(),
        model.weight.copy(),
    )
    for m, part in slices(which):
        metrics = model_metrics(model, m)
        d, p = differences(readings, first[part], second[part], metrics), posterior[part, None]
        one = model.one(m)
        own = Prior(*(column[m, metrics] for column in prior))
        known = ~np.isnan(d)
        n = (p * known).sum(axis=0)
        for _ in range(steps):
            one = _same_step(one, own, d, p, known, n, metrics)
        fit.n[m, metrics] = n
        for column, values in ((fit.bias, one.bias), (fit.spread, one.spread), (fit.outlier_share, one.outlier_share)):
            column[m] = values[0]
        fit.weight[m, metrics] = _weights(
            wrapped(d - one.bias[0, metrics], metrics) / one.spread[0, metrics], posterior[part]
        )
    return fit


def _same_step(
    one: ReadingModel, prior: Prior, d: Floats, p: Floats, known: Bools, n: Floats, metrics: Ints
) -> ReadingModel:
    residual = np.where(known, wrapped(d - one.bias[0, metrics], metrics), 0.0)
    unit = one.spread[0, metrics]
    core, tail = _core_and_tail(residual / unit, unit / one.wide[0, metrics], one.outlier_share[0, metrics])
    odd = tail / np.maximum(core + tail, 1e-300)
    weight = p * known * (1 - odd)
    size, moved = weight.sum(axis=0), (weight * residual).sum(axis=0)
    shift = (moved + prior.bias_pairs * (prior.bias - one.bias[0, metrics])) / (size + prior.bias_pairs)
    squares = (weight * (residual - shift) ** 2).sum(axis=0)
    bias, spread, outliers = one.bias.copy(), one.spread.copy(), one.outlier_share.copy()
    bias[0, metrics] += shift
    spread[0, metrics] = np.sqrt((squares + prior.spread_pairs * prior.spread**2) / (size + prior.spread_pairs))
    outliers[0, metrics] = ((p * known * odd).sum(axis=0) + 10 * prior.outlier_share) / (n + 10)
    return one._replace(bias=bias, spread=spread, outlier_share=outliers)


def _weights(scaled: Floats, posterior: Floats) -> Floats:
    """How much each metric's say counts: 1 / sum of squared correlations of the residuals, so that a metric told twice counts once."""
    sure = scaled[posterior > 0.8]
    known = ~np.isnan(sure)
    weight = np.ones(scaled.shape[1])
    usable = known.sum(axis=0) >= 30
    if usable.sum() < 2:
        return weight
    value, there = np.where(known, np.clip(sure, -3, 3), 0.0)[:, usable], known[:, usable].astype(float)
    square = (value**2).T @ there
    r2 = (value.T @ value) ** 2 / np.maximum(square * square.T, 1e-12)
    # the square of a chance correlation of n pairs is 1/n on average
    r2 = np.maximum(r2 - 1.5 / len(sure), 0.0)
    np.fill_diagonal(r2, 1.0)
    weight[usable] = 1.0 / r2.sum(axis=1)
    return weight


def fit_other(
    model: ReadingModel, which: Ints, readings: Floats, first: Ints, second: Ints, steps: int, prior_pairs: float = 20.0
) -> ReadingModel:
    """The mixture for neighbouring pitches, fitted by EM to differences of matched records' neighbours; the start is its prior."""
    share, mean, spread = model.share.copy(), model.other_mean.copy(), model.other_spread.copy()
    for m, part in slices(which):
        metrics = model_metrics(model, m)
        d = differences(readings, first[part], second[part], metrics)
        known = (~np.isnan(d)).astype(float)
        filled = np.where(known > 0, d, 0.0)
        start = one = model.one(m)
        x = in_spreads(one, readings, first[part], second[part], metrics)
        for _ in range(steps):
            logs = log_kinds(one, x, metrics)
            belongs = np.exp(logs - log_sum(logs))[:-1].astype(float)
            sums = belongs @ known, belongs @ filled, belongs @ filled**2
            one = _other_step(one, start, sums, belongs.sum(axis=1), metrics, prior_pairs)
        share[m], mean[m], spread[m] = one.share[0], one.other_mean[0], np.maximum(one.other_spread[0], model.spread[m])
    return model._replace(share=share, other_mean=mean, other_spread=spread)


def _other_step(
    one: ReadingModel,
    start: ReadingModel,
    sums: tuple[Floats, Floats, Floats],
    sizes: Floats,
    metrics: Ints,
    prior_pairs: float,
) -> ReadingModel:
    size, total, squares = sums
    mean_0, spread_0 = start.other_mean[0][:, metrics], start.other_spread[0][:, metrics]
    mean = (total + prior_pairs * mean_0) / (size + prior_pairs)
    off = squares - 2 * mean * total + mean**2 * size + prior_pairs * (spread_0**2 + (mean_0 - mean) ** 2)
    share = sizes + prior_pairs * start.share[0]
    means, spreads = one.other_mean.copy(), one.other_spread.copy()
    means[0][:, metrics] = mean
    spreads[0][:, metrics] = np.sqrt(np.maximum(off, 1e-12) / (size + prior_pairs))
    return one._replace(share=(share / share.sum())[None], other_mean=means, other_spread=spreads)


def start_model(bias: Floats, spread: Floats, known: Bools, trust: float) -> ReadingModel:
    """The model before any pair is known; (models, metrics): difference of medians, spread of all readings, whether both have it."""
    models = len(bias)
    return ReadingModel(
        bias=bias,
        spread=np.minimum(np.maximum(0.35 * spread, 0.6 * TOLERANCE), 0.8 * spread),
        wide=np.where(known, 1.6 * spread, 0.0),
        outlier_share=np.full(bias.shape, 0.03),
        weight=np.ones_like(bias),
        share=np.tile(_START_SHARES, (models, 1)),
        other_mean=np.repeat(bias[:, None, :], COMPONENTS, axis=1),
        other_spread=np.sqrt(2.0) * spread[:, None, :] * _START_SCALES[None, :, None],
        trust=np.full(models, trust),
    )
