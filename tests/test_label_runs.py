"""Stale and wrong pitcher labels: whose throw a pitch was, which tracker is told so, and which pitches a proposal covers."""

from collections.abc import Callable
from functools import cache
from itertools import pairwise, product

import numpy as np
import polars as pl
import pytest

from pipeline.matching import MatchSettings, match_sightings
from pipeline.matching.data.arrays import Ints, medians
from pipeline.matching.stale_labels.pitcher_hmm import Chain, Day, passed_along, support, whose_pitches
from pipeline.matching.stale_labels.spellings import Spelling, one_spelling
from tests.simulator.matching_scores import LabelScore, covered_sightings, label_score
from tests.simulator.matching_world import BALL_ONLY, Device, Season, World, simulate, world

RANKS = {"radar": 1, "camera": 2, "portable": 3}
NOTHING_DECIDED = pl.DataFrame(schema=dict.fromkeys(("kind", "tracker", "subject", "object"), pl.String))
READINGS_OF_ARMS = (
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
BOTH_FORGET = World((Device("radar", offset_s=2.0, stale=0.3), Device("camera", stale=0.5, misspelt=0.3)))
SHORT = ("game", "bullpen", "scrimmage", "bullpen")


# (season, precision, recall, right runs, at least): whole seasons reach more, a short one has some hundred stale labels
@pytest.mark.parametrize(
    ("name", "precision", "recall", "runs"),
    [
        ("stale labels", 0.97, 0.97, 0.97),
        ("both forget", 0.93, 0.9, 0.9),
        ("speed and spin only", 0.7, 0.55, 0.7),
        ("all faults, two trackers", 0.75, 0.65, 0.7),
        ("all faults, three trackers", 0.75, 0.7, 0.8),
        ("roaming ball with stale names", 0.85, 0.8, 0.85),
    ],
)
def test_most_stale_labels_are_found_and_few_right_ones_accused(
    name: str, precision: float, recall: float, runs: float
):
    what = {"both forget": BOTH_FORGET, "speed and spin only": BALLS}.get(name) or world(name)
    what = World(
        what.devices, what.sessions[: 2 if what.two_mounds else 6], what.two_mounds, mounds_apart=what.mounds_apart
    )
    told = LabelScore(
        *np.sum([_scored(what, seed) for seed in range(1, 2 if what.mounds_apart else 3)], axis=0).tolist()
    )
    assert told.right >= precision * told.proposed
    assert told.found >= recall * told.findable
    assert told.right_runs >= runs * told.runs
    # nor are they told surer than they are (the draw of so few wrong ones left aside)
    assert told.right_runs >= told.expected_runs - 2 * np.sqrt(told.runs - told.expected_runs)
    assert told.findable >= 100


def _scored(what: World, seed: int) -> LabelScore:
    season = simulate(what, seed)
    return label_score(_label_runs(season.sightings), season.truth, season.sightings)


@pytest.mark.parametrize("name", ["clean", "two mounds", "many false records", "ball-only readings"])
def test_no_label_is_accused_where_all_are_right(name: str):
    what = world(name)
    season = simulate(World(what.devices, SHORT, what.two_mounds), 1)
    assert _label_runs(season.sightings).is_empty()


def test_the_score_counts_what_is_right_what_is_not_and_what_was_there_to_find():
    season, stale = _forgotten()
    nothing = label_score(_label_runs(season.sightings).clear(), season.truth, season.sightings)
    assert (nothing.proposed, nothing.findable, nothing.found, nothing.findable_runs) == (0, len(stale), 0, 1)
    whole = label_score(_label_runs(season.sightings), season.truth, season.sightings)
    assert (whole.right, whole.accused, whole.found, whole.right_runs) == (len(stale), 0, len(stale), 1)
    swapped = _label_runs(season.sightings).with_columns(
        label="proposed_label", proposed_label="label", sighting_ids=pl.lit(",".join(_partners(season, stale)))
    )
    other_side = label_score(swapped, season.truth, season.sightings)
    assert (other_side.right, other_side.accused, other_side.wrong_side, other_side.wrong_side_runs) == (
        *(0, len(stale), len(stale), 1),
    )


# a seed whose scrimmage has an arm that comes on once
RELIEVED = 16

# ---- one scrimmage, its labels written by hand ---------------------------------------------------------------------------------------------


@cache
def _scrimmage(trackers: int = 2, seed: int = 11) -> tuple[Season, pl.DataFrame]:
    """A scrimmage that all trackers saw whole and labelled right, and its sightings with the throw, in order."""
    names = ("radar", "camera", "portable")[:trackers]
    devices = [Device(name, dropout=0, false_rate=0, double_rate=0, missing=0, outliers=0, blunder=0) for name in names]
    season = simulate(World(tuple(devices), ("scrimmage",), game_pitches=260), seed)
    told = season.sightings.join(season.truth, on="sighting_id").sort("tracker", "throw")
    return season, told


def _stints(told: pl.DataFrame) -> list[tuple[str, int, int]]:
    """(arm, first throw, last throw) of each stay on the mound."""
    throws = told.unique("throw").sort("throw")
    runs = throws.group_by(pl.col("true_pitcher").rle_id().alias("run"), maintain_order=True)
    return [
        (name, first, last)
        for name, first, last in runs.agg(
            pl.col("true_pitcher").first(), first=pl.col("throw").first(), last=pl.col("throw").last()
        )
        .drop("run")
        .iter_rows()
    ]


def _relabelled(
    season: Season, told: pl.DataFrame, changes: list[tuple[str, int, int, str]]
) -> tuple[Season, list[str]]:
    """The season with the label of a tracker's throws, first to last, written otherwise; and the sightings of the first change."""
    touched = []
    sightings = season.sightings
    for tracker, first, last, label in changes:
        mine = told.filter((pl.col("tracker") == tracker) & pl.col("throw").is_between(first, last))["sighting_id"]
        touched.append(mine.to_list())
        here = pl.col("sighting_id").is_in(mine.to_list())
        sightings = sightings.with_columns(
            pl.when(here).then(pl.lit(label)).otherwise("pitcher_label").alias("pitcher_label")
        )
    return Season(sightings, season.truth), touched[0]


def _forgotten() -> tuple[Season, list[str]]:
    """The camera's label is left standing for the first eight throws of the fifth stint."""
    season, told = _scrimmage()
    stints = _stints(told)
    return _relabelled(season, told, [("camera", stints[4][1], stints[4][1] + 7, stints[3][0])])


def _partners(season: Season, sightings: list[str]) -> list[str]:
    throws = season.truth.filter(pl.col("sighting_id").is_in(sightings))["throw"]
    others = season.truth.filter(pl.col("throw").is_in(throws.to_list()) & ~pl.col("sighting_id").is_in(sightings))
    return others["sighting_id"].to_list()


def _without_readings(sightings: pl.DataFrame) -> pl.DataFrame:
    return sightings.with_columns(pl.lit(None, dtype=pl.Float64).alias(m) for m in READINGS_OF_ARMS)


def test_a_label_that_was_left_standing_is_told_with_exactly_its_pitches():
    season, stale = _forgotten()
    run = _label_runs(season.sightings).row(0, named=True)
    stints = _stints(_scrimmage()[1])
    assert run["tracker"] == "camera"
    assert (run["label"], run["proposed_label"]) == (stints[3][0], stints[4][0])
    assert run["sighting_ids"].split(",") == stale
    assert (run["first_sighting_id"], run["last_sighting_id"], run["pitches"]) == (stale[0], stale[-1], len(stale))
    assert len(_label_runs(season.sightings)) == 1


@pytest.mark.parametrize("whose", ["proposed_label", "label"])
def test_of_pitches_of_which_a_person_said_who_threw_them_nothing_is_proposed_of_no_tracker(whose: str):
    """The settled pitches are left out, the others of the stale run are still told."""
    season, stale = _forgotten()
    by_label = season.sightings.with_columns(pl.col("pitcher_label").alias("pitcher_id"))
    run = _label_runs(by_label).row(0, named=True)
    decided = stale[:4]
    said = pl.when(pl.col("sighting_id").is_in(decided)).then(pl.lit(run[whose])).otherwise("pitcher_id")
    lines = pl.DataFrame(
        [("thrown_by", None, sighting, run[whose]) for sighting in decided], schema=NOTHING_DECIDED.schema, orient="row"
    )
    told = covered_sightings(_label_runs(by_label.with_columns(said.alias("pitcher_id")), lines))[
        "sighting_id"
    ].to_list()
    assert set(told).isdisjoint([*decided, *_partners(season, decided)])
    if whose == "proposed_label":
        assert told == stale[4:]


def test_without_any_reading_of_the_arm_the_tracker_that_kept_what_it_showed_before_is_the_stale_one():
    season, stale = _forgotten()
    runs = _label_runs(_without_readings(season.sightings))
    assert covered_sightings(runs)["sighting_id"].to_list() == stale


def test_a_label_that_changed_too_early_is_told_by_the_readings_though_the_other_one_was_left_standing():
    season, told = _scrimmage()
    stints = _stints(told)
    last = stints[3][2]
    season, early = _relabelled(season, told, [("radar", last - 6, last, stints[4][0])])
    run = _label_runs(season.sightings).row(0, named=True)
    assert run["tracker"] == "radar"
    assert run["sighting_ids"].split(",") == early
    assert (run["label"], run["proposed_label"]) == (stints[4][0], stints[3][0])


@pytest.mark.parametrize("stale", ["radar", "camera", "portable"])
def test_of_three_trackers_the_one_that_stands_alone_is_the_stale_one_without_any_reading_of_the_arm(stale: str):
    season, told = _scrimmage(3)
    stints = _stints(told)
    season, alone = _relabelled(season, told, [(stale, stints[4][1], stints[4][1] + 6, stints[3][0])])
    runs = _label_runs(_without_readings(season.sightings))
    assert covered_sightings(runs)["sighting_id"].to_list() == alone


def test_an_arm_known_from_one_stretch_only_is_believed_where_its_readings_are_not_those_of_the_label_shown():
    season, told = _scrimmage(seed=RELIEVED)
    name, first, last = _once(told)
    shown = told.filter((pl.col("tracker") == "camera") & (pl.col("throw") < first))["true_pitcher"].last()
    season, stale = _relabelled(season, told, [("camera", first, last, str(shown))])
    run = _label_runs(season.sightings).row(0, named=True)
    assert (run["tracker"], run["label"], run["proposed_label"]) == ("camera", shown, name)
    assert run["sighting_ids"].split(",") == stale


def test_a_name_known_from_one_stretch_only_is_not_believed_where_the_readings_are_those_of_the_label_shown():
    season, told = _scrimmage()
    name, first, last = _stints(told)[2]
    season, wrong = _relabelled(season, told, [("radar", first + 2, last - 1, "Nobody Else")])
    run = _label_runs(season.sightings).row(0, named=True)
    assert (run["tracker"], run["label"], run["proposed_label"]) == ("radar", "Nobody Else", name)
    assert run["sighting_ids"].split(",") == wrong


def _once(told: pl.DataFrame) -> tuple[str, int, int]:
    """A stint of an arm that has no other, and does not come first."""
    stints = _stints(told)
    names = [name for name, *_ in stints]
    return next(stint for stint in stints[1:] if names.count(stint[0]) == 1)


def test_a_name_that_one_device_always_spells_otherwise_is_no_stale_label():
    season, told = _scrimmage()
    name = _stints(told)[0][0]
    misspelt = pl.when(pl.col("tracker") == "camera").then(pl.col("pitcher_label").str.replace(name, name[:-2]))
    sightings = season.sightings.with_columns(misspelt.otherwise("pitcher_label").alias("pitcher_label"))
    assert _label_runs(sightings).is_empty()


def test_a_stale_label_that_is_spelt_otherwise_is_told_all_the_same():
    season, stale = _forgotten()
    spelt: Callable[[pl.Expr], pl.Expr] = lambda label: label.str.replace("Demo", "Dem")  # noqa: E731
    mine = pl.when(pl.col("tracker") == "camera").then(spelt(pl.col("pitcher_label"))).otherwise("pitcher_label")
    runs = _label_runs(season.sightings.with_columns(mine.alias("pitcher_label")))
    assert covered_sightings(runs)["sighting_id"].to_list() == stale
    assert runs["proposed_label"].to_list() == [_stints(_scrimmage()[1])[4][0]]


def test_a_number_for_each_pitch_in_place_of_names_is_passed_over_at_once(monkeypatch: pytest.MonkeyPatch):
    season, told = _scrimmage()
    label = pl.format("{} entry {}", "tracker", "throw").alias("label")
    sightings = season.sightings.join(told.select("sighting_id", label), on="sighting_id", maintain_order="left")
    monkeypatch.setattr(
        "pipeline.matching.stale_labels.proposals.whose_pitches", None
    )  # which would be called, and fail
    assert _label_runs(sightings.drop("pitcher_label").rename({"label": "pitcher_label"})).is_empty()


def test_the_order_of_rows_does_not_matter():
    season, _ = _forgotten()
    shuffled = season.sightings.sample(fraction=1.0, shuffle=True, seed=5)
    assert _label_runs(shuffled).equals(_label_runs(season.sightings))


# ---- the parts -----------------------------------------------------------------------------------------------------------------------------


def _chain(rng: np.random.Generator, pitches: int, arms: int) -> Chain:
    change, stay = rng.uniform(0.01, 1, (2, pitches, arms))
    change[0] = 0.0
    leaves, stays = rng.uniform(0.01, 1, (arms, arms)) * (1 - np.eye(arms)), rng.uniform(0.01, 1, arms)
    return Chain(leaves, stays, change, stay, np.exp(rng.normal(0, 3, (pitches, arms))))


def _likelihood(chain: Chain, way: tuple[int, ...]) -> float:
    """Of the labels and the arms' following one another, when `way` threw the pitches."""
    total = 1 / len(chain.stays)
    for p, (one, then) in enumerate(pairwise((way[0], *way))):
        total *= (
            chain.stays[then] * chain.stay[p, then] if one == then else chain.leaves[one, then] * chain.change[p, then]
        )
    return total


@pytest.mark.parametrize("seed", range(4))
def test_messages_along_the_chain_agree_with_counting_every_way(seed: int):
    rng = np.random.default_rng(seed)
    pitches, arms = 5, 3
    chain = _chain(rng, pitches, arms)
    share, stayed, changes, total = np.zeros((pitches, arms)), np.zeros((pitches, arms)), np.zeros((arms, arms)), 0.0
    for way in product(range(arms), repeat=pitches):
        w = _likelihood(chain, way) * np.prod(chain.readings[range(pitches), way])
        total += w
        for p, (one, then) in enumerate(pairwise((way[0], *way))):
            share[p, then] += w
            stayed[p, then] += w * (one == then)
            changes[one, then] += w * (one != then)
    passed = passed_along(chain)
    assert passed.share == pytest.approx(share / total, rel=1e-9)
    assert passed.stays == pytest.approx(stayed / total, rel=1e-9)
    assert passed.changes == pytest.approx(changes / total, rel=1e-9)
    assert passed.fit == pytest.approx(np.log(total), rel=1e-9)


def test_messages_along_a_long_chain_are_those_of_going_from_pitch_to_pitch():
    chain = _chain(np.random.default_rng(5), 300, 4)
    change, stay = chain.change * chain.readings, chain.stay * chain.stays * chain.readings
    before, after, fit = [np.full(4, 0.25)], [np.full(4, 0.25)], 0.0
    for p in range(300):
        reached = (before[-1] @ chain.leaves) * change[p] + before[-1] * stay[p]
        fit += np.log(reached.sum())
        before.append(reached / reached.sum())
    for p in range(299, 0, -1):
        left = chain.leaves @ (change[p] * after[-1]) + stay[p] * after[-1]
        after.append(left / left.sum())
    passed = passed_along(chain)
    assert passed.before == pytest.approx(np.array(before[:-1]), rel=1e-9)
    assert passed.after == pytest.approx(np.array(after[::-1]), rel=1e-9)
    assert passed.fit == pytest.approx(fit, rel=1e-9)


def test_what_speaks_for_runs_is_what_counting_every_way_comes_to():
    told = [[0, 0, 1, 1, 1, 2, 2, 0], [0, 1, 1, 0, 1, 2, 0, 0]]
    whose = whose_pitches(_day(told))
    runs, shown, proposed = [np.array([0, 1]), np.array([1, 3, 4, 7]), np.array([5])], [0, 1, 2], [1, 2, 0]
    ways = {way: _likelihood(whose.chain, way) for way in product(range(3), repeat=8)}

    def all_thrown_by(run: Ints, arm: int) -> float:
        return sum(likelihood for way, likelihood in ways.items() if all(way[p] == arm for p in run))

    ratios = [np.log(all_thrown_by(r, q) / all_thrown_by(r, s)) for r, s, q in zip(runs, shown, proposed, strict=True)]
    told_of = support(_day(told), whose, runs, np.array(shown), np.array(proposed))
    # one scale for all: errors go together
    assert told_of / told_of[0] == pytest.approx(np.array(ratios) / ratios[0], rel=1e-6)


def _day(told: list[list[int]], release: list[float] | None = None) -> Day:
    """A day whose labels the trackers show (a list each), and perhaps one reading that all of them have."""
    shown = np.array(told).T
    before = np.vstack([np.full((1, shown.shape[1]), -1), shown[:-1]])
    readings = np.zeros((shown.shape[1], 1, len(shown)))
    if release is not None:
        readings[:] = release
    return Day(shown, before, int(shown.max()) + 1, readings, np.full(readings.shape, release is not None), np.ones(1))


def test_a_label_that_was_left_standing_at_a_change_of_arm_is_the_wrong_one():
    changed, forgotten = [0] * 20 + [1] * 20, [0] * 26 + [1] * 14
    for order in ((changed, forgotten), (forgotten, changed)):
        assert whose_pitches(_day([*order])).share.argmax(axis=1).tolist() == changed


def test_readings_outweigh_the_tracker_whose_label_changed_too_early():
    early, right = [0] * 15 + [1] * 25, [0] * 20 + [1] * 20
    release = (np.array([5.0, 6.5])[right] + np.random.default_rng(3).normal(0, 0.1, 40)).tolist()
    whose = whose_pitches(_day([early, right], release))
    assert whose.share.argmax(axis=1).tolist() == right
    between = np.arange(15, 20)
    assert support(_day([early, right], release), whose, [between], shown=np.array([1]), proposed=np.array([0])) > 2


def test_a_reading_that_a_day_has_once_leaves_whose_throws_they_are_to_the_labels():
    changed, forgotten = [0] * 20 + [1] * 20, [0] * 26 + [1] * 14
    day = _day([changed, forgotten], [6.0] * 40)
    day.measured[:] = np.arange(40) == 7
    day.readings[~day.measured] = 0.0
    assert whose_pitches(day).share.argmax(axis=1).tolist() == changed


def test_two_trackers_that_agree_outweigh_a_third_label_where_nothing_is_measured():
    right, alone = [0] * 12 + [1] * 12 + [0] * 12, [0] * 36
    assert whose_pitches(_day([right, alone, right])).share.argmax(axis=1).tolist() == right


def test_a_day_of_labels_that_all_agree_is_theirs():
    names = [0] * 20 + [1] * 20 + [0] * 20 + [2] * 20
    share = whose_pitches(_day([names, names])).share
    assert share.argmax(axis=1).tolist() == names
    assert share.max(axis=1).min() > 0.95


def test_medians_are_numpy_s_and_nan_where_there_is_nothing():
    values = np.random.default_rng(1).normal(size=(3, 2, 7))
    values[values > 0.8] = np.nan
    assert medians(values) == pytest.approx(np.nanmedian(values, axis=2))
    values[1, 1] = np.nan
    assert np.isnan(medians(values)[1, 1])
    assert np.isnan(medians(values[:, :, :0])).all()


# names 0 and 1 are the first tracker's, 0 and 2 the other's: 1 and 2 stand beside each other, but for some pitches
TOLD = np.array([[0, 0]] * 10 + [[1, 2]] * 6 + [[1, 0]] * 4)


def test_two_names_that_stand_beside_each_other_and_that_no_tracker_writes_both_are_one_arm_s():
    words = {0: Spelling("ann demo", False), 1: Spelling("bea exempel", False), 2: Spelling("bea exmpel", False)}
    assert one_spelling(TOLD, words) in ({1: 2}, {2: 1})
    strangers = {**words, 2: Spelling("zoe other", False)}
    assert one_spelling(TOLD[:17], strangers) in ({1: 2}, {2: 1})  # 6 of 7: however they are written
    assert one_spelling(TOLD, strangers) == {}


def test_two_players_of_the_roster_are_never_one_arm():
    words = {0: Spelling("ann demo", True), 1: Spelling("bea exempel", True), 2: Spelling("bea exmpel", True)}
    assert one_spelling(TOLD, words) == {}


def test_two_names_that_one_tracker_writes_both_are_two_arms():
    words = {name: Spelling(f"bea exempel{'ab'[name]}", False) for name in (0, 1)}
    assert one_spelling(np.array([[0, 1]] * 9 + [[1, 1]]), words) == {}
