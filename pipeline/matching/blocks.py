"""Alignment of all units' cells at once, in blocks that no pair connects: those of like shape go together."""

import numpy as np

from pipeline.matching.alignment import Band, Steps, align, align_singles
from pipeline.matching.arrays import Bools, Floats, Ints
from pipeline.matching.bands import Bands, Blocks, Cells
from pipeline.matching.narrowing import between_anchors, without_hopeless

# padded cells of one batch of alignments: keeps the work in the processor's cache and memory small
_BATCH_CELLS = 200_000
# what a row costs whatever its length, in cells, and a batch whatever its rows, in rows: measured (half or twice as much costs 5 % more)
_COST_OF_ROW, _COST_OF_BATCH = 250, 4
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
    single = (blocks.rows == 1) & (blocks.columns == 1)
    cell, unit = blocks.cell[single], blocks.unit[single]
    posterior[kept[cell]], log_evidence = align_singles(
        said[cell], leads[cell], Steps(*(column[unit] for column in steps))
    )
    np.add.at(total, unit, log_evidence)
    for batch in _batches(blocks, np.flatnonzero(~single)):
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


def _batches(blocks: Blocks, some: Ints) -> list[Ints]:
    """Of some blocks those of like shape together, and unlike ones too where padding them costs less than a batch of their own."""
    parts: list[list[Ints]] = []
    shapes: list[tuple[int, int, int]] = []
    for part in _alike(blocks, some):
        own = (int(blocks.rows[part].max()), int(blocks.width[part].max()), len(part))
        joined = [(max(r, own[0]), max(w, own[1]), n + own[2]) for r, w, n in shapes]
        more = [_cost(*new) - _cost(*old) for new, old in zip(joined, shapes, strict=True)]
        best = int(np.argmin(more)) if more else -1
        if more and more[best] <= _cost(*own):
            parts[best].append(part)
            shapes[best] = joined[best]
        else:
            parts.append([part])
            shapes.append(own)
    return [
        batch
        for (rows, width, _), several in zip(shapes, parts, strict=True)
        for batch in _cut(np.concatenate(several), max(_BATCH_CELLS // (rows * (width + 2)), 1))
    ]


def _alike(blocks: Blocks, some: Ints) -> list[Ints]:
    """Those whose rows and widths are within a factor of 1.5 of each other's, largest first."""
    shape = np.ceil(2 * np.log2(np.maximum(np.stack([blocks.width[some], blocks.rows[some]]), 1)))
    order = np.lexsort(-shape)
    turns = (np.diff(shape[:, order]) != 0).any(axis=0)
    return np.split(some[order], np.flatnonzero(turns) + 1) if len(order) else []


def _cut(blocks: Ints, size: int) -> list[Ints]:
    return np.split(blocks, np.arange(size, len(blocks), size))


def _cost(rows: int, width: int, blocks: int) -> int:
    """Of aligning so many blocks at once, in padded cells: each row costs as much as these and some more, each batch as much as rows."""
    return (rows + _COST_OF_BATCH) * (_COST_OF_ROW + blocks * (width + 2))
