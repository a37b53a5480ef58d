"""Readings as evidence for one pitch against two neighboring pitches.

For the difference d of two records (second minus first), the model of one pitch is a product of heavy-tailed densities.
The model of two pitches is a normal mixture over the kinds of neighbor (same pitch type up to a different one), which
keeps the correlation between metrics that comes from the pitch type. README.md, section "Readings". There is one model
per pair of trackers and station-day; arrays of pairs come sorted by model.
"""

from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Bools, Floats, Ints, Singles
from schemas.metrics import METRICS

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

CIRCULAR = np.array([m.circular for m in METRICS.values()])
TOLERANCE = np.array([m.tolerance for m in METRICS.values()])
# Share of pairs of one pitch in which a complete record is a blunder: readings cost at most the log of this.
BLUNDER = 0.001
# Components of the mixture for neighbors; one component costs 1.4 to 1.9 times the wrong merges on simulated seasons.
COMPONENTS = 4
# Share of neighbors that differ like any two records of the day. Without it, a confusion that no component expects (an
# arm that is rare in the pooled days) would pass for one pitch because of that model's heavy tails.
_ANY_TWO = 0.01
# A fitted spread is never below this share of the expected one.
_MIN_SPREAD_RATIO = 0.02
# Start of the mixture: spread of each component in units of sqrt(2) times the spread of all readings ...
_START_SCALES = np.array([0.35, 0.7, 1.1, 1.7])
# ... and its share; all kinds of neighbor are likely before any is seen.
_START_SHARES = np.array([0.35, 0.3, 0.2, 0.15])
# Start of one pitch's spread: this share of the spread of all readings ...
_START_SPREAD = 0.35
# ... at least this share of the metric's tolerance ...
_START_TOLERANCE = 0.6
# ... and at most this share of the spread of all readings.
_MAX_START_SPREAD = 0.8
# Spread of an outlier reading, in spreads of all readings.
_OUTLIER_SPREAD = 1.6
# Share of outlier readings before any pair is known.
START_OUTLIER_SHARE = 0.03
# Pairs that the prior of the outlier share is worth.
_OUTLIER_PRIOR_PAIRS = 10
# Pairs that the start of the neighbor mixture is worth as its prior.
_NEIGHBOR_PRIOR_PAIRS = 20.0
# Correlations of residuals are estimated from pairs above this probability ...
_SURE = 0.8
# ... for metrics that at least this many of them have; fewer give chance correlations.
_MIN_CORRELATED = 30
# A correlation's square counts as far as it exceeds this many times its mean under chance, 1 / pairs.
_CHANCE_CORRELATION = 1.5


class ReadingModel(NamedTuple):
    """What readings are like, one row per model.

    Arrays are (models, metrics) or (models, components[, metrics]). `bias`, `spread`: center and spread of one pitch's
    difference. `outlier_spread`, `outlier_share`: its heavy tail; the spread is 0 for metrics that the two trackers do
    not share. `weight`: weight of the metric's log ratio. `neighbor_share`, `neighbor_mean`, `neighbor_spread`: mixture
    of the differences of neighboring pitches. `trust`: factor on the log ratio of a model that is not yet fitted.
    """

    bias: Floats
    spread: Floats
    outlier_spread: Floats
    outlier_share: Floats
    weight: Floats
    neighbor_share: Floats
    neighbor_mean: Floats
    neighbor_spread: Floats
    trust: Floats


class SameFit(NamedTuple):
    """What matched pairs say about one pitch's readings, (models, metrics).

    `n`: sums of posteriors. The others are estimates.
    """

    n: Floats
    bias: Floats
    spread: Floats
    outlier_share: Floats
    weight: Floats


class Prior(NamedTuple):
    """Prior of one pitch's readings, (models, metrics).

    `bias_pairs`, `spread_pairs`: number of pairs that it is worth.
    """

    bias: Floats
    spread: Floats
    outlier_share: Floats
    bias_pairs: Floats
    spread_pairs: Floats


def start_model(bias: Floats, spread: Floats, known: Bools, trust: float) -> ReadingModel:
    """Return the model before any pair is known.

    (models, metrics): `bias` is the difference of the medians, `spread` that of all readings, `known` whether both
    trackers have the metric.
    """
    models = len(bias)
    own_spread = np.maximum(_START_SPREAD * spread, _START_TOLERANCE * TOLERANCE)
    return ReadingModel(
        bias=bias,
        spread=np.minimum(own_spread, _MAX_START_SPREAD * spread),
        outlier_spread=np.where(known, _OUTLIER_SPREAD * spread, 0.0),
        outlier_share=np.full(bias.shape, START_OUTLIER_SHARE),
        weight=np.ones_like(bias),
        neighbor_share=np.tile(_START_SHARES, (models, 1)),
        neighbor_mean=np.repeat(bias[:, None, :], COMPONENTS, axis=1),
        neighbor_spread=np.sqrt(2.0) * spread[:, None, :] * _START_SCALES[None, :, None],
        trust=np.full(models, trust),
    )


def shared_metrics(model: ReadingModel, m: int) -> Ints:
    """Return the metrics that both trackers of model m measure."""
    return np.flatnonzero(model.outlier_spread[m] > 0)


def differences(readings: Floats, first: Ints, second: Ints, metrics: Ints) -> Floats:
    """Return second minus first, (pairs, metrics), nan where either is missing.

    Circular metrics are in -180..180.
    """
    d = readings[second][:, metrics] - readings[first][:, metrics]
    return _wrapped(d, metrics)


def log_ratio(model: ReadingModel, model_of: Ints, readings: Floats, first: Ints, second: Ints) -> Floats:
    """Return the log-likelihood ratio (natural log) of the readings, (pairs,).

    One pitch against two neighboring pitches. Missing readings drop out of both densities; a blundered record costs at
    most log(BLUNDER).
    """
    out, mixture = np.zeros(len(model_of)), _mixture(model)
    for m, part in _by_model(model_of):
        metrics = shared_metrics(model, m)
        terms = _terms(_standardized(model, m, readings, first[part], second[part], metrics))
        neighbors = log_sum(_log_components(mixture, m, terms, metrics)[0])
        out[part] = model.trust[m] * (_log_same(model, m, terms, metrics) - neighbors)
    # np.logaddexp takes six times as long; e^600 leaves room in a double
    return np.asarray(np.log((1 - BLUNDER) * np.exp(np.minimum(out, 600.0)) + BLUNDER))


def metric_log_ratio(model: ReadingModel, model_of: Ints, readings: Floats, first: Ints, second: Ints) -> Floats:
    """Return each metric's own log ratio, (pairs, metrics), to explain a pair.

    Their sum is not the log ratio of the pair, because metrics are correlated.
    """
    out = np.zeros((len(model_of), readings.shape[1]))
    shared = _shared_readings(model, model_of, readings, first, second)
    spread, outlier_share = model.spread.ravel()[shared.cell], model.outlier_share.ravel()[shared.cell]
    residual = shared.residual(model.bias) / spread
    core, tail = _core_and_tail(residual**2, spread / model.outlier_spread.ravel()[shared.cell], outlier_share)
    neighbors = np.zeros(len(shared.cell))
    for kind in range(COMPONENTS):
        mean, sd = (a[:, kind].ravel()[shared.cell] for a in (model.neighbor_mean, model.neighbor_spread))
        share = model.neighbor_share[model_of[shared.pair], kind]
        neighbors += share / sd * np.exp(-0.5 * ((shared.difference - mean) / sd) ** 2)
    # as in `log_ratio`: a misread neighbor is an outlier like any other
    outlier = tail / spread
    other = (1 - _ANY_TWO) * ((1 - outlier_share) * neighbors + outlier) + _ANY_TWO * outlier / outlier_share
    evidence = np.log((core + tail) / spread + 1e-30) - np.log(other + 1e-30)
    out[shared.pair, shared.metric] = model.weight.ravel()[shared.cell] * evidence
    return out


def log_sum(logs: Singles) -> Singles:
    """Return the log of the sum of exp over the first axis.

    numpy.logaddexp.reduce is several times slower.
    """
    top = logs.max(axis=0)
    return np.asarray(top + np.log(np.exp(logs - top).sum(axis=0)))


def fit_same(
    model: ReadingModel,
    prior: Prior,
    model_of: Ints,
    readings: Floats,
    pairs: tuple[Ints, Ints, Floats],
    steps: int,
) -> SameFit:
    """Fit bias, spread and outlier share by expectation-maximization.

    The model is a contaminated normal. `pairs`: (first, second, posterior); each pair counts by its posterior. Models
    without pairs get their prior.
    """
    first, second, posterior = pairs
    shared = _shared_readings(model, model_of, readings, first, second)
    p, now = posterior[shared.pair], model
    n = shared.total(p, model.bias)
    for _ in range(steps):
        now = _same_step(now, prior, shared, p, n)
    fitted, known = np.zeros((len(model.bias), 1), dtype=bool), model.outlier_spread > 0
    fitted[model_of] = True
    bias, spread, outlier_share = (
        np.where(fitted, np.where(known, getattr(now, name), getattr(model, name)), getattr(prior, name))
        for name in ("bias", "spread", "outlier_share")
    )
    residual = np.full((len(model_of), readings.shape[1]), np.nan)
    residual[shared.pair, shared.metric] = shared.residual(bias) / spread.ravel()[shared.cell]
    weight = model.weight.copy()
    for m, part in _by_model(model_of):
        metrics = shared_metrics(model, m)
        weight[m, metrics] = _metric_weights(residual[part, metrics], posterior[part])
    return SameFit(n, bias, spread, outlier_share, weight)


def fit_neighbors(
    model: ReadingModel, model_of: Ints, readings: Floats, first: Ints, second: Ints, steps: int
) -> ReadingModel:
    """Fit the mixture for neighbors by expectation-maximization.

    The data are differences of records next to matched ones. The given model is the start and the prior.
    """
    parts = [_differences_of(model, m, readings, first[part], second[part]) for m, part in _by_model(model_of)]
    fitted, known = np.zeros((len(model.bias), 1), dtype=bool), (model.outlier_spread > 0)[:, None]
    fitted[model_of] = True
    now = model
    for _ in range(steps):
        mixture = _mixture(now)
        sums, sizes = np.zeros((3, *model.neighbor_mean.shape)), np.zeros_like(model.neighbor_share)
        for part in parts:
            logs, good = _log_components(mixture, part.model, part.terms, part.metrics)
            responsibility = np.exp(logs - log_sum(logs))[:-1].astype(float)
            by_metric = responsibility[:, None, :] * good
            sums[:, part.model][..., part.metrics] = np.einsum("ckn,xnk->xck", by_metric, part.exact)
            sizes[part.model] = responsibility.sum(axis=1)
        now = _neighbor_step(now, model, sums, sizes)
        now = now._replace(
            neighbor_share=np.where(fitted, now.neighbor_share, model.neighbor_share),
            neighbor_mean=np.where(fitted[:, None] & known, now.neighbor_mean, model.neighbor_mean),
            neighbor_spread=np.where(fitted[:, None] & known, now.neighbor_spread, model.neighbor_spread),
        )
    widest = np.maximum(now.neighbor_spread, model.spread[:, None])
    return now._replace(neighbor_spread=np.where(fitted[:, None], widest, model.neighbor_spread))


def _by_model(model_of: Ints) -> Iterator[tuple[int, slice]]:
    """Yield (model, its slice) of a sorted column of model numbers."""
    if not len(model_of):
        return
    cuts = [0, *(np.flatnonzero(np.diff(model_of)) + 1).tolist(), len(model_of)]
    for start, end in pairwise(cuts):
        yield int(model_of[start]), slice(start, end)


def _wrapped(difference: Floats, metrics: Ints) -> Floats:
    """Bring circular metrics (the last axis) to -180..180, in place."""
    circular = CIRCULAR[metrics].nonzero()[0]
    if len(circular):
        difference[..., circular] = (difference[..., circular] + 180.0) % 360.0 - 180.0
    return difference


# Evidence is computed in single precision, metrics first: right to 1e-5 at a third of the cost. Differences are counted
# in spreads of one pitch, a factor that both densities share.
def _standardized(model: ReadingModel, m: int, readings: Floats, first: Ints, second: Ints, metrics: Ints) -> Singles:
    """Return differences less the bias in spreads of one pitch.

    (metrics, pairs); nan where either reading is missing.
    """
    low, high = (min(first.min(), second.min()), max(first.max(), second.max())) if len(first) else (0, -1)
    values, spread = np.ascontiguousarray(readings[low : high + 1, metrics]), model.spread[m, metrics]
    d = ((values - model.bias[m, metrics]) / spread).take(second - low, axis=0)
    d -= (values / spread).take(first - low, axis=0)
    circular = CIRCULAR[metrics].nonzero()[0]
    if len(circular):
        half = 180.0 / spread[circular]
        d[:, circular] = (d[:, circular] + half) % (2 * half) - half
    return np.ascontiguousarray(d.T, dtype=np.float32)


_Terms = tuple[Singles, Singles, Singles]


def _terms(x: Singles) -> _Terms:
    """Return what both densities need, (metrics, pairs) each.

    The difference, whether there is one, and its square.
    """
    missing = np.isnan(x)
    filled = x.copy()
    np.copyto(filled, np.float32(0), where=missing)
    return filled, (~missing).astype(np.float32), filled * filled


def _log_same(model: ReadingModel, m: int, terms: _Terms, metrics: Ints) -> Singles:
    """Return the log density of one pitch, (pairs,).

    Each metric is a normal with an outlier normal mixed in.
    """
    spread, outlier_spread, share, weight = (
        column[m, metrics][:, None]
        for column in (model.spread, model.outlier_spread, model.outlier_share, model.weight)
    )
    _, known, square = terms
    core, tail = _core_and_tail(square, (spread / outlier_spread).astype(np.float32), share.astype(np.float32))
    core += tail
    core += np.float32(1e-30)
    np.log(core, out=core)
    core *= weight.astype(np.float32)
    core *= known
    return np.asarray(core.sum(axis=0))


def _core_and_tail(square: Floats, ratio: Floats, share: Floats) -> tuple[Floats, Floats]:
    """Return the densities of good readings and of outliers.

    `square`: squared residual in spreads of good readings. `ratio`: spread of good readings over that of outliers;
    `share`: share of outliers.
    """
    exponent = square * -0.5
    core = np.exp(exponent)
    core *= 1 - share
    exponent *= ratio**2
    tail = np.exp(exponent, out=exponent)
    tail *= share * ratio
    return core, tail


class _Mixture(NamedTuple):
    """The neighbors' mixture, in spreads of one pitch.

    `log_share` (models, components + 1): the last entry is that of any two records of the day. `mean`, `scale` (models,
    components, metrics): the log density of a good reading's difference x is constant - ((x - mean) scale)^2.
    `outlier`, `outlier_scale` (models, metrics): the same of outliers, which lie about 0. `any_two`: constant of any
    two records, as wide as outliers.
    """

    log_share: Singles
    mean: Singles
    scale: Singles
    constant: Singles
    outlier_scale: Singles
    outlier: Singles
    any_two: Singles
    weight: Singles


def _mixture(model: ReadingModel) -> _Mixture:
    spread = model.spread[:, None]
    mean = _wrapped(model.neighbor_mean - model.bias[:, None], np.arange(len(CIRCULAR))) / spread
    sd = model.neighbor_spread / spread
    any_two = np.where(model.outlier_spread > 0, model.outlier_spread, 1.0) / model.spread
    share = np.column_stack([(1 - _ANY_TWO) * model.neighbor_share, np.full(len(model.neighbor_share), _ANY_TWO)])
    arrays = (
        np.log(share),
        mean,
        np.sqrt(0.5) / sd,
        np.log(1 - model.outlier_share)[:, None] - np.log(sd),
        np.sqrt(0.5) / any_two,
        np.log(model.outlier_share) - np.log(any_two),
        -np.log(any_two),
        model.weight,
    )
    return _Mixture(*(array.astype(np.float32) for array in arrays))


def _log_components(mixture: _Mixture, m: int, terms: _Terms, metrics: Ints) -> tuple[Singles, Singles]:
    """Return log(share x density) of each component, (components + 1, pairs), and which readings are good.

    The second array (components, metrics, pairs) is the probability that a reading is not an outlier, 0 where it is
    missing. Neighbors are misread as often as matched records, and as far off. So a difference that is far outside of
    everything learned has the same density for one pitch and for two, and is not evidence.
    """
    filled, known, square = terms
    mean, scale, constant = (a[m][:, metrics][..., None] for a in (mixture.mean, mixture.scale, mixture.constant))
    weight = mixture.weight[m, metrics]
    off = square * mixture.outlier_scale[m, metrics][:, None] ** 2
    outlier = np.exp(mixture.outlier[m, metrics][:, None] - off)
    logs = np.empty((len(mean) + 1, filled.shape[1]), dtype=np.float32)
    good = np.empty((len(mean), *filled.shape), dtype=np.float32)
    for kind, density in enumerate(good):
        np.subtract(filled, mean[kind], out=density)
        density *= scale[kind]
        np.square(density, out=density)
        np.subtract(constant[kind], density, out=density)
        np.exp(density, out=density)
        both = density + outlier
        # e^-69, so that the log stays finite
        both += np.float32(1e-30)
        density /= both
        density *= known
        np.log(both, out=both)
        both *= known
        logs[kind] = weight @ both
    logs[-1] = weight @ ((mixture.any_two[m, metrics][:, None] - off) * known)
    logs += mixture.log_share[m][:, None]
    return logs, good


class _SharedReadings(NamedTuple):
    """Readings that both records of a pair have, flat.

    Pair, metric, cell of (models x metrics), and difference (second minus first).
    """

    pair: Ints
    metric: Ints
    cell: Ints
    difference: Floats

    def residual(self, bias: Floats) -> Floats:
        """Return the differences less the bias, (models, metrics)."""
        residual = self.difference - bias.ravel()[self.cell]
        circular = np.flatnonzero(CIRCULAR[self.metric])
        residual[circular] = (residual[circular] + 180.0) % 360.0 - 180.0
        return np.asarray(residual)

    def total(self, values: Floats, like: Floats) -> Floats:
        """Return sums by model and metric.

        They are added in order, so that no model's sum depends on other models.
        """
        return np.asarray(np.bincount(self.cell, values, like.size).reshape(like.shape), dtype=float)


def _shared_readings(
    model: ReadingModel, model_of: Ints, readings: Floats, first: Ints, second: Ints
) -> _SharedReadings:
    d = differences(readings, first, second, np.arange(readings.shape[1]))
    pair, metric = np.nonzero(~np.isnan(d) & (model.outlier_spread > 0)[model_of])
    return _SharedReadings(pair, metric, model_of[pair] * d.shape[1] + metric, d[pair, metric])


def _same_step(now: ReadingModel, prior: Prior, shared: _SharedReadings, p: Floats, n: Floats) -> ReadingModel:
    residual, spread = shared.residual(now.bias), now.spread.ravel()[shared.cell]
    outlier_spread, share = now.outlier_spread.ravel()[shared.cell], now.outlier_share.ravel()[shared.cell]
    core, tail = _core_and_tail((residual / spread) ** 2, spread / outlier_spread, share)
    outlier = tail / np.maximum(core + tail, 1e-300)
    weight = p * (1 - outlier)
    size, moved = shared.total(weight, n), shared.total(weight * residual, n)
    shift = (moved + prior.bias_pairs * (prior.bias - now.bias)) / (size + prior.bias_pairs)
    squares = shared.total(weight * (residual - shift.ravel()[shared.cell]) ** 2, n)
    outliers = shared.total(p * outlier, n) + _OUTLIER_PRIOR_PAIRS * prior.outlier_share
    return now._replace(
        bias=now.bias + shift,
        spread=_shrunk_spread(squares, size, prior),
        outlier_share=outliers / (n + _OUTLIER_PRIOR_PAIRS),
    )


def _shrunk_spread(squares: Floats, size: Floats, prior: Prior) -> Floats:
    """Shrink spreads to the prior by their logarithms.

    Where readings lie far apart, as the release sides of left- and right-handers do, the prior is ten times too wide;
    its square would count for more than all pairs of a day.
    """
    own = np.sqrt(squares / np.maximum(size, 1e-9))
    own = np.maximum(own, _MIN_SPREAD_RATIO * prior.spread)
    share = size / (size + prior.spread_pairs)
    return np.asarray(np.exp(share * np.log(own) + (1 - share) * np.log(prior.spread)))


def _metric_weights(residual: Floats, posterior: Floats) -> Floats:
    """Return the weight of each metric: 1 / sum of squared correlations.

    So a metric that repeats another counts once.
    """
    sure = residual[posterior > _SURE]
    known = ~np.isnan(sure)
    weight = np.ones(residual.shape[1])
    usable = known.sum(axis=0) >= _MIN_CORRELATED
    if usable.sum() < 2:
        return weight
    value, present = np.where(known, np.clip(sure, -3, 3), 0.0)[:, usable], known[:, usable].astype(float)
    square = (value**2).T @ present
    r2 = (value.T @ value) ** 2 / np.maximum(square * square.T, 1e-12)
    r2 = np.maximum(r2 - _CHANCE_CORRELATION / len(sure), 0.0)
    np.fill_diagonal(r2, 1.0)
    weight[usable] = 1.0 / r2.sum(axis=1)
    return weight


class _NeighborDifferences(NamedTuple):
    """Differences of one model's neighbors.

    `terms`: as the components need them. `exact` (3, pairs, metrics): whether there is a difference, that, its square.
    """

    model: int
    metrics: Ints
    terms: _Terms
    exact: Floats


def _differences_of(model: ReadingModel, m: int, readings: Floats, first: Ints, second: Ints) -> _NeighborDifferences:
    metrics = shared_metrics(model, m)
    d = differences(readings, first, second, metrics)
    known = ~np.isnan(d)
    filled = np.where(known, d, 0.0)
    x = _wrapped(d - model.bias[m, metrics], metrics) / model.spread[m, metrics]
    terms = _terms(np.ascontiguousarray(x.T, dtype=np.float32))
    return _NeighborDifferences(m, metrics, terms, np.array([known, filled, filled**2]))


def _neighbor_step(now: ReadingModel, prior: ReadingModel, sums: Floats, sizes: Floats) -> ReadingModel:
    size, total, squares = sums
    mean_0, spread_0 = prior.neighbor_mean, prior.neighbor_spread
    mean = (total + _NEIGHBOR_PRIOR_PAIRS * mean_0) / (size + _NEIGHBOR_PRIOR_PAIRS)
    off = squares - 2 * mean * total + mean**2 * size
    off = off + _NEIGHBOR_PRIOR_PAIRS * (spread_0**2 + (mean_0 - mean) ** 2)
    share = sizes + _NEIGHBOR_PRIOR_PAIRS * prior.neighbor_share
    return now._replace(
        neighbor_share=share / share.sum(axis=1, keepdims=True),
        neighbor_mean=mean,
        neighbor_spread=np.sqrt(np.maximum(off, 1e-12) / (size + _NEIGHBOR_PRIOR_PAIRS)),
    )
