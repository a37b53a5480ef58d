"""How one tracker's frame lies on another's: turned, shifted, stretched, by night and over all nights.

`frames_by_night` fits each night by itself, from that night's pitches alone; `setup_of_nights` makes the table of any number of nights' fits.

Frame of the common schema: x to the catcher's right, y toward the mound, z up, origin at the plate's back tip. A tracker b whose
frame is turned by small angles (aim about the vertical, tilt about x, roll about y) and shifted reads a's point (x, y, z) as
    x + aim y + roll z + side,    z + tilt y - roll x + height,    y - aim x - tilt z + distance.
Release points are compared as points. A plate location is where the ball crosses the plane that b takes for the front edge, so an error
of b's y moves it along the flight. Angles are small: at 3 degrees what is left out makes 0.07 ft at the rubber.
"""

import math
from collections.abc import Iterator
from typing import NamedTuple, TypeVar

import numpy as np
import polars as pl

from pipeline.agreement.device_setup.combining import benjamini_hochberg, combine
from pipeline.agreement.facts.readings import Pair
from pipeline.agreement.wording import setup_sentence
from pipeline.physics.flight import G_FPS2
from schemas.contract import conform
from schemas.metrics import TRAJECTORY
from schemas.setup import QUANTITIES, SETUP

RUBBER_FT, FRONT_EDGE_FT, USUAL_EXTENSION_FT = 60.5, 17 / 12, 6.0
# For a pitch whose flight time nobody gave: release to front edge, and the mean speed over it as a share of the release speed.
FLIGHT_FT, _MEAN_OVER_RELEASE_SPEED, FPS_PER_MPH = 53.1, 0.956, 22 / 15
# What a pitch falls below its line of launch, 10 in of induced break taken off, and how steeply it comes down at the plate (6 degrees).
USUAL_FALL_FT, USUAL_SLOPE_DOWN = -2.0, 0.105
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
# Of what is called crooked half of that must be sure (99 %): a lean or a scale of one night is known too poorly to act on otherwise.
SURE_SHARE, SURE_SE = 0.5, 2.58
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
# Pitches fitted at once: bounds the memory, nights being independent of each other
_AT_ONCE = 50_000


# what the kinds of equations compare
POINTS = ("release_side_ft", "extension_ft", "release_height_ft", "plate_side_ft", "plate_height_ft")


class Equations(NamedTuple):
    """One kind of comparison for every pitch: `design` pitches x 7 (aim, tilt, roll, side, height, distance, scale), `moved` b - a; nan = not measured."""

    design: np.ndarray
    moved: np.ndarray


class Frames(NamedTuple):
    """By night: 7 quantities in radians, feet and ratio, and their standard errors; nan where the readings can't tell.

    `scale_by_share` nights x kinds of equations: by how much the scale changes as that kind's points are taken at a's instead of at b's.
    """

    values: np.ndarray
    errors: np.ndarray
    pitches: np.ndarray
    scale_by_share: np.ndarray


def frames_by_night(pair: Pair) -> pl.DataFrame:
    """The fit of each night by itself: baseball_day, the two trackers, pitches, `value.<quantity>`, `se.<quantity>`, `scale_by.<metric>`.

    Quantities in the table's units; nan where the night's readings can't tell. Points are taken half way between a and b; `scale_by` says
    what the scale gains where they are taken at a's point instead of b's, which `setup_of_nights` needs.
    """
    readings = pair.readings.sort("baseball_day", maintain_order=True)
    days = readings["baseball_day"]
    starts = np.flatnonzero(np.concatenate([[True], np.diff(days.to_physical().to_numpy()) != 0]))
    parts = [
        fit_frames(frame_equations(readings.slice(first, length)), of_part - first)
        for first, length, of_part in _parts(starts, readings.height)
    ]
    values, errors, pitches, scale_by = (np.concatenate(column) for column in zip(*parts, strict=True))
    numbers = np.column_stack([values * _TO_UNITS, errors * _TO_UNITS, scale_by])
    names = [f"{kind}.{quantity}" for kind in ("value", "se") for quantity in QUANTITIES]
    names += [f"scale_by.{metric}" for metric in POINTS]
    return pl.DataFrame(numbers, schema=names).select(
        days.gather(starts),
        pl.lit(pair.tracker_a).alias("tracker_a"),
        pl.lit(pair.tracker_b).alias("tracker_b"),
        pl.Series("pitches", pitches),
        pl.all(),
    )


def setup_of_nights(frames: pl.DataFrame, own_errors: dict[tuple[str, str], float]) -> pl.DataFrame:
    """The table `setup` from `frames_by_night` of any pairs and nights: by night, and over all nights (baseball_day null).

    Pairs stand in the order of their first rows, nights in that of their days. `own_errors` holds the own error SD by (tracker, metric)
    where it is known; where not, both are taken to err alike.
    """
    pairs = frames.partition_by("tracker_a", "tracker_b", maintain_order=True)
    found = [rows for of_pair in pairs for rows in _found_of_pair(of_pair.sort("baseball_day"), own_errors)]
    return _flag_crooked(_rows(pl.concat(found))) if found else SETUP.empty()


def fit_frames(equations: list[Equations], starts: np.ndarray) -> Frames:
    """Robust least squares for each night's pitches (runs from `starts`), each night by itself; errors clustered by pitch.

    The rigid quantities are fitted with the scale held at 1: a scale and a distance to the plate look alike from one mound. The scale
    is fitted together with the others in a second fit.
    """
    rows = _stacked(equations)
    nights = _runs(starts, rows.measured.shape[1])
    rigid = _fit(rows, nights, 6, rows.measured.astype(float), _ROUNDS)
    # weights of the rigid fit would pull a stretched frame back toward a rigid one
    weights = _settled(rows.equations, rows.measured, nights, rigid.weights, 1).weights
    stretched = _fit(rows, nights, 7, weights, 1)
    values = np.column_stack([rigid.values, stretched.values[:, 6]])
    errors = np.column_stack([rigid.errors, stretched.errors[:, 6]])
    # a point moved toward a's by a share moves the scale's column of its own equation by that share of a - b
    moved = rows.equations[: len(POINTS), :, 7] * weights[: len(POINTS)] * stretched.residuals[: len(POINTS)]
    pull = -np.add.reduceat(moved, starts, axis=1).T
    return Frames(values, errors, rigid.pitches, stretched.inverse[:, 6, 6:] * pull)


def frame_equations(readings: pl.DataFrame) -> list[Equations]:
    """The comparisons of a pair's pitches, points half way between the two: release point x, y, z and plate location x, z; then those that are given.

    The approach angles say how the frames are turned without any distance in between. Where both trackers give the trajectory, its position,
    velocity and acceleration in mid-flight are compared too: the bend of the flight says how a frame leans, which its two ends hardly tell.
    """
    a, b = (_points(readings, side) for side in "ab")
    # at a's own point a's error would pull against itself and the scale come out too small; half way it does not, if both err alike
    release, plate = ((of_a + of_b) / 2 for of_a, of_b in zip(a[:2], b[:2], strict=True))
    # without an extension the other tracker's, or the usual 6 ft, stands in: it moves an angle by 1 % at most
    release[:, 1] = np.nan_to_num(_either(a.release[:, 1], b.release[:, 1]), nan=RUBBER_FT - USUAL_EXTENSION_FT)
    slopes = _either(a.slopes, b.slopes)
    slopes = np.where(np.isnan(slopes), _slopes_from_ends(release, plate, _either(a.bends, b.bends)), slopes)
    points = [*_point_equations(release, b.release - a.release), *_plate_equations(plate, b.plate - a.plate, slopes)]
    more = [*_angle_equations(slopes, b.slopes - a.slopes), *_trajectory_equations(readings)]
    return points + [equation for equation in more if np.isfinite(equation.moved).any()]


def _either(of_a: np.ndarray, of_b: np.ndarray) -> np.ndarray:
    """The mean of both, or the one that is measured."""
    return np.where(np.isnan(of_a), of_b, np.where(np.isnan(of_b), of_a, (of_a + of_b) / 2))


class _Points(NamedTuple):
    """Points by pitch, x y z in feet, the flight's slopes dx/dy, dz/dy at the plate, and how far it bends sideways and down; nan = not measured."""

    release: np.ndarray
    plate: np.ndarray
    slopes: np.ndarray
    bends: np.ndarray


def _points(readings: pl.DataFrame, side: str) -> _Points:
    def read(metric: str) -> np.ndarray:
        name = f"{side}.{metric}"
        return (
            readings[name].to_numpy().astype(float) if name in readings.columns else np.full(readings.height, math.nan)
        )

    release = np.column_stack([read("release_side_ft"), RUBBER_FT - read("extension_ft"), read("release_height_ft")])
    plate = np.column_stack([read("plate_side_ft"), np.full(readings.height, FRONT_EDGE_FT), read("plate_height_ft")])
    slopes = [-np.tan(np.radians(read(f"{way}_approach_deg"))) for way in ("horizontal", "vertical")]
    flight_s = np.where(
        np.isnan(read("flight_time_s")), usual_flight_s(read("release_speed_mph")), read("flight_time_s")
    )
    bends = bends_ft(read("horizontal_break_in"), read("induced_vertical_break_in"), flight_s)
    return _Points(release, plate, np.column_stack(slopes), np.column_stack(bends))


Numbers = TypeVar("Numbers", np.ndarray, pl.Expr)


def usual_flight_s(release_speed_mph: Numbers) -> Numbers:
    """Release to front edge at so many mph, where nobody timed it."""
    return FLIGHT_FT / (release_speed_mph * FPS_PER_MPH * _MEAN_OVER_RELEASE_SPEED)


def bends_ft(
    horizontal_break_in: Numbers, induced_vertical_break_in: Numbers, flight_s: Numbers
) -> tuple[Numbers, Numbers]:
    """How far a flight leaves its line of launch by the front edge, sideways and up, gravity's fall included."""
    return horizontal_break_in / 12, induced_vertical_break_in / 12 - G_FPS2 * flight_s**2 / 2


def slope_from_ends(release: Numbers, plate: Numbers, bend: Numbers, gap: Numbers) -> Numbers:
    """dx/dy (or dz/dy) at the plate of a flight between two points `gap` feet apart: that of the straight line, less what it bends by."""
    slope: Numbers = (release - plate - bend) / gap
    return slope


def _slopes_from_ends(release: np.ndarray, plate: np.ndarray, bends: np.ndarray) -> np.ndarray:
    """Slopes of flights whose approach angles nobody measured; where an end is missing too, the usual ones."""
    gap = release[:, 1] - plate[:, 1]
    found = []
    for axis, bend, usual_bend, usual in (
        (0, bends[:, 0], 0.0, 0.0),
        (2, bends[:, 1], USUAL_FALL_FT, USUAL_SLOPE_DOWN),
    ):
        bend = np.where(np.isnan(bend), usual_bend, bend)
        slope = slope_from_ends(release[:, axis], plate[:, axis], bend, gap)
        found.append(np.where(np.isnan(slope), usual, slope))
    return np.column_stack(found)


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


def _angle_equations(slopes: np.ndarray, moved: np.ndarray) -> list[Equations]:
    """b - a of the flight's slopes dx/dy and dz/dy at the plate: a turn adds to them, whatever the distance. (Their bend over b's error of y is left out.)"""
    no, one = np.zeros(len(slopes)), np.ones(len(slopes))
    across = np.column_stack([one, no, slopes[:, 1], no, no, no, no])
    down = np.column_stack([no, one, -slopes[:, 0], no, no, no, no])
    return [Equations(across, moved[:, 0]), Equations(down, moved[:, 1])]


# where trajectories are compared: half way, where an error of position and one of direction have least to do with each other
_MIDFLIGHT_FT = 28.0


def _trajectory_equations(readings: pl.DataFrame) -> list[Equations]:
    """b - a of position, velocity and acceleration (x and z of each) where the flight crosses b's plane half way; none where not both have one."""
    if not all(f"{side}.{name}" in readings.columns for side in "ab" for name in TRAJECTORY):
        return []
    a, b = (_state_in_mid_flight(readings, side) for side in "ab")
    place, velocity, acceleration = ((of_a + of_b) / 2 for of_a, of_b in zip(a, b, strict=True))
    with np.errstate(divide="ignore", invalid="ignore"):
        slopes, bends = velocity / velocity[:, 1:2], acceleration / velocity[:, 1:2]
    # b's error of y lets it read position and velocity a little later on the flight, where they have changed by these
    along_y = _point_equations(place, place)[1].design
    found = []
    for vector, moved, changes in zip(
        (place, velocity, acceleration),
        (of_b - of_a for of_a, of_b in zip(a, b, strict=True)),
        (slopes, bends, np.zeros_like(bends)),
        strict=True,
    ):
        of_x, _, of_z = _point_equations(vector, moved)
        if vector is not place:
            # a direction has no place: shifts do not move it
            of_x.design[:, 3:6], of_z.design[:, 3:6] = 0.0, 0.0
        found += [Equations(of_x.design - changes[:, :1] * along_y, of_x.moved)]
        found += [Equations(of_z.design - changes[:, 2:] * along_y, of_z.moved)]
    return found


def _state_in_mid_flight(readings: pl.DataFrame, side: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Position, velocity and acceleration (pitches x 3, ft and s) of one tracker's trajectory where it crosses its own plane half way."""
    names = [f"{side}.{name}" for name in TRAJECTORY]
    numbers = readings.select(names).cast(pl.Float64).fill_null(math.nan).to_numpy()
    place, velocity, acceleration = numbers[:, :3], numbers[:, 3:6], numbers[:, 6:]
    with np.errstate(invalid="ignore", divide="ignore"):
        ahead, speed, pull = _MIDFLIGHT_FT - place[:, 1], velocity[:, 1], acceleration[:, 1]
        # the root that stays exact as the pull along y vanishes
        t = (-2 * ahead / (-speed + np.sqrt(speed**2 + 2 * pull * ahead)))[:, None]
        return place + velocity * t + acceleration * t**2 / 2, velocity + acceleration * t, acceleration


class _Rows(NamedTuple):
    """All equations together: kinds x pitches x 8 (the 7 of the design, then what moved); and which were measured.

    Whatever is summed over kinds is summed kind by kind: a kind that only other nights have then adds exact zeros to a night.
    """

    equations: np.ndarray
    measured: np.ndarray


def _stacked(equations: list[Equations]) -> _Rows:
    rows = np.stack([np.column_stack([equation.design, equation.moved]) for equation in equations])
    measured = np.isfinite(rows).all(axis=2)
    return _Rows(np.where(measured[:, :, None], rows, 0.0), measured)


class _Fit(NamedTuple):
    """Solutions by night with their errors and the pitches behind them; residuals and next weights of each reading; inverse of the normal matrix."""

    values: np.ndarray
    errors: np.ndarray
    pitches: np.ndarray
    residuals: np.ndarray
    weights: np.ndarray
    inverse: np.ndarray


class _Runs(NamedTuple):
    """Nights as runs of pitches: first and end of each, and by pitch the place of its night."""

    starts: np.ndarray
    ends: np.ndarray
    night: np.ndarray


def _runs(starts: np.ndarray, pitches: int) -> _Runs:
    ends = np.append(starts[1:], pitches)
    return _Runs(starts, ends, np.repeat(np.arange(len(starts)), ends - starts))


def _parts(starts: np.ndarray, pitches: int) -> Iterator[tuple[int, int, np.ndarray]]:
    """Whole nights taken together up to about _AT_ONCE pitches: first pitch, number of pitches, and the starts in it."""
    number = starts // _AT_ONCE
    for part in np.unique(number):
        of_part = starts[number == part]
        after = starts[starts > of_part[-1]]
        end = int(after[0]) if len(after) else pitches
        yield int(of_part[0]), end - int(of_part[0]), of_part


def _fit(rows: _Rows, nights: _Runs, quantities: int, weights: np.ndarray, rounds: int) -> _Fit:
    """Fit the first `quantities`, from `weights` on, with standard errors."""
    equations = _equations(rows, quantities)
    settled = _settled(equations, rows.measured, nights, weights, rounds)
    # how fast the pull of the readings changes with the quantities: a reading beyond the clip pulls the same wherever it lies
    _, slack, known = _solve(equations, np.where(settled.inside, settled.weights, 0.0), nights)
    pulls = settled.weights * settled.residuals
    scores = sum(kind[:, :-1] * pull[:, None] for kind, pull in zip(equations, pulls, strict=True))
    runs = zip(nights.starts.tolist(), nights.ends.tolist(), strict=True)
    middle = np.stack([scores[start:end].T @ scores[start:end] for start, end in runs])
    pitches = np.add.reduceat(rows.measured.any(axis=0).astype(int), nights.starts)
    with np.errstate(invalid="ignore", divide="ignore"):
        small = (pitches / (pitches - quantities / 2))[:, None]
        errors = np.sqrt(np.diagonal(slack @ middle @ slack, axis1=1, axis2=2) * small)
    told = known & (pitches >= LEAST_PITCHES)[:, None]
    values, errors = (np.where(told, found, math.nan) for found in (settled.values, errors))
    return _Fit(values, errors, pitches, settled.residuals, settled.weights, settled.inverse)


class _Settled(NamedTuple):
    """Solutions by night and inverse of the normal matrix; residuals and next weights of each reading, and which lie inside the clip."""

    values: np.ndarray
    inverse: np.ndarray
    residuals: np.ndarray
    weights: np.ndarray
    inside: np.ndarray


def _equations(rows: _Rows, quantities: int) -> np.ndarray:
    whole = rows.equations.shape[2] - 1
    return (
        rows.equations if quantities == whole else np.ascontiguousarray(rows.equations[:, :, [*range(quantities), 7]])
    )


def _settled(equations: np.ndarray, measured: np.ndarray, nights: _Runs, weights: np.ndarray, rounds: int) -> _Settled:
    inside = measured
    for _ in range(rounds):
        values, inverse, _ = _solve(equations, weights, nights)
        residuals = np.einsum("kpq,pq->kp", equations, np.column_stack([-values, np.ones(len(values))])[nights.night])
        weights, inside = _huber_weights(residuals, measured, nights)
    return _Settled(values, inverse, residuals, weights, inside)


def _solve(equations: np.ndarray, weights: np.ndarray, nights: _Runs) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Solutions by night, inverses of the normal matrices, and which quantities these tell at all."""
    weighted = (equations * weights[:, :, None]).transpose(0, 2, 1)
    edges = zip(nights.starts.tolist(), nights.ends.tolist(), strict=True)
    products = np.stack([(weighted[:, :, start:end] @ equations[:, start:end]).sum(axis=0) for start, end in edges])
    normal, right = products[:, :-1, :-1], products[:, :-1, -1]
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-300))
    roots, vectors = np.linalg.eigh(normal / scale[:, :, None] / scale[:, None, :])
    usable = roots > 1e-7
    inverted = np.where(usable, 1 / np.where(usable, roots, 1.0), 0.0)
    inverse = (vectors * inverted[:, None, :]) @ vectors.transpose(0, 2, 1)
    inverse = inverse / scale[:, :, None] / scale[:, None, :]
    # a quantity that a null direction of the readings holds can't be told
    hidden = np.where(usable[:, None, :], 0.0, vectors**2).sum(axis=2)
    return (inverse @ right[:, :, None])[:, :, 0], inverse, hidden < 1e-6


def _huber_weights(residuals: np.ndarray, measured: np.ndarray, nights: _Runs) -> tuple[np.ndarray, np.ndarray]:
    """Weights of each reading by its kind's own spread that night, and which lie inside the clip; those beyond pull with bounded force."""
    distance = np.abs(residuals)
    medians = _medians(np.where(measured, distance, math.nan).T, nights.night)
    scale = np.maximum(1.4826 * medians, 1e-9)[nights.night].T
    inside = measured & (distance <= _HUBER_K * scale)
    beyond = np.maximum(distance / (_HUBER_K * scale), 1.0)
    return np.where(measured, 1 / beyond / scale**2, 0.0), inside


def _medians(values: np.ndarray, night: np.ndarray) -> np.ndarray:
    """Medians by night (runs) of each column, nan left out; 1 where a night has none."""
    frame = pl.DataFrame(values, nan_to_null=True).with_columns(pl.Series("night", night))
    medians = frame.group_by("night", maintain_order=True).agg(pl.all().median()).drop("night")
    return medians.fill_null(1.0).to_numpy()


def _share_of_a(trackers: tuple[str, str], metric: str, own_errors: dict[tuple[str, str], float]) -> float:
    """Where the errors of a and b balance: at the point where each counts by the other's error variance; half way where they aren't known."""
    of_a, of_b = (own_errors.get((tracker, metric), 0.0) ** 2 for tracker in trackers)
    return of_b / (of_a + of_b) if of_a > 0 and of_b > 0 else 0.5


def _found_of_pair(frames: pl.DataFrame, own_errors: dict[tuple[str, str], float]) -> Iterator[pl.DataFrame]:
    """By quantity what was found of it, by night and over all: tracker_a, tracker_b, quantity, baseball_day, value, se, n, nights, note."""
    trackers: tuple[str, str] = frames.select("tracker_a", "tracker_b").row(0)
    moved = [
        (_share_of_a(trackers, metric, own_errors) - 0.5) * pl.col(f"scale_by.{metric}").fill_nan(0.0)
        for metric in POINTS
    ]
    frames = frames.with_columns((pl.col("value.scale") + pl.sum_horizontal(moved)).alias("value.scale"))
    for quantity in QUANTITIES:
        told = frames.select(
            "baseball_day", value=f"value.{quantity}", se=f"se.{quantity}", n=pl.col("pitches").cast(pl.Int64)
        ).filter(pl.col("se") * 2 < TOLD_WITHIN[quantity])
        if told.height:
            by_night = told.with_columns(nights=pl.lit(1, pl.Int64), note=pl.lit(None, pl.String))
            about = dict(zip(("tracker_a", "tracker_b", "quantity"), map(pl.lit, (*trackers, quantity)), strict=True))
            yield pl.concat([by_night, _whole(quantity, told)]).with_columns(**about)


def _whole(quantity: str, told: pl.DataFrame) -> pl.DataFrame:
    """All nights together: one row."""
    whole = combine(told["value"].to_numpy(), told["se"].to_numpy() ** 2)
    differ = whole.birge > 1.5 and whole.between_sd > CROOKED_FROM[quantity] / 2
    note = f"nights differ by {whole.between_sd:.2g} (1 sd) beyond their own errors" if differ else None
    row = (None, whole.mean, whole.se, told["n"].sum(), told.height, note)
    types = {"value": pl.Float64, "se": pl.Float64, "n": pl.Int64, "nights": pl.Int64, "note": pl.String}
    return pl.DataFrame([row], schema={"baseball_day": pl.Date, **types}, orient="row")


def _rows(found: pl.DataFrame) -> pl.DataFrame:
    """Rows of the table, not yet flagged."""
    from scipy.special import stdtrit

    value, n, nights = (found[name].to_numpy() for name in ("value", "n", "nights"))
    # one night: its pitches repeat; all nights: the nights do
    df = np.maximum(np.where(nights > 1, nights, n) - 1, 1)
    half = stdtrit(df, 0.975) * found["se"].to_numpy()
    turns = found["quantity"].is_in(["aim_deg", "tilt_deg"]).to_numpy()
    at_rubber = np.tan(np.radians(np.where(turns, value, math.nan))) * RUBBER_FT * 12
    columns: dict[str, pl.Expr | pl.Series] = {
        "low": pl.Series(value - half),
        "high": pl.Series(value + half),
        "at_rubber_in": pl.Series(at_rubber).fill_nan(None),
        "crooked": pl.lit(False),
        "sentence": pl.lit(None),
    }
    return conform(found.with_columns(**columns), SETUP)


def _flag_crooked(rows: pl.DataFrame) -> pl.DataFrame:
    from scipy.special import ndtr

    adjusted = benjamini_hochberg(2 * ndtr(-np.abs((rows["value"] / rows["se"].clip(1e-12)).to_numpy())))
    least = pl.col("quantity").replace_strict(CROOKED_FROM, return_dtype=pl.Float64)
    size = pl.col("value").abs()
    matters = (size >= least) & (size - SURE_SE * pl.col("se") >= SURE_SHARE * least)
    flagged = rows.with_columns((matters & (pl.Series(adjusted) < 0.05)).alias("crooked"))
    is_said = flagged["crooked"] | flagged["baseball_day"].is_null()
    said = [setup_sentence(row, {}) for row in flagged.filter(is_said).iter_rows(named=True)]
    sentences = pl.Series("sentence", said, pl.String)
    return flagged.with_columns(flagged["sentence"].scatter(is_said.arg_true(), sentences))
