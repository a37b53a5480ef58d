"""The nightly run through Prefect: a thin flow around the functions that `pitchledger run` calls. The only file that imports Prefect.

`schedule_server.prepare_environment` comes before this module is imported. Each step is a task with a name; what passes by waiting
(waiting.py) is tried again, ever later; what does not ends the run at once. Nights that were missed need no care: a run takes all there is.
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
from pipeline.log_format import make_harmless
from pipeline.night import NightReport, run_and_record
from pipeline.operations.notify import tell_of_failure, tell_of_run
from pipeline.operations.prefect_server import own_server
from pipeline.operations.retryable import InboxAwayError, can_pass, look_into_inboxes
from pipeline.operations.watchdog import at_most
from pipeline.settings.ledger import Ledger, load_ledger
from pipeline.warehouse.lock import run_lock
from pipeline.warehouse.versions import deleting_pruned

# an hour in all: a share that is away at 02:30 is given until 03:30, and breakfast is safe
WAITS_S = (60.0, 120.0, 300.0, 900.0, 2220.0)
ARTIFACT = "pitchledger-morning-summary"
STEP_NAMES = {
    "read": "read the exports",
    "match": "match the sightings",
    "agree": "compare the trackers",
    "publish": "publish",
}

log = logging.getLogger("pitchledger")


# ---- the flow --------------------------------------------------------------------------------------------------------------------------------


@flow(name="pitchledger-nightly", persist_result=False)
def nightly(workspace: str, waits_s: Sequence[float] = WAITS_S) -> None:
    """The whole of a night in `workspace`; `waits_s`: how long to wait before each further try of what can pass."""
    log.addFilter(make_harmless)
    folder = Path(workspace)
    patience: dict[str, Any] = {"retries": len(waits_s), "retry_delay_seconds": list(waits_s)}
    try:
        away = _what_stays_away(folder, patience)
        report = work_through_the_night.with_options(**patience)(folder)
    except Exception as fault:
        words = fault  # a name that the lambda can keep
        notify(lambda: tell_of_failure(folder, words))
        raise
    get_run_logger().info("%s", _outcome(report))
    write_the_summary(folder, report, [f"{tracker}: {sentence}" for tracker, sentence in away])
    also = [f"{tracker}: its inbox, or a new export in it, could not be reached" for tracker, _ in away]
    notify(lambda: tell_of_run(folder, published=report.published, also=also))


def _outcome(report: NightReport) -> str:
    if not report.published:
        return f"nothing was new; version {report.version} stands"
    return f"published version {report.version}: {report.files_new} new exports, {report.files_known} known"


def _what_stays_away(folder: Path, patience: dict[str, Any]) -> list[tuple[str, str]]:
    """Wait for inboxes that are away. What does not come back is told, and the night goes on without it: the others' pitches are wanted."""
    try:
        look_into_the_inboxes.with_options(**patience)(folder)
    except InboxAwayError as fault:
        get_run_logger().warning("the night goes on without what is away: %s", fault)
        return fault.away
    return []


def _passes(_task: Any, _run: Any, state: Any) -> bool:
    return can_pass(state.data if isinstance(state.data, BaseException) else None)


@task(name="look into the inboxes", cache_policy=NO_CACHE, persist_result=False, retry_condition_fn=_passes)
def look_into_the_inboxes(folder: Path) -> None:
    """Raise InboxAwayError where an inbox or a new export can't be reached just now."""
    look_into_inboxes(load_ledger(folder))


@task(name="work through the night", cache_policy=NO_CACHE, persist_result=False, retry_condition_fn=_passes)
def work_through_the_night(folder: Path) -> NightReport:
    """What `pitchledger run` does, each step a task below this one."""
    ledger = load_ledger(folder)
    with run_lock(ledger.output), at_most(ledger):
        return _by_steps(ledger)


@task(name="write the summary", cache_policy=NO_CACHE, persist_result=False)
def write_the_summary(folder: Path, report: NightReport, away: Sequence[str]) -> None:
    """The morning summary as the run's artifact."""
    ledger = load_ledger(folder)
    with deleting_pruned(ledger.output):
        text = _summary(ledger, report, away)
    # set in by four: a block of plain text, out of which no label or file name can break
    markdown = "\n".join(f"    {line}" for line in text.splitlines())
    create_markdown_artifact(markdown, key=ARTIFACT, description="The morning summary of the last run")


@task(name="notify", cache_policy=NO_CACHE, persist_result=False)
def notify(tell: Callable[[], str | None]) -> None:
    """Tell those whom [notify] in ledger.toml names; a message that does not arrive fails nothing."""
    tell()


def _summary(ledger: Ledger, report: NightReport, away: Sequence[str]) -> str:
    from rich.console import Console

    from pipeline.reports.printing import LOG_WIDTH, harmless
    from pipeline.reports.summary import print_summary

    page = io.StringIO()
    out = Console(file=page, width=LOG_WIDTH, highlight=False, color_system=None)
    for sentence in away:
        out.print(harmless(f"The night went on without: {sentence}"))
    if not report.published:
        out.print("Nothing was new; the version before stands.")
    print_summary(ledger.output, out)
    return page.getvalue()


# ---- the steps of a run, each a task ---------------------------------------------------------------------------------------------------------


class _Told(NamedTuple):
    """What a run says of a step: how far it is. `step` is "" when the run is over."""

    step: str
    is_done: bool


def _by_steps(ledger: Ledger) -> NightReport:
    """Run the night in a thread and follow it from here: each step that it tells of is a task, from its beginning to its end."""
    told: SimpleQueue[_Told] = SimpleQueue()

    def run() -> NightReport:
        return run_and_record(ledger, progress=lambda step, done, total: told.put(_Told(step, done >= total)))

    with ThreadPoolExecutor(1, "night") as thread:
        night = thread.submit(contextvars.copy_context().run, run)
        night.add_done_callback(lambda _: told.put(_Told("", True)))
        news = told.get()
        while news.step:
            name = STEP_NAMES.get(news.step, news.step)
            news = _follow_step.with_options(name=name)(news, told, night) or told.get()
        return night.result()


@task(cache_policy=NO_CACHE, persist_result=False)
def _follow_step(begun: _Told, told: "SimpleQueue[_Told]", night: "Future[NightReport]") -> _Told | None:
    """Go along until the step is over. Gives what was told of another step, if that came first; raises what the run raised in this one."""
    news = begun
    while news.step == begun.step and not news.is_done:
        news = told.get()
    if not news.step:
        night.result()
    return None if news.step == begun.step else news


# ---- the schedule ----------------------------------------------------------------------------------------------------------------------------


def next_run(at: time, zone: str, now: datetime) -> datetime:
    """The next moment at which clocks of `zone` show `at`; where that moment is skipped (daylight saving), an hour later, and never twice a day."""
    here = now.astimezone(ZoneInfo(zone))
    days = (here.date() + timedelta(days=ahead) for ahead in (-1, 0, 1, 2))
    # to UTC and back: a time of day that does not exist becomes the one that clocks show instead
    moments = (datetime.combine(day, at, ZoneInfo(zone)).astimezone(UTC).astimezone(ZoneInfo(zone)) for day in days)
    return next(moment for moment in moments if moment > now)


def keep_schedule(folder: Path, at: time, say: Callable[[str], None]) -> None:
    """Run `folder`'s nights at the time `at` of its ledger's zone until the process is stopped; `say` tells a person how it stands.

    Raises SettingsProblems where the settings are wrong, PitchledgerError where Prefect's server is not there, or goes away.
    """
    place = folder.resolve()
    ledger = load_ledger(place)
    for chatty in ("prefect.runner", "prefect.flows", "httpx"):  # a line every ten seconds, all night
        logging.getLogger(chatty).setLevel(logging.WARNING)
    with _server(say) as url, contextlib.suppress(KeyboardInterrupt):
        moment = next_run(at, ledger.time_zone, datetime.now(UTC))
        say(
            f"Next run: {moment:%A %Y-%m-%d %H:%M %Z} ({ledger.time_zone}), then every night. It runs as long as this does: stop it with Ctrl-C."
        )
        try:
            nightly.serve(
                name=_deployment_name(place),
                schedule=Cron(f"{at.minute} {at.hour} * * *", timezone=ledger.time_zone),
                # of several that are due at once, as after a night asleep, one runs: it takes everything
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
                f"Prefect's server at {url} no longer answers, and without it no night runs: start `pitchledger schedule` again"
            ) from fault


def _deployment_name(place: Path) -> str:
    """The workspace's name, and what tells it from another one of that name on the same server."""
    return f"{place.name}-{hashlib.sha256(str(place).encode()).hexdigest()[:6]}"


@contextlib.contextmanager
def _server(say: Callable[[str], None]) -> Iterator[str]:
    """The server that is configured, else one of our own for as long; gives its address without any password."""
    configured = PREFECT_API_URL.value()
    if configured:
        url = _without_password(configured)
        with get_client(sync_client=True) as client:
            fault = client.api_healthcheck()
        if fault is not None:
            raise PitchledgerError(
                f"the Prefect server at {url} does not answer ({type(fault).__name__}), so no night would run: start it, or take "
                "PREFECT_API_URL away, and pitchledger brings its own"
            )
        say(f"Prefect: the server at {url}; runs and summaries are shown there.")
        yield url
        return
    say("Prefect: starting a server of our own; this takes some seconds.")
    with (
        own_server() as server,
        temporary_settings({PREFECT_API_URL: server.url, PREFECT_API_AUTH_STRING: server.password, PREFECT_UI_URL: ""}),
    ):
        yield server.url


def _without_password(url: str) -> str:
    scheme, _, rest = url.partition("://")
    return f"{scheme}://{rest.rpartition('@')[2]}"
