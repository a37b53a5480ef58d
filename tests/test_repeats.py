import random
from datetime import date
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.exports.duplicates import COPIED, CORRECTED, MOVED, REPLACED, Deduplicated, natural_key, remove_duplicates
from tests.frames import sightings, time_after

NEWNESS = pl.DataFrame({"file_id": ["old", "new"], "newness": [0, 1], "file_name": ["old.csv", "new.csv"]})


def test_names_are_ordered_as_a_person_counts() -> None:
    names = ["pen_10.csv", "pen_2.csv", "pen.csv", "Pen_1.csv"]
    assert sorted(names, key=natural_key) == ["pen.csv", "Pen_1.csv", "pen_2.csv", "pen_10.csv"]


def test_the_newest_export_wins_and_the_older_row_is_set_aside_as_superseded() -> None:
    spins: dict[str, object] = {"spin_rate_rpm": 2210.0, "extension_ft": 6.1}
    seen = sightings(
        {"sighting_id": "s1", "file_id": "old", "release_speed_mph": 90.0} | spins,
        {"sighting_id": "s1", "file_id": "new", "release_speed_mph": 91.0} | spins,
    )
    once = remove_duplicates(seen, NEWNESS)
    assert once.sightings.select("file_id", "release_speed_mph").rows() == [("new", 91.0)]
    assert once.set_aside.select("kind", "file_id", "kept_sighting_id").rows() == [("superseded", "old", "s1")]


def test_the_same_content_again_is_a_repeat() -> None:
    seen = sightings({"sighting_id": "s1", "file_id": "old"}, {"sighting_id": "s1", "file_id": "new"})
    assert remove_duplicates(seen, NEWNESS).set_aside.get_column("kind").to_list() == ["repeat"]


@given(st.lists(st.tuples(st.sampled_from(["s1", "s2", "s3"]), st.sampled_from(["old", "new"])), unique=True))
def test_no_row_is_lost_and_no_sighting_is_kept_twice(rows: list[tuple[str, str]]) -> None:
    seen = sightings(*({"sighting_id": sighting, "file_id": file} for sighting, file in rows))
    once = remove_duplicates(seen, NEWNESS)
    assert once.sightings.height + once.set_aside.height == len(rows)
    assert once.sightings.get_column("sighting_id").is_unique().all()
    assert set(once.sightings.get_column("sighting_id")) == {sighting for sighting, _ in rows}


# ---- another evening with the same keys, or a correction ----------------------------------------------------------------------------------


def throws(seed: int, count: int, **more: object) -> list[dict[str, Any]]:
    """Readings of invented throws of two arms, as a device with one decimal writes them."""
    chance = random.Random(seed)
    return [
        {
            "release_speed_mph": round(chance.gauss(90, 3), 1),
            "spin_rate_rpm": float(round(chance.gauss(2250, 120))),
            "induced_vertical_break_in": round(chance.gauss(14, 3), 1),
            "pitcher_label": "Ann" if number < count / 2 else "Bea",
            **more,
        }
        for number in range(count)
    ]


def numbered(file: str, rows: list[dict[str, Any]], **more: object) -> list[dict[str, Any]]:
    """Rows of an export that numbers its throws from 1 and states neither session nor time."""
    keyed = enumerate(rows, 1)
    return [{"sighting_id": f"s{n}", "file_id": file, "file_order": n, "sequence": n} | row | more for n, row in keyed]


def deduplicated(*exports: list[dict[str, Any]], seed: int = 0) -> Deduplicated:
    """Remove duplicates of exports, the oldest first; their rows come in any order."""
    names = [rows[0]["file_id"] for rows in exports]
    order = pl.DataFrame(
        {"file_id": names, "newness": range(len(names)), "file_name": [f"{name}.csv" for name in names]}
    )
    seen = sightings(*(row for rows in exports for row in rows))
    once = remove_duplicates(seen.sample(fraction=1, shuffle=True, seed=seed), order)
    assert once.sightings.height + once.set_aside.height == seen.height
    assert once.sightings.get_column("sighting_id").is_unique().all()
    return once


def reasons(once: Deduplicated) -> dict[str, int]:
    return dict(once.set_aside.group_by("why").len().iter_rows())


@pytest.mark.parametrize("count", [1, 2, 7, 40])
def test_two_evenings_with_the_same_numbers_are_both_kept_and_reported(count: int) -> None:
    once = deduplicated(numbered("mon", throws(1, count)), numbered("tue", throws(2, count)))
    assert once.sightings.height == 2 * count
    (line,) = once.key_collisions.to_dicts()
    assert (line["file_id"], line["other_file_id"], line["throws"]) == ("tue", "mon", count)
    assert (line["key"], line["example"]) == ("sequence", "1")
    # the older evening keeps the published ids
    monday = once.sightings.filter(pl.col("file_id") == "mon")
    assert set(monday.get_column("sighting_id")) == {f"s{n}" for n in range(1, count + 1)}


@pytest.mark.parametrize("count", [3, 7, 40])
def test_a_corrected_export_replaces_the_first_one_row_by_row(count: int) -> None:
    rows = throws(1, count)
    corrected = [row | {"release_speed_mph": 70.0} if number == 1 else row for number, row in enumerate(rows)]
    renamed = [row | {"pitcher_label": f"Roe, {row['pitcher_label']}"} for row in rows]
    for newer in (corrected, renamed, [*rows, *throws(3, 5)]):
        once = deduplicated(numbered("first", rows), numbered("again", newer))
        assert set(once.sightings.get_column("file_id")) == {"again"} and once.sightings.height == len(newer)
        assert once.key_collisions.is_empty() and once.new_ids.is_empty()


def test_a_row_that_a_correction_changed_completely_is_counted_once_and_reported() -> None:
    rows = throws(1, 20)
    other = {"release_speed_mph": 61.0, "spin_rate_rpm": 1400.0, "induced_vertical_break_in": 2.0}
    once = deduplicated(numbered("first", rows), numbered("again", [*rows[:19], rows[19] | other]))
    assert reasons(once) == {"another export has the same row": 19, REPLACED: 1}


def test_each_corrected_export_finds_its_own_evening() -> None:
    one, two = throws(1, 30), throws(2, 30)
    later = [row | {"spin_rate_rpm": 2000.0} for row in two]
    names = ("mon", "tue", "mon_again", "tue_again")
    once = deduplicated(*(numbered(name, rows) for name, rows in zip(names, (one, two, one, later), strict=True)))
    assert set(once.sightings.get_column("file_id")) == {"mon_again", "tue_again"} and once.sightings.height == 60
    assert reasons(once) == {"another export has the same row": 30, CORRECTED: 30}


def test_readings_that_were_computed_again_are_a_correction() -> None:
    rows = throws(1, 30)
    again = [
        row | {"release_speed_mph": row["release_speed_mph"] + 0.2, "spin_rate_rpm": row["spin_rate_rpm"] - 9}
        for row in rows
    ]
    assert reasons(deduplicated(numbered("first", rows), numbered("again", again))) == {CORRECTED: 30}


@pytest.mark.parametrize("seed", range(5))
def test_evenings_of_a_radar_with_only_whole_miles_per_hour_are_both_kept(seed: int) -> None:
    """Rows of two evenings are often equal by chance, and a reading that is always the same proves nothing."""

    def bare(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
        return [
            {"release_speed_mph": round(row["release_speed_mph"]), "extension_ft": 6.0, "pitcher_label": "Ann"}
            for row in rows
        ]

    once = deduplicated(numbered("mon", bare(throws(seed, 40))), numbered("tue", bare(throws(seed + 100, 40))))
    assert once.sightings.height == 80


def test_the_order_of_rows_and_a_further_export_change_no_id() -> None:
    one, two = numbered("mon", throws(1, 20)), numbered("tue", throws(2, 20))
    first, again = deduplicated(one, two), deduplicated(one, two, seed=9)
    assert first.sightings.equals(again.sightings)
    more = deduplicated(one, two, numbered("wed", throws(3, 20)))
    ids = {name: set(part.sightings.get_column("sighting_id")) for name, part in (("two", first), ("three", more))}
    assert ids["two"] < ids["three"]


def test_a_row_whose_key_has_its_time_keeps_its_id() -> None:
    def at_night(file: str, seed: int, hour: int) -> list[dict[str, Any]]:
        rows = numbered(file, throws(seed, 10))
        # the device lost the time of its last two throws
        times = [{"sighting_id": f"s{file}{n}", "thrown_at": time_after(3600 * hour + 20 * n)} for n in range(8)]
        return [row | time for row, time in zip(rows, [*times, {}, {}], strict=True)]

    once = deduplicated(at_night("mon", 1, 1), at_night("tue", 2, 3))
    new = once.sightings.filter(pl.col("file_id") == "tue").sort("file_order").get_column("sighting_id")
    assert once.sightings.height == 20 and new[:8].to_list() == [f"stue{n}" for n in range(8)]
    assert not set(new[8:]) & {"s9", "s10"}


def test_ids_of_earlier_runs_lead_to_the_same_throws_whichever_export_came_first() -> None:
    """The ids of the numbers themselves belong to the older evening as soon as its export is there."""
    monday, again, tuesday = numbered("a", throws(1, 9)), numbered("b", throws(1, 9)), numbered("c", throws(2, 12))
    complete = deduplicated(monday, again, tuesday)
    leads_to = dict(complete.former_ids.select("sighting_id", "kept_sighting_id").iter_rows())
    speeds = dict(complete.sightings.select("sighting_id", "release_speed_mph").iter_rows())
    plain = {f"s{number}" for number in range(1, 10)}
    for arrived in ([tuesday], [again, tuesday], [monday, tuesday], [tuesday, monday]):
        for sighting, speed in deduplicated(*arrived).sightings.select("sighting_id", "release_speed_mph").iter_rows():
            assert sighting in plain or speeds[leads_to.get(sighting, sighting)] == speed


def test_a_native_id_of_another_day_is_another_throw_unless_the_readings_agree() -> None:
    monday, later = {"native_id": "7", "file_order": 1}, {"baseball_day": date(2026, 10, 4)}
    same = deduplicated(numbered("a", throws(1, 6), **monday), numbered("b", throws(1, 6), **monday, **later))
    assert reasons(same) == {MOVED: 6}
    other = deduplicated(numbered("a", throws(1, 6), **monday), numbered("b", throws(2, 6), **monday, **later))
    assert other.sightings.height == 12 and other.key_collisions.get_column("key").unique().to_list() == ["native_id"]
    # both days must be processed together, whatever the readings say
    for once in (same, other):
        assert once.same_keys.height == 2


def test_many_exports_of_one_season_are_one_evening() -> None:
    rows = throws(1, 30)
    exports = [numbered(f"season_{night}", rows[: 10 + night]) for night in range(20)]
    once = deduplicated(*exports)
    assert once.sightings.height == 29 and set(once.set_aside.get_column("kind")) == {"repeat"}


# ---- copies under other ids ----------------------------------------------------------------------------------------------------------------


def evening(file: str, speeds: list[float], **more: object) -> list[dict[str, Any]]:
    """Rows of an export whose ids depend on the file, so that only their readings show a copy."""
    return [
        {
            "sighting_id": f"s-{file}-{place}",
            "file_id": file,
            "file_order": place,
            "native_session": file,
            "release_speed_mph": speed,
            "spin_rate_rpm": 2000 + 10 * speed,
            "induced_vertical_break_in": speed / 7,
            **more,
        }
        for place, speed in enumerate(speeds)
    ]


SPEEDS = [91.2, 90.7, 84.1, 92.0, 91.2, 78.8, 90.1]


def kept(*exports: list[dict[str, Any]]) -> tuple[Deduplicated, list[str]]:
    once = remove_duplicates(sightings(*(row for rows in exports for row in rows)), NEWNESS)
    rows = sum(len(rows) for rows in exports)
    assert once.sightings.height + once.set_aside.height == rows
    ids = set(once.sightings.get_column("sighting_id"))
    assert set(once.set_aside.get_column("kept_sighting_id")) <= ids
    return once, once.sightings.get_column("file_id").to_list()


@pytest.mark.parametrize("copied", [SPEEDS, SPEEDS[:4], SPEEDS[3:], [*SPEEDS[:5], 70.0]])
def test_an_export_copied_under_another_name_counts_no_throw_twice(copied: list[float]) -> None:
    once, files = kept(evening("old", SPEEDS), evening("new", copied))
    assert once.sightings.height == len(SPEEDS) + (70.0 in copied)
    assert set(once.set_aside.get_column("kind")) == {"repeat"} and set(once.set_aside.get_column("why")) == {COPIED}
    # what was cut off gives way to what is whole, whichever is newer; of two alike the newer one counts
    assert files.count("old") == (0 if copied == SPEEDS else len(SPEEDS))


def test_a_copy_whose_labels_somebody_has_corrected_counts_as_the_newer_one() -> None:
    old, new = evening("old", SPEEDS, pitcher_label="Ann"), evening("new", SPEEDS[:-1], pitcher_label="Bea")
    once, files = kept(old, new)
    assert (files.count("new"), files.count("old")) == (6, 1)
    assert set(once.set_aside.get_column("kind")) == {"superseded"}


@pytest.mark.parametrize(
    "other",
    [
        evening("new", [speed + 0.1 for speed in SPEEDS]),
        evening("new", SPEEDS, tracker="gun"),
        evening("new", SPEEDS, baseball_day=date(2026, 10, 4)),
        evening("new", list(reversed(SPEEDS))),
        evening("new", [SPEEDS[0], 70.0, 71.0, 72.0]),
        evening("new", SPEEDS, spin_rate_rpm=None, induced_vertical_break_in=None),
    ],
    ids=["readings", "tracker", "day", "order", "one row alike", "less measured"],
)
def test_rows_that_only_may_be_alike_are_throws_of_their_own(other: list[dict[str, Any]]) -> None:
    once, _ = kept(evening("old", SPEEDS), other)
    assert once.set_aside.is_empty()


def test_a_radar_with_only_whole_miles_per_hour_loses_no_throw() -> None:
    bare: dict[str, object] = {"spin_rate_rpm": None, "induced_vertical_break_in": None}
    once, _ = kept(evening("old", [90, 91, 90, 92], **bare), evening("new", [90, 91, 90, 92], **bare))
    assert once.set_aside.is_empty()


@pytest.mark.parametrize("seed", range(3))
def test_evenings_that_are_equal_by_chance_lose_no_throw(seed: int) -> None:
    """Whole miles per hour, and readings that are always the same, give many equal rows."""
    chance = random.Random(seed)
    same: dict[str, object] = {"spin_rate_rpm": 2000.0, "extension_ft": 6.0, "induced_vertical_break_in": 12.0}
    old, new = (evening(file, [float(chance.randint(85, 92)) for _ in range(40)], **same) for file in ("old", "new"))
    assert kept(old, new)[0].set_aside.is_empty()


def test_a_copy_from_a_device_with_two_readings_counts_no_throw_twice() -> None:
    bare: dict[str, object] = {"induced_vertical_break_in": None}
    once, _ = kept(evening("old", SPEEDS, **bare), evening("new", [SPEEDS[0] + 3, *SPEEDS[1:]], **bare))
    assert once.sightings.height == len(SPEEDS) + 1


def test_two_evenings_of_one_day_that_were_both_copied_stay_two() -> None:
    """A throw of the one may read as a throw of the other."""
    late = [60.0, 61.0, SPEEDS[2], 62.0]
    rows = [evening("a", SPEEDS), evening("a2", SPEEDS), evening("b", late), evening("b2", late)]
    once, files = kept(*rows)
    assert (once.sightings.height, len(set(files))) == (len(SPEEDS) + len(late), 2)
