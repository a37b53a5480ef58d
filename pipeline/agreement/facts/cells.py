"""The facts of one pair's nights by cell (night, station, pitch type), and the differences themselves: what table `agreement` is made from."""

import numpy as np
import polars as pl

from pipeline.agreement.facts.circular import difference, on_side, sides
from pipeline.agreement.facts.moments import Runs, first_rows, paired_moments, runs_of, total
from pipeline.agreement.facts.readings import CELL, Pair, metrics_of
from schemas.metrics import METRICS

FIGURES = ("n", "a", "b", "d", "aa", "bb", "ab", "dd")


def differences_of_pair(pair: Pair) -> pl.DataFrame:
    """CELL, `group` and `d.<metric>` (b - a; an angle's on the near side) of every pitch, in the pair's order."""
    apart = (difference(metric).alias(f"d.{metric}") for metric in metrics_of(pair.readings, "a."))
    return pair.readings.select(*CELL, "group", *apart)


def cells_of_pair(pair: Pair, differences: pl.DataFrame, tolerances: dict[str, float]) -> pl.DataFrame:
    """One row per cell: its pitches, and of each metric (an angle's sides apart) `n`, how many `beyond` the tolerance, means, sums of squares.

    `a`, `b`, `d` are means, `aa`, `bb`, `ab`, `dd` sums about them; an angle has the sums of `cos` and `sin` of its differences too.
    """
    runs = runs_of(differences, CELL)
    columns: dict[str, np.ndarray] = {}
    for metric in metrics_of(differences, "d."):
        read = differences[f"d.{metric}"], pair.readings[f"a.{metric}"], pair.readings[f"b.{metric}"]
        d, a, b = (values.cast(pl.Float64).to_numpy() for values in read)
        columns |= _of_metric(metric, a, b, d, tolerances[metric], runs)
    keys = first_rows(differences.select(CELL), runs)
    return keys.with_columns(
        pl.lit(pair.tracker_a).alias("tracker_a"),
        pl.lit(pair.tracker_b).alias("tracker_b"),
        pl.Series("pitches", runs.counts),
        *(pl.Series(name, values) for name, values in columns.items()),
    )


def numbered(cells: list[pl.DataFrame], differences: list[pl.DataFrame]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The cells of all pairs and their differences, each with `cell`, the cell's number within its night: by pair, station, pitch type.

    The differences are of the metrics that a pair has read.
    """
    placed = pl.concat(cells).with_row_index("place").sort("baseball_day", maintain_order=True)
    placed = placed.with_columns(cell=pl.int_range(pl.len(), dtype=pl.UInt32).over("baseball_day"))
    by_place = placed.sort("place")
    of_pitch = np.repeat(by_place["cell"].to_numpy(), by_place["pitches"].to_numpy())
    keys = ["baseball_day", "cell"]
    apart = pl.concat(part.drop("station", "pitch_type", "group") for part in differences)
    apart = apart.with_columns(pl.Series("cell", of_pitch)).sort(keys, maintain_order=True)
    # years of them are read every night, and a column of nulls takes as long as one of numbers
    read = [name for name in apart.columns if name not in keys and apart[name].null_count() < apart.height]
    return placed.select(*keys, pl.exclude(*keys, "place")), apart.select(*keys, *read)


def _of_metric(
    metric: str, a: np.ndarray, b: np.ndarray, d: np.ndarray, tolerance: float, runs: Runs
) -> dict[str, np.ndarray]:
    columns = {f"beyond.{metric}": total((np.abs(d) > tolerance).astype(float), runs)}
    for side in sides(metric):
        found = paired_moments(a, b, on_side(d, side), runs)
        columns |= {f"{name}.{metric}{side}": values for name, values in zip(FIGURES, found, strict=True)}
    if METRICS[metric].circular:
        for name, turned in (("cos", np.cos(np.radians(d))), ("sin", np.sin(np.radians(d)))):
            columns[f"{name}.{metric}"] = total(np.where(np.isnan(d), 0.0, turned), runs)
    return columns
