"""Matching some days with the statistics of the others gives what matching all days at once gives, to the last bit."""

import io
import os
from dataclasses import replace
from datetime import date, timedelta

import polars as pl
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from pipeline.matching import Matched, MatchSettings, calibrate, days_to_match, match_sightings
from tests.simulator.matching_season import simulate
from tests.simulator.matching_world import World, world

RANKS = {"radar": 1, "camera": 2, "portable": 3}
NOTHING_DECIDED = pl.DataFrame(schema=dict.fromkeys(("kind", "tracker", "subject", "object"), pl.String))
PENS = ("pen_1", "pen_2")
ROAMING = {"portable": PENS}
# one example takes some seconds
EXAMPLES = int(os.environ.get("PITCHLEDGER_EXAMPLES", "6"))
WITHOUT_SHRINKING = (Phase.explicit, Phase.reuse, Phase.generate)


def _match(
    sightings: pl.DataFrame, statistics: pl.DataFrame | None = None, decisions: pl.DataFrame = NOTHING_DECIDED
) -> Matched:
    return match_sightings(sightings, RANKS, MatchSettings(), ROAMING, decisions, statistics)


def _history(seed: int, gaps: list[int]) -> pl.DataFrame:
    """Return two bullpens on each of several days, `gaps` days apart, with stale and misspelled names.

    The files of a third tracker name no station.
    """
    devices = world("all faults, three trackers").devices
    quiet = [
        replace(device, burst=0.0, stale=0.7, misspelled=0.5, steps=device.steps * (seed % 2)) for device in devices
    ]
    what = World(tuple(quiet), ("pens", "bullpen") * len(gaps), sessions_a_day=2)
    rows = simulate(what, seed).sightings
    number = pl.col("native_session").str.split("-").list.last().cast(pl.Int64)
    rows = rows.filter((number % 2 == 1) | (pl.col("sequence") % 3 == 0))
    ahead = pl.Series([sum(gaps[: n + 1]) - n for n in range(len(gaps))], dtype=pl.Int64)
    moved = rows.with_columns(
        (number // 2).replace_strict(dict(enumerate(ahead.to_list())), return_dtype=pl.Int64).alias("ahead")
    )
    pen = pl.when(number % 2 == 0).then(pl.lit("pen_1")).otherwise(pl.lit("pen_2"))
    return moved.with_columns(
        (pl.col("baseball_day") + pl.duration(days="ahead")).alias("baseball_day"),
        (pl.col("thrown_at") + pl.duration(days="ahead")).alias("thrown_at"),
        pl.when(pl.col("tracker") != "portable").then(pen).alias("station"),
    ).drop("ahead")


def _of_days(matched: Matched, days: list[date], sightings: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Return the rows of some days of every frame."""
    ids = sightings.filter(pl.col("baseball_day").is_in(days))["sighting_id"].to_list()
    out = {}
    for name, frame in matched._asdict().items():
        mine = (
            pl.col("baseball_day").is_in(days)
            if "baseball_day" in frame.columns
            else pl.col(_ID_COLUMNS[name]).is_in(ids)
        )
        out[name] = frame.filter(mine)
    return out


_ID_COLUMNS = {
    **dict.fromkeys(("matches", "doubles", "possible_doubles", "station_finds"), "sighting_id"),
    "label_runs": "first_sighting_id",
    "problems": "subject",
}


def _same(one: dict[str, pl.DataFrame], other: dict[str, pl.DataFrame]) -> None:
    for name in one:
        assert one[name].equals(other[name]), name


def _check_some_days(sightings: pl.DataFrame, chosen: list[date]) -> None:
    """Matching the chosen days with the others' statistics gives what matching all days gives for them."""
    everything = _match(sightings)
    kept = everything.statistics.filter(~pl.col("baseball_day").is_in(chosen))
    part = _match(sightings.filter(pl.col("baseball_day").is_in(chosen)), kept)
    assert part.statistics.equals(everything.statistics)
    _same(_of_days(part, chosen, sightings), _of_days(everything, chosen, sightings))


@pytest.mark.slow
def test_some_days_with_the_statistics_of_the_others_match_as_all_days_do():
    sightings = _history(1, [1, 6, 14])
    days = sightings["baseball_day"].unique().sort().to_list()
    _check_some_days(sightings, [days[0], days[2]])


@pytest.mark.slow
@given(data=st.data(), seed=st.integers(0, 50), gaps=st.lists(st.integers(1, 16), min_size=3, max_size=5))
@settings(max_examples=EXAMPLES, deadline=None, phases=WITHOUT_SHRINKING)
def test_any_days_with_the_statistics_of_the_others_match_as_all_days_do(
    data: st.DataObject, seed: int, gaps: list[int]
):
    sightings = _history(seed, gaps)
    days = sightings["baseball_day"].unique().sort().to_list()
    _check_some_days(sightings, data.draw(st.lists(st.sampled_from(days), min_size=1, max_size=len(days), unique=True)))


def _check_touched_days(after: pl.DataFrame, touched: list[date], change: str) -> None:
    """Matching again only what days_to_match names leaves every day as if all had been matched again."""
    days = after["baseball_day"].unique().sort().to_list()
    before = after.filter(
        ~pl.col("baseball_day").is_in(touched) | ((change == "changed") & (pl.col("sequence") % 4 != 0))
    )
    if change == "went":
        before, after = after, before
    old, everything = _match(before), _match(after)
    named = days_to_match(pl.DataFrame({"venue": "park", "baseball_day": touched}), old.statistics)
    again = named["baseball_day"].to_list()
    assert set(touched) <= set(again)
    kept = old.statistics.filter(~pl.col("baseball_day").is_in(touched))
    part = _match(after.filter(pl.col("baseball_day").is_in(again)), kept)
    assert part.statistics.equals(everything.statistics)
    _same(_of_days(part, again, after), _of_days(everything, again, after))
    others = [day for day in days if day not in again]
    _same(_of_days(old, others, before), _of_days(everything, others, after))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "place"),
    [("changed", 0), *(pytest.param(*case, marks=pytest.mark.slow) for case in (("came", -1), ("went", 1)))],
)
def test_a_day_that_came_went_or_changed_leaves_no_other_day_out_of_date(change: str, place: int):
    after = _history(2, [1, 13, 28])
    days = after["baseball_day"].unique().sort().to_list()
    _check_touched_days(after, [days[place]], change)


@pytest.mark.slow
@given(
    data=st.data(),
    seed=st.integers(0, 50),
    gaps=st.lists(st.sampled_from((1, 5, 13, 14, 27, 28)), min_size=3, max_size=5),
)
@settings(max_examples=EXAMPLES, deadline=None, phases=WITHOUT_SHRINKING)
def test_any_days_that_came_went_or_changed_leave_no_other_day_out_of_date(
    data: st.DataObject, seed: int, gaps: list[int]
):
    after = _history(seed, gaps)
    days = after["baseball_day"].unique().sort().to_list()
    touched = data.draw(st.lists(st.sampled_from(days), min_size=1, max_size=2, unique=True))
    _check_touched_days(after, touched, data.draw(st.sampled_from(("came", "went", "changed"))))


def test_days_to_match_are_the_window_after_and_early_on_the_opening_block():
    """The window of 28 days and the block of 14 are our own contract (training_window.py); no outside source."""
    start = date(2026, 2, 1)
    known = [start + timedelta(days=n) for n in (0, 5, 13, 14, 20, 40, 48, 70)]
    statistics = pl.DataFrame({"venue": "park", "baseball_day": known}).with_columns(
        tracker_a=pl.lit("camera"), tracker_b=pl.lit("radar")
    )

    def named(*after: int) -> list[int]:
        touched = pl.DataFrame({"venue": "park", "baseball_day": [start + timedelta(days=n) for n in after]})
        return [(day - start).days for day in days_to_match(touched, statistics)["baseball_day"].to_list()]

    assert named(70) == [70]
    assert named(75) == [75]
    assert named(20) == [20, 40]
    assert named(21) == [21, 40, 48]
    assert named(5) == [0, 5, 13, 14, 20]  # 5 is in the block; and in the window of what comes until the 32nd
    assert named(0) == [0, 5, 13, 14, 20]  # without the first day the block reaches to the 18th
    assert named(-10) == [-10, 0, 5, 13, 14]  # the block now ends on the 4th; the window of -10 on the 17th


def test_statistics_survive_a_file_and_empty_frames_can_be_matched():
    sightings = _history(1, [1])
    whole = _match(sightings)
    file = io.BytesIO()
    whole.statistics.write_parquet(file)
    kept = pl.read_parquet(io.BytesIO(file.getvalue()))
    assert kept.schema == whole.statistics.schema
    assert kept.equals(whole.statistics)
    nothing = _match(sightings.clear(), kept)
    assert nothing.statistics.equals(kept)
    assert all(frame.is_empty() for name, frame in nothing._asdict().items() if name != "statistics")
    assert _match(sightings.clear(), kept.clear()).statistics.is_empty()
    assert _match(sightings, kept.clear()).statistics.equals(kept)
    assert calibrate(sightings.clear()).schema == kept.schema
    assert days_to_match(pl.DataFrame(schema={"venue": pl.String, "baseball_day": pl.Date}), kept).is_empty()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["same_pitch", pytest.param("not_same_pitch", marks=pytest.mark.slow)])
def test_decisions_apply_on_some_days_as_on_all(kind: str):
    sightings = _history(3, [1, 2, 3])
    whole = _match(sightings)
    day = sightings["baseball_day"].max()
    pairs = whole.match_pairs.filter((pl.col("baseball_day") == day) & (pl.col("merged") == (kind != "same_pitch")))
    decisions = pl.DataFrame(
        {"kind": kind, "tracker": None, "subject": pairs["sighting_a"][:1], "object": pairs["sighting_b"][:1]},
        schema=NOTHING_DECIDED.schema,
    )
    decided = _match(sightings, None, decisions)
    kept = whole.statistics.filter(pl.col("baseball_day") != day)
    part = _match(sightings.filter(pl.col("baseball_day") == day), kept, decisions)
    _same(_of_days(part, [day], sightings), _of_days(decided, [day], sightings))


def test_sightings_of_two_days_are_never_one_pitch_whatever_a_decision_says():
    sightings = _history(3, [1, 2, 3]).filter(pl.col("station").is_not_null())
    first, last = (
        sightings.filter(pl.col("baseball_day") == getattr(sightings["baseball_day"], end)()) for end in ("min", "max")
    )
    pair = (
        first.filter(pl.col("tracker") == "radar")["sighting_id"][0],
        last.filter(pl.col("tracker") == "camera")["sighting_id"][0],
    )
    decisions = pl.DataFrame([("same_pitch", None, *pair)], schema=NOTHING_DECIDED.schema, orient="row")
    decided = _match(sightings, None, decisions)
    assert "different venues or baseball days" in decided.problems["problem"][0]
    assert decided.matches.filter(pl.col("sighting_id").is_in(pair))["group_id"].n_unique() == 2
