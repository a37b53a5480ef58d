"""Each tracker's own error, where three or more saw the same pitches.

With two trackers only the spread of their difference can be told, not whose it is. With three, the variances of the three
differences give each one's own (Grubbs, JASA 1948;43:243 and Technometrics 1973;15:53). A constant bias is not in it.
"""

import math
from functools import lru_cache
from itertools import combinations
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.limits import interval_of_mean
from pipeline.agreement.pairs import centred_differences
from pipeline.agreement.readings import Pair, in_order_of_rank
from schemas.agreement import PRECISION
from schemas.metrics import METRICS

LEAST_PITCHES = 10
# A bootstrap over fewer nights than this is too narrow; Grubbs's own formula stands in.
LEAST_NIGHTS_FOR_BOOTSTRAP = 10
DRAWS, SEED = 1000, 20_260_101


class PrecisionRow(NamedTuple):
    """One row of the table `precision`."""

    tracker: str
    metric: str
    own_error_sd: float
    low: float
    high: float
    variance: float
    variance_se: float
    n: int
    nights: int
    beside: str
    method: str
    note: str


class TripleSums(NamedTuple):
    """By night: pitches, and sums and products of the differences second-first (u) and third-first (v) of three trackers."""

    n: np.ndarray
    u: np.ndarray
    v: np.ndarray
    uu: np.ndarray
    vv: np.ndarray
    uv: np.ndarray


class OwnErrors(NamedTuple):
    """Own error variances of three trackers, their standard errors, and 95 % interval of each; all arrays of 3. Variances may be negative."""

    variances: np.ndarray
    standard_errors: np.ndarray
    low: np.ndarray
    high: np.ndarray
    method: str


def own_errors(sums: TripleSums) -> OwnErrors:
    """Grubbs's estimates of three own error variances, with percentile bootstrap over nights or, for few nights, the formula's interval."""
    variances = _grubbs(sums)[0]
    errors = grubbs_standard_errors(variances, float(sums.n.sum()))
    if len(sums.n) < LEAST_NIGHTS_FOR_BOOTSTRAP:
        return OwnErrors(variances, errors, variances - 1.96 * errors, variances + 1.96 * errors, "formula")
    drawn = _grubbs(_resampled(sums))
    low, high = np.quantile(drawn, [0.025, 0.975], axis=0)
    # plain percentiles are too narrow for few nights: widened as Hesterberg, Am Stat 2015;69:371 (expanded percentile)
    nights = len(sums.n)
    wider = math.sqrt(nights / (nights - 1)) * interval_of_mean(0.0, 1.0, nights - 1)[2] / 1.96
    low, high = variances - wider * (variances - low), variances + wider * (high - variances)
    return OwnErrors(variances, drawn.std(axis=0, ddof=1), low, high, "bootstrap over nights")


def grubbs_standard_errors(variances: np.ndarray, n: float) -> np.ndarray:
    """Standard errors of three Grubbs variances from n independent pitches (Grubbs 1948); negative estimates count as 0 in it."""
    v = np.maximum(variances, 0.0)
    j, k = np.roll(v, -1), np.roll(v, -2)
    return np.asarray(np.sqrt((2 * v**2 + v * j + v * k + j * k) / (n - 1)))


def triple_sums(readings: np.ndarray, nights: np.ndarray) -> TripleSums:
    """Sums by night of an n x 3 array of readings of the same pitches."""
    u, v = readings[:, 1] - readings[:, 0], readings[:, 2] - readings[:, 0]
    return _sums_of_differences(pl.DataFrame({"u": u, "v": v, "night": nights}), "night")


def own_errors_of_trackers(pairs: list[Pair], ranks: dict[str, int]) -> pl.DataFrame:
    """The table `precision`: one row per tracker and metric that it shares with another; null with a reason where it can't be told."""
    trackers = in_order_of_rank(sorted({tracker for pair in pairs for tracker in pair[:2]}), ranks)
    by_trackers = {pair[:2]: pair for pair in pairs}
    best: dict[tuple[str, str], PrecisionRow] = {}
    for triple in combinations(trackers, 3):
        for row in _rows_of_triple(triple, by_trackers):
            key = (row.tracker, row.metric)
            if key not in best or row.n > best[key].n:
                best[key] = row
    rows = [*best.values(), *_rows_of_two(pairs, set(best))]
    frame = pl.DataFrame(rows, schema=PRECISION.polars_schema(), orient="row").with_columns(
        pl.selectors.float().fill_nan(None)
    )
    return frame.sort("metric", "tracker")


def _grubbs(sums: TripleSums) -> np.ndarray:
    """m x 3 variances from sums whose last axis is nights."""
    n = np.atleast_2d(sums.n).sum(-1)
    u, v, uu, vv, uv = (np.atleast_2d(column).sum(-1) for column in sums[1:])
    var_u, var_v = (uu - u * u / n) / (n - 1), (vv - v * v / n) / (n - 1)
    cov = (uv - u * v / n) / (n - 1)
    # u = second - first and v = third - first share only the first one's error: its variance is their covariance
    return np.stack([cov, var_u - cov, var_v - cov], axis=-1)


def _resampled(sums: TripleSums) -> TripleSums:
    times = _times_drawn(len(sums.n))
    return TripleSums(*((times @ column)[:, None] for column in sums))


@lru_cache(maxsize=4)
def _times_drawn(nights: int) -> np.ndarray:
    """How often each night is drawn in each of the bootstrap's seasons: the same seasons for every metric, and in every run."""
    return np.random.default_rng(SEED).multinomial(nights, np.full(nights, 1 / nights), size=DRAWS).astype(float)


def _sums_of_differences(differences: pl.DataFrame, night: str) -> TripleSums:
    # about their means, so that squares of a large constant difference don't swamp the rest
    u, v = (pl.col(name) - pl.col(name).mean() for name in ("u", "v"))
    held = differences.drop_nulls(["u", "v"]).select(night, u=u, v=v)
    columns = {
        "n": pl.len(),
        "u": pl.col("u").sum(),
        "v": pl.col("v").sum(),
        "uu": (pl.col("u") ** 2).sum(),
        "vv": (pl.col("v") ** 2).sum(),
    }
    columns |= {"uv": (pl.col("u") * pl.col("v")).sum()}
    cells = held.group_by(night).agg(expression.alias(name) for name, expression in columns.items()).sort(night)
    return TripleSums(*(cells[name].to_numpy().astype(float) for name in TripleSums._fields))


def _rows_of_triple(triple: tuple[str, ...], by_trackers: dict[tuple[str, str], Pair]) -> list[PrecisionRow]:
    first, second, third = triple
    if (first, second) not in by_trackers or (first, third) not in by_trackers:
        return []
    u, v = by_trackers[first, second].readings, by_trackers[first, third].readings
    metrics = [name for name in METRICS if f"a.{name}" in u.columns and f"a.{name}" in v.columns]
    joined = _both_differences(u, v, metrics)
    return [row for metric in metrics for row in _rows_of_metric(triple, metric, joined)]


def _both_differences(u: pl.DataFrame, v: pl.DataFrame, metrics: list[str]) -> pl.DataFrame:
    of_u = u.select("group_id", "baseball_day", *(_differences(u, metric).alias(f"u.{metric}") for metric in metrics))
    of_v = v.select("group_id", *(_differences(v, metric).alias(f"v.{metric}") for metric in metrics))
    return of_u.join(of_v, on="group_id")


def _differences(readings: pl.DataFrame, metric: str) -> pl.Expr:
    read = readings.select((pl.col(f"a.{metric}") + pl.col(f"b.{metric}")).count()).item()
    return centred_differences(readings, metric) if read else pl.lit(None, pl.Float64)


def _rows_of_metric(triple: tuple[str, ...], metric: str, joined: pl.DataFrame) -> list[PrecisionRow]:
    sums = _sums_of_differences(
        joined.select("baseball_day", u=pl.col(f"u.{metric}"), v=pl.col(f"v.{metric}")), "baseball_day"
    )
    n = int(sums.n.sum())
    if n < LEAST_PITCHES:
        return []
    found = own_errors(sums)
    return [_row(triple, index, metric, found, n, len(sums.n)) for index in range(3)]


def _row(triple: tuple[str, ...], index: int, metric: str, found: OwnErrors, n: int, nights: int) -> PrecisionRow:
    variance, se, low, high = (float(column[index]) for column in found[:4])
    beside = ",".join(tracker for tracker in triple if tracker != triple[index])
    note = _note(variance, se, high, METRICS[metric].unit, nights)
    sd = math.sqrt(variance) if variance > 0 else math.nan
    ends = (math.sqrt(max(low, 0.0)), math.sqrt(max(high, 0.0)))
    return PrecisionRow(triple[index], metric, sd, *ends, variance, se, n, nights, beside, found.method, note)


def _note(variance: float, se: float, high: float, unit: str, nights: int) -> str:
    parts = []
    if variance < -2 * se:
        parts.append(
            "estimate far below zero: the other two trackers' errors go together, so none of the three can be trusted to this"
        )
    elif variance <= 0:
        parts.append(f"too small to tell from zero: under {math.sqrt(max(high, 0.0)):.2g} {unit}")
    if nights < LEAST_NIGHTS_FOR_BOOTSTRAP:
        parts.append(
            "one night: says nothing about other nights"
            if nights == 1
            else f"only {nights} nights: the interval is within them"
        )
    return "; ".join(parts)


def _rows_of_two(pairs: list[Pair], told: set[tuple[str, str]]) -> list[PrecisionRow]:
    nan = math.nan
    rows: dict[tuple[str, str], PrecisionRow] = {}
    for pair in pairs:
        counts = pair.readings.select(
            (pl.col(f"a.{name}") + pl.col(f"b.{name}")).count().alias(name)
            for name in METRICS
            if f"a.{name}" in pair.readings.columns
        )
        for (name, n), (tracker, other) in (
            (count, seat) for count in counts.row(0, named=True).items() for seat in (pair[:2], pair[1::-1])
        ):
            key = (tracker, name)
            if n and key not in told and (key not in rows or rows[key].n < n):
                note = "fewer than three trackers read enough of the same pitches: whose error a difference is can't be told"
                rows[key] = PrecisionRow(
                    tracker,
                    name,
                    nan,
                    nan,
                    nan,
                    nan,
                    nan,
                    n,
                    pair.readings["baseball_day"].n_unique(),
                    other,
                    "none",
                    note,
                )
    return list(rows.values())
