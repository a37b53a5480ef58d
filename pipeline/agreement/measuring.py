"""All agreement tables from one night's or all nights' sightings: start here."""

from typing import NamedTuple

import polars as pl

from pipeline.agreement.drift import drift_of_pairs
from pipeline.agreement.pairs import agreement_of_pair
from pipeline.agreement.precision import own_errors_of_trackers
from pipeline.agreement.readings import pair_up, shared_sightings
from schemas.agreement import AGREEMENT
from schemas.metrics import METRICS


class Agreement(NamedTuple):
    """The tables that say how far trackers agree; what a row and a column of each is stands in schemas/."""

    agreement: pl.DataFrame
    precision: pl.DataFrame
    drift: pl.DataFrame


def measure_agreement(
    sightings: pl.DataFrame,
    matches: pl.DataFrame,
    pitches: pl.DataFrame,
    tolerances: dict[str, float],
    ranks: dict[str, int],
) -> Agreement:
    """Compare every two trackers on the pitches that both saw.

    `tolerances` by metric (those not named keep the metric's own), `ranks` by tracker, 1 = believed first.
    """
    tolerances = {name: metric.tolerance for name, metric in METRICS.items()} | tolerances
    shared = shared_sightings(sightings, matches, pitches)
    pairs = list(pair_up(shared, ranks))
    precision = own_errors_of_trackers(pairs, ranks)
    known = precision.drop_nulls("own_error_sd").select("tracker", "metric", "own_error_sd").rows()
    own_errors = {(tracker, metric): sd for tracker, metric, sd in known}
    tables = [agreement_of_pair(pair, tolerances, own_errors, {}) for pair in pairs]
    agreement = pl.concat([AGREEMENT.empty(), *tables])
    return Agreement(agreement, precision, drift_of_pairs(pairs, shared, tolerances))
