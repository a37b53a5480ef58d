"""What is known of the station-days at each stage of the fit."""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.matching.alignment.align_round import Fit, align
from pipeline.matching.alignment.gap_rates import GapCounts, count_gaps
from pipeline.matching.alignment.search import Search, first_search
from pipeline.matching.data.arrays import Bools, Ints
from pipeline.matching.data.days import Days
from pipeline.matching.evidence.labels import start_labels
from pipeline.matching.evidence.models import Models
from pipeline.matching.evidence.readings import Prior, ReadingModel, SameFit
from pipeline.matching.learning.day_models import start_models


@dataclass(frozen=True)
class StartFit:
    """The first round, before anything is learned.

    `model`: start models. `search`: where pairs were looked for. `fit`: the pairs found. `has_zero_bias` (models,):
    models whose pairs were found only by assuming that there is no bias.
    """

    model: ReadingModel
    has_zero_bias: Bools
    search: Search
    fit: Fit

    def retry(self, days: Days, chosen: Ints, model: ReadingModel) -> "StartFit":
        """Search and align some stream pairs again with another start model."""
        part = days.only(chosen)
        search = first_search(part, model)
        fit = align(part, search, Models(days.model_keys, model, start_labels(len(days.model_keys))))
        return StartFit(model, self.has_zero_bias, self.search.put(chosen, search), self.fit.put(chosen, fit))


def first_fit(days: Days) -> StartFit:
    """Search and align all stream pairs with the start models."""
    model, models = start_models(days), len(days.model_keys)
    search = first_search(days, model)
    fit = align(days, search, Models(days.model_keys, model, start_labels(models)))
    return StartFit(model, np.zeros(models, dtype=bool), search, fit)


@dataclass(frozen=True)
class DayFit:
    """The fit after the models were learned.

    `start`, `has_zero_bias`: as in `StartFit`. `own`: what each day's own pairs say. `prior`: prior of the models.
    `search`: where to look for pairs in the next round. `fit`: the last round. `unsettled`: stream pairs whose result
    another look may change.
    """

    start: ReadingModel
    has_zero_bias: Bools
    models: Models
    own: SameFit
    prior: Prior
    search: Search
    fit: Fit
    unsettled: Ints

    def gap_counts(self, days: Days) -> GapCounts:
        """Return the expected runs of unmatched records in the last round."""
        return count_gaps(days, self.fit.cells, self.fit.moves)

    def put(self, chosen: Ints, new: "DayFit") -> "DayFit":
        """Return the same with some stream pairs replaced, and with new models."""
        return replace(
            self,
            models=new.models,
            own=new.own,
            search=self.search.put(chosen, new.search),
            fit=self.fit.put(chosen, new.fit),
        )
