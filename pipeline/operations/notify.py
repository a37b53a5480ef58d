"""Telling people how a run went, through apprise, where [notify] in ledger.toml asks for it.

The addresses hold passwords. They stand in an environment variable, and only a process of its own (sending.py), which writes no log and
no trace back, ever looks at them: what comes back is the kind of service and whether it took the message. A message goes over servers of
others, so it names no person and quotes no label, file or cell: it counts those, and `pitchledger status` shows them at home.
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

# a mail server that does not answer must not hold up the night
LONGEST_S = 120
MOST_TOLD = 12
# their sentences are made of ids, days and counts alone; of every other kind only the number is told
SAID_WHOLE: tuple["Kind", ...] = ("drift", "setup", "correction", "gap", "doubtful", "lost", "clock", "unlike")
COUNTED: dict["Kind", tuple[str, str]] = {
    "run": ("thing is left for the next run", "things are left for the next run"),
    "gone": (
        "tracker has exports that are gone from its inbox",
        "trackers have exports that are gone from their inbox",
    ),
    "delivery": ("delivery is late or missing", "deliveries are late or missing"),
    "decision": ("line of decisions.csv has no effect", "lines of decisions.csv have no effect"),
    "file": ("file could not be read", "files could not be read"),
    "copy": ("export repeats another under other ids", "exports repeat others under other ids"),
    "row": ("tracker has rows in quarantine", "trackers have rows in quarantine"),
    "value": ("kind of reading is left out too often", "kinds of readings are left out too often"),
    "name": ("name is to be settled", "names are to be settled"),
    "stale label": ("run of pitches has a doubtful label", "runs of pitches have a doubtful label"),
    "label": ("list of unknown words is to be looked at", "lists of unknown words are to be looked at"),
}
Weight = Literal["info", "warning", "failure"]

log = logging.getLogger("pitchledger")


class Story(NamedTuple):
    """What is told of a run: plain text, and how grave it is."""

    weight: Weight
    title: str
    body: str


def tell_of_run(folder: Path, *, published: bool, also: Sequence[str] = ()) -> str | None:
    """Tell of a run that ended well, where the workspace's ledger.toml asks for it; `also`: what else a person should see to.

    Returns what kept anyone from being told, for the exit message, or None. Raises nothing: the night is done.
    """
    notify = read_notify(folder)
    if notify is None:
        return None
    try:
        story = story_of_run(notify, published=published, also=also)
    except Exception as fault:  # the tables stand, whatever is the matter with their summary
        log.exception("no summary for the notification")
        return f"nobody was notified: the summary failed ({type(fault).__name__})"
    wanted = notify.when == "always" or (notify.when == "needs_person" and story.weight != "info")
    return _send(story, notify.urls_from) if wanted else None


def tell_of_failure(folder: Path, fault: BaseException) -> str | None:
    """Tell of a run that failed; otherwise as `tell_of_run`."""
    notify = read_notify(folder)
    return None if notify is None else _send(story_of_failure(notify, fault), notify.urls_from)


def story_of_run(notify: Notify, *, published: bool, also: Sequence[str] = ()) -> Story:
    """The morning summary, short: what needs a person, last night, what came."""
    from pipeline.reports.attention import find_needs
    from pipeline.reports.summary import read_facts

    needs = find_needs(notify.output)
    facts = read_facts(notify.output)
    waiting = [*also, *_sentences(needs)]
    many = len(also) + len(needs)
    news = "a new version is published" if published else "nothing new came"
    wait = f"{pluralize(many, 'thing needs', 'things need')} a person" if many else "nothing needs a person"
    lines = [
        *([f"What needs a person ({many}):", *(f"- {line}" for line in waiting[:MOST_TOLD])] if waiting else []),
        *([f"- and {len(waiting) - MOST_TOLD} more"] if len(waiting) > MOST_TOLD else []),
        *(["`pitchledger status` shows each with what settles it.", ""] if waiting else []),
        *_what_came(facts, published=published),
    ]
    return Story("warning" if many else "info", f"{notify.program}: {news}; {wait}", "\n".join(lines))


def _sentences(needs: Sequence["Need"]) -> list[str]:
    """The needs in their order, those whose words may hold a name as one line a kind."""
    kinds = [need.kind for need in needs]
    lines = [
        need.sentence if need.kind in SAID_WHOLE else _counted(need.kind, kinds.count(need.kind)) for need in needs
    ]
    return list(dict.fromkeys(lines))


def _counted(kind: "Kind", number: int) -> str:
    one, many = COUNTED[kind]
    return f"{number} {one if number == 1 else many}"


def _what_came(facts: dict[str, Any], *, published: bool) -> list[str]:
    version, _, _ = facts["run"]
    nights = [
        f"Last night {day}: {occasion or 'occasion unknown'} at {station or 'an unknown station'}, "
        f"{pluralize(pitches, 'pitch')}, {pluralize(pitchers, 'pitcher')}."
        for day, occasion, station, pitches, pitchers in facts["last_night"]
    ]
    lost = facts["unexplained"]
    return [
        *nights,
        f"Readers see version {version}{' now' if published else ' as before'}.",
        "Every row is accounted for." if not lost else f"NOT every row is accounted for: {lost} are missing.",
    ]


def story_of_failure(notify: Notify, fault: BaseException) -> Story:
    """That the run failed, and where the reason stands; the fault's own words may quote a cell and stay at home."""
    from pipeline.warehouse.versions import current_version

    if isinstance(fault, RunInProgressError):
        title, why = "the run did NOT start", f"{fault}."
    else:
        title, why = "the run FAILED", f"{_kind_of(fault)} Its words are in the log of the run."
    version = current_version(notify.output)
    seen = f"Readers see version {version} as before." if version else "No version is published yet."
    return Story("failure", f"{notify.program}: {title}, nothing was published", f"{why}\n{seen}")


def _kind_of(fault: BaseException) -> str:
    if isinstance(fault, SettingsProblems):
        number = len(fault.problems)
        faults = "1 fault" if number == 1 else f"{number} faults"
        return f"ledger.toml, a profile, the roster or the decisions have {faults}: `pitchledger check` lists them."
    cause = fault.__cause__ if isinstance(fault, PitchledgerError) and fault.__cause__ else fault
    # the system's word for a number ("No space left on device") quotes nothing; the error's own text has the path
    told = f": {os.strerror(cause.errno)}" if isinstance(cause, OSError) and cause.errno else ""
    return f"Kind of fault: {type(cause).__name__}{told}."


# ---- sending -----------------------------------------------------------------------------------------------------------------------------


def _send(story: Story, variable: str) -> str | None:
    """What kept the message from anyone, or None."""
    if not os.environ.get(variable, "").strip():
        return _told(f"nobody was notified: the environment variable {variable}, named in ledger.toml, is not set")
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pipeline.operations.send_notification", variable],
            input=json.dumps(story._asdict()).encode(),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=LONGEST_S,
            check=True,
        )
        taken = json.loads(done.stdout)
    except subprocess.TimeoutExpired:
        return _told(f"notification: no answer after {LONGEST_S} s; perhaps nobody was notified")
    except (subprocess.CalledProcessError, OSError, ValueError):
        # no word of the fault: it may quote an address
        return _told("nobody was notified: the notification failed before it was sent")
    refused = [service for service, sent in taken if not sent]
    if not refused:
        log.info("notified: %s", ", ".join(service for service, _ in taken))
        return None
    return _told(
        f"notification: {len(refused)} of {len(taken)} not sent ({', '.join(refused)}); see the addresses in {variable}"
    )


def _told(problem: str) -> str:
    log.warning("%s", problem)
    return problem
