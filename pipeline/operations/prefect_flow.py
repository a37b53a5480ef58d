"""The nightly run as a thin Prefect flow around the functions that `pitchledger run` calls. The only file that imports Prefect.

Call `prefect_server.prepare_environment` before importing this module. Each stage is a named task. Transient faults (retryable.py) are
retried with growing delays; any other fault ends the run at once. Missed nights need no special care: a run processes everything new.
"""

import contextlib
import contextvars
import hashlib
import io
import logging
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from queue import SimpleQueue
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from prefect import flow, get_run_logger, task
from prefect.artifacts import create_markdown_artifact
from prefect.cache_policies import NO_CACHE
from prefect.client.orchestration import get_client
from prefect.client.schemas.objects import ConcurrencyLimitConfig, ConcurrencyLimitStrategy
from prefect.schedules import Cron
from prefect.settings import PREFECT_API_AUTH_STRING, PREFECT_API_URL, PREFECT_UI_URL, temporary_settings
from prefect.types.entrypoint import EntrypointType

from pipeline.errors import PitchledgerError
from pipeline.incremental.run_report import NightReport
from pipeline.log_format import make_harmless
from pipeline.night import run_and_record
from pipeline.operations.notify import notify_of_failure, notify_of_run
from pipeline.operations.prefect_server import own_server
from pipeline.operations.retryable import InboxUnreachableError, check_inboxes, is_transient
from pipeline.operations.watchdog import time_limit
from pipeline.settings.ledger import Ledger, load_ledger
from pipeline.warehouse.lock import run_lock
from pipeline.warehouse.versions import deleting_pruned
from pipeline.words import moment_words

# one hour in total: a network drive that is offline at 02:30 has until 03:30, and breakfast is safe
RETRY_DELAYS_S = (60.0, 120.0, 300.0, 900.0, 2220.0)
ARTIFACT = "pitchledger-morning-summary"
STAGE_NAMES = {
    "read": "read the exports",
    "match": "match the sightings",
    "agree": "compare the trackers",
    "publish": "publish",
}

log = logging.getLogger("pitchledger")


# ---- the flow --------------------------------------------------------------------------------------------------------------------------------


@flow(name="pitchledger-nightly", persist_result=False)
def nightly(workspace: str, retry_delays_s: Sequence[float] = RETRY_DELAYS_S) -> None:
    """Run one night of `workspace`; retry transient faults after each of `retry_delays_s`."""
    log.addFilter(make_harmless)
    folder = Path(workspace)
    retries: dict[str, Any] = {"retries": len(retry_delays_s), "retry_delay_seconds": list(retry_delays_s)}
    try:
        unreachable = _unreachable_inboxes(folder, retries)
        report = process_night.with_options(**retries)(folder)
    except Exception as fault:
        cause = fault  # the lambda needs a name that outlives the except block
        send_notification(lambda: notify_of_failure(folder, cause))
        raise
    get_run_logger().info("%s", _outcome(report))
    write_summary(folder, report, [f"{tracker}: {sentence}" for tracker, sentence in unreachable])
    also = [f"{tracker}: its inbox, or a new export in it, could not be reached" for tracker, _ in unreachable]
    send_notification(lambda: notify_of_run(folder, published=report.published, also=also))


def _outcome(report: NightReport) -> str:
    if not report.published:
        return f"nothing was new; version {report.version} is current"
    return f"published version {report.version}: {report.files_new} new exports, {report.files_known} known"


def _unreachable_inboxes(folder: Path, retries: dict[str, Any]) -> list[tuple[str, str]]:
    """Wait for unreachable inboxes; return those that stay so. The night continues without them."""
    try:
        check_all_inboxes.with_options(**retries)(folder)
    except InboxUnreachableError as fault:
        get_run_logger().warning("the night continues without what is unreachable: %s", fault)
        return fault.unreachable
    return []


def _should_retry(_task: Any, _run: Any, state: Any) -> bool:
    return is_transient(state.data if isinstance(state.data, BaseException) else None)


@task(name="check the inboxes", cache_policy=NO_CACHE, persist_result=False, retry_condition_fn=_should_retry)
def check_all_inboxes(folder: Path) -> None:
    """Raise InboxUnreachableError if an inbox or a new export cannot be reached now."""
    check_inboxes(load_ledger(folder))


@task(name="process the night", cache_policy=NO_CACHE, persist_result=False, retry_condition_fn=_should_retry)
def process_night(folder: Path) -> NightReport:
    """Do what `pitchledger run` does, with each stage as a task below this one."""
    ledger = load_ledger(folder)
    with run_lock(ledger.output), time_limit(ledger):
        return _run_by_stages(ledger)


@task(name="write the summary", cache_policy=NO_CACHE, persist_result=False)
def write_summary(folder: Path, report: NightReport, unreachable: Sequence[str]) -> None:
    """Store the morning summary as the run's artifact."""
    ledger = load_ledger(folder)
    with deleting_pruned(ledger.output):
        text = _summary(ledger, report, unreachable)
    # indented by four: a Markdown code block, which no label or file name can break out of
    markdown = "\n".join(f"    {line}" for line in text.splitlines())
    create_markdown_artifact(markdown, key=ARTIFACT, description="The morning summary of the last run")


@task(name="notify", cache_policy=NO_CACHE, persist_result=False)
def send_notification(send: Callable[[], str | None]) -> None:
    """Notify whom [notify] in ledger.toml names; an undelivered message fails nothing."""
    send()


def _summary(ledger: Ledger, report: NightReport, unreachable: Sequence[str]) -> str:
    from rich.console import Console

    from pipeline.reports.printing import LOG_WIDTH, harmless
    from pipeline.reports.summary import print_summary

    page = io.StringIO()
    out = Console(file=page, width=LOG_WIDTH, highlight=False, color_system=None)
    for sentence in unreachable:
        out.print(harmless(f"The night continued without: {sentence}"))
    if not report.published:
        out.print("Nothing was new; the previous version is current.")
    print_summary(ledger.output, out)
    return page.getvalue()


# ---- the stages of a run, each a task --------------------------------------------------------------------------------------------------------


class _Progress(NamedTuple):
    """A progress report of a stage; `stage` is "" when the run is over."""

    stage: str
    is_done: bool


def _run_by_stages(ledger: Ledger) -> NightReport:
    """Run the night in a thread and turn each stage that it reports into a task."""
    reports: SimpleQueue[_Progress] = SimpleQueue()

    def run() -> NightReport:
        return run_and_record(ledger, progress=lambda stage, done, total: reports.put(_Progress(stage, done >= total)))

    with ThreadPoolExecutor(1, "night") as thread:
        night = thread.submit(contextvars.copy_context().run, run)
        night.add_done_callback(lambda _: reports.put(_Progress("", True)))
        latest = reports.get()
        while latest.stage:
            name = STAGE_NAMES.get(latest.stage, latest.stage)
            latest = _follow_stage.with_options(name=name)(latest, reports, night) or reports.get()
        return night.result()


@task(cache_policy=NO_CACHE, persist_result=False)
def _follow_stage(
    begun: _Progress, reports: "SimpleQueue[_Progress]", night: "Future[NightReport]"
) -> _Progress | None:
    """Wait for the end of a stage. Return another stage's report if that came first; raise what the run raised."""
    latest = begun
    while latest.stage == begun.stage and not latest.is_done:
        latest = reports.get()
    if not latest.stage:
        night.result()
    return None if latest.stage == begun.stage else latest


# ---- the schedule ----------------------------------------------------------------------------------------------------------------------------


def next_run(at: time, zone: str, now: datetime) -> datetime:
    """Return the next time at which clocks in `zone` show `at`, once a day.

    A time that daylight saving skips becomes an hour later.
    """
    local = now.astimezone(ZoneInfo(zone))
    days = (local.date() + timedelta(days=ahead) for ahead in (-1, 0, 1, 2))
    # to UTC and back: a nonexistent time of day becomes the one that clocks show instead
    moments = (datetime.combine(day, at, ZoneInfo(zone)).astimezone(UTC).astimezone(ZoneInfo(zone)) for day in days)
    return next(moment for moment in moments if moment > now)


def keep_schedule(folder: Path, at: time, output: Callable[[str], None]) -> None:
    """Run the nightly job of `folder` at `at`, in its ledger's time zone, until the process is stopped.

    `output` prints lines for the user. Raises SettingsProblems for wrong settings, PitchledgerError if Prefect's server is or becomes unreachable.
    """
    place = folder.resolve()
    ledger = load_ledger(place)
    for chatty in ("prefect.runner", "prefect.flows", "httpx"):  # these log a line every ten seconds
        logging.getLogger(chatty).setLevel(logging.WARNING)
    with _server(output) as url, contextlib.suppress(KeyboardInterrupt):
        moment = next_run(at, ledger.time_zone, datetime.now(UTC))
        output(
            f"Next run: {moment_words(moment, ledger.time_zone)} ({ledger.time_zone}), then every night while this command runs. Stop it with Ctrl-C."
        )
        try:
            nightly.serve(
                name=_deployment_name(place),
                schedule=Cron(f"{at.minute} {at.hour} * * *", timezone=ledger.time_zone),
                # if several are due at once, as after a sleep, one runs and processes everything
                global_limit=ConcurrencyLimitConfig(limit=1, collision_strategy=ConcurrencyLimitStrategy.CANCEL_NEW),
                parameters={"workspace": str(place)},
                description=f"The nightly run of {ledger.program}",
                print_starting_message=False,
                entrypoint_type=EntrypointType.MODULE_PATH,
            )
        except PitchledgerError:
            raise
        except Exception as fault:
            log.debug("the schedule ended", exc_info=True)
            raise PitchledgerError(
                f"Prefect's server at {url} no longer answers, so no night runs. Start `pitchledger schedule` again."
            ) from fault


def _deployment_name(place: Path) -> str:
    """Return the workspace's name plus a hash of its path, unique on a shared server."""
    return f"{place.name}-{hashlib.sha256(str(place).encode()).hexdigest()[:6]}"


@contextlib.contextmanager
def _server(output: Callable[[str], None]) -> Iterator[str]:
    """Yield the address, without password, of the configured server or of a private one."""
    configured = PREFECT_API_URL.value()
    if configured:
        url = _without_password(configured)
        with get_client(sync_client=True) as client:
            fault = client.api_healthcheck()
        if fault is not None:
            raise PitchledgerError(
                f"The Prefect server at {url} does not answer ({type(fault).__name__}), so no night would run. Start it, or unset "
                "PREFECT_API_URL to use a private server."
            )
        output(f"Prefect: using the server at {url}, which shows runs and summaries.")
        yield url
        return
    output("Prefect: starting a private server; this takes a few seconds.")
    with (
        own_server() as server,
        temporary_settings({PREFECT_API_URL: server.url, PREFECT_API_AUTH_STRING: server.password, PREFECT_UI_URL: ""}),
    ):
        yield server.url


def _without_password(url: str) -> str:
    scheme, _, rest = url.partition("://")
    return f"{scheme}://{rest.rpartition('@')[2]}"
