"""Throws of an arm on a day: at least, at most, and warm-up throws apart. Each case has a mound and a day of its own; results by hand.

Least time from pitch to pitch 10 s and warm-up throws below nine tenths of the usual speed: see sql/views/possible_non_pitches.sql.
99 % limits of a Poisson number with mean 0.4 are 0 to 3, with mean 0.005 0 to 0: any table of the distribution.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import polars as pl
import pytest

from pipeline.reports.attention import read_need_query
from pipeline.warehouse.query import open_published
from schemas.contract import conform
from schemas.tables import TABLES
from tests.conftest import PROJECT
from tests.frames import DAY, sightings, time_after
from tests.simulator.matching_season import simulate
from tests.simulator.matching_world import World, world
from tests.simulator.workload_season import (
    counted_throws,
    matched_season,
    open_views,
    reconciled_tables,
    workload_tables,
)

CASES = (
    *("sure", "similar name", "unnamed", "trackers disagree", "alone or not", "swapped partners", "double trigger"),
    *("first record only", "unmatched", "unknown station", "warm-ups", "slow first throw", "hurried", "lost row"),
    *("lost row seen by another", "missing tracker"),
)
TRUTH = PROJECT / "demo_inputs" / "truth"


class Seen(NamedTuple):
    """One throw of a case: the trackers that recorded it, its time in seconds, and the pitcher that each tracker names."""

    number: int
    trackers: str = "radar,camera"
    pitcher: str | None = "ace"
    probability: float = 1.0
    speed: float = 90.0
    pitch_type: str = "four_seam"
    gap_s: float = 20.0
    label: str | None = None
    camera_pitcher: str | None = None


def day_of(case: str) -> date:
    return DAY + timedelta(days=CASES.index(case))


def sighting(case: str, number: int, tracker: str) -> str:
    return f"{case}-{number}-{tracker}"


def rows_of(case: str, throws: list[Seen]) -> tuple[list[dict[str, Any]], list[tuple[str, str, float, str]]]:
    """Return the sightings of a case, and their matches."""
    rows, matches, seconds = [], [], 86400.0 * CASES.index(case)
    for throw in throws:
        seconds += throw.gap_s
        trackers = throw.trackers.split(",")
        for tracker in trackers:
            pitcher = throw.camera_pitcher if tracker == "camera" and throw.camera_pitcher else throw.pitcher
            rows.append({
                "sighting_id": sighting(case, throw.number, tracker), "tracker": tracker, "file_id": f"{case}-{tracker}",
                "file_row": 2 * throw.number, "file_order": throw.number, "station": case, "baseball_day": day_of(case),
                "thrown_at": time_after(seconds), "clock_resolution_s": 1.0, "pitcher_id": pitcher, "pitcher_label": throw.label or pitcher,
                "release_speed_mph": throw.speed, "pitch_type": throw.pitch_type,
            })  # fmt: skip
            matches.append(
                (rows[-1]["sighting_id"], sighting(case, throw.number, trackers[0]), throw.probability, "model")
            )
    return rows, matches


def many(first: int, count: int, **facts: Any) -> list[Seen]:
    return [Seen(number, **facts) for number in range(first, first + count)]


THROWS = {
    "sure": many(1, 4),
    "similar name": many(1, 3, pitcher=None, label="A. Finch"),
    # nobody names the third throw, between ace's and bo's
    "unnamed": [*many(1, 2), Seen(3, pitcher=None), *many(4, 2, pitcher="bo")],
    # the camera names bo for two throws; the throw between them, seen by the radar alone, may be his, too
    "trackers disagree": [
        *many(1, 2),
        Seen(3, camera_pitcher="bo"),
        Seen(4, "radar"),
        Seen(5, camera_pitcher="bo"),
        *many(6, 2),
    ],
    "alone or not": [*many(1, 5), Seen(6, "camera", probability=0.6)],
    "swapped partners": [*many(1, 5), *many(6, 2, probability=0.5)],
    "double trigger": [*many(1, 5), Seen(6, "radar", probability=0.7)],
    "first record only": [*many(1, 5), Seen(6, "radar", probability=0.8)],
    "unmatched": [*many(1, 8, trackers="radar"), *many(9, 6, trackers="camera")],
    "unknown station": [*many(1, 3, trackers="radar"), *many(4, 5, trackers="camera")],
    "warm-ups": [*many(1, 3), Seen(4, "camera"), *many(5, 3)],
    "slow first throw": [Seen(1, "camera", speed=70), *many(2, 12), Seen(14, speed=70), Seen(15, "camera", gap_s=300)],
    "hurried": [*many(1, 5), Seen(6, "camera", gap_s=8), *many(7, 3)],
    "lost row": [*many(1, 2, trackers="radar"), *many(4, 2, trackers="radar", pitcher="bo")],
    "lost row seen by another": [*many(1, 2), Seen(3, "camera"), *many(4, 2)],
    "missing tracker": [*many(1, 20), Seen(21, "camera")],
}
# cases on another day at the mound of the case before
MISSING_DAY = DAY + timedelta(days=len(CASES))


@pytest.fixture(scope="module")
def con() -> Iterator[duckdb.DuckDBPyConnection]:
    rows, matches = [], []
    for case, throws in THROWS.items():
        case_rows, case_matches = rows_of(case, throws)
        rows += case_rows
        matches += case_matches
    # on one more day the camera is missing at a mound that it usually sees
    for number in range(101, 111):
        rows.append(rows[-1] | {
            "sighting_id": f"missing-{number}", "tracker": "radar", "file_id": "missing", "file_order": number, "file_row": number,
            "baseball_day": MISSING_DAY, "thrown_at": time_after(86400.0 * len(CASES) + 20 * number),
        })  # fmt: skip
        matches.append((f"missing-{number}", f"missing-{number}", 1.0, "single"))
    frame = sightings(*rows)
    # the camera's throws of one case name no mound
    nowhere = (pl.col("station") == "unknown station") & (pl.col("tracker") == "camera")
    frame = frame.with_columns(station=pl.when(~nowhere).then("station"))
    names = ("sighting_id", "group_id", "match_probability", "decided_by")
    types = {**dict.fromkeys(names, pl.String), "match_probability": pl.Float64}
    tables = reconciled_tables(frame, pl.DataFrame(matches, schema=types, orient="row"))
    with open_views(tables | _other_tables()) as opened:
        opened.execute("create table counted as from throws_by_day")
        yield opened


def table(name: str, *rows: dict[str, Any]) -> pl.DataFrame:
    types = {
        column: kind for column, kind in TABLES[name].polars_schema().items() if any(column in row for row in rows)
    }
    return conform(pl.DataFrame(list(rows), schema=types), TABLES[name])


def _other_tables() -> dict[str, pl.DataFrame]:
    open_name = {"label": "A. Finch", "how": "proposed", "proposal": "abe or al", "rows": 3, "needs_person": True}
    day = day_of("swapped partners")
    pair = {
        "tracker_a": "radar",
        "tracker_b": "camera",
        "venue": "park",
        "station": "swapped partners",
        "baseball_day": day,
    }
    pairs = [
        pair | {"sighting_a": sighting("swapped partners", a, "radar"), "sighting_b": sighting("swapped partners", b, "camera")}
        | {"probability": 0.5, "merged": a == b, "decided_by": "model"}
        for a in (6, 7) for b in (6, 7)
    ]  # fmt: skip
    sure_pairs = [
        pair | {"sighting_a": sighting(case, throw.number, "radar"), "sighting_b": sighting(case, throw.number, "camera")}
        | {"station": case, "baseball_day": day_of(case), "probability": 1.0, "merged": True, "decided_by": "model"}
        for case, throws in THROWS.items() for throw in throws
        if throw.trackers == "radar,camera" and not (case == "swapped partners" and throw.number > 5)
    ]  # fmt: skip
    return {
        "name_matches": table("name_matches", *(open_name | {"tracker": tracker} for tracker in ("radar", "camera"))),
        "match_pairs": table("match_pairs", *pairs, *sure_pairs),
        "double_triggers": table(
            "double_triggers",
            _double("double trigger", 6, 5, probability=0.3, set_aside=False),
            _double("first record only", 99, 6, probability=0.8, set_aside=True),
        ),
        "set_aside": table("set_aside", *_aside()),
        "quarantine": table("quarantine", _refused("lost row", 6), _refused("lost row seen by another", 6)),
        "files": table("files", _file("lost row"), _file("lost row seen by another")),
    }


def _double(case: str, number: int, kept: int, *, probability: float, set_aside: bool) -> dict[str, Any]:
    ids = {"sighting_id": sighting(case, number, "radar"), "kept_sighting_id": sighting(case, kept, "radar")}
    return ids | {
        "tracker": "radar",
        "baseball_day": day_of(case),
        "probability": probability,
        "set_aside": set_aside,
    }


def _aside() -> list[dict[str, Any]]:
    """Return the warm-ups of one case, in two exports of the radar, and one of them by the camera."""
    case, start = "warm-ups", 86400.0 * CASES.index("warm-ups")
    # the radar calls the throw of the camera's fourth pitch a warm-up, its clock being the reference
    records = [("w1", 10.0, True), ("w2", 80.0, True), ("back", 95.0, False)]
    plain = {
        "kind": "no_pitch",
        "tracker": "radar",
        "file_id": f"{case}-radar",
        "stage": "export",
        "baseball_day": day_of(case),
    }
    rows = [
        plain | {"sighting_id": name, "file_row": row, "thrown_at": time_after(start + at), "is_warm_up": warm_up}
        | {"pitcher_label": "ace", "why": "the device marks it", "station": case}
        for row, (name, at, warm_up) in enumerate(records, 100)
    ]  # fmt: skip
    # the camera marks the first one, too, and a second export of the radar has all of them again
    camera = {
        "tracker": "camera",
        "file_id": f"{case}-camera",
        "sighting_id": "w1-camera",
        "thrown_at": time_after(start + 12.0),
    }
    again = [row | {"file_id": "warm-ups-again"} for row in rows]
    return [*rows, *again, rows[0] | camera]


def _refused(case: str, row: int) -> dict[str, Any]:
    file = {"tracker": "radar", "file_id": f"{case}-radar", "file_name": f"{case}.csv"}
    return file | {"level": "row", "file_row": row, "reason": "every reading is impossible"}


def _file(case: str) -> dict[str, Any]:
    counts = dict.fromkeys(("rows", "sightings", "repeats", "no_pitch", "quarantined"), 0)
    file = {"file_id": f"{case}-radar", "tracker": "radar", "file_name": f"{case}.csv", "sha256": "0" * 64, "bytes": 1}
    return file | counts | {"status": "read"}


EXPECTED = {
    # arm: throws, at least, at most
    "sure": {"ace": (4, 4, 4)},
    # neither is sure to have thrown one of the three, and each may have thrown all
    "similar name": {"abe": (0, 0, 3), "al": (0, 0, 3), "label: A. Finch": (3, 0, 3)},
    "unnamed": {"ace": (2, 2, 3), "bo": (2, 2, 3), "not named": (1, 0, 1)},
    "trackers disagree": {"ace": (7, 4, 7), "bo": (0, 0, 3)},
    "alone or not": {"ace": (6, 5, 6)},
    "swapped partners": {"ace": (7, 7, 7)},
    "double trigger": {"ace": (6, 5, 6)},
    "first record only": {"ace": (6, 6, 7)},
    "unmatched": {"ace": (14, 8, 14)},
    # at most three of the camera's five can be the radar's three
    "unknown station": {"ace": (8, 5, 8)},
    "warm-ups": {"ace": (7, 6, 7)},
    # the slow throw in the middle was seen by two trackers, the last one is as fast as usual
    "slow first throw": {"ace": (15, 14, 15)},
    "hurried": {"ace": (9, 8, 9)},
    "lost row": {"ace": (2, 2, 3), "bo": (2, 2, 3)},
    "lost row seen by another": {"ace": (5, 5, 5)},
}  # fmt: skip


@pytest.mark.parametrize("case", EXPECTED)
def test_throws_at_least_and_at_most_are_those_counted_by_hand(con: duckdb.DuckDBPyConnection, case: str) -> None:
    found = con.execute(
        "select arm, throws, throws_at_least, throws_at_most from counted where baseball_day = ?", [day_of(case)]
    ).fetchall()
    assert {arm: tuple(counts) for arm, *counts in found} == EXPECTED[case]


def test_an_export_that_may_be_missing_raises_the_most_only(con: duckdb.DuckDBPyConnection) -> None:
    """The camera alone saw 1 of 21 throws: with one more for safety, 2 in 20, and so 1 of these ten: at most 4 (99 %, mean 1)."""
    found = con.execute(
        "select throws, throws_at_least, throws_at_most from counted where baseball_day = ?", [MISSING_DAY]
    ).fetchall()
    assert found == [(10, 10, 14)]


def test_warm_ups_are_counted_once_and_apart(con: duckdb.DuckDBPyConnection) -> None:
    day = day_of("warm-ups")
    counted = con.execute("select throws, throws_warm_up from counted where baseball_day = ?", [day])
    assert counted.fetchall() == [(7, 2)]
    proposed = con.execute(
        "select sighting_id, reason, record_id from possible_non_pitches where baseball_day = ?", [day]
    )
    # the sighting of a pitch is named like it; in a warehouse both ids differ in their first letter
    assert proposed.fetchall() == [("sarm-ups-4-camera", "marked", "w2")]


def test_a_session_that_did_not_match_is_doubtful(con: duckdb.DuckDBPyConnection) -> None:
    found = con.execute(
        "select tracker, other_tracker, pitches_tracker, pitches_other, pitches_both from unmatched_sessions"
    )
    assert found.fetchall() == [("radar", "camera", 8, 6, 0)]
    doubtful = con.execute("select throws_doubtful from counted where baseball_day = ?", [day_of("unmatched")])
    assert doubtful.fetchall() == [(6,)]


def test_needs_report_sessions_that_did_not_match_and_possible_warm_ups(con: duckdb.DuckDBPyConnection) -> None:
    day = day_of("unmatched").strftime("%a %b %-d")
    unmatched = con.sql(read_need_query("unmatched_sessions")).fetchall()
    assert [problem for _, problem, _ in unmatched] == [
        f"{day}, unmatched: matching failed. radar saw 8 and camera saw 6 throws of the same arms, but share 0. Throws may count twice."
    ]
    con.execute("create or replace temp view last_night as select date '2026-10-03' as week_began")
    warm_ups = con.sql(read_need_query("possible_warm_ups")).fetchall()
    # warm-ups, slow first throw, hurried
    assert [problem for _, problem, _ in warm_ups] == [
        "camera: 3 pitches may be warm-up throws or throws back; the lowest counts leave them out."
    ]


def test_any_morning_agrees_with_the_days_before(con: duckdb.DuckDBPyConnection) -> None:
    days = con.sql(
        "select baseball_day, arm, throws, throws_at_least, throws_at_most, throws_warm_up from counted"
    ).pl()
    mornings = con.sql("select * from workload_as_of").pl()
    assert mornings.height
    for morning in mornings.iter_rows(named=True):
        of_arm = days.filter(pl.col("arm") == morning["arm"], pl.col("baseball_day") < morning["as_of"])
        for length in (1, 3, 7, 14, 28):
            first = morning["as_of"] - timedelta(days=length)
            sums = of_arm.filter(pl.col("baseball_day") >= first).sum().row(0, named=True)
            words = f"throws_{length}_day{'' if length == 1 else 's'}"
            for ours, theirs in (
                (words, "throws"),
                (f"{words}_at_least", "throws_at_least"),
                (f"{words}_at_most", "throws_at_most"),
            ):
                assert morning[ours] == (sums[theirs] or 0)
        assert morning["warm_up_28_days"] == (sums["throws_warm_up"] or 0)
        thrown = of_arm.filter(pl.col("throws") > 0).get_column("baseball_day")
        assert morning["last_day"] == thrown.max()
        assert morning["days_since"] == (None if thrown.is_empty() else (morning["as_of"] - thrown.max()).days)


def test_every_arm_and_day_of_the_demo_lies_within_its_bounds(demo: Path) -> None:
    """Truth: throws that the demo's simulator recorded with at least one tracker."""
    recorded = pl.read_parquet(TRUTH / "truth_sightings.parquet").filter(pl.col("record") != "no_pitch")
    thrown = pl.read_parquet(TRUTH / "truth_pitches.parquet").select("key", "baseball_day", arm="pitcher")
    thrown = thrown.filter(pl.col("key").is_in(recorded.get_column("pitch_key").drop_nulls().implode()))
    truth = thrown.group_by("baseball_day", "arm").agg(truth=pl.len()).filter(pl.col("arm").str.starts_with("hs"))
    with open_published(demo / "warehouse") as warehouse:
        columns = "baseball_day, arm, throws, throws_at_least as least, throws_at_most as most, throws_warm_up"
        counted = warehouse.sql(f"select {columns} from throws_by_day").pl()
        assert counted.get_column("throws").sum() == warehouse.sql("select count(*) from pitches").fetchall()[0][0]
    both = truth.join(counted, on=["baseball_day", "arm"], how="left")
    # On November 4 both trackers kept hs10's name for five throws of a pitcher whom no label names until later.
    unknowable = (pl.col("arm") == "hs10") & (pl.col("baseball_day") == date(2026, 11, 4))
    outside = both.filter(~pl.col("truth").is_between("least", "most").fill_null(False), ~unknowable)
    print(f"{both.height} arm-days; least and most are equal on {(both['least'] == both['most']).mean():.0%}")
    assert outside.is_empty(), outside
    assert counted.get_column("throws_warm_up").sum() > 100


def without_false_records(named: str) -> World:
    """Return a world whose trackers record nothing but pitches: a throw back that looks like a pitch counts as one."""
    plain = world(named)
    return replace(plain, devices=tuple(replace(device, false_rate=0.0) for device in plain.devices))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("named", "equal"), [("clean", 0.8), ("hour shift", 0.8), ("minute stamps", 0.5), ("stale labels", 0.1)]
)
def test_simulated_arms_and_days_lie_within_their_bounds(named: str, equal: float) -> None:
    counted = []
    for seed in (11, 12):
        season = simulate(without_false_records(named), seed)
        with open_views(workload_tables(*matched_season(season))) as opened:
            counted.append(counted_throws(opened, season))
    rows = pl.concat(counted)
    inside = pl.col("truth").is_between("throws_at_least", "throws_at_most")
    # the bounds of doubts with a probability hold on 99 % of arm-days
    assert rows.select(inside.mean()).item() >= 0.97, rows.filter(~inside)
    assert rows.select((pl.col("throws_at_least") == pl.col("throws_at_most")).mean()).item() >= equal
