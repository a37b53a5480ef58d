"""How one tracker's frame lies on another's: turned, shifted, stretched, by night and over all nights.

Frame of the common schema: x to the catcher's right, y toward the mound, z up, origin at the plate's back tip. A tracker b whose
frame is turned by small angles (aim about the vertical, tilt about x, roll about y) and shifted reads a's point (x, y, z) as
    x + aim y + roll z + side,    z + tilt y - roll x + height,    y - aim x - tilt z + distance.
Release points are compared as points. A plate location is where the ball crosses the plane that b takes for the front edge, so an error
of b's y moves it along the flight. Angles are small: at 3 degrees what is left out makes 0.07 ft at the rubber.
"""

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.combining import benjamini_hochberg, combine
from pipeline.agreement.readings import Pair
from pipeline.agreement.sentences import setup_sentence
from schemas.setup import QUANTITIES, SETUP

RUBBER_FT, FRONT_EDGE_FT = 60.5, 17 / 12
LEAST_PITCHES = 10
# A turn or shift counts as crooked from here on (common practice, no source): about 2.5 in at the rubber.
CROOKED_FROM = {
    "aim_deg": 0.2,
    "tilt_deg": 0.2,
    "roll_deg": 1.0,
    "side_in": 1.5,
    "height_in": 1.5,
    "distance_in": 3.0,
    "scale": 0.01,
}
# With a wider interval than this the readings do not tell the quantity at all.
TOLD_WITHIN = {
    "aim_deg": 1.0,
    "tilt_deg": 1.0,
    "roll_deg": 5.0,
    "side_in": 6.0,
    "height_in": 6.0,
    "distance_in": 24.0,
    "scale": 0.2,
}
_TO_UNITS = np.array([math.degrees(1), math.degrees(1), math.degrees(1), 12.0, 12.0, 12.0, 1.0])
_HUBER_K, _ROUNDS = 1.5, 3


RELEASE = ("release_side_ft", "extension_ft", "release_height_ft")
PLATE = ("plate_side_ft", "", "plate_height_ft")


class Equations(NamedTuple):
    """One kind of comparison for every pitch: `design` pitches x 7 (aim, tilt, roll, side, height, distance, scale), `moved` b - a; nan = not measured."""

    design: np.ndarray
    moved: np.ndarray


class Frames(NamedTuple):
    """By night: 7 quantities in radians, feet and ratio, and their standard errors; nan where the readings can't tell."""

    values: np.ndarray
    errors: np.ndarray
    pitches: np.ndarray


def setup_of_pairs(pairs: list[Pair], own_errors: dict[tuple[str, str], float]) -> pl.DataFrame:
    """The table `setup`: turn, shift and scale of b's frame against a's by night, and over all nights (baseball_day null).

    `own_errors` holds the own error SD by (tracker, metric) where it is known; where not, both are taken to err alike.
    """
    rows = [row for pair in pairs for row in _rows_of_pair(pair, own_errors)]
    return _flag_crooked(pl.DataFrame(rows, schema=SETUP.polars_schema(), orient="row"))


def fit_frames(equations: list[Equations], starts: np.ndarray) -> Frames:
    """Robust least squares for each night's pitches (runs from `starts`); errors clustered by pitch.

    The rigid quantities are fitted with the scale held at 1: a scale and a distance to the plate look alike from one mound. The scale
    is fitted together with the others in a second fit.
    """
    rows = _stacked(equations)
    rigid, weights = _fit(rows, starts, 6, np.where(rows.measured, 1.0, 0.0), _ROUNDS)
    stretched, _ = _fit(rows, starts, 7, weights, 1)
    values = np.column_stack([rigid.values, stretched.values[:, 6]])
    return Frames(values, np.column_stack([rigid.errors, stretched.errors[:, 6]]), rigid.pitches)


def frame_equations(readings: pl.DataFrame, share_of_a: dict[str, float]) -> list[Equations]:
    """The five comparisons of a pair's pitches: release point x, y, z and plate location x, z.

    `share_of_a` by metric: where between b (0) and a (1) the point is taken, half way where it is not named.
    """
    a, b = (_points(readings, side) for side in "ab")
    # at a's own point a's error would pull against itself and the scale come out too small; at the point where the two errors
    # balance it does not
    release, plate = (
        of_b + np.array([share_of_a.get(metric, 0.5) for metric in metrics]) * (of_a - of_b)
        for of_a, of_b, metrics in zip(a[:2], b[:2], (RELEASE, PLATE), strict=True)
    )
    slopes = np.nan_to_num(_either(a.slopes, b.slopes))
    # without an extension the other tracker's, or the usual 6 ft, stands in: it moves an angle by 1 % at most
    release[:, 1] = np.nan_to_num(_either(a.release[:, 1], b.release[:, 1]), nan=RUBBER_FT - 6.0)
    return [*_point_equations(release, b.release - a.release), *_plate_equations(plate, b.plate - a.plate, slopes)]


def _either(of_a: np.ndarray, of_b: np.ndarray) -> np.ndarray:
    """The mean of both, or the one that is measured."""
    return np.where(np.isnan(of_a), of_b, np.where(np.isnan(of_b), of_a, (of_a + of_b) / 2))


class _Points(NamedTuple):
    """Points by pitch, x y z in feet, and the flight's slopes dx/dy, dz/dy at the plate; nan = not measured."""

    release: np.ndarray
    plate: np.ndarray
    slopes: np.ndarray


def _points(readings: pl.DataFrame, side: str) -> _Points:
    def read(metric: str) -> np.ndarray:
        name = f"{side}.{metric}"
        return (
            readings[name].to_numpy().astype(float) if name in readings.columns else np.full(readings.height, math.nan)
        )

    release = np.column_stack([read("release_side_ft"), RUBBER_FT - read("extension_ft"), read("release_height_ft")])
    plate = np.column_stack([read("plate_side_ft"), np.full(readings.height, FRONT_EDGE_FT), read("plate_height_ft")])
    slopes = [-np.tan(np.radians(read(f"{way}_approach_deg"))) for way in ("horizontal", "vertical")]
    return _Points(release, plate, np.column_stack(slopes))


def _point_equations(at: np.ndarray, moved: np.ndarray) -> list[Equations]:
    """b - a of a point: rows of the small-angle turn, shift and scale, for x, y and z."""
    x, y, z = at.T
    no, one = np.zeros_like(x), np.ones_like(x)
    of_x = np.column_stack([y, no, z, one, no, no, x])
    of_y = np.column_stack([-x, -z, no, no, no, one, y])
    of_z = np.column_stack([no, y, -x, no, one, no, z])
    return [Equations(of_x, moved[:, 0]), Equations(of_y, moved[:, 1]), Equations(of_z, moved[:, 2])]


def _plate_equations(at: np.ndarray, moved: np.ndarray, slopes: np.ndarray) -> list[Equations]:
    """b - a where the flight crosses b's front-edge plane: the point's own move, less the flight's slope (dx/dy, dz/dy) x the move in y."""
    of_x, of_y, of_z = _point_equations(at, moved)
    return [
        Equations(of_x.design - slopes[:, :1] * of_y.design, of_x.moved),
        Equations(of_z.design - slopes[:, 1:] * of_y.design, of_z.moved),
    ]


class _Rows(NamedTuple):
    """All equations together: pitches x kinds x 8 (the 7 of the design, then what moved); and which were measured."""

    equations: np.ndarray
    measured: np.ndarray


def _stacked(equations: list[Equations]) -> _Rows:
    rows = np.stack([np.column_stack([equation.design, equation.moved]) for equation in equations], axis=1)
    measured = np.isfinite(rows).all(axis=2)
    return _Rows(np.where(measured[:, :, None], rows, 0.0), measured)


def _fit(
    rows: _Rows, starts: np.ndarray, quantities: int, weights: np.ndarray, rounds: int
) -> tuple[Frames, np.ndarray]:
    """Fit the first `quantities`, from `weights` on; returns the weights of the last round too."""
    equations = np.ascontiguousarray(rows.equations[:, :, [*range(quantities), 7]])
    ends = np.append(starts[1:], len(equations))
    night = np.repeat(np.arange(len(starts)), ends - starts)
    for _ in range(rounds):
        values = _solve(equations, weights, starts, ends)[0]
        residuals = np.einsum("pkq,pq->pk", equations, np.column_stack([-values, np.ones(len(values))])[night])
        weights = _huber_weights(residuals, rows.measured)
    # how fast the pull of the readings changes with the quantities: a reading beyond the clip pulls the same wherever it lies
    inside = np.where(weights == weights.max(axis=0), weights, 0.0)
    _, inverse, known = _solve(equations, inside, starts, ends)
    scores = np.einsum("pkq,pk->pq", equations[:, :, :-1], weights * residuals)
    middle = np.stack([scores[start:end].T @ scores[start:end] for start, end in zip(starts, ends, strict=True)])
    pitches = np.add.reduceat(rows.measured.any(axis=1).astype(int), starts)
    with np.errstate(invalid="ignore", divide="ignore"):
        small = (pitches / (pitches - quantities / 2))[:, None]
        errors = np.sqrt(np.einsum("nij,njk,nki->ni", inverse, middle, inverse) * small)
    told = known & (pitches >= LEAST_PITCHES)[:, None]
    return Frames(np.where(told, values, math.nan), np.where(told, errors, math.nan), pitches), weights


def _solve(
    equations: np.ndarray, weights: np.ndarray, starts: np.ndarray, ends: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Solutions by night, inverses of the normal matrices, and which quantities these tell at all."""
    kinds, size = equations.shape[1:]
    flat, weight = equations.reshape(-1, size), weights.reshape(-1, 1)
    runs = [slice(start * kinds, end * kinds) for start, end in zip(starts.tolist(), ends.tolist(), strict=True)]
    products = np.stack([(flat[run] * weight[run]).T @ flat[run] for run in runs])
    normal, right = products[:, :-1, :-1], products[:, :-1, -1]
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-300))
    roots, vectors = np.linalg.eigh(normal / scale[:, :, None] / scale[:, None, :])
    usable = roots > 1e-7
    inverse = np.einsum("nik,nk,njk->nij", vectors, np.where(usable, 1 / np.where(usable, roots, 1.0), 0.0), vectors)
    inverse = inverse / scale[:, :, None] / scale[:, None, :]
    # a quantity that a null direction of the readings holds can't be told
    hidden = np.einsum("nik,nk->ni", vectors**2, (~usable).astype(float))
    return np.einsum("nij,nj->ni", inverse, right), inverse, hidden < 1e-6


def _huber_weights(residuals: np.ndarray, measured: np.ndarray) -> np.ndarray:
    """Weights of each kind of reading by its own spread over all nights; readings far from the fit pull with bounded force."""
    weights = np.zeros(residuals.shape)
    for kind in range(residuals.shape[1]):
        held = measured[:, kind]
        if held.any():
            distance = np.abs(residuals[held, kind])
            scale = 1.4826 * float(np.median(distance)) or 1e-9
            weights[held, kind] = 1 / np.maximum(distance / (_HUBER_K * scale), 1.0) / scale**2
    return weights


def _share_of_a(pair: Pair, own_errors: dict[tuple[str, str], float]) -> dict[str, float]:
    """Where the errors of a and b balance: at the point where each counts by the other's error variance."""
    shares = {}
    for metric in (*RELEASE, *PLATE):
        of_a, of_b = (own_errors.get((tracker, metric), 0.0) ** 2 for tracker in (pair.tracker_a, pair.tracker_b))
        if of_a > 0 and of_b > 0:
            shares[metric] = of_b / (of_a + of_b)
    return shares


def _rows_of_pair(pair: Pair, own_errors: dict[tuple[str, str], float]) -> Iterator[tuple[object, ...]]:
    readings = pair.readings.sort("baseball_day")
    days = readings["baseball_day"]
    starts = np.flatnonzero(np.concatenate([[True], np.diff(days.to_physical().to_numpy()) != 0]))
    frames = fit_frames(frame_equations(readings, _share_of_a(pair, own_errors)), starts)
    values, errors = frames.values * _TO_UNITS, frames.errors * _TO_UNITS
    for place, quantity in enumerate(QUANTITIES):
        told = np.flatnonzero(errors[:, place] * 2 < TOLD_WITHIN[quantity])
        for night in told.tolist():
            yield _row(
                pair,
                days[int(starts[night])],
                quantity,
                values[night, place],
                errors[night, place],
                int(frames.pitches[night]),
                1,
                "",
            )
        if len(told):
            whole = combine(values[told, place], errors[told, place] ** 2)
            note = (
                f"nights differ by {whole.between_sd:.2g} (1 sd) beyond their own errors"
                if whole.birge > 1.5 and whole.between_sd > CROOKED_FROM[quantity] / 2
                else ""
            )
            yield _row(pair, None, quantity, whole.mean, whole.se, int(frames.pitches[told].sum()), len(told), note)


def _row(
    pair: Pair, day: object, quantity: str, value: float, se: float, n: int, nights: int, note: str
) -> tuple[object, ...]:
    from scipy.special import stdtrit

    # one night: its pitches repeat; all nights: the nights do
    half = float(stdtrit(max((nights if nights > 1 else n) - 1, 1), 0.975)) * se
    at_rubber = math.tan(math.radians(value)) * RUBBER_FT * 12 if quantity in ("aim_deg", "tilt_deg") else None
    return (
        pair.tracker_a,
        pair.tracker_b,
        day,
        quantity,
        value,
        value - half,
        value + half,
        se,
        n,
        nights,
        at_rubber,
        False,
        note or None,
        "",
    )


def _flag_crooked(rows: pl.DataFrame) -> pl.DataFrame:
    from scipy.special import ndtr

    if rows.is_empty():
        return rows
    adjusted = benjamini_hochberg(2 * ndtr(-np.abs((rows["value"] / rows["se"].clip(1e-12)).to_numpy())))
    matters = pl.col("value").abs() >= pl.col("quantity").replace_strict(CROOKED_FROM, return_dtype=pl.Float64)
    flagged = rows.with_columns((matters & (pl.Series(adjusted) < 0.05)).alias("crooked"))
    said = [
        setup_sentence(row, {}) if row["crooked"] or row["baseball_day"] is None else None
        for row in flagged.iter_rows(named=True)
    ]
    return flagged.with_columns(pl.Series("sentence", said, pl.String))
