"""The cells of all nights and the differences in them, ready to be sliced.

Metrics are columns of every array.
"""

from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.facts.circular import FAR, NEAR, Branch, choose_branch, on_branch
from pipeline.agreement.facts.moments import Segments, repeat_per_row
from pipeline.agreement.facts.readings import metrics_in, sort_by_rank
from schemas.metrics import METRICS

_PAIR = ["tracker_a", "tracker_b"]


class AllNights(NamedTuple):
    """Cells of all nights in order of night and cell, and the differences in them.

    `pair` is each cell's index in `pairs`, `night` its day as a number. `cell_rows` are the cells' segments of differences, `differences` holds
    them by metric, on the branch on which the pair's differences lie together; `branch` holds that branch, pairs x metrics.
    """

    pairs: list[tuple[str, str]]
    metrics: list[str]
    cells: pl.DataFrame
    pair: np.ndarray
    night: np.ndarray
    cell_rows: Segments
    differences: dict[str, np.ndarray]
    branch: Branch

    def branch_of(self, pair: tuple[str, str], metric: str) -> tuple[str, float]:
        """Return the branch of a pair's metric and the offset of its differences.

        The branch is the ending of its fact columns, NEAR or FAR.
        """
        at = self.pairs.index(pair), self.metrics.index(metric)
        return FAR if self.branch.far[at] else NEAR, float(self.branch.offset[at])

    def figure(self, name: str) -> np.ndarray:
        """Return one of cells.MOMENTS, cells x metrics, on each pair's branch."""
        columns = []
        for index, metric in enumerate(self.metrics):
            column = self.cells[f"{name}.{metric}{NEAR}"].to_numpy()
            if METRICS[metric].circular:
                far = self.cells[f"{name}.{metric}{FAR}"].to_numpy()
                column = np.where(self.branch.far[self.pair, index], far, column)
            columns.append(column + self.branch.offset[self.pair, index] if name == "d" else column)
        return np.column_stack(columns)


def all_nights(cells: pl.DataFrame, differences: pl.DataFrame, ranks: dict[str, int]) -> AllNights:
    """Prepare `cells` and `differences` of NightFacts, nights in any order.

    Keeps the metrics that some pair has in common.
    """
    if cells.is_empty():
        none = np.empty(0, np.int64)
        no_branch = choose_branch(np.empty((0, 0)), np.empty((0, 0)))
        return AllNights([], [], cells, none, none, Segments(none, none), {}, no_branch)
    # a night's facts lack the columns of a metric that was not read then
    cells = cells.with_columns(pl.selectors.float().fill_null(0.0)).sort("baseball_day", "cell")
    differences = _sort_by_cell(differences)
    pairs, pair = _number_pairs(cells, ranks)
    # a metric that no pair has in common would cost as much as one that all have
    metrics = [metric for metric in metrics_in(differences, "d.") if (cells[f"n.{metric}"] > 0).any()]
    counts = cells["pitches"].to_numpy().astype(np.int64)
    cell_rows = Segments(np.cumsum(counts) - counts, counts)
    branch = _branches(cells, metrics, pair, len(pairs))
    by_metric = {
        metric: _on_pair_branch(
            differences[f"d.{metric}"].to_numpy(),
            Branch(branch.far[:, index][pair], branch.offset[:, index][pair]),
            cell_rows,
        )
        for index, metric in enumerate(metrics)
    }
    night = cells["baseball_day"].to_physical().to_numpy().astype(np.int64)
    return AllNights(pairs, metrics, cells, pair, night, cell_rows, by_metric, branch)


def count_shared_readings(nights: AllNights) -> np.ndarray:
    """Count the pitches that both trackers measured, pairs x metrics."""
    counts = np.zeros((len(nights.pairs), len(nights.metrics)))
    if nights.metrics:
        np.add.at(counts, nights.pair, nights.figure("n"))
    return counts


def _sort_by_cell(differences: pl.DataFrame) -> pl.DataFrame:
    """Sort by night and cell, unless they are in order already.

    The check is cheaper than a sort.
    """
    night, cell = differences["baseball_day"].to_physical().to_numpy(), differences["cell"].to_numpy()
    later = night[1:] > night[:-1]
    if (later | ((night[1:] == night[:-1]) & (cell[1:] >= cell[:-1]))).all():
        return differences
    return differences.sort("baseball_day", "cell", maintain_order=True)


def _number_pairs(cells: pl.DataFrame, ranks: dict[str, int]) -> tuple[list[tuple[str, str]], np.ndarray]:
    """Return the pairs in order of rank, and the index of each cell's pair among them."""
    trackers = pl.concat([cells[name] for name in _PAIR]).unique().to_list()
    index = {tracker: number for number, tracker in enumerate(sort_by_rank(trackers, ranks))}
    pairs = sorted(cells.select(_PAIR).unique().rows(), key=lambda pair: (index[pair[0]], index[pair[1]]))
    numbers = pl.DataFrame(pairs, schema=_PAIR, orient="row").with_row_index("pair")
    numbered = cells.select(_PAIR).join(numbers, on=_PAIR, maintain_order="left")
    return pairs, numbered["pair"].to_numpy().astype(np.int64)


def _branches(cells: pl.DataFrame, metrics: list[str], pair: np.ndarray, pairs: int) -> Branch:
    """Choose the branch of each pair and metric, pairs x metrics."""
    sums = np.zeros((2, pairs, len(metrics)))
    for index, metric in enumerate(metrics):
        if METRICS[metric].circular:
            for component, name in enumerate(("cos", "sin")):
                sums[component, :, index] = np.bincount(pair, cells[f"{name}.{metric}"].to_numpy(), pairs)
    return choose_branch(sums[0], sums[1])


def _on_pair_branch(near: np.ndarray, branch_by_cell: Branch, cell_rows: Segments) -> np.ndarray:
    """Move one metric's differences to the branch of their pair."""
    if not branch_by_cell.far.any():
        return near
    far, offset = (repeat_per_row(values, cell_rows) for values in branch_by_cell)
    return np.where(far, on_branch(near, FAR) + offset, near)
