"""Limit the certainty of records that stayed alone where another tracker's records stayed alone, too.

The alignment's posterior holds if its clock, its order and its models are right. Where two trackers at one mound both have a run of
records without partners, between the same two sure pairs or in two files that were not matched at all, the likelier explanation is often
that one of these is wrong. Nothing in the data decides it, so both explanations get the same prior, and the records become doubtful.
"""

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.matching.alignment.search import SearchRegion
from pipeline.matching.data.arrays import Bools, Floats, Ints
from pipeline.matching.data.records import LABELS
from pipeline.matching.data.streams import StreamPair
from pipeline.matching.pitches.final_fit import FinalFit
from pipeline.matching.pitches.pairs import PROBABILITY_DECIMALS

# Probability that the two runs are the same throws, before labels and times count: we cannot know.
_SAME_THROWS = 0.5
# A pair above this posterior closes a gap between runs.
_SURE = 0.9
# Up to this many records alone on either side are what dropouts leave; the alignment weighs them well.
_USUAL_RUN = 1
# Half of the effect is reached with so many more. Common practice, no source.
_HALF_EFFECT = 3
# A clock that was found may have a step that was not, of up to this many seconds, beside the width of a stamp ...
_FOUND_CLOCK_S = 120.0
# ... and one that was not found may be off by so many. Common practice, no source.
_UNKNOWN_CLOCK_S = 900.0
# A clock that was not found may also be off by one hour, as after a change to daylight saving time.
_HOURS_S = np.array([-3600.0, 0.0, 3600.0])
_PITCHER = list(LABELS).index("pitcher")


def limit_unexplained_singles(matches: pl.DataFrame, final: FinalFit) -> pl.DataFrame:
    """Lower the probability of singles that may repeat a run of another tracker's singles.

    For a record in a run of a singles facing b singles: p becomes p (1 - s c min(1, b / a)), with s at most 1/2, lower where the pitcher's
    label is not among the other run's, and c = k / (k + 3) for k = min(a, b) - 1.
    """
    factor = pl.DataFrame({"sighting_id": final.records.frame["sighting_id"], "factor": chance_alone(final)})
    joined = matches.join(factor, on="sighting_id", how="left", maintain_order="left")
    lowered = (pl.col("match_probability") * pl.col("factor").fill_null(1.0)).round(PROBABILITY_DECIMALS)
    alone = pl.col("decided_by") == "single"
    return joined.with_columns(match_probability=pl.when(alone).then(lowered).otherwise("match_probability")).drop(
        "factor"
    )


def chance_alone(final: FinalFit) -> Floats:
    """Return (records,) the factor on the probability that a record has no partner."""
    cells, tracker = final.fit.cells, final.records.tracker
    matched = np.zeros((len(tracker), int(tracker.max(initial=0)) + 1))
    np.add.at(matched, (cells.first, tracker[cells.second]), cells.posterior)
    np.add.at(matched, (cells.second, tracker[cells.first]), cells.posterior)
    factor = np.ones(len(tracker))
    starts = np.searchsorted(cells.stream_pair, np.arange(len(final.stream_pairs) + 1))
    for p, (streams, region) in enumerate(zip(final.stream_pairs, final.regions, strict=True)):
        own = slice(starts[p], starts[p + 1])
        sure = cells.posterior[own] > _SURE
        pairs = (streams.first, streams.second), (streams.second, streams.first)
        # positions of the records without partners
        alone = [np.flatnonzero(matched[this.rows, other.tracker] < 1 - _SURE) for this, other in pairs]
        gap = [
            g[at] for g, at in zip(_gaps_between(cells.i[own][sure], cells.j[own][sure], streams), alone, strict=True)
        ]
        rows = [stream.rows[at] for (stream, _), at in zip(pairs, alone, strict=True)]
        label = [final.records.labels[r, _PITCHER] for r in rows]
        facing = (gap[0][:, None] == gap[1]) & _near_in_time(streams, region, final.fit.same_session[p], alone)
        agree = float(final.models.labels.same[final.model_of[p], _PITCHER])
        factor[rows[0]] *= 1 - _chance_of_partner(facing, label[0], label[1], agree)
        factor[rows[1]] *= 1 - _chance_of_partner(facing.T, label[1], label[0], agree)
    return factor


def _gaps_between(i: Ints, j: Ints, streams: StreamPair) -> tuple[Ints, Ints]:
    """Return for the records of both streams how many sure pairs come before them."""
    n, m = streams.shape
    before_first, before_second = np.zeros(n + 1, dtype=np.int64), np.zeros(m + 1, dtype=np.int64)
    # crossed pairs close one gap together
    np.add.at(before_first, np.sort(i) + 1, 1)
    np.add.at(before_second, np.sort(j) + 1, 1)
    return np.cumsum(before_first)[:n], np.cumsum(before_second)[:m]


def _near_in_time(streams: StreamPair, region: SearchRegion, same_session: float, at: Sequence[Ints]) -> Bools:
    """Return (first, second) whether two records, given by position, may be of one time; yes where either has no stamp."""
    first_s, second_s = streams.first.filled_s, streams.second.filled_s
    reach_s, hours_s = _UNKNOWN_CLOCK_S, _HOURS_S
    if region.clock is not None and same_session > _SURE:
        reach_s = _FOUND_CLOCK_S + (streams.resolution_s if streams.is_coarse else 0.0)
        second_s, hours_s = second_s - region.clock.offset_s, np.zeros(1)
    apart_s = first_s[at[0]][:, None] - second_s[at[1]]
    return np.asarray(np.isnan(apart_s) | (np.abs(apart_s[..., None] - hours_s) <= reach_s).any(axis=-1))


def _chance_of_partner(facing: Bools, label: Ints, other_label: Ints, agree: float) -> Floats:
    """Return the chance that each record has a partner among the records that it faces."""
    others = facing.sum(axis=1)
    # how many records of its own run face the same others: those that any of its others faces
    size = facing.sum(axis=0)
    own = np.where(others > 0, (facing * size).sum(axis=1) / np.maximum(others, 1), 1.0)
    beyond = np.maximum(np.minimum(own, others) - _USUAL_RUN, 0)
    known = (label[:, None] >= 0) & (other_label >= 0)
    same_label = (facing & (~known | (label[:, None] == other_label))).any(axis=1)
    same_throws = np.where(same_label, _SAME_THROWS, (1 - agree) / (2 - agree))
    return np.asarray(same_throws * beyond / (beyond + _HALF_EFFECT) * np.minimum(1.0, others / np.maximum(own, 1)))
