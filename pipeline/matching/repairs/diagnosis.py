"""Which stream pairs a round did not settle."""

import numpy as np
import polars as pl

from pipeline.matching.alignment.align_round import Fit
from pipeline.matching.alignment.bands import Cells
from pipeline.matching.alignment.search import Search
from pipeline.matching.data.arrays import Bools, Ints
from pipeline.matching.data.days import Days

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# A settled stream pair has matches for more than this share of its smaller stream ...
_SETTLED_MATCHED = 0.75
# ... of which more than this share with fine clocks ...
_SETTLED_SURE = 0.9
# ... or this share without ...
_SETTLED_SURE_UNTIMED = 0.8
# ... is above this posterior.
_SURE = 0.99
# A clock with a smaller spread than this, in seconds, is fine enough to settle a pair.
_FINE_SIGMA_S = 1.0
# A stream with matches in other stream pairs for more than this share of its records is matched elsewhere.
_NEARLY_ALL = 0.8


def find_unsettled(days: Days, search: Search, fit: Fit) -> Ints:
    """Return the stream pairs whose result another look may change.

    They have many unmatched records, or doubtful pairs for what their clocks allow, or pairs against the evidence of
    their readings, whose model was wrong.
    """
    cells, matched = fit.cells, fit.matched
    sure = np.bincount(cells.stream_pair, cells.posterior * (cells.posterior > _SURE), len(days))
    clocks = [region.clock for region in search.regions]
    fine = np.array([clock is not None and clock.sigma_s < _FINE_SIGMA_S for clock in clocks], dtype=bool)
    evidence = np.bincount(cells.stream_pair, cells.posterior * (cells.readings + cells.label), len(days))
    is_sure = sure > np.where(fine, _SETTLED_SURE, _SETTLED_SURE_UNTIMED) * matched
    settled = (matched > _SETTLED_MATCHED * days.smaller_size) & is_sure & (evidence > 0)
    unsettled = ~settled | (~fine & unmatched_at_an_end(days, cells))
    return np.flatnonzero(~is_matched_elsewhere(days, fit) & unsettled)


def unmatched_at_an_end(days: Days, cells: Cells) -> Bools:
    """Return the stream pairs where both streams extend beyond all matches.

    Both have records before the first match, or both after the last: the clock may have been reset there.
    """
    sizes = pl.DataFrame(
        [(p, *streams.shape) for p, streams in enumerate(days.stream_pairs)],
        schema={"pair": pl.Int64, "n": pl.Int64, "m": pl.Int64},
        orient="row",
    )
    matched = pl.DataFrame({"pair": cells.stream_pair, "i": cells.i, "j": cells.j}).filter(cells.posterior > 0.5)
    ends = matched.group_by("pair").agg(
        first_i=pl.min("i"), first_j=pl.min("j"), last_i=pl.max("i"), last_j=pl.max("j")
    )
    at_start = (pl.col("first_i") > 0) & (pl.col("first_j") > 0)
    at_end = (pl.col("last_i") < pl.col("n") - 1) & (pl.col("last_j") < pl.col("m") - 1)
    both = sizes.join(ends, on="pair", how="left", maintain_order="left")
    return both.select((at_start | at_end).fill_null(False).alias("unmatched"))["unmatched"].to_numpy()


def is_matched_elsewhere(days: Days, fit: Fit) -> Bools:
    """Return the stream pairs that are no session but are matched elsewhere.

    One of their streams is matched in other stream pairs of the two trackers.
    """
    matched = fit.matched
    total: dict[tuple[tuple[int, int], int], float] = {}
    for p, streams in enumerate(days.stream_pairs):
        for number in streams.numbers:
            key = streams.trackers, number
            total[key] = total.get(key, 0.0) + float(matched[p])
    share = [
        max(
            (total[streams.trackers, number] - matched[p]) / size
            for number, size in zip(streams.numbers, streams.shape, strict=True)
        )
        for p, streams in enumerate(days.stream_pairs)
    ]
    return np.asarray((fit.log_evidence < 0) & (np.array(share) > _NEARLY_ALL))
