"""ledger.toml and all that it leads to: what is taken, and that every fault is told in one go. The workspaces here are invented."""

import json
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
def faults(workspace: Path) -> Callable[..., list[str]]:
    """The problems of the ledger with one piece of it replaced, or something added at its end."""

    def told(old: str = "", new: str = "", more: str = "") -> list[str]:
        assert old in LEDGER
        (workspace / "ledger.toml").write_text(LEDGER.replace(old, new, 1) + more)
        return problems_of(workspace)

    return told


def problems_of(folder: Path) -> list[str]:
    try:
        load_ledger(folder)
    except SettingsProblems as fault:
        assert fault.exit_code == 2
        return [str(problem) for problem in fault.problems]
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


def test_what_the_ledger_states_is_taken(workspace: Path) -> None:
    stated = """
    [output]
    folder = "../published"
    keep_versions = 7
    [policy]
    default = "blend"
    [policy.spin_rate_rpm]
    order = ["2nd_gun"]
    [policy.pitch_type]
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
    ("old", "new", "told"),
    [
        ("America/Chicago", "America/Chicagoo", "program.time_zone: value 'America/Chicagoo' is no time zone"),
        ("America/Denver", "localtime", "venue.2.time_zone: value 'localtime' is no time zone"),
        ('id = "lark_yard"', 'id = "Lark Yard"', "venue.1.id: value 'Lark Yard' is no id"),
        ('kind = "bullpen"', 'kind = "bulpen"', "allowed: field, bullpen; nearest: bullpen"),
        ('id = "away_field"', 'id = "field"', "venue.station.id: value 'field' stands 2 times"),
        ('id = "away_park"', 'id = "lark_yard"', "venue.id: value 'lark_yard' stands 2 times"),
        ('id = "2nd_gun"', 'id = "gun"', "tracker.id: value 'gun' stands 2 times"),
        ("rank = 2", "rank = 1", "tracker.rank: value '1' stands 2 times"),
        ("rank = 2", "rank = true", "tracker.2.rank: value 'true' should be a valid integer"),
        ("rank = 2", "rank = 0", "tracker.2.rank: value '0' should be greater than or equal to 1"),
        ('profile = "gun"', 'profile = "gnu"', "tracker.1.profile: value 'gnu' has no file profiles/gnu.toml; allowed: gun"),
        ('profile = "gun"', 'profile = "../gun"', "has no file profiles/../gun.toml"),
        ('venue = "lark_yard"', 'venue = "larkyard"', "allowed: lark_yard, away_park; nearest: lark_yard"),
        ('["field"]', '["pen1"]', "tracker.1.stations: value 'pen1' is no station of lark_yard; allowed: field, pen_1; nearest: pen_1"),
        ('["field"]', '["field", "field"]', "tracker.1.stations: value 'field' stands 2 times"),
        ('["field"]', "[]", "tracker.1.stations: should have at least 1 item, has 0"),
        ('["field"]', '"field"', "tracker.1.stations: value 'field' should be a list in [ ]"),
        ('"from_sync/second"', '"inbox/gun/"', "is, holds or lies in inbox/gun of tracker gun"),
        ('"from_sync/second"', '"inbox"', "is, holds or lies in inbox/gun of tracker gun"),
        ('"from_sync/second"', '"x/../inbox/gun/deep"', "is, holds or lies in inbox/gun of tracker gun"),
        ('"from_sync/second"', '"warehouse/in"', "and the output folder warehouse lie in one another"),
        ('"from_sync/second"', '"."', "and the output folder warehouse lie in one another"),
        ('name = "Second gun"', 'nmae = "Second gun"', "tracker.2.nmae: is not a known key"),
    ],
)  # fmt: skip
def test_one_wrong_value_is_told_with_its_key(faults: Callable[..., list[str]], old: str, new: str, told: str) -> None:
    found = faults(old, new)
    assert any(line.startswith("ledger.toml: ") and told in line for line in found), found


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ('[policy]\ndefault = "mean"', "policy.default: value 'mean' is not allowed; allowed: prefer, blend"),
        ("[policy.spin_rate]", "policy: value 'spin_rate' is no metric"),
        ("[policy.default]", "policy.default: must be a word"),
        ('[policy]\nspin_rate_rpm = "blend"', "must be a table: [policy.spin_rate_rpm]"),
        ('[policy.pitch_type]\norder = ["gun"]', "policy.pitch_type: takes no key"),
        ('[policy.spin_rate_rpm]\norder = ["gnu"]', "value 'gnu' is no tracker; allowed: gun, 2nd_gun; nearest: gun"),
        ('[policy.spin_rate_rpm]\norder = ["gun", "gun"]', "policy.spin_rate_rpm.order: value 'gun' stands 2 times"),
        ('[policy.spin_rate_rpm]\nmethod = "blned"', "policy.spin_rate_rpm.method: value 'blned' is not allowed; allowed: prefer, blend; nearest: blend"),
        ("[tolerance]\nrelease_speed = 1", "tolerance: value 'release_speed' is no metric"),
        ("[tolerance]\nrelease_speed_mph = 0", "tolerance.release_speed_mph: value '0' should be greater than 0"),
        ("[limits]\nrelease_speed_mph = [110, 30]", "value '[110, 30]' must be [lowest, highest]"),
        ("[limits]\nrelease_speed_mph = [110, nan]", "value '[110, nan]' must be [lowest, highest]"),
        ("[limits]\nrelease_speed_mph = [110]", "limits.release_speed_mph.2: is missing"),
        ("[matching]\ndoubtful_below = 1.5", "matching.doubtful_below: value '1.5' should be less than or equal to 1"),
        ("[gaps]\nshare = nan", "gaps.share: value 'nan'"),
        ('[[correction]]\ntracker = "gun"\namount = 1\nwhy = "x"', "correction.1: needs either metric or frame"),
        ('[[correction]]\ntracker = "gnu"\nmetric = "spin_rate_rpm"\namount = 1\nwhy = "x"', "correction.1.tracker: value 'gnu' is no tracker"),
        ('[[correction]]\ntracker = "gun"\nframe = "aim"\namount = 1\nwhy = "x"', "correction.1.frame: value 'aim' is no way"),
        ('[[correction]]\ntracker = "gun"\nmetric = "spin_rate_rpm"\namount = inf\nwhy = "x"', "correction.1.amount"),
        ('[[correction]]\ntracker = "gun"\nmetric = "spin_rate_rpm"\namount = 1', "correction.1.why: is missing"),
        ('[[correction]]\ntracker = "gun"\nmetric = "spin_rate_rpm"\namount = 1\nwhy = "x"\nfrom = 2026-10-02\nuntil = 2026-10-01', "correction.1.until: value '2026-10-01' is before from (2026-10-02)"),
    ],
)  # fmt: skip
def test_one_wrong_table_is_the_only_problem(faults: Callable[..., list[str]], more: str, told: str) -> None:
    found = faults(more=more)
    assert len(found) == 1, found
    assert told in found[0]


def test_faults_of_all_files_are_told_in_one_go(workspace: Path) -> None:
    (workspace / "ledger.toml").write_text(
        LEDGER.replace("rank = 2", "rank = 1\nrnak = 2").replace('venue = "away_park"', 'venue = "nowhere"')
    )
    (workspace / "profiles" / "gun.toml").write_text(PROFILE.replace('"mph"', '"mpg"') + "[[labels]]")
    (workspace / "roster.csv").write_text("player_id,name,hand\np1,Ivo Brandt,rite\n")
    (workspace / "decisions.csv").write_text("kind,tracker,subject,object\nlabel_is,gnu,Ivo,p1\n")
    found = problems_of(workspace)
    for told in ("tracker.2.rnak", "tracker.rank", "tracker.2.venue", "gun.toml", "roster.csv", "decisions.csv"):
        assert any(told in line for line in found), (told, found)


def test_a_ledger_that_is_no_toml_hides_no_fault_of_the_other_files(workspace: Path) -> None:
    (workspace / "ledger.toml").write_text("[program\n")
    (workspace / "profiles" / "gun.toml").write_text(PROFILE.replace('"mph"', '"mpg"'))
    (workspace / "roster.csv").write_text("player_id,name,hand,tracker_ids\np1,Ivo Brandt,rite,gun:1\n")
    found = problems_of(workspace)
    assert [line.partition(":")[0].rpartition("/")[2] for line in found] == ["ledger.toml", "gun.toml", "roster.csv"]


def test_a_folder_without_a_ledger_is_told_and_no_crash(tmp_path: Path) -> None:
    assert problems_of(tmp_path / "nowhere") == ["ledger.toml: can't be read: No such file or directory"]


def test_a_roster_that_cannot_be_read_makes_no_decision_wrong(workspace: Path) -> None:
    (workspace / "roster.csv").write_bytes(b"player_id,name\np1,Jos\xe9\n")
    (workspace / "decisions.csv").write_text("kind,tracker,subject,object\nlabel_is,,Ivo,p1\n")
    assert [line.partition(":")[0] for line in problems_of(workspace)] == ["roster.csv"]


def test_a_profile_that_leads_to_a_station_of_no_venue_is_told(workspace: Path) -> None:
    words = '[labels.station]\ncolumn = "Mound"\nwords = { "A" = "pen_1", "B" = "pen_2", "away" = "away_field" }\n'
    (workspace / "profiles" / "gun.toml").write_text(PROFILE + words)
    assert problems_of(workspace) == [
        "profiles/gun.toml: labels.station.words.B: value 'pen_2' is no station of ledger.toml; "
        "allowed: field, pen_1, away_field; nearest: pen_1"
    ]


def test_every_zone_of_the_tz_database_that_times_can_be_turned_to_is_taken(workspace: Path) -> None:
    # "Factory" is the database's own word for no zone
    for zone in sorted(available_timezones() - {"Factory", "localtime"})[::40]:
        (workspace / "ledger.toml").write_text(LEDGER.replace("America/Chicago", zone, 1))
        assert load_ledger(workspace).time_zone == zone


def test_the_demo_loads_and_fits_the_published_schema() -> None:
    ledger = load_ledger(PROJECT / "demo_inputs")
    assert [tracker.id for tracker in ledger.trackers] == ["stadium_radar", "camera_array", "pen_unit", "ball"]
    assert ledger.policies["spin_rate_rpm"].order[0] == "ball"
    written = tomllib.loads((PROJECT / "demo_inputs" / "ledger.toml").read_text())
    jsonschema.validate(written, ledger_schema(), cls=Draft202012Validator)


def test_the_schema_for_editors_is_current_and_refuses_what_the_loader_refuses() -> None:
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


def test_the_whole_ledger_in_the_documentation_loads(tmp_path: Path) -> None:
    guide = (PROJECT / "schemas" / "README.md").read_text().partition("\n## ledger.toml\n")[2]
    (tmp_path / "ledger.toml").write_text(guide.partition("```toml\n")[2].partition("```")[0])
    (tmp_path / "profiles").mkdir()
    for name in ("stadium_radar", "yard_camera"):
        (tmp_path / "profiles" / f"{name}.toml").write_text(PROFILE)
    tables = guide.split("```csv\n")
    (tmp_path / "roster.csv").write_text(tables[1].partition("```")[0])
    (tmp_path / "decisions.csv").write_text(tables[2].partition("```")[0])
    ledger = load_ledger(tmp_path)
    assert (ledger.roster.height, ledger.decisions.height, len(ledger.corrections)) == (1, 1, 1)
