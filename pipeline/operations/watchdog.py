"""A run that never ends keeps every later night out, so none may take longer than ledger.toml allows."""

import contextlib
import logging
import os
import threading
from collections.abc import Iterator
from datetime import datetime

from pipeline.errors import PitchledgerError
from pipeline.night import record_failure
from pipeline.operations.notify import tell_of_failure
from pipeline.settings.ledger import Ledger
from pipeline.warehouse.run_log import read_attempts

# the notification gives up after two minutes
LONGEST_TELLING_S = 180.0

log = logging.getLogger("pitchledger")


class RunTookTooLongError(PitchledgerError):
    """The run was ended at its time limit."""


@contextlib.contextmanager
def at_most(ledger: Ledger) -> Iterator[None]:
    """Let what runs meanwhile take `run.at_most_h` of ledger.toml; then the process ends, with exit code 3, and people are told.

    Compiled code that waits for ever hears no exception (polars has done so where memory ran out): nothing is unwound,
    and the next run mends what this one leaves, as after any other kill.
    """
    over = threading.Event()
    threading.Thread(target=_end_unless, args=(over, ledger), name="time limit", daemon=True).start()
    try:
        yield
    finally:
        over.set()


def _end_unless(over: threading.Event, ledger: Ledger) -> None:
    if over.wait(ledger.run_at_most_h * 3600):
        return
    try:
        # what holds up the run may hold up the telling too: a log whose reader stands still
        telling = threading.Thread(target=_tell, args=(ledger,), daemon=True)
        telling.start()
        telling.join(LONGEST_TELLING_S)
    finally:
        os._exit(RunTookTooLongError.exit_code)


def _tell(ledger: Ledger) -> None:
    fault = RunTookTooLongError(
        f"the run took longer than {ledger.run_at_most_h:g} h, so it was ended; run again: "
        "if that takes as long, see what the machine lacks (memory, the disk), or raise run.at_most_h in ledger.toml"
    )
    log.error("%s", fault)
    begun = [attempt for attempt in read_attempts(ledger.output)[-1:] if attempt.outcome == "begun"]
    for attempt in begun:
        record_failure(ledger.output, datetime.fromisoformat(attempt.started_at), fault)
    problem = tell_of_failure(ledger.folder, fault)
    if problem:
        log.error("%s", problem)
