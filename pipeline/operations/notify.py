"""Notify people how a run went, through apprise, if [notify] in ledger.toml asks for it.

The addresses contain passwords. They are in an environment variable that only a separate process (send_notification.py) reads; it returns
the kind of service and whether that accepted the message. A message travels over foreign servers, so it names no person and quotes no
label, file or cell. It gives counts, and `pitchledger status` shows the rest at home.
"""

import json
import logging
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from pipeline.errors import PitchledgerError
from pipeline.settings.ledger import Notify, read_notify
from pipeline.settings.problems import SettingsProblems
from pipeline.warehouse.lock import RunInProgressError
from pipeline.words import pluralize

if TYPE_CHECKING:
    from pipeline.reports.attention import Kind, Need

# a mail server that does not answer must not delay the night
TIMEOUT_S = 120
# lines of "Needs your attention" in a message
MAX_LINES = 12
# sentences of these kinds hold only ids, days and counts; every other kind is reported as a number
QUOTED_KINDS: tuple["Kind", ...] = (
    "roster",
    "drift",
    "setup",
    "correction",
    "gap",
    "unmatched",
    "doubtful",
    "warm-up",
    "lost",
    "clock",
    "unlike",
    "definition",
)
COUNTED_KINDS: dict["Kind", tuple[str, str]] = {
    "run": ("item is left for the next run", "items are left for the next run"),
    "inbox": ("folder is read by no tracker", "folders are read by no tracker"),
    "gone": (
        "tracker is missing exports from its inbox",
        "trackers are missing exports from their inboxes",
    ),
    "delivery": ("delivery is late or missing", "deliveries are late or missing"),
    "decision": ("line of decisions.csv has no effect", "lines of decisions.csv have no effect"),
    "file": ("file could not be read", "files could not be read"),
    "copy": ("export repeats another under different ids", "exports repeat others under different ids"),
    "same key": (
        "tracker uses the same number or id for different throws",
        "trackers use the same number or id for different throws",
    ),
    "row": ("tracker has rows in quarantine", "trackers have rows in quarantine"),
    "value": ("metric is left empty too often", "metrics are left empty too often"),
    "name": ("name needs a decision", "names need a decision"),
    "stale label": ("run of pitches has a doubtful label", "runs of pitches have a doubtful label"),
    "label": ("list of unknown words needs a look", "lists of unknown words need a look"),
}
Severity = Literal["info", "warning", "failure"]

log = logging.getLogger("pitchledger")


class Message(NamedTuple):
    """The notification of a run: plain text and its severity."""

    severity: Severity
    title: str
    body: str


def notify_of_run(folder: Path, *, published: bool, also: Sequence[str] = ()) -> str | None:
    """Notify of a completed run if the workspace's ledger.toml asks for it; `also`: further things that need attention.

    Return why nobody was notified, or None. Raise nothing, because the night is already published.
    """
    notify = read_notify(folder)
    if notify is None:
        return None
    try:
        message = message_of_run(notify, published=published, also=also)
    except Exception as fault:  # the tables are published, whatever is wrong with their summary
        log.exception("no summary for the notification")
        return f"nobody was notified: the summary failed ({type(fault).__name__})"
    wanted = notify.when == "always" or (notify.when == "needs_person" and message.severity != "info")
    return _send(message, notify.urls_from) if wanted else None


def notify_of_failure(folder: Path, fault: BaseException) -> str | None:
    """Notify of a failed run; otherwise like `notify_of_run`."""
    notify = read_notify(folder)
    return None if notify is None else _send(message_of_failure(notify, fault), notify.urls_from)


def message_of_run(notify: Notify, *, published: bool, also: Sequence[str] = ()) -> Message:
    """Return the short morning summary: what needs attention, last night, what came in."""
    from pipeline.reports.attention import find_needs
    from pipeline.reports.summary import read_facts
    from pipeline.warehouse.query import published_connection

    with published_connection(notify.output) as con:
        facts, needs = read_facts(con), find_needs(con, notify.output)
    attention = [*also, *_sentences(needs)]
    many = len(also) + len(needs)
    news = "a new version is published" if published else "nothing new came in"
    headline = (
        f"{pluralize(many, 'thing needs', 'things need')} your attention" if many else "nothing needs your attention"
    )
    lines = [
        *([f"Needs your attention ({many}):", *(f"- {line}" for line in attention[:MAX_LINES])] if attention else []),
        *([f"- and {len(attention) - MAX_LINES} more"] if len(attention) > MAX_LINES else []),
        *(["`pitchledger status` shows what to do about each.", ""] if attention else []),
        *_last_night(facts, published=published),
    ]
    return Message("warning" if many else "info", f"{notify.program}: {news}; {headline}", "\n".join(lines))


def _sentences(needs: Sequence["Need"]) -> list[str]:
    """Return the needs in order; kinds whose sentences may hold a name become one counting line each."""
    kinds = [need.kind for need in needs]
    lines = [
        need.problem if need.kind in QUOTED_KINDS else _counted(need.kind, kinds.count(need.kind)) for need in needs
    ]
    return list(dict.fromkeys(lines))


def _counted(kind: "Kind", number: int) -> str:
    one, many = COUNTED_KINDS[kind]
    return f"{number} {one if number == 1 else many}"


def _last_night(facts: dict[str, Any], *, published: bool) -> list[str]:
    from pipeline.reports.summary import last_night_lines

    version, _, _ = facts["run"]
    lost = facts["unexplained"]
    return [
        *last_night_lines(facts),
        f"Version {version} is {'now' if published else 'still'} current.",
        "Every row is accounted for." if not lost else f"NOT every row is accounted for: {lost} rows are missing.",
    ]


def message_of_failure(notify: Notify, fault: BaseException) -> Message:
    """Return the failure message. It omits the error text, which may quote a cell, and names the log instead."""
    from pipeline.warehouse.versions import current_version

    if isinstance(fault, RunInProgressError):
        title, why = "the run did NOT start", str(fault)
    else:
        title, why = "the run FAILED", f"{_error_kind(fault)} The run's log has the details."
    version = current_version(notify.output)
    seen = f"Version {version} is still current." if version else "No version is published yet."
    return Message("failure", f"{notify.program}: {title}, nothing was published", f"{why}\n{seen}")


def _error_kind(fault: BaseException) -> str:
    if isinstance(fault, SettingsProblems):
        number = len(fault.problems)
        problems = "1 problem" if number == 1 else f"{number} problems"
        return f"ledger.toml, a profile, the roster or the decisions have {problems}. `pitchledger check` lists them."
    cause = fault.__cause__ if isinstance(fault, PitchledgerError) and fault.__cause__ else fault
    # the system's text for an error number ("No space left on device") quotes nothing; the error's own text has the path
    reason = f": {os.strerror(cause.errno)}" if isinstance(cause, OSError) and cause.errno else ""
    return f"Kind of error: {type(cause).__name__}{reason}."


# ---- sending -----------------------------------------------------------------------------------------------------------------------------


def _send(message: Message, variable: str) -> str | None:
    """Send the message; return why it reached nobody, or None."""
    if not os.environ.get(variable, "").strip():
        return _warn(f"nobody was notified: the environment variable {variable}, named in ledger.toml, is not set")
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pipeline.operations.send_notification", variable],
            input=json.dumps(message._asdict()).encode(),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=TIMEOUT_S,
            check=True,
        )
        answers = json.loads(done.stdout)
    except subprocess.TimeoutExpired:
        return _warn(f"notification: no answer after {TIMEOUT_S} s; perhaps nobody was notified")
    except (subprocess.CalledProcessError, OSError, ValueError):
        # omit the error text, which may quote an address
        return _warn("nobody was notified: the notification failed before it was sent")
    refused = [service for service, sent in answers if not sent]
    if not refused:
        log.info("notified: %s", ", ".join(service for service, _ in answers))
        return None
    return _warn(
        f"notification: {len(refused)} of {len(answers)} not sent ({', '.join(refused)}); check the addresses in {variable}"
    )


def _warn(problem: str) -> str:
    log.warning("%s", problem)
    return problem
