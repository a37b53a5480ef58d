import json
import os
import time
import tomllib
from pathlib import Path

import jsonschema
import pytest

from pipeline.settings.problems import Problem, SettingsProblems, nearest_of, read_toml
from pipeline.settings.profile import Profile, load_profile, profile_schema
from tests.exports import SPEED, profile_of

PROJECT = Path(__file__).parents[1]
PROFILES = sorted((PROJECT / "demo_inputs/profiles").glob("*.toml")) + sorted(
    (PROJECT / "tests/profiles").glob("*.toml")
)
STAMP = 'column = "when"\nformats = ["%H:%M %d.%m.%Y"]\nzone = "venue"\n'


def problems(folder: Path, file: str = 'format = "csv"', rest: str = "", time: str = STAMP) -> list[Problem]:
    with pytest.raises(SettingsProblems) as found:
        profile_of(folder, file, rest, time)
    assert found.value.exit_code == 2
    return list(found.value.problems)


def lines(found: list[Problem]) -> str:
    return "\n".join(map(str, found))


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_every_profile_loads_and_matches_the_schema(path: Path) -> None:
    load_profile(path)
    jsonschema.validate(tomllib.loads(path.read_text("utf-8")), profile_schema())


def test_the_committed_profile_schema_matches_the_code() -> None:
    """If this fails: python -m pipeline.settings.profile."""
    assert json.loads((PROJECT / "schemas/profile.schema.json").read_text("utf-8")) == profile_schema()


def test_the_profile_schema_is_valid_and_refuses_what_the_code_refuses() -> None:
    jsonschema.Draft202012Validator.check_schema(profile_schema())
    text = (PROJECT / "demo_inputs/profiles/ball.toml").read_text("utf-8")
    for wrong in (text.replace('unit = "rpm"', 'unitt = "rpm"'), text.replace('"json_lines"', '"yaml"')):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(tomllib.loads(wrong), profile_schema())


def test_all_problems_are_reported_at_once_one_line_each(tmp_path: Path) -> None:
    rest = """
[keys]
picher = "Arm"
native_id = "@preamble.nr"
[labels.pitch_type]
column = "Kind"
by = "Operator"
words = { "bender" = "curve" }
[metric.release_speed_mph]
column = "Velo"
unit = "mhp"
[metric.horizontal_break_in]
column = "HB"
unit = "inch"
definition = "same_plan"
start = "release"
end = "front_edge"
positive = "arm_side"
"""
    found = problems(
        tmp_path, 'format = "cvs"\ndecimal = ","', rest, 'column = "when"\nformats = ["%H:%N"]\nzone = "Chicago"\n'
    )
    report = lines(found)
    assert len(report.splitlines()) == len(found)
    for expected in (
        'profiles/own.toml, [file]: format = "cvs" is not allowed. Allowed: csv, tsv, xlsx, json_lines, json, parquet. Did you mean csv?',
        "[keys]: picher is not a known key. Allowed: native_id, session, sequence, pitcher,",
        "Did you mean pitcher?",
        '[labels.pitch_type]: by = "Operator" is not allowed. Allowed: operator, tracker. Did you mean operator?',
        '[labels.pitch_type.words]: bender = "curve" is not one of our words.',
        "Did you mean curveball?",
        '[time]: zone = "Chicago" is not a time zone.',
        "Did you mean America/Chicago?",
        '[time]: entry 1 of formats = "%H:%N" has an unknown part "%N".',
        '[metric.release_speed_mph]: unit = "mhp"',
        "[metric.release_speed_mph]: at is missing. Add it.",
        '[metric.horizontal_break_in]: definition = "same_plan" is not allowed. Allowed: same_time, same_plane, lift_only. Did you mean same_plane?',
    ):
        assert expected in report


@pytest.mark.parametrize(
    ("file", "time", "rest", "key", "message"),
    [
        ('format = "csv"\nheader_row = 0', STAMP, SPEED, "file", "list the column names"),
        ('format = "csv"\ncolumns = ["a"]', STAMP, SPEED, "file", "add header_row = 0"),
        ('format = "csv"\nheader_row = 2\nheader_starts_with = "a"', STAMP, SPEED, "file", "exclude each other"),
        ('format = "csv"\nheader_row = 0\ncolumns = ["when", "pac"]', STAMP, SPEED, "metric.release_speed_mph.column", "is not one of the columns of [file]"),
        ('format = "csv"\ndecimal = ","\nthousands = ","', STAMP, SPEED, "file", "same character"),
        ('format = "csv"\nnewest_by = "exported_at"', STAMP, SPEED, "file", "needs exported_at"),
        ('format = "csv"\nencoding = "utf-9"', STAMP, SPEED, "file.encoding", "is not an encoding that Python knows"),
        ("format = \"csv\"\n[file.preamble]\nday = '('", STAMP, SPEED, "file.preamble.day", "is not a regular expression"),
        ("format = \"csv\"\n[file.preamble]\nday = '(a)(b)'", STAMP, SPEED, "file.preamble.day", "exactly one group"),
        ("format = \"csv\"\n[file.name]\npattern = '(a)'", STAMP, SPEED, "file.name.pattern", "no named group"),
        ('format = "csv"', 'column = "w"\nformats = ["%d.%m.%Y"]', SPEED, "time", "zone is missing"),
        ('format = "csv"', 'column = "w"\nzone = "venue"', SPEED, "time", "formats is missing"),
        ('format = "csv"', 'clock = "order_only"', SPEED, "time", "there is no date"),
        ('format = "csv"', 'column = "w"\nformats = ["%H:%M"]\nzone = "venue"', SPEED, "time", "add date_column"),
        ('format = "csv"', 'date_column = "w"', SPEED, "time", "date_formats is missing"),
        ('format = "csv"', 'column = "w"\nformats = ["epoch_s"]\nzone = "venue"', SPEED, "time", 'zone = "UTC"'),
        ('format = "csv"', 'column = "w"\nformats = ["%d.%m.%Y %H:%M %z"]\nzone = "venue"', SPEED, "time", 'zone must be "in_stamp"'),
        ('format = "csv"', 'column = "w"\nformats = ["%d.%m.%Y %H:%M"]\nzone = "in_stamp"', SPEED, "time", "has no %z"),
        ('format = "csv"', 'column = "w"\nformats = ["%d.%m.%Y %H:%M %Z"]\nzone = "venue"', SPEED, "time.formats.1", "used by several zones"),
        ('format = "csv"', 'column = "w"\nformats = ["%Y%m%d%H%M%S%f"]\nzone = "venue"', SPEED, "time.formats.1", "no point before it"),
        ('format = "csv"', STAMP.replace("when", "@name.day"), SPEED, "time.column", "is not a file value"),
        ('format = "csv"', STAMP.replace("when", "@document.day"), SPEED, "time.column", 'format = "json"'),
        ('format = "csv"', STAMP, "[keys]\npitcher = 'p'\n", "metric", "reads no metric"),
        ('format = "csv"', STAMP, SPEED + '[labels.half]\ncolumn = "h"\nvalue = "top"\n', "labels.half", "either column or value"),
        ('format = "csv"', STAMP, SPEED + '[labels.half]\nvalue = "uper"\n', "labels.half.value", "is not one of our words"),
        ('format = "csv"', STAMP, SPEED + '[labels.half]\ncolumn = "h"\nwords = { "O" = "top", " o" = "bottom" }\n', "labels.half", "listed twice"),
        ('format = "csv"', STAMP, SPEED + '[labels.pitch_type]\ncolumn = "h"\n', "labels.pitch_type.by", "missing"),
        ('format = "csv"', STAMP, SPEED + '[[no_pitch]]\ncolumn = "h"\nwhy = "x"\n', "no_pitch.1", "exactly one test is needed; this rule has none"),
        ('format = "csv"', STAMP, SPEED + '[[no_pitch]]\ncolumn = "h"\nwhy = "x"\nbelow = 1\nabove = 2\n', "no_pitch.1", "this rule has below, above"),
        ('format = "csv"', STAMP, '[metric.release_side_ft]\ncolumn = "s"\nunit = "ft"\nat = "release"\npositive = "arm_side"\n', "metric.release_side_ft.positive", "needs the pitcher's hand"),
        ('format = "csv"', STAMP, '[metric.flight_time_s]\ncomputed_from = "trajectory"\n', "metric.flight_time_s", "[trajectory], which is missing"),
    ],
)  # fmt: skip
def test_contradictions_are_reported_with_their_key(
    tmp_path: Path, file: str, time: str, rest: str, key: str, message: str
) -> None:
    found = problems(tmp_path, file, rest, time)
    assert any(problem.key == key and message in str(problem) for problem in found), lines(found)


@pytest.mark.parametrize(
    "metric", sorted(set(json.loads(json.dumps(list(Profile.model_fields["metric"].annotation.model_fields)))))
)
def test_a_metric_without_a_stated_definition_is_refused(tmp_path: Path, metric: str) -> None:
    """Column and unit alone are enough only for exit velocity, which has no definition to choose."""
    rest = f'[metric.{metric}]\ncolumn = "x"\nunit = "mph"\n'
    if metric == "exit_velocity_mph":
        profile_of(tmp_path, rest=rest)
        return
    found = problems(tmp_path, rest=rest)
    assert all(problem.key.startswith(f"metric.{metric}") for problem in found)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('describes = "x\n', "line 1, column"),
        ("a = 1\na = 2\n", "line 2, column"),
        ("x = 'a\\d'\ny = \"a\\d\"\n", "single quotes"),
    ],
)
def test_invalid_toml_is_reported_with_line_and_column(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "p.toml"
    path.write_text(text)
    with pytest.raises(SettingsProblems, match=message):
        load_profile(path)


def test_a_missing_profile_and_one_not_in_utf_8_are_reported(tmp_path: Path) -> None:
    with pytest.raises(SettingsProblems, match="No such file"):
        load_profile(tmp_path / "gone.toml")
    (tmp_path / "p.toml").write_bytes('describes = "ü"'.encode("cp1252"))
    with pytest.raises(SettingsProblems, match="Save it as UTF-8"):
        load_profile(tmp_path / "p.toml")


def test_a_byte_order_mark_before_the_settings_is_ignored(tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_bytes(b"\xef\xbb\xbf" + (PROJECT / "demo_inputs/profiles/ball.toml").read_bytes())
    assert load_profile(path).file.format == "json_lines"


def test_a_long_or_unprintable_value_is_reported_in_one_line(tmp_path: Path) -> None:
    found = problems(tmp_path, f'format = "{"x" * 500}\\n\\u0007"')
    assert all("\n" not in str(problem) and len(str(problem)) < 300 for problem in found)


def test_complete_names_are_suggested_before_partial_matches() -> None:
    assert nearest_of("knd", ("kind", "n")) == "kind"
    assert nearest_of("Spin axis", ("Temperature", "Spin axis (clock)")) == "Spin axis (clock)"
    assert nearest_of("qqq", ("kind", "n")) is None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a." * 50_000 + "a = 1", "nested too deeply"),
        ("[" + "a." * 50_000 + "a]", "nested too deeply"),
        ("a = " + "9" * 5_000, "more than 64 bits"),
        ("a = [{ b = 0x8000000000000000 }]", "more than 64 bits"),
    ],
)
def test_a_settings_file_that_no_parser_should_read_is_refused_at_once(text: str, message: str, tmp_path: Path) -> None:
    """TOML 1.0: integers are 64-bit signed; one that can't be represented is an error."""
    path = tmp_path / "own.toml"
    path.write_text(text)
    began = time.monotonic()
    with pytest.raises(SettingsProblems, match=message):
        read_toml(path, "own.toml")
    assert time.monotonic() - began < 5


def test_a_pipe_in_place_of_a_settings_file_is_refused(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "own.toml")
    with pytest.raises(SettingsProblems, match="not an ordinary file"):
        read_toml(tmp_path / "own.toml", "own.toml")
