"""The whole matching: sightings in, groups with probabilities, pairs, doubles, clocks and proposals out."""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import polars as pl
from threadpoolctl import ThreadpoolController

from pipeline.matching.alignment.align_round import (
    FINE_S,
    ROUGH_S,
    Fit,
    Gaps,
    Place,
    Said,
    next_gaps,
    refined,
    run_round,
)
from pipeline.matching.alignment.bands import is_coarse
from pipeline.matching.clocks.missed_steps import with_steps, without_weak_steps
from pipeline.matching.clocks.report import CLOCKS, clocks_frame
from pipeline.matching.data.arrays import Ints
from pipeline.matching.data.records import Records, Stream, Unit, orders, streams_of, take_records, units_of
from pipeline.matching.learning.day_models import (
    DayFit,
    Models,
    borrowed,
    fit_days,
    learn,
    left_at_ends,
    model_keys,
    pooled_models,
    reaches,
    relocated,
    statistics_frame,
    unsettled,
    with_own_bias,
)
from pipeline.matching.pitches import tables
from pipeline.matching.pitches.decisions import Decisions, read_decisions
from pipeline.matching.pitches.double_triggers import find_doubles
from pipeline.matching.pitches.final_fit import FinalFit
from pipeline.matching.pitches.form_pitches import form_pitches
from pipeline.matching.pitches.pairs import REPORTED, candidate_pairs
from pipeline.matching.pitches.stations import Located, limit_by_other_stations, limit_by_station, locate_roamers
from pipeline.matching.stale_labels.proposals import LABEL_RUNS, label_runs_frame

_BLAS = ThreadpoolController()


class MatchSettings(NamedTuple):
    """`doubtful_below`: a pitch less sure than this goes to review; `merge_above`: records join above this probability."""

    doubtful_below: float = 0.9
    merge_above: float = 0.5


class Matched(NamedTuple):
    """Frames as in the contract; `doubles`: second records of a throw, which are set aside; `possible_doubles`: those that may be, and
    stand; `problems`: decisions that contradict one another or name nothing; `statistics`: what was learned of every day, to be kept for
    the next run."""

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


class _Prepared(NamedTuple):
    records: Records
    streams: list[Stream]
    units: list[Unit]
    which: Ints


def calibrate(sightings: pl.DataFrame) -> pl.DataFrame:
    """What each tracker pair's readings and labels are like, by station-day; a day's row depends on that day's sightings only."""
    ready = _prepared(sightings)
    return statistics_frame(ready.records, fit_days(ready.records, ready.units))


def match_sightings(
    sightings: pl.DataFrame,
    ranks: Mapping[str, int],
    settings: MatchSettings,
    stations: Mapping[str, tuple[str, ...]],
    decisions: pl.DataFrame,
    statistics: pl.DataFrame | None = None,
) -> Matched:
    """Match sightings into pitches.

    `sightings` are those of whole days of a venue: of all, or of those that `days_to_match` names, with `statistics` kept from earlier
    runs (`Matched.statistics`). Rows of days that are in `sightings` are made anew; days that are gone altogether must not be in
    `statistics`. What is told of a day is the same either way, to the last bit. `stations` says where a tracker may be, for sightings that have no station.
    `decisions` has kind (same_pitch, not_same_pitch, no_pitch, thrown_by), subject, object; those about who threw are in `sightings` already,
    and nothing is proposed about them. Sightings whose station stays unknown
    match nothing.
    """
    # several threads on matrices this small take a quarter more of the processor, for nothing
    with _BLAS.limit(limits=1, user_api="blas"):
        decided = read_decisions(decisions, sightings)
        real = sightings.filter(~pl.col("sighting_id").is_in(list(decided.no_pitch)))
        located = locate_roamers(real, stations)
        ready = _prepared(located.sightings)
        day_fit = fit_days(ready.records, ready.units)
        known = _with_older(statistics_frame(ready.records, day_fit), statistics, sightings)
        fit, places, models = _final_fit(ready, day_fit, known, decided)
        fit = fit._replace(cells=limit_by_station(ready.records, fit.cells, located.finds))
        final = FinalFit(ready.records, ready.streams, ready.units, ready.which, models, fit, places)
        return _assemble(sightings, final, ranks, settings, decided, known, located)


def _prepared(sightings: pl.DataFrame) -> _Prepared:
    records = take_records(sightings)
    owned = streams_of(records)
    units = units_of(owned)
    return _Prepared(records, [stream for _, _, stream in owned], units, model_keys(units)[1])


def _with_older(statistics: pl.DataFrame, older: pl.DataFrame | None, sightings: pl.DataFrame) -> pl.DataFrame:
    """The statistics of this run's days and those of other days."""
    if older is None:
        return statistics
    others = older.join(sightings.select("venue", "baseball_day").unique(), on=["venue", "baseball_day"], how="anti")
    return pl.concat([others, statistics]).sort("tracker_a", "tracker_b", "venue", "station", "baseball_day")


def _final_fit(
    ready: _Prepared, day_fit: DayFit, statistics: pl.DataFrame, decided: Decisions
) -> tuple[Fit, list[Place], Models]:
    """The last round, with the pooled models; units that the first stage did not settle get another look before it."""
    records, units, which = ready.records, ready.units, ready.which
    pooled, prior = pooled_models(records, day_fit.models.keys, day_fit.start, statistics)
    models = with_own_bias(pooled, prior, day_fit.same)
    said, gaps = decided.row_pairs(records), day_fit.gaps
    # what the model of one day leaves open beside a step, that of many days may tell
    places = with_steps(records, units, which, models[1:], day_fit.fit.cells, day_fit.places, only_stepped=True)
    # where a pair of trackers found anything only as if without bias, its day knows little of where to look
    lost = np.union1d(unsettled(units, day_fit.fit, places), np.flatnonzero(day_fit.unbiased[which]))
    if len(lost):
        again = np.flatnonzero(np.isin(which, which[lost]))
        places = relocated(records, units, which, models.readings, lost, places)
        places = borrowed(records, units, which, models, gaps, day_fit.fit, places)
        part, part_places, part_gaps = [units[u] for u in again], [places[u] for u in again], gaps.take(again)
        reach_s = np.full(len(part), ROUGH_S)
        fit = run_round(
            records, part, models.readings, which[again], part_places, part_gaps, models.labels, reach_s, said
        )
        models, _ = learn(records, part, which[again], models, prior, fit, trust=1.0)
        for u, place in zip(again.tolist(), refined(part, part_places, fit.cells), strict=True):
            places[u] = place
        gaps = gaps.put(again, next_gaps(part, fit.cells))
    fit = run_round(
        records,
        units,
        models.readings,
        which,
        places,
        gaps,
        models.labels,
        reaches(units, _where_a_step_may_hide(units, places, day_fit.fit)),
        said,
    )
    fit, places = _without_weak_steps(ready, models, gaps, fit, places, said)
    return fit, _with_final_clocks(units, places, fit), models


def _without_weak_steps(
    ready: _Prepared, models: Models, gaps: Gaps, fit: Fit, places: list[Place], said: Said
) -> tuple[Fit, list[Place]]:
    """The fit and the places, without steps of clocks where that explains more."""
    out = list(places)
    for from_the_left in (True, False):
        tried = without_weak_steps(ready.units, fit.cells, out, from_the_left)
        some = np.array(sorted(tried), dtype=np.int64)
        if len(some):
            units, part = [ready.units[u] for u in some], [tried[u] for u in some.tolist()]
            new = run_round(
                ready.records,
                units,
                models.readings,
                ready.which[some],
                part,
                gaps.take(some),
                models.labels,
                np.full(len(some), FINE_S),
                said,
            )
            better = np.flatnonzero(new.log_evidence > fit.log_evidence[some])
            fit = fit.put(some[better], new.only(better))
            for u in better.tolist():
                out[int(some[u])] = part[u]
    return fit, out


def _with_final_clocks(units: list[Unit], places: list[Place], fit: Fit) -> list[Place]:
    """Clocks that were set on the way once more, from the pairs that it came to: what lies past a step was found last, by few of them."""
    stepped = [u for u, place in enumerate(places) if place.clock is not None and place.clock.segment[-1] > 0]
    out = list(places)
    for u, place in zip(stepped, refined(units, places, fit.cells, stepped), strict=True):
        out[u] = place
    return out


def _where_a_step_may_hide(units: list[Unit], places: list[Place], fit: Fit) -> Ints:
    """Units with coarse stamps whose clock was set on the way (at which record may be wrong), or perhaps before or after all pairs."""
    coarse = np.array([is_coarse(unit) for unit in units], dtype=bool)
    stepped = np.array([place.clock is not None and place.clock.segment[-1] > 0 for place in places], dtype=bool)
    return np.flatnonzero(coarse & (stepped | left_at_ends(units, fit.cells)))


def _assemble(
    sightings: pl.DataFrame,
    final: FinalFit,
    ranks: Mapping[str, int],
    settings: MatchSettings,
    decisions: Decisions,
    statistics: pl.DataFrame,
    located: Located,
) -> Matched:
    records, cells = final.records, final.fit.cells
    rank = orders(ranks, records.trackers)
    found = find_doubles(final, decisions.row_pairs(records)[1], REPORTED)
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
        clocks=clocks_frame(records, final.units, final.fit, final.places, pitches.pairs, pitches.groups, rank),
        calibration=tables.calibration_frame(statistics, records, rank),
        label_runs=label_runs_frame(
            records, final.streams, sightings, pitches.groups, found.aside.second, decisions.thrown_by
        ),
        station_finds=located.finds,
        problems=decisions.problems,
        statistics=statistics,
    )


__all__ = ["CLOCKS", "LABEL_RUNS", "MatchSettings", "Matched", "calibrate", "match_sightings"]
