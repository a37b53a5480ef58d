from datetime import date
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.exports.duplicates import COPIED, REUSED_ID, Deduplicated, natural_key, remove_duplicates
from tests.frames import sightings

NEWNESS = pl.DataFrame({"file_id": ["old", "new"], "newness": [0, 1]})


def test_names_are_ordered_as_a_person_counts() -> None:
    names = ["pen_10.csv", "pen_2.csv", "pen.csv", "Pen_1.csv"]
    assert sorted(names, key=natural_key) == ["pen.csv", "Pen_1.csv", "pen_2.csv", "pen_10.csv"]


def test_the_newest_export_wins_and_the_older_row_is_set_aside_as_superseded() -> None:
    seen = sightings(
        {"sighting_id": "s1", "file_id": "old", "release_speed_mph": 90.0},
        {"sighting_id": "s1", "file_id": "new", "release_speed_mph": 91.0},
    )
    once = remove_duplicates(seen, NEWNESS)
    assert once.sightings.select("file_id", "release_speed_mph").rows() == [("new", 91.0)]
    assert once.set_aside.select("kind", "file_id", "kept_sighting_id").rows() == [("superseded", "old", "s1")]


def test_the_same_content_again_is_a_repeat() -> None:
    seen = sightings({"sighting_id": "s1", "file_id": "old"}, {"sighting_id": "s1", "file_id": "new"})
    assert remove_duplicates(seen, NEWNESS).set_aside.get_column("kind").to_list() == ["repeat"]


def test_a_reused_id_is_reported() -> None:
    other_day = {"sighting_id": "s1", "file_id": "new", "baseball_day": date(2026, 10, 4)}
    once = remove_duplicates(sightings({"sighting_id": "s1", "file_id": "old"}, other_day), NEWNESS)
    assert once.set_aside.get_column("why").to_list() == [REUSED_ID]


@given(st.lists(st.tuples(st.sampled_from(["s1", "s2", "s3"]), st.sampled_from(["old", "new"])), unique=True))
def test_no_row_is_lost_and_no_sighting_is_kept_twice(rows: list[tuple[str, str]]) -> None:
    seen = sightings(*({"sighting_id": sighting, "file_id": file} for sighting, file in rows))
    once = remove_duplicates(seen, NEWNESS)
    assert once.sightings.height + once.set_aside.height == len(rows)
    assert once.sightings.get_column("sighting_id").is_unique().all()
    assert set(once.sightings.get_column("sighting_id")) == {sighting for sighting, _ in rows}


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


def test_two_evenings_of_one_day_that_were_both_copied_stay_two() -> None:
    """A throw of the one may read as a throw of the other."""
    late = [60.0, 61.0, SPEEDS[2], 62.0]
    rows = [evening("a", SPEEDS), evening("a2", SPEEDS), evening("b", late), evening("b2", late)]
    once, files = kept(*rows)
    assert (once.sightings.height, len(set(files))) == (len(SPEEDS) + len(late), 2)
