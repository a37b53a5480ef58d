"""roster.csv and decisions.csv as people and spreadsheets write them. The files are invented; RFC 4180 is the CSV standard."""

from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.settings.people import DECISIONS, ROSTER, read_decisions, read_roster, tracker_ids

TRACKERS = ("yard_radar", "pen_cam")
ONE, OTHER = "s0123456789abcdef", "sfedcba9876543210"


def roster(folder: Path, *lines: str, header: str = "player_id,name,hand,team,other_names,tracker_ids") -> list[str]:
    path = folder / "roster.csv"
    path.write_text("\n".join((header, *lines)), encoding="utf-8")
    return [str(problem) for problem in read_roster(path, TRACKERS)[1]]


def decisions(folder: Path, *lines: str) -> list[str]:
    path = folder / "decisions.csv"
    path.write_text("\n".join(("kind,tracker,subject,object,by,on,why", *lines)), encoding="utf-8")
    return [str(problem) for problem in read_decisions(path, ("p1", "p2"), TRACKERS)[1]]


@pytest.mark.parametrize("content", [None, b"", b"\xef\xbb\xbf", b"\n\n"])
def test_a_missing_or_empty_file_has_no_rows(tmp_path: Path, content: bytes | None) -> None:
    for name in ("roster.csv", "decisions.csv"):
        if content is not None:
            (tmp_path / name).write_bytes(content)
    players, roster_problems = read_roster(tmp_path / "roster.csv", TRACKERS)
    decided, decision_problems = read_decisions(tmp_path / "decisions.csv", (), TRACKERS)
    assert (players.schema, decided.schema) == (
        pl.Schema(dict.fromkeys(ROSTER, pl.String)),
        pl.Schema(dict.fromkeys(DECISIONS, pl.String)),
    )
    assert [players.height, decided.height, roster_problems, decision_problems] == [0, 0, [], []]


def test_blank_cells_are_null_and_spaces_around_a_cell_are_removed(tmp_path: Path) -> None:
    path = tmp_path / "roster.csv"
    path.write_text("player_id,name,hand\n p1 , Ivo Brandt ,\n,,\n")
    players, problems = read_roster(path, TRACKERS)
    assert problems == []
    assert players.to_dicts() == [dict.fromkeys(ROSTER) | {"player_id": "p1", "name": "Ivo Brandt"}]


@pytest.mark.parametrize(
    "written",
    [
        'player_id,name\r\np1,"Brandt, Ivo ""Bo"""\r\n',  # RFC 4180, section 2: CRLF, quoted comma, doubled quote
        '\ufeffplayer_id,name\np1,"Brandt, Ivo ""Bo"""\n',  # as a spreadsheet writes "CSV UTF-8"
        'name;player_id\n"Brandt, Ivo ""Bo""";p1',  # a spreadsheet whose decimal separator is a comma
    ],
)
def test_files_written_by_spreadsheets_read_the_same(tmp_path: Path, written: str) -> None:
    path = tmp_path / "roster.csv"
    path.write_bytes(written.encode())
    players, problems = read_roster(path, TRACKERS)
    assert problems == []
    assert players.select("player_id", "name").rows() == [("p1", 'Brandt, Ivo "Bo"')]


def test_a_problem_is_reported_with_the_line_that_an_editor_shows(tmp_path: Path) -> None:
    found = roster(tmp_path, "", 'p1,"Ivo', 'Brandt",right', "", "p2,Noe Vast,rihgt")
    assert found == [
        'roster.csv, row 6: hand = "rihgt" is not allowed. Allowed: right, left, both. Did you mean right?'
    ]


def test_all_problems_of_a_roster_are_reported_at_once(tmp_path: Path) -> None:
    found = roster(
        tmp_path,
        "p1,Ivo Brandt,right,,,yard_radar:7;pen_cam",
        "p1,Noe Vast,left,,,yard_radar:7",
        "p3,,,,,yard_rader:9",
        "x-3,Bo Quell,,,,",
        "p5,Li Marr,right,us,,,too many",
    )
    expected = (
        'row 2: tracker_ids = "pen_cam" is not in the form tracker:id.',
        'row 3: player_id = "p1" is already used in row 2.',
        'row 3: tracker_ids = "yard_radar:7" is already used in row 2.',
        "row 4: name is blank. Fill it in.",
        'row 4: tracker_ids = "yard_rader" is not a tracker of ledger.toml. Allowed: yard_radar, pen_cam. Did you mean yard_radar?',
        'row 5: player_id = "x-3" starts with x-',
        'row 6: the row has 7 cells ("too many" is one too many), the header has 6.',
    )
    assert all(any(want in line for line in found) for want in expected), found
    assert len(found) == len(expected)


def test_an_unknown_or_missing_column_is_reported_once(tmp_path: Path) -> None:
    found = roster(tmp_path, "p1,right", "p2,left", header="player_id,hnad")
    assert [line.partition(". ")[0] for line in found] == [
        "roster.csv: column hnad is not known",
        "roster.csv: column name is missing",
    ]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"player_id,name\np1,Jos\xe9\n", "is not UTF-8 text (byte 22). Save it as CSV UTF-8."),
        (b'player_id,name\np1,"Ivo\n', "row 2: the row is not valid CSV"),
    ],
)
def test_a_file_that_is_not_a_text_table_is_one_problem(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "roster.csv"
    path.write_bytes(content)
    players, problems = read_roster(path, TRACKERS)
    assert players.is_empty()
    assert [message in str(problem) for problem in problems] == [True]


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("lable_is,,Ivo B,p1,,,", 'kind = "lable_is" is not allowed. Allowed: label_is'),
        (",,Ivo B,p1,,,", "kind is blank. Allowed: label_is"),
        ("label_is,,,p1,,,", "subject is blank. Fill it in."),
        ("label_is,,Ivo B,,,,", "object is blank, and label_is needs a player_id."),
        ("label_is,,Ivo B,p9,,,", 'object = "p9" is not a player_id of roster.csv. Allowed: p1, p2.'),
        ("label_is,yard_rada,Ivo B,p1,,,", 'tracker = "yard_rada" is not a tracker of ledger.toml.'),
        ("label_is,,Ivo B,p1,Dana,3/15/26,", 'on = "3/15/26" is not a date. Write it as 2026-03-15.'),
        (f"same_pitch,,{ONE},,,,", "object is blank, and same_pitch needs another sighting_id."),
        (f"same_pitch,,{ONE},{ONE},,,", "is the same as subject. Name two different sightings."),
        (f"not_same_pitch,,{ONE},p0123456789abcdef,,,", 'object = "p0123456789abcdef" is not a sighting_id.'),
        (f"no_pitch,,{ONE},{OTHER},,,", "must be blank for no_pitch"),
        (f"thrown_by,,{ONE},,,,", "object is blank, and thrown_by needs a player_id."),
        (f"thrown_by,,{ONE} p0123456789abcdef,p1,,,", 'subject = "p0123456789abcdef" is not a sighting_id.'),
        (f"thrown_by,,{ONE},p9,,,", 'object = "p9" is not a player_id of roster.csv. Allowed: p1, p2.'),
    ],
)
def test_a_wrong_decision_is_reported_with_row_and_column(tmp_path: Path, line: str, message: str) -> None:
    found = decisions(tmp_path, f"no_pitch,,{OTHER},,Dana,2026-03-15,thrown back", line)
    assert len(found) == 1
    assert found[0].startswith("decisions.csv, row 3: ")
    assert message in found[0]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("label_is,,Ivo B,p1,,,", "label_is,,Ivo B,p2,,,"),
        ("label_is,,Ivo B,p1,,,", "label_is_not,,Ivo B,p1,,,"),
        ("label_is,,Ivo B,p1,,,", "label_is_not,,Ivo B,,,,"),
        (f"same_pitch,,{ONE},{OTHER},,,", f"not_same_pitch,,{OTHER},{ONE},,,"),
        (f"thrown_by,,{ONE} {OTHER},p1,,,", f"thrown_by,,{OTHER},p2,,,"),
    ],
)
def test_contradicting_decisions_are_reported_in_either_order(tmp_path: Path, first: str, second: str) -> None:
    for pair in ((first, second), (second, first)):
        kind = pair[1].partition(",")[0]
        assert decisions(tmp_path, *pair) == [
            f'decisions.csv, row 3: kind = "{kind}" contradicts row 2. Keep only the right one.'
        ]


def test_compatible_decisions_are_not_a_problem(tmp_path: Path) -> None:
    lines = (
        "label_is,,Ivo B,p1,,,",
        "label_is,yard_radar,Ivo B,p2,,,",  # this tracker's label is another player's
        "label_is,,Ivo B,p1,,,",
        "label_is_not,,Ivo B,p2,,,",
        "label_is_not,,Brandt,p1,,,",
        "label_is_not,,Brandt,p2,,,",
        f"not_same_pitch,,{ONE},{OTHER},,,",
        f"no_pitch,,{ONE},,,,",
        f"thrown_by,,{OTHER},x-visitors-ann-exempel,,,",
        f"thrown_by,yard_radar,{ONE},p1,,,",
    )
    assert decisions(tmp_path, *lines) == []


def test_a_line_with_several_sightings_becomes_one_row_for_each(tmp_path: Path) -> None:
    path = tmp_path / "decisions.csv"
    path.write_text(f"kind,tracker,subject,object,by\nthrown_by,yard_radar,{ONE}  {OTHER},p1,Dana\n")
    found, problems = read_decisions(path, ["p1"], ["yard_radar"])
    assert problems == []
    assert found.select("kind", "tracker", "subject", "object", "by").rows() == [
        ("thrown_by", "yard_radar", sighting, "p1", "Dana") for sighting in (ONE, OTHER)
    ]


def test_any_id_passes_without_a_known_roster_and_ledger(tmp_path: Path) -> None:
    path = tmp_path / "decisions.csv"
    path.write_text("kind,tracker,subject,object\nlabel_is,any,Ivo B,p9\n")
    assert read_decisions(path, None, None)[1] == []


def test_tracker_ids_are_read_with_their_trackers() -> None:
    assert tracker_ids(" yard_radar:41 ; pen_cam : 7:2;") == [("yard_radar", "41"), ("pen_cam", "7:2")]
    assert tracker_ids(None) == []


@given(st.text(max_size=200))
def test_any_text_is_read_or_reported_without_a_crash(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = tmp_path_factory.mktemp("any") / "roster.csv"
    path.write_bytes(b"player_id,name,tracker_ids\n" + text.encode("utf-8", "surrogatepass"))
    players, problems = read_roster(path, TRACKERS)
    assert players.columns == list(ROSTER)
    assert problems or players.get_column("player_id").null_count() == 0
