"""`python tests/bench/stages.py WORKSPACE OUT {check,count,run}`: seconds of each stage, as JSON.

As the command line does it, with what is checked kept for the next run. `count` is a run that ends with counting and
writes nothing else; with `--tell` it also says what it counted.
"""

from __future__ import annotations

import argparse
import json
import sys
from itertools import pairwise
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))


class Marks:
    """When each stage began; a stage may come several times."""

    def __init__(self) -> None:
        self._begun = [("start", perf_counter(), process_time())]

    def __call__(self, stage: str) -> None:
        self._begun.append((stage, perf_counter(), process_time()))

    def seconds(self) -> dict[str, list[float]]:
        """Stage → seconds on the clock and of processor; `start` is from the first line of this program to the first
        stage, imports among them.
        """
        self("")
        taken: dict[str, list[float]] = {}
        for (stage, clock, cpu), (_, clock_after, cpu_after) in pairwise(self._begun):
            before = taken.get(stage, [0.0, 0.0])
            taken[stage] = [
                round(before[0] + clock_after - clock, 3),
                round(before[1] + cpu_after - cpu, 3),
            ]
        return taken


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("workspace", type=Path)
    asked.add_argument("out", type=Path)
    asked.add_argument("until", choices=("check", "count", "run"))
    asked.add_argument("--parts", type=int, default=0)
    asked.add_argument("--tell", action="store_true")
    given = asked.parse_args()
    marks = Marks()
    counted = done(given, marks)
    said: dict[str, Any] = {"stages": marks.seconds()}
    if given.tell and counted:
        from floor import tied_to

        rows = counted.rows
        told = tied_to(rows.resolved, rows.validated.accepted)
        said |= {"counted": [[*key, count] for key, count in told.items()], "cases": len(counted.whole.cases)}
    print(json.dumps(said))


def done(given: argparse.Namespace, marks: Marks) -> Any:
    """Do the work; of `count`, what came of it."""
    from pipeline.clock import Clock
    from pipeline.commands.places import kept_folder
    from pipeline.engine import engine_for
    from pipeline.run import Asked, accounted, audited, checked, ground_of
    from pipeline.second import processes_here

    with engine_for("local", "", given.parts, given.out) as engine:
        asked = Asked(
            given.workspace, engine=engine, kept=kept_folder(given.workspace), processes=processes_here()
        )
        if given.until == "check":
            return checked(asked, given.out, marks) and None
        if given.until == "run":
            return audited(asked, given.out, marks) and None
        from pipeline.audit import counted

        clock = Clock(marks)
        return counted(accounted(ground_of(asked), clock), clock)


if __name__ == "__main__":
    main()
