"""Intervals over nights that vary, against exact results and by their coverage.

Exact results: Student's t and chi-square.
"""

import numpy as np
import pytest
from scipy import stats

from pipeline.agreement.bias.limits import MOVER, PIVOTS, limits_of_agreement, split_by_night
from pipeline.agreement.bias.pivots import DRAWS, NightSizes, df_between, half_width_95, middle_95, pivots_of_nights
from pipeline.agreement.bias.precision import own_errors, triple_moments
from pipeline.agreement.bias.regression import concordance
from pipeline.agreement.facts.moments import night_moments


def _row(*values: float) -> list[np.ndarray]:
    return [np.array([value], float) for value in values]


def _nights(count: int, pitches: int) -> NightSizes:
    """Nights of equal size."""
    return NightSizes(*_row(count * pitches, count, count * pitches**2, count * pitches**3))


@pytest.mark.parametrize("nights", [2, 4, 10, 19])
def test_with_equal_nights_the_bias_has_student_s_interval_of_night_means(nights: int) -> None:
    # exact for a balanced one-way layout (Searle, Linear Models 1971): the mean's t has nights - 1 degrees of freedom
    drawn = pivots_of_nights(*_row(0.5, 6.0, 1.0), _nights(nights, 40))
    half = stats.t.ppf(0.975, nights - 1) * np.sqrt(6.0 / (40 * nights))
    assert half_width_95(np.array([0.5]), drawn)[0] == pytest.approx(half, rel=0.1 if nights == 2 else 0.05)


def test_draws_of_the_variance_are_chi_square_when_all_of_it_is_between_nights() -> None:
    # with all of the variance between nights (40 pitches each), total variance x (nights - 1) / chi-square is exact
    drawn = pivots_of_nights(*_row(0.0, 4000.0, 1e-9), _nights(10, 40))
    low, high = (float(end[0]) for end in middle_95(drawn.variance))
    exact = 100.0 * 9 / stats.chi2.ppf([0.975, 0.025], 9)
    assert (low, high) == pytest.approx(exact, rel=0.04)
    assert drawn.variance.shape == (1, DRAWS)


def test_unequal_nights_lose_degrees_of_freedom_only_when_they_differ() -> None:
    n = np.array([5, 10, 100, 120], float)
    sizes = NightSizes(*_row(n.sum(), 4, (n**2).sum(), (n**3).sum()))
    assert df_between(*_row(1.0, 1.0), sizes)[0] == 3
    assert 1 <= df_between(*_row(200.0, 1.0), sizes)[0] < 2.5


def test_few_nights_have_pivots_and_many_have_mover() -> None:
    rng = np.random.default_rng(1)
    for nights, method in ((2, PIVOTS), (19, PIVOTS), (20, MOVER)):
        night = np.repeat(np.arange(nights), 10)
        a = rng.normal(86, 5, len(night))
        moments = night_moments(a, a + rng.normal(0, 1, len(night)), night)
        assert limits_of_agreement(split_by_night(moments)).method[0] == method


@pytest.mark.slow
@pytest.mark.parametrize("nights", [4, 10])
@pytest.mark.parametrize("between", [0.0, 0.4])
def test_concordance_and_limits_of_few_unequal_nights_cover_the_truth(nights: int, between: float) -> None:
    rng, covered = np.random.default_rng(2), np.zeros(4)
    sd = np.sqrt(0.09 + 0.27 + between**2)
    truth = 50 / (50 + sd**2 + 0.25)
    for _ in range(300):
        night = np.repeat(np.arange(nights), rng.integers(5, 121, nights))
        thrown = rng.normal(86, 5, len(night))
        a = thrown + rng.normal(0, 0.3, len(night))
        b = thrown + 0.5 + rng.normal(0, between, nights)[night] + rng.normal(0, np.sqrt(0.27), len(night))
        moments = night_moments(a, b, night)
        limits, close = limits_of_agreement(split_by_night(moments)), concordance(moments)
        covered += [
            float(close.low[0]) <= truth <= float(close.high[0]),
            float(limits.bias_low[0]) <= 0.5 <= float(limits.bias_high[0]),
            float(limits.low_low[0]) <= 0.5 - 1.96 * sd <= float(limits.low_high[0]),
            float(limits.high_low[0]) <= 0.5 + 1.96 * sd <= float(limits.high_high[0]),
        ]
    # 300 seasons: standard error 0.013
    assert (covered / 300 > 0.90).all()
    assert (covered / 300 < 0.995).all()


@pytest.mark.slow
@pytest.mark.parametrize(("nights", "between"), [(4, 0.3), (8, 0.3), (8, 0.0), (25, 0.1)])
def test_own_errors_over_nights_are_unbiased_and_their_intervals_cover_them(nights: int, between: float) -> None:
    seasons, sd = 300, np.array([0.3, 0.4, 0.7])
    truth, rng = sd**2 + between**2, np.random.default_rng(3)
    variances, covered = np.empty((seasons, 3)), np.zeros(3)
    for season in range(seasons):
        night = np.repeat(np.arange(nights), rng.integers(10, 71, nights))
        night_shift = rng.normal(0, between, (nights, 3))[night]
        found = own_errors(triple_moments(86 + rng.normal(0, 1, (len(night), 3)) * sd + night_shift, night))
        variances[season] = found.variances
        covered += (found.low <= truth) & (truth <= found.high)
    # the mean of the estimates within four standard errors of the truth, as these seasons scatter
    assert (np.abs(variances.mean(axis=0) - truth) < 4 * variances.std(axis=0) / np.sqrt(seasons)).all()
    # of 300 intervals that cover the truth 95 times in 100: 95 % +- four standard errors of 1.26 %; over four nights up to 2 % wider
    assert (covered / seasons > 0.90).all()
    assert (covered / seasons < 1.0).all()
    # Grubbs's formula, which assumes independent pitches, covered it in 57 to 79 % of seasons whose nights vary by 0.3


def test_other_rows_do_not_change_a_row_s_interval() -> None:
    first = _row(0.5, 6.0, 1.0), _row(160, 4, 6400, 256_000)
    more = _row(0.1, 2.0, 1.0), _row(90, 3, 2800, 90_000)
    both = [
        [np.append(column, other) for column, other in zip(part, others, strict=True)]
        for part, others in zip(first, more, strict=True)
    ]
    alone, together = (pivots_of_nights(*values, NightSizes(*sizes)) for values, sizes in (first, both))
    assert np.array_equal(alone.mean[0], together.mean[0])
