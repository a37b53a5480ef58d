"""Run forward-backward over all stream pairs, pruned and cut into blocks."""

import numpy as np

from pipeline.matching.alignment.bands import Bands, Blocks, Cells
from pipeline.matching.alignment.forward_backward import (
    Alignments,
    Band,
    Moves,
    Transitions,
    forward_backward,
    single_records,
)
from pipeline.matching.alignment.pruning import drop_hopeless, keep_between_anchors
from pipeline.matching.data.arrays import Bools, Floats, Ints, ranges

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# Cells of one batch of blocks: keeps the work in the processor's cache.
_BATCH_CELLS = 20_000
# Log evidence that two streams show one session if they have no pair near the clock path.
_NO_PAIR = -30.0


def posterior_of_cells(bands: Bands, cells: Cells, transitions: Transitions) -> tuple[Floats, Floats, Moves]:
    """Return (posterior by cell, log evidence and expected moves by stream pair).

    `transitions` has one row per stream pair.
    """
    evidence, pairs = cells.evidence, len(bands.is_clocked)
    posterior, log_evidence = np.zeros(len(evidence)), np.zeros(pairs)
    moves = Moves(*(np.zeros(pairs) for _ in Moves._fields))
    kept, row, bands = keep_between_anchors(bands, cells, evidence)
    left, bands = drop_hopeless(bands, row, cells.column[kept], evidence[kept], cells.first_is_earlier[kept])
    kept = kept[left]
    evidence, first_is_earlier, blocks = evidence[kept], cells.first_is_earlier[kept], bands.blocks
    size = np.diff(np.append(blocks.cell, len(kept)))
    single = (blocks.rows == 1) & (blocks.columns == 1)
    cell, pair = blocks.cell[single], blocks.stream_pair[single]
    singles = single_records(evidence[cell], first_is_earlier[cell], transitions.take(pair))
    posterior[kept[cell]] = singles.posterior
    _add(log_evidence, moves, pair, singles)
    for batch in _batches(blocks, size, np.flatnonzero(~single)):
        inside = ranges(blocks.cell[batch], size[batch])
        band = _band(bands, batch, evidence[inside], first_is_earlier[inside])
        result = forward_backward(band, _block_transitions(transitions, blocks, batch))
        posterior[kept[inside]] = result.posterior
        _add(log_evidence, moves, blocks.stream_pair[batch], result)
    log_evidence[~np.isin(np.arange(pairs), blocks.stream_pair)] = _NO_PAIR
    return posterior, log_evidence, moves


def _add(log_evidence: Floats, moves: Moves, pair: Ints, result: Alignments) -> None:
    """Add the results of blocks to those of their stream pairs."""
    np.add.at(log_evidence, pair, result.log_evidence)
    for total, of_blocks in zip(moves, result.moves, strict=True):
        np.add.at(total, pair, of_blocks)


def _band(bands: Bands, batch: Ints, evidence: Floats, first_is_earlier: Bools) -> Band:
    blocks = bands.blocks
    rows = blocks.rows[batch]
    row, first_column = ranges(blocks.start[batch], rows), np.repeat(blocks.first_column[batch], rows)
    return Band(
        evidence=evidence,
        first_is_earlier=first_is_earlier,
        low=bands.low[row] - first_column,
        high=bands.high[row] - first_column,
        rows=rows,
        columns=blocks.columns[batch],
        is_clocked=bands.is_clocked[blocks.stream_pair[batch]],
    )


def _block_transitions(transitions: Transitions, blocks: Blocks, batch: Ints) -> Transitions:
    """Return the transitions of blocks.

    Only the first block of a stream pair has its start, only the last its end.
    """
    t = transitions.take(blocks.stream_pair[batch])
    is_first, is_last = blocks.is_first[batch], blocks.is_last[batch]
    return t._replace(
        first_first_start=np.where(is_first, t.first_first_start, t.first_first),
        first_first_end=np.where(is_last, t.first_first_end, t.first_first),
        second_second_start=np.where(is_first, t.second_second_start, t.second_second),
        second_second_end=np.where(is_last, t.second_second_end, t.second_second),
    )


def _batches(blocks: Blocks, cells: Ints, chosen: Ints) -> list[Ints]:
    """Split the chosen blocks into batches, longest first.

    A batch takes as many steps as its longest block has rows.
    """
    order = chosen[np.argsort(-blocks.rows[chosen], kind="stable")]
    batch = np.cumsum(cells[order]) // _BATCH_CELLS
    return np.split(order, np.flatnonzero(np.diff(batch)) + 1) if len(order) else []
