"""Two trackers agree where a test says so, not where no test says otherwise."""

import numpy as np
import pytest
from scipy.stats import t, ttest_1samp

from pipeline.agreement.bias.equivalence import (
    AGREES,
    DIFFERENT,
    UNDECIDED,
    Bias,
    Equivalence,
    Least,
    judge_equivalence,
)

LEAST = Least(nights=5, pitches=30)


def judged(nightly: np.ndarray, tolerance: float = 1.0) -> Equivalence:
    """Judge biases from rows of nightly differences, 20 pitches a night."""
    bias, k = nightly.mean(axis=1), nightly.shape[1]
    half = t.ppf(0.975, k - 1) * nightly.std(axis=1, ddof=1) / np.sqrt(k)
    counts = (np.full(len(bias), value) for value in (k, 20 * k))
    return judge_equivalence(Bias(bias, bias - half, bias + half, *counts, np.full(len(bias), tolerance)), LEAST)


def test_the_verdict_is_that_of_two_one_sided_t_tests() -> None:
    # the reference is scipy's one-sided t test, once against each end of the tolerance
    nightly = np.random.default_rng(1).normal(0.5, 0.8, (400, 8)) + np.linspace(-1.5, 1.5, 400)[:, None]
    above = ttest_1samp(nightly, -1.0, axis=1, alternative="greater").pvalue
    below = ttest_1samp(nightly, 1.0, axis=1, alternative="less").pvalue
    verdict = judged(nightly).equivalence
    assert ((verdict == AGREES) == (np.maximum(above, below) < 0.05)).all()
    beyond = np.minimum(
        ttest_1samp(nightly, 1.0, axis=1, alternative="greater").pvalue,
        ttest_1samp(nightly, -1.0, axis=1, alternative="less").pvalue,
    )
    assert ((verdict == DIFFERENT) == (beyond < 0.025)).all()
    assert {*verdict} == {AGREES, DIFFERENT, UNDECIDED}


def test_a_bias_as_large_as_the_tolerance_seldom_passes_for_agreement() -> None:
    # by the definition of the test: 5 %, here of 4,000 seasons (standard error 0.35 %)
    nightly = np.random.default_rng(2).normal(1.0, 0.4, (4000, 10))
    assert np.mean(judged(nightly).equivalence == AGREES) == pytest.approx(0.05, abs=0.011)


def test_the_nights_that_are_still_needed_are_about_enough() -> None:
    nightly = np.random.default_rng(3).normal(0.6, 0.8, (300, 6))
    found = judged(nightly)
    for row in np.flatnonzero(found.equivalence == UNDECIDED)[:40]:
        if np.isnan(found.more_nights[row]):
            continue
        # the same mean and spread over as many nights more
        nights = 6 + int(found.more_nights[row])
        scores = np.linspace(-1, 1, nights)
        more = nightly[row].mean() + nightly[row].std(ddof=1) * scores / scores.std(ddof=1)
        assert judged(more[None, :]).equivalence[0] in (AGREES, DIFFERENT)
        scores = np.linspace(-1, 1, nights - 1)
        fewer = nightly[row].mean() + nightly[row].std(ddof=1) * scores / scores.std(ddof=1)
        assert judged(fewer[None, :]).equivalence[0] == UNDECIDED


def test_a_few_nights_are_not_enough_however_alike_they_are() -> None:
    for nights, more in ((1, 4), (3, 2)):
        bias = Bias(*(np.array([value]) for value in (0.1, 0.09, 0.11, nights, 20 * nights, 1.0)))
        found = judge_equivalence(bias, LEAST)
        assert (found.equivalence[0], found.more_nights[0]) == (UNDECIDED, more)
