"""Views, each against results counted by hand from the small warehouse; the pages that describe them; the questions of sql/README.md.

Hard-hit from 95 mph: common practice, no source. Circular mean and standard deviation: the direction of the mean of unit vectors and
sqrt(-2 ln R), Mardia & Jupp, Directional Statistics (2000), section 2.3 (from memory). Standard error of a difference of two means:
sqrt(s1^2/n1 + s2^2/n2), any textbook.
"""

import math
import re
from datetime import UTC, date, datetime
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.warehouse.database import SQL_FOLDER, read_views
from pipeline.warehouse.publish import publish
from pipeline.warehouse.query import open_published
from schemas.contract import conform
from schemas.dictionary import with_dictionary
from schemas.generated_sql import generated_sql
from schemas.metrics import METRICS
from schemas.tables import TABLES
from tests.small_warehouse import SUN, THU, TUE, WED, pitch_id, sighting_id, small_tables

GAME_1, GAME_2 = "2026-03-01-fen_park-field-game-1", "2026-03-05-fen_park-field-game-1"
PEN_1, PEN_2 = "2026-03-03-fen_park-pen_1-bullpen-1", "2026-03-04-fen_park-pen_1-bullpen-1"
SEAM = "where arm = 'ace' and pitch_type = 'four_seam'"

# (view, what follows `from view`, columns, rows counted by hand)
EXPECTED = [
    # ace: five pitches in Sunday's game, of which two (3 and 4) are doubtful; then one each on Tuesday, Wednesday, Thursday
    ("throws_by_day", "where arm = 'ace' order by baseball_day", "baseball_day, throws, throws_doubtful, throws_game, throws_bullpen, previous_day, rest_days, throws_7_days",
     [(SUN, 5, 2, 5, 0, None, None, 5), (TUE, 1, 0, 0, 1, SUN, 1, 6), (WED, 1, 0, 0, 1, TUE, 0, 7), (THU, 1, 0, 1, 0, WED, 0, 8)]),
    ("throws_by_day", "where arm <> 'ace' order by arm", "arm, pitcher_name, on_roster, name_resolved, throws, rest_days",
     [("label: A. Finsh", "A. Finsh", False, False, 1, None), ("not named", None, False, False, 1, None), ("x-guests-bo", "Bo", False, True, 1, None)]),
    # ace's Sunday: pitches 3 and 4, each in doubt with 0.4, may be a part of others; of three merged ones, each in doubt with 0.01, one may be
    # two. On Wednesday A. Finsh may be he, and on Thursday a row of the radar was not usable. 99 % limits of Poisson numbers: mean 0.03, at most 1.
    ("throws_by_day", "where arm = 'ace' order by baseball_day", "throws_at_least, throws_at_most, throws_7_days_at_least, throws_7_days_at_most, throws_warm_up",
     [(3, 6, 3, 6, 0), (1, 1, 4, 7, 0), (1, 3, 5, 10, 0), (1, 2, 6, 12, 0)]),
    # the pitch without a name follows that of A. Finsh, who may be ace
    ("throw_claims", "order by pitch_id, claimant", "pitch_id, arm, claimant, reason",
     [(pitch_id(9), "label: A. Finsh", "ace", "similar_name"), (pitch_id(10), "not named", "ace", "unnamed"), (pitch_id(10), "not named", "label: A. Finsh", "unnamed")]),
    ("throw_doubts", "where reason <> 'match' or expected > 0.1 order by baseball_day, arm, pitch_id, reason", "baseball_day, arm, pitch_id, reason, too_many, too_few, expected",
     [(SUN, "ace", pitch_id(3), "match", 1, 0, 0.4), (SUN, "ace", pitch_id(4), "match", 1, 0, 0.4), (WED, "ace", pitch_id(9), "this_arm", 0, 1, None),
      (WED, "ace", pitch_id(10), "this_arm", 0, 1, None), (WED, "label: A. Finsh", pitch_id(9), "other_arm", 1, 0, None),
      (WED, "label: A. Finsh", pitch_id(10), "this_arm", 0, 1, None), (WED, "not named", pitch_id(10), "other_arm", 1, 0, None), (THU, "ace", None, "lost_row", 0, 1, None)]),
    ("workload_as_of", "where arm = 'ace' and as_of between '2026-03-02' and '2026-03-07' order by as_of",
     "as_of, last_day, last_throws, days_since, last_possible_day, throws_1_day, throws_3_days, throws_7_days, throws_28_days_at_least, throws_28_days, throws_28_days_at_most, game_28_days, bullpen_28_days",
     [(date(2026, 3, 2), SUN, 5, 1, SUN, 5, 5, 5, 3, 5, 6, 5, 0), (TUE, SUN, 5, 2, SUN, 0, 5, 5, 3, 5, 6, 5, 0), (WED, TUE, 1, 1, TUE, 1, 6, 6, 4, 6, 7, 5, 1),
      (THU, WED, 1, 1, WED, 1, 2, 7, 5, 7, 10, 5, 2), (date(2026, 3, 6), THU, 1, 1, THU, 1, 3, 8, 6, 8, 12, 6, 2), (date(2026, 3, 7), THU, 1, 2, THU, 0, 2, 8, 6, 8, 12, 6, 2)]),
    # 94 and 96 in the first inning; 93 by radar and 92.5 by array in the second: sqrt(2 / 2 + 0.125 / 2)
    ("velocity_by_inning", f"{SEAM} and baseball_day = '2026-03-01' order by inning",
     "inning, pitches, mean_mph, sd_mph, trackers, first_inning, change_mph, change_standard_error_mph, same_trackers",
     [(1, 2, 95.0, math.sqrt(2), "radar", 1, 0.0, None, True), (2, 2, 92.75, math.sqrt(0.125), "array | radar", 1, -2.25, math.sqrt(1.0625), False)]),
    # the curveball of the second inning is not compared with the fastballs of the first
    ("velocity_by_inning", "where pitch_type = 'curveball'", "inning, first_inning, mean_mph, change_mph", [(2, 2, 78.0, 0.0)]),
    ("velocity_by_outing", f"{SEAM} order by baseball_day", "baseball_day, pitches, mean_mph, fastest_mph, slowest_mph, trackers, previous_day, previous_trackers, change_mph",
     [(SUN, 4, 93.875, 96.0, 92.5, "array | radar", None, None, None), (TUE, 1, 95.0, 95.0, 95.0, "unit", SUN, "array | radar", 1.125),
      (WED, 1, 94.0, 94.0, 94.0, "unit", TUE, "unit", -1.0), (THU, 1, 91.0, 91.0, 91.0, "radar", WED, "unit", -3.0)]),
    # axes 350 and 10: mean 0, resultant cos 10 degrees
    ("movement_by_month", SEAM, "season, month, pitches, movement_pitches, induced_vertical_break_in, induced_vertical_break_sd_in, horizontal_break_in, axis_pitches, spin_axis_deg, spin_axis_concentration, spin_axis_sd_deg",
     [(2026, 3, 7, 2, 17.0, math.sqrt(2), -9.0, 2, 0.0, math.cos(math.radians(10)), math.degrees(math.sqrt(-2 * math.log(math.cos(math.radians(10))))))]),
    ("movement_by_month", "where pitch_type = 'curveball'", "axis_pitches, spin_axis_deg, spin_axis_concentration, spin_axis_sd_deg, movement_trackers", [(0, None, None, None, None)]),
    # heights 6.0, 6.2 and sides -2.0, -2.2: variance 0.02 each, together 0.04
    ("release_points", "", "arm, pitch_type, pitches, release_height_ft, release_side_ft, release_height_sd_ft, extension_ft, spread_ft, trackers",
     [("ace", "four_seam", 2, 6.1, -2.1, math.sqrt(0.02), 6.0, 0.2, "radar")]),
    # 95.0 is hard hit, 94.9 is not
    ("batted_balls", "order by pitch_id", "pitch_id, arm, exit_velocity_mph, hard_hit, in_play, trackers",
     [(pitch_id(5), "ace", 95.0, True, True, "radar"), (pitch_id(6), "x-guests-bo", 94.9, False, True, "radar")]),
    ("batted_balls_by_pitcher", "order by arm", "season, arm, pitch_type, batted_balls, hard_hit, hard_hit_share, mean_exit_velocity_mph",
     [(2026, "ace", "curveball", 1, 1, 1.0, 95.0), (2026, "x-guests-bo", "changeup", 1, 0, 0.0, 94.9)]),
    # Sunday's radar has 5, array 4, 3 of them both: 3/5 and 3/4. Thursday's array, there on the only day before, saw nothing
    ("nights_with_gaps", "order by baseball_day, tracker", "baseball_day, station, tracker, other_tracker, pitches_other, pitches_both, pitches_tracker, share_seen, gap_share",
     [(SUN, "field", "array", "radar", 5, 3, 4, 0.6, 0.8), (SUN, "field", "radar", "array", 4, 3, 5, 0.75, 0.8), (THU, "field", "array", "radar", 1, 0, 0, 0.0, 0.8)]),
    ("coverage_by_night", "order by session_id", "session_id, pitches, seen_by_1, seen_by_2, seen_by_3_or_more, doubtful, name_unresolved, label_conflicts",
     [(GAME_1, 6, 3, 3, 0, 2, 0, 1), (PEN_1, 1, 1, 0, 0, 0, 0, 0), (PEN_2, 3, 3, 0, 0, 0, 2, 0), (GAME_2, 1, 1, 0, 0, 0, 0, 0)]),
    ("label_conflicts", "", "pitch_id, pitch_type, pitch_types, pitchers, label_conflict, pitcher_conflict",
     [(pitch_id(5), "curveball", "array: slider; radar: curveball", "array: Finch, Alder; radar: Finch, Alder", True, False)]),
    ("row_conservation", "order by tracker", "tracker, rows_read, sightings, repeats, no_pitch, quarantined, rows_unexplained",
     [("array", 4, 4, 0, 0, 0, 0), ("radar", 9, 6, 1, 1, 1, 0), ("unit", 4, 4, 0, 0, 0, 0)]),
    ("rows_by_night", "order by baseball_day", "baseball_day, tracker, files, files_not_read, rows_read, rows_unexplained",
     [(SUN, "array", 1, 0, 4, 0), (WED, "unit", 1, 0, 4, 0), (THU, "radar", 1, 0, 9, 0)]),
    ("doubtful_matches", "", "sighting_a, sighting_b, pitch_id_a, pitch_id_b, probability, merged, release_speed_a_mph, release_speed_b_mph, time_gap_s",
     [(sighting_id(3, "radar"), sighting_id(4, "array"), pitch_id(3), pitch_id(4), 0.4, False, 93.0, 92.5, 1.5)]),
    ("unresolved_names", "", "tracker, label, sightings, proposal, proposed_name, score", [("unit", "A. Finsh", 1, "ace", "Alder Finch", 88.0)]),
    ("readings_side_by_side", f"where pitch_id = '{pitch_id(1)}' and metric in ('release_speed_mph', 'extension_ft') order by metric",
     "metric, preferred, tracker_1, reading_1, tracker_2, reading_2, tracker_3, readings, spread",
     [("extension_ft", 6.0, "radar", 6.0, None, None, None, 1, 0.0), ("release_speed_mph", 94.0, "radar", 94.0, "array", 94.5, None, 2, 0.5)]),
    ("readings", f"where pitch_id = '{pitch_id(1)}' and metric in ('release_speed_mph', 'extension_ft') order by metric, tracker",
     "sighting_id, baseball_day, tracker, metric, value",
     [(sighting_id(1, "radar"), SUN, "radar", "extension_ft", 6.0), (sighting_id(1, "array"), SUN, "array", "release_speed_mph", 94.5),
      (sighting_id(1, "radar"), SUN, "radar", "release_speed_mph", 94.0)]),
    # a tenth of the tolerance of 0.25 ft is 0.025 ft: two digits
    ("metrics", "where metric = 'plate_side_ft'", "words, unit, tolerance, decimals, is_angle", [("plate side", "ft", 0.25, 2, False)]),
    ("distinct_exports", "order by tracker", "file_id, tracker, file_name, status, baseball_day_last",
     [("array-file", "array", "array.csv", "read", SUN), ("radar-file", "radar", "radar.csv", "read", THU), ("unit-file", "unit", "unit.csv", "read", WED)]),
    # the small warehouse has no run, so no night is known to be past
    ("last_night", "", "baseball_day, week_began", [(None, date(1, 1, 1))]),
    ("pitch_log", "where pitch_number in (1, 9, 10) order by pitch_number", "pitch_number, arm, pitcher_name, on_roster, name_resolved, pitch_type, seen_by, release_speed_mph",
     [(1, "ace", "Alder Finch", True, True, "four_seam", 2, 94.0), (9, "label: A. Finsh", "A. Finsh", False, False, "four_seam", 1, 90.0),
      (10, "not named", None, False, False, "unknown", 1, 70.0)]),
]  # fmt: skip
# the views of agreement, deliveries and doubtful throws (test_workload.py) have their own tests
ELSEWHERE = {
    *("crooked_setups", "how_far_apart", "live_alarms", "deliveries"),
    *("non_pitches", "possible_non_pitches", "unmatched_sessions", "workload_today"),
}


@pytest.fixture(scope="module")
def con(tmp_path_factory):
    """A sealed connection to the small warehouse as it is published."""
    folder = tmp_path_factory.mktemp("sql")
    publish(small_tables(), folder, "v1", 2)
    with open_published(folder) as connection:
        yield connection


@pytest.mark.parametrize(
    ("view", "rest", "columns", "rows"), EXPECTED, ids=[f"{n}-{case[0]}" for n, case in enumerate(EXPECTED)]
)
def test_the_view_gives_what_was_counted_by_hand(con, view, rest, columns, rows):
    found = con.execute(f"select {columns} from {view} {rest}").fetchall()
    assert len(found) == len(rows)
    for got, wanted in zip(found, rows, strict=True):
        numbers = [pytest.approx(value, abs=1e-9) if isinstance(value, float) else value for value in wanted]
        assert list(got) == numbers


def test_every_view_is_tested():
    assert {view.name for view in read_views()} == {case[0] for case in EXPECTED} | ELSEWHERE


@pytest.mark.parametrize("view", read_views(), ids=lambda view: view.name)
def test_a_view_asks_a_question_and_explains_every_column(con, view):
    there = con.execute(
        "select column_name, comment from duckdb_columns() where table_name = ? order by column_index", [view.name]
    ).fetchall()
    assert "?" in view.description
    assert "One row is" in view.description
    assert [name for name, _ in there] == list(view.columns)
    assert all(comment for _, comment in there)


@pytest.mark.parametrize("path", sorted(SQL_FOLDER.rglob("*.sql")), ids=lambda path: path.stem)
def test_a_file_of_sql_is_one_select_that_names_its_columns(con, path):
    text = path.read_text(encoding="utf-8")
    assert text.startswith("-- ")
    (statement,) = con.extract_statements(text)
    assert statement.type == duckdb.StatementType.SELECT
    code = re.sub(r"'[^']*'", "''", re.sub(r"--.*", "", text))
    assert code == code.lower()
    if path.parent.name == "views":
        assert "if(" not in code, "the oldest client that opens the warehouse, DuckDB 1.1, has no function if: use case"
        assert not re.search(r"select\s+\*", code.rpartition("\n)\n")[2]), (
            "the last select of a published view names its columns"
        )


@pytest.mark.parametrize("view", ["throws_by_day", "workload_as_of", "workload_today"])
def test_no_view_judges_workload(view):
    """Raw counts and days only: thresholds and ratios belong to the governing body and the medical staff."""
    code = re.sub(r"--.*", "", (SQL_FOLDER / "views" / f"{view}.sql").read_text())
    # nothing is compared with a number but with 0 and with the share of arm-days on which the bounds hold
    assert set(re.findall(r"[<>]=?\s*(\d[\d.]*)", code)) <= {"0", "0.99"}
    assert "/" not in code


def test_throws_of_an_uncertain_pitcher_are_listed_beside_both_counts(tmp_path):
    """Pitch 5: the array names bo, and so bo's Sunday may be one throw more. Pitch 7, ace's one of Tuesday: its label looks like bo's."""
    tables = small_tables()
    fifth, array_s = pl.col("pitch_id") == pitch_id(5), pl.col("tracker") == "array"
    bo = pl.lit("x-guests-bo")
    tables["sightings"] = tables["sightings"].with_columns(
        pitcher_id=pl.when(fifth & array_s).then(bo).otherwise("pitcher_id")
    )
    tables["pitches"] = tables["pitches"].with_columns(pitcher_conflict=fifth)
    seventh = sighting_id(7, "unit")
    run = {
        "tracker": "unit",
        "baseball_day": TUE,
        "file_id": "unit-file",
        "pitches": 1,
        "proposed_player_id": "x-guests-bo",
    }
    ids = {"first_sighting_id": seventh, "last_sighting_id": seventh, "sighting_ids": seventh}
    tables["label_runs"] = conform(pl.DataFrame([run | ids]), TABLES["label_runs"])
    publish(tables, tmp_path, "v1", 2)
    columns = "arm, baseball_day, pitcher_name, throws, throws_pitcher_doubtful, throws_elsewhere, throws_7_days, previous_day, rest_days"
    with open_published(tmp_path) as connection:
        found = connection.execute(
            f"select {columns} from throws_by_day where name_resolved order by arm, baseball_day"
        ).fetchall()
        assert connection.execute("select sum(throws) from throws_by_day").fetchone() == (11,)
    assert found == [
        # besides pitch 5, one tracker alone saw pitches 3 and 4 of that inning
        ("ace", SUN, "Alder Finch", 5, 3, 0, 5, None, None),
        ("ace", TUE, "Alder Finch", 1, 1, 0, 6, SUN, 1),
        # A. Finsh, and the pitch without a name after his
        ("ace", WED, "Alder Finch", 1, 0, 2, 7, TUE, 0),
        ("ace", THU, "Alder Finch", 1, 0, 0, 8, WED, 0),
        ("x-guests-bo", SUN, "Bo", 1, 0, 3, 1, None, None),
        ("x-guests-bo", TUE, "Bo", 0, 0, 1, 1, SUN, 1),
    ]


def test_rest_days_run_over_the_end_of_a_month(tmp_path):
    tables = small_tables()
    moved = {name: _on_other_days(frame) for name, frame in tables.items()}
    publish(moved, tmp_path, "v1", 2)
    with open_published(tmp_path) as connection:
        found = connection.execute(
            "select baseball_day, rest_days, throws_7_days from throws_by_day where arm = 'ace' order by 1"
        ).fetchall()
    # 2028 is a leap year: from 28 February to 1 March there is one whole day
    assert found == [
        (date(2028, 2, 20), None, 5),
        (date(2028, 2, 28), 7, 1),
        (date(2028, 3, 1), 1, 2),
        (date(2028, 3, 6), 4, 2),
    ]


def _on_other_days(frame):
    other = dict(
        zip(
            (SUN, TUE, WED, THU),
            (date(2028, 2, 20), date(2028, 2, 28), date(2028, 3, 1), date(2028, 3, 6)),
            strict=True,
        )
    )
    if "baseball_day" not in frame.columns or frame.is_empty():
        return frame
    return frame.with_columns(frame["baseball_day"].replace_strict(other))


# ---- sql/README.md ---------------------------------------------------------------------------------------------------------------------

PAGE = (SQL_FOLDER / "README.md").read_text(encoding="utf-8")
QUESTIONS = re.findall(r"```sql\n(.*?)```", PAGE, re.DOTALL)
# how many rows each question has on the small warehouse, counted by hand: 3, 8 ask for more pitches or for an answer that is not there
ANSWERS = [4, 2, 0, 2, 0, 2, 1, 3, 0, 1]


def test_the_dictionary_is_current():
    assert with_dictionary(PAGE) == PAGE, "run: python -m schemas.dictionary"


@pytest.mark.parametrize(("name", "text"), generated_sql().items(), ids=str)
def test_generated_sql_is_current(name, text):
    assert (SQL_FOLDER / name).read_text(encoding="utf-8") == text, "run: python -m schemas.dictionary"


def test_no_other_sql_lists_the_metrics():
    """A query that needs all metrics reads the view readings."""
    lists = {
        path.name for path in SQL_FOLDER.rglob("*.sql") if set(METRICS) <= set(re.findall(r"\w+", path.read_text()))
    }
    assert lists == {Path(name).name for name in generated_sql()}


def test_the_last_night_leaves_out_pitches_dated_after_the_run(tmp_path):
    tables = small_tables()
    run = {"run_id": "1", "started_at": datetime(2026, 3, 3, 14, tzinfo=UTC), "status": "done"}
    tables["runs"] = conform(pl.DataFrame([run]), TABLES["runs"])
    publish(tables, tmp_path, "v1", 2)
    with open_published(tmp_path) as connection:
        found = connection.execute("select baseball_day, week_began from last_night").fetchall()
    # 4 March is the day after the run and may be ahead of UTC; 5 March cannot be
    assert found == [(WED, date(2026, 2, 26))]


def test_there_are_ten_questions():
    assert len(QUESTIONS) == len(ANSWERS) == 10


@pytest.mark.parametrize(("question", "rows"), list(zip(QUESTIONS, ANSWERS, strict=True)), ids=range(1, 11))
def test_a_question_of_the_page_is_answered(con, question, rows):
    assert len(con.execute(question).fetchall()) == rows


def test_an_old_id_resolves_to_the_current_pitch(con):
    assert con.execute(QUESTIONS[9]).fetchone() == (pitch_id(1),)


def test_the_pages_python_works(tmp_path, monkeypatch):
    publish(small_tables(), tmp_path / "warehouse", "v1", 2)
    monkeypatch.chdir(tmp_path)
    found: dict[str, object] = {}
    for block in re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL):
        exec(block, found)
    assert found["nights"].height == 3
    assert found["pitches"].height == 11
    found["con"].close()
