"""Stale and wrong pitcher labels: who threw a pitch, which tracker's label is wrong, and which pitches a proposal covers."""

from collections.abc import Callable
from functools import cache
from itertools import pairwise, product

import numpy as np
import polars as pl
import pytest

from pipeline.matching import MatchSettings, match_sightings
from pipeline.matching.data.arrays import Ints, medians
from pipeline.matching.stale_labels.pitcher_hmm import Chain, PitchSequence, forward_backward, infer_pitchers
from pipeline.matching.stale_labels.run_evidence import run_evidence
from pipeline.matching.stale_labels.spellings import Spelling, merge_spellings
from tests.simulator.matching_scores import LabelScore, covered_sightings, label_score
from tests.simulator.matching_season import Season, simulate
from tests.simulator.matching_world import BALL_ONLY, Device, World, world

RANKS = {"radar": 1, "camera": 2, "portable": 3}
NOTHING_DECIDED = pl.DataFrame(schema=dict.fromkeys(("kind", "tracker", "subject", "object"), pl.String))
PITCHER_READINGS = (
    *("release_speed_mph", "plate_speed_mph", "spin_rate_rpm", "spin_efficiency", "spin_axis_deg"),
    *("induced_vertical_break_in", "horizontal_break_in", "release_height_ft", "release_side_ft", "extension_ft"),
    *("vertical_approach_deg", "horizontal_approach_deg"),
)


def _label_runs(sightings: pl.DataFrame, decisions: pl.DataFrame = NOTHING_DECIDED) -> pl.DataFrame:
    stations = dict.fromkeys(
        sightings.filter(pl.col("station").is_null())["tracker"].unique().to_list(), ("pen_1", "pen_2")
    )
    return match_sightings(sightings, RANKS, MatchSettings(), stations, decisions).label_runs


# ---- seasons -------------------------------------------------------------------------------------------------------------------------------

BALLS = World(
    tuple(
        Device(name, metrics=BALL_ONLY, stale=0.5, offset_s=offset)
        for name, offset in (("radar", 2.0), ("camera", 25.0))
    )
)
BOTH_FORGET = World((Device("radar", offset_s=2.0, stale=0.3), Device("camera", stale=0.5, misspelled=0.3)))
SHORT = ("game", "bullpen", "scrimmage", "bullpen")


# Floors of precision, recall and share of right runs. Complete seasons reach more; a short one has a few hundred stale labels.
@pytest.mark.parametrize(
    ("name", "precision", "recall", "runs"),
    [
        pytest.param("stale labels", 0.97, 0.97, 0.97, marks=pytest.mark.slow),
        ("both forget", 0.93, 0.9, 0.9),
        pytest.param("speed and spin only", 0.7, 0.55, 0.7, marks=pytest.mark.slow),
        ("all faults, two trackers", 0.75, 0.65, 0.7),
        pytest.param("all faults, three trackers", 0.75, 0.7, 0.8, marks=pytest.mark.slow),
        pytest.param("roaming ball with stale names", 0.85, 0.8, 0.85, marks=pytest.mark.slow),
    ],
)
def test_most_stale_labels_are_found_and_few_right_ones_questioned(
    name: str, precision: float, recall: float, runs: float
):
    what = {"both forget": BOTH_FORGET, "speed and spin only": BALLS}.get(name) or world(name)
    what = World(
        what.devices, what.sessions[: 2 if what.two_mounds else 6], what.two_mounds, mounds_apart=what.mounds_apart
    )
    total = LabelScore(
        *np.sum([_scored(what, seed) for seed in range(1, 2 if what.mounds_apart else 3)], axis=0).tolist()
    )
    assert total.right >= precision * total.proposed
    assert total.found >= recall * total.findable
    assert total.right_runs >= runs * total.runs
    # The probabilities are not too high, up to the chance of so few wrong ones.
    assert total.right_runs >= total.expected_runs - 2 * np.sqrt(total.runs - total.expected_runs)
    assert total.findable >= 100


def _scored(what: World, seed: int) -> LabelScore:
    season = simulate(what, seed)
    return label_score(_label_runs(season.sightings), season.truth, season.sightings)


@pytest.mark.parametrize("name", ["clean", "two mounds", "many false records", "ball-only readings"])
def test_no_label_is_questioned_where_all_are_right(name: str):
    what = world(name)
    season = simulate(World(what.devices, SHORT, what.two_mounds), 1)
    assert _label_runs(season.sightings).is_empty()


def test_the_label_score_counts_right_wrong_and_findable_labels():
    season, stale = _forgotten()
    nothing = label_score(_label_runs(season.sightings).clear(), season.truth, season.sightings)
    assert (nothing.proposed, nothing.findable, nothing.found, nothing.findable_runs) == (0, len(stale), 0, 1)
    complete = label_score(_label_runs(season.sightings), season.truth, season.sightings)
    assert (complete.right, complete.questioned, complete.found, complete.right_runs) == (len(stale), 0, len(stale), 1)
    swapped = _label_runs(season.sightings).with_columns(
        label="proposed_label", proposed_label="label", sighting_ids=pl.lit(",".join(_partners(season, stale)))
    )
    other_side = label_score(swapped, season.truth, season.sightings)
    assert (other_side.right, other_side.questioned, other_side.wrong_side, other_side.wrong_side_runs) == (
        *(0, len(stale), len(stale), 1),
    )


# A seed whose scrimmage has a pitcher of one stint only.
ONE_STINT_SEED = 16

# ---- one scrimmage, its labels written by hand ---------------------------------------------------------------------------------------------


@cache
def _scrimmage(trackers: int = 2, seed: int = 11) -> tuple[Season, pl.DataFrame]:
    """Return a scrimmage that all trackers saw complete and labeled right, and its sightings in order, with the throw."""
    names = ("radar", "camera", "portable")[:trackers]
    devices = [Device(name, dropout=0, false_rate=0, double_rate=0, missing=0, outliers=0, blunder=0) for name in names]
    season = simulate(World(tuple(devices), ("scrimmage",), game_pitches=260), seed)
    seen = season.sightings.join(season.truth, on="sighting_id").sort("tracker", "throw")
    return season, seen


def _stints(seen: pl.DataFrame) -> list[tuple[str, int, int]]:
    """Return (pitcher, first throw, last throw) of each stint."""
    throws = seen.unique("throw").sort("throw")
    runs = throws.group_by(pl.col("true_pitcher").rle_id().alias("run"), maintain_order=True)
    return [
        (name, first, last)
        for name, first, last in runs.agg(
            pl.col("true_pitcher").first(), first=pl.col("throw").first(), last=pl.col("throw").last()
        )
        .drop("run")
        .iter_rows()
    ]


def _relabel(season: Season, seen: pl.DataFrame, changes: list[tuple[str, int, int, str]]) -> tuple[Season, list[str]]:
    """Return the season with other labels on some throws, and the sightings of the first change."""
    touched = []
    sightings = season.sightings
    for tracker, first, last, label in changes:
        mine = seen.filter((pl.col("tracker") == tracker) & pl.col("throw").is_between(first, last))["sighting_id"]
        touched.append(mine.to_list())
        here = pl.col("sighting_id").is_in(mine.to_list())
        sightings = sightings.with_columns(
            pl.when(here).then(pl.lit(label)).otherwise("pitcher_label").alias("pitcher_label")
        )
    return Season(sightings, season.truth), touched[0]


def _forgotten() -> tuple[Season, list[str]]:
    """Return a season where the camera keeps the old label for the first eight throws of the fifth stint."""
    season, seen = _scrimmage()
    stints = _stints(seen)
    return _relabel(season, seen, [("camera", stints[4][1], stints[4][1] + 7, stints[3][0])])


def _partners(season: Season, sightings: list[str]) -> list[str]:
    throws = season.truth.filter(pl.col("sighting_id").is_in(sightings))["throw"]
    others = season.truth.filter(pl.col("throw").is_in(throws.to_list()) & ~pl.col("sighting_id").is_in(sightings))
    return others["sighting_id"].to_list()


def _without_readings(sightings: pl.DataFrame) -> pl.DataFrame:
    return sightings.with_columns(pl.lit(None, dtype=pl.Float64).alias(m) for m in PITCHER_READINGS)


def test_a_stale_label_is_reported_with_exactly_its_pitches():
    season, stale = _forgotten()
    run = _label_runs(season.sightings).row(0, named=True)
    stints = _stints(_scrimmage()[1])
    assert run["tracker"] == "camera"
    assert (run["label"], run["proposed_label"]) == (stints[3][0], stints[4][0])
    assert run["sighting_ids"].split(",") == stale
    assert (run["first_sighting_id"], run["last_sighting_id"], run["pitches"]) == (stale[0], stale[-1], len(stale))
    assert len(_label_runs(season.sightings)) == 1


@pytest.mark.parametrize("named", ["proposed_label", "label"])
def test_nothing_is_proposed_for_pitches_whose_pitcher_a_person_named(named: str):
    """The pitches with a decision are left out; the rest of the stale run is still reported."""
    season, stale = _forgotten()
    by_label = season.sightings.with_columns(pl.col("pitcher_label").alias("pitcher_id"))
    run = _label_runs(by_label).row(0, named=True)
    decided = stale[:4]
    said = pl.when(pl.col("sighting_id").is_in(decided)).then(pl.lit(run[named])).otherwise("pitcher_id")
    lines = pl.DataFrame(
        [("thrown_by", None, sighting, run[named]) for sighting in decided], schema=NOTHING_DECIDED.schema, orient="row"
    )
    proposed = covered_sightings(_label_runs(by_label.with_columns(said.alias("pitcher_id")), lines))[
        "sighting_id"
    ].to_list()
    assert set(proposed).isdisjoint([*decided, *_partners(season, decided)])
    if named == "proposed_label":
        assert proposed == stale[4:]


def test_without_readings_the_tracker_whose_label_did_not_change_is_stale():
    season, stale = _forgotten()
    runs = _label_runs(_without_readings(season.sightings))
    assert covered_sightings(runs)["sighting_id"].to_list() == stale


def test_readings_show_a_label_that_changed_too_early():
    season, seen = _scrimmage()
    stints = _stints(seen)
    last = stints[3][2]
    season, early = _relabel(season, seen, [("radar", last - 6, last, stints[4][0])])
    run = _label_runs(season.sightings).row(0, named=True)
    assert run["tracker"] == "radar"
    assert run["sighting_ids"].split(",") == early
    assert (run["label"], run["proposed_label"]) == (stints[4][0], stints[3][0])


@pytest.mark.parametrize("stale", ["radar", "camera", "portable"])
def test_of_three_trackers_the_one_that_differs_is_stale_without_readings(stale: str):
    season, seen = _scrimmage(3)
    stints = _stints(seen)
    season, alone = _relabel(season, seen, [(stale, stints[4][1], stints[4][1] + 6, stints[3][0])])
    runs = _label_runs(_without_readings(season.sightings))
    assert covered_sightings(runs)["sighting_id"].to_list() == alone


def test_a_pitcher_of_one_stint_is_believed_if_the_readings_differ():
    season, seen = _scrimmage(seed=ONE_STINT_SEED)
    name, first, last = _once(seen)
    shown = seen.filter((pl.col("tracker") == "camera") & (pl.col("throw") < first))["true_pitcher"].last()
    season, stale = _relabel(season, seen, [("camera", first, last, str(shown))])
    run = _label_runs(season.sightings).row(0, named=True)
    assert (run["tracker"], run["label"], run["proposed_label"]) == ("camera", shown, name)
    assert run["sighting_ids"].split(",") == stale


def test_a_name_of_one_stint_is_not_believed_if_the_readings_agree():
    season, seen = _scrimmage()
    name, first, last = _stints(seen)[2]
    season, wrong = _relabel(season, seen, [("radar", first + 2, last - 1, "Nobody Else")])
    run = _label_runs(season.sightings).row(0, named=True)
    assert (run["tracker"], run["label"], run["proposed_label"]) == ("radar", "Nobody Else", name)
    assert run["sighting_ids"].split(",") == wrong


def _once(seen: pl.DataFrame) -> tuple[str, int, int]:
    """Return a stint, not the first, of a pitcher who has no other."""
    stints = _stints(seen)
    names = [name for name, *_ in stints]
    return next(stint for stint in stints[1:] if names.count(stint[0]) == 1)


def test_a_name_that_one_tracker_always_misspells_is_not_stale():
    season, seen = _scrimmage()
    name = _stints(seen)[0][0]
    misspelled = pl.when(pl.col("tracker") == "camera").then(pl.col("pitcher_label").str.replace(name, name[:-2]))
    sightings = season.sightings.with_columns(misspelled.otherwise("pitcher_label").alias("pitcher_label"))
    assert _label_runs(sightings).is_empty()


def test_a_misspelled_stale_label_is_reported():
    season, stale = _forgotten()
    respell: Callable[[pl.Expr], pl.Expr] = lambda label: label.str.replace("Demo", "Dem")  # noqa: E731
    mine = pl.when(pl.col("tracker") == "camera").then(respell(pl.col("pitcher_label"))).otherwise("pitcher_label")
    runs = _label_runs(season.sightings.with_columns(mine.alias("pitcher_label")))
    assert covered_sightings(runs)["sighting_id"].to_list() == stale
    assert runs["proposed_label"].to_list() == [_stints(_scrimmage()[1])[4][0]]


def test_a_number_per_pitch_in_place_of_names_is_skipped(monkeypatch: pytest.MonkeyPatch):
    season, seen = _scrimmage()
    label = pl.format("{} entry {}", "tracker", "throw").alias("label")
    sightings = season.sightings.join(seen.select("sighting_id", label), on="sighting_id", maintain_order="left")
    monkeypatch.setattr(
        "pipeline.matching.stale_labels.proposals.infer_pitchers", None
    )  # which would be called, and fail
    assert _label_runs(sightings.drop("pitcher_label").rename({"label": "pitcher_label"})).is_empty()


def test_the_order_of_rows_does_not_matter():
    season, _ = _forgotten()
    shuffled = season.sightings.sample(fraction=1.0, shuffle=True, seed=5)
    assert _label_runs(shuffled).equals(_label_runs(season.sightings))


# ---- the parts -----------------------------------------------------------------------------------------------------------------------------


def _chain(rng: np.random.Generator, pitches: int, pitchers: int) -> Chain:
    if_changed, if_same = rng.uniform(0.01, 1, (2, pitches, pitchers))
    if_changed[0] = 0.0
    change = rng.uniform(0.01, 1, (pitchers, pitchers)) * (1 - np.eye(pitchers))
    stay = rng.uniform(0.01, 1, pitchers)
    return Chain(change, stay, if_changed, if_same, np.exp(rng.normal(0, 3, (pitches, pitchers))))


def _likelihood(chain: Chain, path: tuple[int, ...]) -> float:
    """Return the likelihood of the labels and transitions when the pitchers of `path` threw."""
    total = 1 / len(chain.stay)
    for p, (before, after) in enumerate(pairwise((path[0], *path))):
        total *= (
            chain.stay[after] * chain.label_if_same[p, after]
            if before == after
            else chain.change[before, after] * chain.label_if_changed[p, after]
        )
    return total


@pytest.mark.parametrize("seed", range(4))
def test_forward_backward_agrees_with_a_sum_over_all_paths(seed: int):
    rng = np.random.default_rng(seed)
    pitches, pitchers = 5, 3
    chain = _chain(rng, pitches, pitchers)
    posterior, same = np.zeros((2, pitches, pitchers))
    changes, total = np.zeros((pitchers, pitchers)), 0.0
    for path in product(range(pitchers), repeat=pitches):
        w = _likelihood(chain, path) * np.prod(chain.reading[range(pitches), path])
        total += w
        for p, (before, after) in enumerate(pairwise((path[0], *path))):
            posterior[p, after] += w
            same[p, after] += w * (before == after)
            changes[before, after] += w * (before != after)
    messages = forward_backward(chain)
    assert messages.posterior == pytest.approx(posterior / total, rel=1e-9)
    assert messages.posterior_same == pytest.approx(same / total, rel=1e-9)
    assert messages.expected_changes == pytest.approx(changes / total, rel=1e-9)
    assert messages.log_likelihood == pytest.approx(np.log(total), rel=1e-9)


def test_forward_backward_in_blocks_agrees_with_pitch_by_pitch():
    chain = _chain(np.random.default_rng(5), 300, 4)
    change, stay = chain.label_if_changed * chain.reading, chain.label_if_same * chain.stay * chain.reading
    before, after, fit = [np.full(4, 0.25)], [np.full(4, 0.25)], 0.0
    for p in range(300):
        reached = (before[-1] @ chain.change) * change[p] + before[-1] * stay[p]
        fit += np.log(reached.sum())
        before.append(reached / reached.sum())
    for p in range(299, 0, -1):
        left = chain.change @ (change[p] * after[-1]) + stay[p] * after[-1]
        after.append(left / left.sum())
    messages = forward_backward(chain)
    assert messages.forward == pytest.approx(np.array(before[:-1]), rel=1e-9)
    assert messages.backward == pytest.approx(np.array(after[::-1]), rel=1e-9)
    assert messages.log_likelihood == pytest.approx(fit, rel=1e-9)


def test_run_evidence_agrees_with_a_sum_over_all_paths():
    labels = [[0, 0, 1, 1, 1, 2, 2, 0], [0, 1, 1, 0, 1, 2, 0, 0]]
    fit = infer_pitchers(_sequence(labels))
    runs, shown, proposed = [np.array([0, 1]), np.array([1, 3, 4, 7]), np.array([5])], [0, 1, 2], [1, 2, 0]
    paths = {path: _likelihood(fit.chain, path) for path in product(range(3), repeat=8)}

    def all_thrown_by(run: Ints, pitcher: int) -> float:
        return sum(likelihood for path, likelihood in paths.items() if all(path[p] == pitcher for p in run))

    ratios = [np.log(all_thrown_by(r, q) / all_thrown_by(r, s)) for r, s, q in zip(runs, shown, proposed, strict=True)]
    evidence = run_evidence(_sequence(labels), fit, runs, np.array(shown), np.array(proposed))
    # All evidence is scaled by one factor.
    assert evidence / evidence[0] == pytest.approx(np.array(ratios) / ratios[0], rel=1e-6)


def _sequence(labels: list[list[int]], release: list[float] | None = None) -> PitchSequence:
    """Return a day with one list of labels per tracker, and perhaps one reading that all trackers have."""
    shown = np.array(labels).T
    before = np.vstack([np.full((1, shown.shape[1]), -1), shown[:-1]])
    readings = np.zeros((shown.shape[1], 1, len(shown)))
    if release is not None:
        readings[:] = release
    return PitchSequence(
        shown, before, int(shown.max()) + 1, readings, np.full(readings.shape, release is not None), np.ones(1)
    )


def test_a_label_that_did_not_change_with_the_pitcher_is_wrong():
    changed, forgotten = [0] * 20 + [1] * 20, [0] * 26 + [1] * 14
    for order in ((changed, forgotten), (forgotten, changed)):
        assert infer_pitchers(_sequence([*order])).posterior.argmax(axis=1).tolist() == changed


def test_readings_outweigh_a_label_that_changed_too_early():
    early, right = [0] * 15 + [1] * 25, [0] * 20 + [1] * 20
    release = (np.array([5.0, 6.5])[right] + np.random.default_rng(3).normal(0, 0.1, 40)).tolist()
    fit = infer_pitchers(_sequence([early, right], release))
    assert fit.posterior.argmax(axis=1).tolist() == right
    between = np.arange(15, 20)
    assert (
        run_evidence(_sequence([early, right], release), fit, [between], shown=np.array([1]), proposed=np.array([0]))
        > 2
    )


def test_a_single_reading_leaves_the_pitcher_to_the_labels():
    changed, forgotten = [0] * 20 + [1] * 20, [0] * 26 + [1] * 14
    day = _sequence([changed, forgotten], [6.0] * 40)
    day.measured[:] = np.arange(40) == 7
    day.readings[~day.measured] = 0.0
    assert infer_pitchers(day).posterior.argmax(axis=1).tolist() == changed


def test_two_agreeing_labels_outweigh_a_third_without_readings():
    right, alone = [0] * 12 + [1] * 12 + [0] * 12, [0] * 36
    assert infer_pitchers(_sequence([right, alone, right])).posterior.argmax(axis=1).tolist() == right


def test_labels_that_all_agree_are_believed():
    names = [0] * 20 + [1] * 20 + [0] * 20 + [2] * 20
    share = infer_pitchers(_sequence([names, names])).posterior
    assert share.argmax(axis=1).tolist() == names
    assert share.max(axis=1).min() > 0.95


def test_medians_agree_with_numpy_and_are_nan_without_values():
    values = np.random.default_rng(1).normal(size=(3, 2, 7))
    values[values > 0.8] = np.nan
    assert medians(values) == pytest.approx(np.nanmedian(values, axis=2))
    values[1, 1] = np.nan
    assert np.isnan(medians(values)[1, 1])
    assert np.isnan(medians(values[:, :, :0])).all()


# The first tracker writes names 0 and 1, the other 0 and 2. Names 1 and 2 are on the same pitches, but for some.
LABELS = np.array([[0, 0]] * 10 + [[1, 2]] * 6 + [[1, 0]] * 4)


def test_two_spellings_on_the_same_pitches_are_one_pitcher():
    spellings = {0: Spelling("ann demo", False), 1: Spelling("bea exempel", False), 2: Spelling("bea exmpel", False)}
    assert merge_spellings(LABELS, spellings) in ({1: 2}, {2: 1})
    unlike = {**spellings, 2: Spelling("zoe other", False)}
    assert merge_spellings(LABELS[:17], unlike) in ({1: 2}, {2: 1})  # on 6 of 7 pitches, however they are written
    assert merge_spellings(LABELS, unlike) == {}


def test_two_roster_players_are_never_one_pitcher():
    spellings = {0: Spelling("ann demo", True), 1: Spelling("bea exempel", True), 2: Spelling("bea exmpel", True)}
    assert merge_spellings(LABELS, spellings) == {}


def test_two_names_that_one_tracker_writes_are_two_pitchers():
    spellings = {name: Spelling(f"bea exempel{'ab'[name]}", False) for name in (0, 1)}
    assert merge_spellings(np.array([[0, 1]] * 9 + [[1, 1]]), spellings) == {}
