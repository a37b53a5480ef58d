"""Test the evidence of readings against closed forms and reference densities."""

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import norm

from pipeline.matching.evidence.readings import (
    BLUNDER,
    CIRCULAR,
    ReadingModel,
    log_ratio,
    metric_log_ratio,
    start_model,
)
from schemas.metrics import METRICS

_SPREAD = np.where(CIRCULAR, 30.0, [6 * m.tolerance for m in METRICS.values()])


def _model(rng: np.random.Generator) -> ReadingModel:
    """Return a model whose bias, outliers, weights and neighbors differ by metric."""
    model = start_model(rng.normal(0, 1, (1, len(METRICS))), _SPREAD[None], np.ones((1, len(METRICS)), dtype=bool), 1.0)
    return model._replace(
        outlier_share=rng.uniform(0.005, 0.2, model.bias.shape),
        weight=rng.uniform(0.4, 1.0, model.bias.shape),
        neighbor_mean=model.neighbor_mean + rng.normal(0, 1, model.neighbor_mean.shape) * model.spread[:, None],
    )


def _ratio(model: ReadingModel, difference: np.ndarray) -> float:
    readings = np.stack([np.where(np.isnan(difference), np.nan, 0.0), difference])
    one = np.array([0])
    return float(log_ratio(model, one, readings, one, one + 1)[0])


@pytest.mark.parametrize("seed", range(5))
def test_reading_evidence_is_a_ratio_of_normal_mixtures(seed: int):
    rng = np.random.default_rng(seed)
    model = _model(rng)
    d = model.bias[0] + rng.normal(0, 1.5, len(METRICS)) * model.spread[0]
    d[rng.random(len(d)) < 0.2] = np.nan
    known = ~np.isnan(d)
    # the densities of README.md, "Readings", with those of scipy; differences of an axis stay far from 180 degrees
    bias, spread, wide, share, weight = (a[0] for a in model[:5])
    tail = share * norm.pdf(d, bias, wide)
    same = (weight * np.log((1 - share) * norm.pdf(d, bias, spread) + tail))[known].sum()
    kinds = [
        np.log(0.99 * p) + (weight * np.log((1 - share) * norm.pdf(d, mean, sd) + tail))[known].sum()
        for p, mean, sd in zip(model.neighbor_share[0], model.neighbor_mean[0], model.neighbor_spread[0], strict=True)
    ]
    neighbors = logsumexp([*kinds, np.log(0.01) + (weight * norm.logpdf(d, bias, wide))[known].sum()])
    expected = np.log((1 - BLUNDER) * np.exp(same - neighbors) + BLUNDER)
    assert _ratio(model, d) == pytest.approx(expected, abs=2e-3)


@pytest.mark.parametrize("metric", range(len(METRICS)), ids=list(METRICS))
@pytest.mark.parametrize("others", ["missing", "agreeing"])
def test_a_reading_far_outside_of_all_learned_never_counts_for_a_match(metric: int, others: str):
    # 52 mph against 90 mph counted 15.6 nats for one pitch: neighbors had a narrower tail than one pitch
    model = start_model(np.zeros((1, len(METRICS))), _SPREAD[None], np.ones((1, len(METRICS)), dtype=bool), 1.0)
    model = model._replace(neighbor_spread=model.neighbor_spread / 3)
    agreeing = np.zeros(len(METRICS))
    without = agreeing.copy()
    without[metric] = np.nan
    for far in (0.5, 1, 2, 4, 8) if not CIRCULAR[metric] else (0.5, 0.75, 1.0):
        d = agreeing.copy() if others == "agreeing" else np.full(len(METRICS), np.nan)
        d[metric] = 180 * far if CIRCULAR[metric] else 10 * far * _SPREAD[metric]
        limit = _ratio(model, without) if others == "agreeing" else 0.0
        # 0.01: the share of neighbors that differ like any two records
        assert _ratio(model, d) <= limit + 0.011
        readings = np.stack([np.zeros(len(METRICS)), d])
        own = metric_log_ratio(model, np.array([0]), readings, np.array([0]), np.array([1]))
        assert own[0, metric] <= 0.011
