"""`pitchledger review`: what it lists, and that a line pasted from its output takes effect in the next run."""

import json
import re
import shutil
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from click.testing import CliRunner

from pipeline.cli import cli
from pipeline.settings.people import read_decisions
from pipeline.warehouse.query import run_query
from tests.conftest import command

Item = dict[str, Any]


def open_items(folder: Path, *words: str) -> list[Item]:
    """Return what `review` lists as JSON."""
    done = CliRunner().invoke(
        cli, ["review", "-w", str(folder), "--format", "json", "--all", *words], catch_exceptions=False
    )
    assert done.exit_code == 0, done.output
    items: list[Item] = json.loads(done.stdout)["items"]
    return items


def lines_for(item: Item, words: str) -> list[str]:
    (answer,) = [answer for answer in item["answers"] if words in answer["choice"]]
    lines: list[str] = answer["lines"]
    return lines


def first_about(items: list[Item], words: str) -> Item:
    return next(item for item in items if words in item["question"])


def sightings_of(folder: Path, *ids: str) -> pl.DataFrame:
    found = run_query(folder / "warehouse", "select sighting_id, pitch_id, pitcher_id, pitcher_by from sightings")
    return found.filter(pl.col("sighting_id").is_in(ids))


def test_check_accepts_every_line_without_a_placeholder(demo: Path, tmp_path: Path) -> None:
    items = open_items(demo)
    lines = [
        line for item in items for answer in item["answers"] for line in answer["lines"] if "PLAYER_ID" not in line
    ]
    assert {item["kind"] for item in items} == {"matches", "names", "labels"} and len(lines) > 50
    roster = pl.read_csv(demo / "roster.csv").get_column("player_id").to_list()
    for line in dict.fromkeys(lines):
        path = tmp_path / "decisions.csv"
        path.write_text(f"kind,tracker,subject,object,by,on,why\n{line}\n", "utf-8")
        decisions, problems = read_decisions(path, roster, None)
        assert (decisions.height, problems) == (len(line.split(",")[2].split()) if "thrown_by" in line else 1, []), line


def test_review_shows_the_twenty_newest_questions_and_counts_the_rest(demo: Path) -> None:
    items = open_items(demo)
    nights = [item["night"] for item in items]
    assert nights == sorted(nights, reverse=True) and len(items) > 20
    text = CliRunner().invoke(cli, ["review", "-w", str(demo)], catch_exceptions=False).stdout
    assert re.findall(r"^(\d+)\. ", text, re.MULTILINE) == [str(number) for number in range(1, 21)]
    (rest,) = re.findall(r"^(.*) more; --all shows them", text, re.MULTILINE)
    assert sum(map(int, re.findall(r"\d+", rest))) == len(items) - 20
    short = json.loads(CliRunner().invoke(cli, ["review", "-w", str(demo), "--format", "json"]).stdout)
    assert (len(short["items"]), short["more"]) == (20, len(items) - 20)


def test_every_doubtful_pitch_is_listed_with_its_pairs(demo: Path) -> None:
    listed = {re.findall(r"p[0-9a-f]{16}", item["question"])[0]: item for item in open_items(demo, "--kind", "matches")}
    doubtful = (
        run_query(demo / "warehouse", "select pitch_id from pitches where doubtful").get_column("pitch_id").to_list()
    )
    assert set(listed) == set(doubtful)
    pairs = run_query(demo / "warehouse", "from doubtful_matches")
    for pitch, item in listed.items():
        wanted = pairs.filter((pl.col("pitch_id_a") == pitch) | (pl.col("pitch_id_b") == pitch))
        assert len(item["reasons"]) == wanted.height
        lines = {tuple(line.split(",")[:4]) for answer in item["answers"] for line in answer["lines"]}
        one = pl.col("tracker_a") == pl.col("tracker_b")
        of_one, of_two = (wanted.filter(of).select("sighting_a", "sighting_b").rows() for of in (one, ~one))
        assert {line for line in lines if line[0] == "same_pitch"} == {("same_pitch", "", *pair) for pair in of_two}
        apart = {("not_same_pitch", "", *pair) for pair in of_one + of_two}
        assert {line for line in lines if line[0] == "not_same_pitch"} == apart
        # if a throw was recorded twice, its second record is not a pitch
        assert {("no_pitch", "", repeat, "") for _, repeat in of_one} <= lines


def test_possible_double_records_are_among_the_pairs_of_a_doubtful_pitch(demo: Path) -> None:
    doubles = run_query(
        demo / "warehouse",
        """
        with doubtful as (select sighting_id, pitch_id from sightings where pitch_id in (select pitch_id from pitches where doubtful))
        select kept_sighting_id as sighting_a, sighting_id as sighting_b, set_aside as merged from double_triggers
        where sighting_id in (select sighting_id from doubtful) or kept_sighting_id in (select sighting_id from doubtful)""",
    )
    pairs = run_query(demo / "warehouse", "from doubtful_matches where tracker_a = tracker_b")
    assert len(doubles) > 10
    assert sorted(pairs.select(doubles.columns).rows()) == sorted(doubles.rows())
    assert pairs.filter(pl.col("release_speed_b_mph").is_null() & pl.col("merged")).is_empty()


def test_json_gives_times_in_utc_and_the_page_in_local_time(demo: Path) -> None:
    sentences = [answer["choice"] for item in open_items(demo, "--kind", "matches") for answer in item["answers"]]
    assert any(re.search(r", \d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", sentence) for sentence in sentences)
    assert not any(re.search(r"\d [ap]m\b", sentence) for sentence in sentences)
    done = CliRunner().invoke(cli, ["review", "-w", str(demo), "--kind", "matches"], catch_exceptions=False)
    assert re.search(r"\d [ap]m\b", done.stdout) and "UTC" not in done.stdout


def test_lines_in_the_text_are_never_wrapped(demo: Path) -> None:
    text = CliRunner().invoke(cli, ["review", "-w", str(demo), "--all"], catch_exceptions=False).stdout.splitlines()
    lines = [line for item in open_items(demo) for answer in item["answers"] for line in answer["lines"]]
    assert set(lines) <= set(text)


def test_a_stale_label_question_has_a_line_for_either_pitcher(demo: Path) -> None:
    runs = open_items(demo, "--kind", "labels")
    assert len(runs) == run_query(demo / "warehouse", "from label_runs").height
    players = run_query(demo / "warehouse", "from players")
    counts, throwers = [], set()
    for item in runs:
        for answer in item["answers"]:
            counts.append(len(answer["lines"]))
            assert ("export again" in answer["choice"]) == (not answer["lines"])
            assert all(line.startswith("thrown_by,") for line in answer["lines"])
            throwers |= {line.split(",")[3] for line in answer["lines"]}
    assert throwers <= set(players.get_column("player_id"))
    assert throwers & set(players.filter("provisional").get_column("player_id"))
    assert throwers & set(players.filter("on_roster").get_column("player_id"))
    assert set(counts) <= {0, 1}


def _second_record(item: Item) -> str:
    """Return the second record of a throw that a tracker may have recorded twice."""
    line: str = next(answer["lines"][0] for answer in item["answers"] if "recorded twice" in answer["choice"])
    return line.split(",")[2]


@pytest.fixture(scope="module")
def decided(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Item], dict[str, list[str]]]:
    """The demo after a run with decisions from the review, one for each kind of answer."""
    folder = tmp_path_factory.mktemp("decided") / "demo_workspace"
    shutil.copytree(demo, folder, symlinks=True)
    matches, names = open_items(folder, "--kind", "matches"), open_items(folder, "--kind", "names")
    two = [
        item
        for item in matches
        if "are these two records one pitch" in item["question"] and "kept apart" in item["reasons"][0]
    ]
    merged = [
        item
        for item in matches
        if "are one pitch, probability" in item["reasons"][0] and item["night"] != two[0]["night"]
    ]
    twice = [item for item in matches if any("recorded twice" in answer["choice"] for answer in item["answers"])]
    taken = {
        "one": two[0],
        "apart": merged[0],
        "no pitch": next(
            item
            for item in matches
            if item["night"] not in (two[0]["night"], merged[0]["night"])
            and any("not a pitch at all (" in answer["choice"] for answer in item["answers"])
        ),
        "twice": twice[0],
        "two": next(item for item in twice if item["night"] != twice[0]["night"]),
        "is": first_about(names, "'Corwin Pelgrave'"),
        "nobody": first_about(names, "Rusk"),
    }
    runs = [item for item in open_items(folder, "--kind", "labels") if all(a["lines"] for a in item["answers"])]
    opponents = [run for run in runs if ",x-" in lines_for(run, "yes,")[0] and ",x-" in lines_for(run, "no,")[0]]
    others = [run for run in runs if run not in opponents]
    taken |= {"his": others[0], "as labelled": others[1], "opponent's": opponents[0]}
    choices = {
        "his": "yes,",
        "as labelled": "no,",
        "opponent's": "yes,",
        "one": "are one pitch",
        "apart": "none of these",
        "is": "it is Corwin Pellgrave",
        "nobody": "nobody on the roster",
    }
    lines = {how: lines_for(taken[how], words) for how, words in choices.items() if how != "apart"}
    apart = [answer for answer in taken["apart"]["answers"] if answer["lines"][0].startswith("not_same_pitch")]
    lines["apart"] = apart[0]["lines"]
    lines["no pitch"] = [
        answer["lines"][0] for answer in taken["no pitch"]["answers"] if "not a pitch at all (" in answer["choice"]
    ][:1]
    second = {how: _second_record(taken[how]) for how in ("twice", "two")}
    lines["twice"] = [f"no_pitch,,{second['twice']},,Dana,2026-11-30,written twice"]
    lines["two"] = [
        line
        for answer in taken["two"]["answers"]
        for line in answer["lines"]
        if line.startswith("not_same_pitch") and line.split(",")[3] == second["two"]
    ]
    with (folder / "decisions.csv").open("a", encoding="utf-8") as file:
        file.writelines(f"{line}\n" for answer_lines in lines.values() for line in answer_lines)
    done = command("run", "-w", folder)
    assert done.returncode == 0, done.stderr
    return folder, taken, lines


def test_a_decided_question_is_not_asked_again(decided: tuple[Path, dict[str, Item], dict[str, list[str]]]) -> None:
    folder, taken, lines = decided
    left = open_items(folder)
    questions = {item["question"].split(" (")[0] for item in left}
    for how in ("is", "nobody"):
        assert taken[how]["question"].split(" (")[0] not in questions
    asked = {line for item in left for answer in item["answers"] for line in answer["lines"]}
    for how in ("one", "apart", "no pitch", "twice", "two"):
        assert asked.isdisjoint(lines[how])
    about = {name for line in asked if line.startswith("thrown_by") for name in line.split(",")[2].split()}
    for how in ("his", "as labelled", "opponent's"):
        assert about.isdisjoint(lines[how][0].split(",")[2].split())
    notes = run_query(folder / "warehouse", "select note from decisions where note is not null")
    assert notes.is_empty()


def test_decisions_take_effect(decided: tuple[Path, dict[str, Item], dict[str, list[str]]]) -> None:
    folder, _, lines = decided
    a, b = lines["one"][0].split(",")[2:4]
    assert sightings_of(folder, a, b).get_column("pitch_id").n_unique() == 1
    for line in lines["apart"]:
        assert sightings_of(folder, *line.split(",")[2:4]).get_column("pitch_id").n_unique() == 2
    for how in ("no pitch", "twice"):
        assert sightings_of(folder, lines[how][0].split(",")[2]).is_empty()
    for line in lines["two"]:
        one, other = line.split(",")[2:4]
        assert sightings_of(folder, one, other).get_column("pitch_id").n_unique() == 2
        doubles = run_query(
            folder / "warehouse", f"from double_triggers where '{one}' in (sighting_id, kept_sighting_id)"
        )
        assert other not in {*doubles.get_column("sighting_id"), *doubles.get_column("kept_sighting_id")}
    named = run_query(
        folder / "warehouse",
        "select distinct pitcher_label, pitcher_id from sightings where pitcher_label in ('Corwin Pelgrave', 'Ollerby, Rusk')",
    )
    ids = dict(named.iter_rows())
    for how in ("his", "opponent's"):
        _, _, sightings, player = lines[how][0].split(",")[:4]
        pitches = sightings_of(folder, *sightings.split())
        assert set(pitches.select("pitcher_id", "pitcher_by").iter_rows()) == {(player, "person")}
    assert ids["Corwin Pelgrave"] == "hs08" and ids["Ollerby, Rusk"].startswith("x-")


def test_a_decided_pitcher_is_the_pitcher_of_the_pitch(
    decided: tuple[Path, dict[str, Item], dict[str, list[str]]],
) -> None:
    folder, _, lines = decided
    for how in ("his", "as labelled"):
        _, tracker, subject, player, *_ = lines[how][0].split(",")
        found = run_query(
            folder / "warehouse",
            f"""
            select sightings.tracker, sightings.pitcher_id, sightings.pitcher_by, pitches.pitcher_id as threw, pitches.pitcher_by as named_by,
                pitcher_conflict
            from sightings join pitches using (pitch_id) where list_contains(string_split('{subject}', ' '), sighting_id)""",
        )
        assert found.height == len(subject.split())
        assert set(found.rows()) == {(tracker, player, "person", player, "person", False)}
    # nor are these throws listed as possibly another arm's
    open_runs = run_query(folder / "warehouse", "select sighting_ids from label_runs").get_column("sighting_ids")
    open_ids = {name for ids in open_runs for name in ids.split(",")}
    decided_of = {name for how in ("his", "as labelled") for name in lines[how][0].split(",")[2].split()}
    pitches = sightings_of(folder, *decided_of).get_column("pitch_id")
    of_pitches = run_query(folder / "warehouse", "select sighting_id, pitch_id from sightings")
    assert open_ids.isdisjoint(of_pitches.filter(pl.col("pitch_id").is_in(pitches.implode()))["sighting_id"])


def test_review_says_so_when_nothing_needs_a_decision(tmp_path: Path) -> None:
    assert command("init", tmp_path / "program").returncode == 0
    assert command("run", "-w", tmp_path / "program").returncode == 0
    done = command("review", "-w", tmp_path / "program", "--kind", "matches")
    assert (done.returncode, done.stdout) == (0, "Nothing needs your decision.\n")


def test_review_before_the_first_run_says_what_to_do(tmp_path: Path) -> None:
    assert command("init", tmp_path / "program").returncode == 0
    done = command("review", "-w", tmp_path / "program")
    assert done.returncode != 0 and "pitchledger run" in done.stderr
