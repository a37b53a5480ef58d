"""How far apart two trackers are: one row per pair, metric and slice, from one night to a whole career of nights."""

import math
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.circular import circular_sd, mean_vector
from pipeline.agreement.limits import TOO_FEW, Limits, limits_of_agreement, split_by_night
from pipeline.agreement.readings import (
    NightSums,
    Pair,
    difference,
    measured_by_both,
    nights_of,
    sum_expressions,
    sums_of,
    wrapped,
)
from pipeline.agreement.regression import Concordance, Line, concordance, deming, interval_of_line
from schemas.agreement import AGREEMENT
from schemas.metrics import METRICS

SLICES = ("all", "pitch_type", "month", "station")
# Below either, the row says so: few nights say little about the nights to come (common practice, no source).
SMALL_PITCHES, SMALL_NIGHTS = 30, 5
# Ordinary limits hold for differences of angles while they are this close together; quantiles above.
WIDEST_CIRCULAR_SD_DEG = 40.0
# Deming needs the ratio of the two error variances; an estimate beyond these is no better than the nearer end.
ERROR_RATIO_RANGE = (1 / 9, 9.0)
MAD_TO_SD = 1.4826  # 1 / (normal quantile of 0.75)


class AgreementRow(NamedTuple):
    """One row of the table `agreement`; differences are tracker_b minus tracker_a."""

    tracker_a: str
    tracker_b: str
    metric: str
    slice_by: str
    slice: str
    n: int
    nights: int
    bias: float
    bias_low: float
    bias_high: float
    sd: float
    sd_between_nights: float
    sd_within_nights: float
    loa_low: float
    loa_low_low: float
    loa_low_high: float
    loa_high: float
    loa_high_low: float
    loa_high_high: float
    interval_method: str
    slope: float
    slope_low: float
    slope_high: float
    intercept: float
    intercept_low: float
    intercept_high: float
    error_ratio: float
    regression_method: str
    concordance: float
    concordance_low: float
    concordance_high: float
    tolerance: float
    share_beyond: float
    robust_bias: float
    robust_sd: float
    same_quantity: bool
    small_n: bool
    note: str


class _Slice(NamedTuple):
    """One slice of a pair's pitches: its night sums by metric and its plain figures, named `<metric>.<figure>`."""

    name: str
    sums: dict[str, NightSums]
    figures: dict[str, float]


def agreement_of_pair(
    pair: Pair,
    tolerances: dict[str, float],
    own_errors: dict[tuple[str, str], float],
    ways: dict[tuple[str, str], str],
    slices: tuple[str, ...] = SLICES,
) -> pl.DataFrame:
    """The rows of table `agreement` of one pair, for every metric that both measured and every slice.

    `own_errors` holds the own error SD by (tracker, metric) where it is known; `ways` how a tracker gets a metric, where it is known.
    """
    metrics = measured_by_both(pair)
    centred = _differences(pair.readings, metrics)
    shifts = _shifts(centred, metrics)
    cells = _cells(centred, metrics, shifts)
    ratios = {metric: _error_ratio(pair, metric, own_errors) for metric in metrics}
    rows = [
        _row(pair, metric, (slice_by, part.name), part, tolerances[metric], ratios[metric], _ways(pair, metric, ways))
        for slice_by in slices
        for part in _slices(centred, cells, slice_by, shifts, tolerances)
        for metric in metrics
        if part.sums[metric].n.sum() >= 2
    ]
    frame = pl.DataFrame(rows, schema=AGREEMENT.polars_schema(), orient="row")
    return frame.with_columns(pl.selectors.float().fill_nan(None))


def mean_difference(differences: pl.Series, metric: str) -> float:
    """The mean of a metric's differences; the direction of the mean for an angle, so that it never falls between +179 and -179."""
    values = differences.drop_nulls().to_numpy()
    return mean_vector(values)[0] if METRICS[metric].circular else float(values.mean())


def centred_differences(readings: pl.DataFrame, metric: str) -> pl.Expr:
    """The differences of a metric as an expression; angles unrolled about their mean direction, so that ordinary arithmetic holds."""
    if not METRICS[metric].circular:
        return difference(metric)
    centre = mean_difference(readings.select(difference(metric)).to_series(), metric)
    return wrapped(difference(metric) - centre) + centre


def _differences(readings: pl.DataFrame, metrics: list[str]) -> pl.DataFrame:
    return readings.with_columns(
        pl.lit("").alias("all"), *(centred_differences(readings, metric).alias(f"d.{metric}") for metric in metrics)
    ).with_columns(pl.col("station").fill_null("unknown"))


def _shifts(centred: pl.DataFrame, metrics: list[str]) -> dict[str, tuple[float, float, float]]:
    names = [f"{side}.{metric}" for metric in metrics for side in "abd"]
    means = centred.select(pl.col(names).mean()).row(0, named=True)
    return {metric: (means[f"a.{metric}"], means[f"b.{metric}"], means[f"d.{metric}"]) for metric in metrics}


def _cells(centred: pl.DataFrame, metrics: list[str], shifts: dict[str, tuple[float, float, float]]) -> pl.DataFrame:
    """The sums of every metric by night and every slice at once: coarser ones are sums of these."""
    sums = [total for metric in metrics for total in sum_expressions(metric, pl.col(f"d.{metric}"), shifts[metric])]
    by = ["all", "baseball_day", "month", "station", "pitch_type"]
    return centred.group_by(by).agg(sums).sort(by)


def _slices(
    centred: pl.DataFrame,
    cells: pl.DataFrame,
    slice_by: str,
    shifts: dict[str, tuple[float, float, float]],
    tolerances: dict[str, float],
) -> list[_Slice]:
    by = [slice_by, "baseball_day"]
    sums = [name for name in cells.columns if "." in name]
    nightly = cells.group_by(by).agg(pl.col(sums).sum()).sort(by)
    plain = [figure for metric in shifts for figure in _plain_figures(metric, tolerances[metric])]
    by_slice = centred.group_by(slice_by).agg(plain).sort(slice_by).to_dicts()
    starts = np.searchsorted(nightly[slice_by].rle_id().to_numpy(), np.arange(len(by_slice) + 1)).tolist()
    whole = {metric: sums_of(nightly, metric, shift) for metric, shift in shifts.items()}
    return [
        _Slice(figures.pop(slice_by), {metric: nights_of(whole[metric], start, end) for metric in shifts}, figures)
        for figures, start, end in zip(by_slice, starts, starts[1:], strict=False)
    ]


def _plain_figures(metric: str, tolerance: float) -> list[pl.Expr]:
    d = pl.col(f"d.{metric}").drop_nulls()
    figures = {"beyond": (d.abs() > tolerance).mean(), "median": d.median(), "mad": (d - d.median()).abs().median()}
    if METRICS[metric].circular:
        resultant = (d.radians().cos().mean() ** 2 + d.radians().sin().mean() ** 2).sqrt()
        figures |= {"low": d.quantile(0.025, "linear"), "high": d.quantile(0.975, "linear"), "resultant": resultant}
    return [figure.alias(f"{metric}.{name}") for name, figure in figures.items()]


def _row(
    pair: Pair,
    metric: str,
    slice_name: tuple[str, str],
    part: _Slice,
    tolerance: float,
    error_ratio: float,
    way: tuple[str, str],
) -> AgreementRow:
    sums = part.sums[metric]
    split, limits = split_by_night(sums), limits_of_agreement(sums)
    beyond, median, mad = (part.figures[f"{metric}.{name}"] for name in ("beyond", "median", "mad"))
    circular = METRICS[metric].circular
    if circular and circular_sd(part.figures[f"{metric}.resultant"]) > WIDEST_CIRCULAR_SD_DEG:
        limits = _quantile_limits(limits, part.figures[f"{metric}.low"], part.figures[f"{metric}.high"])
    line = NO_LINE if circular else deming(sums, error_ratio)
    close = NO_CONCORDANCE if circular else concordance(sums)
    small = split.n < SMALL_PITCHES or split.nights < SMALL_NIGHTS
    return AgreementRow(
        pair.tracker_a, pair.tracker_b, metric, *slice_name, split.n, split.nights, split.bias, limits.bias_low, limits.bias_high,
        split.sd, math.sqrt(split.var_between), math.sqrt(split.var_within), *limits[2:8], limits.method,
        line.slope, *interval_of_line(line)[:2], line.intercept, *interval_of_line(line)[2:], math.nan if circular else error_ratio, line.method,
        close.value, close.low, close.high, tolerance, beyond, median, mad * MAD_TO_SD,
        way[0] == way[1], small, _note(metric, split.n, split.nights, way),
    )  # fmt: skip


NO_LINE = Line(math.nan, math.nan, math.nan, math.nan, 1, "none: an angle has no zero to grow from")
NO_CONCORDANCE = Concordance(math.nan, math.nan, math.nan, math.nan)


def _quantile_limits(limits: Limits, low: float, high: float) -> Limits:
    method = "quantiles: the angles spread too widely"
    return TOO_FEW._replace(bias_low=limits.bias_low, bias_high=limits.bias_high, low=low, high=high, method=method)


def _ways(pair: Pair, metric: str, ways: dict[tuple[str, str], str]) -> tuple[str, str]:
    return ways.get((pair.tracker_a, metric), ""), ways.get((pair.tracker_b, metric), "")


def _error_ratio(pair: Pair, metric: str, own_errors: dict[tuple[str, str], float]) -> float:
    of_a, of_b = (own_errors.get((tracker, metric), 0.0) for tracker in (pair.tracker_a, pair.tracker_b))
    if not (of_a > 0 and of_b > 0):
        return 1.0
    return float(np.clip((of_a / of_b) ** 2, *ERROR_RATIO_RANGE))


def _note(metric: str, n: int, nights: int, way: tuple[str, str]) -> str:
    parts = []
    if way[0] != way[1]:
        parts.append(
            f"not the same quantity ({way[0] or 'as read'} against {way[1] or 'as read'}): the difference is not all error"
        )
    if n < SMALL_PITCHES:
        parts.append(f"only {n} pitches")
    if nights < SMALL_NIGHTS:
        parts.append("one night: says nothing about other nights" if nights == 1 else f"only {nights} nights")
    if METRICS[metric].circular:
        parts.append("pitches with little active spin left out")
    return "; ".join(parts)
