"""`python tests/bench`: pyarrow's bare parse, the DuckDB script and `limbaudit check`, side by side.

Each is a process of its own, started cold, in turn, several times; what counts is the median of the ratios within
one turn, because other work on the machine slows all three. `--write` puts the table into docs/performance.md.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from time import perf_counter

from volume import Volume, made

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "performance.md"
BEGIN, END = "<!-- measured: begin -->", "<!-- measured: end -->"
SIZES, TURNS, BAD = (10_000, 100_000, 1_000_000), 5, 0.01


@dataclass(frozen=True)
class Measured:
    """One finished process."""

    seconds: float
    cpu: float
    peak_mb: float
    said: str


@dataclass(frozen=True)
class Line:
    """What was measured at one size: medians over the turns."""

    operations: int
    rows: int
    megabytes: float
    parse: Measured
    floor: Measured
    check: Measured
    ratio: float
    cpu_ratio: float
    stages: dict[str, float]


def measured(arguments: Sequence[str], state: Path) -> Measured:
    """Run a Python program to its end; the exit code 1 says that there are findings."""
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
    said = child.stdout.read()
    _, status, usage = os.wait4(child.pid, 0)
    seconds = perf_counter() - begun
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode not in (0, 1):
        raise SystemExit(f"{' '.join(arguments)} ended with {child.returncode}.")
    return Measured(seconds, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, said)


def line(operations: int, turns: int, volumes: Path, bad: float) -> Line:
    """Measure one size."""
    workspace = made(Volume(operations, bad), volumes / f"{operations}-{bad}")
    files = list(workspace.glob("received/*/*/*.csv"))
    with tempfile.TemporaryDirectory() as scratch:
        out, state = Path(scratch) / "out", Path(scratch) / "state"
        programs = {
            "parse": ("tests/bench/parse.py", str(workspace)),
            "floor": ("tests/bench/floor.py", str(workspace)),
            "check": ("-m", "pipeline", "check", str(workspace), "--out", str(out)),
        }
        took = [{name: measured(program, state) for name, program in programs.items()} for _ in range(turns)]
        stages = measured(("tests/bench/stages.py", str(workspace), str(out)), state)
    return Line(
        operations,
        int(took[0]["parse"].said),
        sum(path.stat().st_size for path in files) / 1e6,
        *(_median([turn[name] for turn in took]) for name in programs),
        statistics.median(turn["check"].seconds / turn["floor"].seconds for turn in took),
        statistics.median(turn["check"].cpu / turn["floor"].cpu for turn in took),
        json.loads(stages.said),
    )


def _median(several: Sequence[Measured]) -> Measured:
    return Measured(
        statistics.median(each.seconds for each in several),
        statistics.median(each.cpu for each in several),
        max(each.peak_mb for each in several),
        several[0].said,
    )


def table(lines: Sequence[Line]) -> str:
    """The measured lines as Markdown."""
    head = (
        "operations", "rows", "MB", "parse s", "DuckDB s", "check s", "check ÷ DuckDB", "CPU ÷ CPU", "µs a row",
        "peak MB", "DuckDB peak MB",
    )  # fmt: skip
    cells = [
        (
            f"{one.operations:,}", f"{one.rows:,}", f"{one.megabytes:.0f}", f"{one.parse.seconds:.2f}",
            f"{one.floor.seconds:.2f}", f"{one.check.seconds:.2f}", f"{one.ratio:.2f}", f"{one.cpu_ratio:.2f}",
            f"{one.check.seconds / one.rows * 1e6:.1f}", f"{one.check.peak_mb:.0f}", f"{one.floor.peak_mb:.0f}",
        )
        for one in lines
    ]  # fmt: skip
    return _markdown(head, cells)


def stage_table(lines: Sequence[Line]) -> str:
    """Seconds of each stage, by size."""
    names = list(lines[0].stages)
    cells = [(f"{one.operations:,}", *(f"{one.stages[name]:.2f}" for name in names)) for one in lines]
    return _markdown(("operations", *names), cells)


def _markdown(head: Sequence[str], cells: Sequence[Sequence[str]]) -> str:
    rule = "|---:" * len(head) + "|"
    return "\n".join(
        ["| " + " | ".join(head) + " |", rule, *("| " + " | ".join(row) + " |" for row in cells)]
    )


def machine() -> str:
    """What it was measured on."""
    libraries = ", ".join(f"{name} {version(name)}" for name in ("duckdb", "pyarrow", "pandas", "numpy"))
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return (
        f"{os.cpu_count()} cores ({platform.machine()}), {memory:.0f} GiB, {platform.system()}, "
        f"Python {platform.python_version()}, {libraries}."
    )


def written(page: str, part: str) -> str:
    """The page with what stands between its marks replaced."""
    before, after = page.split(BEGIN)[0], page.split(END)[1]
    return f"{before}{BEGIN}\n\n{part}\n\n{END}{after}"


def main() -> None:
    """Measure and print; with `--write`, into docs/performance.md as well."""
    asked = argparse.ArgumentParser(prog="python tests/bench", description=__doc__)
    asked.add_argument("--sizes", type=int, nargs="+", default=SIZES, metavar="N", help="operations")
    asked.add_argument("--turns", type=int, default=TURNS, metavar="N", help=f"how often each, {TURNS}")
    asked.add_argument("--bad", type=float, default=BAD, help=f"share of faulty rows, {BAD}")
    asked.add_argument("--volumes", type=Path, default=Path(tempfile.gettempdir()) / "limbaudit-volumes")
    asked.add_argument("--write", action="store_true", help="into docs/performance.md")
    asked.add_argument(
        "--at-most", type=float, metavar="RATIO", help="exit 1 if check takes more at any size"
    )
    given = asked.parse_args()
    lines = [line(size, given.turns, given.volumes, given.bad) for size in given.sizes]
    said = (
        f"Measured with `python tests/bench --turns {given.turns}` on {machine()}\n\n"
        f"{table(lines)}\n\nSeconds of each stage of `check`, from one further run:\n\n{stage_table(lines)}"
    )
    print(said)
    if given.write:
        PAGE.write_text(written(PAGE.read_text("utf-8"), said), "utf-8")
    if given.at_most and max(one.ratio for one in lines) > given.at_most:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
