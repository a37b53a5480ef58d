"""Prefect's environment: its settings, made before it is imported, and a private server if none is configured.

`python -m pipeline.operations.prefect_server PORT` is that server. It stops when the process that started it ends, in whatever way.
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

# telemetry is off unless the user turned it on; with it, Prefect's database was locked in most measured runs
NO_TELEMETRY = {"PREFECT_SERVER_ANALYTICS_ENABLED": "false", "DO_NOT_TRACK": "1"}
# Prefect's log includes ours, so a run can be read where it is shown; lines outside of a run stay in our log
LOGS = {"PREFECT_LOGGING_EXTRA_LOGGERS": "pitchledger", "PREFECT_LOGGING_TO_API_WHEN_MISSING_FLOW": "ignore"}
LOCAL = "127.0.0.1"
START_TIMEOUT_S = 180

log = logging.getLogger("pitchledger")


class OwnServer(NamedTuple):
    """The server's address and password (PREFECT_API_URL and PREFECT_API_AUTH_STRING)."""

    url: str
    password: str


def prepare_environment() -> None:
    """Set Prefect's settings that the user has not set. Call this before Prefect is imported.

    Prefect creates a folder in the user's home on import; users who never used Prefect get a temporary one.
    """
    for name, value in {**NO_TELEMETRY, **LOGS}.items():
        os.environ.setdefault(name, value)
    if "PREFECT_HOME" not in os.environ and not (Path.home() / ".prefect").is_dir():
        home = tempfile.mkdtemp(prefix="pitchledger-prefect-")
        atexit.register(shutil.rmtree, home, ignore_errors=True)
        os.environ["PREFECT_HOME"] = home


@contextlib.contextmanager
def own_server() -> Iterator[OwnServer]:
    """Run a private Prefect server on this machine for the duration of the context.

    It stores nothing: each start creates the schedule again, and the warehouse has the history. A password keeps other users of the machine
    out, because whoever can add a run to a schedule can run any program. Raises PitchledgerError if the server does not start.
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
    # a separate process group: Ctrl-C must not reach the server, which we stop ourselves
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
    until = time.monotonic() + START_TIMEOUT_S
    while time.monotonic() < until:
        if process.poll() is not None:
            raise PitchledgerError(
                f"Prefect's server exited at once with code {process.returncode}. Nothing is scheduled."
            )
        with contextlib.suppress(OSError), urllib.request.urlopen(f"http://{LOCAL}:{port}/api/health", timeout=5):
            return
        time.sleep(0.2)
    raise PitchledgerError(f"Prefect's server did not answer within {START_TIMEOUT_S} s. Nothing is scheduled.")


def _stop(process: "subprocess.Popen[bytes]") -> None:
    assert process.stdin is not None
    process.stdin.close()
    try:
        process.wait(timeout=15)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def main() -> None:
    """Serve until standard input closes, which happens when the parent process ends."""
    import uvicorn

    config = uvicorn.Config(
        "prefect.server.api.server:create_app", factory=True, host=LOCAL, port=int(sys.argv[1]), log_level="error"
    )
    server = uvicorn.Server(config)

    def end() -> None:
        sys.stdin.buffer.read()
        server.should_exit = True
        time.sleep(10)
        os._exit(0)  # some of its threads never end

    threading.Thread(target=end, daemon=True).start()
    server.run()


if __name__ == "__main__":
    main()
