"""Alignment of all units' cells at once, in blocks that no pair connects."""

import numpy as np

from pipeline.matching.alignment.bands import Bands, Blocks, Cells
from pipeline.matching.alignment.forward_backward import Band, Steps, align, align_singles
from pipeline.matching.alignment.pruning import between_anchors, without_hopeless
from pipeline.matching.data.arrays import Bools, Floats, Ints, ranges

# cells of one batch of alignments: keeps the work in the processor's cache and memory small
_BATCH_CELLS = 20_000
# log evidence of one session of two files that have no pair near the clock path
_NOTHING = -30.0


def align_cells(bands: Bands, cells: Cells, evidence: Floats, steps: Steps, units: int) -> tuple[Floats, Floats]:
    """(posterior of each cell, log evidence of each unit); `steps` has one row per unit."""
    posterior, total = np.zeros(len(cells.unit)), np.zeros(units)
    kept, row, bands = between_anchors(bands, cells, evidence)
    left, bands = without_hopeless(bands, row, cells.column[kept], evidence[kept], cells.leads[kept])
    kept = kept[left]
    said, leads = evidence[kept], cells.leads[kept]
    blocks = bands.blocks
    ends = np.concatenate([blocks.cell[1:], [len(kept)]])
    single = (blocks.rows == 1) & (blocks.columns == 1)
    cell, unit = blocks.cell[single], blocks.unit[single]
    posterior[kept[cell]], log_evidence = align_singles(
        said[cell], leads[cell], Steps(*(column[unit] for column in steps))
    )
    np.add.at(total, unit, log_evidence)
    for batch in _batches(blocks, ends - blocks.cell, np.flatnonzero(~single)):
        inside = ranges(blocks.cell[batch], (ends - blocks.cell)[batch])
        result = align(_band(bands, blocks, batch, said[inside], leads[inside]), _steps_of(steps, blocks, batch))
        posterior[kept[inside]] = result.posterior
        np.add.at(total, blocks.unit[batch], result.log_evidence)
    total[~np.isin(np.arange(units), blocks.unit)] = _NOTHING
    return posterior, total


def _band(bands: Bands, blocks: Blocks, batch: Ints, evidence: Floats, leads: Bools) -> Band:
    rows = blocks.rows[batch]
    at, first_column = ranges(blocks.start[batch], rows), np.repeat(blocks.first_column[batch], rows)
    return Band(
        evidence=evidence,
        first_leads=leads,
        low=bands.low[at] - first_column,
        high=bands.high[at] - first_column,
        rows=rows,
        columns=blocks.columns[batch],
        clocked=bands.clocked[blocks.unit[batch]],
    )


def _steps_of(steps: Steps, blocks: Blocks, batch: Ints) -> Steps:
    """The units' steps; only the first block of a unit has its open beginning, only the last its open end."""
    own = Steps(*(column[blocks.unit[batch]] for column in steps))
    opens, closes = blocks.opens[batch], blocks.closes[batch]
    return own._replace(
        first_first_start=np.where(opens, own.first_first_start, own.first_first),
        first_first_end=np.where(closes, own.first_first_end, own.first_first),
        second_second_start=np.where(opens, own.second_second_start, own.second_second),
        second_second_end=np.where(closes, own.second_second_end, own.second_second),
    )


def _batches(blocks: Blocks, cells: Ints, some: Ints) -> list[Ints]:
    """Some blocks, the longest first: a batch takes as many steps as its longest block has rows."""
    order = some[np.argsort(-blocks.rows[some], kind="stable")]
    batch = np.cumsum(cells[order]) // _BATCH_CELLS
    return np.split(order, np.flatnonzero(np.diff(batch)) + 1) if len(order) else []
