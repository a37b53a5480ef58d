"""The statistics of the agreement tables against published worked examples.

Through the functions that the pipeline calls. Data and results: tests/published/statistics.json; each entry has its citation, and under
`printed` whether the printed result was seen or is from memory and reproduced from the data. Not here, because the product has no use for
the statistic: replicate coefficients, weighted Deming, Passing-Bablok, York and Theil-Sen lines, intraclass correlations, individuals and
CUSUM charts, Mann-Kendall, Hodges-Lehmann (Huber's estimate does its work), the other random-effects estimators, the circular correlation
(blind to a constant turn).
"""

import json
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.agreement.bias.agreement_table import Judgment, agreement_table
from pipeline.agreement.bias.all_nights import all_nights
from pipeline.agreement.bias.limits import (
    interval_of_mean,
    interval_of_sd,
    limits_of_agreement,
    mover_interval_of_limit,
    split_by_night,
)
from pipeline.agreement.bias.precision import grubbs_standard_errors, own_errors, triple_moments
from pipeline.agreement.bias.regression import concordance, deming
from pipeline.agreement.device_setup.combining import benjamini_hochberg, combine
from pipeline.agreement.drift.charts import (
    average_run_length,
    change_point,
    ewma,
    ewma_half_width,
    limit_for_run_length,
)
from pipeline.agreement.facts.cells import cells_of_pair, differences_of_pair, number_cells
from pipeline.agreement.facts.centers import centers_of_segments
from pipeline.agreement.facts.circular import circular_sd, mean_vector, wrap_angle
from pipeline.agreement.facts.moments import NightMoments, Segments, night_moments
from pipeline.agreement.facts.readings import Pair
from pipeline.agreement.labels import kappa

EXAMPLES: dict[str, dict[str, Any]] = {
    example["id"]: example
    for example in json.loads((Path(__file__).parent / "published" / "statistics.json").read_text())
}


def check(name: str, found: dict[str, float]) -> None:
    """Compare each number with the full-precision result and with the printed one.

    The printed one within its rounding.
    """
    example = EXAMPLES[name]
    relative = example["tolerance"]["relative"]
    for key, value in found.items():
        assert value == pytest.approx(example["expected"][key], rel=relative, abs=1e-9), f"{example['citation']}: {key}"
        if key in example["published"] and isinstance(example["published_tolerance"], dict):
            within = example["published_tolerance"].get(key, example["published_tolerance"].get("default", 0.0))
            assert value == pytest.approx(example["published"][key], abs=within), (
                f"{example['citation']}: {key} as printed"
            )
    missing = set(example["expected"]) - set(found)
    assert not missing, f"{name}: nothing compares {sorted(missing)}"


def one_night(x: list[float], y: list[float]) -> NightMoments:
    return night_moments(np.array(x, float), np.array(y, float), np.zeros(len(x)))


def test_limits_of_agreement_of_single_readings_are_as_published_in_1986() -> None:
    data = EXAMPLES["ba1986_pefr"]["data"]
    sums = one_night(data["mini_1"], data["wright_1"])
    split = split_by_night(sums)
    limits = limits_of_agreement(split)
    found = {"bias": split.bias, "sd": split.sd, "loa196_lo": limits.low, "loa196_hi": limits.high}
    check("ba1986_pefr", found | {"bias_ci_lo": limits.bias_low, "bias_ci_hi": limits.bias_high})


def test_the_exact_interval_of_a_limit_is_that_of_the_noncentral_t() -> None:
    differences = EXAMPLES["carkeet_exact_pefr"]["data"]["differences"]
    limits = limits_of_agreement(split_by_night(one_night([0.0] * len(differences), differences)))
    assert limits.method == "exact (noncentral t)"
    ends = {
        "lo_ci_lo": limits.low_low,
        "lo_ci_hi": limits.low_high,
        "hi_ci_lo": limits.high_low,
        "hi_ci_hi": limits.high_high,
    }
    check("carkeet_exact_pefr", ends)


def test_the_mover_interval_of_a_limit_is_as_published() -> None:
    differences = np.array(EXAMPLES["zou2013_mover_pefr"]["data"]["differences"])
    n, sd = len(differences), differences.std(ddof=1)
    low, high = mover_interval_of_limit(
        interval_of_mean(differences.mean(), sd / n**0.5, n - 1), interval_of_sd(sd, n - 1)
    )
    check("zou2013_mover_pefr", {"hi_ci_lo": low, "hi_ci_hi": high})


def test_limits_of_repeated_pairs_split_night_from_pitch_as_published_in_2007() -> None:
    data = EXAMPLES["ba2007_cardiac"]["data"]
    patients = np.repeat(np.arange(len(data["RV"])), [len(readings) for readings in data["RV"]])
    sums = night_moments(np.concatenate(data["IC"]), np.concatenate(data["RV"]), patients)
    split = split_by_night(sums)
    limits = limits_of_agreement(split)
    found = {
        "k": split.nights,
        "N": split.n,
        "bias": split.bias,
        "ms_between": split.ms_between,
        "ms_within": split.ms_within,
        "n0": split.n0,
    }
    found |= {
        "var_between": split.var_between,
        "total_var": split.sd**2,
        "sd": split.sd,
        "loa_lo": limits.low,
        "loa_hi": limits.high,
    }
    check("ba2007_cardiac", found)


def test_deming_regression_is_that_of_the_reference_package() -> None:
    data = EXAMPLES["deming_creatinine"]["data"]
    analytic = deming(one_night(data["x"], data["y"]))
    # each pair a night of its own: the jackknife over nights is the usual one
    jackknife = deming(night_moments(np.array(data["x"]), np.array(data["y"]), np.arange(len(data["x"]))))
    found = {
        "slope": analytic.slope,
        "intercept": analytic.intercept,
        "se_slope": analytic.se_slope,
        "se_intercept": analytic.se_intercept,
    }
    check(
        "deming_creatinine",
        found | {"jackknife_se_slope": jackknife.se_slope, "jackknife_se_intercept": jackknife.se_intercept},
    )


def test_concordance_of_almost_equal_readings_is_at_most_1() -> None:
    """Two arms, left and right, read alike to a thousandth.

    Rounding made 1.0000000000000002 of it, which no table takes.
    """
    rng = np.random.default_rng(1)
    for _ in range(200):
        side = rng.choice([-2.1, 1.9], 60) + rng.normal(0, 0.05, 60)
        found = concordance(one_night(side, side + rng.normal(0, 1e-9, 60)))
        assert (np.abs(np.asarray(found.value)) <= 1).all()


def test_concordance_is_lin_s_with_the_correction_of_2000() -> None:
    data = EXAMPLES["lin_ccc_pefr"]["data"]
    found = concordance(one_night(data["x"], data["y"]))
    check("lin_ccc_pefr", {"ccc": found.value, "se": found.se, "z_lo": found.low, "z_hi": found.high})


def test_own_errors_of_three_chronographs_are_grubbs_s() -> None:
    data = EXAMPLES["grubbs1973_chronographs"]["data"]
    readings = np.column_stack([data[name] for name in "FCT"])
    found = own_errors(triple_moments(readings, np.zeros(len(readings))))
    check("grubbs1973_chronographs", {f"var[{place}]": value for place, value in enumerate(found.variances)})
    # the notes of the check give these for the 1973 data
    assert found.standard_errors == pytest.approx([0.0348, 0.0413, 0.0995], abs=6e-5)


def test_standard_errors_of_own_variances_are_those_of_simulation() -> None:
    found = grubbs_standard_errors(np.array([0.3, 0.5, 0.9]) ** 2, 12)
    check("grubbs_se_formula", {f"se[{place}]": value for place, value in enumerate(found)})


def test_the_smoothed_score_and_its_limits_are_those_of_the_nist_handbook() -> None:
    data = EXAMPLES["nist_ewma"]["data"]
    smoothed = ewma(np.array(data["x"]), data["lam"], data["target"])
    half = ewma_half_width(data["L"], data["lam"], data["sigma"])
    found = {f"ewma[{place}]": value for place, value in enumerate(smoothed)}
    check("nist_ewma", found | {"ucl": data["target"] + half, "lcl": data["target"] - half})
    printed = EXAMPLES["nist_ewma"]["published"]["ewma"]
    assert smoothed == pytest.approx(printed, abs=0.00501)


def test_run_lengths_are_those_of_lucas_and_saccucci() -> None:
    data = EXAMPLES["ewma_arl"]["data"]
    expected = EXAMPLES["ewma_arl"]["expected"]
    for place, (smoothing, limit) in enumerate(data["lambda_L"]):
        assert average_run_length(limit, smoothing) == pytest.approx(expected[f"arl0[{place}]"], rel=1e-5)
        assert average_run_length(limit, smoothing) == pytest.approx(500, abs=1.0)
    for place, shift in enumerate(data["shifts"]):
        assert average_run_length(2.962, 0.2, shift) == pytest.approx(expected[f"arl_shift[{place}]"], rel=1e-5)
    assert average_run_length(2.814, 0.1, 1.0) == pytest.approx(expected["arl_l10_1"], rel=1e-5)


def test_the_limit_for_a_run_length_of_370_nights_is_the_published_one() -> None:
    # check values: "For ARL0=370.4 at lambda=0.2 use L=2.859"
    assert limit_for_run_length(370.4, 0.2) == pytest.approx(2.859, abs=0.001)


def test_the_change_of_the_nile_is_dated_1898() -> None:
    flow = np.array(EXAMPLES["nile_changepoint"]["data"], float)
    found = change_point(flow, np.ones(len(flow)))
    check("nile_changepoint", {"k": found.start, "mean_before": found.before, "mean_after": found.after})
    assert found.first <= 28 <= found.last


def test_robust_statistics_ignore_a_gross_misreading() -> None:
    values = np.array(EXAMPLES["chem_robust"]["data"])
    context = {"baseball_day": date(2026, 3, 1), "station": "field", "pitch_type": "slider"}
    readings = pl.DataFrame({"a.release_speed_mph": np.zeros(len(values)), "b.release_speed_mph": values}).with_columns(
        *(pl.lit(value).alias(name) for name, value in context.items()), group=pl.int_range(pl.len())
    )
    pair = Pair("a", "b", readings)
    differences = differences_of_pair(pair)
    nights = all_nights(
        *number_cells([cells_of_pair(pair, differences, {"release_speed_mph": 1.0})], [differences]), {}
    )
    row = agreement_table(nights, Judgment({"release_speed_mph": 1.0}, {}, {}), slices=("all",)).row(0, named=True)
    center = centers_of_segments(values, Segments(np.array([0]), np.array([len(values)]))).center[0]
    check("chem_robust", {"median": row["robust_bias"], "mad": row["robust_sd"], "huber_mu": center})


def test_adjusted_p_values_are_those_of_benjamini_and_hochberg() -> None:
    p_values = np.array(EXAMPLES["benjamini_hochberg_1995"]["data"])
    adjusted = benjamini_hochberg(p_values)
    found = {f"adjusted[{place}]": value for place, value in enumerate(adjusted)}
    check("benjamini_hochberg_1995", found | {"n_reject": float((adjusted < 0.05).sum())})


@pytest.mark.parametrize("name", ["paule_mandel_cd", "dersimonian_kacker_2007", "ccqm_k30_pb"])
def test_the_consensus_of_nights_is_paule_and_mandel_s(name: str) -> None:
    data = EXAMPLES[name]["data"]
    values, variances = (
        np.array(data[key], float)
        for key in (("x", "variance") if "x" in data else ("y", "v") if "y" in data else ("value", "u"))
    )
    if "included" in data:
        included = np.array(data["included"])
        values, variances = values[included], variances[included] ** 2
    found = combine(values, variances)
    check(name, {"birge": found.birge, "pm_tau": found.between_sd, "pm_mu": found.mean, "pm_se": found.se})


def test_circular_differences_are_wrapped_and_averaged_as_vectors() -> None:
    data = EXAMPLES["circular_difference"]["data"]
    differences = pl.DataFrame(data).select(wrap_angle(pl.col("b") - pl.col("a")).alias("d"))["d"].to_numpy()
    direction, length = mean_vector(differences)
    check("circular_difference", {"mean_diff": direction, "r": length})


def test_the_circular_sd_is_that_of_scipy() -> None:
    from scipy.stats import circstd

    angles = np.random.default_rng(1).normal(350, 25, 500)
    assert circular_sd(mean_vector(angles)[1]) == pytest.approx(np.degrees(circstd(np.radians(angles))))


def test_kappa_of_the_textbook_table_is_0_4() -> None:
    # A much quoted example of Cohen's kappa: 50 proposals, 20 both yes, 15 both no, 5 and 10 split. From memory; kappa = (0.7 - 0.5) / 0.5.
    assert kappa(np.array([[20, 5], [10, 15]])).kappa == pytest.approx(0.4)


def test_kappa_of_the_scikit_learn_example_is_0_6875() -> None:
    # scikit-learn's documentation of cohen_kappa_score: y1 and y2 of "negative"/"positive"
    y1 = ["negative", "positive", "negative", "neutral", "positive"]
    y2 = ["negative", "positive", "negative", "neutral", "negative"]
    labels = sorted({*y1, *y2})
    counts = np.zeros((3, 3))
    for a, b in zip(y1, y2, strict=True):
        counts[labels.index(a), labels.index(b)] += 1
    assert kappa(counts).kappa == pytest.approx(0.6875)


def test_kappa_and_false_discoveries_are_those_of_the_general_libraries() -> None:
    from scipy.stats import false_discovery_control
    from sklearn.metrics import cohen_kappa_score

    rng = np.random.default_rng(3)
    a, b = rng.integers(0, 4, 300), rng.integers(0, 4, 300)
    b = np.where(rng.random(300) < 0.6, a, b)
    counts = np.zeros((4, 4))
    np.add.at(counts, (a, b), 1)
    assert kappa(counts).kappa == pytest.approx(cohen_kappa_score(a, b))
    p_values = rng.random(50) ** 3
    assert benjamini_hochberg(p_values) == pytest.approx(false_discovery_control(p_values))


def test_kappa_s_standard_error_is_that_of_statsmodels() -> None:
    inter_rater = pytest.importorskip(
        "statsmodels.stats.inter_rater", reason="statsmodels brings pandas and is not installed by choice"
    )
    counts = np.array([[44, 5, 1], [7, 20, 3], [9, 5, 6]])
    found = kappa(counts)
    assert found.se == pytest.approx(inter_rater.cohens_kappa(counts).std_kappa)


def test_the_interval_of_a_mean_is_scipy_s() -> None:
    from scipy.stats import ttest_1samp

    values = np.random.default_rng(5).normal(0.4, 1, 25)
    limits = limits_of_agreement(split_by_night(one_night([0.0] * 25, values.tolist())))
    interval = ttest_1samp(values, 0.0).confidence_interval()
    assert (limits.bias_low, limits.bias_high) == pytest.approx((interval.low, interval.high))


def test_the_split_by_night_is_scipy_s_analysis_of_variance() -> None:
    from scipy.stats import f_oneway

    rng = np.random.default_rng(6)
    nights = [
        rng.normal(level, 1, size) for level, size in zip(rng.normal(0, 1, 8), rng.integers(5, 30, 8), strict=True)
    ]
    labels = np.repeat(np.arange(8), [len(night) for night in nights])
    split = split_by_night(night_moments(np.zeros(len(labels)), np.concatenate(nights), labels))
    assert split.ms_between / split.ms_within == pytest.approx(f_oneway(*nights).statistic)
