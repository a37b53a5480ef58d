"""Facts of nights, stored so that a run reads only new nights. Start here.

measuring.py makes the tables from them. Every frame of `NightFacts` has a `baseball_day`. A night's rows come from that night's sightings
alone and are the same to the last bit whatever other nights are measured with them. So they can be stored, removed and replaced by night.
"""

from collections.abc import Collection, Iterator
from datetime import date
from typing import NamedTuple

import polars as pl

from pipeline.agreement.bias.precision import triples_by_night
from pipeline.agreement.bias.selection import selection_by_night
from pipeline.agreement.conventions.mismatches import conventions_by_night, no_conventions
from pipeline.agreement.device_setup.corrections import uncorrected
from pipeline.agreement.device_setup.misalignment import frames_by_night
from pipeline.agreement.drift.outings import outing_facts
from pipeline.agreement.facts.cells import cells_of_pair, differences_of_pair, number_cells
from pipeline.agreement.facts.centers import centers_by_night
from pipeline.agreement.facts.moments import first_rows, segment_by, segment_sum
from pipeline.agreement.facts.readings import Pair, group_sightings, metrics_in, pair_up, shared_sightings
from pipeline.agreement.facts.standards import Standards
from pipeline.agreement.labels import labels_by_night
from schemas.metrics import METRICS

_PAIR_AND_NIGHT = {"baseball_day": pl.Date, "tracker_a": pl.String, "tracker_b": pl.String}
_CELL_AND_NIGHT = {"baseball_day": pl.Date, "cell": pl.UInt32}


class NightFacts(NamedTuple):
    """Facts by night; the function named describes a frame's rows and columns.

    `cells`, `differences`: of matched pitches (cells.number_cells). `raw_cells`, `raw_differences`: the same with raw readings, for nights
    and pairs with a correction; `corrected`: trackers with a correction, by night. `triples`: precision.triples_by_night. `centers`:
    centers.centers_by_night. `pitcher_means`: `n.<metric>`, `mean.<metric>` by tracker, pitcher and pitch type. `outings`:
    outings.outing_facts. `labels`: labels.labels_by_night. `selection`: selection.selection_by_night. `frames`: misalignment.frames_by_night.
    `conventions`: mismatches.conventions_by_night.
    """

    cells: pl.DataFrame
    differences: pl.DataFrame
    raw_cells: pl.DataFrame
    raw_differences: pl.DataFrame
    corrected: pl.DataFrame
    triples: pl.DataFrame
    centers: pl.DataFrame
    pitcher_means: pl.DataFrame
    outings: pl.DataFrame
    labels: pl.DataFrame
    selection: pl.DataFrame
    frames: pl.DataFrame
    conventions: pl.DataFrame


class MatchedPitches(NamedTuple):
    """Sightings of some nights and how they were matched.

    `matches`, `pitches` and `match_pairs` may hold more nights.
    """

    sightings: pl.DataFrame
    matches: pl.DataFrame
    pitches: pl.DataFrame
    match_pairs: pl.DataFrame


def measure_nights(matched: MatchedPitches, standards: Standards) -> NightFacts:
    """Measure the facts of the nights of the sightings."""
    grouped = group_sightings(matched.sightings, matched.matches, matched.pitches)
    shared = shared_sightings(grouped)
    pairs = list(pair_up(shared, standards.ranks))
    differences = [differences_of_pair(pair) for pair in pairs]
    by_pair = {(pair.tracker_a, pair.tracker_b): part for pair, part in zip(pairs, differences, strict=True)}
    corrected = _corrected_trackers(matched.sightings)
    raw_pairs = list(_raw_pairs(matched, corrected, standards))
    return NightFacts(
        *_cells_and_differences(pairs, differences, standards),
        *_cells_and_differences(raw_pairs, [differences_of_pair(pair) for pair in raw_pairs], standards),
        corrected,
        triples_by_night(by_pair, standards.ranks),
        _join_nights(
            centers_by_night(part).with_columns(tracker_a=pl.lit(a), tracker_b=pl.lit(b))
            for (a, b), part in by_pair.items()
        ),
        _pitcher_means(shared),
        outing_facts(grouped),
        labels_by_night(grouped, standards.ranks),
        selection_by_night(matched.match_pairs, grouped, standards.tolerances),
        _join_nights(frames_by_night(pair) for pair in pairs),
        pl.concat([no_conventions(), *(conventions_by_night(pair, standards.tolerances) for pair in pairs)]),
    )


def replace_nights(stored: NightFacts, fresh: NightFacts, nights: Collection[date]) -> NightFacts:
    """Replace the stored facts of `nights` by fresh ones."""
    kept = ~pl.col("baseball_day").is_in(list(nights))
    return NightFacts(*(_join_nights([old.filter(kept), new]) for old, new in zip(stored, fresh, strict=True)))


def _join_nights(frames: Collection[pl.DataFrame] | Iterator[pl.DataFrame]) -> pl.DataFrame:
    """Concatenate frames.

    An empty frame contributes its columns only where all are empty.
    """
    parts = list(frames)
    parts = [frame for frame in parts if frame.height] or parts[:1]
    return pl.concat(parts, how="diagonal") if parts else pl.DataFrame(schema=_PAIR_AND_NIGHT)


def _cells_and_differences(
    pairs: list[Pair], differences: list[pl.DataFrame], standards: Standards
) -> tuple[pl.DataFrame, pl.DataFrame]:
    if not pairs:
        return pl.DataFrame(schema=_CELL_AND_NIGHT | _PAIR_AND_NIGHT), pl.DataFrame(schema=_CELL_AND_NIGHT)
    cells = [cells_of_pair(pair, part, standards.tolerances) for pair, part in zip(pairs, differences, strict=True)]
    return number_cells(cells, differences)


def _corrected_trackers(sightings: pl.DataFrame) -> pl.DataFrame:
    """Return each tracker with a corrected reading, by night."""
    by = ["baseball_day", "tracker"]
    return sightings.filter(pl.col("corrections").is_not_null()).select(by).unique().sort(by)


def _raw_pairs(matched: MatchedPitches, corrected: pl.DataFrame, standards: Standards) -> Iterator[Pair]:
    """Yield pairs with raw readings, on nights with a correction of either tracker."""
    if corrected.is_empty():
        return
    days = corrected["baseball_day"].unique().to_list()
    raw = uncorrected(matched.sightings.filter(pl.col("baseball_day").is_in(days)))
    shared = shared_sightings(group_sightings(raw, matched.matches, matched.pitches))
    for pair in pair_up(shared, standards.ranks):
        pair_days = corrected.filter(pl.col("tracker").is_in([pair.tracker_a, pair.tracker_b]))["baseball_day"]
        readings = pair.readings.filter(pl.col("baseball_day").is_in(pair_days.unique().to_list()))
        if readings.height:
            yield pair._replace(readings=readings)


def _pitcher_means(shared: pl.DataFrame) -> pl.DataFrame:
    """Return counts and means of shared pitches by tracker, pitcher and pitch type.

    Columns `n.<metric>` and `mean.<metric>`; one row also per night. Angles are left out.
    """
    by = ["baseball_day", "tracker", "pitcher", "pitch_type"]
    metrics = [name for name in metrics_in(shared) if not METRICS[name].circular]
    rows = shared.select(*by, *metrics).drop_nulls("pitcher").sort(by, maintain_order=True)
    segments = segment_by(rows, by)
    columns = []
    for metric in metrics:
        n = segment_sum(rows[metric].is_not_null().cast(pl.Float64).to_numpy(), segments)
        total = segment_sum(rows[metric].cast(pl.Float64).fill_null(0.0).to_numpy(), segments)
        columns += [pl.Series(f"n.{metric}", n), pl.Series(f"mean.{metric}", total / n.clip(1))]
    return first_rows(rows.select(by), segments).with_columns(columns)
