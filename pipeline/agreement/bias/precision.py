"""Table `precision`: each tracker's own error, from three trackers or more.

Two trackers show only the spread of their difference, not which of them causes it. With three trackers, the variances of the three
differences give each one's own variance (Grubbs, JASA 1948;43:243 and Technometrics 1973;15:53). A constant bias is not included;
variation from night to night is. Intervals over nights are by pivots, as in pivots.py, of the covariance of two differences.
"""

import math
from itertools import combinations, product
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.bias.all_nights import AllNights, count_shared_readings
from pipeline.agreement.bias.pivots import NightSizes, df_between
from pipeline.agreement.facts.circular import branches, on_branch
from pipeline.agreement.facts.moments import Segments, center, first_rows, segment, segment_sum
from pipeline.agreement.facts.readings import metrics_in, sort_by_rank
from pipeline.agreement.wording import few_nights_note
from schemas.agreement import PRECISION
from schemas.metrics import METRICS

# With fewer common pitches of three trackers no own error is estimated (common practice, no source).
LEAST_PITCHES = 10
# With fewer nights their variance is almost unknown; Grubbs's own formula for independent pitches is used instead.
LEAST_NIGHTS_FOR_PIVOTS = 4
# A row with fewer nights says so in its note (common practice, no source).
SMALL_NIGHTS = 5
# Random draws of a covariance matrix.
DRAWS = 1000
# Seed of these draws: the same nights give the same interval.
SEED = 20_260_101
# Normal 97.5 % quantile, as in Grubbs's formula.
_Z = 1.96
# An estimate this many standard errors below zero contradicts independent errors of the other two trackers.
_FAR_BELOW_ZERO = 2.0

_TRIPLE = ("first", "second", "third")
_KEYS = {"baseball_day": pl.Date} | dict.fromkeys(_TRIPLE, pl.String)


class PrecisionRow(NamedTuple):
    """One row of table `precision`."""

    tracker: str
    metric: str
    own_error_sd: float
    low: float
    high: float
    variance: float
    variance_se: float
    n: int
    nights: int
    compared_with: str
    method: str
    note: str


class TripleMoments(NamedTuple):
    """Pitches of three trackers per night, and moments of their differences.

    They are moments of the differences u = second - first and v = third - first. `u`, `v` are means; `uu`, `vv`, `uv` are sums of
    squares and products about them.
    """

    n: np.ndarray
    u: np.ndarray
    v: np.ndarray
    uu: np.ndarray
    vv: np.ndarray
    uv: np.ndarray


class OwnErrors(NamedTuple):
    """Own error variances of three trackers with standard errors and 95 % intervals.

    Arrays of 3. Variances may be negative.
    """

    variances: np.ndarray
    standard_errors: np.ndarray
    low: np.ndarray
    high: np.ndarray
    method: str


def own_errors(moments: TripleMoments) -> OwnErrors:
    """Return Grubbs's estimates of three own error variances.

    Intervals are by pivots over nights or, with fewer than LEAST_NIGHTS_FOR_PIVOTS nights, by Grubbs's formula.
    """
    sums = _sums(moments)
    n, nights = float(moments.n.sum()), len(moments.n)
    if nights < LEAST_NIGHTS_FOR_PIVOTS or nights == n:
        variances = _own_variances(_products(sums.sum(axis=1)) / (n - 1))
        errors = grubbs_standard_errors(variances, n)
        return OwnErrors(variances, errors, variances - _Z * errors, variances + _Z * errors, "formula")
    between, within = _split_products(moments, sums)
    squares = float((moments.n**2).sum())
    n0 = (n - squares / n) / (nights - 1)
    df = _df_between(between, within, moments.n)
    variances = _own_variances(between / (nights - 1) / n0 + (1 - 1 / n0) * within / (n - nights))
    rng = np.random.default_rng(SEED)
    covariances = _inverse_wishart(rng, between * df / (nights - 1), df) / n0 + (1 - 1 / n0) * _inverse_wishart(
        rng, within, n - nights
    )
    low, high = np.quantile(_own_variances(covariances), [0.025, 0.975], axis=0)
    return OwnErrors(variances, (high - low) / (2 * _Z), low, high, "pivots over nights")


def grubbs_standard_errors(variances: np.ndarray, n: float) -> np.ndarray:
    """Return the standard errors of three Grubbs variances (Grubbs 1948).

    From n independent pitches. Negative estimates count as 0.
    """
    v = np.maximum(variances, 0.0)
    j, k = np.roll(v, -1), np.roll(v, -2)
    return np.asarray(np.sqrt((2 * v**2 + v * j + v * k + j * k) / (n - 1)))


def triple_moments(readings: np.ndarray, nights: np.ndarray) -> TripleMoments:
    """Return the moments per night of an n x 3 array of readings of the same pitches.

    `nights` in order.
    """
    u, v = readings[:, 1] - readings[:, 0], readings[:, 2] - readings[:, 0]
    return TripleMoments(*_moments_of(u, v, segment(nights)))


def triples_by_night(differences: dict[tuple[str, str], pl.DataFrame], ranks: dict[str, int]) -> pl.DataFrame:
    """Return one row per night and three trackers.

    Baseball_day, first, second, third and TripleMoments per metric. `differences` by pair is what `differences_of_pair` returns. Columns
    are `n.<metric>`, `u.<metric>`...; an angle has a set for each branch of u and of v.
    """
    trackers = sort_by_rank(sorted({tracker for pair in differences for tracker in pair}), ranks)
    triples = [
        triple for triple in combinations(trackers, 3) if triple[:2] in differences and triple[::2] in differences
    ]
    tables = [_nights_of_triple(triple, differences[triple[:2]], differences[triple[::2]]) for triple in triples]
    return pl.concat([pl.DataFrame(schema=_KEYS), *tables], how="diagonal")


def precision_table(nights: AllNights, triples: pl.DataFrame, ranks: dict[str, int]) -> pl.DataFrame:
    """Return table `precision`: one row per tracker and shared metric.

    `triples` is what `triples_by_night` returns, of any nights. Of several triples, the one with most pitches counts. Where the own error
    cannot be estimated, it is null and `note` gives the reason.
    """
    trackers = sort_by_rank(sorted({tracker for pair in nights.pairs for tracker in pair}), ranks)
    index = {tracker: number for number, tracker in enumerate(trackers)}
    by_triple = (
        triples.with_columns(pl.selectors.float().fill_null(0.0))
        .sort("baseball_day")
        .partition_by(_TRIPLE, as_dict=True)
    )
    best: dict[tuple[str, str], PrecisionRow] = {}
    for triple in sorted(by_triple, key=lambda names: [index[str(name)] for name in names]):
        names = (str(triple[0]), str(triple[1]), str(triple[2]))
        for metric in nights.metrics:
            for row in _rows_of_triple(nights, names, metric, by_triple[triple]):
                key = (row.tracker, row.metric)
                if key not in best or row.n > best[key].n:
                    best[key] = row
    rows = [*best.values(), *_rows_without_third_tracker(nights, set(best))]
    table = pl.DataFrame(rows, schema=PRECISION.polars_schema(), orient="row")
    return table.with_columns(pl.selectors.float().fill_nan(None)).sort("metric", "tracker")


def _moments_of(u: np.ndarray, v: np.ndarray, segments: Segments) -> list[np.ndarray]:
    used = ~np.isnan(u + v)
    n = segment_sum(used.astype(float), segments)
    (mean_u, u), (mean_v, v) = (center(values, used, n, segments) for values in (u, v))
    return [n, mean_u, mean_v, *(segment_sum(values, segments) for values in (u * u, v * v, u * v))]


def _sums(moments: TripleMoments) -> np.ndarray:
    """Return 6 x nights: count, sums and sums of products about the overall means.

    Taking out the overall means keeps a large constant difference from swamping the rest.
    """
    n = moments.n
    u, v = (mean - (n * mean).sum() / n.sum() for mean in (moments.u, moments.v))
    return np.stack([n, n * u, n * v, moments.uu + n * u * u, moments.vv + n * v * v, moments.uv + n * u * v])


def _products(sums: np.ndarray) -> np.ndarray:
    """Return the 2 x 2 sums of products of u and v about their mean.

    `sums` are 6 sums over nights.
    """
    n, u, v, uu, vv, uv = sums
    return np.array([[uu - u * u / n, uv - u * v / n], [uv - u * v / n, vv - v * v / n]])


def _own_variances(covariance: np.ndarray) -> np.ndarray:
    """Return three variances, on the last axis, from ...

    x 2 x 2 covariances of u = second - first and v = third - first.
    """
    # u and v share only the first tracker's error, so its variance is their covariance
    shared = covariance[..., 0, 1]
    return np.stack([shared, covariance[..., 0, 0] - shared, covariance[..., 1, 1] - shared], axis=-1)


def _split_products(moments: TripleMoments, sums: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the 2 x 2 sums of products of u and v between nights and within nights."""
    within = np.array([[moments.uu.sum(), moments.uv.sum()], [moments.uv.sum(), moments.vv.sum()]])
    return _products(sums.sum(axis=1)) - within, within


def _df_between(between: np.ndarray, within: np.ndarray, n: np.ndarray) -> float:
    """Return the degrees of freedom between unequal nights, for both differences.

    As in pivots.py. A Wishart matrix of two variables needs more than 1.
    """
    nights, pitches = len(n), n.sum()
    sizes = NightSizes(*(np.array([float(size)]) for size in (pitches, nights, (n**2).sum(), (n**3).sum())))
    ms_between, ms_within = np.trace(between) / (nights - 1), np.trace(within) / (pitches - nights)
    return max(float(df_between(np.array([float(ms_between)]), np.array([float(ms_within)]), sizes)[0]), 1.5)


def _inverse_wishart(rng: np.random.Generator, products: np.ndarray, df: float) -> np.ndarray:
    """Draw DRAWS covariances that may underlie the sums of products.

    By Bartlett's decomposition, with `df` degrees of freedom.
    """
    wishart = np.zeros((DRAWS, 2, 2))
    wishart[:, 0, 0], wishart[:, 1, 1] = (np.sqrt(rng.chisquare(k, DRAWS)) for k in (df, df - 1))
    wishart[:, 1, 0] = rng.normal(size=DRAWS)
    roots, vectors = np.linalg.eigh(products)
    # transposed inverse of the lower triangle
    root = (vectors * np.sqrt(np.maximum(roots, 0.0))) @ np.linalg.inv(wishart).transpose(0, 2, 1)
    return np.asarray(root @ root.transpose(0, 2, 1))


def _nights_of_triple(
    triple: tuple[str, ...], differences_u: pl.DataFrame, differences_v: pl.DataFrame
) -> pl.DataFrame:
    metrics = metrics_in(differences_u, "d.")
    v_columns = (pl.col(f"d.{name}").alias(f"v.{name}") for name in metrics)
    both = differences_u.join(differences_v.select("group", *v_columns), on="group", maintain_order="left")
    segments = segment(both["baseball_day"].to_physical().to_numpy())
    columns = list(first_rows(both.select("baseball_day"), segments))
    columns += [
        pl.Series(name, [tracker] * len(segments.starts)) for name, tracker in zip(_TRIPLE, triple, strict=True)
    ]
    for metric in metrics:
        u, v = (both[f"{name}.{metric}"].cast(pl.Float64).to_numpy() for name in "dv")
        for branch_u, branch_v in product(branches(metric), repeat=2):
            moments = _moments_of(on_branch(u, branch_u), on_branch(v, branch_v), segments)
            label = _column_label(metric, branch_u, branch_v)
            columns += [
                pl.Series(f"{name}.{label}", values)
                for name, values in zip(TripleMoments._fields, moments, strict=True)
            ]
    return pl.DataFrame(columns)


def _column_label(metric: str, branch_u: str, branch_v: str) -> str:
    return f"{metric}{branch_u} and{branch_v}" if METRICS[metric].circular else metric


def _rows_of_triple(
    nights: AllNights, triple: tuple[str, str, str], metric: str, triple_nights: pl.DataFrame
) -> list[PrecisionRow]:
    (branch_u, offset_u), (branch_v, offset_v) = (
        nights.branch_of(pair, metric) for pair in ((triple[0], triple[1]), (triple[0], triple[2]))
    )
    label = _column_label(metric, branch_u, branch_v)
    measured = triple_nights.filter(pl.col(f"n.{label}") > 0)
    moments = TripleMoments(*(measured[f"{name}.{label}"].to_numpy() for name in TripleMoments._fields))
    moments = moments._replace(u=moments.u + offset_u, v=moments.v + offset_v)
    n = int(moments.n.sum())
    if n < LEAST_PITCHES:
        return []
    errors = own_errors(moments)
    rows = []
    for index, tracker in enumerate(triple):
        variance, se, low, high = (float(column[index]) for column in errors[:4])
        compared_with = ",".join(other for other in triple if other != tracker)
        note = _note(variance, se, high, METRICS[metric].unit, measured.height)
        sd = math.sqrt(variance) if variance > 0 else math.nan
        ends = (math.sqrt(max(low, 0.0)), math.sqrt(max(high, 0.0)))
        estimate = (sd, *ends, variance, se, n, measured.height)
        rows.append(PrecisionRow(tracker, metric, *estimate, compared_with, errors.method, note))
    return rows


def _note(variance: float, se: float, high: float, unit: str, nights: int) -> str:
    parts = []
    if variance < -_FAR_BELOW_ZERO * se:
        parts.append(
            "estimate far below zero: the other two trackers' errors are correlated, so do not use any of the three"
        )
    elif variance <= 0:
        parts.append(f"too small to distinguish from zero: under {math.sqrt(max(high, 0.0)):.2g} {unit}")
    if nights < SMALL_NIGHTS:
        within = "; the interval is within nights only" if 1 < nights < LEAST_NIGHTS_FOR_PIVOTS else ""
        parts.append(few_nights_note(nights) + within)
    return "; ".join(parts)


_NAN = math.nan
_NOTE_OF_TWO = "fewer than three trackers read enough of the same pitches, so an own error cannot be estimated"
_UNKNOWN = PrecisionRow("", "", _NAN, _NAN, _NAN, _NAN, _NAN, 0, 0, "", "none", _NOTE_OF_TWO)


def _rows_without_third_tracker(nights: AllNights, estimated: set[tuple[str, str]]) -> list[PrecisionRow]:
    counts = count_shared_readings(nights)
    rows: dict[tuple[str, str], PrecisionRow] = {}
    for index, pair in enumerate(nights.pairs):
        pair_nights = len(np.unique(nights.night[nights.pair == index]))
        for metric, n in zip(nights.metrics, counts[index].astype(int).tolist(), strict=True):
            for tracker, other in (pair, pair[::-1]):
                key = (tracker, metric)
                if n and key not in estimated and (key not in rows or rows[key].n < n):
                    rows[key] = _UNKNOWN._replace(
                        tracker=tracker, metric=metric, n=n, nights=pair_nights, compared_with=other
                    )
    return list(rows.values())
