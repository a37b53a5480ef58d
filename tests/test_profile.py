import json
import tomllib
from pathlib import Path

import jsonschema
import pytest

from pipeline.settings.problems import Problem, SettingsProblems, nearest_of
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
def test_every_profile_loads_and_fits_the_schema(path: Path) -> None:
    load_profile(path)
    jsonschema.validate(tomllib.loads(path.read_text("utf-8")), profile_schema())


def test_the_committed_schema_is_the_one_that_the_code_gives() -> None:
    """If this fails: python -m pipeline.settings.profile."""
    assert json.loads((PROJECT / "schemas/profile.schema.json").read_text("utf-8")) == profile_schema()


def test_the_schema_is_a_schema_and_refuses_what_the_code_refuses() -> None:
    jsonschema.Draft202012Validator.check_schema(profile_schema())
    text = (PROJECT / "demo_inputs/profiles/ball.toml").read_text("utf-8")
    for spoilt in (text.replace('unit = "rpm"', 'unitt = "rpm"'), text.replace('"json_lines"', '"yaml"')):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(tomllib.loads(spoilt), profile_schema())


def test_all_faults_are_told_at_once_each_in_one_line(tmp_path: Path) -> None:
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
    told = lines(found)
    assert len(told.splitlines()) == len(found)
    for expected in (
        "profiles/own.toml: file.format: value 'cvs' is not allowed; allowed: csv, tsv, xlsx, json_lines, json, parquet; nearest: csv",
        "keys.picher: is not a known key; allowed: native_id, session, sequence, pitcher,",
        "nearest: pitcher",
        "labels.pitch_type.by: value 'Operator' is not allowed; allowed: operator, tracker; nearest: operator",
        "labels.pitch_type.words.bender: value 'curve' is none of our words",
        "nearest: curveball",
        "time.zone: value 'Chicago' is no time zone",
        "nearest: America/Chicago",
        "time.formats.1: value '%H:%N' has a part that is not known: '%N'",
        "metric.release_speed_mph.unit: value 'mhp'",
        "metric.release_speed_mph.at: is missing",
        "metric.horizontal_break_in.definition: value 'same_plan' is not allowed; allowed: same_time, same_plane, lift_only; nearest: same_plane",
    ):
        assert expected in told


@pytest.mark.parametrize(
    ("file", "time", "rest", "key", "told"),
    [
        ('format = "csv"\nheader_row = 0', STAMP, SPEED, "file", "name the columns"),
        ('format = "csv"\ncolumns = ["a"]', STAMP, SPEED, "file", "state header_row = 0"),
        ('format = "csv"\nheader_row = 2\nheader_starts_with = "a"', STAMP, SPEED, "file", "exclude each other"),
        ('format = "csv"\nheader_row = 0\ncolumns = ["when", "pac"]', STAMP, SPEED, "metric.release_speed_mph.column", "none of file.columns"),
        ('format = "csv"\ndecimal = ","\nthousands = ","', STAMP, SPEED, "file", "same sign"),
        ('format = "csv"\nnewest_by = "exported_at"', STAMP, SPEED, "file", "needs exported_at"),
        ('format = "csv"\nencoding = "utf-9"', STAMP, SPEED, "file.encoding", "no encoding that Python knows"),
        ("format = \"csv\"\n[file.preamble]\nday = '('", STAMP, SPEED, "file.preamble.day", "no regular expression"),
        ("format = \"csv\"\n[file.preamble]\nday = '(a)(b)'", STAMP, SPEED, "file.preamble.day", "exactly one group"),
        ("format = \"csv\"\n[file.name]\npattern = '(a)'", STAMP, SPEED, "file.name.pattern", "no named group"),
        ('format = "csv"', 'column = "w"\nformats = ["%d.%m.%Y"]', SPEED, "time", "zone is missing"),
        ('format = "csv"', 'column = "w"\nzone = "venue"', SPEED, "time", "no formats"),
        ('format = "csv"', 'clock = "order_only"', SPEED, "time", "says no date"),
        ('format = "csv"', 'column = "w"\nformats = ["%H:%M"]\nzone = "venue"', SPEED, "time", "date_column must say it"),
        ('format = "csv"', 'date_column = "w"', SPEED, "time", "no date_formats"),
        ('format = "csv"', 'column = "w"\nformats = ["epoch_s"]\nzone = "venue"', SPEED, "time", 'zone = "UTC"'),
        ('format = "csv"', 'column = "w"\nformats = ["%d.%m.%Y %H:%M %z"]\nzone = "venue"', SPEED, "time", "zone must be in_stamp"),
        ('format = "csv"', 'column = "w"\nformats = ["%d.%m.%Y %H:%M"]\nzone = "in_stamp"', SPEED, "time", "has no %z"),
        ('format = "csv"', 'column = "w"\nformats = ["%d.%m.%Y %H:%M %Z"]\nzone = "venue"', SPEED, "time.formats.1", "several zones"),
        ('format = "csv"', 'column = "w"\nformats = ["%Y%m%d%H%M%S%f"]\nzone = "venue"', SPEED, "time.formats.1", "no point before it"),
        ('format = "csv"', STAMP.replace("when", "@name.day"), SPEED, "time.column", "no carried value"),
        ('format = "csv"', STAMP.replace("when", "@document.day"), SPEED, "time.column", 'format = "json"'),
        ('format = "csv"', STAMP, "[keys]\npitcher = 'p'\n", "metric", "no metric is read"),
        ('format = "csv"', STAMP, SPEED + '[labels.half]\ncolumn = "h"\nvalue = "top"\n', "labels.half", "either column or value"),
        ('format = "csv"', STAMP, SPEED + '[labels.half]\nvalue = "uper"\n', "labels.half.value", "none of our words"),
        ('format = "csv"', STAMP, SPEED + '[labels.half]\ncolumn = "h"\nwords = { "O" = "top", " o" = "bottom" }\n', "labels.half", "twice"),
        ('format = "csv"', STAMP, SPEED + '[labels.pitch_type]\ncolumn = "h"\n', "labels.pitch_type.by", "missing"),
        ('format = "csv"', STAMP, SPEED + '[[no_pitch]]\ncolumn = "h"\nwhy = "x"\n', "no_pitch.1", "exactly one test, has none"),
        ('format = "csv"', STAMP, SPEED + '[[no_pitch]]\ncolumn = "h"\nwhy = "x"\nbelow = 1\nabove = 2\n', "no_pitch.1", "exactly one test"),
        ('format = "csv"', STAMP, '[metric.release_side_ft]\ncolumn = "s"\nunit = "ft"\nat = "release"\npositive = "arm_side"\n', "metric.release_side_ft.positive", "needs the pitcher's hand"),
        ('format = "csv"', STAMP, '[metric.flight_time_s]\ncomputed_from = "trajectory"\n', "metric.flight_time_s", "no [trajectory]"),
    ],
)  # fmt: skip
def test_contradictions_are_told_with_their_key(
    tmp_path: Path, file: str, time: str, rest: str, key: str, told: str
) -> None:
    found = problems(tmp_path, file, rest, time)
    assert any(problem.key == key and told in str(problem) for problem in found), lines(found)


@pytest.mark.parametrize(
    "metric", sorted(set(json.loads(json.dumps(list(Profile.model_fields["metric"].annotation.model_fields)))))
)
def test_a_metric_whose_definition_is_not_stated_is_refused(tmp_path: Path, metric: str) -> None:
    """Column and unit alone are enough for those readings only that have no definition to choose."""
    rest = f'[metric.{metric}]\ncolumn = "x"\nunit = "mph"\n'
    if metric == "exit_velocity_mph":
        profile_of(tmp_path, rest=rest)
        return
    found = problems(tmp_path, rest=rest)
    assert all(problem.key.startswith(f"metric.{metric}") for problem in found)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('describes = "x\n', "line 1, column"),
        ("a = 1\na = 2\n", "line 2, column"),
        ("x = 'a\\d'\ny = \"a\\d\"\n", "single quotes"),
    ],
)
def test_what_is_no_toml_is_told_with_line_and_column(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "p.toml"
    path.write_text(text)
    with pytest.raises(SettingsProblems, match=told):
        load_profile(path)


def test_a_profile_that_is_not_there_or_not_utf_8_is_told(tmp_path: Path) -> None:
    with pytest.raises(SettingsProblems, match="No such file"):
        load_profile(tmp_path / "gone.toml")
    (tmp_path / "p.toml").write_bytes('describes = "ü"'.encode("cp1252"))
    with pytest.raises(SettingsProblems, match="save it as UTF-8"):
        load_profile(tmp_path / "p.toml")


def test_a_byte_order_mark_before_the_settings_is_understood(tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_bytes(b"\xef\xbb\xbf" + (PROJECT / "demo_inputs/profiles/ball.toml").read_bytes())
    assert load_profile(path).file.format == "json_lines"


def test_a_long_or_odd_value_is_told_in_one_line(tmp_path: Path) -> None:
    found = problems(tmp_path, f'format = "{"x" * 500}\\n\\u0007"')
    assert all("\n" not in str(problem) and len(str(problem)) < 300 for problem in found)


def test_whole_names_are_nearer_than_parts_of_them() -> None:
    assert nearest_of("knd", ("kind", "n")) == "kind"
    assert nearest_of("Spin axis", ("Temperature", "Spin axis (clock)")) == "Spin axis (clock)"
    assert nearest_of("qqq", ("kind", "n")) is None
