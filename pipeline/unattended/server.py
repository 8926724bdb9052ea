"""The scheduler's own server as a child process: on loopback, a free port, no telemetry, its data in the state folder."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.ends_with_parent import ends_with_its_parent
from pipeline.errors import CannotFinish
from pipeline.unattended.local_disk import refuse_network_folder

HOST = "127.0.0.1"
STARTS_WITHIN_SECONDS = 120.0
ENDS_WITHIN_SECONDS = 30.0


def quiet_environment(home: Path, address: str) -> dict[str, str]:
    """Environment in which the scheduler talks to its own server and to nobody else."""
    exempt = [name for name in os.environ.get("NO_PROXY", "").split(",") if name]
    return {
        "PREFECT_HOME": str(home),
        "PREFECT_API_URL": address,
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "DO_NOT_TRACK": "1",
        "PREFECT_LOGGING_TO_API_ENABLED": "false",
        "NO_PROXY": ",".join(dict.fromkeys([*exempt, HOST, "localhost"])),
    }


@contextmanager
def own_server(home: Path) -> Iterator[str]:
    """Run a server while the block runs; gives its address.

    If the server ends on its own, this process is asked to end too, since nothing would be scheduled any more; where the
    system can say so, the server ends with this process, however that ends.

    Raises:
        WrongUse: The folder lies on a network file system.
        CannotFinish: It does not come up, has ended while it was needed, or another one serves this folder.
    """
    refuse_network_folder(home)
    home.mkdir(parents=True, exist_ok=True, mode=0o700)
    with _alone(home):
        yield from _served(home)


@contextmanager
def _alone(home: Path) -> Iterator[None]:
    """Two servers on one database would do every night twice."""
    from filelock import FileLock, Timeout

    lock = FileLock(home / "serving.lock", timeout=0, thread_local=False)
    try:
        lock.acquire()
    except Timeout:
        raise CannotFinish(
            f"Another `limbaudit schedule` serves this workspace; its server's data lie in {home}. Stop that one first."
        ) from None
    try:
        yield
    finally:
        lock.release()


def _served(home: Path) -> Iterator[str]:
    port = _free_port()
    address = f"http://{HOST}:{port}/api"
    command = [
        sys.executable,
        "-m",
        "prefect",
        "server",
        "start",
        "--host",
        HOST,
        "--port",
        str(port),
        "--no-ui",
    ]
    with (home / "server.log").open("ab") as log:
        server = subprocess.Popen(
            command, env={**os.environ, **quiet_environment(home, address)}, stdout=log, stderr=log,
            stdin=subprocess.DEVNULL, start_new_session=True, preexec_fn=ends_with_its_parent(),
        )  # fmt: skip
        try:
            _wait_until_up(address, server, home)
            wanted = threading.Event()
            wanted.set()
            threading.Thread(target=_watch, args=(server, wanted, _ended(home)), daemon=True).start()
            try:
                yield address
            finally:
                wanted.clear()
                if server.poll() is not None:  # whatever the scheduler makes of that
                    raise CannotFinish(_ended(home))
        finally:
            _stop(server)


def _ended(home: Path) -> str:
    return (
        f"The scheduler's server has ended on its own; {home / 'server.log'} says why. Nothing is scheduled until "
        "`limbaudit schedule` is started again; it then does what was missed."
    )


def _watch(server: subprocess.Popen[bytes], wanted: threading.Event, why: str) -> None:
    """Ask this process to end when the server has; it has time for that, and then ends all the same."""
    server.wait()
    if wanted.is_set():
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(ENDS_WITHIN_SECONDS)
        print(f"limbaudit: {why}", file=sys.stderr, flush=True)
        os._exit(CannotFinish.exit_code)


def _free_port() -> int:
    with socket.socket() as found:
        found.bind((HOST, 0))
        return int(found.getsockname()[1])


def _wait_until_up(address: str, server: subprocess.Popen[bytes], home: Path) -> None:
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    until = time.monotonic() + STARTS_WITHIN_SECONDS
    while time.monotonic() < until and server.poll() is None:
        try:
            with opener.open(f"{address}/health", timeout=2):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.5)
    raise CannotFinish(f"The scheduler's server did not come up. {home / 'server.log'} says why.")


def _stop(server: subprocess.Popen[bytes]) -> None:
    if server.poll() is None:
        server.send_signal(signal.SIGTERM)
        try:
            server.wait(20)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()
