"""Robust least-squares fit of a tracker's misalignment, each night by itself."""

import math
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.device_setup.frame_equations import POINTS, Equations

# With fewer pitches a night's frame is not fitted (common practice, no source).
LEAST_PITCHES = 10
# Quantities of a rigid frame: aim, tilt, roll, side, height, distance. The seventh is the scale.
_RIGID, _ALL = 6, 7
# Huber's tuning constant: 1.5 robust SDs (Huber 1964).
_HUBER_K = 1.5
# Reweighting rounds of the rigid fit.
_ROUNDS = 3
# MAD to SD of normal residuals: 1 / (normal quantile of 0.75).
_MAD_TO_SD = 1.4826
# Smallest scale of residuals: keeps weights finite where readings are exact.
_LEAST_SCALE = 1e-9
# Eigenvalues below this share of the scaled normal matrix are directions that the readings do not determine.
_LEAST_EIGENVALUE = 1e-7
# A quantity is undetermined where this much of it lies in such a direction.
_UNDETERMINED = 1e-6


class Frames(NamedTuple):
    """Per night: 7 quantities in radians, feet and ratio, and their standard errors.

    Nan where the readings do not determine them. `scale_by_share`, nights x POINTS: how much the scale changes if that kind's points are
    taken at a's reading instead of at b's.
    """

    values: np.ndarray
    errors: np.ndarray
    pitches: np.ndarray
    scale_by_share: np.ndarray


def fit_frames(equations: list[Equations], starts: np.ndarray) -> Frames:
    """Fit each night's pitches by robust least squares, errors clustered by pitch.

    `starts` are the first pitches of the nights. The rigid quantities are fitted with the scale fixed at 1, because from one mound a
    scale and a distance to the plate look alike. A second fit adds the scale.
    """
    rows = _stack(equations)
    nights = _nights(starts, rows.measured.shape[1])
    rigid = _fit(rows, nights, _RIGID, _Reweighting(rows.measured.astype(float), _ROUNDS))
    # weights of the rigid fit would pull a stretched frame back toward a rigid one
    weights = _reweight(rows.equations, rows.measured, nights, _Reweighting(rigid.weights, 1)).weights
    stretched = _fit(rows, nights, _ALL, _Reweighting(weights, 1))
    values = np.column_stack([rigid.values, stretched.values[:, 6]])
    errors = np.column_stack([rigid.errors, stretched.errors[:, 6]])
    # a point moved toward a's by a share moves the scale's column of its own equation by that share of a - b
    moved = rows.equations[: len(POINTS), :, 7] * weights[: len(POINTS)] * stretched.residuals[: len(POINTS)]
    pull = -np.add.reduceat(moved, starts, axis=1).T
    return Frames(values, errors, rigid.pitches, stretched.inverse[:, 6, 6:] * pull)


class _Rows(NamedTuple):
    """All equations together, and which were measured.

    Kinds x pitches x 8: the 7 columns of the design, then b - a. Sums over kinds are taken kind by kind: a kind that only other nights
    have then adds exact zeros to a night.
    """

    equations: np.ndarray
    measured: np.ndarray


class _Nights(NamedTuple):
    """Nights as segments of pitches.

    First and end of each, and the index of each pitch's night.
    """

    starts: np.ndarray
    ends: np.ndarray
    night: np.ndarray


class _Reweighting(NamedTuple):
    """Weights to begin with (kinds x pitches), and rounds of Huber's reweighting."""

    weights: np.ndarray
    rounds: int


class _Solution(NamedTuple):
    """Solutions per night and inverse of the normal matrix.

    Residuals, next weights and whether a reading is within the clip.
    """

    values: np.ndarray
    inverse: np.ndarray
    residuals: np.ndarray
    weights: np.ndarray
    inside: np.ndarray


class _Fit(NamedTuple):
    """Solutions per night with errors and pitches.

    Residuals and next weights of each reading; inverse of the normal matrix.
    """

    values: np.ndarray
    errors: np.ndarray
    pitches: np.ndarray
    residuals: np.ndarray
    weights: np.ndarray
    inverse: np.ndarray


def _stack(equations: list[Equations]) -> _Rows:
    rows = np.stack([np.column_stack([equation.design, equation.moved]) for equation in equations])
    measured = np.isfinite(rows).all(axis=2)
    return _Rows(np.where(measured[:, :, None], rows, 0.0), measured)


def _nights(starts: np.ndarray, pitches: int) -> _Nights:
    ends = np.append(starts[1:], pitches)
    return _Nights(starts, ends, np.repeat(np.arange(len(starts)), ends - starts))


def _fit(rows: _Rows, nights: _Nights, quantities: int, reweighting: _Reweighting) -> _Fit:
    """Fit the first `quantities` with standard errors."""
    equations = rows.equations
    if quantities < _ALL:
        equations = np.ascontiguousarray(rows.equations[:, :, [*range(quantities), _ALL]])
    solution = _reweight(equations, rows.measured, nights, reweighting)
    # how the scores change with the quantities: beyond the clip a reading's pull is constant
    _, slack, determined = _solve(equations, np.where(solution.inside, solution.weights, 0.0), nights)
    pulls = solution.weights * solution.residuals
    scores = sum(kind[:, :-1] * pull[:, None] for kind, pull in zip(equations, pulls, strict=True))
    segments = zip(nights.starts.tolist(), nights.ends.tolist(), strict=True)
    middle = np.stack([scores[start:end].T @ scores[start:end] for start, end in segments])
    pitches = np.add.reduceat(rows.measured.any(axis=0).astype(int), nights.starts)
    with np.errstate(invalid="ignore", divide="ignore"):
        small_sample = (pitches / (pitches - quantities / 2))[:, None]
        errors = np.sqrt(np.diagonal(slack @ middle @ slack, axis1=1, axis2=2) * small_sample)
    given = determined & (pitches >= LEAST_PITCHES)[:, None]
    values, errors = (np.where(given, numbers, math.nan) for numbers in (solution.values, errors))
    return _Fit(values, errors, pitches, solution.residuals, solution.weights, solution.inverse)


def _reweight(equations: np.ndarray, measured: np.ndarray, nights: _Nights, reweighting: _Reweighting) -> _Solution:
    weights, inside = reweighting.weights, measured
    for _ in range(reweighting.rounds):
        values, inverse, _ = _solve(equations, weights, nights)
        coefficients = np.column_stack([-values, np.ones(len(values))])[nights.night]
        residuals = np.einsum("kpq,pq->kp", equations, coefficients)
        weights, inside = _huber_weights(residuals, measured, nights)
    return _Solution(values, inverse, residuals, weights, inside)


def _solve(equations: np.ndarray, weights: np.ndarray, nights: _Nights) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return solutions per night, inverse normal matrices, and what is determined."""
    weighted = (equations * weights[:, :, None]).transpose(0, 2, 1)
    edges = zip(nights.starts.tolist(), nights.ends.tolist(), strict=True)
    products = np.stack([(weighted[:, :, start:end] @ equations[:, start:end]).sum(axis=0) for start, end in edges])
    normal, right = products[:, :-1, :-1], products[:, :-1, -1]
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-300))
    roots, vectors = np.linalg.eigh(normal / scale[:, :, None] / scale[:, None, :])
    usable = roots > _LEAST_EIGENVALUE
    inverted = np.where(usable, 1 / np.where(usable, roots, 1.0), 0.0)
    inverse = (vectors * inverted[:, None, :]) @ vectors.transpose(0, 2, 1)
    inverse = inverse / scale[:, :, None] / scale[:, None, :]
    hidden = np.where(usable[:, None, :], 0.0, vectors**2).sum(axis=2)
    return (inverse @ right[:, :, None])[:, :, 0], inverse, hidden < _UNDETERMINED


def _huber_weights(residuals: np.ndarray, measured: np.ndarray, nights: _Nights) -> tuple[np.ndarray, np.ndarray]:
    """Return each reading's weight by its kind's spread, and if it is within the clip.

    Readings beyond the clip have bounded pull.
    """
    distance = np.abs(residuals)
    medians = _medians_by_night(np.where(measured, distance, math.nan).T, nights.night)
    scale = np.maximum(_MAD_TO_SD * medians, _LEAST_SCALE)[nights.night].T
    inside = measured & (distance <= _HUBER_K * scale)
    beyond = np.maximum(distance / (_HUBER_K * scale), 1.0)
    return np.where(measured, 1 / beyond / scale**2, 0.0), inside


def _medians_by_night(values: np.ndarray, night: np.ndarray) -> np.ndarray:
    """Return the medians of each column per night, nan left out.

    1 where a night has no value.
    """
    frame = pl.DataFrame(values, nan_to_null=True).with_columns(pl.Series("night", night))
    medians = frame.group_by("night", maintain_order=True).agg(pl.all().median()).drop("night")
    return medians.fill_null(1.0).to_numpy()
