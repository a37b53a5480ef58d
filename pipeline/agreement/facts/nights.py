"""What is kept of each night, so that a new night need not read the old ones again. Start here for facts, in measuring.py for tables.

Every frame of `NightFacts` has a `baseball_day`, and the rows of a night are made from that night's sightings alone, to the last bit,
whatever other nights are measured with it. So they may be kept, taken out and put in by night.
"""

from collections.abc import Collection
from datetime import date
from typing import NamedTuple

import polars as pl

from pipeline.agreement.bias.precision import triples_by_night
from pipeline.agreement.bias.selection import selection_by_night
from pipeline.agreement.device_setup.corrections import uncorrected
from pipeline.agreement.device_setup.misalignment import frames_by_night
from pipeline.agreement.drift.own_history import outing_facts
from pipeline.agreement.facts.cells import cells_of_pair, differences_of_pair, numbered
from pipeline.agreement.facts.centers import centres_by_night
from pipeline.agreement.facts.moments import first_rows, runs_of, total
from pipeline.agreement.facts.readings import Pair, metrics_of, pair_up, placed, shared_sightings
from pipeline.agreement.labels import labels_by_night
from schemas.metrics import METRICS


class NightFacts(NamedTuple):
    """Facts by night; what a row and a column is stands with the function named.

    `cells`, `differences`: of matched pitches (cells.py). `raw_cells`, `raw_differences`: the same with the readings as they came, of the
    nights and pairs that have a correction; `corrected`: the trackers that have, by night. `triples`: precision.triples_by_night.
    `centres`: centres.centres_by_night. `pitcher_means`: by tracker, pitcher and pitch type. `outings`: history.outing_facts. `labels`:
    labels.labels_by_night. `selection`: selection.selection_by_night. `frames`: setup.frames_by_night.
    """

    cells: pl.DataFrame
    differences: pl.DataFrame
    raw_cells: pl.DataFrame
    raw_differences: pl.DataFrame
    corrected: pl.DataFrame
    triples: pl.DataFrame
    centres: pl.DataFrame
    pitcher_means: pl.DataFrame
    outings: pl.DataFrame
    labels: pl.DataFrame
    selection: pl.DataFrame
    frames: pl.DataFrame


class _OfPair(NamedTuple):
    """One pair's facts."""

    cells: pl.DataFrame
    differences: pl.DataFrame
    centres: pl.DataFrame
    frames: pl.DataFrame


def measure_nights(
    sightings: pl.DataFrame,
    matches: pl.DataFrame,
    pitches: pl.DataFrame,
    tolerances: dict[str, float],
    ranks: dict[str, int],
    match_pairs: pl.DataFrame | None = None,
) -> NightFacts:
    """The facts of the nights that the sightings are of.

    `tolerances` by metric (those not named keep the metric's own), `ranks` by tracker, 1 = believed first: where either changes, so do the
    facts of all nights. `matches`, `pitches` and `match_pairs` may hold more nights; those without sightings give no facts.
    """
    tolerances = all_tolerances(tolerances)
    seen = placed(sightings, matches, pitches)
    shared = shared_sightings(seen)
    parts = {(pair.tracker_a, pair.tracker_b): _of_pair(pair, tolerances) for pair in pair_up(shared, ranks)}
    cells, differences = _numbered([(part.cells, part.differences) for part in parts.values()])
    corrected = _corrected(sightings)
    raw = _numbered(_raw_parts(sightings, matches, pitches, tolerances, ranks, corrected))
    return NightFacts(
        cells,
        differences,
        *raw,
        corrected,
        triples_by_night({pair: part.differences for pair, part in parts.items()}, ranks),
        _together([part.centres for part in parts.values()]),
        _pitcher_means(shared),
        outing_facts(seen),
        labels_by_night(seen, ranks),
        _together([]) if match_pairs is None else selection_by_night(match_pairs, seen, tolerances),
        _together([part.frames for part in parts.values()]),
    )


def renewed(kept: NightFacts, fresh: NightFacts, nights: Collection[date]) -> NightFacts:
    """The kept facts with those of `nights` taken out and the fresh ones put in."""
    stays = ~pl.col("baseball_day").is_in(list(nights))
    return NightFacts(*(_together([old.filter(stays), new]) for old, new in zip(kept, fresh, strict=True)))


def all_tolerances(stated: dict[str, float]) -> dict[str, float]:
    """Every metric's tolerance: the stated one, else its own."""
    return {name: metric.tolerance for name, metric in METRICS.items()} | stated


_PAIR_AND_NIGHT = {"baseball_day": pl.Date, "tracker_a": pl.String, "tracker_b": pl.String}


def _together(frames: list[pl.DataFrame]) -> pl.DataFrame:
    told = [frame for frame in frames if frame.height] or frames[:1]
    return pl.concat(told, how="diagonal") if told else pl.DataFrame(schema=_PAIR_AND_NIGHT)


def _of_pair(pair: Pair, tolerances: dict[str, float]) -> _OfPair:
    differences = differences_of_pair(pair)
    named = pl.lit(pair.tracker_a).alias("tracker_a"), pl.lit(pair.tracker_b).alias("tracker_b")
    centres = centres_by_night(differences).with_columns(named)
    return _OfPair(cells_of_pair(pair, differences, tolerances), differences, centres, frames_by_night(pair))


def _numbered(parts: list[tuple[pl.DataFrame, pl.DataFrame]]) -> tuple[pl.DataFrame, pl.DataFrame]:
    if not parts:
        cell = {"baseball_day": pl.Date, "cell": pl.UInt32}
        return pl.DataFrame(schema=cell | _PAIR_AND_NIGHT), pl.DataFrame(schema=cell)
    return numbered([cells for cells, _ in parts], [differences for _, differences in parts])


def _corrected(sightings: pl.DataFrame) -> pl.DataFrame:
    """Each tracker of which a reading was corrected, by night."""
    by = ["baseball_day", "tracker"]
    if "corrections" not in sightings.columns:
        return sightings.select(by).clear()
    return sightings.filter(pl.col("corrections").is_not_null()).select(by).unique().sort(by)


def _raw_parts(
    sightings: pl.DataFrame,
    matches: pl.DataFrame,
    pitches: pl.DataFrame,
    tolerances: dict[str, float],
    ranks: dict[str, int],
    corrected: pl.DataFrame,
) -> list[tuple[pl.DataFrame, pl.DataFrame]]:
    """Cells and differences of the readings as they came, of pairs and nights with a correction."""
    if corrected.is_empty():
        return []
    raw = uncorrected(sightings.filter(pl.col("baseball_day").is_in(corrected["baseball_day"].unique().to_list())))
    parts = []
    for pair in pair_up(shared_sightings(placed(raw, matches, pitches)), ranks):
        days = corrected.filter(pl.col("tracker").is_in(pair[:2]))["baseball_day"].unique().to_list()
        held = pair._replace(readings=pair.readings.filter(pl.col("baseball_day").is_in(days)))
        if held.readings.height:
            differences = differences_of_pair(held)
            parts.append((cells_of_pair(held, differences, tolerances), differences))
    return parts


def _pitcher_means(shared: pl.DataFrame) -> pl.DataFrame:
    """By tracker, night, pitcher and pitch type of pitches that another tracker saw too: `n.<metric>`, `mean.<metric>`; angles left out."""
    by = ["baseball_day", "tracker", "pitcher", "pitch_type"]
    metrics = [name for name in metrics_of(shared) if not METRICS[name].circular]
    rows = shared.select(*by, *metrics).drop_nulls("pitcher").sort(by, maintain_order=True)
    runs = runs_of(rows, by)
    columns = []
    for metric in metrics:
        n = total(rows[metric].is_not_null().cast(pl.Float64).to_numpy(), runs)
        whole = total(rows[metric].cast(pl.Float64).fill_null(0.0).to_numpy(), runs)
        columns += [pl.Series(f"n.{metric}", n), pl.Series(f"mean.{metric}", whole / n.clip(1))]
    return first_rows(rows.select(by), runs).with_columns(columns)
