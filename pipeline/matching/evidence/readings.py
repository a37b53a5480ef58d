"""What two trackers' readings of one pitch look like, and what those of two neighbouring pitches do.

For the difference d of two records (second minus first, bias taken out), the model of one pitch is a heavy-tailed product and that
of two pitches a mixture, so that the correlation between metrics that comes from the pitch type is kept (match_method, section 1).
There is one model for each tracker pair on each station-day; arrays of records come sorted by model.
"""

from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Bools, Floats, Ints, Singles
from schemas.metrics import METRICS

CIRCULAR = np.array([m.circular for m in METRICS.values()])
TOLERANCE = np.array([m.tolerance for m in METRICS.values()])
# a whole record can be blundered; then its readings cost no more than this (natural log of 0.001)
BLUNDER = 0.001
COMPONENTS = 4
# share of neighbours that are like any two records of the day, whatever the kinds that were learned: what none of these foresees (another
# arm, in a model made mostly of days with one) must not pass for one pitch because of the heavy tails of that
_ANY_TWO = 0.01
# no pairs are believed to agree better than to this share of what was expected
_LEAST_OF_PRIOR = 0.02
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
    """Circular metrics (the last axis) brought to -180..180."""
    turn = CIRCULAR[metrics].nonzero()[0]
    if len(turn):
        difference[..., turn] = (difference[..., turn] + 180.0) % 360.0 - 180.0
    return difference


def log_ratio(model: ReadingModel, which: Ints, readings: Floats, first: Ints, second: Ints) -> Floats:
    """log of (density of the readings if one pitch / if two neighbouring pitches), (pairs,), natural log.

    Missing readings drop out of both densities; a blundered record costs at most log(BLUNDER).
    """
    out, kinds = np.zeros(len(which)), _kinds(model)
    for m, part in slices(which):
        metrics = model_metrics(model, m)
        terms = _terms(_in_spreads(model, m, readings, first[part], second[part], metrics))
        out[part] = model.trust[m] * (
            _same_say(model, m, terms, metrics) - log_sum(_log_kinds(kinds, m, terms, metrics))
        )
    # np.logaddexp takes six times as long; e^600 leaves room in a double
    return np.asarray(np.log((1 - BLUNDER) * np.exp(np.minimum(out, 600.0)) + BLUNDER))


# Evidence goes in single precision, metrics first: right to 1e-5 at a third of the cost. Readings are counted in spreads of one pitch, a
# factor that both densities share.
def _in_spreads(model: ReadingModel, m: int, readings: Floats, first: Ints, second: Ints, metrics: Ints) -> Singles:
    """Differences less the bias in spreads of one pitch, (metrics, pairs); nan where either has no reading."""
    low, high = (min(first.min(), second.min()), max(first.max(), second.max())) if len(first) else (0, -1)
    of, spread = np.ascontiguousarray(readings[low : high + 1, metrics]), model.spread[m, metrics]
    d = ((of - model.bias[m, metrics]) / spread).take(second - low, axis=0)
    d -= (of / spread).take(first - low, axis=0)
    turn = CIRCULAR[metrics].nonzero()[0]
    if len(turn):
        half = 180.0 / spread[turn]
        d[:, turn] = (d[:, turn] + half) % (2 * half) - half
    return np.ascontiguousarray(d.T, dtype=np.float32)


_Terms = tuple[Singles, Singles, Singles]


def _terms(x: Singles) -> _Terms:
    """What both densities are made of, (metrics, pairs) each: difference, whether there is one, square."""
    missing = np.isnan(x)
    filled = x.copy()
    np.copyto(filled, np.float32(0), where=missing)
    return filled, (~missing).astype(np.float32), filled * filled


def _same_say(model: ReadingModel, m: int, terms: _Terms, metrics: Ints) -> Singles:
    """Log density of one pitch, (pairs,): each metric a normal with a wide normal mixed in."""
    unit, wide, share, weight = (
        column[m, metrics][:, None] for column in (model.spread, model.wide, model.outlier_share, model.weight)
    )
    _, known, square = terms
    core, tail = _core_and_tail(square, (unit / wide).astype(np.float32), share.astype(np.float32))
    core += tail
    core += np.float32(1e-30)
    np.log(core, out=core)
    core *= weight.astype(np.float32)
    core *= known
    return np.asarray(core.sum(axis=0))


def _core_and_tail(square: Floats, ratio: Floats, share: Floats) -> tuple[Floats, Floats]:
    """Density of one pitch's residuals, by their square in spreads: of those that were read well, and of the `share` that were not,
    1 / `ratio` as wide."""
    exponent = square * -0.5
    core = np.exp(exponent)
    core *= 1 - share
    exponent *= ratio**2
    tail = np.exp(exponent, out=exponent)
    tail *= share * ratio
    return core, tail


class _Kinds(NamedTuple):
    """The kinds of neighbour, and last any two records, in spreads of one pitch: the log of share times density of a difference x is
    log_share + linear x - constant - square x^2. Arrays (models, kinds[, metrics]); no metric that a model does not know counts."""

    log_share: Singles
    linear: Singles
    constant: Singles
    square: Singles


def _kinds(model: ReadingModel) -> _Kinds:
    unit, wide = model.spread[:, None], np.where(model.wide > 0, model.wide, 1.0)[:, None]
    mean = wrapped(model.other_mean - model.bias[:, None], np.arange(len(CIRCULAR)))
    mean = np.concatenate([mean, np.zeros_like(wide)], axis=1) / unit
    spread = np.concatenate([model.other_spread, wide], axis=1) / unit
    precision = 0.5 * model.weight[:, None] / spread**2
    constant = precision * mean**2 + model.weight[:, None] * np.log(spread)
    share = np.column_stack([(1 - _ANY_TWO) * model.share, np.full(len(model.share), _ANY_TWO)])
    return _Kinds(*(column.astype(np.float32) for column in (np.log(share), 2 * precision * mean, constant, precision)))


def _log_kinds(kinds: _Kinds, m: int, terms: _Terms, metrics: Ints) -> Singles:
    """Log of (share x density) in each kind of neighbour, and last of any two records, (components + 1, pairs)."""
    filled, known, square = terms
    logs = kinds.linear[m][:, metrics] @ filled
    logs -= kinds.constant[m][:, metrics] @ known
    logs -= kinds.square[m][:, metrics] @ square
    logs += kinds.log_share[m][:, None]
    return np.asarray(logs)


def log_sum(logs: Singles) -> Singles:
    """log of the sum of exp over the first axis (spelt out: np.logaddexp.reduce is several times slower)."""
    top = logs.max(axis=0)
    return np.asarray(top + np.log(np.exp(logs - top).sum(axis=0)))


def metric_log_ratio(model: ReadingModel, which: Ints, readings: Floats, first: Ints, second: Ints) -> Floats:
    """Each metric's own say, (pairs, metrics): for telling people; the sum is not the log ratio, because metrics go together."""
    out = np.zeros((len(which), readings.shape[1]))
    read = _read(model, which, readings, first, second)
    unit, odd = model.spread.ravel()[read.at], model.outlier_share.ravel()[read.at]
    core, tail = _core_and_tail((read.beside(model.bias) / unit) ** 2, unit / model.wide.ravel()[read.at], odd)
    others = np.zeros(len(read.at))
    for kind in range(COMPONENTS):
        mean, spread = model.other_mean[:, kind].ravel()[read.at], model.other_spread[:, kind].ravel()[read.at]
        others += model.share[which[read.pair], kind] / spread * np.exp(-0.5 * ((read.difference - mean) / spread) ** 2)
    other = (1 - _ANY_TWO) * others + _ANY_TWO * tail / (odd * unit)
    say = np.log((core + tail) / unit + 1e-30) - np.log(other + 1e-30)
    out[read.pair, read.metric] = model.weight.ravel()[read.at] * say
    return out


class _Read(NamedTuple):
    """What two records both read of the metrics that their model knows, flat: pair, metric, place in (models x metrics), and the
    difference, second minus first."""

    pair: Ints
    metric: Ints
    at: Ints
    difference: Floats

    def beside(self, bias: Floats) -> Floats:
        """The differences less the bias, (models, metrics)."""
        off = self.difference - bias.ravel()[self.at]
        turn = np.flatnonzero(CIRCULAR[self.metric])
        off[turn] = (off[turn] + 180.0) % 360.0 - 180.0
        return np.asarray(off)

    def total(self, values: Floats, like: Floats) -> Floats:
        """Sums by model and metric: one after the other, so that no model's sum depends on what other models there are."""
        return np.asarray(np.bincount(self.at, values, like.size).reshape(like.shape), dtype=float)


def _read(model: ReadingModel, which: Ints, readings: Floats, first: Ints, second: Ints) -> _Read:
    d = differences(readings, first, second, np.arange(readings.shape[1]))
    pair, metric = np.nonzero(~np.isnan(d) & (model.wide > 0)[which])
    return _Read(pair, metric, which[pair] * d.shape[1] + metric, d[pair, metric])


def model_metrics(model: ReadingModel, m: int) -> Ints:
    """Metrics that the model knows: the two trackers share them."""
    return np.flatnonzero(model.wide[m] > 0)


def fit_same(
    model: ReadingModel, prior: Prior, which: Ints, readings: Floats, pairs: tuple[Ints, Ints, Floats], steps: int
) -> SameFit:
    """Contaminated-normal fit of (bias, spread, outlier share) per model and metric by EM, weights = posterior of being one pitch."""
    first, second, posterior = pairs
    read = _read(model, which, readings, first, second)
    p, now = posterior[read.pair], model
    n = read.total(p, model.bias)
    for _ in range(steps):
        now = _same_step(now, prior, read, p, n)
    spoken, known = np.zeros((len(model.bias), 1), dtype=bool), model.wide > 0
    spoken[which] = True
    bias, spread, outlier_share = (
        np.where(spoken, np.where(known, getattr(now, name), getattr(model, name)), getattr(prior, name))
        for name in ("bias", "spread", "outlier_share")
    )
    scaled = np.full((len(which), readings.shape[1]), np.nan)
    scaled[read.pair, read.metric] = read.beside(bias) / spread.ravel()[read.at]
    weight = model.weight.copy()
    for m, part in slices(which):
        metrics = model_metrics(model, m)
        weight[m, metrics] = _weights(scaled[part, metrics], posterior[part])
    return SameFit(n, bias, spread, outlier_share, weight)


def _same_step(now: ReadingModel, prior: Prior, read: _Read, p: Floats, n: Floats) -> ReadingModel:
    residual, unit = read.beside(now.bias), now.spread.ravel()[read.at]
    wide, share = now.wide.ravel()[read.at], now.outlier_share.ravel()[read.at]
    core, tail = _core_and_tail((residual / unit) ** 2, unit / wide, share)
    odd = tail / np.maximum(core + tail, 1e-300)
    weight = p * (1 - odd)
    size, moved = read.total(weight, n), read.total(weight * residual, n)
    shift = (moved + prior.bias_pairs * (prior.bias - now.bias)) / (size + prior.bias_pairs)
    squares = read.total(weight * (residual - shift.ravel()[read.at]) ** 2, n)
    return now._replace(
        bias=now.bias + shift,
        spread=_shrunk(squares, size, prior),
        outlier_share=(read.total(p * odd, n) + 10 * prior.outlier_share) / (n + 10),
    )


def _shrunk(squares: Floats, size: Floats, prior: Prior) -> Floats:
    """Spreads between those of the pairs and the prior's, by their logarithms: readings that lie far apart, as the release sides of left-
    and right-handers do, make the prior ten times too wide, and its square would count for all that a day's pairs say."""
    own = np.sqrt(squares / np.maximum(size, 1e-9))
    own = np.maximum(own, _LEAST_OF_PRIOR * prior.spread)
    share = size / (size + prior.spread_pairs)
    return np.asarray(np.exp(share * np.log(own) + (1 - share) * np.log(prior.spread)))


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
    parts = [_neighbours_of(model, m, readings, first[part], second[part]) for m, part in slices(which)]
    spoken, known = np.zeros((len(model.bias), 1), dtype=bool), (model.wide > 0)[:, None]
    spoken[which] = True
    now = model
    for _ in range(steps):
        kinds = _kinds(now)
        sums, sizes = np.zeros((3, *model.other_mean.shape)), np.zeros_like(model.share)
        for part in parts:
            logs = _log_kinds(kinds, part.model, part.terms, part.metrics)
            belongs = np.exp(logs - log_sum(logs))[:-1].astype(float)
            sums[:, part.model][..., part.metrics] = belongs @ part.exact
            sizes[part.model] = belongs.sum(axis=1)
        now = _other_step(now, model, sums, sizes, prior_pairs)
        now = now._replace(
            share=np.where(spoken, now.share, model.share),
            other_mean=np.where(spoken[:, None] & known, now.other_mean, model.other_mean),
            other_spread=np.where(spoken[:, None] & known, now.other_spread, model.other_spread),
        )
    widest = np.maximum(now.other_spread, model.spread[:, None])
    return now._replace(other_spread=np.where(spoken[:, None], widest, model.other_spread))


class _Neighbours(NamedTuple):
    """Differences of one model's neighbours: `terms` as the say of the kinds is made of; `exact` (3, pairs, metrics): whether there is
    a difference, that, its square."""

    model: int
    metrics: Ints
    terms: tuple[Singles, Singles, Singles]
    exact: Floats


def _neighbours_of(model: ReadingModel, m: int, readings: Floats, first: Ints, second: Ints) -> _Neighbours:
    metrics = model_metrics(model, m)
    d = differences(readings, first, second, metrics)
    known = ~np.isnan(d)
    filled = np.where(known, d, 0.0)
    x = wrapped(d - model.bias[m, metrics], metrics) / model.spread[m, metrics]
    terms = _terms(np.ascontiguousarray(x.T, dtype=np.float32))
    return _Neighbours(m, metrics, terms, np.array([known, filled, filled**2]))


def _other_step(
    now: ReadingModel, start: ReadingModel, sums: Floats, sizes: Floats, prior_pairs: float
) -> ReadingModel:
    size, total, squares = sums
    mean_0, spread_0 = start.other_mean, start.other_spread
    mean = (total + prior_pairs * mean_0) / (size + prior_pairs)
    off = squares - 2 * mean * total + mean**2 * size + prior_pairs * (spread_0**2 + (mean_0 - mean) ** 2)
    share = sizes + prior_pairs * start.share
    return now._replace(
        share=share / share.sum(axis=1, keepdims=True),
        other_mean=mean,
        other_spread=np.sqrt(np.maximum(off, 1e-12) / (size + prior_pairs)),
    )


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
