"""Published worked examples, computed by our own functions; tests/published/matching.json names the sources."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from pipeline.matching.alignment.forward_backward import Band, Transitions, forward_backward
from pipeline.matching.clocks.refine import robust_line
from pipeline.matching.clocks.search import offset_histogram
from pipeline.matching.data.records import LABELS
from pipeline.matching.evidence.labels import LabelModel, label_evidence
from tests.simulator.matching_scores import b_cubed, brier_score, murphy_split, pairwise, reliability

CHECKS = json.loads((Path(__file__).parent / "published" / "matching.json").read_text(encoding="utf-8"))


def _global_alignment(a: str, b: str, match: float, mismatch: float, gap: float, beta: float) -> float:
    """Return the log of the sum over alignments of exp(beta x score) / beta, by the recursion that aligns sightings."""
    evidence = beta * np.array([[match if x == y else mismatch for y in b] for x in a], dtype=float)
    one, skip = np.ones(1), np.full(1, math.exp(beta * gap))
    transitions = Transitions(one, skip, skip, skip, skip, one, skip, skip * 0, one, skip, skip, skip, skip, one * 0)
    n, m = evidence.shape
    low, high, first_is_earlier = np.zeros(n, dtype=int), np.full(n, m - 1), np.ones(n * m, dtype=bool)
    band = Band(evidence.ravel(), first_is_earlier, low, high, np.array([n]), np.array([m]), np.array([False]))
    return float(forward_backward(band, transitions).log_evidence[0])


def test_the_score_and_number_of_best_alignments_match_needleman_and_wunsch():
    check = CHECKS[
        "needleman_wunsch"
    ]  # encyclopaedia example, score 0 and three best alignments: from memory, two libraries agree
    data = check["data"]
    low, high = (
        _global_alignment(data["a"], data["b"], data["match"], data["mismatch"], data["gap"], beta)
        for beta in (20.0, 40.0)
    )
    assert (high - low) / 20.0 == pytest.approx(check["expected"]["score"], abs=1e-6)
    assert math.exp(high - 40.0 * check["expected"]["score"]) == pytest.approx(check["expected"]["n_optimal"], rel=1e-6)


def test_the_alignment_score_matches_the_example_of_1970():
    check = CHECKS["needleman_wunsch_1970"]  # Needleman and Wunsch 1970, figures 1 and 2: from memory, reproduced
    low, high = (
        _global_alignment(check["data"]["a"], check["data"]["b"], 1.0, 0.0, 0.0, beta) for beta in (20.0, 40.0)
    )
    assert (high - low) / 20.0 == pytest.approx(check["expected"]["score"], abs=1e-6)


def _evidence(m: float, u: float, agree: bool) -> float:
    """Return the log-likelihood ratio of the pitcher label alone (natural log)."""
    labels = np.full((2, len(LABELS)), -1)
    labels[:, list(LABELS).index("pitcher")] = [0, 0 if agree else 1]
    model = LabelModel(np.full((1, len(LABELS)), m), np.full((1, len(LABELS)), u), np.ones(1))
    return float(label_evidence(model, np.zeros(1, dtype=int), labels, np.array([0]), np.array([1]))[0])


def test_label_evidence_is_the_weight_of_fellegi_and_sunter():
    check = CHECKS["fs_weight_birth_month"]  # textbook example, from memory, reproduced
    m, u = check["data"]["m"], check["data"]["u"]
    assert _evidence(m, u, True) / math.log(2) == pytest.approx(check["expected"]["agree_w"], rel=1e-9)
    assert _evidence(m, u, False) / math.log(2) == pytest.approx(check["expected"]["dis_w"], rel=1e-9)


def test_prior_odds_and_weights_give_the_match_probability():
    check = CHECKS["fs_posterior_identity"]  # an identity: two algebraic routes
    data = check["data"]
    total = sum(_evidence(m, u, True) for m, u in zip(data["m"], data["u"], strict=True))
    odds = data["prior"] / (1 - data["prior"]) * math.exp(total)
    assert total / math.log(2) == pytest.approx(check["expected"]["total_weight"], rel=1e-9)
    assert odds / (1 + odds) == pytest.approx(check["expected"]["posterior"], rel=1e-9)


@pytest.mark.parametrize("response", ["1", "2"])
def test_groups_score_as_in_bagga_and_baldwin(response: str):
    check = CHECKS["bagga_baldwin_1998"]  # example and 76 %, 58 %, 100 % from memory; two libraries agree
    key, response_groups, expected = (
        np.array(check["data"]["key"]),
        np.array(check["data"][f"response{response}"]),
        check["expected"],
    )
    b3, pairs = b_cubed(key, response_groups), pairwise(key, response_groups)
    assert b3 == pytest.approx([expected[f"r{response}_b3_{s}"] for s in "prf"], rel=1e-9)
    assert pairs == pytest.approx([expected[f"r{response}_pair_{s}"] for s in "prf"], rel=1e-9)


def test_brier_score_reliability_and_murphys_split_are_the_published_ones():
    check = CHECKS["brier_calibration"]  # scikit-learn's documentation examples, reproduced by the library; Murphy 1973
    data, expected = check["data"], check["expected"]
    assert brier_score(np.array(data["y"]), np.array(data["p"])) == pytest.approx(expected["brier"], rel=1e-9)
    curve = reliability(np.array(data["y_cal"]), np.array(data["p_cal"]), data["bins"])
    assert [c[0] for c in curve] == pytest.approx([expected[f"prob_true[{n}]"] for n in range(3)])
    assert [c[1] for c in curve] == pytest.approx([expected[f"prob_pred[{n}]"] for n in range(3)])
    happened = np.concatenate([np.repeat([1.0, 0.0], [k, 10 - k]) for k in (1, 6, 9)])
    probability = np.repeat([0.1, 0.5, 0.9], 10)
    rel, res, unc = murphy_split(happened, probability)
    assert (rel, res, unc) == pytest.approx(
        [expected["murphy_rel"], expected["murphy_res"], expected["murphy_unc"]], rel=1e-9
    )
    assert brier_score(happened, probability) == pytest.approx(rel - res + unc, rel=1e-9)


def test_the_histogram_of_all_time_differences_finds_the_offset():
    check = CHECKS["cross_correlogram_offset"]  # constructed truth: 37.25 s, three records missing
    first, second = np.array(check["data"]["t1"]), np.array(check["data"]["t2"])
    center, votes = offset_histogram(
        (second[None, :] - first[:, None]).ravel(), np.ones(len(first) * len(second)), check["data"]["bin"]
    )
    assert center[votes.argmax()] == pytest.approx(check["published"]["offset"], abs=check["data"]["bin"])


def test_the_clock_line_is_robust_to_wrong_pairs():
    check = CHECKS[
        "clock_offset_drift"
    ]  # constructed truth: 37.25 s and 85 ppm, 6 of 40 pairs wrong; plain least squares is off by 2,000 ppm
    first, second = np.array(check["data"]["t1"]), np.array(check["data"]["t2"])
    middle = first.mean()
    start, slope = robust_line(first - middle, second - first, 0.02)
    assert start - slope * middle == pytest.approx(check["published"]["offset"], abs=0.02)
    assert slope == pytest.approx(check["published"]["rate"], abs=5e-5)
