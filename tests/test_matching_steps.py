"""Steps of a clock that only a pitch or two tell of, in simulated bullpens whose truth is known; the steps are set here, by hand.

The simulator's own steps, and how often each is met, are in test_matching.py and in the benchmark. Common practice, no source: clocks are
set by hand or over a network, mostly once, sometimes twice in a row; waits of 12 to 24 s between pitches.
"""

from datetime import timedelta
from functools import cache

import numpy as np
import polars as pl
import pytest

from pipeline.matching import Matched, MatchSettings, match_sightings
from pipeline.matching.alignment.align_round import Place, run_round
from pipeline.matching.clocks.missed_steps import without_weak_steps
from pipeline.matching.learning.day_models import fit_days
from pipeline.matching.match import _prepared
from tests.simulator.matching_scores import judged
from tests.simulator.matching_world import NOISE, Season, World, simulate, world

NOTHING_DECIDED = pl.DataFrame(schema=dict.fromkeys(("kind", "tracker", "subject", "object"), pl.String))
# places in the first bullpen, among the throws that both trackers wrote once
PLACES = (5, 8, 11, 14, 17)
# those of a pair that its readings speak for; where they do not, as at 10 and 17 (misread speed and spin), one pitch alone tells of no clock
TELLING_PLACES = (5, 8, 11, 14, 16)


@cache
def _bullpens(seed: int) -> Season:
    return simulate(World(world("clean").devices, ("bullpen",) * 4), seed)


def _throws(season: Season) -> pl.DataFrame:
    """throw, radar, camera (ids of its records), seen_at of the radar; throws of the first bullpen that both wrote once, in order."""
    first = season.sightings.filter(pl.col("file_id").str.ends_with("-0")).join(season.truth, on="sighting_id")
    once = first.filter(pl.col("throw").is_not_null() & (pl.len().over("throw", "tracker") == 1))
    wide = once.pivot("tracker", index="throw", values=["sighting_id", "thrown_at"]).drop_nulls()
    return wide.select("throw", radar="sighting_id_radar", camera="sighting_id_camera", seen_at="thrown_at_radar").sort(
        "throw"
    )


def _set_by(season: Season, jumps: dict[int, float]) -> pl.DataFrame:
    """The sightings, the camera's clock set on by so many seconds at each of these throws."""
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
    """Probabilities of the pairs that were merged and are none."""
    return (
        judged(matched.match_pairs, season.truth).filter(pl.col("merged") & ~pl.col("right"))["probability"].to_list()
    )


@pytest.mark.parametrize("jumps", [(-37.0, 61.0), (9.0, 26.0), (48.0, -95.0)])
def test_a_single_pitch_between_two_steps_of_a_clock_is_found(jumps: tuple[float, float]):
    season = _bullpens(1)
    throws = _throws(season)
    for place in TELLING_PLACES:
        at, after = throws["throw"][place], throws["throw"][place + 1]
        matched = _match(_set_by(season, {at: jumps[0], after: jumps[1]}))
        assert {frozenset(ids) for ids in throws.select("radar", "camera").iter_rows()} <= _merged(matched), place
        assert not _wrong(matched, season)


@pytest.mark.parametrize("places", [2, 3])
def test_a_step_as_long_as_the_wait_for_the_next_pitch_passes_no_two_neighbours_off_as_one(places: int):
    season = _bullpens(1)
    throws = _throws(season)
    for place in range(4, 18):
        wait = (throws["seen_at"][place + 1] - throws["seen_at"][place]).total_seconds()
        at, after = throws["throw"][place], throws["throw"][place + places]
        matched = _match(_set_by(season, {at: wait, after: 40.0}))
        assert {frozenset(ids) for ids in throws.select("radar", "camera").iter_rows()} <= _merged(matched), place
        assert not _wrong(matched, season)


@pytest.mark.parametrize("back", [False, True])
def test_two_pitches_that_a_step_alone_brings_together_are_never_taken_for_one_without_a_doubt(back: bool):
    season = _bullpens(1)
    throws = _throws(season)
    for place in range(4, 18):
        wait = (throws["seen_at"][place + 1] - throws["seen_at"][place]).total_seconds()
        # each tracker has one of the two only, and the clock was set by the wait in between: where they look alike, readings may say one
        lost = [throws["camera"][place + back], throws["radar"][place + 1 - back]]
        stepped = _set_by(season, {throws["throw"][place + 1 - back]: -wait if back else wait})
        matched = _match(stepped.filter(~pl.col("sighting_id").is_in(lost)))
        assert max(_wrong(matched, season), default=0.0) < 0.98, place


@pytest.mark.parametrize("side", [0, 1])
def test_a_pitch_beside_a_step_with_readings_that_are_all_off_stands_by_its_time(side: int):
    season = _bullpens(1)
    throws = _throws(season)
    for place in PLACES:
        stepped = _set_by(season, {throws["throw"][place + side]: 33.0})
        here = pl.col("sighting_id") == throws["camera"][place]
        wild = [pl.when(here).then(pl.col(m) + 30 * NOISE[m]).otherwise(pl.col(m)).alias(m) for m in NOISE]
        matched = _match(stepped.with_columns(wild))
        assert frozenset((throws["radar"][place], throws["camera"][place])) in _merged(matched), place


@pytest.mark.parametrize("tracker", ["radar", "camera"])
def test_a_file_of_one_record_is_not_believed_for_its_time_whichever_tracker_wrote_it(tracker: str):
    season = simulate(world("clean"), 4)
    for files in (("-0", "-4"), ("-8", "-12")):
        short = (pl.col("tracker") == tracker) & pl.any_horizontal(pl.col("file_id").str.ends_with(f) for f in files)
        nth = pl.col("file_order").rank("ordinal").over("file_id")
        matched = _match(season.sightings.filter(~short | (nth == 20)))
        assert not [p for p in _wrong(matched, season) if p > 0.9]


def test_two_records_left_alone_make_no_step_where_there_is_none():
    season = _bullpens(1)
    throws = _throws(season)
    lost = [throws["radar"][place] for place in PLACES] + [throws["camera"][place + 1] for place in PLACES]
    matched = _match(season.sightings.filter(~pl.col("sighting_id").is_in(lost)))
    assert matched.clocks["steps"].sum() == 0
    assert not _wrong(matched, season)


def test_a_stretch_of_a_path_that_coincidences_made_is_given_up_for_the_clock_around_it():
    """Two chance pairs at another offset, drawn into the path, would keep apart the true pairs beside them."""
    season = simulate(World(world("clean").devices, ("bullpen",)), 7)
    ready = _prepared(season.sightings)
    day_fit = fit_days(ready.records, ready.units)
    (unit,), (place,) = ready.units, day_fit.places
    assert place.clock is not None and place.clock.segment[-1] == 0
    n = len(unit.second.rows)
    at = np.arange(n)
    segment = np.where(at < n // 2, 0, np.where(at < n // 2 + 6, 1, 2))
    crooked = place.clock._replace(offset_s=place.clock.offset_s + 40.0 * (segment == 1), segment=segment)
    wrong = [Place(crooked, None)]
    reach = np.full(1, 12.0)
    of = (ready.records, ready.units, day_fit.models.readings, ready.which)
    fit = run_round(*of, wrong, day_fit.gaps, day_fit.models.labels, reach)
    mended = without_weak_steps(ready.units, fit.cells, wrong, from_the_left=True)
    clock = mended[0].clock
    assert clock is not None and clock.segment[-1] == 0
    assert np.abs(clock.offset_s - place.clock.offset_s).max() < 1.0
    better = run_round(*of, [mended[0]], day_fit.gaps, day_fit.models.labels, reach)
    assert better.log_evidence[0] > fit.log_evidence[0] + 20
    # a step that pairs on both sides bear out stays
    assert not without_weak_steps(ready.units, better.cells, [Place(place.clock, None)], from_the_left=True)
