"""The robust centre of each night's differences, from that night alone: the points of the control charts.

Huber's M-estimate, k = 1.5, with the night's own median distance from its median for scale (Huber 1964); below ten pitches that is
raised by the factors of Croux & Rousseeuw, COMPSTAT 1992:411, which make it right on average for normal readings.
"""

from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.facts.circular import on_side, sides
from pipeline.agreement.facts.moments import Runs, first_rows, runs_from, spread_out, total
from pipeline.agreement.facts.readings import metrics_of

HUBER_K = 1.5
_ROUNDS, _NEAR_ENOUGH = 30, 1e-7
# by pitches, from 0 on
_SMALL_MAD = np.array([1.0, 1.0, 1.196, 1.495, 1.363, 1.206, 1.2, 1.14, 1.129, 1.107])


class Centres(NamedTuple):
    """By night: pitches, centre, sum of squares of what is left within the clip, and how many pitches lie inside it."""

    n: np.ndarray
    centre: np.ndarray
    clipped: np.ndarray
    inside: np.ndarray


def centres_by_night(differences: pl.DataFrame) -> pl.DataFrame:
    """Of differences of one pair in order of nights: baseball_day and Centres of each metric (an angle's sides apart), `n.<metric>`..."""
    runs = runs_from(differences["baseball_day"].to_physical().to_numpy())
    columns = list(first_rows(differences.select("baseball_day"), runs))
    for metric in metrics_of(differences, "d."):
        near = differences[f"d.{metric}"].cast(pl.Float64).to_numpy()
        for side in sides(metric):
            found = centres_of_runs(on_side(near, side), runs)._asdict()
            columns += [pl.Series(f"{name}.{metric}{side}", of_night) for name, of_night in found.items()]
    return pl.DataFrame(columns)


def centres_of_runs(values: np.ndarray, runs: Runs) -> Centres:
    """Huber's estimate of each run's values, nan left out; 0 where a run has none."""
    held = ~np.isnan(values)
    n = total(held.astype(float), runs)
    start = _medians(values, runs)
    clip = _clips(values, start, held, n, runs)
    bound = spread_out(clip, runs)
    centre = _settled(values, held, n, start, clip, runs)
    left = np.where(held, values - spread_out(centre, runs), 0.0)
    inside = total((held & (np.abs(left) <= bound)).astype(float), runs)
    return Centres(n, centre, total(np.clip(left, -bound, bound) ** 2, runs), inside)


def standard_errors(centres: Centres) -> np.ndarray:
    """Standard error of each night's centre, from the spread within nights, one figure for all nights; every night has a pitch."""
    pitches, nights = centres.n.sum(), len(centres.n)
    inside = centres.inside.sum() / pitches
    # each night's own centre was taken out of what is left: as many degrees of freedom fewer
    variance = centres.clipped.sum() / max(pitches - nights, 1) / inside**2
    return np.asarray((np.sqrt(variance) if variance > 0 else 1e-12) / np.sqrt(centres.n))


def _clips(values: np.ndarray, median: np.ndarray, held: np.ndarray, n: np.ndarray, runs: Runs) -> np.ndarray:
    distance = np.abs(values - spread_out(median, runs))
    mad = 1.4826 * _medians(distance, runs) * _SMALL_MAD[np.where(n < 10, n, 0).astype(int)]
    # more than half of them alike: the mean distance stands in (1.2533 = sqrt(pi / 2), right for normal readings)
    mean_distance = 1.2533 * total(np.where(held, distance, 0.0), runs) / np.maximum(n, 1)
    return np.asarray(HUBER_K * np.where(mad > 0, mad, mean_distance))


def _settled(
    values: np.ndarray, held: np.ndarray, n: np.ndarray, centre: np.ndarray, clip: np.ndarray, runs: Runs
) -> np.ndarray:
    bound, size = spread_out(clip, runs), np.maximum(n, 1)
    moving = clip > 0
    for _ in range(_ROUNDS):
        pulled = np.where(held, np.clip(values - spread_out(centre, runs), -bound, bound), 0.0)
        # each night comes to rest by itself, whatever the others do
        step = np.where(moving, total(pulled, runs) / size, 0.0)
        centre = centre + step
        moving = np.abs(step) > _NEAR_ENOUGH * clip
        if not moving.any():
            break
    return centre


def _medians(values: np.ndarray, runs: Runs) -> np.ndarray:
    """Median of each run, nan left out; 0 where it has none."""
    run = np.repeat(np.arange(len(runs.starts)), runs.counts)
    frame = pl.DataFrame({"run": run, "value": values}, nan_to_null=True)
    medians = frame.group_by("run", maintain_order=True).agg(pl.col("value").median())
    return medians["value"].fill_null(0.0).to_numpy()
