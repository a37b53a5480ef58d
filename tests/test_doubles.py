"""Double triggers against the truth of simulated seasons: a throw counts once, doubt is shown, and decisions hold."""

from datetime import timedelta
from functools import cache

import numpy as np
import polars as pl
import pytest

from pipeline.matching import Matched, MatchSettings, match_sightings
from pipeline.matching.pitches.double_triggers import Doubles, _split_by_likelihood, _without_chains
from tests.simulator.matching_season import Season, simulate
from tests.simulator.matching_world import world

RANKS = {"radar": 1, "camera": 2, "portable": 3}
NOTHING_DECIDED = pl.DataFrame(schema=dict.fromkeys(("kind", "tracker", "subject", "object"), pl.String))


def _match(sightings: pl.DataFrame, *decisions: tuple[str, str, str | None]) -> Matched:
    lines = [{"kind": kind, "tracker": None, "subject": subject, "object": other} for kind, subject, other in decisions]
    decided = pl.DataFrame(lines, schema=NOTHING_DECIDED.schema)
    stations = {"portable": ("pen_1", "pen_2")}
    return match_sightings(sightings, RANKS, MatchSettings(), stations, decided)


@cache
def _season(name: str, seed: int) -> tuple[Season, Matched]:
    season = simulate(world(name), seed)
    return season, _match(season.sightings)


def _throws(season: Season, matched: Matched) -> pl.DataFrame:
    """Return for each true throw its number of pitches, and the lowest probability of these."""
    thrown = season.truth.filter(pl.col("throw").is_not_null()).join(matched.matches, on="sighting_id")
    return thrown.group_by("throw").agg(
        pl.col("group_id").n_unique().alias("pitches"), pl.col("match_probability").min().alias("lowest")
    )


def _with_truth(doubles: pl.DataFrame, season: Season) -> pl.DataFrame:
    """Return the double triggers with `is_one`: whether both records are of one throw."""
    throws = season.truth.select("sighting_id", "throw")
    other = throws.rename({"sighting_id": "kept_sighting_id", "throw": "throw_of"})
    is_one = (pl.col("throw") == pl.col("throw_of")).fill_null(False)
    return doubles.join(throws, on="sighting_id").join(other, on="kept_sighting_id").with_columns(is_one=is_one)


def test_a_double_is_found_around_a_throw_from_the_other_mound():
    season, matched = _season("two mounds", 21001)
    place = season.sightings.select("sighting_id", "file_id", "sequence")
    twice = season.truth.filter(pl.col("throw").is_not_null()).join(place, on="sighting_id")
    twice = twice.group_by("file_id", "throw").agg(
        pl.len(), pl.col("sequence").max() - pl.col("sequence").min(), pl.col("sighting_id")
    )
    apart = twice.filter(pl.col("len") == 2, pl.col("sequence") == 2).explode("sighting_id")
    assert len(apart) >= 2 * 3
    found = matched.doubles.filter(pl.col("sighting_id").is_in(apart["sighting_id"].implode()))
    assert found.height >= 0.8 * len(apart) / 2
    assert (_throws(season, matched)["pitches"] > 1).mean() < 0.001


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", [pytest.param("all faults, three trackers", marks=pytest.mark.slow), "eight metrics, all faults"]
)
def test_probabilities_of_doubles_are_calibrated(name: str):
    season, matched = _season(name, 1001)
    doubles = _with_truth(pl.concat([matched.doubles, matched.possible_doubles]), season)
    sure = doubles.filter(pl.col("probability") > 0.9)
    assert len(sure) >= 15
    assert sure["is_one"].mean() >= 0.93
    unlikely = doubles.filter(pl.col("probability") < 0.1)
    assert unlikely["is_one"].sum() <= 0.35 * len(unlikely) + 1


def test_a_possible_double_lowers_the_probability_of_its_pitch():
    season, matched = _season("eight metrics, all faults", 1001)
    possible = matched.possible_doubles
    assert len(possible) > 10 and (possible["probability"] <= 0.5).mean() > 0.9
    kept = possible.join(matched.matches, on="sighting_id")
    assert len(kept) == len(possible)
    assert (kept["match_probability"] <= 1 - kept["probability"] + 1e-6).all()
    twice = _throws(season, matched).filter(pl.col("pitches") > 1)
    assert (twice["lowest"] < 0.9).mean() > 0.5


@pytest.mark.slow
def test_doubles_of_an_unplaced_tracker_are_found_by_its_model_elsewhere():
    actual, found, expected = 0, 0, 0.0
    for seed in (23001, 23002, 23003):
        season, matched = _season("roaming ball, one mound watched", seed)
        ball = season.sightings.filter(pl.col("station").is_null())
        nowhere = ball.join(matched.station_finds, on="sighting_id", how="anti")
        throws = season.truth.select("sighting_id", "throw").drop_nulls().join(nowhere, on="sighting_id", how="semi")
        actual += len(throws) - throws["throw"].n_unique()
        doubles = _with_truth(pl.concat([matched.doubles, matched.possible_doubles]), season)
        doubles = doubles.join(nowhere, on="sighting_id", how="semi")
        found, expected = found + doubles["is_one"].sum(), expected + doubles["probability"].sum()
        placed = pl.concat([matched.matches["sighting_id"], matched.doubles["sighting_id"]])
        assert sorted(placed) == sorted(season.sightings["sighting_id"])
    assert actual >= 12
    assert found >= 0.7 * actual
    # With speed and spin only, few are sure, and the probabilities are calibrated.
    assert found == pytest.approx(expected, rel=0.5)


def test_a_decision_that_two_records_are_two_throws_holds():
    season, before = _season("two mounds", 1000)
    one, other = before.doubles.row(0)[:2]
    for pair in ((one, other), (other, one)):
        matched = _match(season.sightings, ("not_same_pitch", *pair))
        assert matched.problems.is_empty()
        assert {one, other} <= set(matched.matches["sighting_id"])
        assert not {one, other} & {*matched.doubles["sighting_id"], *matched.possible_doubles["sighting_id"]}
        group = dict(matched.matches.select("sighting_id", "group_id").iter_rows())
        assert group[one] != group[other]


def test_a_triple_record_is_reported_once_per_pair_and_decisions_hold():
    season = simulate(world("clean"), 1000)
    first = season.sightings.filter(pl.col("tracker") == "radar", pl.col("release_speed_mph").is_not_null()).row(
        40, named=True
    )
    more = (
        pl.DataFrame([first, first], schema=season.sightings.schema)
        .with_columns(
            pl.Series("sighting_id", ["s00000000000000a1", "s00000000000000a2"]),
            pl.col("thrown_at") + pl.Series([timedelta(seconds=0.7), timedelta(seconds=1.4)]),
            pl.col("file_order", "sequence") + pl.Series([1, 2]).cast(pl.Int32),
        )
        .cast(season.sightings.schema)
    )
    later = (pl.col("file_id") == first["file_id"]) & (pl.col("file_order") > first["file_order"])
    moved = season.sightings.with_columns(
        pl.when(later).then(pl.col(name) + 2).otherwise(name).alias(name) for name in ("file_order", "sequence")
    )
    sightings = pl.concat([moved.cast(season.sightings.schema), more])
    ids = {first["sighting_id"], "s00000000000000a1", "s00000000000000a2"}
    matched = _match(sightings)
    doubles = pl.concat([matched.doubles, matched.possible_doubles])
    pairs = [frozenset(pair) for pair in doubles.select("sighting_id", "kept_sighting_id").rows() if ids & set(pair)]
    assert len(pairs) == 2 and len(set(pairs)) == 2
    (kept,) = doubles.filter(pl.col("sighting_id").is_in(list(ids)))["kept_sighting_id"].unique()
    left = (matched.possible_doubles.filter(pl.col("sighting_id").is_in(list(ids))))["sighting_id"].to_list()
    assert len(left) == 1 and matched.matches.filter(pl.col("sighting_id") == left[0])["match_probability"][0] < 0.5
    # The third record is a throw of its own; the pair does not come back through the second record.
    again = _match(sightings, ("not_same_pitch", kept, left[0]))
    asked = pl.concat([again.doubles, again.possible_doubles]).select("sighting_id", "kept_sighting_id").rows()
    assert {kept, left[0]} not in [set(pair) for pair in asked]


def test_other_short_waits_in_a_small_file_do_not_hide_a_double():
    season = simulate(world("clean"), 1000)
    radar = season.sightings.filter(pl.col("tracker") == "radar").sort("file_id", "sequence")
    file = radar.filter(pl.col("file_id") == radar["file_id"][-1]).head(22)
    twice = season.truth.join(file, on="sighting_id", how="semi")["throw"].is_duplicated()
    assert not twice.any()
    move = pl.Series([0.0] * 22)
    at = file["thrown_at"]
    # Two pairs of throws 3 and 5 s apart (a throw back, a quick pitch), and one throw recorded twice, 0.9 s apart.
    for place, gap in ((5, 3.0), (12, 5.0)):
        move[place] = gap - (at[place] - at[place - 1]).total_seconds()
    moved = file.with_columns(pl.col("thrown_at") + pl.duration(microseconds=(move * 1e6).cast(pl.Int64)))
    again = moved.slice(17, 1).with_columns(
        pl.lit("s00000000000000aa").alias("sighting_id"), pl.col("thrown_at") + pl.duration(milliseconds=900)
    )
    order = pl.concat([moved.head(18), again, moved.tail(4)]).with_columns(
        pl.int_range(1, 24).cast(file.schema["sequence"]).alias("sequence"),
        pl.int_range(1, 24).cast(file.schema["file_order"]).alias("file_order"),
    )
    matched = _match(order)
    assert matched.doubles.select("sighting_id", "kept_sighting_id").rows() == [
        ("s00000000000000aa", moved["sighting_id"][17])
    ]
    assert matched.doubles["probability"][0] > 0.9


def test_the_likeliest_double_of_a_chain_is_set_aside_first():
    # Pairs 0-1 at 0.6, 1-2 at 0.9, 2-3 at 0.7: record 2 repeats 1; 0 and 3 may be the same throw as 1.
    chain = Doubles(np.array([0, 1, 2]), np.array([1, 2, 3]), np.array([0.6, 0.9, 0.7]), np.array([1.0, 1.0, 1.0]))
    assert _without_chains(chain).tolist() == [1]
    aside, possible = _split_by_likelihood(chain, 4, set())
    assert (aside.first.tolist(), aside.second.tolist()) == ([1], [2])
    assert list(zip(possible.first.tolist(), possible.second.tolist(), strict=True)) == [(0, 1), (1, 3)]
    # The time from 2 to 3 is known, that from 1 to 3 was not measured.
    assert possible.gap_s[0] == 1.0 and np.isnan(possible.gap_s[1])


def test_a_fragment_a_second_after_a_pitch_is_no_pitch():
    """No two pitches reach one plate within a second (common practice, no source), whatever a second record's readings say."""
    season = simulate(world("clean"), 1000)
    radar = season.sightings.filter(pl.col("tracker") == "radar").sort("file_id", "sequence")
    file = radar.filter(pl.col("file_id") == radar["file_id"][-1]).head(22)
    fragment = file.slice(11, 1).with_columns(
        pl.lit("s00000000000000aa").alias("sighting_id"),
        pl.col("thrown_at") + pl.duration(seconds=1),
        pl.col("release_speed_mph") - 30,
        pl.col("spin_rate_rpm") * 0.4,
    )
    order = pl.concat([file.head(12), fragment, file.tail(10)]).with_columns(
        pl.int_range(1, 24).cast(file.schema["sequence"]).alias("sequence"),
        pl.int_range(1, 24).cast(file.schema["file_order"]).alias("file_order"),
    )
    matched = _match(order)
    assert matched.doubles["sighting_id"].to_list() == ["s00000000000000aa"]
    assert len(matched.matches) == 22
