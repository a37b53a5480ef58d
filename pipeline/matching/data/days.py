"""Station-days with their records and stream pairs.

The bundle that every step of the matching takes.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Bools, Ints
from pipeline.matching.data.records import Records
from pipeline.matching.data.streams import Stream, StreamPair, find_streams, pair_streams

ModelKey = tuple[int, int, int]


class DecidedPairs(NamedTuple):
    """Pairs of records (rows) that a person decided about.

    `same`: one pitch. `apart`: two pitches.
    """

    same: list[tuple[int, int]]
    apart: set[tuple[int, int]]


UNDECIDED = DecidedPairs([], set())


@dataclass(frozen=True)
class Days:
    """Station-days to match.

    Their records, streams, stream pairs, the model of each pair, and people's decisions. There is one model of readings
    and labels per pair of trackers and station-day: `model_keys[m]` is (first tracker, second tracker, station-day),
    and `model_of[p]`, ascending, is the model that stream pair p uses.
    """

    records: Records
    streams: list[Stream]
    stream_pairs: list[StreamPair]
    model_keys: list[ModelKey]
    model_of: Ints
    decisions: DecidedPairs = UNDECIDED

    def only(self, pairs: Ints) -> "Days":
        """Return the same with some of the stream pairs only (ascending)."""
        chosen = [self.stream_pairs[p] for p in pairs.tolist()]
        return replace(self, stream_pairs=chosen, model_of=self.model_of[pairs])

    def pairs_of_models(self, pairs: Ints) -> Ints:
        """Return the stream pairs that share a model with any of the given ones."""
        return np.flatnonzero(np.isin(self.model_of, self.model_of[pairs]))

    @cached_property
    def is_coarse(self) -> Bools:
        """Stream pairs whose stamps are too coarse to order neighbors."""
        return np.array([pair.is_coarse for pair in self.stream_pairs], dtype=bool)

    @cached_property
    def smaller_size(self) -> Ints:
        """Records of the smaller stream of each pair."""
        return np.array([min(pair.shape) for pair in self.stream_pairs], dtype=np.int64)

    def __len__(self) -> int:
        """Return the number of stream pairs."""
        return len(self.stream_pairs)


def build_days(records: Records) -> Days:
    """Find the streams of all station-days and pair them."""
    streams = find_streams(records)
    pairs = pair_streams(streams)
    keys = sorted({(*pair.trackers, pair.day) for pair in pairs})
    number = {key: m for m, key in enumerate(keys)}
    model_of = np.array([number[(*pair.trackers, pair.day)] for pair in pairs], dtype=np.int64)
    return Days(records, streams, pairs, keys, model_of)
