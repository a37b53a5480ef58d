"""Match sightings into pitches.

Sightings in; pitches, pairs, double triggers, clocks and proposals out.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import NamedTuple

import polars as pl
from threadpoolctl import ThreadpoolController

from pipeline.matching.data.days import Days, DecidedPairs, build_days
from pipeline.matching.data.records import build_records, rank_order
from pipeline.matching.fit import fit_days, fit_with_pooled_models
from pipeline.matching.learning.day_fit import DayFit
from pipeline.matching.learning.pooled_models import STATISTICS, statistics_frame, with_other_days
from pipeline.matching.pitches import tables
from pipeline.matching.pitches.clocks_table import clocks_frame
from pipeline.matching.pitches.decisions import Decisions, resolve_decisions
from pipeline.matching.pitches.double_triggers import find_doubles
from pipeline.matching.pitches.final_fit import FinalFit
from pipeline.matching.pitches.form_pitches import form_pitches
from pipeline.matching.pitches.pairs import REPORTED, candidate_pairs
from pipeline.matching.pitches.stations import Located, limit_by_other_stations, limit_by_station, locate_roamers
from pipeline.matching.pitches.unexplained import limit_unexplained_singles
from pipeline.matching.stale_labels.proposals import label_runs_frame

# Several threads on matrices this small cost a quarter more CPU and save no time.
_BLAS = ThreadpoolController()


class MatchSettings(NamedTuple):
    """Probabilities that decide.

    `doubtful_below`: a pitch below it goes to review. `merge_above`: pairs above it merge.
    """

    doubtful_below: float = 0.9
    merge_above: float = 0.5


class Matched(NamedTuple):
    """Frames as in the contract.

    `doubles`: second records of a throw, which are set aside; `possible_doubles`: those that may be, and are kept.
    `problems`: decisions that contradict each other or name no sighting. `statistics`: what was learned about each day,
    to be kept for the next run.
    """

    matches: pl.DataFrame
    match_pairs: pl.DataFrame
    doubles: pl.DataFrame
    possible_doubles: pl.DataFrame
    clocks: pl.DataFrame
    calibration: pl.DataFrame
    label_runs: pl.DataFrame
    station_finds: pl.DataFrame
    problems: pl.DataFrame
    statistics: pl.DataFrame


def calibrate(sightings: pl.DataFrame) -> pl.DataFrame:
    """Return the statistics of readings and labels by trackers and station-day.

    A day's row depends on that day's sightings only.
    """
    days = build_days(build_records(sightings))
    fit = fit_days(days)
    return statistics_frame(days, fit.models, fit.own, fit.gap_counts(days))


def match_sightings(
    sightings: pl.DataFrame,
    ranks: Mapping[str, int],
    settings: MatchSettings,
    stations: Mapping[str, tuple[str, ...]],
    decisions: pl.DataFrame,
    statistics: pl.DataFrame | None = None,
) -> Matched:
    """Match sightings into pitches.

    `sightings`: complete days of a venue, all of them or those that `days_to_match` names. `ranks`: rank by tracker.
    `stations`: where a tracker may be, for sightings without a station; those whose station stays unknown match
    nothing. `decisions` has kind (same_pitch, not_same_pitch, no_pitch, thrown_by), subject and object; decisions about
    pitchers are already applied to `sightings`, and nothing is proposed about them. `statistics`: those kept from
    earlier runs (`Matched.statistics`). Rows of days in `sightings` are computed again; days that no longer exist must
    not be in them. The result for a day is the same to the last bit, whether it runs alone or with others.
    """
    with _BLAS.limit(limits=1, user_api="blas"):
        decided = resolve_decisions(decisions, sightings)
        located = locate_roamers(sightings.filter(~pl.col("sighting_id").is_in(list(decided.no_pitch))), stations)
        days = build_days(build_records(located.sightings))
        first = fit_days(days)
        older = pl.DataFrame(schema=STATISTICS) if statistics is None else statistics
        known = with_other_days(
            statistics_frame(days, first.models, first.own, first.gap_counts(days)), older, sightings
        )
        final = _final_fit(days, first, known, decided, located)
        rank = rank_order(ranks, days.records.trackers)
        found = find_doubles(final, decided.row_pairs(days.records)[1], REPORTED)
        doubles, possible = tables.doubles_frames(located.sightings, final, found, decided)
        pairs = candidate_pairs(days.records, final.fit.cells, found.aside, decided)
        pitches = form_pitches(final, pairs, decided, settings.merge_above)
        matches = tables.matches_frame(sightings, days.records, rank, pitches, decided)
        matches = limit_by_other_stations(limit_unexplained_singles(matches, final), located.claimed)
        return Matched(
            matches=tables.set_doubles_aside(matches, doubles, possible),
            match_pairs=tables.pairs_frame(final, rank, pitches),
            doubles=doubles,
            possible_doubles=possible,
            clocks=clocks_frame(final, pitches, rank),
            calibration=tables.calibration_frame(known, days.records, rank),
            label_runs=label_runs_frame(
                days.records, days.streams, sightings, pitches.groups, found.aside.second, decided.thrown_by
            ),
            station_finds=located.finds,
            problems=decided.problems,
            statistics=known,
        )


def _final_fit(days: Days, first: DayFit, statistics: pl.DataFrame, decisions: Decisions, located: Located) -> FinalFit:
    """Fit with pooled models and decisions; stations limit the posteriors."""
    decided_days = replace(days, decisions=DecidedPairs(*decisions.row_pairs(days.records)))
    last = fit_with_pooled_models(decided_days, first, statistics)
    fit = last.fit._replace(cells=limit_by_station(days.records, last.fit.cells, located.finds))
    return FinalFit(days.records, days.streams, days.stream_pairs, days.model_of, last.models, fit, last.search.regions)
