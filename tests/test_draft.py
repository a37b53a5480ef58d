"""`pitchledger draft`: what it sees in files, what it asks, and that a draft with its answers reads the file as the device's own profile does."""

import json
import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.drafting import draft_profile, name_for
from pipeline.exports.readers.raw import UnreadableExport
from pipeline.settings.problems import SettingsProblems
from pipeline.settings.profile import OPEN, load_profile, open_questions
from tests.conftest import PROJECT, command
from tests.exports import export, mapped
from tests.hostile import bomb, originals, spoilt

DEMO = PROJECT / "demo_inputs"
# one export of each demo device
SAMPLES = {
    "stadium_radar": "2026-10/radar_2026-10-16_v1.csv",
    "pen_unit": "20261012/wurf_20261012_1510_Nord.csv",
    "camera_array": "camera_2026-11-07.xlsx",
    "ball": "2026-10-12/ball_2026-10-12.jsonl",
}
# what a person who knows the device corrects in its draft besides answering, because the headings are in another language or mislead:
# these tables are taken complete from the device's own profile. The shorter the lists, the better the draft
CORRECTED = {
    "stadium_radar": ("no_pitch", "file.newest_by"),
    "pen_unit": ("no_pitch", "labels", "keys", "file.preamble", "time.date_column"),
    "camera_array": ("no_pitch",),
    "ball": ("no_pitch", "labels.station"),
}


def answered(asked: Any, answers: Any) -> Any:
    """The draft with each question answered as the other profile does; what that does not hold is left out."""
    if isinstance(asked, Mapping):
        kept = {key: answered(value, answers.get(key)) for key, value in asked.items() if isinstance(answers, Mapping)}
        return {key: value for key, value in kept.items() if value is not None}
    return answers if OPEN in (asked, *(asked if isinstance(asked, list) else [])) else asked


def completed(draft: dict[str, Any], own: dict[str, Any], corrected: tuple[str, ...]) -> dict[str, Any]:
    """The draft's answers filled in, the tables that no heading spoke of added, and the corrections made."""
    whole = answered(draft, own)
    whole.setdefault("metric", {})
    for metric, table in own["metric"].items():
        whole["metric"].setdefault(metric, table)
    for path in (*corrected, "describes", "trajectory"):
        here, there = whole, own
        *tables, last = path.split(".")
        for part in tables:
            here, there = here[part], there[part]
        here.pop(last, None)
        if last in there:
            here[last] = there[last]
    return whole


def as_toml(value: Any) -> str:
    """TOML of a whole profile: tables inline, texts as JSON writes them, which TOML understands."""
    if isinstance(value, Mapping):
        return (
            "{"
            + ", ".join(f"{json.dumps(key, ensure_ascii=False)} = {as_toml(one)}" for key, one in value.items())
            + "}"
        )
    if isinstance(value, list):
        return "[" + ", ".join(map(as_toml, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


def write_profile(folder: Path, name: str, tables: Mapping[str, Any]) -> Path:
    path = folder / "profiles" / f"{name}.toml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(f"{key} = {as_toml(value)}" for key, value in tables.items()), "utf-8")
    return path


def drafted(path: Path) -> dict[str, Any]:
    return tomllib.loads(draft_profile(path, name_for(path)).text)


# ---- round trips ---------------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("device", SAMPLES)
def test_an_answered_draft_reads_the_export_as_the_devices_own_profile_does(device: str, tmp_path: Path) -> None:
    sample = DEMO / "inbox" / device / SAMPLES[device]
    own = DEMO / "profiles" / f"{device}.toml"
    whole = completed(drafted(sample), tomllib.loads(own.read_text("utf-8")), CORRECTED[device])
    profile = load_profile(write_profile(tmp_path, device, whole))
    stations = ("field", "pen_north", "pen_south")
    found, wanted = (mapped(sample, one, stations, SAMPLES[device]) for one in (profile, load_profile(own)))
    for one, other in zip(found[:5], wanted[:5], strict=True):
        # the fixes name the profile too: both are profiles/<device>.toml
        assert_frame_equal(one, other)
    assert found.sightings.height > 30


def test_a_draft_of_each_demo_export_finds_these_settings_without_answers() -> None:
    radar, pen, camera, ball = (drafted(DEMO / "inbox" / device / sample) for device, sample in SAMPLES.items())
    assert radar["time"] == {"columns": ["local date", "local time"], "formats": ["%m/%d/%Y %H:%M:%S"], "zone": OPEN}
    assert radar["keys"] == {
        "pitcher": "pitcher",
        "pitcher_id": "pitcher number",
        "batter": "batter",
        "batter_id": "batter number",
        "team": "fielding team",
        "native_id": "entry number",
    }
    assert {field: table["column"] for field, table in radar["labels"].items()} == {
        "pitch_type": "pitch type", "pitch_result": "pitch result", "plate_appearance_result": "plate appearance result",
        "occasion": "event", "pitcher_hand": "pitcher hand", "batter_side": "batter side", "half": "half",
    }  # fmt: skip
    assert radar["metric"]["exit_velocity_mph"] == {"column": "exit velocity (mph)", "unit": "mph"}
    assert {key: pen["file"][key] for key in ("delimiter", "header_starts_with", "trailer_starts_with", "decimal", "thousands")} == {
        "delimiter": ";", "header_starts_with": "Nr;", "trailer_starts_with": "Ende", "decimal": ",", "thousands": ".",
    }  # fmt: skip
    # 12.10.2026: the file's name says which is the month
    assert pen["time"] == {
        "column": "Uhr", "formats": ["%H:%M"], "zone": OPEN, "date_column": "@preamble.datum", "date_formats": ["%d.%m.%Y"], "date_is": OPEN,
    }  # fmt: skip
    assert camera["file"]["sheet"] == "Pitches" and camera["time"] == {
        "column": "time (UTC)",
        "formats": ["iso8601"],
        "zone": "in_stamp",
    }
    assert ball["time"] == {"column": "thrown_at_ms", "formats": ["epoch_ms"], "zone": "UTC"}
    assert ball["metric"]["release_speed_mph"] == {"column": "speed_mps", "unit": "m/s", "at": OPEN}


# ---- two formats of our own ----------------------------------------------------------------------------------------------------------------

PIPES = """Sheet of the shed, mound: B
day|2026-03-14

Throw|Time of day|Pitcher name|Kind|Release speed [km/h]|Spin rate|Spin direction|Vertical break|Release height|Release side
""" + "".join(
    f"{n}|{6 + n // 60}:{n % 60:02d}:00 PM|Ivo Brandt|{'fast' if n % 3 else 'Curve'}|{120 + n % 20}|{2000 + 17 * (n % 30)}|{1 + n % 3}:{n % 6}5|{35.5 + n % 9}|1.8{n % 9}|{'-' if n % 7 else ''}0.6{n % 9}\n"
    for n in range(1, 80)
)  # fmt: skip
ANSWERS = {
    "describes": "The shed's own log",
    "zone": "venue",
    "date_is": "baseball_day",
    "by": "operator",
    "fast": "four_seam",
    "at": "release",
    "spin": "total",
    "view": "pitcher",
    "how": "measured",
    "unit": "cm",
    "definition": "same_time",
    "start": "release",
    "end": "front_edge",
    "gravity": "out",
    "positive": "up",
    "height_from": "ground",
}


def answer_in_text(text: str, answers: Mapping[str, str], positive_side: str) -> str:
    """What a person does in an editor: in each line that asks, an answer in the place of the question."""
    lines, table = [], ""
    for line in text.splitlines():
        table = line if line.startswith("[") else table
        key = line.split(" = ")[0].strip('"')
        answer = positive_side if key == "positive" and "vertical" not in table else answers.get(key, "")
        lines.append(line.replace(f'"{OPEN}"', f'"{answer}"', 1) if answer and not line.startswith("#") else line)
    return "\n".join(lines)


@pytest.mark.parametrize(("time", "asked"), [("", True), ("18:{n:02d}:30", False), ("{half}", True)])
def test_a_draft_asks_for_the_session_where_only_a_number_tells_rows_apart(
    time: str, asked: bool, tmp_path: Path
) -> None:
    times = [time.format(n=n, half=f"18:{n:02d}:30" if n % 2 else "") for n in range(1, 40)]
    lines = [f"{n},{clock},Ivo Brandt,{80 + n % 9}.{n % 7}" for n, clock in enumerate(times, 1)]
    table = drafted(export(tmp_path, "Throw,Clock,Pitcher,Speed mph\n" + "\n".join(lines), "log_2026-03-14.csv"))
    assert table["keys"]["sequence"] == "Throw"
    assert (table["keys"].get("session") == OPEN) == asked


def test_a_table_separated_by_bars_is_drafted_and_read(tmp_path: Path) -> None:
    path = export(tmp_path, PIPES, "shed_7.txt")
    text = draft_profile(path, "shed").text
    table = tomllib.loads(text)
    preamble = table["file"].pop("preamble")
    assert table["file"] == {
        "format": "csv",
        "name_pattern": "shed_*.txt",
        "delimiter": "|",
        "header_starts_with": "Throw|",
    }
    assert [re.search(pattern, PIPES.splitlines()[1]).group(1) for pattern in preamble.values()] == ["2026-03-14"]  # type: ignore[union-attr]
    assert table["time"]["formats"] == ["%I:%M:%S %p"] and table["time"]["date_column"] == "@preamble.day"
    assert table["keys"] == {"sequence": "Throw", "pitcher": "Pitcher name"}
    assert table["labels"]["pitch_type"]["words"] == {"fast": OPEN, "Curve": "curveball"}
    metrics = table["metric"]
    assert {name: one.get("unit", one.get("form")) for name, one in metrics.items()} == {
        "release_speed_mph": "km/h", "spin_rate_rpm": "rpm", "spin_axis_deg": "clock", "induced_vertical_break_in": "cm",
        "release_height_ft": "m", "release_side_ft": "m",
    }  # fmt: skip
    profile_path = tmp_path / "profiles" / "shed.toml"
    profile_path.parent.mkdir()
    profile_path.write_text(answer_in_text(text, ANSWERS, "first_base_side"), "utf-8")
    found = mapped(path, load_profile(profile_path))
    assert (found.sightings.height, found.quarantine.height) == (79, 0)
    first = found.sightings.row(0, named=True)
    # 121 km/h; 1.81 m; 0.61 m on the third-base side; 1 foot = 0.3048 m (NIST SP 811)
    assert first["release_speed_mph"] == pytest.approx(121 / 1.609344)
    assert (first["release_height_ft"], first["release_side_ft"]) == (
        pytest.approx(1.81 / 0.3048),
        pytest.approx(-0.61 / 0.3048),
    )
    assert str(first["thrown_at"]) == "2026-03-14 23:01:00+00:00"


def test_a_json_document_with_its_day_outside_the_records_is_drafted_and_read(tmp_path: Path) -> None:
    thrown = [
        {
            "clock": f"18:{n:02d}:{n}.5",
            "who": {"pitcher": "Brandt"},
            "ball": {"speed": 38.0 + n / 10, "spin": 35.0 + n / 5},
            "stride": 195 + n,
        }
        for n in range(10, 50)
    ]
    data = json.dumps(
        {
            "made_by": "yard",
            "about": {"day": "03/14/2026", "park": "north"},
            "evening": {"throws": thrown},
            "users": [{"id": 1}],
        }
    )
    path = export(tmp_path, data, "yard.json")
    text = draft_profile(path, "yard").text
    table = tomllib.loads(text)
    assert table["file"] == {"format": "json", "name_pattern": "yard*.json", "records": "evening.throws"}
    assert table["time"] == {
        "column": "clock", "formats": ["%H:%M:%S%.f"], "zone": OPEN, "date_column": "@document.about.day", "date_formats": ["%m/%d/%Y"], "date_is": OPEN,
    }  # fmt: skip
    assert table["keys"]["pitcher"] == "who.pitcher"
    assert {name: one["unit"] for name, one in table["metric"].items()} == {
        "release_speed_mph": "m/s", "spin_rate_rpm": "revolution/s", "extension_ft": "cm",
    }  # fmt: skip
    profile_path = tmp_path / "profiles" / "yard.toml"
    profile_path.parent.mkdir()
    profile_path.write_text(answer_in_text(text, {**ANSWERS, "measured_from": "rubber"}, ""), "utf-8")
    found = mapped(path, load_profile(profile_path))
    assert (found.sightings.height, found.quarantine.height) == (40, 0)
    first = found.sightings.row(0, named=True)
    assert first["release_speed_mph"] == pytest.approx(39.0 * 3600 / 1609.344)
    assert (first["spin_rate_rpm"], first["extension_ft"]) == (pytest.approx(37 * 60), pytest.approx(2.05 / 0.3048))


def test_a_heading_in_brackets_is_not_taken_for_json(tmp_path: Path) -> None:
    table = drafted(export(tmp_path, "[Evening]\n\ntime;speed\n2026-03-14 18:00:01;88,5\n2026-03-14 18:00:31;89,5\n"))
    assert table["file"] == {
        "format": "csv",
        "name_pattern": "a*.csv",
        "delimiter": ";",
        "header_starts_with": "time;",
        "decimal": ",",
    }


def test_a_truncated_last_row_is_not_taken_for_a_trailer(tmp_path: Path) -> None:
    rows = "".join(f"LB{2100 + n};2026-03-14 18:{n:02d}:01;Brandt, Ivo;{88 + n / 10:.1f}\n" for n in range(1, 30))
    whole = f"No;Time;Pitcher;Velocity (mph)\n{rows}"
    for end in ("LB2130;2026-03-14 18:3", "LB21"):
        table = drafted(export(tmp_path, whole + end))
        assert "trailer_lines" not in table["file"] and "trailer_starts_with" not in table["file"], end
    assert drafted(export(tmp_path, whole + "End of session"))["file"]["trailer_starts_with"] == "End of session"


def test_a_quoted_file_with_a_preamble_and_a_line_of_means_is_drafted_and_read(tmp_path: Path) -> None:
    rows = "".join(f'"{n}","6:{n:02d} PM","Brandt, Ivo","{88 + n / 10}"\n' for n in range(1, 30))
    data = f""""Evening report","","",""\n"Day","10/21/2026","",""\n\n"No","Time","Pitcher","Velocity (mph)"\n{rows}"Average","","","88.1"\n"""
    path = export(tmp_path, data)
    text = draft_profile(path, "x").text
    table = tomllib.loads(text)
    assert (table["file"]["header_row"], table["file"]["trailer_lines"]) == (4, 1)
    profile_path = tmp_path / "profiles" / "x.toml"
    profile_path.parent.mkdir()
    profile_path.write_text(answer_in_text(text, ANSWERS, ""), "utf-8")
    found = mapped(path, load_profile(profile_path))
    assert (found.sightings.height, found.quarantine.height) == (29, 0)
    assert str(found.sightings.get_column("baseball_day")[0]) == "2026-10-21"


# ---- what is asked and what is guessed -----------------------------------------------------------------------------------------------------


def column_draft(folder: Path, heading: str, values: list[object]) -> dict[str, Any]:
    lines = [f"2026-03-14 18:00:{n:02d};{value}" for n, value in enumerate(values)]
    return drafted(export(folder, f"time;{heading}\n" + "\n".join(lines) + "\n"))


@pytest.mark.parametrize(
    ("heading", "values", "metric", "unit"),
    [
        ("speed", [88.1, 79.5, 91.0], "release_speed_mph", "mph"),
        ("velo", [38.1, 36.2, 40.4], "release_speed_mph", "m/s"),
        ("pace", [138.1, 126.2, 160.4], "release_speed_mph", "km/h"),
        # by its numbers feet a second as well: the usual unit is guessed, and the other one named
        ("pace", [128.1, 126.2, 140.4], "release_speed_mph", "km/h"),
        # the heading beats the numbers
        ("speed (ft/s)", [128.1, 126.2, 140.4], "release_speed_mph", "ft/s"),
        ("plate speed", [80.1, 72.5, 83.0], "plate_speed_mph", "mph"),
        ("exit speed", [70.1, 102.5, 73.0], "exit_velocity_mph", "mph"),
        ("exit speed", [80.1, 102.5, 93.0], "exit_velocity_mph", OPEN),
        ("spin rate", [2200, 2310, 1800], "spin_rate_rpm", "rpm"),
        ("release height", [5.8, 6.1, 5.9], "release_height_ft", "ft"),
        ("release height", [178, 181, 180], "release_height_ft", "cm"),
        ("extension", [6.1, 6.4, 5.9], "extension_ft", "ft"),
        ("extension", [54.1, 53.9, 54.4], "extension_ft", "ft"),
        ("flight time", [0.41, 0.44, 0.40], "flight_time_s", "s"),
        ("spin efficiency", [96, 88, 91], "spin_efficiency", "percent"),
        # 0.4 m or 0.4 ft: both are plate sides of a night, so it is asked
        ("plate side", [0.4, -0.3, 0.6], "plate_side_ft", OPEN),
        ("break vertical", [16.0, 12.0, -9.0], "induced_vertical_break_in", OPEN),
    ],
)  # fmt: skip
def test_a_unit_is_guessed_from_heading_and_numbers_or_else_asked(
    heading: str, values: list[object], metric: str, unit: str, tmp_path: Path
) -> None:
    table = column_draft(tmp_path, heading, values)
    assert {metric: table["metric"][metric]["unit"]} == {metric: unit}
    assert list(table["metric"]) == [metric]


TWO_ARMS = """Pitcher: Alder Finch
Date: 2026-03-14
No;Clock;Speed mph;Spin rpm
1;18:01:07;88.1;2210
2;18:01:31;89.4;2250
3;18:01:58;87.9;2190
Mean;;88.5;2217
Pitcher: Rowan Teal
Date: 2026-03-14
{header}1;18:21:07;83.1;2010
2;18:21:31;84.4;2050
Mean;;83.8;2030
"""


def test_a_sheet_of_two_arms_is_drafted_with_all_throws_of_both(tmp_path: Path) -> None:
    path = export(tmp_path, TWO_ARMS.format(header="No;Clock;Speed mph;Spin rpm\n"), "pen_1.csv")
    text = draft_profile(path, "pen").text
    found = tomllib.loads(text)
    assert "5 rows, 4 columns" in text.splitlines()[0]
    assert (found["file"]["repeated_header"], found["file"]["trailer_starts_with"]) == (True, "Mean")
    assert found["keys"]["pitcher"] == "@preamble.pitcher"
    assert "Alder Finch (3 rows), Rowan Teal (2 rows), by table" in text
    # what is left out is listed, so that a person sees whether a throw is among it
    assert "Not rows: 4 lines" in text and "line 7: Mean;;88.5;2217" in text


def test_a_guessed_trailer_never_hides_a_row(tmp_path: Path) -> None:
    """Without a second header the throws below the first means would be lost: no draft is better than that."""
    path = export(tmp_path, TWO_ARMS.format(header=""), "pen_1.csv")
    with pytest.raises(UnreadableExport, match="second table starts in line 8"):
        draft_profile(path, "pen")
    again = export(
        tmp_path, "No;Clock;mph\n1;18:01:07;88\nTotal;;88\n2;18:02:07;89\n3;18:03:07;90\nTotal;;90\n", "pen_2.csv"
    )
    text = draft_profile(again, "pen").text
    assert "trailer_starts_with" not in tomllib.loads(text)["file"]
    assert "Not readable: 1 line" in text and "line 3: Total" in text


def test_no_definition_sign_plane_or_zone_is_ever_guessed(tmp_path: Path) -> None:
    meanings = ("at", "positive", "definition", "start", "end", "gravity", "height_from", "measured_from", "view", "how", "backspin_at", "turns", "spin", "gyro_from", "zero_at", "by", "date_is")  # fmt: skip
    for device, sample in SAMPLES.items():
        table = drafted(DEMO / "inbox" / device / sample)
        stated = [
            one[key]
            for one in (*table.get("metric", {}).values(), table["time"], *table.get("labels", {}).values())
            for key in meanings
            if key in one
        ]
        assert set(stated) <= {OPEN}
        assert table["describes"] == OPEN
    headings = "time;release speed;spin axis;horizontal break;release side;launch angle;spray angle;gyro angle\n"
    rows = "".join(f"2026-03-14 18:00:{n};88;1:30;{12 + n / 10};-1.{n};{n};{-n};{n}\n" for n in range(10, 40))
    table = drafted(export(tmp_path, headings + rows))
    assert len(table["metric"]) == 7
    assert {one[key] for one in table["metric"].values() for key in meanings if key in one} == {OPEN}
    assert table["time"]["zone"] == OPEN


def test_where_day_and_month_are_ambiguous_both_are_offered_and_neither_is_taken(tmp_path: Path) -> None:
    path = export(tmp_path, "time,speed\n03/04/2026 18:00:01,88\n03/04/2026 18:00:31,89\n")
    text = draft_profile(path, "x").text
    assert tomllib.loads(text)["time"]["formats"] == [OPEN]
    assert '"%d/%m/%Y %H:%M:%S" or "%m/%d/%Y %H:%M:%S"' in text


def test_numbers_without_repeats_are_an_id_only_if_the_heading_says_so(tmp_path: Path) -> None:
    rows = "".join(f"2026-03-14 18:00:{n};{5000 + 7 * n};{4100 + 13 * n};Q-{n}\n" for n in range(10, 40))
    table = drafted(export(tmp_path, "time;echo;record;code\n" + rows))
    assert table["keys"]["native_id"] == "record"


def test_two_columns_that_may_be_one_metric_are_asked_with_their_values(tmp_path: Path) -> None:
    path = export(tmp_path, "time,speed one,speed two\n2026-03-04 18:00:01,88,81\n2026-03-04 18:00:31,89,82\n")
    text = draft_profile(path, "x").text
    assert tomllib.loads(text)["metric"]["release_speed_mph"]["column"] == OPEN
    assert 'which of "speed one" (88 to 89, median 88.5), "speed two" (81 to 82, median 81.5)' in text


def test_an_unfinished_draft_is_refused_with_each_open_question_and_its_answers(tmp_path: Path) -> None:
    sample = DEMO / "inbox" / "stadium_radar" / SAMPLES["stadium_radar"]
    made = draft_profile(sample, "new")
    path = tmp_path / "profiles" / "new.toml"
    path.parent.mkdir()
    path.write_text(made.text, "utf-8")
    with pytest.raises(SettingsProblems) as caught:
        load_profile(path)
    asked = {problem.key: problem for problem in caught.value.problems}
    assert (
        set(asked) >= set(open_questions(tomllib.loads(made.text)))
        and len(set(open_questions(tomllib.loads(made.text)))) == made.questions
    )
    assert "is an open question of the draft" in str(asked["time.zone"])
    assert "same_plane" in str(asked["metric.horizontal_break_in.definition"])
    assert "four_seam" in str(asked["labels.pitch_type.words.junk"])


def test_a_single_open_question_keeps_a_profile_from_passing(tmp_path: Path) -> None:
    """Every place where a draft can ask, one at a time, in a profile that is right otherwise."""
    own = tomllib.loads((DEMO / "profiles" / "stadium_radar.toml").read_text("utf-8"))
    places = ["describes", "time.zone", "keys.pitcher", "labels.pitch_type.by", "labels.pitch_type.words.curveball"]
    places += [
        f"metric.{metric}.{key}"
        for metric, table in own["metric"].items()
        for key in table
        if key not in ("component",)
    ]
    for place in places:
        changed = json.loads(json.dumps(own))
        *tables, last = place.split(".")
        here = changed
        for part in tables:
            here = here[part]
        here[last] = OPEN
        with pytest.raises(SettingsProblems) as caught:
            load_profile(write_profile(tmp_path, "changed", changed))
        assert [problem.key for problem in caught.value.problems] == [place]


def test_the_commented_tables_are_valid_but_for_their_questions(tmp_path: Path) -> None:
    """Without the # they are TOML, and every key in them is one that a profile knows."""
    text = draft_profile(export(tmp_path, "time,echo\n2026-03-04 18:00:01,88\n2026-03-04 18:00:31,89\n"), "x").text
    ready, _, rest = text.partition("# ---- What no heading suggests")
    tables = [line.removeprefix("# ") for line in rest.splitlines()[1:] if not line.startswith("# [labels.")]
    path = tmp_path / "profiles" / "x.toml"
    path.parent.mkdir()
    path.write_text(ready + "\n".join("" if line == "#" else line for line in tables), "utf-8")
    with pytest.raises(SettingsProblems) as caught:
        load_profile(path)
    assert [str(problem) for problem in caught.value.problems if problem.value != OPEN] == []
    asked = {problem.key for problem in caught.value.problems}
    assert {
        "trajectory.side_positive",
        "trajectory.velocity.distance",
        "metric.spray_angle_deg.zero_at",
        "no_pitch.1.column",
    } <= asked


def test_a_null_word_that_looks_like_a_question_is_not_a_question(tmp_path: Path) -> None:
    own = tomllib.loads((DEMO / "profiles" / "stadium_radar.toml").read_text("utf-8"))
    own["file"]["null_words"] = [OPEN]
    load_profile(write_profile(tmp_path, "radar", own))


# ---- bad files -----------------------------------------------------------------------------------------------------------------------------


def draft_or_sentence(path: Path) -> None:
    try:
        text = draft_profile(path, name_for(path)).text
    except UnreadableExport as fault:
        assert str(fault).isprintable()
    else:
        assert "describes" in set(open_questions(tomllib.loads(text)))


@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(1, 12))])
def test_a_spoiled_export_gives_an_error_sentence_or_a_draft_in_valid_toml(seed: int, tmp_path: Path) -> None:
    for number, original in enumerate(originals(tmp_path)):
        draft_or_sentence(export(tmp_path, spoilt(original, 1000 * number + seed), f"spoilt_{original.name}"))


def test_files_made_to_break_readers_give_an_error_sentence_or_valid_toml(tmp_path: Path) -> None:
    hostile: list[bytes] = [
        b"", b"\x00" * 1000, b"\xff\xfe", b"[" * 100_000, b'{"a":' * 50_000, b"PK\x03\x04", b"PAR1PAR1", b"[]", b"{}", b"null", b'[{"a.b": 1}]',
        b'[{"a": NaN, "b": 1e999, "c": {"d": [1, 2]}}]', b'{"rows": [{"a": 1}], "rows": [{"a": 2}]}', b"a,b\n", b"a,b\n1\n", b",,,\n,,,\n", b"1,2,3\n4,5,6\n",
        b'"a,b\n1,2\n3,4\n', b"a;b\r1;2\r3;4", b"=cmd,+x\n1,2\n", b"\n" * 5000, "a,b\n1,\u202e2\n".encode("utf-16"),
    ]  # fmt: skip
    for number, data in enumerate(hostile):
        draft_or_sentence(export(tmp_path, data, f"hostile_{number}.csv"))


@pytest.mark.slow
def test_huge_files_made_to_break_readers_give_an_error_sentence_or_valid_toml(tmp_path: Path) -> None:
    hostile = [
        bomb(),
        ("a,b\n" + "1," * 20_000).encode(),
        (",".join(f"c{n}" for n in range(3000)) + "\n" + ",".join("1" * 3000)).encode(),
    ]
    for number, data in enumerate(hostile):
        draft_or_sentence(export(tmp_path, data, f"huge_{number}.csv"))


def test_headings_and_words_that_contain_toml_stay_text(tmp_path: Path) -> None:
    evil = ['speed"\n[file]\nformat="', "it's", "a\\b", "\x7fpitcher", "pitch = [1] # type"]
    rows = [[88 + n, "x", "y\u2028z", "B", 'he"re\nnow'] for n in range(6)]
    frame = pl.DataFrame(rows, schema=evil, orient="row", schema_overrides={evil[0]: pl.Int64})
    path = tmp_path / "evil.parquet"
    frame.write_parquet(path)
    table = tomllib.loads(draft_profile(path, "evil").text)
    assert table["metric"]["release_speed_mph"]["column"] == evil[0]
    assert table["keys"]["pitcher"] == evil[3]
    assert table["labels"]["pitch_type"]["words"] == {'he"re\nnow': OPEN}


# ---- the command ---------------------------------------------------------------------------------------------------------------------------


def test_check_refuses_the_draft_of_the_command_until_it_is_answered(tmp_path: Path) -> None:
    program = tmp_path / "program"
    assert command("init", program).returncode == 0
    sample = export(program / "inbox" / "shed", PIPES, "shed_7.txt")
    done = command("draft", sample, "-o", "profiles/shed.toml", cwd=program)
    assert done.returncode == 0, done.stderr
    assert re.search(r"Created profiles/shed.toml with \d+ open questions", done.stdout)
    if os.name == "posix":
        assert (program / "profiles" / "shed.toml").stat().st_mode & 0o007 == 0  # its listing holds names of players
    nowhere = command("draft", sample, "-o", sample / "shed.toml")
    assert (nowhere.returncode, nowhere.stdout) == (2, "")
    assert "Cannot write " in nowhere.stderr and "Traceback" not in nowhere.stderr
    idle = command("check", "-w", program)
    assert idle.returncode == 0 and "profiles/shed.toml: no tracker in ledger.toml uses it;" in idle.stdout
    ledger = program / "ledger.toml"
    tracker = tomllib.loads(ledger.read_text("utf-8"))["tracker"][0]
    block = f'[[tracker]]\nid = "shed"\nname = "Shed"\nprofile = "shed"\nvenue = "{tracker["venue"]}"\nstations = ["{tracker["stations"][0]}"]\nrank = 9\n'
    text = ledger.read_text("utf-8")
    ledger.write_text(f"{text}\n{block}", "utf-8")
    refused = command("check", "-w", program)
    assert refused.returncode == 2
    assert 'profiles/shed.toml, [time]: zone = "???" is an open question of the draft.' in refused.stderr
    profile = program / "profiles" / "shed.toml"
    profile.write_text(answer_in_text(profile.read_text("utf-8"), ANSWERS, "first_base_side"), "utf-8")
    passed = command("check", "-w", program)
    assert passed.returncode == 0, passed.stderr + passed.stdout
    assert "79 rows: 79 sightings" in passed.stdout
    again = command("draft", sample, "-o", "profiles/shed.toml", cwd=program)
    assert again.returncode == 2 and "already exists" in again.stderr


def test_a_file_that_is_not_a_table_ends_the_command_with_2(tmp_path: Path) -> None:
    for data in (
        b"",
        b"\x89PNG\r\n",
        b"a letter\nto nobody\n",
        (PROJECT / "README.md").read_bytes(),
        b'{"a": [',
        b"PK\x03\x04broken",
    ):
        done = command("draft", export(tmp_path, data, "it.csv"))
        assert (
            done.returncode == 2 and done.stdout == "" and "it.csv: " in done.stderr and "Traceback" not in done.stderr
        )
    assert command("draft", tmp_path / "nothing.csv").returncode == 2
