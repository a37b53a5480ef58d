"""Labels as evidence for one pitch against two neighboring pitches.

The likelihood ratio of agreement (Fellegi and Sunter 1969).
"""

from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Floats, Ints
from pipeline.matching.data.records import LABELS

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Weight of each label's log-likelihood ratio. A pitch type largely repeats the readings, and the labels of the
# situation repeat one another: they count half.
WEIGHTS = np.array([1.0, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5])
assert len(WEIGHTS) == len(LABELS)
# Chance of agreement before any pair is known, for one pitch and for two neighboring pitches.
START_SAME = 0.8
START_NEIGHBOR = 0.5
# Prior counts (agree, disagree) of both chances: they equal the start values, worth ten pairs each.
_SAME_PRIOR = (8.0, 2.0)
_NEIGHBOR_PRIOR = (5.0, 5.0)
# The chance of agreement for one pitch never exceeds this because of neighbors: labels with typing errors disagree.
MAX_SAME = 0.995


class LabelModel(NamedTuple):
    """Chances that two records agree on each label, (models, labels).

    `same`: for one pitch. `neighbor`: for two neighboring pitches. `trust` (models,): 0 for a model that has not been
    fitted, whose labels do not count; 1 afterward.
    """

    same: Floats
    neighbor: Floats
    trust: Floats


def start_labels(models: int) -> LabelModel:
    """Return label models that have not been fitted; their evidence is 0."""
    shape = (models, len(LABELS))
    return LabelModel(np.full(shape, START_SAME), np.full(shape, START_NEIGHBOR), np.zeros(models))


def label_evidence(model: LabelModel, model_of: Ints, labels: Ints, first: Ints, second: Ints) -> Floats:
    """Return the log-likelihood ratio of the labels, (pairs,).

    A label that either record lacks counts 0.
    """
    total = np.zeros(len(first))
    weights = WEIGHTS * model.trust[:, None]
    agree = np.log(model.same / model.neighbor) * weights
    disagree = np.log((1 - model.same) / (1 - model.neighbor)) * weights
    for k in range(labels.shape[1]):
        a, b = labels[first, k], labels[second, k]
        # by model: a label is missing, disagrees, agrees
        evidence = np.stack([np.zeros(len(agree)), disagree[:, k], agree[:, k]], axis=1)
        total += evidence.take(3 * model_of + ((a >= 0) & (b >= 0)) * (1 + (a == b)))
    return total


def fit_labels(
    models: int, labels: Ints, pairs: tuple[Ints, Ints, Ints, Floats], neighbors: tuple[Ints, Ints, Ints]
) -> LabelModel:
    """Count agreements over matched pairs and over their neighbors.

    `pairs`: (model, first, second, posterior). `neighbors`: (model, first, second).
    """
    fitted = start_labels(models)
    unweighted = (*neighbors, np.ones(len(neighbors[0])))
    for k in range(labels.shape[1]):
        fitted.same[:, k] = _agreement(models, labels[:, k], pairs, _SAME_PRIOR)
        fitted.neighbor[:, k] = _agreement(models, labels[:, k], unweighted, _NEIGHBOR_PRIOR)
    # a label that agrees less often for one pitch than for two is useless: it must not count against a pair
    same = np.maximum(fitted.same, np.minimum(fitted.neighbor, MAX_SAME))
    return LabelModel(same, fitted.neighbor, np.ones(models))


def _agreement(models: int, label: Ints, pairs: tuple[Ints, Ints, Ints, Floats], prior: tuple[float, float]) -> Floats:
    model_of, first, second, weight = pairs
    known = (label[first] >= 0) & (label[second] >= 0)
    agree = known & (label[first] == label[second])
    hits = np.bincount(model_of[agree], weight[agree], models)
    return (hits + prior[0]) / (np.bincount(model_of[known], weight[known], models) + sum(prior))
