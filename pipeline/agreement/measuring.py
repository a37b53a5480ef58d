"""All agreement tables from one night's or all nights' sightings: start here."""

from typing import NamedTuple

import polars as pl

from pipeline.agreement.corrections import propose_corrections, uncorrected
from pipeline.agreement.drift import drift_of_pairs
from pipeline.agreement.history import outing_facts, seasons_of
from pipeline.agreement.history_tables import history_tables, own_charts, partner_days
from pipeline.agreement.labels import label_tables
from pipeline.agreement.pairs import agreement_of_pair
from pipeline.agreement.precision import own_errors_of_trackers
from pipeline.agreement.readings import Pair, pair_up, shared_sightings
from pipeline.agreement.selection import selection_of_pairs
from pipeline.agreement.setup import frames_by_night, setup_of_nights
from pipeline.agreement.ways import ways_of_measuring
from schemas.agreement import AGREEMENT, SELECTION
from schemas.metrics import METRICS
from schemas.setup import SETUP


class Agreement(NamedTuple):
    """The tables that say how far trackers agree; what a row and a column of each is stands in schemas/."""

    agreement: pl.DataFrame
    precision: pl.DataFrame
    drift: pl.DataFrame
    label_agreement: pl.DataFrame
    label_confusion: pl.DataFrame
    setup: pl.DataFrame
    selection: pl.DataFrame
    proposed_corrections: pl.DataFrame


def measure_agreement(
    sightings: pl.DataFrame,
    matches: pl.DataFrame,
    pitches: pl.DataFrame,
    tolerances: dict[str, float],
    ranks: dict[str, int],
    match_pairs: pl.DataFrame | None = None,
    metric_sources: pl.DataFrame | None = None,
) -> Agreement:
    """Compare every two trackers on the pitches that both saw.

    `tolerances` by metric (those not named keep the metric's own), `ranks` by tracker, 1 = believed first. Without `match_pairs`
    nothing is said about selection; without `metric_sources` every tracker is taken to measure the same quantity.
    """
    tolerances = {name: metric.tolerance for name, metric in METRICS.items()} | tolerances
    ways = {} if metric_sources is None else ways_of_measuring(metric_sources)
    shared = shared_sightings(sightings, matches, pitches)
    pairs = list(pair_up(shared, ranks))
    precision = own_errors_of_trackers(pairs, ranks)
    known = precision.drop_nulls("own_error_sd").select("tracker", "metric", "own_error_sd").rows()
    own_errors = {(tracker, metric): sd for tracker, metric, sd in known}
    tables = [agreement_of_pair(pair, tolerances, own_errors, ways) for pair in pairs]
    tables += [
        _as_before(pair, tolerances, ways) for pair in _pairs_before_corrections(sightings, matches, pitches, ranks)
    ]
    seasons = seasons_of(outing_facts(sightings, matches, pitches))
    charts = own_charts(seasons, partner_days(shared))
    drift = drift_of_pairs(pairs, shared, tolerances, len(charts))
    own_drift, own_setup = history_tables(charts, seasons, drift, tolerances)
    frames = [frames_by_night(pair) for pair in pairs]
    setup = setup_of_nights(pl.concat(frames), own_errors) if frames else SETUP.empty()
    drift, setup = pl.concat([drift, own_drift]), pl.concat([setup, own_setup])
    selection = SELECTION.empty() if match_pairs is None else selection_of_pairs(match_pairs, sightings, tolerances)
    return Agreement(
        pl.concat([AGREEMENT.empty(), *tables]),
        precision,
        drift,
        *label_tables(sightings, matches, ranks),
        setup,
        selection,
        propose_corrections(drift, setup),
    )


def _pairs_before_corrections(
    sightings: pl.DataFrame, matches: pl.DataFrame, pitches: pl.DataFrame, ranks: dict[str, int]
) -> list[Pair]:
    """The pairs of which a tracker was corrected, with the readings as they came."""
    if "corrections" not in sightings.columns:
        return []
    corrected = set(sightings.filter(pl.col("corrections").is_not_null())["tracker"].unique())
    if not corrected:
        return []
    shared = shared_sightings(uncorrected(sightings), matches, pitches)
    return [pair for pair in pair_up(shared, ranks) if corrected & set(pair[:2])]


def _as_before(pair: Pair, tolerances: dict[str, float], ways: dict[tuple[str, str], str]) -> pl.DataFrame:
    rows = agreement_of_pair(pair, tolerances, {}, ways, slices=("all",))
    return rows.with_columns(pl.lit("before_corrections").alias("slice_by"))
