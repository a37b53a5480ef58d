"""Facts of one pair's nights per cell, and the differences themselves.

A cell is a night, station and pitch type. Table `agreement` is made from these.
"""

import numpy as np
import polars as pl

from pipeline.agreement.facts.circular import branches, difference, on_branch
from pipeline.agreement.facts.moments import Segments, first_rows, paired_moments, segment_by, segment_sum
from pipeline.agreement.facts.readings import CELL, Pair, metrics_in
from schemas.metrics import METRICS

# The first eight fields of NightMoments, with a and b for the readings x and y.
MOMENTS = ("n", "a", "b", "d", "aa", "bb", "ab", "dd")


def differences_of_pair(pair: Pair) -> pl.DataFrame:
    """Return CELL, `group` and `d.<metric>` of every pitch, in the pair's order.

    A difference is b - a, an angle's on the near branch.
    """
    columns = (difference(metric).alias(f"d.{metric}") for metric in metrics_in(pair.readings, "a."))
    return pair.readings.select(*CELL, "group", *columns)


def cells_of_pair(pair: Pair, differences: pl.DataFrame, tolerances: dict[str, float]) -> pl.DataFrame:
    """Return one row per cell: pitches and, per metric, `beyond` and the MOMENTS.

    An angle has a set of columns per branch. `beyond` counts differences beyond the tolerance. `a`, `b`, `d` are means, `aa`, `bb`, `ab`,
    `dd` sums of squares and products about them. An angle also has the sums `cos` and `sin` of its differences.
    """
    segments = segment_by(differences, CELL)
    columns: dict[str, np.ndarray] = {}
    for metric in metrics_in(differences, "d."):
        series = differences[f"d.{metric}"], pair.readings[f"a.{metric}"], pair.readings[f"b.{metric}"]
        d, a, b = (values.cast(pl.Float64).to_numpy() for values in series)
        beyond = (np.abs(d) > tolerances[metric]).astype(float)
        columns |= {f"beyond.{metric}": segment_sum(beyond, segments)} | _moments(metric, a, b, d, segments)
    keys = first_rows(differences.select(CELL), segments)
    return keys.with_columns(
        pl.lit(pair.tracker_a).alias("tracker_a"),
        pl.lit(pair.tracker_b).alias("tracker_b"),
        pl.Series("pitches", segments.counts),
        *(pl.Series(name, values) for name, values in columns.items()),
    )


def number_cells(cells: list[pl.DataFrame], differences: list[pl.DataFrame]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Join the cells and the differences of all pairs.

    `cell` numbers a night's cells by pair, station and pitch type. Metrics that no pair has read are dropped from the differences.
    """
    numbered = pl.concat(cells).with_row_index("index").sort("baseball_day", maintain_order=True)
    numbered = numbered.with_columns(cell=pl.int_range(pl.len(), dtype=pl.UInt32).over("baseball_day"))
    in_input_order = numbered.sort("index")
    cell_by_pitch = np.repeat(in_input_order["cell"].to_numpy(), in_input_order["pitches"].to_numpy())
    keys = ["baseball_day", "cell"]
    joined = pl.concat(part.drop("station", "pitch_type", "group") for part in differences)
    joined = joined.with_columns(pl.Series("cell", cell_by_pitch)).sort(keys, maintain_order=True)
    # every run reads years of these columns, and a column of nulls takes as long as one of numbers
    read = [name for name in joined.columns if name not in keys and joined[name].null_count() < joined.height]
    return numbered.select(*keys, pl.exclude(*keys, "index")), joined.select(*keys, *read)


def _moments(metric: str, a: np.ndarray, b: np.ndarray, d: np.ndarray, segments: Segments) -> dict[str, np.ndarray]:
    columns: dict[str, np.ndarray] = {}
    for branch in branches(metric):
        moments = paired_moments(a, b, on_branch(d, branch), segments)
        columns |= {f"{name}.{metric}{branch}": values for name, values in zip(MOMENTS, moments, strict=True)}
    if METRICS[metric].circular:
        for name, component in (("cos", np.cos(np.radians(d))), ("sin", np.sin(np.radians(d)))):
            columns[f"{name}.{metric}"] = segment_sum(np.where(np.isnan(d), 0.0, component), segments)
    return columns
