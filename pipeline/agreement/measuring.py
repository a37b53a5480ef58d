"""All agreement tables from the facts of nights (nights.py), or straight from sightings: start here."""

from datetime import date
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.bias.pairs import AllNights, agreement_table, all_nights, measured_by_both
from pipeline.agreement.bias.precision import own_errors_of_trackers
from pipeline.agreement.bias.selection import selection_table
from pipeline.agreement.bias.ways import ways_of_measuring
from pipeline.agreement.device_setup.corrections import propose_corrections
from pipeline.agreement.device_setup.misalignment import setup_of_nights
from pipeline.agreement.drift.charts import between_night_sd
from pipeline.agreement.drift.own_history import CHARTED, seasons_of
from pipeline.agreement.drift.own_history_tables import history_tables, own_charts, without_partner
from pipeline.agreement.drift.pair_drift import Chart, drift_of_charts
from pipeline.agreement.facts.centers import Centres, standard_errors
from pipeline.agreement.facts.circular import FAR, NEAR
from pipeline.agreement.facts.nights import NightFacts, all_tolerances, measure_nights
from pipeline.agreement.facts.readings import in_order_of_rank
from pipeline.agreement.labels import label_tables
from schemas.agreement import AGREEMENT


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
    """Compare every two trackers on the pitches that both saw: the facts of all nights, and the tables from them.

    `tolerances` by metric (those not named keep the metric's own), `ranks` by tracker, 1 = believed first. Without `match_pairs`
    nothing is said about selection; without `metric_sources` every tracker is taken to measure the same quantity.
    """
    facts = measure_nights(sightings, matches, pitches, tolerances, ranks, match_pairs)
    return agreement_of_nights(facts, tolerances, ranks, metric_sources)


def agreement_of_nights(
    facts: NightFacts,
    tolerances: dict[str, float],
    ranks: dict[str, int],
    metric_sources: pl.DataFrame | None = None,
) -> Agreement:
    """All tables from the facts of all nights, in whatever order and whichever runs they came; `tolerances` and `ranks` those of the facts."""
    tolerances = all_tolerances(tolerances)
    ways = {} if metric_sources is None else ways_of_measuring(metric_sources)
    nights = all_nights(facts.cells, facts.differences, ranks)
    precision = own_errors_of_trackers(nights, facts.triples, ranks)
    known = precision.drop_nulls("own_error_sd").select("tracker", "metric", "own_error_sd").rows()
    own_errors = {(tracker, metric): sd for tracker, metric, sd in known}
    drift, setup = _since_when_and_how(facts, nights, tolerances, own_errors, ranks)
    return Agreement(
        pl.concat(
            [agreement_table(nights, tolerances, own_errors, ways), _before_corrections(facts, tolerances, ways, ranks)]
        ),
        precision,
        drift,
        *label_tables(facts.labels, ranks),
        setup,
        selection_table(facts.selection, ranks),
        propose_corrections(drift, setup),
    )


def _since_when_and_how(
    facts: NightFacts,
    nights: AllNights,
    tolerances: dict[str, float],
    own_errors: dict[tuple[str, str], float],
    ranks: dict[str, int],
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The tables `drift` and `setup`, trackers against each other and against their own pitchers' history."""
    alone = without_partner(facts.outings, _partner_days(nights))
    outings = facts.outings.sort("tracker", "baseball_day", "pitcher", "pitch_type")
    seasons = seasons_of(outings) if alone else {}
    own = own_charts(seasons, alone)
    means = facts.pitcher_means.sort("baseball_day", "tracker", "pitcher", "pitch_type")
    drift = drift_of_charts(_charts(facts.centres, nights), means, tolerances, len(own))
    own_drift, own_setup = history_tables(own, seasons, drift, tolerances)
    setup = setup_of_nights(_in_order_of_rank(facts.frames, ranks), own_errors)
    return pl.concat([drift, own_drift]), pl.concat([setup, own_setup])


def _charts(centres: pl.DataFrame, nights: AllNights) -> list[Chart]:
    """One chart per pair and metric that both measured, in order of rank."""
    counts = measured_by_both(nights)
    by_pair = centres.sort("baseball_day").partition_by("tracker_a", "tracker_b", as_dict=True)
    return [
        _chart(by_pair[pair], nights, pair_place, metric_place)
        for pair_place, pair in enumerate(nights.pairs)
        for metric_place in np.flatnonzero(counts[pair_place] >= 2).tolist()
    ]


def _chart(centres: pl.DataFrame, nights: AllNights, pair: int, place: int) -> Chart:
    metric = nights.metrics[place]
    label = metric + (FAR if nights.side.far[pair, place] else NEAR)
    columns = {name: pl.col(f"{name}.{label}") for name in Centres._fields}
    held = centres.select("baseball_day", **columns).filter(pl.col("n") > 0)
    found = Centres(*(held[name].to_numpy() for name in Centres._fields))
    centre, se = found.centre + nights.side.less[pair, place], standard_errors(found)
    between = between_night_sd(centre, se)
    return Chart(*nights.pairs[pair], metric, held["baseball_day"].to_list(), found.n.astype(int), centre, se, between)


def _partner_days(nights: AllNights) -> dict[tuple[str, str], set[date]]:
    """By (tracker, metric) the days on which another tracker gave the metric of the same pitches."""
    days: dict[tuple[str, str], set[date]] = {}
    for metric in set(CHARTED) & set(nights.metrics):
        held = nights.cells.filter(pl.col(f"n.{metric}") > 0)
        for side in ("tracker_a", "tracker_b"):
            for tracker, day in held.select(side, "baseball_day").unique().iter_rows():
                days.setdefault((tracker, metric), set()).add(day)
    return days


def _in_order_of_rank(frames: pl.DataFrame, ranks: dict[str, int]) -> pl.DataFrame:
    """Rows by the trackers' rank."""
    trackers = pl.concat([frames["tracker_a"], frames["tracker_b"]]).unique().to_list()
    places = {tracker: place for place, tracker in enumerate(in_order_of_rank(trackers, ranks))}
    return frames.sort(pl.col("tracker_a", "tracker_b").replace_strict(places, return_dtype=pl.UInt32), "baseball_day")


def _before_corrections(
    facts: NightFacts, tolerances: dict[str, float], ways: dict[tuple[str, str], str], ranks: dict[str, int]
) -> pl.DataFrame:
    """Rows of the pairs of which a tracker was corrected, with the readings as they came."""
    trackers = facts.corrected["tracker"].unique().to_list()
    if not trackers:
        return AGREEMENT.empty()
    key = ["baseball_day", "tracker_a", "tracker_b"]
    of_them = facts.cells.filter(pl.any_horizontal(pl.col("tracker_a", "tracker_b").is_in(trackers)))
    # nights without a correction of either have their readings as they came
    as_read = of_them.join(facts.raw_cells.select(key), on=key, how="anti")
    differences = facts.differences.join(
        as_read.select("baseball_day", "cell"), on=["baseball_day", "cell"], how="semi"
    )
    # both number a night's cells from 0
    apart = pl.col("cell") + pl.lit(1 << 20, pl.UInt32)
    cells = pl.concat([as_read, facts.raw_cells.with_columns(apart)], how="diagonal")
    differences = pl.concat([differences, facts.raw_differences.with_columns(apart)], how="diagonal")
    return agreement_table(all_nights(cells, differences, ranks), tolerances, {}, ways, ("before_corrections",))
