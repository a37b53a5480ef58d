"""The commands around one run: run a workspace, show what a run would do, restore a version."""

import logging
from collections.abc import Sequence
from datetime import date
from pathlib import Path

import click

from pipeline.errors import PitchledgerError
from pipeline.incremental.run_report import NightReport, dry_run
from pipeline.log_format import escaped
from pipeline.night import run_and_record
from pipeline.operations.notify import notify_of_failure, notify_of_run
from pipeline.operations.terminal import progress_bars
from pipeline.operations.watchdog import time_limit
from pipeline.reports.printing import console
from pipeline.reports.summary import print_summary
from pipeline.settings.ledger import Ledger, load_ledger
from pipeline.warehouse.lock import run_lock
from pipeline.warehouse.run_log import restore
from pipeline.warehouse.versions import deleting_pruned, list_versions
from pipeline.words import day_range_words, day_words

log = logging.getLogger("pitchledger")


def run_workspace(folder: Path, *, rebuild: bool) -> None:
    """Run the night of a workspace, print its summary, and notify whom [notify] names."""
    try:
        report = _run_locked(folder, rebuild=rebuild)
    except Exception as fault:
        _print_problem(notify_of_failure(folder, fault))
        raise
    _print_problem(notify_of_run(folder, published=report.published))


def _print_problem(problem: str | None) -> None:
    if problem:
        click.echo(f"pitchledger: {problem}", err=True)


def _run_locked(folder: Path, *, rebuild: bool) -> NightReport:
    ledger = load_ledger(folder)
    with run_lock(ledger.output), time_limit(ledger):
        report = _run_or_fail(ledger, rebuild=rebuild)
    with deleting_pruned(ledger.output):
        if report.published:
            print_summary(ledger.output, console())
        else:
            click.echo(
                f"Nothing is new: all {report.files_known} exports are known. Version {report.version} is current."
            )
            for sentence in report.unread:
                click.echo(f"! {escaped(sentence)}")
    for sentence in report.postponed:
        click.echo(f"! {escaped(sentence)}")
    return report


def _run_or_fail(ledger: Ledger, *, rebuild: bool) -> NightReport:
    try:
        with progress_bars() as progress:
            return run_and_record(ledger, rebuild=rebuild, progress=progress)
    except (PitchledgerError, KeyboardInterrupt, SystemExit):
        raise
    except BaseException as fault:  # a panic of compiled code, for example out of memory, is not an Exception
        log.exception("the run failed")
        raise PitchledgerError(f"The run failed and published nothing: {type(fault).__name__}: {fault}") from fault


def print_dry_run(folder: Path, *, rebuild: bool) -> None:
    """Print what a run would do and why; write nothing."""
    report = dry_run(load_ledger(folder), rebuild=rebuild)
    for sentence in (*report.reasons, *(f"! {sentence}" for sentence in (*report.postponed, *report.unread))):
        click.echo(escaped(sentence))
    if not report.reasons:
        click.echo(f"Nothing is new. A run would change nothing; version {report.version} is current.")
    elif report.nights:
        click.echo(f"A run would process {_span(report.nights)}. Nothing was written.")
    else:
        click.echo("A run would process no night and publish the other changes. Nothing was written.")


def _span(nights: Sequence[date]) -> str:
    if len(nights) == 1:
        return f"the night of {day_words(nights[0])}"
    return f"{len(nights)} nights, {day_range_words(nights[0], nights[-1])}"


def restore_version(folder: Path, version: str) -> None:
    """Make a kept version the current one again. Raises click.UsageError if it is not kept."""
    ledger = load_ledger(folder)
    kept = list_versions(ledger.output)
    if version not in kept:
        raise click.UsageError(f"Version {version} is not kept. Kept versions: {', '.join(kept) or 'none'}.")
    with run_lock(ledger.output):
        restore(ledger.output, version)
    click.echo(f"Version {version} is current again. The next run continues from it and treats later exports as new.")
