"""Alignment of all units' cells at once, in blocks that no pair connects: those of like shape go together."""

import numpy as np

from pipeline.matching.alignment import Band, Steps, align
from pipeline.matching.arrays import Bools, Floats, Ints
from pipeline.matching.bands import Bands, Blocks, Cells
from pipeline.matching.narrowing import between_anchors, without_hopeless

# padded cells of one batch of alignments: keeps the work in the processor's cache and memory small
_BATCH_CELLS = 200_000
# log evidence of one session of two files that have no pair near the clock path
_NOTHING = -30.0


def align_cells(bands: Bands, cells: Cells, evidence: Floats, steps: Steps, units: int) -> tuple[Floats, Floats]:
    """(posterior of each cell, log evidence of each unit); `steps` has one row per unit. Blocks of like shape go together."""
    posterior, total = np.zeros(len(cells.unit)), np.zeros(units)
    kept, row, bands = between_anchors(bands, cells, evidence)
    left, bands = without_hopeless(bands, row, cells.column[kept], evidence[kept], cells.leads[kept])
    kept, row = kept[left], row[left]
    column, said, leads = cells.column[kept], evidence[kept], cells.leads[kept]
    blocks = bands.blocks
    ends = np.concatenate([blocks.cell[1:], [len(kept)]])
    for batch in _batches(blocks):
        inside = _ranges(blocks.cell[batch], ends[batch])
        b = np.repeat(np.arange(len(batch)), ends[batch] - blocks.cell[batch])
        local = row[inside] - blocks.start[batch][b]
        at = column[inside] - bands.low[row[inside]]
        band = _dense(bands, blocks, batch, (b, local, at), said[inside], leads[inside])
        result = align(band, _steps_of(steps, blocks, batch))
        posterior[kept[inside]] = result.posterior[b, local, at]
        np.add.at(total, blocks.unit[batch], result.log_evidence)
    total[~np.isin(np.arange(units), blocks.unit)] = _NOTHING
    return posterior, total


def _ranges(start: Ints, end: Ints) -> Ints:
    """start[0]..end[0]-1, start[1]..end[1]-1, ..."""
    size = end - start
    return np.asarray(np.arange(int(size.sum())) + np.repeat(start - (np.cumsum(size) - size), size))


def _dense(
    bands: Bands, blocks: Blocks, batch: Ints, places: tuple[Ints, Ints, Ints], evidence: Floats, leads: Bools
) -> Band:
    rows, width = int(blocks.rows[batch].max()), int(blocks.width[batch].max())
    b, local, at = places
    dense = np.full((len(batch), rows, width), -np.inf)
    dense[b, local, at] = evidence
    ahead = np.ones((len(batch), rows, width + 1), dtype=bool)
    # with clocks, what lies left of the window is earlier
    ahead[:, :, 0] = ~bands.clocked[blocks.unit[batch]][:, None]
    ahead[b, local, at + 1] = leads
    place = np.minimum(blocks.start[batch][:, None] + np.arange(rows), (blocks.start + blocks.rows - 1)[batch][:, None])
    low = bands.low[place] - blocks.first_column[batch][:, None]
    return Band(dense, ahead, low, (bands.high - bands.low + 1)[place], blocks.rows[batch], blocks.columns[batch])


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


def _batches(blocks: Blocks) -> list[Ints]:
    """Blocks of like shape: at most twice as many rows as the least, and so many cells at once."""
    order = np.lexsort((np.arange(len(blocks.rows)), blocks.width, np.ceil(np.log2(blocks.rows))))
    batches: list[Ints] = []
    start = 0
    rows, width = blocks.rows[order].tolist(), blocks.width[order].tolist()
    while start < len(order):
        most_rows, most_width, end = rows[start], width[start], start + 1
        limit = max(2 * most_rows, 4)
        while end < len(order):
            next_rows, next_width = max(most_rows, rows[end]), max(most_width, width[end])
            too_wide = next_width > 2 * width[start] + 4
            if next_rows > limit or too_wide or next_rows * (next_width + 2) * (end + 1 - start) > _BATCH_CELLS:
                break
            most_rows, most_width, end = next_rows, next_width, end + 1
        batches.append(order[start:end])
        start = end
    return batches
