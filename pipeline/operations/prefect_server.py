"""What Prefect needs around it: its settings, made before it is imported, and a server of our own where none is configured.

Run as a program (`python -m pipeline.operations.prefect_server PORT`) it is that server; it ends when the process that started it does, however that ends.
"""

import atexit
import contextlib
import logging
import os
import secrets
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

from pipeline.errors import PitchledgerError

# Prefect's own telemetry is off unless the user has turned it on; with it, its database was locked in most runs that we measured
QUIET = {"PREFECT_SERVER_ANALYTICS_ENABLED": "false", "DO_NOT_TRACK": "1"}
# our log goes to Prefect's too, so that a run can be read where it is shown; a line outside of any run is for our own log only
LOGS = {"PREFECT_LOGGING_EXTRA_LOGGERS": "pitchledger", "PREFECT_LOGGING_TO_API_WHEN_MISSING_FLOW": "ignore"}
LOCAL = "127.0.0.1"
LONGEST_START_S = 180

log = logging.getLogger("pitchledger")


class OwnServer(NamedTuple):
    """Where the server is, and the word that it wants to hear (PREFECT_API_URL and PREFECT_API_AUTH_STRING)."""

    url: str
    password: str


def prepare_environment() -> None:
    """Set Prefect's settings as far as the user has not; to be called before it is imported.

    Who has never used Prefect gets no folder of its in their home: it makes one on import.
    """
    for name, value in {**QUIET, **LOGS}.items():
        os.environ.setdefault(name, value)
    if "PREFECT_HOME" not in os.environ and not (Path.home() / ".prefect").is_dir():
        home = tempfile.mkdtemp(prefix="pitchledger-prefect-")
        atexit.register(shutil.rmtree, home, ignore_errors=True)
        os.environ["PREFECT_HOME"] = home


@contextlib.contextmanager
def own_server() -> Iterator[OwnServer]:
    """A Prefect server on this machine for as long as it is asked for.

    It keeps nothing: the schedule is made anew at each start, and what happened stands in the warehouse. Nobody else on the machine can use
    it: whoever can add a run to a schedule can have any program run. Raises PitchledgerError where it does not start.
    """
    with tempfile.TemporaryDirectory(prefix="pitchledger-prefect-", ignore_cleanup_errors=True) as home:
        port, password = _free_port(), f"pitchledger:{secrets.token_urlsafe(24)}"
        environment = {
            **os.environ,
            "PREFECT_HOME": home,
            "PREFECT_SERVER_DATABASE_CONNECTION_URL": f"sqlite+aiosqlite:///{Path(home).as_posix()}/prefect.db",
            "PREFECT_SERVER_API_AUTH_STRING": password,
            "PREFECT_SERVER_UI_ENABLED": "false",
        }
        process = _start(port, environment)
        try:
            _wait_until_it_answers(process, port)
            yield OwnServer(f"http://{LOCAL}:{port}/api", password)
        finally:
            _stop(process)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((LOCAL, 0))
        port: int = probe.getsockname()[1]
        return port


def _start(port: int, environment: Mapping[str, str]) -> "subprocess.Popen[bytes]":
    # in a group of its own: Ctrl-C is for us, and we still need the server to end well
    apart = 0 if os.name == "posix" else getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline.operations.prefect_server", str(port)],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        env=dict(environment),
        start_new_session=os.name == "posix",
        creationflags=apart,
    )


def _wait_until_it_answers(process: "subprocess.Popen[bytes]", port: int) -> None:
    until = time.monotonic() + LONGEST_START_S
    while time.monotonic() < until:
        if process.poll() is not None:
            raise PitchledgerError(
                f"Prefect's server ended at once with code {process.returncode}; nothing is scheduled"
            )
        with contextlib.suppress(OSError), urllib.request.urlopen(f"http://{LOCAL}:{port}/api/health", timeout=5):
            return
        time.sleep(0.2)
    raise PitchledgerError(f"Prefect's server did not answer within {LONGEST_START_S} s; nothing is scheduled")


def _stop(process: "subprocess.Popen[bytes]") -> None:
    assert process.stdin is not None
    process.stdin.close()
    try:
        process.wait(timeout=15)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def main() -> None:
    """Serve until standard input ends, which it does when the process at its other end is gone."""
    import uvicorn

    config = uvicorn.Config(
        "prefect.server.api.server:create_app", factory=True, host=LOCAL, port=int(sys.argv[1]), log_level="error"
    )
    server = uvicorn.Server(config)

    def end() -> None:
        sys.stdin.buffer.read()
        server.should_exit = True
        time.sleep(10)
        os._exit(0)  # something in it does not end

    threading.Thread(target=end, daemon=True).start()
    server.run()


if __name__ == "__main__":
    main()
