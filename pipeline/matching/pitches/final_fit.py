"""What the last round of matching found; everything from here on makes pitches of it."""

from typing import NamedTuple

from pipeline.matching.alignment.align_round import Fit
from pipeline.matching.alignment.search import SearchRegion
from pipeline.matching.data.arrays import Ints
from pipeline.matching.data.records import Records
from pipeline.matching.data.streams import Stream, StreamPair
from pipeline.matching.evidence.models import Models


class FinalFit(NamedTuple):
    """`model_of` (stream pairs,): the model that each uses. `regions`: its clock path. `fit`: the posteriors of its cells."""

    records: Records
    streams: list[Stream]
    stream_pairs: list[StreamPair]
    model_of: Ints
    models: Models
    fit: Fit
    regions: list[SearchRegion]
