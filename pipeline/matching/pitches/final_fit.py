"""What the last round of matching found; everything from here on makes pitches of it."""

from typing import NamedTuple

from pipeline.matching.alignment.align_round import Fit, Place
from pipeline.matching.data.arrays import Ints
from pipeline.matching.data.records import Records, Stream, Unit
from pipeline.matching.learning.day_models import Models


class FinalFit(NamedTuple):
    """`model_of` (units,): the model that each unit uses. `places` (units,): its clock path. `fit`: the posteriors of its cells."""

    records: Records
    streams: list[Stream]
    units: list[Unit]
    model_of: Ints
    models: Models
    fit: Fit
    places: list[Place]
