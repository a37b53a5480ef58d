"""The models of all pairs of trackers: what their readings and labels are like."""

from typing import NamedTuple

from pipeline.matching.data.arrays import Floats, Ints
from pipeline.matching.data.days import ModelKey
from pipeline.matching.data.records import Records
from pipeline.matching.evidence.labels import LabelModel, label_evidence
from pipeline.matching.evidence.readings import ReadingModel, log_ratio


class Models(NamedTuple):
    """Models by pair of trackers and station-day.

    `keys[m]` = (first tracker, second tracker, station-day).
    """

    keys: list[ModelKey]
    readings: ReadingModel
    labels: LabelModel

    def log_ratio(self, records: Records, model_of: Ints, first: Ints, second: Ints) -> Floats:
        """Return the log-likelihood ratio of readings and labels, (pairs,)."""
        readings = log_ratio(self.readings, model_of, records.readings, first, second)
        return readings + label_evidence(self.labels, model_of, records.labels, first, second)
