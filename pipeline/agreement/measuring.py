"""All agreement tables from the facts of nights (night_facts.py)."""

from datetime import date
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.bias.agreement_table import Judgment, agreement_table, measuring_methods
from pipeline.agreement.bias.all_nights import AllNights, all_nights, count_shared_readings
from pipeline.agreement.bias.precision import precision_table
from pipeline.agreement.bias.selection import selection_table
from pipeline.agreement.conventions.mismatches import mismatch_table, without_mismatches
from pipeline.agreement.device_setup.frame_equations import READ_BY_FRAME
from pipeline.agreement.device_setup.misalignment import setup_of_nights
from pipeline.agreement.device_setup.own_history_setup import own_history_setup
from pipeline.agreement.device_setup.proposals import propose_corrections
from pipeline.agreement.drift.charts import between_night_sd
from pipeline.agreement.drift.outings import CHARTED, pitcher_histories
from pipeline.agreement.drift.own_history_drift import (
    metrics_without_partner,
    own_charts,
    own_history_drift,
    watch_own_charts,
)
from pipeline.agreement.drift.pair_charts import Chart
from pipeline.agreement.drift.pair_drift import drift_of_charts
from pipeline.agreement.facts.centers import Centers, standard_errors
from pipeline.agreement.facts.circular import NEAR
from pipeline.agreement.facts.readings import sort_by_rank
from pipeline.agreement.facts.standards import Standards
from pipeline.agreement.labels import label_tables
from pipeline.agreement.night_facts import NightFacts
from schemas.agreement import AGREEMENT

# A pair and metric with fewer common readings has no chart.
_LEAST_READINGS = 2
# Added to the cell numbers of raw readings: corrected and raw cells of a night both count from 0.
_RAW_CELLS_FROM = 1 << 20


class Agreement(NamedTuple):
    """The agreement tables; schemas/ describes their rows and columns."""

    agreement: pl.DataFrame
    precision: pl.DataFrame
    drift: pl.DataFrame
    label_agreement: pl.DataFrame
    label_confusion: pl.DataFrame
    setup: pl.DataFrame
    selection: pl.DataFrame
    proposed_corrections: pl.DataFrame
    convention_mismatches: pl.DataFrame


def agreement_of_nights(facts: NightFacts, standards: Standards, metric_sources: pl.DataFrame) -> Agreement:
    """Make all tables from the facts of all nights.

    Nights may come in any order and from any number of runs. `standards` must be those that the facts were measured with.
    `metric_sources` is the table of that name; a pair that it does not mention is taken to measure the same quantity.
    """
    nights = all_nights(facts.cells, facts.differences, standards.ranks)
    precision = precision_table(nights, facts.triples, standards.ranks)
    known = precision.drop_nulls("own_error_sd").select("tracker", "metric", "own_error_sd").rows()
    own_errors = {(tracker, metric): sd for tracker, metric, sd in known}
    judgment = Judgment(standards.tolerances, own_errors, measuring_methods(metric_sources))
    mismatches = mismatch_table(facts.conventions, facts.centers, standards)
    drift, setup = _drift_and_setup(facts, nights, standards, own_errors, mismatches)
    return Agreement(
        pl.concat([agreement_table(nights, judgment), _before_corrections(facts, judgment, standards.ranks)]),
        precision,
        drift,
        *label_tables(facts.labels, standards.ranks),
        setup,
        selection_table(facts.selection, standards.ranks),
        propose_corrections(drift, setup),
        mismatches,
    )


def _drift_and_setup(
    facts: NightFacts,
    nights: AllNights,
    standards: Standards,
    own_errors: dict[tuple[str, str], float],
    mismatches: pl.DataFrame,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return tables `drift` and `setup`.

    Trackers against each other and against their own pitchers' history. Readings by different conventions are neither a drift nor a
    crooked setup, so their nights are left out.
    """
    charts = _charts(facts.centers, nights, mismatches)
    alone = metrics_without_partner(facts.outings, _partner_days(nights))
    outings = facts.outings.sort("tracker", "baseball_day", "pitcher", "pitch_type")
    # most programs have a partner for every metric, and histories take time
    histories = pitcher_histories(outings) if alone else {}
    own = own_charts(histories, alone)
    watched = watch_own_charts(own, sum(chart.is_watched for chart in charts))
    pitcher_means = facts.pitcher_means.sort("baseball_day", "tracker", "pitcher", "pitch_type")
    drift = drift_of_charts(charts, pitcher_means, standards.tolerances, len(own))
    frames = without_mismatches(facts.frames, mismatches, READ_BY_FRAME)
    setup = setup_of_nights(_sort_pairs_by_rank(frames, standards.ranks), own_errors)
    return (
        pl.concat([drift, own_history_drift(watched, standards.tolerances)]),
        pl.concat([setup, own_history_setup(watched, histories)]),
    )


def _charts(centers: pl.DataFrame, nights: AllNights, mismatches: pl.DataFrame) -> list[Chart]:
    """Return one chart per pair and metric that both measured alike, in order of rank."""
    counts = count_shared_readings(nights)
    by_pair = centers.sort("baseball_day").partition_by("tracker_a", "tracker_b", as_dict=True)
    charts = []
    for pair_index, pair in enumerate(nights.pairs):
        for index in np.flatnonzero(counts[pair_index] >= _LEAST_READINGS).tolist():
            metric = nights.metrics[index]
            measured = by_pair[pair].filter(pl.col(f"n.{metric}") > 0)
            alike = without_mismatches(measured, mismatches, (metric,))
            # nights that are alike differ little, whatever the branch of the others
            branch = nights.branch_of(pair, metric) if alike.height == measured.height else (NEAR, 0.0)
            if alike.height:
                charts.append(_chart(alike, pair, metric, *branch))
    return charts


def _chart(measured: pl.DataFrame, pair: tuple[str, str], metric: str, branch: str, offset: float) -> Chart:
    by_night = Centers(*(measured[f"{name}.{metric}{branch}"].to_numpy() for name in Centers._fields))
    center, se = by_night.center + offset, standard_errors(by_night)
    days, n = measured["baseball_day"].to_list(), by_night.n.astype(int)
    return Chart(*pair, metric, days, n, center, se, between_night_sd(center, se))


def _partner_days(nights: AllNights) -> dict[tuple[str, str], set[date]]:
    """Return the days on which another tracker gave a metric of the same pitches.

    By (tracker, metric).
    """
    days: dict[tuple[str, str], set[date]] = {}
    for metric in set(CHARTED) & set(nights.metrics):
        measured = nights.cells.filter(pl.col(f"n.{metric}") > 0)
        for side in ("tracker_a", "tracker_b"):
            for tracker, day in measured.select(side, "baseball_day").unique().iter_rows():
                days.setdefault((tracker, metric), set()).add(day)
    return days


def _sort_pairs_by_rank(frames: pl.DataFrame, ranks: dict[str, int]) -> pl.DataFrame:
    trackers = pl.concat([frames["tracker_a"], frames["tracker_b"]]).unique().to_list()
    index = {tracker: number for number, tracker in enumerate(sort_by_rank(trackers, ranks))}
    return frames.sort(pl.col("tracker_a", "tracker_b").replace_strict(index, return_dtype=pl.UInt32), "baseball_day")


def _before_corrections(facts: NightFacts, judgment: Judgment, ranks: dict[str, int]) -> pl.DataFrame:
    """Return the rows, from raw readings, of pairs with a corrected tracker."""
    trackers = facts.corrected["tracker"].unique().to_list()
    if not trackers:
        return AGREEMENT.empty()
    key = ["baseball_day", "tracker_a", "tracker_b"]
    of_corrected = facts.cells.filter(pl.any_horizontal(pl.col("tracker_a", "tracker_b").is_in(trackers)))
    # nights without a correction of either tracker have raw readings anyway
    as_read = of_corrected.join(facts.raw_cells.select(key), on=key, how="anti")
    differences = facts.differences.join(
        as_read.select("baseball_day", "cell"), on=["baseball_day", "cell"], how="semi"
    )
    raw_cell = pl.col("cell") + pl.lit(_RAW_CELLS_FROM, pl.UInt32)
    cells = pl.concat([as_read, facts.raw_cells.with_columns(raw_cell)], how="diagonal")
    differences = pl.concat([differences, facts.raw_differences.with_columns(raw_cell)], how="diagonal")
    nights = all_nights(cells, differences, ranks)
    return agreement_table(nights, judgment._replace(own_errors={}), ("before_corrections",))
