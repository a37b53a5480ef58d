"""ledger.toml and the files it names: what is read, and that every problem is reported at once. The workspaces are invented."""

import json
import re
import textwrap
import tomllib
from collections.abc import Callable
from pathlib import Path
from zoneinfo import available_timezones

import jsonschema
import pytest
from jsonschema.validators import Draft202012Validator

from pipeline.settings.ledger import Policy, ledger_schema, load_ledger
from pipeline.settings.problems import SettingsProblems
from schemas.metrics import METRICS
from tests.conftest import command

PROJECT = Path(__file__).parents[1]
PROFILE = """
describes = "a gun"
[file]
format = "csv"
[time]
date_column = "Day"
date_formats = ["%Y-%m-%d"]
clock = "order_only"
[metric.release_speed_mph]
column = "Velo"
unit = "mph"
at = "release"
"""
LEDGER = """
[program]
name = "Tidewater Larks"
time_zone = "America/Chicago"
[[venue]]
id = "lark_yard"
[[venue.station]]
id = "field"
kind = "field"
[[venue.station]]
id = "pen_1"
kind = "bullpen"
[[venue]]
id = "away_park"
time_zone = "America/Denver"
[[venue.station]]
id = "away_field"
kind = "field"
occasion = "scrimmage"
[[tracker]]
id = "gun"
profile = "gun"
venue = "lark_yard"
stations = ["field"]
rank = 1
[[tracker]]
id = "2nd_gun"
name = "Second gun"
profile = "gun"
inbox = "from_sync/second"
venue = "away_park"
stations = ["away_field"]
rank = 2
"""


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "gun.toml").write_text(PROFILE)
    (tmp_path / "ledger.toml").write_text(LEDGER)
    return tmp_path


@pytest.fixture
def problems_with(workspace: Path) -> Callable[..., list[str]]:
    """Return a function that gives the problems after replacing a piece of the ledger, or adding text to its end."""

    def find(old: str = "", new: str = "", more: str = "") -> list[str]:
        assert old in LEDGER
        (workspace / "ledger.toml").write_text(LEDGER.replace(old, new, 1) + more)
        return problems_of(workspace)

    return find


def problems_of(folder: Path) -> list[str]:
    try:
        load_ledger(folder)
    except SettingsProblems as error:
        assert error.exit_code == 2
        return [str(problem) for problem in error.problems]
    return []


def test_a_short_ledger_gets_the_documented_defaults(workspace: Path) -> None:
    ledger = load_ledger(workspace)
    gun, second = ledger.trackers
    assert (ledger.program, ledger.output, ledger.keep_versions) == ("Tidewater Larks", workspace / "warehouse", 3)
    assert (gun.name, gun.inbox, gun.time_zone, gun.rank) == ("gun", workspace / "inbox" / "gun", "America/Chicago", 1)
    assert gun.default_occasions == {"field": "game", "pen_1": "bullpen"}
    assert (second.name, second.inbox) == ("Second gun", workspace / "from_sync" / "second")
    assert (second.time_zone, second.default_occasions) == ("America/Denver", {"away_field": "scrimmage"})
    assert second.profile.describes == "a gun"
    assert ledger.policies == dict.fromkeys(METRICS, Policy("prefer", ()))
    assert (ledger.tolerances, ledger.limits, ledger.corrections) == ({}, {}, ())
    assert (ledger.matching.doubtful_below, ledger.matching.merge_above, ledger.gaps.share) == (0.9, 0.5, 0.8)
    assert (ledger.roster.height, ledger.decisions.height) == (0, 0)
    assert ledger.settings_files == (workspace / "ledger.toml", workspace / "profiles" / "gun.toml")


def test_stated_settings_replace_the_defaults(workspace: Path) -> None:
    stated = """
    [output]
    folder = "../published"
    keep_versions = 7
    [policy]
    default = "blend"
    [policy.spin_rate_rpm]
    order = ["2nd_gun"]
    [tolerance]
    release_speed_mph = 2
    [limits]
    release_speed_mph = [30, 108.5]
    [[correction]]
    tracker = "gun"
    metric = "release_speed_mph"
    amount = -0.7
    from = 2026-10-27
    why = "hot since the move"
    """
    (workspace / "ledger.toml").write_text(LEDGER + stated)
    (workspace / "roster.csv").write_text("player_id,name\np1,Ivo Brandt\n")
    ledger = load_ledger(workspace)
    assert (ledger.output.resolve(), ledger.keep_versions) == ((workspace / "../published").resolve(), 7)
    assert ledger.policies["release_speed_mph"] == Policy("blend", ())
    assert ledger.policies["spin_rate_rpm"] == Policy("prefer", ("2nd_gun",))
    assert (ledger.tolerances, ledger.limits) == ({"release_speed_mph": 2.0}, {"release_speed_mph": (30.0, 108.5)})
    correction = ledger.corrections[0]
    assert (correction.amount, str(correction.from_day), correction.until_day) == (-0.7, "2026-10-27", None)
    assert workspace / "roster.csv" in ledger.settings_files


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("America/Chicago", "America/Chicagoo", ', [program]: time_zone = "America/Chicagoo" is not a time zone.'),
        ("America/Denver", "localtime", ', [[venue]] 2: time_zone = "localtime" is not a time zone.'),
        ('id = "lark_yard"', 'id = "Lark Yard"', ', [[venue]] 1: id = "Lark Yard" is not a valid id.'),
        ('kind = "bullpen"', 'kind = "bulpen"', ', [[venue]] 1, [[venue.station]] 2: kind = "bulpen" is not allowed. Allowed: field, bullpen. Did you mean bullpen?'),
        ('id = "away_field"', 'id = "field"', ', [[venue]] 2, [[venue.station]] 1: id = "field" is already used by venue lark_yard. Give each station its own id, also across venues.'),
        ('id = "away_park"', 'id = "lark_yard"', ', [[venue]] 2: id = "lark_yard" is already used by [[venue]] 1. Give each venue its own id.'),
        ('id = "2nd_gun"', 'id = "gun"', ', [[tracker]] 2: id = "gun" is already used by [[tracker]] 1. Give each tracker its own id.'),
        ("rank = 2", "rank = 1", ", [[tracker]] 2: rank = 1 is already used by gun. Give each tracker its own rank."),
        ("rank = 2", "rank = true", ", [[tracker]] 2: rank = true must be a whole number."),
        ("rank = 2", "rank = 0", ", [[tracker]] 2: rank = 0 must be at least 1."),
        ('profile = "gun"', 'profile = "gnu"', ', [[tracker]] 1: profile = "gnu" has no file profiles/gnu.toml. Allowed: gun.'),
        ('profile = "gun"', 'profile = "../gun"', "has no file profiles/../gun.toml"),
        ('venue = "lark_yard"', 'venue = "larkyard"', "Allowed: lark_yard, away_park. Did you mean lark_yard?"),
        ('["field"]', '["pen1"]', ', [[tracker]] 1: stations = "pen1" is not a station of lark_yard. Allowed: field, pen_1. Did you mean pen_1?'),
        ('["field"]', '["field", "field"]', ', [[tracker]] 1: stations lists "field" 2 times. List it once.'),
        ('["field"]', "[]", ", [[tracker]] 1: stations must have at least one entry."),
        ('["field"]', '"field"', ', [[tracker]] 1: stations = "field" must be a list in [ ].'),
        ('"from_sync/second"', '"inbox/gun/"', "overlaps inbox/gun, the inbox of tracker gun"),
        ('"from_sync/second"', '"inbox"', "overlaps inbox/gun, the inbox of tracker gun"),
        ('"from_sync/second"', '"x/../inbox/gun/deep"', "overlaps inbox/gun, the inbox of tracker gun"),
        ('"from_sync/second"', '"warehouse/in"', "overlaps the output folder warehouse"),
        ('"from_sync/second"', '"."', "overlaps the output folder warehouse"),
        ('name = "Second gun"', 'nmae = "Second gun"', ", [[tracker]] 2: nmae is not a known key."),
    ],
)  # fmt: skip
def test_one_wrong_value_is_reported_with_its_key(
    problems_with: Callable[..., list[str]], old: str, new: str, message: str
) -> None:
    found = problems_with(old, new)
    assert any(line.startswith("ledger.toml, ") and message in line for line in found), found


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ('[policy]\ndefault = "mean"', '[policy]: default = "mean" is not allowed. Allowed: prefer, blend.'),
        ("[policy.spin_rate]", "[policy]: spin_rate is not a metric."),
        ("[policy.default]", "[policy]: default must be a word. Allowed: prefer, blend."),
        ('[policy]\nspin_rate_rpm = "blend"', '[policy]: spin_rate_rpm = "blend" must be a table. Write a table [policy.spin_rate_rpm]'),
        ('[policy.pitch_type]\norder = ["gun"]', "[policy]: pitch_type is not a metric."),
        ('[policy.spin_rate_rpm]\norder = ["gnu"]', 'order = "gnu" is not a tracker. Allowed: gun, 2nd_gun. Did you mean gun?'),
        ('[policy.spin_rate_rpm]\norder = ["gun", "gun"]', '[policy.spin_rate_rpm]: order lists "gun" 2 times.'),
        ('[policy.spin_rate_rpm]\nmethod = "blned"', '[policy.spin_rate_rpm]: method = "blned" is not allowed. Allowed: prefer, blend. Did you mean blend?'),
        ("[tolerance]\nrelease_speed = 1", "[tolerance]: release_speed is not a metric."),
        ("[tolerance]\nrelease_speed_mph = 0", "[tolerance]: release_speed_mph = 0 must be greater than 0."),
        ("[limits]\nrelease_speed_mph = [110, 30]", "[limits]: release_speed_mph = [110, 30] must be [lowest, highest]."),
        ("[limits]\nrelease_speed_mph = [110, nan]", "release_speed_mph = [110, nan] must be [lowest, highest]."),
        ("[limits]\nrelease_speed_mph = [110]", "[limits]: entry 2 of release_speed_mph is missing."),
        ("[matching]\ndoubtful_below = 1.5", "[matching]: doubtful_below = 1.5 must be at most 1."),
        ("[gaps]\nshare = nan", "[gaps]: share = nan"),
        ('[[correction]]\ntracker = "gun"\namount = 1\nwhy = "x"', "[[correction]] 1: either metric or frame is needed, not both."),
        ('[[correction]]\ntracker = "gnu"\nmetric = "spin_rate_rpm"\namount = 1\nwhy = "x"', '[[correction]] 1: tracker = "gnu" is not a tracker.'),
        ('[[correction]]\ntracker = "gun"\nframe = "aim"\namount = 1\nwhy = "x"', '[[correction]] 1: frame = "aim" is not a quantity of table setup.'),
        ('[[correction]]\ntracker = "gun"\nmetric = "spin_rate_rpm"\namount = inf\nwhy = "x"', "[[correction]] 1: amount = inf must be a finite number."),
        ('[[correction]]\ntracker = "gun"\nmetric = "spin_rate_rpm"\namount = 1', "[[correction]] 1: why is missing. Add it."),
        ('[[correction]]\ntracker = "gun"\nmetric = "release_side_ft"\namount = 1\nwhy = "x"\n[[correction]]\ntracker = "gun"\nframe = "aim_deg"\namount = 1\nwhy = "x"\nfrom = 2026-10-02',
         "[[correction]] 2: changes release_side_ft on days on which [[correction]] 1 does. Keep one of the two, or give them different days with from and until."),
        ('[[correction]]\ntracker = "gun"\nframe = "aim_deg"\namount = 1\nwhy = "x"\nuntil = 2026-10-02\n[[correction]]\ntracker = "gun"\nframe = "aim_deg"\namount = 2\nwhy = "x"\nfrom = 2026-10-02',
         "[[correction]] 2: changes aim_deg on days on which [[correction]] 1 does. Keep one of the two, or give them different days with from and until."),
        ('[[correction]]\ntracker = "gun"\nmetric = "spin_rate_rpm"\namount = 1\nwhy = "x"\nfrom = 2026-10-02\nuntil = 2026-10-01', "[[correction]] 1: until = 2026-10-01 is before from = 2026-10-02."),
    ],
)  # fmt: skip
def test_one_wrong_table_is_the_only_problem(problems_with: Callable[..., list[str]], more: str, message: str) -> None:
    found = problems_with(more=more)
    assert len(found) == 1, found
    assert message in found[0]


def test_problems_of_all_files_are_reported_at_once(workspace: Path) -> None:
    (workspace / "ledger.toml").write_text(
        LEDGER.replace("rank = 2", "rank = 1\nrnak = 2").replace('venue = "away_park"', 'venue = "nowhere"')
    )
    (workspace / "profiles" / "gun.toml").write_text(PROFILE.replace('"mph"', '"mpg"') + "[[labels]]")
    (workspace / "roster.csv").write_text("player_id,name,hand\np1,Ivo Brandt,rite\n")
    (workspace / "decisions.csv").write_text("kind,tracker,subject,object\nlabel_is,gnu,Ivo,p1\n")
    found = problems_of(workspace)
    for place in (
        "[[tracker]] 2: rnak",
        "[[tracker]] 2: rank",
        "[[tracker]] 2: venue",
        "gun.toml",
        "roster.csv",
        "decisions.csv",
    ):
        assert any(place in line for line in found), (place, found)


def test_an_invalid_ledger_does_not_hide_problems_of_the_other_files(workspace: Path) -> None:
    (workspace / "ledger.toml").write_text("[program\n")
    (workspace / "profiles" / "gun.toml").write_text(PROFILE.replace('"mph"', '"mpg"'))
    (workspace / "roster.csv").write_text("player_id,name,hand,tracker_ids\np1,Ivo Brandt,rite,gun:1\n")
    found = problems_of(workspace)
    assert [re.match(r"(?:profiles/)?([a-z.]+)", line).group(1) for line in found] == [
        "ledger.toml",
        "gun.toml",
        "roster.csv",
    ]


def test_a_folder_without_a_ledger_is_reported(tmp_path: Path) -> None:
    assert problems_of(tmp_path / "nowhere") == ["ledger.toml: the file cannot be read: No such file or directory."]


def test_an_unreadable_roster_does_not_make_decisions_wrong(workspace: Path) -> None:
    (workspace / "roster.csv").write_bytes(b"player_id,name\np1,Jos\xe9\n")
    (workspace / "decisions.csv").write_text("kind,tracker,subject,object\nlabel_is,,Ivo,p1\n")
    assert [line.partition(":")[0] for line in problems_of(workspace)] == ["roster.csv"]


def test_a_profile_that_names_an_unknown_station_is_reported(workspace: Path) -> None:
    words = '[labels.station]\ncolumn = "Mound"\nwords = { "A" = "pen_1", "B" = "pen_2", "away" = "away_field" }\n'
    (workspace / "profiles" / "gun.toml").write_text(PROFILE + words)
    assert problems_of(workspace) == [
        'profiles/gun.toml, [labels.station.words]: B = "pen_2" is not a station of ledger.toml. '
        "Allowed: field, pen_1, away_field. Did you mean pen_1?"
    ]


def test_every_time_zone_of_the_tz_database_is_accepted(workspace: Path) -> None:
    # "Factory" is the database's own word for no zone, and polars does not know "localtime"
    for zone in sorted(available_timezones() - {"Factory", "localtime"})[::40]:
        (workspace / "ledger.toml").write_text(LEDGER.replace("America/Chicago", zone, 1))
        assert load_ledger(workspace).time_zone == zone


def test_the_demo_ledger_loads_and_matches_the_schema() -> None:
    ledger = load_ledger(PROJECT / "demo_inputs")
    assert [tracker.id for tracker in ledger.trackers] == ["stadium_radar", "camera_array", "pen_unit", "ball"]
    assert ledger.policies["spin_rate_rpm"].order[0] == "ball"
    written = tomllib.loads((PROJECT / "demo_inputs" / "ledger.toml").read_text())
    jsonschema.validate(written, ledger_schema(), cls=Draft202012Validator)


def test_the_ledger_schema_is_current_and_refuses_what_the_loader_refuses() -> None:
    schema = json.loads((PROJECT / "schemas" / "ledger.schema.json").read_text())
    assert schema == ledger_schema(), "run python -m pipeline.settings.ledger"
    Draft202012Validator.check_schema(schema)
    editor = Draft202012Validator(schema)
    assert editor.is_valid(tomllib.loads(LEDGER))
    for wrong in (
        "[tolerance]\nspeed = 1",
        "[policy.spin]",
        "[matching]\nmerge_above = 2",
        "[outputs]",
        "[[venue]]\nid = 'A'",
    ):
        assert not editor.is_valid(tomllib.loads(LEDGER + wrong)), wrong


def examples(page: str, language: str) -> list[str]:
    """Return the code blocks of a page in schemas/, without their indentation."""
    text = (PROJECT / "schemas" / page).read_text("utf-8")
    return [
        textwrap.dedent(block)
        for block in re.findall(rf"^ *```{language}\n(.*?)^ *```", text, re.DOTALL | re.MULTILINE)
    ]


def test_the_ledger_page_explains_every_key() -> None:
    page = (PROJECT / "schemas" / "ledger.md").read_text("utf-8")
    schema = ledger_schema()
    keys = {key for model in [schema, *schema["$defs"].values()] for key in model.get("properties", {})}
    assert sorted(key for key in keys if not re.search(rf"\b{key}\b", page)) == []


def test_the_steps_for_a_new_device_work_in_their_order(tmp_path: Path) -> None:
    """schemas/README.md: the commands, the tracker's table, and the finished profile of profile.md."""
    program = tmp_path / "my_program"
    (program / "profiles").mkdir(parents=True)
    (program / "inbox" / "yard_camera").mkdir(parents=True)
    sample = examples("profile.md", "csv")[0]
    (program / "inbox" / "yard_camera" / "pen_2026-03-14.csv").write_text(sample, "utf-8")
    (tracker,) = examples("README.md", "toml")
    venues = (PROJECT / "demo_inputs" / "ledger.toml").read_text("utf-8").partition("[[tracker]]")[0]
    draft, check, run, status = (
        line.split()[1:] for block in examples("README.md", "sh") for line in block.splitlines()
    )
    assert command(*draft, cwd=tmp_path).returncode == 0
    (program / "ledger.toml").write_text(f"{venues}\n{tracker}", "utf-8")
    unanswered = command(*check, cwd=tmp_path)
    assert unanswered.returncode == 2 and "is an open question of the draft" in unanswered.stderr
    (program / "profiles" / "yard_camera.toml").write_text(examples("profile.md", "toml")[0], "utf-8")
    checked = command(*check, cwd=tmp_path)
    assert checked.returncode == 0 and "yard_camera" in checked.stdout
    assert command(*run, cwd=tmp_path).returncode == 0
    assert "wobbler" in command(*status, cwd=tmp_path).stdout


def test_the_complete_ledger_of_the_guide_loads(tmp_path: Path) -> None:
    (tmp_path / "ledger.toml").write_text(examples("ledger.md", "toml")[0])
    (tmp_path / "profiles").mkdir()
    for name in ("stadium_radar", "yard_camera"):
        (tmp_path / "profiles" / f"{name}.toml").write_text(PROFILE)
    for name, table in zip(("roster.csv", "decisions.csv"), examples("people.md", "csv"), strict=True):
        (tmp_path / name).write_text(table)
    ledger = load_ledger(tmp_path)
    assert (ledger.roster.height, ledger.decisions.height, len(ledger.corrections)) == (1, 1, 1)
