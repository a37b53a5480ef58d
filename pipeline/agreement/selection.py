"""Does the matching flatter the agreement? It uses the readings, so a misread pitch may stay unmatched and never be compared.

The bound: the same figures over the pairs that clock and order alone would match, whatever their readings, those kept apart
included. The truth lies between, for a pair kept apart may also be two different pitches.
"""

import math

import polars as pl

from pipeline.agreement.pairs import centred_differences
from schemas.agreement import SELECTION
from schemas.metrics import METRICS

# Odds of 19 to 1 from clock and order, without a reading or a label
SURE_BY_CLOCK = math.log(19)
LEAST_PAIRS = 20


def selection_of_pairs(
    match_pairs: pl.DataFrame, sightings: pl.DataFrame, tolerances: dict[str, float]
) -> pl.DataFrame:
    """The table `selection`: agreement over all matched pairs beside that over pairs matched by clock and order alone."""
    pairs = _by_clock(match_pairs).filter(pl.col("merged") | pl.col("by_clock"))
    tables = [
        _rows(str(a), str(b), of_pair, sightings, tolerances)
        for (a, b), of_pair in pairs.group_by("tracker_a", "tracker_b", maintain_order=True)
    ]
    return pl.concat([SELECTION.empty(), *tables])


def _by_clock(match_pairs: pl.DataFrame) -> pl.DataFrame:
    """Pairs with `by_clock`: clock and order speak for it, and for no other pair of either sighting more."""
    clock = pl.col("time_evidence").fill_null(0.0) + pl.col("order_evidence").fill_null(0.0)
    sure = pl.col("time_evidence").is_not_null() & (pl.col("clock") > SURE_BY_CLOCK)
    best_of_a = pl.col("clock") == pl.col("clock").max().over("sighting_a", "tracker_b")
    best_of_b = pl.col("clock") == pl.col("clock").max().over("sighting_b", "tracker_a")
    return match_pairs.with_columns(clock=clock).with_columns(by_clock=sure & best_of_a & best_of_b)


def _rows(
    tracker_a: str, tracker_b: str, pairs: pl.DataFrame, sightings: pl.DataFrame, tolerances: dict[str, float]
) -> pl.DataFrame:
    names = [name for name in METRICS if name in sightings.columns]
    readings = pairs.select("sighting_a", "sighting_b", "merged", "by_clock")
    for side in "ab":
        of_side = sightings.select(
            pl.col("sighting_id").alias(f"sighting_{side}"), *(pl.col(name).alias(f"{side}.{name}") for name in names)
        )
        readings = readings.join(of_side, on=f"sighting_{side}", maintain_order="left")
    rows = [_row(tracker_a, tracker_b, metric, readings, tolerances[metric]) for metric in names]
    return pl.DataFrame([row for row in rows if row], schema=SELECTION.polars_schema(), orient="row").with_columns(
        pl.selectors.float().fill_nan(None)
    )


def _row(
    tracker_a: str, tracker_b: str, metric: str, readings: pl.DataFrame, tolerance: float
) -> tuple[object, ...] | None:
    both = readings.select("merged", "by_clock", f"a.{metric}", f"b.{metric}").drop_nulls()
    if both.filter("merged").is_empty():
        return None
    d = pl.col("d")
    figures = (d.len(), d.mean(), d.std(), (d.abs() > tolerance).mean())
    differences = both.select("merged", "by_clock", centred_differences(both, metric).alias("d"))
    matched = (
        differences.filter("merged").select(figure.alias(str(place)) for place, figure in enumerate(figures)).row(0)
    )
    clock = (
        differences.filter("by_clock").select(figure.alias(str(place)) for place, figure in enumerate(figures)).row(0)
    )
    apart = differences.filter(pl.col("by_clock") & ~pl.col("merged")).height
    return (tracker_a, tracker_b, metric, *matched, *clock, apart, _said(matched, clock, apart))


def _said(matched: tuple[float, ...], clock: tuple[float, ...], apart: int) -> str:
    if clock[0] < LEAST_PAIRS:
        return "too few pairs that clock and order alone would match: how far the matching flatters can't be bounded"
    share = f"{apart} of {int(clock[0])} pairs that clock and order would match were kept apart"
    if not (matched[2] and clock[2]):
        return share
    return f"{share}; with them the spread is {clock[2] / matched[2]:.2f} times what the table says"
