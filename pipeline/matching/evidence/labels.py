"""Labels as evidence: how much more often two records of one pitch agree on a label than two neighbouring pitches do."""

from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Floats, Ints
from pipeline.matching.data.records import LABELS

# A pitch type largely repeats the readings, and the situation's labels repeat one another (match_method, section 1): half their say.
SAY = np.array([1.0, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5])
assert len(SAY) == len(LABELS)


class LabelModel(NamedTuple):
    """Chance of agreement of each label for one pitch (`same`) and for two neighbouring ones (`other`), (models, labels)."""

    same: Floats
    other: Floats


def label_evidence(model: LabelModel, which: Ints, labels: Ints, first: Ints, second: Ints) -> Floats:
    """Log-likelihood ratio of the labels, (pairs,); a label that either does not have says nothing."""
    total = np.zeros(len(first))
    agreed, differed = np.log(model.same / model.other) * SAY, np.log((1 - model.same) / (1 - model.other)) * SAY
    for k in range(labels.shape[1]):
        a, b = labels[first, k], labels[second, k]
        # by model: a label is missing, differs, agrees
        say = np.stack([np.zeros(len(agreed)), differed[:, k], agreed[:, k]], axis=1)
        total += say.take(3 * which + ((a >= 0) & (b >= 0)) * (1 + (a == b)))
    return total


def fit_labels(
    models: int, labels: Ints, pairs: tuple[Ints, Ints, Ints, Floats], neighbours: tuple[Ints, Ints, Ints]
) -> LabelModel:
    """Agreement counted over matched pairs (model, first, second, posterior) and over their neighbours (model, first, second)."""
    same = np.full((models, labels.shape[1]), 0.8)
    other = np.full((models, labels.shape[1]), 0.5)
    for k in range(labels.shape[1]):
        of, first, second, weight = pairs
        same[:, k] = _agreeing(models, labels[:, k], of, first, second, weight, (8.0, 2.0))
        of, first, second = neighbours
        other[:, k] = _agreeing(models, labels[:, k], of, first, second, np.ones(len(of)), (5.0, 5.0))
    # a label that agrees less often for one pitch than for two is of no use: it may not speak against
    return LabelModel(np.maximum(same, np.minimum(other, 0.995)), other)


def _agreeing(
    models: int, label: Ints, of: Ints, first: Ints, second: Ints, weight: Floats, prior: tuple[float, float]
) -> Floats:
    known = (label[first] >= 0) & (label[second] >= 0)
    agree = known & (label[first] == label[second])
    hits = np.bincount(of[agree], weight[agree], models)
    return (hits + prior[0]) / (np.bincount(of[known], weight[known], models) + sum(prior))
