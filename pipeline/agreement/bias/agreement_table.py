"""Table `agreement`: one row per pair, metric and slice."""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.bias.all_nights import AllNights
from pipeline.agreement.bias.equivalence import Bias, Least, judge_equivalence
from pipeline.agreement.bias.limits import Limits, Split, limits_of_agreement, split_by_night
from pipeline.agreement.bias.regression import Concordance, Line, concordance, deming, intervals_of_line
from pipeline.agreement.bias.slices import (
    SLICES,
    Robust,
    Slices,
    count_beyond_tolerance,
    robust_statistics,
    slice_cells,
    slice_moments,
)
from pipeline.agreement.wording import few_nights_note
from schemas.agreement import AGREEMENT
from schemas.contract import conform
from schemas.metrics import METRICS

# A row with fewer pitches is marked small_n (common practice, no source).
SMALL_PITCHES = 30
# A row with fewer nights is marked small_n: few nights say little about the nights to come (common practice, no source).
SMALL_NIGHTS = 5
# Deming regression needs the ratio of the two error variances; estimates beyond these ends are no better than the nearer end (our choice).
ERROR_RATIO_RANGE = (1 / 9, 9.0)
# MAD to SD of normal differences: 1 / (normal quantile of 0.75).
MAD_TO_SD = 1.4826
# Value of column regression_method for an angle.
NO_LINE = "none: an angle has no zero to grow from"
# Value of column interval_method for an angle that spreads too widely for ordinary limits.
QUANTILES = "quantiles: the angles spread too widely"

# How a tracker gets a metric.
MEASURED, FITTED, INFERRED = "measured", "from the fitted flight", "inferred from movement"
# Metrics for which the method makes two quantities: a constant-acceleration fit reads release speed 0.05-0.17 mph low, and an axis inferred
# from movement lies a median of 17 degrees from the measured one, without any error of either tracker (simulated flights).
METHOD_MATTERS = ("release_speed_mph", "plate_speed_mph", "spin_axis_deg")


class Judgment(NamedTuple):
    """What pairs are judged by, besides their readings.

    `tolerances` by metric; `own_errors`: own error SD by (tracker, metric) where it is known; `methods`: `measuring_methods`.
    """

    tolerances: Mapping[str, float]
    own_errors: Mapping[tuple[str, str], float]
    methods: Mapping[tuple[str, str], str]


def measuring_methods(metric_sources: pl.DataFrame) -> dict[tuple[str, str], str]:
    """Return how each (tracker, metric) is measured, where that matters.

    From table `metric_sources`.
    """
    inferred = pl.col("definition").str.contains("inferred").fill_null(False)
    fitted = pl.col("computed_from").str.contains("trajectory").fill_null(False)
    method = pl.when(inferred).then(pl.lit(INFERRED)).when(fitted).then(pl.lit(FITTED)).otherwise(pl.lit(MEASURED))
    sources = metric_sources.filter(pl.col("metric").is_in(METHOD_MATTERS))
    return {
        (tracker, metric): name
        for tracker, metric, name in sources.select("tracker", "metric", method.alias("method")).rows()
    }


def agreement_table(nights: AllNights, judgment: Judgment, slices: tuple[str, ...] = SLICES) -> pl.DataFrame:
    """Return table `agreement`: every pair, shared metric and slice."""
    if not nights.metrics:
        return AGREEMENT.empty()
    tables, per_pair = [], None
    for slice_by in slices:
        sliced = slice_cells(nights, slice_by)
        # where each pair has one slice, it holds all of the pair's pitches: the statistics of slice_by = all
        if per_pair is None or len(sliced.names) != len(nights.pairs):
            robust = robust_statistics(nights, sliced)
        else:
            robust = per_pair
        per_pair = robust if slice_by == "all" else per_pair
        tables.append(_rows_of_slices(nights, sliced, robust, judgment))
    order = {name: number for number, name in enumerate(slices)}
    rows = pl.concat(tables).with_columns(pl.col("slice_by").replace_strict(order).alias("slice_order"))
    rows = rows.sort("pair", "slice_order", "slice", "metric_order")
    return conform(rows, AGREEMENT).with_columns(pl.selectors.float().fill_nan(None))


def _rows_of_slices(nights: AllNights, slices: Slices, robust: Robust, judgment: Judgment) -> pl.DataFrame:
    """Return the rows of one way of slicing.

    `pair` and `metric_order` are to sort by.
    """
    moments = slice_moments(nights, slices)
    split = split_by_night(moments)
    error_ratio = _error_ratios(nights, judgment.own_errors)[slices.pair]
    circular = np.broadcast_to([METRICS[metric].circular for metric in nights.metrics], split.n.shape)
    tolerances = np.array([judgment.tolerances[metric] for metric in nights.metrics])
    with np.errstate(divide="ignore", invalid="ignore"):
        limits = _with_quantiles(limits_of_agreement(split), robust, slices.wide)
        line = deming(moments, error_ratio)
        figures = {
            **_difference_figures(split, limits),
            **_line_figures(line, error_ratio, concordance(moments), circular),
            "share_beyond": count_beyond_tolerance(nights, slices) / split.n,
        }
    figures |= {"tolerance": np.broadcast_to(tolerances, split.n.shape)}
    figures |= {"robust_bias": robust.median, "robust_sd": robust.mad * MAD_TO_SD}
    measured = ("bias", "bias_low", "bias_high", "nights", "n", "tolerance")
    judged = judge_equivalence(Bias(*(figures[name] for name in measured)), Least(SMALL_NIGHTS, SMALL_PITCHES))
    figures |= judged._asdict()
    return _rows(nights, slices, {name: figure.ravel() for name, figure in figures.items()}, judgment.methods)


def _with_quantiles(limits: Limits, robust: Robust, wide: np.ndarray) -> Limits:
    """Replace the limits of widely spread angles by quantiles."""
    no_interval = {
        name: np.where(wide, np.nan, getattr(limits, name)) for name in ("low_low", "low_high", "high_low", "high_high")
    }
    return limits._replace(
        **no_interval,
        low=np.where(wide, robust.low, limits.low),
        high=np.where(wide, robust.high, limits.high),
        method=np.where(wide, QUANTILES, limits.method),
    )


def _difference_figures(split: Split, limits: Limits) -> dict[str, np.ndarray]:
    return {
        "n": split.n,
        "nights": split.nights,
        "bias": split.bias,
        "bias_low": limits.bias_low,
        "bias_high": limits.bias_high,
        "sd": split.sd,
        "sd_between_nights": np.sqrt(split.var_between),
        "sd_within_nights": np.sqrt(split.var_within),
        "loa_low": limits.low,
        "loa_low_low": limits.low_low,
        "loa_low_high": limits.low_high,
        "loa_high": limits.high,
        "loa_high_low": limits.high_low,
        "loa_high_high": limits.high_high,
        "interval_method": limits.method,
    }


def _line_figures(
    line: Line, error_ratio: np.ndarray, concordance_: Concordance, circular: np.ndarray
) -> dict[str, np.ndarray]:
    slope, intercept = intervals_of_line(line)
    numbers = {
        "slope": slope.value,
        "slope_low": slope.low,
        "slope_high": slope.high,
        "intercept": intercept.value,
        "intercept_low": intercept.low,
        "intercept_high": intercept.high,
        "error_ratio": error_ratio,
        "concordance": concordance_.value,
        "concordance_low": concordance_.low,
        "concordance_high": concordance_.high,
    }
    # an angle has no line, and its true values have no spread to compare with
    linear = {name: np.where(circular, np.nan, values) for name, values in numbers.items()}
    return linear | {"regression_method": np.where(circular, NO_LINE, line.method)}


def _rows(
    nights: AllNights, slices: Slices, figures: dict[str, np.ndarray], methods: Mapping[tuple[str, str], str]
) -> pl.DataFrame:
    """Return a row per slice and metric that both trackers measured twice or more."""
    pair = np.repeat(slices.pair, len(nights.metrics))
    metric = np.tile(np.arange(len(nights.metrics)), len(slices.names))
    kept = np.flatnonzero(figures["n"] >= 2)
    keys = [(nights.pairs[pair[row]], nights.metrics[metric[row]]) for row in kept.tolist()]
    methods_used = [tuple(methods.get((tracker, name), "") for tracker in trackers) for trackers, name in keys]
    counts = zip(*(figures[name][kept].astype(int).tolist() for name in ("n", "nights")), strict=True)
    columns = {
        name: pl.Series(values[kept].tolist(), dtype=pl.String) if values.dtype == object else pl.Series(values[kept])
        for name, values in figures.items()
    }
    return pl.DataFrame(
        {
            "pair": pair[kept],
            "metric_order": metric[kept],
            "tracker_a": [trackers[0] for trackers, _ in keys],
            "tracker_b": [trackers[1] for trackers, _ in keys],
            "metric": [name for _, name in keys],
            "slice_by": [slices.slice_by] * len(keys),
            "slice": [slices.names[row // len(nights.metrics)] for row in kept.tolist()],
            **columns,
            "same_quantity": [method_a == method_b for method_a, method_b in methods_used],
            "small_n": (figures["n"][kept] < SMALL_PITCHES) | (figures["nights"][kept] < SMALL_NIGHTS),
            "note": [
                _note(name, n, k, used) for (_, name), (n, k), used in zip(keys, counts, methods_used, strict=True)
            ],
        },
        schema_overrides={
            "tracker_a": pl.String,
            "tracker_b": pl.String,
            "metric": pl.String,
            "slice": pl.String,
            "slice_by": pl.String,
            "note": pl.String,
            "same_quantity": pl.Boolean,
        },
    )


def _error_ratios(nights: AllNights, own_errors: Mapping[tuple[str, str], float]) -> np.ndarray:
    """Return error variance of a over that of b, pairs x metrics.

    1 where either is unknown.
    """
    return np.array([[_error_ratio(pair, metric, own_errors) for metric in nights.metrics] for pair in nights.pairs])


def _error_ratio(pair: tuple[str, str], metric: str, own_errors: Mapping[tuple[str, str], float]) -> float:
    error_a, error_b = (own_errors.get((tracker, metric), 0.0) for tracker in pair)
    if not (error_a > 0 and error_b > 0):
        return 1.0
    return float(np.clip((error_a / error_b) ** 2, *ERROR_RATIO_RANGE))


def _note(metric: str, n: int, nights: int, methods: tuple[str, ...]) -> str:
    parts = []
    if methods[0] != methods[1]:
        method_a, method_b = (method or "as read" for method in methods)
        parts.append(f"two different quantities ({method_a} against {method_b}), so the difference is not all error")
    if n < SMALL_PITCHES:
        parts.append(f"only {n} pitches")
    if nights < SMALL_NIGHTS:
        parts.append(few_nights_note(nights))
    if METRICS[metric].circular:
        parts.append("pitches with little active spin are left out")
    return "; ".join(parts)
