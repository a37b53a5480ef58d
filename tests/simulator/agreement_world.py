"""Sightings of invented trackers with known bias, noise, drift and aim.

Truth that the agreement tables must find again.
"""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement import Agreement, MatchedPitches, Standards, agreement_of_nights, measure_nights
from pipeline.agreement.drift.outings import PitcherHistory
from schemas.exports import METRIC_SOURCES
from schemas.metrics import METRICS, TRAJECTORY
from schemas.sightings import CORRECTIONS_TYPE, MATCH_PAIRS

# mean and spread of true values: invented, about what college pitches are
TRUTH = {
    "release_speed_mph": (86.0, 5.0),
    "plate_speed_mph": (79.0, 4.5),
    "spin_rate_rpm": (2200.0, 250.0),
    "spin_axis_deg": (200.0, 30.0),
    "induced_vertical_break_in": (10.0, 7.0),
    "horizontal_break_in": (-4.0, 9.0),
    "release_height_ft": (5.8, 0.4),
    "release_side_ft": (-1.2, 1.5),
    "extension_ft": (6.0, 0.4),
    "plate_height_ft": (2.4, 0.9),
    "plate_side_ft": (0.0, 0.9),
    "vertical_approach_deg": (-6.0, 1.5),
}


class Seen(NamedTuple):
    """Sightings of a simulated season, how they were matched, and its pitches."""

    sightings: pl.DataFrame
    matches: pl.DataFrame
    pitches: pl.DataFrame

    def with_pairs(self, match_pairs: pl.DataFrame | None = None) -> MatchedPitches:
        """Add the candidate pairs of the matching; without any, table selection is empty."""
        sightings = self.sightings
        if "corrections" not in sightings.columns:
            sightings = sightings.with_columns(corrections=pl.lit(None, CORRECTIONS_TYPE))
        pairs = MATCH_PAIRS.empty() if match_pairs is None else match_pairs
        return MatchedPitches(sightings, self.matches, self.pitches, pairs)


def measure_agreement(
    seen: Seen,
    ranks: Mapping[str, int],
    *,
    tolerances: Mapping[str, float] | None = None,
    match_pairs: pl.DataFrame | None = None,
    metric_sources: pl.DataFrame | None = None,
) -> Agreement:
    """Make all agreement tables of a simulated season."""
    standards = Standards.with_defaults(tolerances or {}, ranks)
    sources = METRIC_SOURCES.empty() if metric_sources is None else metric_sources
    return agreement_of_nights(measure_nights(seen.with_pairs(match_pairs), standards), standards, sources)


def season(
    rng: np.random.Generator,
    nights: int = 30,
    per_night: int = 60,
    trackers: dict[str, float] | None = None,
    metrics: tuple[str, ...] = ("release_speed_mph",),
    night_sd: float = 0.0,
    first_day: date = date(2026, 2, 13),
) -> Seen:
    """Simulate a season seen by all `trackers`, without bias.

    Each has its own error SD as a share of the metric's tolerance.
    """
    trackers = trackers or {"radar": 0.3, "camera": 0.4, "unit": 0.6}
    n = nights * per_night
    night = np.repeat(np.arange(nights), per_night)
    numbers = [f"{index:016x}" for index in range(n)]
    pitches = pl.DataFrame(
        {
            "pitch_id": [f"p{number}" for number in numbers],
            "baseball_day": [first_day + timedelta(days=int(index)) for index in night],
            "station": "field",
            "pitch_type": rng.choice(["four_seam", "slider", "changeup"], n),
            "pitch_result": rng.choice(["ball", "foul", "in_play"], n),
            "pitcher_id": [f"player_{index}" for index in rng.integers(0, 8, n)],
            "pitcher_label": None,
        },
        schema_overrides={"pitcher_label": pl.String},
    )
    truth = {metric: rng.normal(*TRUTH[metric], n) for metric in metrics}
    sightings, matches = [], []
    for index, (tracker, noise) in enumerate(trackers.items()):
        ids = [f"s{number}" if index == 0 else f"s{index:01x}{number[1:]}" for number in numbers]
        read = {}
        for metric in metrics:
            sd = noise * METRICS[metric].tolerance
            deviation = rng.normal(0, night_sd * METRICS[metric].tolerance, nights)[night]
            read[metric] = truth[metric] + deviation + rng.normal(0, sd, n)
        columns = {"sighting_id": ids, "tracker": tracker, **read}
        columns |= {
            "pitch_type": pitches["pitch_type"],
            "pitch_result": pitches["pitch_result"],
            "baseball_day": pitches["baseball_day"],
        }
        sightings.append(pl.DataFrame(columns))
        matches.append(pl.DataFrame({"sighting_id": ids, "group_id": [f"s{number}" for number in numbers]}))
    return Seen(pl.concat(sightings), pl.concat(matches), pitches)


class Setup(NamedTuple):
    """How tracker b is set up: degrees, feet and ratio.

    Signs as in table `setup`.
    """

    aim_deg: float = 0.0
    tilt_deg: float = 0.0
    roll_deg: float = 0.0
    side_ft: float = 0.0
    height_ft: float = 0.0
    distance_ft: float = 0.0
    scale: float = 0.0


FLIGHT_S = 0.4


def seen_through(
    rng: np.random.Generator,
    pitches: int,
    setup: Setup,
    noise_ft: float = 0.1,
    angle_noise_deg: float = 0.3,
    *,
    trajectory: bool = False,
) -> pl.DataFrame:
    """Return readings of flights that a sees straight and b through a crooked frame.

    Columns `a.<metric>`, `b.<metric>`; the frame is exactly turned and shifted. Flights are parabolas; b's plate location is where the
    flight crosses the plane that b takes for the front edge. A tracker's `trajectory` is off by as much at both ends as its release point
    and plate location are, and its acceleration by 0.7 ft/s2.
    """
    release = np.column_stack(
        [rng.normal(-1.5, 1.2, pitches), 54.5 + rng.normal(0, 0.4, pitches), rng.normal(5.8, 0.4, pitches)]
    )
    plate = np.column_stack([rng.normal(0, 0.8, pitches), np.full(pitches, 17 / 12), rng.normal(2.4, 0.8, pitches)])
    bend = np.column_stack([rng.normal(0, 0.8, pitches), np.zeros(pitches), np.full(pitches, 2.5)])
    # position = release + share (plate - release) + share (1 - share) bend, share = t / FLIGHT_S
    velocity, acceleration = (plate - release + bend) / FLIGHT_S, -2 * bend / FLIGHT_S**2
    turn, shift = (1 + setup.scale) * _turn(setup).T, np.array([setup.side_ft, setup.distance_ft, setup.height_ft])
    straight = (release, velocity, acceleration)
    turned = (release @ turn + shift, velocity @ turn, acceleration @ turn)
    noise = (noise_ft, angle_noise_deg)
    readings = _readings(straight, "a", rng, noise, trajectory) | _readings(turned, "b", rng, noise, trajectory)
    return pl.DataFrame(readings)


def _turn(setup: Setup) -> np.ndarray:
    from scipy.spatial.transform import Rotation

    # x gains from y by aim and from z by roll, z gains from y by tilt: the right-handed turns about z, y and x with these signs
    angles = [-setup.aim_deg, setup.roll_deg, setup.tilt_deg]
    return np.asarray(Rotation.from_euler("zyx", angles, degrees=True).as_matrix())


def _readings(
    flight: tuple[np.ndarray, np.ndarray, np.ndarray],
    side: str,
    rng: np.random.Generator,
    noise: tuple[float, float],
    trajectory: bool,
) -> dict[str, np.ndarray]:
    release, velocity, acceleration = flight
    n = len(release)
    place, heading = _at_plane(flight, 17 / 12)
    slopes = heading[:, [0, 2]] / heading[:, 1:2]
    off, angle_off = rng.normal(0, noise[0], (n, 5)), rng.normal(0, noise[1], (n, 2))
    angles = -np.degrees(np.arctan(slopes)) + angle_off
    readings = {
        f"{side}.release_side_ft": release[:, 0] + off[:, 0],
        f"{side}.extension_ft": 60.5 - release[:, 1] + 2 * off[:, 1],
        f"{side}.release_height_ft": release[:, 2] + off[:, 2],
        f"{side}.plate_side_ft": place[:, 0] + off[:, 3],
        f"{side}.plate_height_ft": place[:, 2] + off[:, 4],
        f"{side}.horizontal_approach_deg": angles[:, 0],
        f"{side}.vertical_approach_deg": angles[:, 1],
    }
    if not trajectory:
        return readings
    at, going = _at_plane(flight, 50.0)
    from_start = ((release[:, 1] - 50.0) / -velocity[:, 1])[:, None]
    bend_off = rng.normal(0, 0.7, (n, 2)) * (noise[0] / 0.1)
    # the ends are off by what the release point and the plate location are off, and the flight between them bends by bend_off too much
    change = (off[:, [3, 4]] - off[:, [0, 2]]) / FLIGHT_S - bend_off * FLIGHT_S / 2
    at[:, [0, 2]] += off[:, [0, 2]] + change * from_start + bend_off * from_start**2 / 2
    going[:, [0, 2]] += change + bend_off * from_start
    pull = acceleration + np.insert(bend_off, 1, 0.0, axis=1)
    return readings | dict(
        zip([f"{side}.{name}" for name in TRAJECTORY], np.column_stack([at, going, pull]).T, strict=True)
    )


def _at_plane(flight: tuple[np.ndarray, np.ndarray, np.ndarray], y: float) -> tuple[np.ndarray, np.ndarray]:
    """Return position and velocity where flights cross the plane y.

    A flight is position, velocity and acceleration (pitches x 3).
    """
    release, velocity, acceleration = flight
    gap, speed, pull = y - release[:, 1], velocity[:, 1], acceleration[:, 1]
    t = (-2 * gap / (-speed + np.sqrt(speed**2 + 2 * pull * gap)))[:, None]
    return release + velocity * t + acceleration * t**2 / 2, velocity + acceleration * t


def outings(
    rng: np.random.Generator,
    nights: int,
    pitchers: int,
    a_night: int,
    *,
    heavy_tails: bool = False,
    sd: float = 0.1,
    night_sd: float = 0.0,
) -> PitcherHistory:
    """Simulate release sides of some pitchers a night.

    Each pitcher has his own level, and his outings vary about it by `sd` (t with 3 df if heavy).
    """
    value = np.full((nights, pitchers), np.nan)
    level = rng.normal(0, 1.5, pitchers)
    for night in range(nights):
        who = rng.choice(pitchers, a_night, replace=False)
        deviation = rng.standard_t(3, a_night) if heavy_tails else rng.normal(0, 1, a_night)
        value[night, who] = level[who] + sd * deviation + rng.normal(0, night_sd) + rng.normal(0, 0.03, a_night)
    days = [date(2026, 2, 13) + timedelta(days=night) for night in range(nights)]
    counts = np.where(np.isfinite(value), 25, 0)
    return PitcherHistory("unit", "release_side_ft", days, value, np.full(value.shape, 0.03**2), counts)


def bullpens(
    rng: np.random.Generator,
    nights: int,
    pitchers: int = 9,
    a_night: int = 3,
    aim_deg: float = 0.0,
    turned: tuple[int, int] = (0, -1),
    faster: tuple[int, float] = (0, 0.0),
) -> Seen:
    """Simulate a unit alone at the bullpen, turned on some nights.

    It is turned about the plate on the nights turned[0]..turned[1]; from night faster[0] all pitchers throw faster[1] mph harder.
    """
    outing = [(night, int(who)) for night in range(nights) for who in rng.choice(pitchers, a_night, replace=False)]
    night, who = np.repeat(np.array(outing), 25, axis=0).T
    deviation = np.repeat(rng.normal(0, 1, (len(outing), 3)), 25, axis=0)
    n = len(night)
    ids = [f"{place:016x}" for place in range(n)]
    days = [date(2026, 2, 13) + timedelta(days=int(place)) for place in night]
    slope = np.where((night >= turned[0]) & (night <= turned[1]), np.tan(np.radians(aim_deg)), 0.0)
    level = rng.normal(0, 1, (pitchers, 3))[who]
    side = -1.5 + level[:, 0] + 0.08 * deviation[:, 0] + rng.normal(0, 0.12, n) + slope * 54.5
    pace = 86 + 3 * level[:, 1] + 0.5 * deviation[:, 1] + rng.normal(0, 1, n) + faster[1] * (night >= faster[0])
    height = 5.8 + 0.3 * level[:, 2] + 0.08 * deviation[:, 2] + rng.normal(0, 0.12, n)
    read = {"release_side_ft": side, "release_height_ft": height, "release_speed_mph": pace}
    read |= {"plate_side_ft": rng.normal(0, 0.8, n) + slope * 17 / 12, "plate_height_ft": rng.normal(2.4, 0.8, n)}
    sightings = {"sighting_id": [f"s{name}" for name in ids], "tracker": "unit", "baseball_day": days, **read}
    pitches = {"pitch_id": [f"p{name}" for name in ids], "baseball_day": days, "station": "bullpen"}
    pitches |= {
        "pitch_type": rng.choice(["four_seam", "slider"], n),
        "pitcher_id": [f"player_{index}" for index in who],
    }
    matches = {"sighting_id": sightings["sighting_id"], "group_id": sightings["sighting_id"]}
    return Seen(
        pl.DataFrame(sightings),
        pl.DataFrame(matches),
        pl.DataFrame(pitches).with_columns(pitcher_label=pl.lit(None, pl.String)),
    )
