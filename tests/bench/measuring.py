"""One program measured: seconds, processor seconds and peak memory of it and all its children; and lines fitted to points."""

from __future__ import annotations

import math
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from time import perf_counter

ROOT = Path(__file__).parents[2]
LIBRARIES = ("duckdb", "pyarrow", "pandas", "numpy")


@dataclass(frozen=True)
class Measured:
    """One finished process, or the medians over several; `peak_mb` and `own_mb` are then the highest.

    `peak_mb` is all memory it held at a time; `own_mb` is that without pages of mapped files, which the system may take
    back at any time (looked at twenty times a second).
    """

    seconds: float
    cpu: float
    peak_mb: float
    own_mb: float
    said: str = ""

    def figures(self) -> dict[str, float]:
        whole = {"peak_mb": round(self.peak_mb), "own_mb": round(self.own_mb)}
        return {"seconds": round(self.seconds, 3), "cpu": round(self.cpu, 3), **whole}


def measured(arguments: Sequence[str]) -> Measured:
    """Run a Python program to its end with nothing kept of earlier runs; the exit code 1 says that there are findings."""
    with tempfile.TemporaryDirectory() as state:
        return _measured(arguments, Path(state))


def _measured(arguments: Sequence[str], state: Path) -> Measured:
    begun = perf_counter()
    child = subprocess.Popen(
        [sys.executable, *arguments],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "LIMBAUDIT_STATE_DIR": str(state)},
    )
    assert child.stdout is not None
    own = _Own(child.pid)
    with child.stdout, own:
        said = child.stdout.read()
    _, status, usage = os.wait4(child.pid, 0)
    seconds = perf_counter() - begun
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode not in (0, 1):
        raise SystemExit(f"{' '.join(arguments)} ended with {child.returncode}.")
    return Measured(seconds, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, own.most_mb, said)


class _Own:
    """The most memory of its own that a process holds while the block runs; 0 where the system does not say."""

    def __init__(self, process: int) -> None:
        self.most_mb = 0.0
        self._status = Path(f"/proc/{process}/status")
        self._ended = threading.Event()
        self._watch = threading.Thread(target=self._look, daemon=True)

    def __enter__(self) -> None:
        self._watch.start()

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._watch.join()

    def _look(self) -> None:
        while not self._ended.wait(0.05):
            with suppress(OSError):
                told = self._status.read_text("ascii").partition("RssAnon:")[2].split()
                self.most_mb = max(self.most_mb, int(told[0]) / 1024 if told else 0.0)


def median(several: Sequence[Measured]) -> Measured:
    return Measured(
        statistics.median(each.seconds for each in several),
        statistics.median(each.cpu for each in several),
        max(each.peak_mb for each in several),
        max(each.own_mb for each in several),
        several[0].said,
    )


def machine() -> str:
    """What it was measured on."""
    libraries = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return (
        f"{os.cpu_count()} cores ({platform.machine()}), {memory:.0f} GiB, {platform.system()}, "
        f"Python {platform.python_version()}, {libraries}."
    )


@dataclass(frozen=True)
class Straight:
    """y = fixed + per_unit × x."""

    fixed: float
    per_unit: float

    def at(self, x: float) -> float:
        return self.fixed + self.per_unit * x


def straight(x: Sequence[float], y: Sequence[float]) -> Straight:
    """The line through points that errs least in proportion to y: least squares of (y - line) / y."""
    weights = [1 / value**2 for value in y]
    total = sum(weights)
    mean_x = sum(w * a for w, a in zip(weights, x, strict=True)) / total
    mean_y = sum(w * b for w, b in zip(weights, y, strict=True)) / total
    spread = sum(w * (a - mean_x) ** 2 for w, a in zip(weights, x, strict=True))
    both = sum(w * (a - mean_x) * (b - mean_y) for w, a, b in zip(weights, x, y, strict=True))
    slope = both / spread
    return Straight(mean_y - slope * mean_x, slope)


def exponent(x: Sequence[float], y: Sequence[float]) -> float:
    """p of y = c × x^p, by least squares of logarithms."""
    logs_x, logs_y = [math.log(a) for a in x], [math.log(b) for b in y]
    return statistics.linear_regression(logs_x, logs_y).slope
