import re
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.exports.mapping.cells import parse_number
from pipeline.exports.mapping.describe import describe_columns
from pipeline.exports.mapping.rows import Mapped
from pipeline.exports.readers import read_export
from schemas.contract import validate
from schemas.exports import METRIC_SOURCES, QUARANTINE, SET_ASIDE, UNKNOWN_LABELS
from tests.exports import SPEED, export, mapped, profile_of

PAGE = Path(__file__).parents[1] / "schemas" / "profile.md"
HEAD = "when,pace\n"


def seconds(*stamps: int) -> str:
    return HEAD + "".join(f"2026-10-16 19:00:{stamp:02d},{80 + stamp}\n" for stamp in stamps)


def quarantined(found: Mapped, level: str = "value") -> list[tuple[object, ...]]:
    return found.quarantine.filter(pl.col("level") == level).select("file_row", "column", "metric", "value").rows()


def fates(found: Mapped) -> list[tuple[object, ...]]:
    return found.set_aside.sort("file_row").select("file_row", "kind").rows()


# ------------------------------------------------------------------------------------------------------------------------ numbers


@pytest.mark.parametrize(
    ("text", "decimal", "thousands", "number"),
    [
        ("95.1", ".", "", 95.1),
        ("+95.1", ".", "", 95.1),
        (".5", ".", "", 0.5),
        ("5.", ".", "", 5.0),
        ("1.5e-3", ".", "", 0.0015),
        ("\u22125.2", ".", "", -5.2),
        ("\u20135.2", ".", "", -5.2),
        ("1,234.5", ".", ",", 1234.5),
        ("1,234,567", ".", ",", 1234567.0),
        ("95,1", ".", ",", None),
        ("95,1", ".", "", None),
        ("95,1", ",", "", 95.1),
        ("2.310", ",", ".", 2310.0),
        ("2.310,5", ",", ".", 2310.5),
        ("2.31", ",", ".", None),
        ("95.1", ",", "", None),
        ("1 234,5", ",", " ", 1234.5),
        ("1\u202f234,5", ",", " ", 1234.5),
        ("1'234.5", ".", "'", 1234.5),
        ("95.1 mph", ".", "", None),
        ("NaN", ".", "", None),
        ("inf", ".", "", None),
        ("1e999", ".", "", None),
        ("0x1F", ".", "", None),
        ("--5", ".", "", None),
        ("12:40", ".", "", None),
    ],
)
def test_a_text_is_read_as_the_number_that_the_profile_defines_or_null(
    text: str, decimal: str, thousands: str, number: float | None
) -> None:
    assert pl.DataFrame({"x": [text]}).select(parse_number("x", decimal, thousands)).item() == number


@given(st.floats(-1e6, 1e6), st.sampled_from([(".", ","), (",", "."), (".", ""), (",", " "), (".", "'")]))
def test_numbers_come_back_as_they_were_written(number: float, signs: tuple[str, str]) -> None:
    """Written by the standard library's format, with its two signs exchanged."""
    decimal, thousands = signs
    text = f"{number:,.3f}".translate({ord(","): thousands, ord("."): decimal})
    read = pl.DataFrame({"x": [text]}).select(parse_number("x", decimal, thousands)).item()
    assert read == pytest.approx(round(number, 3), abs=1e-9)


def test_each_text_that_is_not_a_number_is_reported_with_row_column_and_metric(tmp_path: Path) -> None:
    rest = SPEED + 'null_words = ["err"]\n'
    text = (
        HEAD
        + "2026-10-16 19:00:01,91\n2026-10-16 19:00:02,91 mph\n2026-10-16 19:00:03,err\n2026-10-16 19:00:04, \n2026-10-16 19:00:05,NaN\n"
    )
    found = mapped(export(tmp_path, text), profile_of(tmp_path, rest=rest))
    assert found.sightings.get_column("release_speed_mph").to_list() == [91.0, None, None, None, None]
    assert quarantined(found) == [(3, "pace", "release_speed_mph", "91 mph"), (6, "pace", "release_speed_mph", "NaN")]
    sources = found.metric_sources.row(0, named=True)
    assert (sources["sightings"], sources["measured"]) == (5, 1)
    assert found.metric_sources.get_column("affected").sum() == 4


def test_zero_means_not_measured_only_where_the_profile_says_so(tmp_path: Path) -> None:
    path = export(tmp_path, HEAD + "2026-10-16 19:00:01,0\n2026-10-16 19:00:02,0.0\n")
    plain = mapped(path, profile_of(tmp_path)).sightings
    nulled = mapped(path, profile_of(tmp_path, rest=SPEED + "zero_is_null = true\n")).sightings
    assert plain.get_column("release_speed_mph").to_list() == [0.0, 0.0]
    assert nulled.get_column("release_speed_mph").to_list() == [None, None]


# ---------------------------------------------------------------------------------------------------------------- counts and labels

PEN = """
[keys]
pitcher = "who"
[situation]
outs = "outs"
inning = "inn"
[labels.pitch_type]
column = "kind"
by = "operator"
words = { "Heater " = "four_seam" }
[labels.half]
column = "half"
words = { "Ä" = "top" }
[labels.station]
column = "spot"
words = { "B" = "pen_south" }
"""


def test_impossible_counts_are_nulled_and_reported(tmp_path: Path) -> None:
    text = "when,pace,who,outs,inn,kind,half,spot\n" + "".join(
        f"2026-10-16 19:00:0{n},91,x,{outs},{inning},heater,top,B\n"
        for n, (outs, inning) in enumerate([("2", "9"), ("4", "1"), ("1.5", "1.0"), ("x", "100")])
    )
    found = mapped(export(tmp_path, text), profile_of(tmp_path, rest=SPEED + PEN), ("field", "pen_south"))
    assert found.sightings.select("outs", "inning").rows() == [(2, 9), (None, 1), (None, 1), (None, None)]
    assert sorted(quarantined(found)) == [
        (3, "outs", "outs", "4"),
        (4, "outs", "outs", "1.5"),
        (5, "inn", "inning", "100"),
        (5, "outs", "outs", "x"),
    ]


def test_words_are_ours_or_counted(tmp_path: Path) -> None:
    rows = [("HEATER", "ä", "b"), ("four_seam", "TOP", "pen_south"), ("wobbler", "up", "moon"), ("", "", "")]
    text = "when,pace,who,outs,inn,kind,half,spot\n" + "".join(
        f"2026-10-16 19:00:0{n},91,x,0,1,{','.join(row)}\n" for n, row in enumerate(rows)
    )
    found = mapped(export(tmp_path, text), profile_of(tmp_path, rest=SPEED + PEN), ("field", "pen_south"))
    labels = found.sightings.select("pitch_type", "half", "station", "station_by", "occasion", "pitch_type_by")
    assert labels.rows() == [
        ("four_seam", "top", "pen_south", "export", "bullpen", "operator"),
        ("four_seam", "top", "pen_south", "export", "bullpen", "operator"),
        ("unknown", None, None, None, None, "operator"),
        (None, None, None, None, None, None),
    ]
    assert found.unknown_labels.sort("field").select("field", "label", "rows", "became").rows() == [
        ("half", "up", 1, None),
        ("pitch_type", "wobbler", 1, "unknown"),
        ("station", "moon", 1, None),
    ]


def test_a_tracker_with_one_station_is_at_that_station(tmp_path: Path) -> None:
    found = mapped(export(tmp_path, seconds(1)), profile_of(tmp_path)).sightings
    assert found.select("station", "station_by", "occasion").rows() == [("field", "ledger", "game")]


def test_a_roaming_tracker_without_a_station_column_has_no_station(tmp_path: Path) -> None:
    found = mapped(export(tmp_path, seconds(1)), profile_of(tmp_path), ("field", "pen_north")).sightings
    assert found.select("station", "station_by", "occasion").rows() == [(None, None, None)]


# ------------------------------------------------------------------------------------------------------------- rows and their fates


def test_rows_that_are_no_pitch_are_kept_aside_with_their_reason(tmp_path: Path) -> None:
    rest = (
        SPEED
        + """
[[no_pitch]]
column = "pace"
below = 50
why = "too slow"
[[no_pitch]]
column = "kind"
words = ["Return"]
why = "throw back"
[[no_pitch]]
column = "pace"
is_null = true
why = "nothing seen"
"""
    )
    text = "when,pace,kind\n" + "".join(
        f"2026-10-16 19:00:0{n},{row}\n" for n, row in enumerate(["91,", "49.9,", "92, return ", ",", "50,", "err,"])
    )
    found = mapped(export(tmp_path, text), profile_of(tmp_path, rest=rest))
    assert found.set_aside.sort("file_row").select("file_row", "kind", "why").rows() == [
        (3, "no_pitch", "too slow"),
        (4, "no_pitch", "throw back"),
        (5, "no_pitch", "nothing seen"),
    ]
    assert found.sightings.get_column("file_row").to_list() == [2, 6, 7]


def test_warm_ups_are_rows_whose_word_or_reason_says_so(tmp_path: Path) -> None:
    rules = """
[[no_pitch]]
column = "kind"
words = ["Warm-Up", "toss"]
why = "the device marks it"
[[no_pitch]]
column = "kind"
words = ["prep"]
why = "thrown before the inning"
is_warm_up = true
[[no_pitch]]
column = "kind"
words = ["loosening"]
why = "warm-up"
[[no_pitch]]
column = "kind"
words = ["warm day"]
why = "a note"
is_warm_up = false
"""
    words = ("warm-up", "toss", "prep", "loosening", "warm day")
    text = "when,pace,kind\n" + "".join(f"2026-10-16 19:00:0{n},70,{word}\n" for n, word in enumerate(words))
    found = mapped(export(tmp_path, text), profile_of(tmp_path, rest=SPEED + rules))
    assert found.set_aside.sort("file_row").get_column("is_warm_up").to_list() == [True, False, True, True, False]


def test_a_row_without_any_date_is_quarantined_with_the_reason(tmp_path: Path) -> None:
    text = HEAD + "2026-10-16 19:00:01,91\n,92\n16.10.2026,93\n"
    found = mapped(export(tmp_path, text), profile_of(tmp_path))
    assert quarantined(found, "row") == [(3, "when", "baseball_day", None), (4, "when", "baseball_day", "16.10.2026")]
    assert found.sightings.height == 1


def test_a_row_of_nothing_stays_only_where_time_or_number_place_it(tmp_path: Path) -> None:
    time = (
        'column = "when"\nformats = ["%H:%M:%S"]\nzone = "venue"\ndate_column = "@name.day"\ndate_formats = ["%Y%m%d"]'
    )
    file = "format = \"csv\"\n[file.name]\npattern = '(?P<day>\\d{8})'"
    found = mapped(
        export(tmp_path, HEAD + "19:00:01,\n,\n ,-\n,91\n", "20261016.csv"),
        profile_of(tmp_path, file, SPEED + 'null_words = ["-"]', time),
    )
    # line 3 holds nothing but its delimiter: it is blank
    assert found.sightings.get_column("file_row").to_list() == [2, 5]
    assert found.sightings.get_column("baseball_day").to_list() == [date(2026, 10, 16)] * 2
    assert [row[0] for row in quarantined(found, "row")] == [4]


def test_a_row_alike_in_every_cell_is_a_repeat_where_the_clock_is_fine(tmp_path: Path) -> None:
    found = mapped(export(tmp_path, seconds(1, 2, 2, 3)), profile_of(tmp_path))
    assert fates(found) == [(4, "repeat")]
    assert found.set_aside.get_column("kept_sighting_id").to_list() == [found.sightings.get_column("sighting_id")[1]]


def test_two_throws_in_one_minute_that_read_the_same_are_two(tmp_path: Path) -> None:
    time = 'column = "when"\nformats = ["%Y-%m-%d %H:%M"]\nzone = "venue"'
    found = mapped(export(tmp_path, HEAD + "2026-10-16 19:00,91\n" * 2), profile_of(tmp_path, time=time)).sightings
    assert found.get_column("sighting_id").n_unique() == 2


def test_a_cell_that_no_key_reads_keeps_rows_apart(tmp_path: Path) -> None:
    text = "when,pace,own\n2026-10-16 19:00:01,91,a\n2026-10-16 19:00:01,91,b\n"
    assert mapped(export(tmp_path, text), profile_of(tmp_path)).sightings.height == 2


NATIVE = SPEED + '[keys]\nnative_id = "nr"\npitcher = "who"\n'


def test_the_later_row_of_one_native_id_wins(tmp_path: Path) -> None:
    text = "when,pace,nr,who\n2026-10-16 19:00:01,91,7,Ox\n2026-10-16 19:00:09,92,8,Ox\n2026-10-16 19:00:01,90.5,7,Ox\n"
    found = mapped(export(tmp_path, text), profile_of(tmp_path, rest=NATIVE))
    assert fates(found) == [(2, "superseded")]
    assert found.sightings.sort("native_id").get_column("release_speed_mph").to_list() == [90.5, 92.0]
    assert (
        found.set_aside.get_column("sighting_id").to_list() == found.set_aside.get_column("kept_sighting_id").to_list()
    )


def test_a_reused_native_id_is_reported(tmp_path: Path) -> None:
    text = "when,pace,nr,who\n2026-10-16 19:00:01,91,1,Ox\n2026-10-16 21:00:01,92,1,Ox\n"
    found = mapped(export(tmp_path, text), profile_of(tmp_path, rest=NATIVE))
    assert fates(found) == [(2, "superseded")]
    assert quarantined(found) == [(2, "nr", "native_id", "1")]


def test_with_the_newest_row_first_the_upper_row_wins_and_order_starts_at_the_oldest(tmp_path: Path) -> None:
    text = "when,pace,nr,who\n2026-10-16 19:00:09,92,8,Ox\n2026-10-16 19:00:01,90.5,7,Ox\n2026-10-16 19:00:01,91,7,Ox\n"
    profile = profile_of(tmp_path, 'format = "csv"\nrow_order = "newest_first"', NATIVE)
    found = mapped(export(tmp_path, text), profile)
    assert fates(found) == [(4, "superseded")]
    ordered = found.sightings.sort("file_order").select("file_row", "native_id")
    assert ordered.rows() == [(3, "7"), (2, "8")]


# ------------------------------------------------------------------------------------------------------------------------- identity


def ids(found: Mapped) -> list[str]:
    return found.sightings.sort("file_order").get_column("sighting_id").to_list()


def test_a_corrected_reading_or_name_keeps_the_id(tmp_path: Path) -> None:
    for rest in (NATIVE, SPEED + '[keys]\nsequence = "nr"\npitcher = "who"\n'):
        profile = profile_of(tmp_path, rest=rest)
        first = mapped(export(tmp_path, "when,pace,nr,who\n2026-10-16 19:00:01,91,7,Ox\n", "a.csv"), profile)
        again = mapped(export(tmp_path, "when,pace,nr,who\n2026-10-16 19:00:01,88,7,Brandt\n", "a_v2.csv"), profile)
        assert ids(first) == ids(again)


def test_a_row_more_at_the_end_or_a_repeat_in_the_middle_moves_no_id(tmp_path: Path) -> None:
    time = 'column = "when"\nformats = ["%Y-%m-%d %H:%M"]\nzone = "venue"'
    lines = ["2026-10-16 19:00,91\n", "2026-10-16 19:00,92\n", "2026-10-16 19:01,93\n"]
    profile = profile_of(tmp_path, time=time)
    short = ids(mapped(export(tmp_path, HEAD + "".join(lines[:2])), profile))
    assert ids(mapped(export(tmp_path, HEAD + "".join(lines)), profile))[:2] == short
    newest_first = profile_of(tmp_path, 'format = "csv"\nrow_order = "newest_first"', time=time)
    assert ids(mapped(export(tmp_path, HEAD + "".join(reversed(lines))), newest_first))[:2] == short


def test_carried_values_separate_files_of_a_day_without_session_and_time(tmp_path: Path) -> None:
    """Two bullpens that both count from 1: taken for one export made twice, half of an arm's throws would vanish."""
    file = (
        "format = \"csv\"\nheader_row = 2\n[file.preamble]\nwho = 'Arm: (.+)'\n[file.name]\npattern = '(?P<day>\\d{8})'"
    )
    time = 'date_column = "@name.day"\ndate_formats = ["%Y%m%d"]'
    profile = profile_of(tmp_path, file, SPEED + '[keys]\nsequence = "nr"\npitcher = "@preamble.who"\n', time)
    first = mapped(export(tmp_path, "Arm: Ox\nnr,pace\n1,91\n", "20261016_a.csv"), profile)
    other = mapped(export(tmp_path, "Arm: Brandt\nnr,pace\n1,91\n", "20261016_b.csv"), profile)
    again = mapped(export(tmp_path, "Arm: Ox\nnr,pace\n1,90\n", "20261016_c.csv"), profile)
    assert ids(first) != ids(other)
    assert ids(first) == ids(again)
    assert first.sightings.select("thrown_at", "clock_resolution_s").rows() == [(None, None)]


def test_ids_are_sixteen_hex_digits_and_the_same_in_every_run(tmp_path: Path) -> None:
    """sha256("own|id|7") by the standard library's hashlib."""
    import hashlib

    found = mapped(
        export(tmp_path, "when,pace,nr,who\n2026-10-16 19:00:01,91,7,Ox\n"), profile_of(tmp_path, rest=NATIVE)
    )
    assert ids(found) == ["s" + hashlib.sha256(b"own|id|7").hexdigest()[:16]]


# --------------------------------------------------------------------------------------------------------------- carried, time, frames


def test_a_missing_carried_value_is_null_and_reported(tmp_path: Path) -> None:
    file = "format = \"csv\"\nheader_row = 2\n[file.preamble]\nwho = 'Arm: (.+)'"
    profile = profile_of(tmp_path, file, SPEED + '[keys]\npitcher = "@preamble.who"\nsession = "@folder"\n')
    found = mapped(export(tmp_path, "Hand: R\n" + seconds(1)), profile, name="south/a.csv")
    assert found.sightings.select("pitcher_label", "native_session").rows() == [(None, "south")]
    assert quarantined(found) == [(None, "@preamble.who", None, None)]


def test_odd_local_times_are_noted_and_the_pitch_stays(tmp_path: Path) -> None:
    """tz database, America/Chicago: 01:30 stands twice on 1 November 2026."""
    found = mapped(export(tmp_path, HEAD + "2026-11-01 01:30:00,91\n"), profile_of(tmp_path))
    assert found.sightings.get_column("thrown_at").to_list() == [datetime(2026, 11, 1, 6, 30, tzinfo=UTC)]
    assert quarantined(found) == [(2, "when", None, "2026-11-01 01:30:00")]


def test_when_an_export_was_made_is_known(tmp_path: Path) -> None:
    file = """format = "csv"
header_row = 2
newest_by = "exported_at"
exported_at = "@preamble.made"
exported_at_formats = ["%d.%m.%Y %H:%M"]
[file.preamble]
made = 'Made: (.+)'"""
    found = mapped(export(tmp_path, "Made: 16.10.2026 21:40\n" + seconds(1)), profile_of(tmp_path, file))
    assert found.exported_at == datetime(2026, 10, 16, 21, 40)


@pytest.mark.parametrize("text", [HEAD, seconds(1), HEAD + ",91\n", HEAD + "2026-10-16 19:00:01,x\n"])
def test_every_frame_keeps_its_contract(tmp_path: Path, text: str) -> None:
    found = mapped(export(tmp_path, text), profile_of(tmp_path))
    for frame, contract in (
        (found.set_aside, SET_ASIDE),
        (found.quarantine, QUARANTINE),
        (found.metric_sources, METRIC_SOURCES),
        (found.unknown_labels, UNKNOWN_LABELS),
    ):
        validate(frame, contract)


def test_a_profile_whose_only_reading_is_a_clock_face_is_mapped(tmp_path: Path) -> None:
    rest = '[metric.spin_axis_deg]\ncolumn = "pace"\nform = "clock"\nview = "catcher"\nhow = "measured"\n'
    found = mapped(export(tmp_path, HEAD + "2026-10-16 19:00:01,12:00\n"), profile_of(tmp_path, rest=rest)).sightings
    assert found.get_column("spin_axis_deg").to_list() == [180.0]


def test_the_check_shows_each_column_before_and_after(tmp_path: Path) -> None:
    path = export(tmp_path, "when,pace,Temp\n2026-10-16 19:00:01,,11\n2026-10-16 19:00:02,100,11\n")
    profile = profile_of(tmp_path, rest=SPEED.replace('mph"\n', 'km/h"\n', 1).replace('unit = "mph"', 'unit = "km/h"'))
    shown = describe_columns(read_export(path, profile), profile, mapped(path, profile), "America/Chicago").to_dicts()
    speed = next(line for line in shown if line["our column"] == "release_speed_mph")
    # 100 km/h are 62.137 mph: 1 mile is 1.609344 km (international yard and pound agreement, 1959)
    assert (speed["before"], speed["after"], speed["unit"]) == ("100", "62.137", "km/h")
    assert [line["their column"] for line in shown if line["our column"] == "(not mapped)"] == ["Temp"]


# -------------------------------------------------------------------------------------------------------------------------- the page


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", PAGE.read_text("utf-8"), flags=re.DOTALL)


@pytest.fixture
def worked(tmp_path: Path) -> Mapped:
    """The page's worked example, with the page's own profile."""
    profile = tmp_path / "profiles" / "yard_camera.toml"
    profile.parent.mkdir()
    profile.write_text(next(block for block in blocks("toml") if "Yard camera, one semicolon" in block), "utf-8")
    from pipeline.settings.profile import load_profile

    path = export(tmp_path, next(block for block in blocks("csv") if "yard camera" in block), "pen_2026-03-14.csv")
    return mapped(path, load_profile(profile), ("pen_north", "pen_south"))


def test_the_worked_example_gives_the_values_of_the_page(worked: Mapped) -> None:
    rows = worked.sightings.sort("file_row")
    assert rows.select("file_row", "station", "occasion", "pitch_type", "pitcher_label", "pitcher_hand").rows() == [
        (5, "pen_south", "bullpen", "four_seam", "Brandt, Ivo", "right"),
        (7, "pen_south", "bullpen", "curveball", "Brandt, Ivo", "right"),
        (8, "pen_south", "bullpen", "unknown", "Brandt, Ivo", "right"),
    ]
    assert rows.get_column("thrown_at")[0] == datetime(2026, 3, 14, 23, 4, 12, tzinfo=UTC)
    assert fates(worked) == [(6, "no_pitch")]
    refused = worked.quarantine.filter(pl.col("level") == "row")
    assert refused.get_column("file_row").to_list() == [9]
    assert "the line is cut off: it has 7 fields, the header has 13" in refused.get_column("reason")[0]
    assert worked.unknown_labels.get_column("label").to_list() == ["wobbler"]


def test_the_pages_table_of_readings_is_what_the_tool_computes(worked: Mapped) -> None:
    names = re.findall(r"^\| `([a-z_]+)` \| .* \| (-?[\d.]+) \|$", PAGE.read_text("utf-8"), flags=re.MULTILINE)
    assert len(names) >= 6
    first = worked.sightings.sort("file_row").row(0, named=True)
    for name, shown in names:
        assert f"{first[name]:.{len(shown.partition('.')[2])}f}" == shown, name


def example_tables(name: str) -> list[str]:
    """The page's examples of one table of a profile, each on its own."""
    return [block for block in blocks("toml") if block.startswith(f"[{name}")]


@pytest.mark.parametrize(
    "block", [b for b in blocks("toml") if re.match(r"\[(metric|labels|situation|\[no_pitch|trajectory|time|file)", b)]
)
def test_every_example_of_the_page_is_taken(tmp_path: Path, block: str) -> None:
    """Each is completed with the keys that a profile needs at least."""
    file = 'format = "csv"'
    carried = "[file.preamble]\nday = '(x)'\n[file.name]\npattern = '(?P<date>x)'"
    if block.startswith("[file"):
        file = block.removeprefix("[file]") if block.startswith("[file]") else f"{file}\n{block}"
        carried = ""
    time = 'column = "when"\nformats = ["iso8601"]\nzone = "venue"'
    rest = block if not block.startswith(("[file", "[time")) else ""
    if block.startswith("[time]"):
        time = block.removeprefix("[time]").partition("\n")[2]
    if "arm_side" in block:
        rest += '\n[labels.pitcher_hand]\ncolumn = "h"\n'
    if 'computed_from = "trajectory"' in block:
        rest += next(table for table in example_tables("trajectory"))
    if "[metric." not in rest and "[trajectory]" not in rest:
        rest += SPEED
    path = tmp_path / "p.toml"
    path.write_text(f'describes = "x"\n[file]\n{file}\n{carried}\n[time]\n{time}\n{rest}', "utf-8")
    from pipeline.settings.profile import load_profile

    load_profile(path)


def test_the_page_teaches_every_key_of_a_profile() -> None:
    from pipeline.settings.profile import profile_schema

    page = PAGE.read_text("utf-8")
    schema = profile_schema()
    keys = {key for model in [schema, *schema["$defs"].values()] for key in model.get("properties", {})}
    assert sorted(key for key in keys if not re.search(rf"\b{key}\b", page)) == []
    words = {
        word
        for word in re.findall(r'"const": "([^"]+)"|"enum": \[([^\]]+)\]', __import__("json").dumps(schema))
        for word in re.findall(r"[a-z_0-9]{3,}", " ".join(word))
    }
    assert sorted(word for word in words if not re.search(rf"\b{word}\b", page)) == []
