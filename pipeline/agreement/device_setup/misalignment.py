"""Table `setup` of tracker pairs.

How one tracker's frame is turned, shifted and scaled against another's, per night and over all nights. `frames_by_night` fits each night
from that night's pitches alone; `setup_of_nights` makes the table from any number of nights' fits.
"""

import math
from collections.abc import Iterator

import numpy as np
import polars as pl

from pipeline.agreement.device_setup.combining import benjamini_hochberg, combine
from pipeline.agreement.device_setup.frame_equations import POINTS, frame_equations
from pipeline.agreement.device_setup.frame_fit import fit_frames
from pipeline.agreement.facts.readings import Pair
from pipeline.agreement.wording import setup_sentence
from pipeline.physics.flight import RUBBER_FT
from schemas.contract import conform
from schemas.setup import QUANTITIES, SETUP

# From here on a quantity counts as crooked (common practice, no source): about 2.5 in at the rubber.
CROOKED_FROM = {
    "aim_deg": 0.2,
    "tilt_deg": 0.2,
    "roll_deg": 1.0,
    "side_in": 1.5,
    "height_in": 1.5,
    "distance_in": 3.0,
    "scale": 0.01,
}
# A crooked quantity must surely (99 %) reach this share of CROOKED_FROM: a roll or a scale of one night is otherwise too uncertain to act on.
SURE_SHARE = 0.5
# Normal quantile of that certainty (two-sided 99 %).
SURE_SE = 2.58
# False discovery rate of crooked rows (Benjamini & Hochberg 1995).
_FALSE_DISCOVERIES = 0.05
# With a wider interval than this the readings do not determine the quantity (common practice, no source).
DETERMINED_WITHIN = {
    "aim_deg": 1.0,
    "tilt_deg": 1.0,
    "roll_deg": 5.0,
    "side_in": 6.0,
    "height_in": 6.0,
    "distance_in": 24.0,
    "scale": 0.2,
}
# Nights differ beyond their own errors from this Birge ratio on (common practice, no source) ...
_NIGHTS_DIFFER_BIRGE = 1.5
# ... and if their SD is at least this share of CROOKED_FROM.
_NIGHTS_DIFFER_SHARE = 0.5
# Radians, feet and ratio to the units of the quantities.
_TO_UNITS = np.array([math.degrees(1), math.degrees(1), math.degrees(1), 12.0, 12.0, 12.0, 1.0])
# Pitches fitted in one batch: bounds the memory.
_BATCH_PITCHES = 50_000


def frames_by_night(pair: Pair) -> pl.DataFrame:
    """Fit each night by itself.

    Columns: baseball_day, trackers, pitches, `value.<quantity>`, `se.<quantity>`, `scale_by.<metric>`. Quantities are in the table's
    units, nan where the night's readings do not determine them. Points are taken halfway between a and b; `scale_by` is what the scale
    gains if they are taken at a's point instead of b's, which `setup_of_nights` needs.
    """
    readings = pair.readings.sort("baseball_day", maintain_order=True)
    days = readings["baseball_day"]
    starts = np.flatnonzero(np.concatenate([[True], np.diff(days.to_physical().to_numpy()) != 0]))
    parts = [
        fit_frames(frame_equations(readings.slice(first, length)), batch - first)
        for first, length, batch in _batches(starts, readings.height)
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
    """Return table `setup` from `frames_by_night` of any pairs and nights.

    Per night, and over all nights (baseball_day null). Pairs keep the order of their first rows, nights are in order of days.
    `own_errors` has the own error SD by (tracker, metric) where it is known; otherwise both trackers are taken to have equal errors.
    """
    pairs = frames.partition_by("tracker_a", "tracker_b", maintain_order=True)
    found = [rows for of_pair in pairs for rows in _rows_of_pair(of_pair.sort("baseball_day"), own_errors)]
    return _flag_crooked(_with_intervals(pl.concat(found))) if found else SETUP.empty()


def inches_at_rubber(turn_deg: np.ndarray) -> np.ndarray:
    """Return how far a turn about the plate moves a point at the rubber, in inches."""
    return np.asarray(np.tan(np.radians(turn_deg)) * RUBBER_FT * 12)


def _batches(starts: np.ndarray, pitches: int) -> Iterator[tuple[int, int, np.ndarray]]:
    """Yield complete nights in batches of about _BATCH_PITCHES.

    First pitch, number of pitches, and the nights' starts.
    """
    number = starts // _BATCH_PITCHES
    for batch in np.unique(number):
        of_batch = starts[number == batch]
        after = starts[starts > of_batch[-1]]
        end = int(after[0]) if len(after) else pitches
        yield int(of_batch[0]), end - int(of_batch[0]), of_batch


def _share_of_a(trackers: tuple[str, str], metric: str, own_errors: dict[tuple[str, str], float]) -> float:
    """Return where between b (0) and a (1) the errors of both balance.

    Each counts by the other's error variance.
    """
    variance_a, variance_b = (own_errors.get((tracker, metric), 0.0) ** 2 for tracker in trackers)
    return variance_b / (variance_a + variance_b) if variance_a > 0 and variance_b > 0 else 0.5


def _rows_of_pair(frames: pl.DataFrame, own_errors: dict[tuple[str, str], float]) -> Iterator[pl.DataFrame]:
    """Yield, for each quantity, its rows per night and over all nights."""
    trackers: tuple[str, str] = frames.select("tracker_a", "tracker_b").row(0)
    moved = [
        (_share_of_a(trackers, metric, own_errors) - 0.5) * pl.col(f"scale_by.{metric}").fill_nan(0.0)
        for metric in POINTS
    ]
    frames = frames.with_columns((pl.col("value.scale") + pl.sum_horizontal(moved)).alias("value.scale"))
    for quantity in QUANTITIES:
        determined = frames.select(
            "baseball_day", value=f"value.{quantity}", se=f"se.{quantity}", n=pl.col("pitches").cast(pl.Int64)
        ).filter(pl.col("se") * 2 < DETERMINED_WITHIN[quantity])
        if determined.height:
            by_night = determined.with_columns(nights=pl.lit(1, pl.Int64), note=pl.lit(None, pl.String))
            key = dict(zip(("tracker_a", "tracker_b", "quantity"), map(pl.lit, (*trackers, quantity)), strict=True))
            yield pl.concat([by_night, _over_all_nights(quantity, determined)]).with_columns(**key)


def _over_all_nights(quantity: str, by_night: pl.DataFrame) -> pl.DataFrame:
    """Combine all nights in one row."""
    combined = combine(by_night["value"].to_numpy(), by_night["se"].to_numpy() ** 2)
    least = CROOKED_FROM[quantity] * _NIGHTS_DIFFER_SHARE
    differ = combined.birge > _NIGHTS_DIFFER_BIRGE and combined.between_sd > least
    note = f"nights differ by {combined.between_sd:.2g} (1 SD) beyond their own errors" if differ else None
    row = (None, combined.mean, combined.se, by_night["n"].sum(), by_night.height, note)
    types = {"value": pl.Float64, "se": pl.Float64, "n": pl.Int64, "nights": pl.Int64, "note": pl.String}
    return pl.DataFrame([row], schema={"baseball_day": pl.Date, **types}, orient="row")


def _with_intervals(found: pl.DataFrame) -> pl.DataFrame:
    """Return rows of the table, not yet flagged."""
    from scipy.special import stdtrit

    value, n, nights = (found[name].to_numpy() for name in ("value", "n", "nights"))
    # in one night the pitches are the unit of repetition, over all nights the nights
    df = np.maximum(np.where(nights > 1, nights, n) - 1, 1)
    half = stdtrit(df, 0.975) * found["se"].to_numpy()
    turns = found["quantity"].is_in(["aim_deg", "tilt_deg"]).to_numpy()
    columns: dict[str, pl.Expr | pl.Series] = {
        "low": pl.Series(value - half),
        "high": pl.Series(value + half),
        "at_rubber_in": pl.Series(inches_at_rubber(np.where(turns, value, math.nan))).fill_nan(None),
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
    flagged = rows.with_columns((matters & (pl.Series(adjusted) < _FALSE_DISCOVERIES)).alias("crooked"))
    has_sentence = flagged["crooked"] | flagged["baseball_day"].is_null()
    words = [setup_sentence(row, {}) for row in flagged.filter(has_sentence).iter_rows(named=True)]
    sentences = pl.Series("sentence", words, pl.String)
    return flagged.with_columns(flagged["sentence"].scatter(has_sentence.arg_true(), sentences))
