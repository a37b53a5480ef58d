"""What two trackers' readings of one pitch look like, and what those of two neighbouring pitches do.

For the difference d of two records (second minus first, bias taken out), the model of one pitch is a heavy-tailed product and that
of two pitches a mixture, so that the correlation between metrics that comes from the pitch type is kept (match_method, section 1).
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from schemas.metrics import METRICS

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

CIRCULAR = np.array([m.circular for m in METRICS.values()])
TOLERANCE = np.array([m.tolerance for m in METRICS.values()])
# a whole record can be blundered; then its readings cost no more than this (natural log of 0.001)
BLUNDER = 0.001
COMPONENTS = 4
# the start of the four kinds of neighbour: same pitch type up to quite another one, in units of sqrt(2) times the spread of all
_START_SCALES = np.array([0.35, 0.7, 1.1, 1.7])
_START_SHARES = np.array([0.35, 0.3, 0.2, 0.15])
_LOG_2PI = float(np.log(2 * np.pi))


class ReadingModel(NamedTuple):
    """One row per model (a tracker pair on a day). Arrays are (models, metrics) or (models, components[, metrics])."""

    bias: Floats
    spread: Floats
    wide: Floats
    outlier_share: Floats
    weight: Floats
    share: Floats
    other_mean: Floats
    other_spread: Floats
    trust: Floats


def wrapped(difference: Floats) -> Floats:
    """Differences (n, metrics) with the circular metrics brought to -180..180."""
    out = difference.copy()
    out[:, CIRCULAR] = (out[:, CIRCULAR] + 180.0) % 360.0 - 180.0
    return out


def differences(readings: Floats, first: Ints, second: Ints) -> Floats:
    """Second minus first, (pairs, metrics), nan where either has no reading."""
    return wrapped(readings[second] - readings[first])


def log_ratio(model: ReadingModel, which: Ints, difference: Floats) -> Floats:
    """log of (density of the differences if one pitch / if two neighbouring pitches), (pairs,), natural log.

    `which` says which model holds for each pair. Missing readings drop out of both densities.
    """
    return blunder_proof(model.trust[which] * (log_same(model, which, difference) - log_other(model, which, difference)))


def blunder_proof(log_likelihood_ratio: Floats) -> Floats:
    """Bound what readings can say against a pair: log((1 - f) ratio + f)."""
    return np.logaddexp(np.log1p(-BLUNDER) + log_likelihood_ratio, np.log(BLUNDER))


def metric_log_ratio(model: ReadingModel, which: Ints, difference: Floats) -> Floats:
    """Each metric's own say, (pairs, metrics): for telling people; the sum is not the log ratio, because metrics go together."""
    out = np.full(difference.shape, np.nan)
    for k in _seen(difference):
        d = difference[:, k]
        same = _log_one_same(model, which, d, k)
        parts = np.log(model.share[which]) + _log_normal(d[:, None] - model.other_mean[which, :, k], model.other_spread[which, :, k])
        out[:, k] = model.weight[which, k] * (same - np.logaddexp.reduce(parts, axis=1))
    return out


def log_same(model: ReadingModel, which: Ints, difference: Floats) -> Floats:
    """Log density of the differences of one pitch's readings: each metric a normal with a wide normal mixed in."""
    total = np.zeros(len(difference))
    for k in _seen(difference):
        total += np.nan_to_num(model.weight[which, k] * _log_one_same(model, which, difference[:, k], k))
    return total


def log_other(model: ReadingModel, which: Ints, difference: Floats) -> Floats:
    """Log density of the differences of two neighbouring pitches: a mixture of products."""
    return _log_sum(_component_logs(model, which, difference))


def _log_sum(parts: Floats) -> Floats:
    """log of the sum of exp over the last axis (spelt out: np.logaddexp.reduce is several times slower)."""
    top = parts.max(axis=1)
    return top + np.log(np.exp(parts - top[:, None]).sum(axis=1))


def _component_logs(model: ReadingModel, which: Ints, difference: Floats) -> Floats:
    parts = np.log(model.share)[which]
    half_precision = 0.5 / model.other_spread**2
    log_spread = np.log(model.other_spread) + 0.5 * _LOG_2PI
    for k in _seen(difference):
        d = difference[:, k]
        for c in range(COMPONENTS):
            term = (d - model.other_mean[which, c, k]) ** 2 * half_precision[which, c, k] + log_spread[which, c, k]
            parts[:, c] -= np.nan_to_num(model.weight[which, k] * term)
    return parts


def _seen(difference: Floats) -> list[int]:
    return np.flatnonzero(~np.isnan(difference).all(axis=0)).tolist()


def _log_one_same(model: ReadingModel, which: Ints, d: Floats, k: int) -> Floats:
    d = d - model.bias[which, k]
    if CIRCULAR[k]:
        d = (d + 180.0) % 360.0 - 180.0
    spread, wide, share = model.spread[which, k], model.wide[which, k], model.outlier_share[which, k]
    core = (1 - share) / spread * np.exp(-0.5 * (d / spread) ** 2)
    tail = share / wide * np.exp(-0.5 * (d / wide) ** 2)
    return np.log(core + tail + 1e-30) - 0.5 * _LOG_2PI


def _log_normal(d: Floats, spread: Floats) -> Floats:
    return -0.5 * (d / spread) ** 2 - np.log(spread) - 0.5 * _LOG_2PI


def _outlier_odds(model: ReadingModel, which: Ints, d: Floats, k: int) -> Floats:
    """Share of the wide part in what a difference (bias out) is."""
    spread, wide, share = model.spread[which, k], model.wide[which, k], model.outlier_share[which, k]
    core = (1 - share) / spread * np.exp(-0.5 * (d / spread) ** 2)
    tail = share / wide * np.exp(-0.5 * (d / wide) ** 2)
    return tail / np.maximum(core + tail, 1e-300)


class SameFit(NamedTuple):
    """What matched pairs say about one pitch's readings: (models, metrics) sums of weights, and the estimates."""

    n: Floats
    bias: Floats
    spread: Floats
    outlier_share: Floats
    weight: Floats


class Prior(NamedTuple):
    """What is believed before the day's pairs are seen, and how many pairs that belief is worth."""

    bias: Floats
    spread: Floats
    outlier_share: Floats
    bias_pairs: Floats
    spread_pairs: Floats


def fit_same(model: ReadingModel, prior: Prior, which: Ints, difference: Floats, posterior: Floats, steps: int) -> SameFit:
    """Contaminated-normal fit of (bias, spread, outlier share) per model and metric by EM, weights = posterior of being one pitch."""
    models, metrics = model.bias.shape
    n = np.zeros((models, metrics))
    bias, spread, outliers = model.bias.copy(), model.spread.copy(), model.outlier_share.copy()
    for k in _seen(difference):
        known = ~np.isnan(difference[:, k])
        of, d, p = which[known], difference[known, k], posterior[known]
        n[:, k] = np.bincount(of, p, models)
        for _ in range(steps):
            now = model._replace(bias=bias, spread=spread, outlier_share=outliers)
            residual = d - bias[of, k]
            if CIRCULAR[k]:
                residual = (residual + 180.0) % 360.0 - 180.0
            odd = _outlier_odds(now, of, residual, k)
            core = p * (1 - odd)
            size = np.bincount(of, core, models)
            moved = np.bincount(of, core * residual, models)
            bias[:, k] = bias[:, k] + (moved + prior.bias_pairs[:, k] * (prior.bias[:, k] - bias[:, k])) / np.maximum(size + prior.bias_pairs[:, k], 1e-9)
            residual = residual - (moved / np.maximum(size + prior.bias_pairs[:, k], 1e-9))[of]
            squares = np.bincount(of, core * residual**2, models)
            pairs = prior.spread_pairs[:, k]
            spread[:, k] = np.sqrt((squares + pairs * prior.spread[:, k] ** 2) / (size + pairs))
            outliers[:, k] = (np.bincount(of, p * odd, models) + 10 * prior.outlier_share[:, k]) / (n[:, k] + 10)
    return SameFit(n, bias, spread, outliers, _weights(model, bias, spread, which, difference, posterior))


def _weights(model: ReadingModel, bias: Floats, spread: Floats, which: Ints, difference: Floats, posterior: Floats) -> Floats:
    """How much each metric's say counts: 1 / sum of squared correlations of the residuals, so that a metric told twice counts once."""
    weight = np.ones_like(bias)
    for of in range(len(bias)):
        mine = (which == of) & (posterior > 0.8)
        if mine.sum() < 30:
            continue
        scaled = wrapped(difference[mine] - bias[of]) / spread[of]
        usable = (~np.isnan(scaled)).sum(axis=0) >= 30
        known = np.nan_to_num(np.clip(scaled[:, usable], -3, 3))
        both = (~np.isnan(scaled[:, usable])).astype(float)
        size = np.sqrt(np.maximum((known**2).sum(axis=0), 1e-9))
        r2 = ((known.T @ known) / np.sqrt(np.maximum((known**2).T @ both, 1e-9) * np.maximum(both.T @ (known**2), 1e-9))) ** 2
        r2 = np.maximum(r2 - 1.5 / mine.sum(), 0.0) * (size[:, None] > 0)
        np.fill_diagonal(r2, 1.0)
        weight[of, usable] = 1.0 / r2.sum(axis=1)
    return weight


def fit_other(model: ReadingModel, which: Ints, difference: Floats, steps: int, prior_pairs: float = 20.0) -> ReadingModel:
    """The mixture for neighbouring pitches, fitted by EM to differences of matched records' neighbours; the start is its prior."""
    start = model
    models = len(model.bias)
    for _ in range(steps):
        logs = _component_logs(model, which, difference)
        belongs = np.exp(logs - _log_sum(logs)[:, None])
        share, mean, spread = model.share.copy(), model.other_mean.copy(), model.other_spread.copy()
        for c in range(COMPONENTS):
            size = np.bincount(which, belongs[:, c], models)
            share[:, c] = size + prior_pairs * start.share[:, c]
            for k in _seen(difference):
                known = ~np.isnan(difference[:, k])
                of, d, p = which[known], difference[known, k], belongs[known, c]
                n = np.bincount(of, p, models) + prior_pairs
                mean[:, c, k] = (np.bincount(of, p * d, models) + prior_pairs * start.other_mean[:, c, k]) / n
                off = np.bincount(of, p * (d - mean[of, c, k]) ** 2, models)
                away = prior_pairs * (start.other_spread[:, c, k] ** 2 + (start.other_mean[:, c, k] - mean[:, c, k]) ** 2)
                spread[:, c, k] = np.sqrt((off + away) / n)
        share /= share.sum(axis=1, keepdims=True)
        model = model._replace(share=share, other_mean=mean, other_spread=np.maximum(spread, model.spread[:, None, :]))
    return model


def start_model(bias: Floats, spread: Floats, trust: float) -> ReadingModel:
    """The model before any pair is known; `bias` and `spread` (models, metrics): difference of medians, spread of all readings."""
    other = np.sqrt(2.0) * spread[:, None, :] * _START_SCALES[None, :, None]
    models = len(bias)
    return ReadingModel(
        bias=bias,
        spread=np.minimum(np.maximum(0.35 * spread, 0.6 * TOLERANCE), 0.8 * spread),
        wide=1.6 * spread,
        outlier_share=np.full(bias.shape, 0.03),
        weight=np.ones_like(bias),
        share=np.tile(_START_SHARES, (models, 1)),
        other_mean=np.repeat(bias[:, None, :], COMPONENTS, axis=1),
        other_spread=other,
        trust=np.full(models, trust),
    )
