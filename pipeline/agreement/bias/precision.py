"""Each tracker's own error, where three or more saw the same pitches.

With two trackers only the spread of their difference can be told, not whose it is. With three, the variances of the three
differences give each one's own (Grubbs, JASA 1948;43:243 and Technometrics 1973;15:53). A constant bias is not in it.
Nights that wander are part of it; intervals over nights are by pivots as in pivots.py, of the two differences' covariances.
"""

import math
from itertools import combinations, product
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.bias.pairs import AllNights, measured_by_both
from pipeline.agreement.bias.pivots import df_between
from pipeline.agreement.facts.circular import FAR, NEAR, on_side, sides
from pipeline.agreement.facts.moments import Runs, centred, first_rows, runs_from, total
from pipeline.agreement.facts.readings import in_order_of_rank, metrics_of
from schemas.agreement import PRECISION
from schemas.metrics import METRICS

LEAST_PITCHES = 10
# With fewer nights next to nothing is known of how nights differ; Grubbs's own formula stands in.
LEAST_NIGHTS_FOR_PIVOTS = 4
SMALL_NIGHTS = 5
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


class TripleMoments(NamedTuple):
    """By night: pitches, means of the differences second-first (u) and third-first (v) of three trackers, sums of squares and products about them."""

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


def own_errors(moments: TripleMoments) -> OwnErrors:
    """Grubbs's estimates of three own error variances, with their intervals by pivots over nights or, for fewer nights than four, by the formula."""
    sums = _sums(moments)
    n, nights = float(moments.n.sum()), len(moments.n)
    if nights < LEAST_NIGHTS_FOR_PIVOTS or nights == n:
        variances = _own_variances(_products(sums.sum(axis=1)) / (n - 1))
        errors = grubbs_standard_errors(variances, n)
        return OwnErrors(variances, errors, variances - 1.96 * errors, variances + 1.96 * errors, "formula")
    between, within = _split(moments, sums)
    squares = float((moments.n**2).sum())
    n0 = (n - squares / n) / (nights - 1)
    df = _df_between(between, within, moments.n)
    variances = _own_variances(between / (nights - 1) / n0 + (1 - 1 / n0) * within / (n - nights))
    draws = np.random.default_rng(SEED)
    wishart = _inverse_wishart(draws, between * df / (nights - 1), df) / n0 + (1 - 1 / n0) * _inverse_wishart(
        draws, within, n - nights
    )
    low, high = np.quantile(_own_variances(wishart), [0.025, 0.975], axis=0)
    return OwnErrors(variances, (high - low) / (2 * 1.96), low, high, "pivots over nights")


def grubbs_standard_errors(variances: np.ndarray, n: float) -> np.ndarray:
    """Standard errors of three Grubbs variances from n independent pitches (Grubbs 1948); negative estimates count as 0 in it."""
    v = np.maximum(variances, 0.0)
    j, k = np.roll(v, -1), np.roll(v, -2)
    return np.asarray(np.sqrt((2 * v**2 + v * j + v * k + j * k) / (n - 1)))


def triple_moments(readings: np.ndarray, nights: np.ndarray) -> TripleMoments:
    """Moments by night of an n x 3 array of readings of the same pitches; `nights` in order."""
    u, v = readings[:, 1] - readings[:, 0], readings[:, 2] - readings[:, 0]
    return TripleMoments(*_moments_of(u, v, runs_from(nights)))


def triples_by_night(differences: dict[tuple[str, str], pl.DataFrame], ranks: dict[str, int]) -> pl.DataFrame:
    """One row per night and three trackers: baseball_day, first, second, third, and TripleMoments of each metric, `n.<metric>`, `u.<metric>`...

    `differences` by pair, as `differences_of_pair` gives them. An angle has a set for each side of u and of v.
    """
    trackers = in_order_of_rank(sorted({tracker for pair in differences for tracker in pair}), ranks)
    triples = [
        triple for triple in combinations(trackers, 3) if triple[:2] in differences and triple[::2] in differences
    ]
    tables = [_nights_of(triple, differences[triple[:2]], differences[triple[::2]]) for triple in triples]
    return pl.concat([pl.DataFrame(schema=_KEYS), *tables], how="diagonal")


def own_errors_of_trackers(facts: AllNights, triples: pl.DataFrame, ranks: dict[str, int]) -> pl.DataFrame:
    """The table `precision`: one row per tracker and metric that it shares with another; null with a reason where it can't be told."""
    keys = ["first", "second", "third"]
    places = {tracker: place for place, tracker in enumerate(in_order_of_rank(_trackers(facts), ranks))}
    by_triple = (
        triples.with_columns(pl.selectors.float().fill_null(0.0)).sort("baseball_day").partition_by(keys, as_dict=True)
    )
    best: dict[tuple[str, str], PrecisionRow] = {}
    for triple in sorted(by_triple, key=lambda names: [places[str(name)] for name in names]):
        for row in _rows_of_triple(facts, (str(triple[0]), str(triple[1]), str(triple[2])), by_triple[triple]):
            key = (row.tracker, row.metric)
            if key not in best or row.n > best[key].n:
                best[key] = row
    rows = [*best.values(), *_rows_of_two(facts, set(best))]
    frame = pl.DataFrame(rows, schema=PRECISION.polars_schema(), orient="row").with_columns(
        pl.selectors.float().fill_nan(None)
    )
    return frame.sort("metric", "tracker")


_KEYS = {"baseball_day": pl.Date, "first": pl.String, "second": pl.String, "third": pl.String}


def _trackers(facts: AllNights) -> list[str]:
    return sorted({tracker for pair in facts.pairs for tracker in pair})


def _moments_of(u: np.ndarray, v: np.ndarray, runs: Runs) -> list[np.ndarray]:
    held = ~np.isnan(u + v)
    n = total(held.astype(float), runs)
    (mean_u, u), (mean_v, v) = (centred(values, held, n, runs) for values in (u, v))
    return [n, mean_u, mean_v, *(total(values, runs) for values in (u * u, v * v, u * v))]


def _sums(moments: TripleMoments) -> np.ndarray:
    """6 x nights: count, sums and sums of products about the means over all nights, so that a large constant difference doesn't swamp the rest."""
    n = moments.n
    u, v = (mean - (n * mean).sum() / n.sum() for mean in moments[1:3])
    return np.stack([n, n * u, n * v, moments.uu + n * u * u, moments.vv + n * v * v, moments.uv + n * u * v])


def _products(sums: np.ndarray) -> np.ndarray:
    """2 x 2 sums of products of u and v about their mean, from 6 sums over nights."""
    n, u, v, uu, vv, uv = sums
    return np.array([[uu - u * u / n, uv - u * v / n], [uv - u * v / n, vv - v * v / n]])


def _own_variances(covariance: np.ndarray) -> np.ndarray:
    """Three variances, on the last axis, from ... x 2 x 2 covariances of u = second - first and v = third - first."""
    # they share only the first one's error: its variance is their covariance
    shared = covariance[..., 0, 1]
    return np.stack([shared, covariance[..., 0, 0] - shared, covariance[..., 1, 1] - shared], axis=-1)


def _split(moments: TripleMoments, sums: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """2 x 2 sums of products of u and v between nights and within."""
    within = np.array([[moments.uu.sum(), moments.uv.sum()], [moments.uv.sum(), moments.vv.sum()]])
    return _products(sums.sum(axis=1)) - within, within


def _df_between(between: np.ndarray, within: np.ndarray, n: np.ndarray) -> float:
    """Degrees of freedom between unequal nights, as in pivots.py, of the two differences together; a Wishart of two needs more than 1."""
    nights, pitches = len(n), n.sum()
    columns = (
        np.trace(between) / (nights - 1),
        np.trace(within) / (pitches - nights),
        pitches,
        nights,
        (n**2).sum(),
        (n**3).sum(),
    )
    return max(float(df_between(*(np.array([float(column)]) for column in columns))[0]), 1.5)


def _inverse_wishart(draws: np.random.Generator, products: np.ndarray, df: float) -> np.ndarray:
    """DRAWS covariances that may lie behind sums of products of `df` degrees of freedom (Bartlett's decomposition of a Wishart matrix)."""
    wishart = np.zeros((DRAWS, 2, 2))
    wishart[:, 0, 0], wishart[:, 1, 1] = (np.sqrt(draws.chisquare(k, DRAWS)) for k in (df, df - 1))
    wishart[:, 1, 0] = draws.normal(size=DRAWS)
    roots, vectors = np.linalg.eigh(products)
    # the lower triangle's inverse, turned
    root = (vectors * np.sqrt(np.maximum(roots, 0.0))) @ np.linalg.inv(wishart).transpose(0, 2, 1)
    return np.asarray(root @ root.transpose(0, 2, 1))


def _nights_of(triple: tuple[str, ...], of_u: pl.DataFrame, of_v: pl.DataFrame) -> pl.DataFrame:
    metrics = metrics_of(of_u, "d.")
    both = of_u.join(of_v.select("group", *(pl.col(f"d.{name}").alias(f"v.{name}") for name in metrics)), on="group", maintain_order="left")  # fmt: skip
    runs = runs_from(both["baseball_day"].to_physical().to_numpy())
    columns = list(first_rows(both.select("baseball_day"), runs))
    columns += [pl.Series(name, [tracker] * len(runs.starts)) for name, tracker in zip(("first", "second", "third"), triple, strict=True)]  # fmt: skip
    for metric in metrics:
        u, v = (both[f"{name}.{metric}"].cast(pl.Float64).to_numpy() for name in "dv")
        for side_u, side_v in product(sides(metric), repeat=2):
            found = _moments_of(on_side(u, side_u), on_side(v, side_v), runs)
            label = _label(metric, side_u, side_v)
            columns += [
                pl.Series(f"{name}.{label}", values) for name, values in zip(TripleMoments._fields, found, strict=True)
            ]
    return pl.DataFrame(columns)


def _label(metric: str, side_u: str, side_v: str) -> str:
    return f"{metric}{side_u} and{side_v}" if METRICS[metric].circular else metric


def _rows_of_triple(facts: AllNights, triple: tuple[str, str, str], nights: pl.DataFrame) -> list[PrecisionRow]:
    return [row for metric in facts.metrics for row in _rows_of_metric(facts, triple, metric, nights)]


def _rows_of_metric(
    facts: AllNights, triple: tuple[str, str, str], metric: str, nights: pl.DataFrame
) -> list[PrecisionRow]:
    u, v = (_side(facts, pair, metric) for pair in (triple[:2], triple[::2]))
    label = _label(metric, u[0], v[0])
    held = nights.filter(pl.col(f"n.{label}") > 0)
    moments = TripleMoments(*(held[f"{name}.{label}"].to_numpy() for name in TripleMoments._fields))
    moments = moments._replace(u=moments.u + u[1], v=moments.v + v[1])
    n = int(moments.n.sum())
    if n < LEAST_PITCHES:
        return []
    found = own_errors(moments)
    return [_row(triple, index, metric, found, n, held.height) for index in range(3)]


def _side(facts: AllNights, pair: tuple[str, ...], metric: str) -> tuple[str, float]:
    at = facts.pairs.index((pair[0], pair[1])), facts.metrics.index(metric)
    return FAR if facts.side.far[at] else NEAR, float(facts.side.less[at])


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
    if nights < SMALL_NIGHTS:
        within = ": the interval is within them" if nights < LEAST_NIGHTS_FOR_PIVOTS else ""
        parts.append("one night: says nothing about other nights" if nights == 1 else f"only {nights} nights{within}")
    return "; ".join(parts)


_NAN = math.nan
_NOTE_OF_TWO = "fewer than three trackers read enough of the same pitches: whose error a difference is can't be told"
_UNKNOWN = PrecisionRow("", "", _NAN, _NAN, _NAN, _NAN, _NAN, 0, 0, "", "none", _NOTE_OF_TWO)


def _rows_of_two(facts: AllNights, told: set[tuple[str, str]]) -> list[PrecisionRow]:
    counts = measured_by_both(facts)
    rows: dict[tuple[str, str], PrecisionRow] = {}
    for place, pair in enumerate(facts.pairs):
        nights = len(np.unique(facts.night[facts.pair == place]))
        for metric, n in zip(facts.metrics, counts[place].astype(int).tolist(), strict=True):
            for tracker, other in (pair, pair[::-1]):
                key = (tracker, metric)
                if n and key not in told and (key not in rows or rows[key].n < n):
                    rows[key] = _UNKNOWN._replace(tracker=tracker, metric=metric, n=n, nights=nights, beside=other)
    return list(rows.values())
