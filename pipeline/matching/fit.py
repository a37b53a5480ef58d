"""Fit the station-days: align, learn, repair clocks, align again.

First each day by itself, then with pooled models. Stage 1 (`fit_days`) uses the sightings of one station-day and built-
in priors only. Stage 2 (`fit_with_pooled_models`) uses the statistics of many days. README.md, sections "Learning" and
"When the first clock is wrong".
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.matching.alignment.align_round import align
from pipeline.matching.alignment.gap_rates import fit_gap_rates, pooled_gap_prior
from pipeline.matching.alignment.search import FINE_S, ROUGH_S, refine_search
from pipeline.matching.data.days import Days
from pipeline.matching.evidence.labels import start_labels
from pipeline.matching.evidence.models import Models
from pipeline.matching.evidence.readings import SameFit
from pipeline.matching.learning.day_fit import DayFit, StartFit, first_fit
from pipeline.matching.learning.day_models import FIRST_TRUST, learn, start_prior
from pipeline.matching.learning.pooled_models import pooled_gap_counts, pooled_models, with_own_bias
from pipeline.matching.repairs.clocks import (
    clock_of_neighboring_file,
    drop_weak_steps,
    exclude_streams_matched_elsewhere,
    look_wider_where_a_step_may_hide,
    missed_step,
    missed_step_beside_known_step,
    refine_stepped_clocks,
    search_again_with_learned_readings,
    shift_to_neighbors,
)
from pipeline.matching.repairs.diagnosis import find_unsettled
from pipeline.matching.repairs.start_bias import assume_bias_of_coincident_pairs, assume_zero_bias

StartProposal = Callable[[Days, StartFit], StartFit]
Proposal = Callable[[Days, DayFit], DayFit]

# Repairs in the order in which they are tried. Each changes the fit only where that explains more, by its own cost, or
# repeats a search that the next round judges. README.md, section "When the first clock is wrong", has a row for each. A
# repair is switched off by leaving it out of its tuples.
# On the start models, before anything is learned:
START_PROPOSALS: tuple[StartProposal, ...] = (assume_bias_of_coincident_pairs, assume_zero_bias)
# Before the second round, with the readings that the first one learned:
CLOCK_PROPOSALS: tuple[Proposal, ...] = (
    missed_step,
    search_again_with_learned_readings,
    clock_of_neighboring_file,
    exclude_streams_matched_elsewhere,
)
# After the second round:
SECOND_ROUND_PROPOSALS: tuple[Proposal, ...] = (missed_step,)
# With pooled models, inside `second_look`:
SECOND_LOOK_PROPOSALS: tuple[Proposal, ...] = (search_again_with_learned_readings, clock_of_neighboring_file)


def second_look(days: Days, fit: DayFit) -> DayFit:
    """Search, align and learn again for models with an unsettled pair.

    This comes before the last round.
    """
    if not len(fit.unsettled):
        return fit
    for propose in SECOND_LOOK_PROPOSALS:
        fit = propose(days, fit)
    chosen = days.pairs_of_models(fit.unsettled)
    part, search = days.only(chosen), fit.search.only(chosen).within(ROUGH_S)
    new = align(part, search, fit.models)
    models, _ = learn(part, fit.models, fit.prior, new, trust=1.0)
    search = refine_search(part, search, new.cells, new.moves).within(FINE_S)
    return replace(fit, models=models, search=fit.search.put(chosen, search))


# With pooled models, before the last round:
POOLED_PROPOSALS: tuple[Proposal, ...] = (
    missed_step_beside_known_step,
    second_look,
    shift_to_neighbors,
    look_wider_where_a_step_may_hide,
)
# After the last round:
FINAL_PROPOSALS: tuple[Proposal, ...] = (drop_weak_steps, refine_stepped_clocks)


def fit_days(days: Days, second_round_for_all: bool = False) -> DayFit:
    """Fit every pair of trackers on every station-day by itself, from built-in priors.

    `second_round_for_all`: settled stream pairs get a second round, too, so that their evidence can be compared.
    """
    start = first_fit(days)
    for propose_start in START_PROPOSALS:
        start = propose_start(days, start)
    fit = _learn_first(days, start)
    for propose in CLOCK_PROPOSALS:
        fit = propose(days, fit)
    return _second_round(days, fit, second_round_for_all)


def fit_with_pooled_models(days: Days, first: DayFit, statistics: pl.DataFrame) -> DayFit:
    """Fit all station-days again, with models from the statistics of many days."""
    pooled, prior = pooled_models(days, first.start, statistics)
    # a pair of trackers that was found by a bias of zero only has learned little about where to look
    without_bias = np.flatnonzero(first.has_zero_bias[days.model_of])
    gap_prior = pooled_gap_prior(days, pooled_gap_counts(days, statistics))
    gaps = fit_gap_rates(gap_prior, first.gap_counts(days))
    fit = replace(
        first,
        models=with_own_bias(pooled, prior, first.own),
        prior=prior,
        search=replace(first.search.within(FINE_S), gaps=gaps, gap_prior=gap_prior),
        unsettled=np.union1d(find_unsettled(days, first.search, first.fit), without_bias),
    )
    for propose in POOLED_PROPOSALS:
        fit = propose(days, fit)
    fit = replace(fit, fit=align(days, fit.search, fit.models))
    for propose in FINAL_PROPOSALS:
        fit = propose(days, fit)
    return fit


def _learn_first(days: Days, start: StartFit) -> DayFit:
    """Learn the models from the first round."""
    prior, keys = start_prior(start.model), days.model_keys
    models, own = learn(days, Models(keys, start.model, start_labels(len(keys))), prior, start.fit, trust=FIRST_TRUST)
    search = refine_search(days, start.search, start.fit.cells, start.fit.moves)
    unsettled = find_unsettled(days, search, start.fit)
    return DayFit(start.model, start.has_zero_bias, models, own, prior, search, start.fit, unsettled)


def _second_round(days: Days, fit: DayFit, for_all: bool) -> DayFit:
    """Align and learn again for models with an unsettled or stepped pair.

    Another round would change nothing that counts for the others. Which ones they are depends on their own day only.
    """
    unsettled_or_stepped = np.union1d(fit.unsettled, fit.search.stepped)
    chosen = np.arange(len(days)) if for_all else days.pairs_of_models(unsettled_or_stepped)
    part, search = days.only(chosen), fit.search.within(FINE_S, fit.unsettled).only(chosen)
    new = align(part, search, fit.models)
    models, own = learn(part, fit.models, fit.prior, new, trust=1.0)
    models = models._replace(readings=models.readings._replace(trust=np.ones(len(models.keys))))
    learned = np.isin(np.arange(len(models.keys)), part.model_of)[:, None]
    own = SameFit(*(np.where(learned, now, before) for now, before in zip(own, fit.own, strict=True)))
    refined = replace(fit, models=models, own=own, search=refine_search(part, search, new.cells, new.moves), fit=new)
    for propose in SECOND_ROUND_PROPOSALS:
        refined = propose(part, refined)
    return fit.put(chosen, refined)
