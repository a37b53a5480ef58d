"""Parts of the matching, each checked against an outside source."""

import math
from collections import Counter
from itertools import pairwise, permutations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from pipeline.matching import MatchSettings, match_sightings
from pipeline.matching.alignment.forward_backward import Band, Moves, Transitions, forward_backward, single_records
from pipeline.matching.alignment.gap_rates import GapCounts, fit_gap_rates, gap_prior, pooled_gap_prior
from pipeline.matching.clocks.refine import box_center, rounded_center, running_mean
from pipeline.matching.clocks.search import Clock, coincident_pairs, path_cost
from pipeline.matching.data.days import build_days
from pipeline.matching.data.device_order import count_runs, device_order
from pipeline.matching.data.records import build_records
from pipeline.matching.data.streams import find_streams
from pipeline.matching.evidence.timing import normal_cdf
from pipeline.matching.pitches.grouping import group_records
from pipeline.matching.repairs.shifted_clocks import segment_scores
from tests.conftest import examples
from tests.frames import sightings


def _every_alignment(
    evidence: np.ndarray, first_is_earlier: np.ndarray, band: tuple[np.ndarray, np.ndarray], s: dict[str, float]
) -> tuple[float, np.ndarray, dict[str, float]]:
    """Return the sum over all alignments inside a band, the share with each pair and the mean moves, by walking every path."""
    n, m = evidence.shape
    low, high = (np.insert(column, 0, column[0]) for column in band)
    held, total, moved = np.zeros((n, m)), 0.0, dict.fromkeys(Moves._fields, 0.0)

    def walk(i: int, j: int, states: str, weight: float, pairs: tuple[tuple[int, int], ...]) -> None:
        nonlocal total
        if not low[i] <= j <= high[i] + 1:
            return
        if (i, j) == (n, m):
            total += weight
            for pair in pairs:
                held[pair] += weight
            # C represents two crossed pairs; the end of both streams ends a run like a match
            turns = Counter(a + b for a, b in pairwise(states.replace("C", "M") + "M"))
            for move, a_b in zip(Moves._fields[1:], ("XM", "XY", "YM", "YX"), strict=True):
                moved[move] += weight * turns[a_b]
            moved["crossed"] += weight * states.count("C")
            return
        state = states[-1].replace("C", "M")
        both = {"M": s["both_both"], "X": s["first_both"], "Y": s["second_both"]}[state]
        if i < n and j < m:
            walk(i + 1, j + 1, states + "M", weight * both * math.exp(evidence[i, j]), (*pairs, (i, j)))
        if i + 1 < n and j + 1 < m:
            crossed = both * s["crossed"] * math.exp(evidence[i + 1, j] + evidence[i, j + 1])
            walk(i + 2, j + 2, states + "C", weight * crossed, (*pairs, (i + 1, j), (i, j + 1)))
        if i < n:
            go_on = s["first_first_end"] if j in (0, m) else s["first_first"]
            after_second = s["second_first"] * (not (j > 0 and first_is_earlier[i, j - 1]))
            walk(i + 1, j, states + "X", weight * {"M": s["both_first"], "X": go_on, "Y": after_second}[state], pairs)
        if j < m:
            go_on = s["second_second_end"] if i in (0, n) else s["second_second"]
            after_first = s["first_second"] * bool(i > 0 and first_is_earlier[i - 1, j])
            walk(i, j + 1, states + "Y", weight * {"M": s["both_second"], "Y": go_on, "X": after_first}[state], pairs)

    walk(0, 0, "M", 1.0, ())
    return math.log(total), held / total, {move: count / total for move, count in moved.items()}


def _band(
    evidence: np.ndarray, first_is_earlier: np.ndarray, low: np.ndarray, high: np.ndarray, is_clocked: bool
) -> Band:
    """Return the band of one stream pair."""
    (n, m), at = evidence.shape, np.arange(evidence.shape[1])
    inside = (at >= low[:, None]) & (at <= high[:, None])
    return Band(
        evidence[inside], first_is_earlier[inside], low, high, np.array([n]), np.array([m]), np.array([is_clocked])
    )


def _whole_band(evidence: np.ndarray, first_is_earlier: np.ndarray) -> Band:
    n, m = evidence.shape
    return _band(evidence, first_is_earlier, np.zeros(n, dtype=int), np.full(n, m - 1), True)


def _random_band(rng: np.random.Generator, is_clocked: bool) -> tuple[Band, np.ndarray, np.ndarray]:
    """Return (band, evidence, first_is_earlier) of two short streams."""
    n, m = (int(v) for v in rng.integers(1, 5, 2))
    low, high = np.sort(rng.integers(0, m, (2, n)), axis=1)
    low[0], high[-1] = 0, m - 1
    low = np.minimum(low, high)
    # no row may begin to the right of the end of the row before
    low[1:] = np.minimum(low[1:], high[:-1])
    first_is_earlier = (
        np.sort(rng.random(n))[:, None] < np.sort(rng.random(m)) if is_clocked else np.ones((n, m), dtype=bool)
    )
    if is_clocked:
        first_is_earlier &= np.arange(m) >= low[:, None]
    evidence = rng.normal(0, 2, (n, m))
    evidence[(np.arange(m) < low[:, None]) | (np.arange(m) > high[:, None])] = -np.inf
    return _band(evidence, first_is_earlier, low, high, is_clocked), evidence, first_is_earlier


@pytest.mark.parametrize("seed", range(12))
def test_forward_backward_agrees_with_a_sum_over_every_alignment(seed: int):
    rng = np.random.default_rng(seed)
    some = [_random_band(rng, bool(k % 3)) for k in range(4)]
    every = []
    for _ in some:
        begin, extend = rng.uniform(0.05, 0.3, 2), rng.uniform(0.3, 0.8, 2)
        turned = 0.3 * (1 - extend)
        every.append(
            (
                1 - begin.sum(),
                *begin,
                extend[0],
                turned[0],
                1 - extend[0] - turned[0],
                extend[1],
                turned[1],
                1 - extend[1] - turned[1],
                0.95,
                0.95,
                0.9,
                0.9,
                0.1,
            )
        )
    together = forward_backward(
        Band(*(np.concatenate(parts) for parts in zip(*(band for band, _, _ in some), strict=True))),
        Transitions(*np.array(every).T),
    )
    posterior = np.split(together.posterior, np.cumsum([len(band.evidence) for band, _, _ in some])[:-1])
    for k, ((band, evidence, first_is_earlier), values) in enumerate(zip(some, every, strict=True)):
        alone = forward_backward(band, Transitions(*(np.array([value]) for value in values)))
        # batches do not mix, to the last bit
        assert alone.posterior.tobytes() == posterior[k].tobytes()
        assert alone.log_evidence[0] == together.log_evidence[k]
        total, held, moved = _every_alignment(
            evidence, first_is_earlier, (band.low, band.high), dict(zip(Transitions._fields, values, strict=True))
        )
        at = np.arange(evidence.shape[1])
        inside = (at >= band.low[:, None]) & (at <= band.high[:, None])
        assert alone.log_evidence == pytest.approx([total], abs=1e-9)
        assert alone.posterior == pytest.approx(held[inside], abs=1e-9)
        assert {move: count[0] for move, count in alone.moves._asdict().items()} == pytest.approx(moved, abs=1e-9)
        assert [count[0] for count in alone.moves] == [count[k] for count in together.moves]


def test_overwhelming_evidence_does_not_overflow():
    n = 40
    evidence = np.full((n, n), -60.0)
    np.fill_diagonal(evidence, 80.0)
    transitions = Transitions(
        *(np.array([v]) for v in (0.9, 0.05, 0.05, 0.6, 0.1, 0.3, 0.6, 0.1, 0.3, 0.98, 0.98, 0.98, 0.98, 0.1))
    )
    result = forward_backward(_whole_band(evidence, np.ones((n, n), dtype=bool)), transitions)
    assert result.posterior == pytest.approx(np.eye(n).ravel(), abs=1e-9)


def test_a_restarted_count_keeps_file_order():
    count = np.array([*range(1, 21), *range(1, 16)], dtype=float)
    assert device_order(count, np.full(35, np.nan)).tolist() == list(range(35))


def test_rows_grouped_by_pitcher_are_sorted_by_time():
    seen = np.arange(40.0) * 20
    by_pitcher = np.concatenate([np.arange(g, 40, 4) for g in range(4)])
    count = np.arange(1.0, 41.0)
    assert by_pitcher[device_order(count[by_pitcher], seen[by_pitcher])].tolist() == list(range(40))


def test_without_a_clock_rows_grouped_by_pitch_type_are_sorted_by_number():
    count = np.concatenate([np.arange(g, 41, 3) for g in (1, 2, 3)]).astype(float)
    assert count[device_order(count, np.full(40, np.nan))].tolist() == list(range(1, 41))


def test_a_restart_with_unique_but_reversed_numbers_keeps_file_order():
    count = np.concatenate([np.arange(1001, 1031), np.arange(1, 21)]).astype(float)
    assert device_order(count, np.full(50, np.nan)).tolist() == list(range(50))


def test_two_groups_in_reversed_order_follow_their_stamps():
    """The second pitcher's rows come first: by count alone that looks like a restart, but time falls once in file order."""
    count = np.concatenate([np.arange(31, 51), np.arange(1, 31)]).astype(float)
    seen = count * 20.0
    assert count[device_order(count, seen)].tolist() == list(range(1, 51))
    # two sessions that were counted so have stamps that rise in file order
    assert device_order(count, np.arange(50) * 20.0).tolist() == list(range(50))


def test_rows_grouped_by_pitcher_without_stamps_and_counts_are_streams_apart():
    def sizes(labels: list[str], counted: bool) -> list[int]:
        rows = (
            {"sighting_id": f"s{n:02}", "file_order": n, "pitcher_label": label, "sequence": n if counted else None}
            for n, label in enumerate(labels)
        )
        return [len(stream.rows) for stream in find_streams(build_records(sightings(*rows)))]

    grouped = ["Ann"] * 20 + ["Bea"] * 15 + ["Cyd"] * 10
    assert sizes(grouped, counted=False) == [20, 15, 10]
    assert sizes(grouped, counted=True) == [45]
    assert sizes(["Ann", "Bea", "Cyd"] * 15, counted=False) == [45]


def test_a_clock_that_is_set_back_does_not_reverse_the_order():
    seen = np.concatenate([np.arange(20.0) * 15 + 1000, np.arange(20.0) * 15 + 600])
    assert device_order(np.arange(1.0, 41.0), seen).tolist() == list(range(40))
    assert device_order(np.full(40, np.nan), seen).tolist() == list(range(40))


def test_sessions_that_each_count_from_1_stay_intact_if_a_clock_is_set_back():
    count = np.tile(np.arange(1.0, 21.0), 5)
    seen = np.arange(100.0) * 20 + np.repeat(np.arange(5) * 900.0, 20)
    seen[50:] -= 70.0
    assert device_order(count, seen).tolist() == list(range(100))
    # written in no order, they are sorted by time
    mixed = np.random.default_rng(1).permutation(100)
    seen[50:] += 70.0
    assert mixed[device_order(count[mixed], seen[mixed])].tolist() == list(range(100))


def test_an_unlikely_clock_path_must_explain_more():
    """A path through the pairs that fit it best must explain more than the best of as many tries would by chance."""
    cost = {
        offset_s: path_cost(Clock(np.full(9, float(offset_s)), np.zeros(9, dtype=np.int64), 0.35, 50.0), 1.0)
        for offset_s in (0, 2, 100, 380, 900, 3600, 3602, -7199, 5000)
    }
    assert cost[0] == cost[2] < cost[100] == cost[380] < cost[900] == cost[5000]
    assert cost[2] < cost[3600] == cost[3602] == cost[-7199] < cost[900]
    # by hand: the prior's seconds over its share, and the width of one try: 800 / 0.3 / 0.7
    assert cost[100] == pytest.approx(np.log(800 / 0.3 / 0.7), abs=0.1)
    stepped = Clock(np.repeat([0.0, 20.0, 0.0], 3), np.repeat([0, 1, 2], 3), 0.35, 50.0)
    assert path_cost(stepped, 1.0) == pytest.approx(cost[0] + 2 * 14.0)
    # one minute stamp covers offsets that second stamps would distinguish
    assert path_cost(Clock(np.full(9, 100.0), np.zeros(9, dtype=np.int64), 0.35, 50.0), 60.0) < cost[100] - 4


def test_small_swaps_in_a_file_follow_the_count():
    assert device_order(np.array([1.0, 3.0, 2.0, 4.0]), np.full(4, np.nan)).tolist() == [0, 2, 1, 3]
    assert count_runs(np.array([1.0, 3.0, 2.0, 4.0])).tolist() == [0, 0, 0, 0]


def test_the_normal_distribution_function_agrees_with_the_error_function():
    x = np.linspace(-5, 5, 101)
    assert normal_cdf(x) == pytest.approx([0.5 * math.erfc(-v / math.sqrt(2)) for v in x], abs=2e-6)


def test_a_running_mean_preserves_constants_and_lengths():
    assert running_mean(np.full(50, 3.0), 31) == pytest.approx(np.full(50, 3.0))
    assert len(running_mean(np.arange(5.0), 31)) == 5


@given(st.lists(st.tuples(st.integers(0, 8), st.integers(0, 8), st.floats(0.51, 1.0)), max_size=25))
@settings(max_examples=examples(100), deadline=None)
def test_a_group_never_holds_two_records_of_one_tracker(edges: list[tuple[int, int, float]]):
    tracker = np.arange(9) // 3
    edges = [e for e in edges if tracker[e[0]] != tracker[e[1]]]
    first, second = (np.array([e[side] for e in edges], dtype=int) for side in (0, 1))
    groups = group_records(tracker, first, second, np.array([e[2] for e in edges]), [], set())
    for group in set(groups.group.tolist()):
        members = tracker[groups.group == group].tolist()
        assert len(members) == len(set(members))


def test_the_order_of_edges_does_not_matter():
    tracker, edges = np.array([0, 1, 2, 1]), [(0, 1, 0.9), (1, 2, 0.8), (0, 3, 0.7)]
    outcomes = set()
    for order in permutations(edges):
        first, second = (np.array([e[side] for e in order]) for side in (0, 1))
        outcomes.add(
            tuple(group_records(tracker, first, second, np.array([e[2] for e in order]), [], set()).group.tolist())
        )
    assert outcomes == {(0, 0, 0, 3)}


def test_a_decision_to_keep_records_apart_holds_through_a_third_record():
    tracker = np.array([0, 1, 2])
    groups = group_records(tracker, np.array([0, 1]), np.array([1, 2]), np.array([0.99, 0.9]), [], {(0, 2)})
    assert groups.group.tolist() == [0, 0, 2]


def test_a_few_whole_second_stamps_give_the_fraction_of_an_offset() -> None:
    # by hand, from the triangle of two boxes: of two stamps cut to seconds, a share f of the differences is one higher for an offset of k + f
    gap = np.array([7.0, 7.0, 8.0, 7.0] * 3)
    assert rounded_center(gap, 7.0, (1.0, 1.0)) == pytest.approx(7.25, abs=0.06)
    # if all values are equal, the offset is that value by symmetry
    assert rounded_center(np.full(5, -3.0), -3.2, (1.0, 1.0)) == pytest.approx(-3.0, abs=0.02)
    # one stray stamp does not move it
    assert rounded_center(np.append(gap, 19.0), 7.0, (1.0, 1.0)) == pytest.approx(7.25, abs=0.06)


@pytest.mark.parametrize("first_is_earlier", [True, False])
@pytest.mark.parametrize("evidence", [-40.0, -1.0, 0.0, 3.0, 80.0])
def test_streams_of_one_record_each_are_aligned_like_all_others(evidence: float, first_is_earlier: bool) -> None:
    transitions = Transitions(*(np.array([weight]) for weight in np.linspace(0.05, 0.95, len(Transitions._fields))))
    whole = forward_backward(_whole_band(np.array([[evidence]]), np.array([[first_is_earlier]])), transitions)
    short = single_records(np.array([evidence]), np.array([first_is_earlier]), transitions)
    assert short.posterior == pytest.approx(whole.posterior, rel=1e-12)
    assert short.log_evidence == pytest.approx(whole.log_evidence, rel=1e-12)
    assert np.concatenate(short.moves) == pytest.approx(np.concatenate(whole.moves), rel=1e-12)


@pytest.mark.parametrize(
    ("pairs", "sigma_s", "resolution_s"), [(4, 1.1, 60.0), (30, 1.6, 60.0), (150, 1.6, 60.0), (60, 1.3, 10.0)]
)
def test_the_offset_of_coarse_stamps_is_its_posterior_mean(pairs: int, sigma_s: float, resolution_s: float):
    rng = np.random.default_rng(pairs)
    gap = 13.0 + rng.uniform(-resolution_s / 2, resolution_s / 2, pairs) + rng.normal(0, 1, pairs)
    offset = np.median(gap) + np.arange(-resolution_s / 2, resolution_s / 2, resolution_s / 120)
    edges = (gap[:, None] - offset + np.array([[[1]], [[-1]]]) * resolution_s / 2) / sigma_s
    # source: the likelihood of a box with normal edges, by scipy's normal distribution; 2 % of stamps may be off by anything
    weight = np.prod((norm.cdf(edges[0]) - norm.cdf(edges[1]) + 0.02) / 1.02, axis=0)
    assert box_center(gap, sigma_s, resolution_s) == pytest.approx((weight @ offset) / weight.sum(), abs=1e-3)


@pytest.mark.parametrize("seed", range(5))
def test_an_offset_that_many_pairs_share_is_found_without_readings(seed: int):
    rng = np.random.default_rng(seed)
    first, alone, other = (np.sort(rng.uniform(0, 9000, n)) for n in (220, 60, 120))
    shared = np.sort(rng.choice(220, 60, replace=False))
    second = np.sort(np.concatenate([np.floor(first[shared] + 121.6), np.floor(alone)])) + 0.5
    i, j = coincident_pairs(first, second)
    found = set(zip(i.tolist(), j.tolist(), strict=True))
    true = {(int(s), int(np.searchsorted(second, np.floor(first[s] + 121.6) + 0.5))) for s in shared}
    assert len(found & true) >= 0.9 * len(true)
    assert len(found - true) <= 0.3 * len(found)
    assert not len(coincident_pairs(first, other)[0])
    assert not len(coincident_pairs(first, np.full(5, np.nan))[0])


@pytest.mark.parametrize(
    ("labels", "low", "high"),
    [
        # by indifference, 1/2 that both runs are the same throws
        (("Ann Demo", "Ann Demo"), 0.5, 0.65),
        # a label that never agreed may still be misspelled or stale
        (("Ann Demo", "Bea Demo"), 0.7, 0.99),
    ],
)
def test_a_session_that_failed_to_match_leaves_doubtful_singles(labels: tuple[str, str], low: float, high: float):
    """Two trackers without clocks on one mound recorded 30 throws each, and no reading agrees: nobody can know whether they are the same."""
    matched = match_sightings(*_unrelated_files(labels))
    single = matched.matches.filter(pl.col("decided_by") == "single")["match_probability"]
    assert len(single) > 40
    assert low <= single.median() <= high


def test_throws_at_other_hours_stay_surely_alone():
    """Stamps four hours apart cannot show one session, whatever the labels say."""
    frame, *others = _unrelated_files(("Ann Demo", "Ann Demo"))
    hour = pl.when(pl.col("tracker") == "radar").then(14).otherwise(18)
    stamped = frame.with_columns(
        clock_resolution_s=pl.lit(1.0),
        thrown_at=pl.datetime(2026, 10, 3, hour, time_zone="UTC")
        + pl.duration(seconds=20 * pl.col("file_order").cast(pl.Int64)),
    )
    matches = match_sightings(stamped, *others).matches
    assert matches["match_probability"].min() > 0.99


def _unrelated_files(
    labels: tuple[str, str],
) -> tuple[pl.DataFrame, dict[str, int], MatchSettings, dict[str, tuple[str, ...]], pl.DataFrame]:
    """Return what `match_sightings` takes, for two trackers whose readings have nothing in common."""
    rng = np.random.default_rng(4)
    rows = [
        {
            "sighting_id": f"{tracker}{n:02}",
            "tracker": tracker,
            "file_id": tracker,
            "file_order": n,
            "pitcher_label": label,
            "release_speed_mph": rng.normal(85, 5),
            "spin_rate_rpm": rng.normal(2200, 250),
            "spin_axis_deg": rng.uniform(0, 360),
        }
        for tracker, label in zip(("radar", "camera"), labels, strict=True)
        for n in range(30)
    ]
    undecided = pl.DataFrame(schema=dict.fromkeys(("kind", "tracker", "subject", "object"), pl.String))
    return sightings(*rows), {"radar": 1, "camera": 2}, MatchSettings(), {}, undecided


def test_gap_rates_of_a_short_session_follow_other_days():
    """A tracker that missed 30 % of 1,000 throws elsewhere is not expected to miss 5 % in a session of ten."""
    days = build_days(
        build_records(
            sightings(
                *(
                    {"sighting_id": f"{t}{n}", "tracker": t, "file_id": t, "file_order": n}
                    for t in "ab"
                    for n in range(10)
                )
            )
        )
    )
    by_hand = {"open": [210.0, 700.0], "extend": [90.0, 300.0], "turn": [63.0, 210.0]}
    pooled = GapCounts(*(np.array([[chances] * 2]) for chances in by_hand.values()), np.array([[7.0, 700.0]]))
    nothing = GapCounts(*(np.zeros_like(count) for count in pooled))
    rates = fit_gap_rates(pooled_gap_prior(days, pooled), nothing)
    # by hand, from the README: the prior of stage 1 adds 1.5 of 30, 6 of 10, and 1 of 400
    assert rates.open == pytest.approx(np.full((1, 2), 211.5 / 730))
    assert rates.extend == pytest.approx(np.full((1, 2), 96 / 310))
    assert rates.crossed == pytest.approx([np.log(8 / 1100)])
    # without evidence on turns, two orders of one throw of each tracker
    first = fit_gap_rates(gap_prior(days), nothing)
    assert first.turn == pytest.approx(2 * first.open)
    assert first.open == pytest.approx(np.full((1, 2), 0.05))
    assert first.crossed == pytest.approx([-6.0])


def test_a_coarse_clock_a_throw_off_is_drawn_back_by_all_pairs():
    """Throws 20 s apart, stamps of a minute, a path 30 s off: the shift that explains most is the true one."""
    rng = np.random.default_rng(5)
    first = np.arange(40) * 20.0
    second = np.floor((first + rng.normal(0, 0.3, 40)) / 60) * 60 + 30
    clock = Clock(np.full(40, -30.0), np.zeros(40, dtype=np.int64), 1.2, 0.0)
    i, j = np.divmod(np.arange(1600), 40)
    evidence = np.where(i == j, 2.0, rng.normal(-1, 1.5, 1600))
    gap = second[j] - clock.offset_s[j] - first[i]
    shifts = np.arange(-60.0, 61.0, 3.0)
    score = segment_scores(clock, gap, j, evidence, shifts, 60.0)
    assert abs(shifts[score[0].argmax()] - 30.0) <= 6.0
    # source: the formula of the README, record by record, with scipy's normal distribution
    for column in (0, 20, 30):
        edges = norm.cdf((gap - shifts[column] + np.array([[30.0], [-30.0]])) / 1.2)
        terms = np.exp(np.clip(evidence, -7, 6)) * 2 * (edges[0] - edges[1])
        by_hand = sum(np.log(0.15 + 0.85 * terms[j == record].sum()) for record in range(40))
        assert score[0, column] == pytest.approx(by_hand, abs=1e-3)
