"""Remove impossible values from the sightings, with the reason: a single reading becomes null, a row without a credible reading is quarantined.

Each row of each export is judged by itself, before duplicates are removed: what another export holds under the same id changes nothing here.
"""

from collections.abc import Mapping
from typing import NamedTuple

import polars as pl

from schemas.metrics import METRICS

# rules of the sport: before a pitch there are at most 3 balls, 2 strikes and 2 outs; innings start at 1. Innings have no upper limit: a
# number above 30 is taken for a typing error (common practice, no source)
SITUATION_LIMITS: dict[str, tuple[int, int]] = {"inning": (1, 30), "outs": (0, 2), "balls": (0, 3), "strikes": (0, 2)}
# no pitch was tracked before this year: an earlier stamp is a clock that was never set
FIRST_YEAR = 1990
# numbers the rows: a sighting_id is that of several exports' rows until duplicates are removed
_ROW = "row"
_MISREAD_FIX = "nothing to do for a single misread; if many rows show it, check the unit in the profile, or set [limits] in ledger.toml"


class Checked(NamedTuple):
    """`sightings`: the rows that remain. `quarantine`: a line for each removed row (level row) and each nulled value (level value)."""

    sightings: pl.DataFrame
    quarantine: pl.DataFrame


def check_sightings(
    sightings: pl.DataFrame, limits: Mapping[str, tuple[float, float]], file_names: Mapping[str, str]
) -> Checked:
    """Null readings beyond their limits, and quarantine rows without any credible reading.

    `limits` overrides the metrics' own `low` and `high`, in the metric's unit; `file_names` gives the file name of each file_id.
    A row is quarantined when it has two readings or more and every one is impossible, or when its day lies before 1990.
    """
    # in one piece: polars 2.1 panics when it formats the values of an empty chunk
    sightings = sightings.rechunk().with_row_index(_ROW)
    ranges = {name: limits.get(name, (metric.low, metric.high)) for name, metric in METRICS.items()} | SITUATION_LIMITS
    impossible = pl.concat([_beyond_limits(sightings, name, *ends) for name, ends in ranges.items()])
    no_credible_reading = _without_credible_reading(sightings, impossible)
    bad_days = sightings.filter(pl.col("baseball_day").dt.year() < FIRST_YEAR).select(
        _ROW,
        pl.lit("row").alias("level"),
        pl.lit(None, pl.String).alias("metric"),
        pl.col("baseball_day").cast(pl.String).alias("value"),
        pl.format("the day {} is before {}", pl.col("baseball_day"), pl.lit(FIRST_YEAR)).alias("reason"),
        pl.lit("set the tracker's clock, or correct the formats in [time] of the profile").alias("fix"),
    )
    removed = pl.concat([no_credible_reading, bad_days.get_column(_ROW)]).unique()
    faults = impossible.with_columns(
        level=pl.when(pl.col(_ROW).is_in(removed.implode())).then(pl.lit("row")).otherwise(pl.lit("value"))
    )
    lines = pl.concat([faults, bad_days.select(faults.columns)])
    kept = sightings.filter(~pl.col(_ROW).is_in(removed.implode())).drop(_ROW)
    return Checked(_nulled(kept, ranges), _quarantine_lines(lines, sightings, file_names))


def _beyond_limits(sightings: pl.DataFrame, name: str, low: float, high: float) -> pl.DataFrame:
    """Return a line for each reading of one column outside `low` to `high`."""
    value = pl.col(name).cast(pl.Float64)
    unit = METRICS[name].unit if name in METRICS else ""
    words = METRICS[name].words if name in METRICS else name.replace("_", " ")
    text = value.round(4).cast(pl.String).str.strip_suffix(".0")
    reading = pl.format(f"{words} {{}}{f' {unit}' if unit not in ('', 'ratio') else ''} is ", text)
    return sightings.filter(value.is_not_null() & ~value.is_between(low, high)).select(
        _ROW,
        pl.lit("value").alias("level"),
        pl.lit(name).alias("metric"),
        value.round(4).cast(pl.String).alias("value"),
        pl.concat_str(
            reading, pl.when(value < low).then(pl.lit(f"below {low:g}")).otherwise(pl.lit(f"above {high:g}"))
        ).alias("reason"),
        pl.lit(_MISREAD_FIX).alias("fix"),
    )


def _without_credible_reading(sightings: pl.DataFrame, impossible: pl.DataFrame) -> pl.Series:
    """Return the numbers of rows with two readings or more, all of them impossible."""
    wrong = impossible.filter(pl.col("metric").is_in(list(METRICS))).group_by(_ROW).agg(wrong=pl.len())
    measured = pl.sum_horizontal(pl.col(name).is_not_null() for name in METRICS).alias("measured")
    counted = sightings.select(_ROW, measured).join(wrong, on=_ROW)
    return counted.filter((pl.col("wrong") >= 2) & (pl.col("wrong") == pl.col("measured"))).get_column(_ROW)


def _nulled(sightings: pl.DataFrame, ranges: Mapping[str, tuple[float, float]]) -> pl.DataFrame:
    return sightings.with_columns(
        pl.when(pl.col(name).cast(pl.Float64).is_between(low, high)).then(pl.col(name)).alias(name)
        for name, (low, high) in ranges.items()
    )


def _quarantine_lines(lines: pl.DataFrame, sightings: pl.DataFrame, file_names: Mapping[str, str]) -> pl.DataFrame:
    where = sightings.select(_ROW, "tracker", "file_id", "file_row")
    return lines.join(where, on=_ROW, how="left").select(
        "level",
        "tracker",
        "file_id",
        pl.col("file_id").replace_strict(file_names, default="", return_dtype=pl.String).alias("file_name"),
        "file_row",
        pl.lit(None, pl.String).alias("column"),
        "metric",
        "value",
        "reason",
        "fix",
    )
