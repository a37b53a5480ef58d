"""The whole matching: sightings in, groups with probabilities, pairs, doubles, clocks and proposals out."""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.matching import tables
from pipeline.matching.calibrating import STATISTICS, Models, fit_days, learn, model_keys, pooled_models, statistics_frame
from pipeline.matching.clock_report import CLOCKS, clocks_frame
from pipeline.matching.decided import Decided, read_decisions
from pipeline.matching.doubles import find_doubles
from pipeline.matching.fitting import Fit, clocks_of, next_gaps, refined, run_round, start_gaps
from pipeline.matching.grouping import Groups, group_records
from pipeline.matching.label_runs import LABEL_RUNS, label_runs_frame
from pipeline.matching.records import Records, Stream, Unit, orders, streams_of, take_records, units_of
from pipeline.matching.stations import locate_roamers

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

# pairs less likely than this are not told
REPORTED = 0.02


class MatchSettings(NamedTuple):
    """`doubtful_below`: a pitch less sure than this goes to review; `merge_above`: records join above this probability."""

    doubtful_below: float = 0.9
    merge_above: float = 0.5


class Matched(NamedTuple):
    """Frames as in the contract; `problems` are decisions of people that contradict one another or name nothing."""

    matches: pl.DataFrame
    match_pairs: pl.DataFrame
    doubles: pl.DataFrame
    clocks: pl.DataFrame
    calibration: pl.DataFrame
    label_runs: pl.DataFrame
    station_finds: pl.DataFrame
    problems: pl.DataFrame


class _Prepared(NamedTuple):
    records: Records
    streams: list[Stream]
    units: list[Unit]


def calibrate(sightings: pl.DataFrame) -> pl.DataFrame:
    """What each tracker pair's readings and labels are like, by station-day; each day's rows depend on that day's sightings only."""
    return _calibrate(_prepared(sightings))


def match_sightings(
    sightings: pl.DataFrame,
    ranks: Mapping[str, int],
    settings: MatchSettings,
    stations: Mapping[str, tuple[str, ...]],
    decisions: pl.DataFrame,
    statistics: pl.DataFrame | None = None,
) -> Matched:
    """Match sightings into pitches.

    `statistics` is what `calibrate` gave for these and earlier days (left out: computed from `sightings`). `stations` says where a
    tracker may be, for sightings that have no station. `decisions` has kind (same_pitch, not_same_pitch, no_pitch), subject, object
    (sighting ids). Sightings whose station stays unknown match nothing.
    """
    decided = read_decisions(decisions, sightings)
    real = sightings.filter(~pl.col("sighting_id").is_in(list(decided.no_pitch)))
    located, finds = locate_roamers(real, stations)
    ready = _prepared(located)
    statistics = _calibrate(ready) if statistics is None else statistics
    fit, models = _final_fit(ready, statistics, decided)
    return _assemble(sightings, ready, fit, models, ranks, settings, decided, statistics, finds)


def _prepared(sightings: pl.DataFrame) -> _Prepared:
    records = take_records(sightings)
    owned = streams_of(records)
    return _Prepared(records, [stream for _, _, stream in owned], units_of(owned))


def _calibrate(ready: _Prepared) -> pl.DataFrame:
    if not ready.units:
        return pl.DataFrame(schema=STATISTICS)
    models, same, _ = fit_days(ready.records, ready.units)
    return statistics_frame(ready.records, model_keys(ready.records, ready.units)[0], models, same)


def _final_fit(ready: _Prepared, statistics: pl.DataFrame, decided: Decided) -> tuple[Fit, Models]:
    """Two rounds with the pooled models: the first fixes the day's own bias, gaps and clock."""
    records, units = ready.records, ready.units
    models, prior = pooled_models(records, units, statistics)
    said = decided.places(records)
    clocks = clocks_of(records, units, models.readings, models.which, models.labels)
    fit = run_round(records, units, models.readings, models.which, clocks, start_gaps(len(units)), models.labels, said)
    models, _ = learn(records, units, models, prior, fit, trust=1.0)
    clocks = refined(units, clocks, fit.cells)
    return run_round(records, units, models.readings, models.which, clocks, next_gaps(units, fit.cells), models.labels, said), models


def _assemble(
    sightings: pl.DataFrame,
    ready: _Prepared,
    fit: Fit,
    models: Models,
    ranks: Mapping[str, int],
    settings: MatchSettings,
    decided: Decided,
    statistics: pl.DataFrame,
    finds: pl.DataFrame,
) -> Matched:
    records, units = ready.records, ready.units
    rank = orders(ranks, records.trackers)
    doubles = find_doubles(records, ready.streams, models, units, fit.cells)
    pairs = tables.candidate_pairs(records, fit.cells, doubles, decided, REPORTED)
    pairs, groups = tables.with_third(pairs, _grouped(records, pairs, settings, decided))
    of_pair, of_record = tables.group_probabilities(pairs, groups, records.tracker)
    return Matched(
        matches=tables.matches_frame(sightings, records, rank, pairs, groups, of_record, doubles, decided),
        match_pairs=tables.pairs_frame(records, rank, pairs, groups, of_pair, fit.cells, models.readings, models.which),
        doubles=tables.doubles_frame(records, doubles),
        clocks=clocks_frame(records, units, fit, pairs, groups, rank),
        calibration=tables.calibration_frame(statistics, records, rank),
        label_runs=label_runs_frame(records, ready.streams, sightings, pairs, groups, of_pair),
        station_finds=finds,
        problems=decided.problems,
    )


def _grouped(records: Records, pairs: tables.Pairs, settings: MatchSettings, decided: Decided) -> Groups:
    strong = np.flatnonzero(pairs.probability > settings.merge_above)
    groups = group_records(records.tracker, pairs.first[strong], pairs.second[strong], pairs.probability[strong], *decided.places(records))
    return groups._replace(joined=groups.group[pairs.first] == groups.group[pairs.second])


__all__ = ["CLOCKS", "LABEL_RUNS", "MatchSettings", "Matched", "calibrate", "match_sightings"]
