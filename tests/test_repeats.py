from datetime import date

import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from pipeline.repeats import STARTS_ANEW, natural_key, resolve_repeats
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
    once = resolve_repeats(seen, NEWNESS)
    assert once.sightings.select("file_id", "release_speed_mph").rows() == [("new", 91.0)]
    assert once.set_aside.select("kind", "file_id", "of_sighting_id").rows() == [("superseded", "old", "s1")]


def test_the_same_content_again_is_a_repeat() -> None:
    seen = sightings({"sighting_id": "s1", "file_id": "old"}, {"sighting_id": "s1", "file_id": "new"})
    assert resolve_repeats(seen, NEWNESS).set_aside.get_column("kind").to_list() == ["repeat"]


def test_an_id_that_starts_anew_is_told() -> None:
    other_day = {"sighting_id": "s1", "file_id": "new", "baseball_day": date(2026, 10, 4)}
    once = resolve_repeats(sightings({"sighting_id": "s1", "file_id": "old"}, other_day), NEWNESS)
    assert once.set_aside.get_column("why").to_list() == [STARTS_ANEW]


@given(st.lists(st.tuples(st.sampled_from(["s1", "s2", "s3"]), st.sampled_from(["old", "new"])), unique=True))
def test_no_row_is_lost_and_no_sighting_stands_twice(rows: list[tuple[str, str]]) -> None:
    seen = sightings(*({"sighting_id": sighting, "file_id": file} for sighting, file in rows))
    once = resolve_repeats(seen, NEWNESS)
    assert once.sightings.height + once.set_aside.height == len(rows)
    assert once.sightings.get_column("sighting_id").is_unique().all()
    assert set(once.sightings.get_column("sighting_id")) == {sighting for sighting, _ in rows}
