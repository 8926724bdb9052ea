"""`limbaudit schedule` with a night every minute, and what happens to its processes and to its database."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
COURSES = ROOT / "tests" / "journeys" / "twelve_courses"
EVERY_MINUTE = '\n[schedule]\nnightly = "* * * * *"\nmonthly = "0 6 3 * *"\ntimezone = "Europe/Dublin"\n'
#: A night comes every minute, and on a busy machine the server takes a while to come up.
MOST_SECONDS = 240
LOCKED_SECONDS = 20


@dataclass(frozen=True)
class Serving:
    """The command under way, with its folder."""

    folder: Path
    process: subprocess.Popen[bytes]

    @property
    def state(self) -> Path:
        return next(iter((self.folder / "state" / "workspaces").glob("audit-*")))

    @property
    def server(self) -> int:
        """The number of its server's process; 0 where there is none."""
        for place in Path("/proc").glob("[0-9]*"):
            try:
                parent = int((place / "stat").read_text().rpartition(")")[2].split()[1])
                words = (place / "cmdline").read_bytes().split(b"\0")
            except OSError:
                continue
            if parent == self.process.pid and b"server" in words and b"start" in words:
                return int(place.name)
        return 0

    @property
    def last_night(self) -> str:
        try:
            return str(json.loads((self.state / "nights.json").read_text("utf-8"))["done_until"])
        except (OSError, ValueError, KeyError, StopIteration):
            return ""

    def another_night(self) -> str:
        """Wait for a night more; what is wrong if none comes, else empty."""
        before = self.last_night
        if _comes_true(lambda: self.last_night > before):
            return ""
        return f"no night came, {'it ended' if self.process.poll() is not None else 'it runs'}: {self.said[-300:]}"

    @property
    def said(self) -> str:
        return (self.folder / "said").read_text("utf-8", "replace")


def _comes_true(asked: Callable[[], bool], seconds: float = MOST_SECONDS) -> bool:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if asked():
            return True
        time.sleep(0.2)
    return False


@contextmanager
def _serving(folder: Path) -> Iterator[Serving]:
    """The command, stopped at the end as systemd stops it."""
    workspace = folder / "audit"
    if not workspace.exists():
        shutil.copytree(COURSES, workspace)
        with (workspace / "audit.toml").open("a", encoding="utf-8") as settings:
            settings.write(EVERY_MINUTE)
    environment = {"LIMBAUDIT_STATE_DIR": str(folder / "state"), "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "pipeline", "schedule", str(workspace)]
    with (folder / "said").open("ab") as said:
        process = subprocess.Popen(
            command, env=os.environ | environment, stdout=said, stderr=said, stdin=subprocess.DEVNULL
        )
    try:
        yield Serving(folder, process)
    finally:
        process.terminate()
        try:
            process.wait(60)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _is_gone(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


def server_killed(folder: Path) -> tuple[int, list[str]]:
    """The command ends with 3 and says why; started again, it goes on with the nights."""
    wrong = []
    with _serving(folder) as first:
        wrong.append(first.another_night())
        os.kill(first.server, signal.SIGKILL)
        ended = first.process.wait(60)
        if ended != 3 or "has ended on its own" not in first.said:
            wrong.append(f"ended with {ended}: {first.said[-300:]}")
    with _serving(folder) as second:
        wrong.append(second.another_night())
    return 2, [each for each in wrong if each]


def schedule_killed(folder: Path) -> tuple[int, list[str]]:
    """Its server ends with it; started again, it goes on with the nights; stopped, it leaves nothing running."""
    wrong = []
    with _serving(folder) as first:
        wrong.append(first.another_night())
        server = first.server
        first.process.kill()
        if not server or not _comes_true(lambda: _is_gone(server), 60):
            wrong.append(f"its server {server} runs on")
    with _serving(folder) as second:
        wrong.append(second.another_night())
        server = second.server
    if not server or not _comes_true(lambda: _is_gone(server), 60):
        wrong.append(f"stopped, its server {server} runs on")
    return 2, [each for each in wrong if each]


def database_locked(folder: Path) -> tuple[int, list[str]]:
    """Another process holds the scheduler's database for a while, over a night that is due; then nights go on."""
    wrong = []
    with _serving(folder) as serving:
        wrong.append(serving.another_night())
        with _locked(serving.state / "scheduler" / "prefect.db"):
            time.sleep(LOCKED_SECONDS)
        wrong += [serving.another_night(), serving.another_night()]
        if serving.process.poll() is not None:
            wrong.append(f"it ended with {serving.process.returncode}: {serving.said[-300:]}")
    return 1, [each for each in wrong if each]


@contextmanager
def _locked(database: Path) -> Iterator[None]:
    """Held for writing until the block ends, from the second in which the next minute's night is about to begin."""
    time.sleep(max(0.0, 55 - time.time() % 60))
    holder = sqlite3.connect(database, timeout=30, isolation_level=None)
    try:
        holder.execute("BEGIN IMMEDIATE")
        yield
        holder.execute("ROLLBACK")
    finally:
        holder.close()
