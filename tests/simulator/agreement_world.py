"""Sightings of invented trackers with known bias, noise, drift and aim: truth that the agreement tables must find again."""

from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import polars as pl

from schemas.metrics import METRICS

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
    """What measure_agreement takes."""

    sightings: pl.DataFrame
    matches: pl.DataFrame
    pitches: pl.DataFrame


def season(
    rng: np.random.Generator,
    nights: int = 30,
    per_night: int = 60,
    trackers: dict[str, float] | None = None,
    metrics: tuple[str, ...] = ("release_speed_mph",),
    night_sd: float = 0.0,
    first_day: date = date(2026, 2, 13),
) -> Seen:
    """A season seen by all `trackers`, each with its own error SD as a share of the metric's tolerance (no bias; add your own)."""
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
            "pitch_call": rng.choice(["ball", "foul", "in_play"], n),
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
            wander = rng.normal(0, night_sd * METRICS[metric].tolerance, nights)[night]
            read[metric] = truth[metric] + wander + rng.normal(0, sd, n)
        columns = {"sighting_id": ids, "tracker": tracker, **read}
        columns |= {
            "pitch_type": pitches["pitch_type"],
            "pitch_call": pitches["pitch_call"],
            "baseball_day": pitches["baseball_day"],
        }
        sightings.append(pl.DataFrame(columns))
        matches.append(pl.DataFrame({"sighting_id": ids, "group_id": [f"s{number}" for number in numbers]}))
    return Seen(pl.concat(sightings), pl.concat(matches), pitches)


class Setup(NamedTuple):
    """How tracker b stands against the world: degrees, feet and ratio, signs as in the table `setup`."""

    aim_deg: float = 0.0
    tilt_deg: float = 0.0
    roll_deg: float = 0.0
    side_ft: float = 0.0
    height_ft: float = 0.0
    distance_ft: float = 0.0
    scale: float = 0.0


def seen_through(rng: np.random.Generator, pitches: int, setup: Setup, noise_ft: float = 0.1) -> pl.DataFrame:
    """Readings `a.<metric>`, `b.<metric>` of flights that a sees straight and b through an exactly turned and shifted frame.

    Flights are parabolas; b's plate location is where the flight crosses the plane that b takes for the front edge.
    """
    release = np.column_stack(
        [rng.normal(-1.5, 1.2, pitches), 54.5 + rng.normal(0, 0.4, pitches), rng.normal(5.8, 0.4, pitches)]
    )
    plate = np.column_stack([rng.normal(0, 0.8, pitches), np.full(pitches, 17 / 12), rng.normal(2.4, 0.8, pitches)])
    share = np.linspace(0, 1.05, 400)[:, None, None]
    bend = np.column_stack([rng.normal(0, 0.8, pitches), np.zeros(pitches), np.full(pitches, 2.5)])
    path = release + share * (plate - release) + share * (1 - share) * bend
    turned = (1 + setup.scale) * path @ _turn(setup).T + np.array([setup.side_ft, setup.distance_ft, setup.height_ft])
    readings = _readings(path, release, "a", rng, noise_ft) | _readings(turned, turned[0], "b", rng, noise_ft)
    return pl.DataFrame(readings)


def _turn(setup: Setup) -> np.ndarray:
    from scipy.spatial.transform import Rotation

    # x gains from y by aim and from z by roll, z gains from y by tilt: the right-handed turns about z, y and x with these signs
    angles = [-setup.aim_deg, setup.roll_deg, setup.tilt_deg]
    return np.asarray(Rotation.from_euler("zyx", angles, degrees=True).as_matrix())


def _readings(
    path: np.ndarray, release: np.ndarray, side: str, rng: np.random.Generator, noise_ft: float
) -> dict[str, np.ndarray]:
    n = path.shape[1]
    crossing = np.empty((n, 3))
    slopes = np.empty((n, 2))
    for pitch in range(n):
        # y falls along the path
        x, y, z = path[::-1, pitch].T
        crossing[pitch] = [np.interp(17 / 12, y, x), 17 / 12, np.interp(17 / 12, y, z)]
        near = np.searchsorted(y, 17 / 12)
        slopes[pitch] = [
            (x[near] - x[near - 1]) / (y[near] - y[near - 1]),
            (z[near] - z[near - 1]) / (y[near] - y[near - 1]),
        ]
    noise = rng.normal(0, noise_ft, (n, 5))
    return {
        f"{side}.release_side_ft": release[:, 0] + noise[:, 0],
        f"{side}.extension_ft": 60.5 - release[:, 1] + 2 * noise[:, 1],
        f"{side}.release_height_ft": release[:, 2] + noise[:, 2],
        f"{side}.plate_side_ft": crossing[:, 0] + noise[:, 3],
        f"{side}.plate_height_ft": crossing[:, 2] + noise[:, 4],
        f"{side}.horizontal_approach_deg": -np.degrees(np.arctan(slopes[:, 0])),
        f"{side}.vertical_approach_deg": -np.degrees(np.arctan(slopes[:, 1])),
    }
