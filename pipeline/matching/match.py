"""Match sightings into pitches: sightings in; pitches, pairs, double triggers, clocks and proposals out."""

from collections.abc import Mapping
from dataclasses import replace
from typing import NamedTuple

import polars as pl
from threadpoolctl import ThreadpoolController

from pipeline.matching.clocks.report import clocks_frame
from pipeline.matching.data.days import Days, DecidedPairs, build_days
from pipeline.matching.data.records import build_records, rank_order
from pipeline.matching.fit import fit_days, fit_with_pooled_models
from pipeline.matching.learning.day_fit import DayFit
from pipeline.matching.learning.pooled_models import STATISTICS, statistics_frame, with_other_days
from pipeline.matching.pitches import tables
from pipeline.matching.pitches.decisions import Decisions, read_decisions
from pipeline.matching.pitches.double_triggers import find_doubles
from pipeline.matching.pitches.final_fit import FinalFit
from pipeline.matching.pitches.form_pitches import form_pitches
from pipeline.matching.pitches.pairs import REPORTED, candidate_pairs
from pipeline.matching.pitches.stations import Located, limit_by_other_stations, limit_by_station, locate_roamers
from pipeline.matching.stale_labels.proposals import label_runs_frame

# Several threads on matrices this small cost a quarter more CPU and save no time.
_BLAS = ThreadpoolController()


class MatchSettings(NamedTuple):
    """`doubtful_below`: a pitch below this probability goes to review. `merge_above`: pairs above this one merge."""

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
    """Return the statistics of readings and labels per pair of trackers and station-day.

    A day's row depends on that day's sightings only.
    """
    days = build_days(build_records(sightings))
    fit = fit_days(days)
    return statistics_frame(days, fit.models, fit.own)


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
        decided = read_decisions(decisions, sightings)
        located = locate_roamers(sightings.filter(~pl.col("sighting_id").is_in(list(decided.no_pitch))), stations)
        days = build_days(build_records(located.sightings))
        first = fit_days(days)
        older = pl.DataFrame(schema=STATISTICS) if statistics is None else statistics
        known = with_other_days(statistics_frame(days, first.models, first.own), older, sightings)
        decided_days = replace(days, decisions=DecidedPairs(*decided.row_pairs(days.records)))
        fit = fit_with_pooled_models(decided_days, first, known)
        cells = limit_by_station(days.records, fit.fit.cells, located.finds)
        fit = replace(fit, fit=fit.fit._replace(cells=cells))
        return _tables(sightings, decided_days, fit, ranks, settings, decided, known, located)


def _tables(
    sightings: pl.DataFrame,
    days: Days,
    day_fit: DayFit,
    ranks: Mapping[str, int],
    settings: MatchSettings,
    decisions: Decisions,
    statistics: pl.DataFrame,
    located: Located,
) -> Matched:
    """Form the pitches and write all tables."""
    records, cells = days.records, day_fit.fit.cells
    final = FinalFit(
        records,
        days.streams,
        days.stream_pairs,
        days.model_of,
        day_fit.models,
        day_fit.fit,
        day_fit.search.regions,
    )
    rank = rank_order(ranks, records.trackers)
    found = find_doubles(final, days.decisions.apart, REPORTED)
    doubles, possible = tables.doubles_frames(located.sightings, final, found, decisions)
    pairs = candidate_pairs(records, cells, found.aside, decisions)
    pitches = form_pitches(final, pairs, decisions, settings.merge_above)
    matches = tables.matches_frame(sightings, records, rank, pitches, decisions)
    matches = limit_by_other_stations(matches, located.claimed)
    return Matched(
        matches=tables.set_doubles_aside(matches, doubles, possible),
        match_pairs=tables.pairs_frame(final, rank, pitches),
        doubles=doubles,
        possible_doubles=possible,
        clocks=clocks_frame(days, day_fit, pitches.pairs, pitches.groups, rank),
        calibration=tables.calibration_frame(statistics, records, rank),
        label_runs=label_runs_frame(
            records, final.streams, sightings, pitches.groups, found.aside.second, decisions.thrown_by
        ),
        station_finds=located.finds,
        problems=decisions.problems,
        statistics=statistics,
    )
