"""Clock steps that only a pitch or two show, in simulated bullpens with truth; the tests set the steps by hand.

The simulator's own steps, and how often each is met, are in test_matching.py and in the benchmark. Common practice, no
source: clocks are set by hand or over a network, mostly once, sometimes twice in a row; 12 to 24 s between pitches.
"""

from dataclasses import replace
from datetime import timedelta
from functools import cache

import numpy as np
import polars as pl
import pytest

from pipeline.matching import Matched, MatchSettings, match_sightings
from pipeline.matching.alignment.align_round import align
from pipeline.matching.alignment.search import SearchRegion
from pipeline.matching.data.days import build_days
from pipeline.matching.data.records import build_records
from pipeline.matching.fit import fit_days
from pipeline.matching.repairs.weak_steps import without_weak_steps
from tests.simulator.matching_scores import judged
from tests.simulator.matching_season import Season, simulate
from tests.simulator.matching_world import NOISE, World, world

NOTHING_DECIDED = pl.DataFrame(schema=dict.fromkeys(("kind", "tracker", "subject", "object"), pl.String))
# positions in the first bullpen, among the throws that both trackers recorded once
PLACES = (5, 8, 11, 14, 17)
# those whose readings support the pair; at 10 and 17 speed and spin are misread, and one such pitch shows no clock
SUPPORTED_PLACES = (5, 8, 11, 14, 16)


@cache
def _bullpens(seed: int) -> Season:
    return simulate(World(world("clean").devices, ("bullpen",) * 4), seed)


def _throws(season: Season) -> pl.DataFrame:
    """Return throw, radar, camera (ids) and seen_at (radar) of the throws that both recorded once, in order."""
    first = season.sightings.filter(pl.col("file_id").str.ends_with("-0")).join(season.truth, on="sighting_id")
    once = first.filter(pl.col("throw").is_not_null() & (pl.len().over("throw", "tracker") == 1))
    wide = once.pivot("tracker", index="throw", values=["sighting_id", "thrown_at"]).drop_nulls()
    return wide.select("throw", radar="sighting_id_radar", camera="sighting_id_camera", seen_at="thrown_at_radar").sort(
        "throw"
    )


def _set_by(season: Season, jumps: dict[int, float]) -> pl.DataFrame:
    """Return the sightings with the camera's clock set forward by so many seconds at each of these throws."""
    throw_of = season.sightings.select("sighting_id").join(season.truth, on="sighting_id", maintain_order="left")[
        "throw"
    ]
    order = season.sightings.with_columns(throw=throw_of).sort("file_id", "file_order")
    order = order.with_columns(pl.col("throw").fill_null(strategy="forward").over("file_id"))
    mine = (pl.col("tracker") == "camera") & pl.col("file_id").str.ends_with("-0")
    for throw, seconds in jumps.items():
        moved = pl.col("thrown_at") + timedelta(seconds=seconds)
        order = order.with_columns(
            thrown_at=pl.when(mine & (pl.col("throw") >= throw)).then(moved).otherwise("thrown_at")
        )
    return order.drop("throw")


def _match(sightings: pl.DataFrame) -> Matched:
    return match_sightings(sightings, {"radar": 1, "camera": 2}, MatchSettings(), {}, NOTHING_DECIDED)


def _merged(matched: Matched) -> set[frozenset[str]]:
    pairs = matched.match_pairs.filter("merged")
    return {frozenset(ids) for ids in pairs.select("sighting_a", "sighting_b").iter_rows()}


def _wrong(matched: Matched, season: Season) -> list[float]:
    """Return the probabilities of the wrong merges."""
    return (
        judged(matched.match_pairs, season.truth).filter(pl.col("merged") & ~pl.col("right"))["probability"].to_list()
    )


@pytest.mark.parametrize("jumps", [(-37.0, 61.0), (9.0, 26.0), (48.0, -95.0)])
def test_a_single_pitch_between_two_steps_of_a_clock_is_found(jumps: tuple[float, float]):
    season = _bullpens(1)
    throws = _throws(season)
    for place in SUPPORTED_PLACES:
        at, after = throws["throw"][place], throws["throw"][place + 1]
        matched = _match(_set_by(season, {at: jumps[0], after: jumps[1]}))
        assert {frozenset(ids) for ids in throws.select("radar", "camera").iter_rows()} <= _merged(matched), place
        assert not _wrong(matched, season)


@pytest.mark.parametrize("places", [2, 3])
def test_a_step_as_long_as_the_wait_for_the_next_pitch_merges_no_neighbors(places: int):
    season = _bullpens(1)
    throws = _throws(season)
    for place in range(4, 18):
        wait = (throws["seen_at"][place + 1] - throws["seen_at"][place]).total_seconds()
        at, after = throws["throw"][place], throws["throw"][place + places]
        matched = _match(_set_by(season, {at: wait, after: 40.0}))
        assert {frozenset(ids) for ids in throws.select("radar", "camera").iter_rows()} <= _merged(matched), place
        assert not _wrong(matched, season)


@pytest.mark.parametrize("back", [False, True])
def test_two_pitches_that_only_a_step_brings_together_never_merge_without_doubt(back: bool):
    season = _bullpens(1)
    throws = _throws(season)
    for place in range(4, 18):
        wait = (throws["seen_at"][place + 1] - throws["seen_at"][place]).total_seconds()
        # each tracker has one of the two only, and the clock was set by the wait between them; alike readings may support one pitch
        lost = [throws["camera"][place + back], throws["radar"][place + 1 - back]]
        stepped = _set_by(season, {throws["throw"][place + 1 - back]: -wait if back else wait})
        matched = _match(stepped.filter(~pl.col("sighting_id").is_in(lost)))
        assert max(_wrong(matched, season), default=0.0) < 0.98, place


@pytest.mark.parametrize("side", [0, 1])
def test_a_pitch_beside_a_step_with_bad_readings_matches_by_its_time(side: int):
    season = _bullpens(1)
    throws = _throws(season)
    for place in PLACES:
        stepped = _set_by(season, {throws["throw"][place + side]: 33.0})
        here = pl.col("sighting_id") == throws["camera"][place]
        wild = [pl.when(here).then(pl.col(m) + 30 * NOISE[m]).otherwise(pl.col(m)).alias(m) for m in NOISE]
        matched = _match(stepped.with_columns(wild))
        assert frozenset((throws["radar"][place], throws["camera"][place])) in _merged(matched), place


@pytest.mark.parametrize("tracker", ["radar", "camera"])
def test_the_time_of_a_file_of_one_record_is_not_trusted(tracker: str):
    season = simulate(world("clean"), 4)
    for files in (("-0", "-4"), ("-8", "-12")):
        short = (pl.col("tracker") == tracker) & pl.any_horizontal(pl.col("file_id").str.ends_with(f) for f in files)
        nth = pl.col("file_order").rank("ordinal").over("file_id")
        matched = _match(season.sightings.filter(~short | (nth == 20)))
        assert not [p for p in _wrong(matched, season) if p > 0.9]


def test_two_unmatched_records_make_no_step_where_there_is_none():
    season = _bullpens(1)
    throws = _throws(season)
    lost = [throws["radar"][place] for place in PLACES] + [throws["camera"][place + 1] for place in PLACES]
    matched = _match(season.sightings.filter(~pl.col("sighting_id").is_in(lost)))
    assert matched.clocks["steps"].sum() == 0
    assert not _wrong(matched, season)


def test_a_segment_that_coincidences_made_is_replaced_by_the_clock_around_it():
    """Two chance pairs at another offset, drawn into the path, would keep apart the true pairs beside them."""
    season = simulate(World(world("clean").devices, ("bullpen",)), 7)
    days = build_days(build_records(season.sightings))
    day_fit = fit_days(days)
    (streams,), (region,) = days.stream_pairs, day_fit.search.regions
    assert region.clock is not None and region.clock.steps == 0
    n = len(streams.second.rows)
    position = np.arange(n)
    segment = np.where(position < n // 2, 0, np.where(position < n // 2 + 6, 1, 2))
    crooked = region.clock._replace(offset_s=region.clock.offset_s + 40.0 * (segment == 1), segment=segment)
    search = day_fit.search.within(12.0)
    wrong = replace(search, regions=[SearchRegion(crooked, None)])
    fit = align(days, wrong, day_fit.models)
    pairs, repaired = without_weak_steps(days, wrong, fit, from_left=True)
    assert pairs.tolist() == [0]
    clock = repaired[0].clock
    assert clock is not None and clock.steps == 0
    assert np.abs(clock.offset_s - region.clock.offset_s).max() < 1.0
    better = align(days, replace(search, regions=repaired), day_fit.models)
    assert better.log_evidence[0] > fit.log_evidence[0] + 20
    # a step that pairs on both sides confirm stays
    right = replace(search, regions=[SearchRegion(region.clock, None)])
    assert not len(without_weak_steps(days, right, better, from_left=True)[0])
