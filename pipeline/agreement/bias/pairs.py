"""How far apart two trackers are: one row per pair, metric and slice, from one night to a whole career of nights.

Made from the cells of all nights and the differences in them (cells.py); metrics stand side by side as columns of every array.
"""

import os
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.bias.limits import LEAST_PITCHES, Limits, Split, limits_of_agreement, split_by_night
from pipeline.agreement.bias.regression import Concordance, Line, concordance, deming, intervals_of_line
from pipeline.agreement.facts.circular import FAR, NEAR, Side, circular_sd, on_side, side_of
from pipeline.agreement.facts.moments import (
    NightMoments,
    Runs,
    combined,
    combined_products,
    runs_from,
    spread_out,
    total,
)
from pipeline.agreement.facts.readings import in_order_of_rank, metrics_of
from schemas.agreement import AGREEMENT
from schemas.contract import conform
from schemas.metrics import METRICS

SLICES = ("all", "pitch_type", "month", "station")
# Below either, the row says so: few nights say little about the nights to come (common practice, no source).
SMALL_PITCHES, SMALL_NIGHTS = 30, 5
# Ordinary limits hold for differences of angles while they are this close together; quantiles above.
WIDEST_CIRCULAR_SD_DEG = 40.0
# Deming needs the ratio of the two error variances; an estimate beyond these is no better than the nearer end.
ERROR_RATIO_RANGE = (1 / 9, 9.0)
MAD_TO_SD = 1.4826  # 1 / (normal quantile of 0.75)
NO_LINE = "none: an angle has no zero to grow from"
QUANTILES = "quantiles: the angles spread too widely"


class AllNights(NamedTuple):
    """Cells of all nights in order (cells x metrics where they are of a metric) and the differences in them.

    `pair` is each cell's place in `pairs`, `night` its day as a number; `rows` are the cells' runs of differences, `apart` these by metric,
    on the side on which the pair's differences lie together; `side` holds that side, pairs x metrics.
    """

    pairs: list[tuple[str, str]]
    metrics: list[str]
    cells: pl.DataFrame
    pair: np.ndarray
    night: np.ndarray
    rows: Runs
    apart: dict[str, np.ndarray]
    side: Side


class _Slices(NamedTuple):
    """One way of slicing: the cells in order of pair and slice, runs of them by slice and night, by slice, and each slice's pair and name."""

    order: np.ndarray
    nights: Runs
    groups: Runs
    whole: Runs
    pair: np.ndarray
    name: list[str]


class _Robust(NamedTuple):
    """Slices x metrics: median, median distance from it, and for angles that spread widely the quantiles that hold 95 %."""

    median: np.ndarray
    mad: np.ndarray
    low: np.ndarray
    high: np.ndarray


def all_nights(cells: pl.DataFrame, differences: pl.DataFrame, ranks: dict[str, int]) -> AllNights:
    """All nights' facts made ready: `cells` and `differences` as in `NightFacts`, in any order of nights; of the metrics that a pair has in common."""
    if cells.is_empty():
        none = np.empty(0, np.int64)
        return AllNights([], [], cells, none, none, Runs(none, none), {}, side_of(np.empty((0, 0)), np.empty((0, 0))))
    keys = ["baseball_day", "cell"]
    # a night's facts may lack the columns of a metric that was not read then
    cells = cells.with_columns(pl.selectors.float().fill_null(0.0))
    cells, differences = cells.sort(keys), _by_cell(differences)
    pairs, pair = _pairs(cells, ranks)
    # a metric that no pair has in common would cost as much as one that all have
    metrics = [metric for metric in metrics_of(differences, "d.") if (cells[f"n.{metric}"] > 0).any()]
    counts = cells["pitches"].to_numpy().astype(np.int64)
    rows = Runs(np.cumsum(counts) - counts, counts)
    side = _sides(cells, metrics, pair, len(pairs))
    apart = {
        metric: _apart(differences[f"d.{metric}"].to_numpy(), Side(side.far[:, place], side.less[:, place]), pair, rows)
        for place, metric in enumerate(metrics)
    }
    night = cells["baseball_day"].to_physical().to_numpy().astype(np.int64)
    return AllNights(pairs, metrics, cells, pair, night, rows, apart, side)


def agreement_table(
    facts: AllNights,
    tolerances: dict[str, float],
    own_errors: dict[tuple[str, str], float],
    ways: dict[tuple[str, str], str],
    slices: tuple[str, ...] = SLICES,
) -> pl.DataFrame:
    """The rows of table `agreement`, for every pair, every metric that both measured and every slice.

    `own_errors` holds the own error SD by (tracker, metric) where it is known; `ways` how a tracker gets a metric, where it is known.
    """
    if not facts.metrics:
        return AGREEMENT.empty()
    ratios = np.array([[_error_ratio(pair, metric, own_errors) for metric in facts.metrics] for pair in facts.pairs])
    limits = np.array([tolerances[metric] for metric in facts.metrics])
    whole = None
    tables = []
    for slice_by in slices:
        sliced = _sliced(facts, slice_by)
        wide = _wide(facts, sliced)
        # a slice that holds all of a pair's pitches has the pair's own figures
        robust = whole if whole is not None and len(sliced.name) == len(facts.pairs) else _robust(facts, sliced, wide)
        whole = robust if slice_by == "all" else whole
        tables.append(_table(facts, slice_by, sliced, robust, wide, ratios, limits, ways))
    order = pl.concat(tables).with_columns(
        pl.col("slice_by").replace_strict({name: place for place, name in enumerate(slices)}).alias("way")
    )
    rows = order.sort("pair", "way", "slice", "metric_place")
    return conform(rows, AGREEMENT).with_columns(pl.selectors.float().fill_nan(None))


def measured_by_both(facts: AllNights) -> np.ndarray:
    """Pairs x metrics: how many common readings."""
    counts = np.zeros((len(facts.pairs), len(facts.metrics)))
    if facts.metrics:
        np.add.at(counts, facts.pair, _figure(facts, "n"))
    return counts


def _by_cell(differences: pl.DataFrame) -> pl.DataFrame:
    """In order of night and cell; as they mostly are already, and a look is cheaper than a sort."""
    night, cell = differences["baseball_day"].to_physical().to_numpy(), differences["cell"].to_numpy()
    later = night[1:] > night[:-1]
    if (later | ((night[1:] == night[:-1]) & (cell[1:] >= cell[:-1]))).all():
        return differences
    return differences.sort("baseball_day", "cell", maintain_order=True)


def _pairs(cells: pl.DataFrame, ranks: dict[str, int]) -> tuple[list[tuple[str, str]], np.ndarray]:
    """The pairs in order of rank, and the place of each cell's pair among them."""
    trackers = pl.concat([cells["tracker_a"], cells["tracker_b"]]).unique().to_list()
    place = {tracker: number for number, tracker in enumerate(in_order_of_rank(trackers, ranks))}
    pairs = sorted(
        cells.select("tracker_a", "tracker_b").unique().rows(), key=lambda pair: (place[pair[0]], place[pair[1]])
    )
    numbers = pl.DataFrame(pairs, schema=["tracker_a", "tracker_b"], orient="row").with_row_index("pair")
    found = cells.select("tracker_a", "tracker_b").join(numbers, on=["tracker_a", "tracker_b"], maintain_order="left")
    return pairs, found["pair"].to_numpy().astype(np.int64)


def _sides(cells: pl.DataFrame, metrics: list[str], pair: np.ndarray, pairs: int) -> Side:
    sums = np.zeros((2, pairs, len(metrics)))
    for place, metric in enumerate(metrics):
        if METRICS[metric].circular:
            for which, name in enumerate(("cos", "sin")):
                sums[which, :, place] = np.bincount(pair, cells[f"{name}.{metric}"].to_numpy(), pairs)
    return side_of(sums[0], sums[1])


def _apart(near: np.ndarray, side: Side, pair: np.ndarray, rows: Runs) -> np.ndarray:
    """Differences of one metric, each on its pair's side; `side` by pair."""
    if not side.far.any():
        return near
    far, less = (spread_out(values[pair], rows) for values in side)
    return np.where(far, on_side(near, FAR) + less, near)


def _figure(facts: AllNights, name: str) -> np.ndarray:
    """A figure of the cells, cells x metrics; of an angle that of its pair's side."""
    columns = []
    for place, metric in enumerate(facts.metrics):
        near, far = (facts.cells[f"{name}.{metric}{side}"].to_numpy() for side in (NEAR, FAR if METRICS[metric].circular else NEAR))  # fmt: skip
        found = np.where(facts.side.far[facts.pair, place], far, near) if METRICS[metric].circular else near
        columns.append(found + facts.side.less[facts.pair, place] if name == "d" else found)
    return np.column_stack(columns)


def _sliced(facts: AllNights, slice_by: str) -> _Slices:
    names, number = np.unique(_slice_names(facts.cells, slice_by), return_inverse=True)
    # stable, so that within a slice the nights stay in their order
    part = facts.pair * len(names) + number
    order = np.argsort(part, kind="stable")
    part, night = part[order], facts.night[order]
    nights = runs_from(part * (night.max() - night.min() + 2) + night - night.min())
    groups = runs_from(part[nights.starts])
    of_group = part[nights.starts][groups.starts]
    names_of_groups = [str(names[place]) for place in of_group % len(names)]
    return _Slices(order, nights, groups, runs_from(part), of_group // len(names), names_of_groups)


def _slice_names(cells: pl.DataFrame, slice_by: str) -> np.ndarray:
    if slice_by in ("all", "before_corrections"):
        return np.full(cells.height, "")
    names = cells["baseball_day"].dt.strftime("%Y-%m") if slice_by == "month" else cells[slice_by]
    return names.to_numpy().astype(str)


def _moments(facts: AllNights, sliced: _Slices) -> NightMoments:
    """Moments by slice and night from those of the cells."""
    n, a, b, d, aa, bb, ab, dd = (_figure(facts, name)[sliced.order] for name in ("n", "a", "b", "d", "aa", "bb", "ab", "dd"))  # fmt: skip
    (x, xx), (y, yy), (apart, squares) = (
        combined(n, mean, about, sliced.nights) for mean, about in ((a, aa), (b, bb), (d, dd))
    )
    products = combined_products(n, a, b, ab, sliced.nights)
    return NightMoments(total(n, sliced.nights), x, y, apart, xx, yy, products, squares, sliced.groups)


def _wide(facts: AllNights, sliced: _Slices) -> np.ndarray:
    """Slices x metrics: angles whose differences spread too widely for ordinary limits."""
    wide = np.zeros((len(sliced.name), len(facts.metrics)), bool)
    for place, metric in enumerate(facts.metrics):
        if METRICS[metric].circular:
            columns = (facts.cells[f"{name}.{metric}"].to_numpy()[sliced.order] for name in ("n", "cos", "sin"))
            n, cos, sin = (total(column, sliced.whole) for column in columns)
            spread = circular_sd(np.hypot(cos, sin) / np.maximum(n, 1))
            wide[:, place] = (spread > WIDEST_CIRCULAR_SD_DEG) & (n >= LEAST_PITCHES)
    return wide


def _robust(facts: AllNights, sliced: _Slices, wide: np.ndarray) -> _Robust:
    counts = facts.rows.counts[sliced.order]
    ends = np.cumsum(counts)
    at = np.repeat(facts.rows.starts[sliced.order] - (ends - counts), counts) + np.arange(ends[-1])
    starts = (ends - counts)[sliced.whole.starts]
    edges = [*starts.tolist(), int(ends[-1])]
    figures = np.full((4, len(starts), len(facts.metrics)), np.nan)

    def fill(places: range) -> None:
        # one room for all metrics: fresh memory costs more than the work itself
        room = np.empty(len(at))
        for place in places:
            np.take(facts.apart[facts.metrics[place]], at, out=room, mode="clip")
            some = bool(np.isnan(room).any())
            for number, (start, end) in enumerate(pairwise(edges)):
                values = room[start:end][~np.isnan(room[start:end])] if some else room[start:end]
                if len(values):
                    figures[:, number, place] = _robust_figures(values, bool(wide[number, place]))

    # over a long history most of the night's sorting is here, and numpy lets others work meanwhile
    hands = max(min(os.cpu_count() or 1, len(facts.metrics)), 1)
    with ThreadPoolExecutor(hands) as pool:
        list(pool.map(fill, [range(hand, len(facts.metrics), hands) for hand in range(hands)]))
    return _Robust(*figures)


def _robust_figures(values: np.ndarray, wide: bool) -> tuple[float, float, float, float]:
    """Median, median distance from it and, where they spread widely, the quantiles that hold 95 %. The values are used up."""
    low, high = np.quantile(values, [0.025, 0.975]) if wide else (np.nan, np.nan)
    median = _median(values)
    np.subtract(values, median, out=values)
    np.abs(values, out=values)
    return median, _median(values), float(low), float(high)


def _median(values: np.ndarray) -> float:
    """The values change places."""
    middle = len(values) // 2
    values.partition(middle)
    upper = float(values[middle])
    return upper if len(values) % 2 else (float(values[:middle].max()) + upper) / 2


def _table(
    facts: AllNights,
    slice_by: str,
    sliced: _Slices,
    robust: _Robust,
    wide: np.ndarray,
    ratios: np.ndarray,
    tolerances: np.ndarray,
    ways: dict[tuple[str, str], str],
) -> pl.DataFrame:
    moments = _moments(facts, sliced)
    split, ratio = split_by_night(moments), ratios[sliced.pair]
    circular = np.broadcast_to([METRICS[metric].circular for metric in facts.metrics], split.n.shape)
    with np.errstate(divide="ignore", invalid="ignore"):
        limits = _limits(split, robust, wide)
        line = deming(moments, ratio)
        figures = {
            **_of_split(split, limits),
            **_of_line(line, ratio, concordance(moments), circular),
            "share_beyond": total(_beyond(facts)[sliced.order], sliced.whole) / split.n,
        }
    figures |= {"tolerance": np.broadcast_to(tolerances, split.n.shape)}
    figures |= {"robust_bias": robust.median, "robust_sd": robust.mad * MAD_TO_SD}
    return _rows(facts, slice_by, sliced, {name: figure.ravel() for name, figure in figures.items()}, ways)


def _beyond(facts: AllNights) -> np.ndarray:
    return np.column_stack([facts.cells[f"beyond.{metric}"].to_numpy() for metric in facts.metrics])


def _limits(split: Split, robust: _Robust, wide: np.ndarray) -> Limits:
    """Limits of agreement; of angles that spread too widely for them, quantiles."""
    limits = limits_of_agreement(split)
    told = {name: np.where(wide, np.nan, getattr(limits, name)) for name in ("low_low", "low_high", "high_low", "high_high")}  # fmt: skip
    return limits._replace(
        **told,
        low=np.where(wide, robust.low, limits.low),
        high=np.where(wide, robust.high, limits.high),
        method=np.where(wide, QUANTILES, limits.method),
    )


def _of_split(split: Split, limits: Limits) -> dict[str, np.ndarray]:
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


def _of_line(line: Line, ratio: np.ndarray, close: Concordance, circular: np.ndarray) -> dict[str, np.ndarray]:
    slope, intercept = intervals_of_line(line)
    numbers = {
        "slope": slope.value,
        "slope_low": slope.low,
        "slope_high": slope.high,
        "intercept": intercept.value,
        "intercept_low": intercept.low,
        "intercept_high": intercept.high,
        "error_ratio": ratio,
        "concordance": close.value,
        "concordance_low": close.low,
        "concordance_high": close.high,
    }
    # an angle has no line and no spread of true values to compare with
    told = {name: np.where(circular, np.nan, values) for name, values in numbers.items()}
    return told | {"regression_method": np.where(circular, NO_LINE, line.method)}


def _rows(
    facts: AllNights,
    slice_by: str,
    sliced: _Slices,
    figures: dict[str, np.ndarray],
    ways: dict[tuple[str, str], str],
) -> pl.DataFrame:
    """Rows of the slices in which both measured a metric twice at least."""
    pair, metric = np.repeat(sliced.pair, len(facts.metrics)), np.tile(np.arange(len(facts.metrics)), len(sliced.name))  # fmt: skip
    told = np.flatnonzero(figures["n"] >= 2)
    keys = [(facts.pairs[pair[row]], facts.metrics[metric[row]]) for row in told.tolist()]
    used = [tuple(ways.get((tracker, name), "") for tracker in of_pair) for of_pair, name in keys]
    n, nights = (figures[name][told].astype(int).tolist() for name in ("n", "nights"))
    columns = {
        name: pl.Series(values[told].tolist(), dtype=pl.String) if values.dtype == object else pl.Series(values[told])
        for name, values in figures.items()
    }
    return pl.DataFrame(
        {
            "pair": pair[told],
            "metric_place": metric[told],
            "tracker_a": [of_pair[0] for of_pair, _ in keys],
            "tracker_b": [of_pair[1] for of_pair, _ in keys],
            "metric": [name for _, name in keys],
            "slice_by": [slice_by] * len(keys),
            "slice": [sliced.name[row // len(facts.metrics)] for row in told.tolist()],
            **columns,
            "same_quantity": [one == other for one, other in used],
            "small_n": (figures["n"][told] < SMALL_PITCHES) | (figures["nights"][told] < SMALL_NIGHTS),
            "note": [_note(name, *about) for (_, name), *about in zip(keys, n, nights, used, strict=True)],
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


def _error_ratio(pair: tuple[str, str], metric: str, own_errors: dict[tuple[str, str], float]) -> float:
    of_a, of_b = (own_errors.get((tracker, metric), 0.0) for tracker in pair)
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
