"""What a run reports: its report for the caller, its row in table `runs`, and its one-line message."""

import hashlib
import json
from collections.abc import Collection
from datetime import UTC, date, datetime
from typing import NamedTuple

import polars as pl

from pipeline.incremental.affected_nights import prepare
from pipeline.incremental.plan import Inboxes, Plan, look_into_inboxes, plan_night
from pipeline.incremental.previous_run import History, read_history
from pipeline.settings.ledger import Ledger
from pipeline.words import day_range_words, pluralize
from schemas.contract import conform
from schemas.runs import RUNS


class NightReport(NamedTuple):
    """What a run did. `published` is false where nothing was new; `version` is then the current one.

    `nights`: those processed. `reasons`: why, one sentence for each change. `postponed`: one sentence for each thing that the next run has
    to do (exports that are still being written, inboxes that are away). `unread`: one for each folder with files that no tracker reads.
    """

    published: bool
    version: str
    files_new: int
    files_known: int
    files_gone: int
    started_at: datetime
    finished_at: datetime
    nights: list[date]
    reasons: list[str]
    postponed: list[str]
    unread: list[str]


def report_of(
    plan: Plan, inboxes: Inboxes, version: str, started_at: datetime, nights: Collection[date] | None = None
) -> NightReport:
    """Return the report of a run that ends now. `nights`: those it published; None where it published nothing."""
    return NightReport(
        nights is not None,
        version,
        plan.new,
        plan.known,
        len(plan.gone),
        started_at,
        datetime.now(UTC),
        sorted(nights or ()),
        plan.reasons,
        inboxes.postponed,
        inboxes.unread,
    )


def dry_run(ledger: Ledger, *, rebuild: bool = False) -> NightReport:
    """Report what a run would do now: read what is new, write nothing."""
    started_at = datetime.now(UTC)
    history = read_history(ledger.output)
    inboxes = look_into_inboxes(ledger, history, keep=False, rebuild=rebuild)
    plan = plan_night(ledger, inboxes, history, rebuild=rebuild)
    report = report_of(plan, inboxes, history.version, started_at)
    if plan.is_empty:
        return report
    base = History() if plan.everything else history.without_files(plan.dirty)
    return report._replace(nights=sorted(prepare(ledger, plan, base, lambda *_: None).nights))


def run_row(
    plan: Plan, version: str, started_at: datetime, files: pl.DataFrame, pitches: int, nights: Collection[date]
) -> pl.DataFrame:
    """Return this run's row of table `runs`. `files`: that table; `pitches`: their number on all nights; `nights`: those processed."""
    row = {
        "run_id": version,
        "version": version,
        "started_at": started_at,
        "finished_at": datetime.now(UTC),
        "status": "done",
        "files_new": plan.new,
        "files_changed": plan.changed,
        "files_gone": len(plan.gone),
        "rows": files.get_column("rows").sum(),
        "sightings": files.get_column("sightings").sum(),
        "pitches": pitches,
        "quarantined": files.get_column("quarantined").sum(),
        "message": processed_words(plan.new, nights),
        "reprocessed": "; ".join(plan.reasons),
        "fingerprint": _fingerprint(plan),
    }
    times = {"started_at": pl.Datetime("us", "UTC"), "finished_at": pl.Datetime("us", "UTC")}
    return conform(pl.DataFrame([row], schema_overrides=times), RUNS)


def processed_words(new: int, nights: Collection[date]) -> str:
    """Return what a run did: "Processed 68 new exports (24 nights, Oct 1-Nov 4)"."""
    words = f"{pluralize(len(nights), 'night')}, {day_range_words(min(nights), max(nights))}" if nights else "no nights"
    return f"Processed {pluralize(new, 'new export')} ({words})"


def _fingerprint(plan: Plan) -> str:
    """Hash all that the tables depend on: settings, the program, and every export's name and content."""
    exports = sorted((file.tracker, file.file_name, file.sha256) for file in plan.exports)
    return hashlib.sha256(json.dumps([plan.settings, exports], sort_keys=True).encode()).hexdigest()
