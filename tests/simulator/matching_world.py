"""The benchmark worlds of the matching: which devices watch a season, and what goes wrong.

Wider than the demo: games, scrimmages, bullpens, two bullpens at once; each fault alone or all together; and worlds that the matching was
not tuned for. All people and devices are invented. Sizes of spread and noise:
- pitch-to-pitch spread within one pitcher's pitch type (speed 1.0 mph, spin 70 rpm, break 2 in, release 0.1 ft): the size seen in open
  league data; common practice, no source.
- tracker noise: movement 0.4-1.5 in, speed 0.2-0.5 mph, spin 15-60 rpm, plate location 0.03-0.15 ft: the range that vendors and
  published comparisons give for camera and radar; common practice, no source.
- tempo: 12-24 s between pitches, 2-3 min between half innings: common practice, no source.
"""

from dataclasses import dataclass, replace
from datetime import date

# Noise of a good tracker by metric (1 standard deviation).
NOISE = {
    "release_speed_mph": 0.35,
    "plate_speed_mph": 0.4,
    "spin_rate_rpm": 35.0,
    "spin_efficiency": 0.05,
    "spin_axis_deg": 8.0,
    "induced_vertical_break_in": 0.9,
    "horizontal_break_in": 0.9,
    "release_height_ft": 0.08,
    "release_side_ft": 0.08,
    "extension_ft": 0.15,
    "plate_height_ft": 0.09,
    "plate_side_ft": 0.09,
    "vertical_approach_deg": 0.2,
    "horizontal_approach_deg": 0.2,
    "exit_velocity_mph": 1.5,
    "launch_angle_deg": 2.0,
}
FULL = tuple(NOISE)
BALL_ONLY = ("release_speed_mph", "spin_rate_rpm")
# Metrics of a simple unit.
EIGHT = (
    *("release_speed_mph", "spin_rate_rpm", "induced_vertical_break_in", "horizontal_break_in"),
    *("release_height_ft", "release_side_ft", "plate_height_ft", "plate_side_ft"),
)


@dataclass(frozen=True)
class Device:
    """One tracker: its clock, what it measures and how well, and how often it errs."""

    name: str
    metrics: tuple[str, ...] = FULL
    noise: float = 1.0
    outliers: float = 0.02
    outlier_size: float = 8.0
    missing: float = 0.02
    dropout: float = 0.015
    burst: float = 0.0
    false_rate: float = 0.01
    double_rate: float = 0.004
    resolution_s: float | None = 1.0
    jitter_s: float = 0.08
    offset_s: float = 20.0
    hour_slip: float = 0.0
    drift_ppm: float = 20.0
    steps: int = 0
    bias: float = 0.3
    bias_wander: float = 0.15
    stale: float = 0.0
    misspelled: float = 0.0
    mistyped: float = 0.1
    blunder: float = 0.001
    # The mounds that it sees (empty: all). A device that roams names no station; one without names names no pitcher.
    mounds: tuple[str, ...] = ()
    roams: bool = False
    names: bool = True


@dataclass(frozen=True)
class World:
    """What happens in a season, and who watches."""

    devices: tuple[Device, ...]
    sessions: tuple[str, ...] = (
        "game",
        "bullpen",
        "bullpen",
        "scrimmage",
        "bullpen",
        "game",
        "bullpen",
        "bullpen",
        "game",
        "bullpen",
        "scrimmage",
        "bullpen",
        "game",
        "bullpen",
    )
    two_mounds: bool = False
    tempo: float = 1.0
    first_day: date = date(2026, 3, 2)
    game_pitches: int = 260
    tail_degrees: float | None = None
    shuffled: bool = False
    one_day: bool = False
    sessions_a_day: int = 1
    # Each mound is a station of its own, pen_1 and pen_2; both are used at once, or in turn.
    mounds_apart: bool = False
    in_turn: bool = False


SCENARIOS = (
    "clean",
    "drifting clock",
    "hour shift",
    "clock step",
    "bursts of dropouts",
    "stale labels",
    "biased tracker",
    "two mounds",
    "minute stamps",
    "order only",
    "all faults, two trackers",
    "all faults, three trackers",
)
OTHER_WORLDS = (
    *(
        "eight metrics, minute stamps",
        "eight metrics, order only",
        "eight metrics, all faults",
        "ball only, minute stamps",
    ),
    *(
        "heavier tails",
        "twice the noise",
        "half the noise",
        "quick tempo",
        "many false records",
        "ball-only readings",
        "milliseconds",
        "one night",
    ),
)
ROAMING_WORLDS = (
    "roaming ball, both mounds watched",
    "roaming ball, one mound watched",
    "roaming ball, minute stamps",
    "roaming ball without names",
    "roaming ball with stale names",
    "roaming ball, mounds in turn",
    "roaming ball at one mound",
)


def world(name: str) -> World:
    """Return the world of a scenario."""
    if name.startswith("roaming"):
        return _roaming(name)
    a, b = Device("radar", offset_s=2.0), Device("camera", offset_s=25.0, bias=0.3)
    worlds: dict[str, World] = {
        "clean": World((a, b)),
        "drifting clock": World((a, replace(b, drift_ppm=200.0))),
        "hour shift": World((a, replace(b, hour_slip=1.0))),
        "clock step": World((a, replace(b, steps=2))),
        "bursts of dropouts": World((replace(a, burst=0.06), replace(b, burst=0.1))),
        "stale labels": World((a, replace(b, stale=0.5, misspelled=0.3))),
        "biased tracker": World((a, replace(b, bias=2.0, bias_wander=0.5))),
        "two mounds": World((a, b), two_mounds=True),
        "minute stamps": World((a, replace(b, resolution_s=60.0))),
        "order only": World((a, replace(b, resolution_s=None))),
        "heavier tails": World((replace(a, outliers=0.08), replace(b, outliers=0.08)), tail_degrees=3.0),
        "twice the noise": World((replace(a, noise=2.0), replace(b, noise=2.0))),
        "half the noise": World((replace(a, noise=0.5), replace(b, noise=0.5))),
        "quick tempo": World((a, replace(b, resolution_s=60.0)), tempo=0.5),
        "many false records": World(
            (
                replace(a, false_rate=0.06, dropout=0.05, double_rate=0.02),
                replace(b, false_rate=0.06, dropout=0.08, double_rate=0.02),
            )
        ),
        "ball-only readings": World((a, replace(b, metrics=BALL_ONLY))),
        "eight metrics, minute stamps": World((a, replace(b, resolution_s=60.0, metrics=EIGHT, noise=2.5))),
        "eight metrics, order only": World((a, replace(b, resolution_s=None, metrics=EIGHT, noise=2.5))),
        "ball only, minute stamps": World((a, replace(b, resolution_s=60.0, metrics=BALL_ONLY))),
        "milliseconds": World(
            (replace(a, resolution_s=0.001, jitter_s=0.03), replace(b, resolution_s=0.001, jitter_s=0.03))
        ),
        "bullpens in a row": World(
            (a, replace(b, hour_slip=0.3, offset_s=60.0)), sessions=("bullpen",) * 24, sessions_a_day=3
        ),
        "bullpens in a row, order only": World(
            (a, replace(b, resolution_s=None)), sessions=("bullpen",) * 24, sessions_a_day=3
        ),
        "bullpens in a row, minute stamps": World(
            (a, replace(b, resolution_s=60.0, offset_s=60.0)), sessions=("bullpen",) * 24, sessions_a_day=3
        ),
        "one night": World((a, b), sessions=("game", "bullpen", "bullpen", "bullpen", "bullpen"), one_day=True),
    }
    if "all faults" in name:
        return _all_faults(
            a,
            replace(b, metrics=EIGHT, noise=2.5) if name.startswith("eight") else b,
            three=name.endswith("three trackers"),
        )
    return worlds[name]


def _roaming(name: str) -> World:
    """Return a world with an instrumented ball in two bullpens: no station in its log, speed and spin only, a clock minutes off."""
    one = Device("radar", offset_s=2.0, mounds=("pen_1",))
    two = Device("camera", offset_s=25.0, mounds=("pen_2",))
    ball = Device("portable", metrics=BALL_ONLY, resolution_s=0.001, offset_s=120.0, false_rate=0.04, roams=True)
    coarse = replace(one, resolution_s=60.0), replace(two, resolution_s=60.0), ball
    devices = {
        "roaming ball, both mounds watched": (one, two, ball),
        "roaming ball, one mound watched": (one, ball),
        "roaming ball, minute stamps": coarse,
        "roaming ball without names": (one, two, replace(ball, names=False)),
        "roaming ball with stale names": (one, two, replace(ball, stale=0.7, misspelled=0.3)),
        "roaming ball, mounds in turn": (one, two, replace(ball, names=False)),
        "roaming ball at one mound": (one, two, replace(ball, mounds=("pen_1",))),
    }
    return World(devices[name], ("pens",) * 10, two_mounds=True, mounds_apart=True, in_turn=name.endswith("in turn"))


def _all_faults(a: Device, b: Device, *, three: bool) -> World:
    """Return a world with all faults: two mounds, minute stamps, an hour off, steps, bursts, stale labels, bias, false records."""
    wrong = {
        "burst": 0.05,
        "stale": 0.4,
        "misspelled": 0.2,
        "dropout": 0.04,
        "false_rate": 0.02,
        "double_rate": 0.01,
        "mistyped": 0.2,
    }
    first = replace(a, **wrong, steps=1, drift_ppm=100.0)
    second = replace(b, **wrong, resolution_s=60.0, hour_slip=1.0, steps=1, drift_ppm=200.0, bias=1.5, bias_wander=0.4)
    third = replace(b, **wrong, name="portable", offset_s=200.0, drift_ppm=150.0, bias=1.0, noise=1.3, steps=1)
    return World((first, second, third) if three else (first, second), two_mounds=True)
