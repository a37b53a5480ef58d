"""Does the matching flatter the agreement? It uses the readings, so a misread pitch may stay unmatched and never be compared.

The bound: the same figures over the pairs that clock and order alone would match, whatever their readings, those kept apart
included. The truth lies between, for a pair kept apart may also be two different pitches.
"""

import math

import numpy as np
import polars as pl

from pipeline.agreement.facts.circular import FAR, NEAR, difference, on_side, side_of, sides
from pipeline.agreement.facts.moments import Runs, centred, combined, first_rows, runs_from, total
from pipeline.agreement.facts.readings import Placed, in_order_of_rank, metrics_of
from schemas.agreement import SELECTION
from schemas.metrics import METRICS

# Odds of 19 to 1 from clock and order, without a reading or a label
SURE_BY_CLOCK = math.log(19)
LEAST_PAIRS = 20


def selection_by_night(match_pairs: pl.DataFrame, seen: Placed, tolerances: dict[str, float]) -> pl.DataFrame:
    """One row per night and pair with the figures of each metric (an angle's sides apart), `<lot>.<figure>.<metric>`.

    Lots: `matched` and `clock`, the pairs that clock and order alone would match; figures: `n`, mean `d` and sum of squares `dd` of the
    differences, `beyond` the tolerance. Beside them `apart.<metric>`: pairs of the second lot that were kept apart; an angle's `cos`, `sin`.
    """
    pairs = _by_clock(_of_rows(match_pairs, seen.sightings)).filter(pl.col("merged") | pl.col("by_clock"))
    tables = [
        _nights_of(str(a), str(b), of_pair, seen.sightings, tolerances)
        for (a, b), of_pair in pairs.group_by("tracker_a", "tracker_b", maintain_order=True)
    ]
    return (
        pl.concat([pl.DataFrame(schema=_KEYS), *tables], how="diagonal")
        .sort(list(_KEYS))
        .select(*_KEYS, pl.exclude(list(_KEYS)))
    )


def selection_table(nightly: pl.DataFrame, ranks: dict[str, int]) -> pl.DataFrame:
    """The table `selection`: agreement over all matched pairs beside that over pairs matched by clock and order alone."""
    metrics = [name for name in METRICS if f"apart.{name}" in nightly.columns]
    by_pair = nightly.sort("baseball_day").partition_by("tracker_a", "tracker_b", as_dict=True)
    nights = {key: _columns(of_pair) for key, of_pair in by_pair.items()}
    places = {tracker: place for place, tracker in enumerate(in_order_of_rank([str(name) for key in nights for name in key], ranks))}  # fmt: skip
    rows = [
        _row(str(key[0]), str(key[1]), metric, nights[key])
        for key in sorted(nights, key=lambda key: [places[str(name)] for name in key])
        for metric in metrics
    ]
    told = [row for row in rows if row is not None]
    return pl.DataFrame(told, schema=SELECTION.polars_schema(), orient="row").with_columns(
        pl.selectors.float().fill_nan(None)
    )


_KEYS = {"baseball_day": pl.Date, "tracker_a": pl.String, "tracker_b": pl.String}
_FIGURES = ("n", "d", "dd", "beyond")


def _of_rows(match_pairs: pl.DataFrame, sightings: pl.DataFrame) -> pl.DataFrame:
    """The pairs of the sightings that there are, with `row_a` and `row_b`, their places among them."""
    rows = sightings.select("sighting_id").with_row_index("row")
    pairs = match_pairs.select(
        "sighting_a", "sighting_b", "tracker_a", "tracker_b", "merged", "time_evidence", "order_evidence"
    )
    for side in "ab":
        pairs = pairs.join(rows.rename({"row": f"row_{side}"}), left_on=f"sighting_{side}", right_on="sighting_id")
    return pairs.drop("sighting_a", "sighting_b")


def _by_clock(pairs: pl.DataFrame) -> pl.DataFrame:
    """Pairs with `by_clock`: clock and order speak for it, and for no other pair of either sighting more."""
    clock = pl.col("time_evidence").fill_null(0.0) + pl.col("order_evidence").fill_null(0.0)
    sure = pl.col("time_evidence").is_not_null() & (pl.col("clock") > SURE_BY_CLOCK)
    best_of_a = pl.col("clock") == pl.col("clock").max().over("row_a", "tracker_b")
    best_of_b = pl.col("clock") == pl.col("clock").max().over("row_b", "tracker_a")
    return pairs.with_columns(clock=clock).with_columns(by_clock=sure & best_of_a & best_of_b)


def _nights_of(
    tracker_a: str, tracker_b: str, pairs: pl.DataFrame, sightings: pl.DataFrame, tolerances: dict[str, float]
) -> pl.DataFrame:
    names = metrics_of(sightings)
    a, b = (sightings.select("baseball_day", "group", *names)[pairs[f"row_{side}"]] for side in "ab")
    sides = [frame.select(pl.col(names).name.prefix(f"{side}.")) for side, frame in (("a", a), ("b", b))]
    # pitches in the order of their numbers, which no order of rows changes: a tracker has one sighting of each
    order = pl.DataFrame({"day": a["baseball_day"], "a": a["group"], "b": b["group"]}).select(
        pl.arg_sort_by("day", "a", "b")
    )
    apart = pl.concat([pairs.select("merged", "by_clock"), a.select("baseball_day"), *sides], how="horizontal")
    apart = apart.select("baseball_day", "merged", "by_clock", *(difference(name).alias(name) for name in names))
    apart = apart[order.to_series()]
    runs = runs_from(apart["baseball_day"].to_physical().to_numpy())
    columns = list(first_rows(apart.select("baseball_day"), runs))
    for metric in names:
        columns += _of_metric(metric, apart, tolerances[metric], runs)
    return pl.DataFrame(columns).with_columns(tracker_a=pl.lit(tracker_a), tracker_b=pl.lit(tracker_b))


def _of_metric(metric: str, apart: pl.DataFrame, tolerance: float, runs: Runs) -> list[pl.Series]:
    d = apart[metric].cast(pl.Float64).to_numpy()
    merged, by_clock = (apart[name].to_numpy() for name in ("merged", "by_clock"))
    read = ~np.isnan(d)
    columns = {f"apart.{metric}": total((read & by_clock & ~merged).astype(float), runs)}
    for lot, of_lot in (("matched", merged), ("clock", by_clock)):
        held = read & of_lot
        n, beyond = (total(which.astype(float), runs) for which in (held, held & (np.abs(d) > tolerance)))
        for side in sides(metric):
            mean, about = centred(on_side(d, side), held, n, runs)
            found = (n, mean, total(about * about, runs), beyond)
            columns |= {f"{lot}.{name}.{metric}{side}": values for name, values in zip(_FIGURES, found, strict=True)}
    if METRICS[metric].circular:
        for name, turned in (("cos", np.cos(np.radians(d))), ("sin", np.sin(np.radians(d)))):
            columns[f"{name}.{metric}"] = total(np.where(read, turned, 0.0), runs)
    return [pl.Series(name, values) for name, values in columns.items()]


def _columns(nights: pl.DataFrame) -> dict[str, np.ndarray]:
    """The figures by name, 0 where a night has none; one array for all, for a column at a time costs more than the sums."""
    figures = nights.drop(list(_KEYS)).cast(pl.Float64).fill_null(0.0)
    return dict(zip(figures.columns, np.ascontiguousarray(figures.to_numpy().T), strict=True))


def _row(tracker_a: str, tracker_b: str, metric: str, nights: dict[str, np.ndarray]) -> tuple[object, ...] | None:
    side, less = NEAR, 0.0
    if METRICS[metric].circular:
        found = side_of(*(np.array(nights[f"{name}.{metric}"].sum()) for name in ("cos", "sin")))
        side, less = FAR if found.far else NEAR, float(found.less)
    matched, clock = (_over_nights(lot, metric + side, less, nights) for lot in ("matched", "clock"))
    if not matched[0]:
        return None
    apart = int(nights[f"apart.{metric}"].sum())
    return (tracker_a, tracker_b, metric, *matched, *clock, apart, _said(matched, clock, apart))


def _over_nights(lot: str, label: str, less: float, nights: dict[str, np.ndarray]) -> tuple[float, ...]:
    """Pitches, mean, SD and share beyond the tolerance over all nights; nan where there are too few."""
    n, d, dd, beyond = (nights[f"{lot}.{name}.{label}"] for name in _FIGURES)
    pitches = float(n.sum())
    (mean,), (squares,) = combined(n, d, dd, Runs(np.array([0]), np.array([len(n)])))
    spread = math.sqrt(squares / (pitches - 1)) if pitches > 1 else math.nan
    return pitches, float(mean) + less if pitches else math.nan, spread, float(beyond.sum()) / pitches if pitches else math.nan  # fmt: skip


def _said(matched: tuple[float, ...], clock: tuple[float, ...], apart: int) -> str:
    if clock[0] < LEAST_PAIRS:
        return "too few pairs that clock and order alone would match: how far the matching flatters can't be bounded"
    if not apart:
        return f"none of {int(clock[0])} pairs that clock and order would match was kept apart: nothing flatters here"
    share = f"{apart} of {int(clock[0])} pairs that clock and order would match were kept apart"
    if not (matched[2] > 0 and clock[2] > 0):
        return share
    return f"{share}; with them the spread is {clock[2] / matched[2]:.2f} times what the table says"
