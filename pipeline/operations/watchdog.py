"""A hung run stops itself at the time limit of ledger.toml, so it cannot block the next one."""

import contextlib
import logging
import os
import threading
from collections.abc import Iterator
from datetime import datetime

from pipeline.errors import PitchledgerError
from pipeline.operations.notify import notify_of_failure
from pipeline.settings.ledger import Ledger
from pipeline.warehouse.run_log import read_attempts, record_failure

# the notification itself times out after two minutes
REPORT_TIMEOUT_S = 180.0

log = logging.getLogger("pitchledger")


class RunTookTooLongError(PitchledgerError):
    """The run reached its time limit and was stopped."""


@contextlib.contextmanager
def time_limit(ledger: Ledger) -> Iterator[None]:
    """Limit the enclosed run to `run.at_most_h` of ledger.toml; then report, and end the process with exit code 3.

    No exception reaches compiled code that waits indefinitely (polars has hung when memory ran out). So nothing is unwound, and the
    next run cleans up, as after any other kill.
    """
    finished = threading.Event()
    threading.Thread(target=_end_unless, args=(finished, ledger), name="time limit", daemon=True).start()
    try:
        yield
    finally:
        finished.set()


def _end_unless(finished: threading.Event, ledger: Ledger) -> None:
    if finished.wait(ledger.run_at_most_h * 3600):
        return
    try:
        # what blocks the run may block the report too, for example a log pipe that nobody reads
        report = threading.Thread(target=_report_timeout, args=(ledger,), daemon=True)
        report.start()
        report.join(REPORT_TIMEOUT_S)
    finally:
        os._exit(RunTookTooLongError.exit_code)


def _report_timeout(ledger: Ledger) -> None:
    fault = RunTookTooLongError(
        f"The run took longer than {ledger.run_at_most_h:g} h and was stopped. Run again. "
        "If that takes as long, check the machine's memory and disk, or raise run.at_most_h in ledger.toml."
    )
    log.error("%s", fault)
    begun = [attempt for attempt in read_attempts(ledger.output)[-1:] if attempt.outcome == "begun"]
    for attempt in begun:
        record_failure(ledger.output, datetime.fromisoformat(attempt.started_at), fault)
    problem = notify_of_failure(ledger.folder, fault)
    if problem:
        log.error("%s", problem)
