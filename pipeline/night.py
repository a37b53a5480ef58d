"""The nightly run: the list of stages, in order. Start here.

read -> map -> validate -> players (all in `prepare`) -> match -> reconcile -> agreement -> warehouse -> publish.
Nights that no change affects are not processed again: their rows stay as published.
"""

import logging
from datetime import UTC, datetime
from functools import partial

import polars as pl

from pipeline.agreement import MatchedPitches, Standards, agreement_of_nights, measure_nights, replace_nights
from pipeline.exports.isolation import start_reader
from pipeline.exports.reading import Progress
from pipeline.incremental.accounting import count_metrics, metric_sources_table
from pipeline.incremental.affected_nights import Prepared, prepare, reconcile_nights
from pipeline.incremental.assembly import Night, Stages, assemble, earlier_facts, kept_facts
from pipeline.incremental.plan import Plan, look_into_inboxes, plan_night
from pipeline.incremental.previous_run import History, prefetch_history, read_history, write_history
from pipeline.incremental.run_report import NightReport, processed_words, report_of, run_row
from pipeline.matching import MatchSettings, match_sightings
from pipeline.pitches import night_tables
from pipeline.pitches.reconcile import Rules
from pipeline.settings.ledger import Ledger
from pipeline.warehouse.publish import Base, prefetch_database, publish
from pipeline.warehouse.run_log import Attempt, Outcome, failures_recorded, record_attempt
from pipeline.warehouse.versions import Version, clear_exports, next_version, recover
from schemas.contract import conform
from schemas.tables import TABLES

log = logging.getLogger("pitchledger")


def run_night(ledger: Ledger, *, rebuild: bool = False, progress: Progress | None = None) -> NightReport:
    """Process what is new in the inboxes and publish the warehouse; do nothing where nothing has changed."""
    started_at = datetime.now(UTC)
    progress = progress or _log_progress
    start_reader()
    published = read_history(ledger.output)
    inboxes = look_into_inboxes(ledger, published, keep=True, rebuild=rebuild)
    plan = plan_night(ledger, inboxes, published, rebuild=rebuild)
    if plan.is_empty:
        # A run that was killed right after publishing leaves only this to do.
        recover(ledger.output, ledger.keep_versions)
        clear_exports(ledger.output)
        return report_of(plan, inboxes, published.version, started_at)
    base = History() if plan.everything else published.without_files(plan.dirty)
    with prefetch_history(base) as history, prefetch_database(ledger.output, base.version) as database:
        ready = prepare(ledger, plan, history, progress)
        history = history.without_nights(ready.nights)
        night = process_night(ledger, plan, ready, history, started_at, progress)
        version = next_version(ledger.output, started_at)
        pitches = night.tables["pitches"].height + history.without_nights(night.nights["pitches"]).count("pitches")
        this_run = run_row(plan, version, started_at, night.tables["files"], pitches, ready.nights)
        night.tables["runs"] = pl.concat([conform(published.read("runs"), TABLES["runs"]), this_run])
        progress("publish", 0, 1)
        previous = Base(Version(ledger.output, base.version), night.nights, database) if database else None
        keep_history = partial(write_history, frames=night.kept, settings=plan.settings, history=history)
        publish(night.tables, ledger.output, version, ledger.keep_versions, previous, keep_history)
    clear_exports(ledger.output)
    progress("publish", 1, 1)
    return report_of(plan, inboxes, version, started_at, ready.nights)


def process_night(
    ledger: Ledger, plan: Plan, ready: Prepared, history: History, started_at: datetime, progress: Progress
) -> Night:
    """Run the stages from matching to agreement for the nights that are `ready`; return every table but `runs`."""
    ranks = {tracker.id: tracker.rank for tracker in ledger.trackers}

    progress("match", 0, 1)
    settings = MatchSettings(ledger.matching.doubtful_below, ledger.matching.merge_above)
    stations = {tracker.id: tracker.stations for tracker in ledger.trackers}
    statistics = history.other_nights("statistics")
    matched = match_sightings(ready.sightings, ranks, settings, stations, ledger.decisions, statistics)
    progress("match", 1, 1)

    occasions = {station: word for tracker in ledger.trackers for station, word in tracker.default_occasions.items()}
    sightings = night_tables.locate(ready.sightings, matched.station_finds, occasions)
    sightings, removed = night_tables.remove_non_pitches(sightings, matched.doubles, ledger.decisions)
    stating = [tracker.id for tracker in ledger.trackers if tracker.profile.labels.occasion]
    rules = Rules(ranks, ledger.policies, ledger.tolerances, ledger.matching.doubtful_below, stating)
    reconciled, revalued = reconcile_nights(sightings, matched.matches, matched.calibration, rules, history)
    sightings = night_tables.add_pitch_ids(sightings, matched.matches)

    progress("agree", 0, 1)
    standards = Standards.with_defaults(ledger.tolerances, ranks)
    matched_pitches = MatchedPitches(sightings, matched.matches, reconciled.pitches, matched.match_pairs)
    measured = measure_nights(matched_pitches, standards)
    facts = replace_nights(earlier_facts(history, measured), measured, ready.nights)
    metric_counts = history.plus_nights("metric_counts", count_metrics(sightings))
    sources = metric_sources_table(ready.kept["file_sources"], metric_counts)
    agreement = agreement_of_nights(facts, standards, sources)
    progress("agree", 1, 1)

    tables = {**reconciled._asdict(), **agreement._asdict(), "sightings": sightings, "metric_sources": sources}
    kept = {**kept_facts(facts), "metric_counts": metric_counts, "statistics": matched.statistics}
    return assemble(ledger, plan, ready, Stages(matched, removed, revalued, tables, kept), history, started_at)


def run_and_record(ledger: Ledger, *, rebuild: bool = False, progress: Progress | None = None) -> NightReport:
    """Run `run_night` and record in the run log what became of it, whatever that is."""
    started_at = datetime.now(UTC)
    with failures_recorded(ledger.output, started_at):
        report = run_night(ledger, rebuild=rebuild, progress=progress)
    message = processed_words(report.files_new, report.nights) if report.published else "Nothing was new"
    outcome: Outcome = "done" if report.published else "nothing_new"
    attempt = Attempt.ended(started_at, report.finished_at, outcome, report.version, message, report.postponed)
    attempt = attempt._replace(unread=report.unread)
    try:
        record_attempt(ledger.output, attempt)
    except OSError as fault:
        # The version is published all the same.
        log.warning("The run is done, but its line could not be added to the run log: %s", fault)
    return report


def _log_progress(step: str, done: int, total: int) -> None:
    """Log the begin and end of each stage."""
    if done in (0, total):
        log.info("%s: %d of %d", step, done, total)
