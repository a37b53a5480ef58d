"""Table `selection`: does the matching make agreement look better than it is?

The matching uses the readings, so a misread pitch may stay unmatched and never be compared. The bound: the same figures over the pairs that
the clock alone would match, whatever their readings, including pairs that were kept apart. The truth lies between, because a pair kept apart
may also be two different pitches. The order of the pitches is not used: it is unknown for pairs that the matching is sure of.
"""

import math
from typing import NamedTuple, Self

import numpy as np
import polars as pl

from pipeline.agreement.facts.circular import FAR, NEAR, branches, choose_branch, difference, on_branch
from pipeline.agreement.facts.moments import Segments, center, combine_means, first_rows, segment, segment_sum
from pipeline.agreement.facts.readings import GroupedSightings, metrics_in, sort_by_rank
from schemas.agreement import SELECTION
from schemas.metrics import METRICS

# Odds of 19 to 1 from the clock alone, without a reading or a label.
SURE_BY_CLOCK = math.log(19)
# With fewer pairs sure by the clock no bound is given (common practice, no source).
LEAST_PAIRS = 20

_KEYS = {"baseball_day": pl.Date, "tracker_a": pl.String, "tracker_b": pl.String}
# Pairs that the matching merged, and pairs that the clock alone would match.
_SETS = ("matched", "clock")
_FIGURES = ("n", "d", "dd", "beyond")


class SpreadOfSet(NamedTuple):
    """Pitches of a set of pairs, mean and SD of differences, share beyond tolerance.

    nan where there are too few.
    """

    n: float
    bias: float
    sd: float
    share_beyond: float

    @classmethod
    def over_nights(cls, pairs: str, label: str, offset: float, nights: dict[str, np.ndarray]) -> Self:
        """Combine the nights of one of _SETS; `label` is the metric with its branch."""
        n, d, dd, beyond = (nights[f"{pairs}.{name}.{label}"] for name in _FIGURES)
        pitches = float(n.sum())
        (mean,), (squares,) = combine_means(n, d, dd, Segments(np.array([0]), np.array([len(n)])))
        spread = math.sqrt(squares / (pitches - 1)) if pitches > 1 else math.nan
        if not pitches:
            return cls(pitches, math.nan, spread, math.nan)
        return cls(pitches, float(mean) + offset, spread, float(beyond.sum()) / pitches)


def selection_by_night(
    match_pairs: pl.DataFrame, grouped: GroupedSightings, tolerances: dict[str, float]
) -> pl.DataFrame:
    """Return one row per night and pair with `<set>.<figure>.<metric>`.

    An angle has a set of columns per branch. Sets: `matched`, and `clock`, the pairs that the clock alone would match. Figures:
    `n`, mean `d` and sum of squares `dd` of the differences, and `beyond` the tolerance. `apart.<metric>` counts pairs of the second set
    that were kept apart; an angle has `cos`, `sin`.
    """
    pairs = _mark_sure_by_clock(_with_rows(match_pairs, grouped.sightings)).filter(
        pl.col("merged") | pl.col("by_clock")
    )
    tables = [
        _nights_of_pair(of_pair, grouped.sightings, tolerances).with_columns(tracker_a=pl.lit(a), tracker_b=pl.lit(b))
        for (a, b), of_pair in pairs.group_by("tracker_a", "tracker_b", maintain_order=True)
    ]
    nightly = pl.concat([pl.DataFrame(schema=_KEYS), *tables], how="diagonal").sort(list(_KEYS))
    return nightly.select(*_KEYS, pl.exclude(list(_KEYS)))


def selection_table(nightly: pl.DataFrame, ranks: dict[str, int]) -> pl.DataFrame:
    """Return table `selection` from `selection_by_night` of any nights."""
    metrics = [name for name in METRICS if f"apart.{name}" in nightly.columns]
    by_pair = nightly.sort("baseball_day").partition_by("tracker_a", "tracker_b", as_dict=True)
    trackers = sort_by_rank([str(name) for key in by_pair for name in key], ranks)
    index = {tracker: number for number, tracker in enumerate(trackers)}
    rows = []
    for key in sorted(by_pair, key=lambda names: [index[str(name)] for name in names]):
        nights = _figures_of(by_pair[key])
        rows += [(*key, *row) for metric in metrics if (row := _row(metric, nights))]
    table = pl.DataFrame(rows, schema=SELECTION.polars_schema(), orient="row")
    return table.with_columns(pl.selectors.float().fill_nan(None))


def _with_rows(match_pairs: pl.DataFrame, sightings: pl.DataFrame) -> pl.DataFrame:
    """Keep pairs whose sightings are present; add their rows, `row_a` and `row_b`."""
    rows = sightings.select("sighting_id").with_row_index("row")
    pairs = match_pairs.select("sighting_a", "sighting_b", "tracker_a", "tracker_b", "merged", "time_evidence")
    for side in "ab":
        pairs = pairs.join(rows.rename({"row": f"row_{side}"}), left_on=f"sighting_{side}", right_on="sighting_id")
    return pairs.drop("sighting_a", "sighting_b")


def _mark_sure_by_clock(pairs: pl.DataFrame) -> pl.DataFrame:
    """Add `by_clock`: the clock supports the pair, and no rival pair more."""
    clock = pl.col("time_evidence").fill_null(0.0)
    best_of_a = clock == clock.max().over("row_a", "tracker_b")
    best_of_b = clock == clock.max().over("row_b", "tracker_a")
    return pairs.with_columns(by_clock=(clock > SURE_BY_CLOCK) & best_of_a & best_of_b)


def _nights_of_pair(pairs: pl.DataFrame, sightings: pl.DataFrame, tolerances: dict[str, float]) -> pl.DataFrame:
    names = metrics_in(sightings)
    a, b = (sightings.select("baseball_day", "group", *names)[pairs[f"row_{side}"]] for side in "ab")
    # in order of pitch numbers, which do not depend on the order of rows: a tracker has one sighting per pitch
    order = pl.DataFrame({"day": a["baseball_day"], "a": a["group"], "b": b["group"]}).select(
        pl.arg_sort_by("day", "a", "b")
    )
    readings = [frame.select(pl.col(names).name.prefix(f"{side}.")) for side, frame in (("a", a), ("b", b))]
    joined = pl.concat([pairs.select("merged", "by_clock"), a.select("baseball_day"), *readings], how="horizontal")
    joined = joined.select("baseball_day", "merged", "by_clock", *(difference(name).alias(name) for name in names))
    joined = joined[order.to_series()]
    segments = segment(joined["baseball_day"].to_physical().to_numpy())
    columns = list(first_rows(joined.select("baseball_day"), segments))
    for metric in names:
        columns += _columns_of_metric(metric, joined, tolerances[metric], segments)
    return pl.DataFrame(columns)


def _columns_of_metric(metric: str, pairs: pl.DataFrame, tolerance: float, segments: Segments) -> list[pl.Series]:
    d = pairs[metric].cast(pl.Float64).to_numpy()
    merged, by_clock = (pairs[name].to_numpy() for name in ("merged", "by_clock"))
    read = ~np.isnan(d)
    columns = {f"apart.{metric}": segment_sum((read & by_clock & ~merged).astype(float), segments)}
    for set_name, in_set in zip(_SETS, (merged, by_clock), strict=True):
        used = read & in_set
        n, beyond = (segment_sum(counted.astype(float), segments) for counted in (used, used & (np.abs(d) > tolerance)))
        for branch in branches(metric):
            mean, about = center(on_branch(d, branch), used, n, segments)
            figures = (n, mean, segment_sum(about * about, segments), beyond)
            columns |= {
                f"{set_name}.{name}.{metric}{branch}": values for name, values in zip(_FIGURES, figures, strict=True)
            }
    if METRICS[metric].circular:
        for name, component in (("cos", np.cos(np.radians(d))), ("sin", np.sin(np.radians(d)))):
            columns[f"{name}.{metric}"] = segment_sum(np.where(read, component, 0.0), segments)
    return [pl.Series(name, values) for name, values in columns.items()]


def _figures_of(nights: pl.DataFrame) -> dict[str, np.ndarray]:
    """Return the figures by name, 0 where a night has none.

    Converted at once, which is faster than column by column.
    """
    figures = nights.drop(list(_KEYS)).cast(pl.Float64).fill_null(0.0)
    return dict(zip(figures.columns, np.ascontiguousarray(figures.to_numpy().T), strict=True))


def _row(metric: str, nights: dict[str, np.ndarray]) -> tuple[object, ...]:
    """Return a row's columns from metric on.

    Empty where the pair has no matched reading of it.
    """
    label, offset = metric + NEAR, 0.0
    if METRICS[metric].circular:
        branch = choose_branch(*(np.array(nights[f"{name}.{metric}"].sum()) for name in ("cos", "sin")))
        label, offset = metric + (FAR if branch.far else NEAR), float(branch.offset)
    matched, clock = (SpreadOfSet.over_nights(pairs, label, offset, nights) for pairs in _SETS)
    if not matched.n:
        return ()
    apart = int(nights[f"apart.{metric}"].sum())
    return (metric, *matched, *clock, apart, _verdict(matched, clock, apart))


def most_kept_apart(pairs: float) -> float:
    """Return the largest share kept apart that 0 of `pairs` does not exclude.

    Exact one-sided 95 % limit of a binomial share: Clopper & Pearson, Biometrika 1934;26:404.
    """
    return float(1 - 0.05 ** (1 / pairs))


def _verdict(matched: SpreadOfSet, clock: SpreadOfSet, apart: int) -> str:
    if clock.n < LEAST_PAIRS:
        return "no bound: too few pairs would match by the clock alone"
    if not apart:
        limit = most_kept_apart(clock.n)
        return f"none of {int(clock.n)} pairs that the clock alone would match was kept apart, so at most {limit:.1%} are (95% limit)"
    share = f"{apart} of {int(clock.n)} pairs that the clock alone would match were kept apart"
    if not (matched.sd > 0 and clock.sd > 0):
        return share
    return f"{share}; with them the spread is {clock.sd / matched.sd:.2f} times as large"
