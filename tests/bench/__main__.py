"""`python tests/bench`: pyarrow's bare parse, the DuckDB script, `limbaudit check` and a run, side by side.

Each is a process of its own, started cold, in turn, several times; what counts is the median of the ratios within
one turn, because other work on the machine slows all. Counts of both engines are compared; unequal ones end it.
`--write` keeps the figures in tests/bench/measured.json and puts their tables into docs/performance.md.
"""

from __future__ import annotations

import argparse
import json
import statistics
import tempfile
from pathlib import Path
from typing import Any

import sizing
from floor import Counted, of_rules, told_in
from measuring import Measured, machine, measured, median
from points import Point, Session, keep, put_on_page, report
from volume import Volume, made

SIZES, TURNS, SHARES = (10_000, 30_000, 100_000, 300_000, 1_000_000, 3_000_000, 10_000_000), 3, (0.0, 0.01)
#: Above it a volume is measured in one turn, with faulty rows only, and without whole runs and nights.
LARGEST_AT_LENGTH = 1_000_000
#: So few that what is measured is the start of the program.
NEXT_TO_NONE = 100


def point(workspace: Path, volume: Volume, turns: int, whole: bool) -> Point:
    """Measure one volume."""
    files = list(workspace.glob("received/*/*/*.csv"))
    with tempfile.TemporaryDirectory() as scratch:
        out = Path(scratch) / "out"
        programs = {
            "parse": ("tests/bench/parse.py", str(workspace)),
            "floor": ("tests/bench/floor.py", str(workspace)),
            "check": ("-m", "pipeline", "check", str(workspace), "--out", str(out)),
            "count": ("tests/bench/stages.py", str(workspace), str(out), "count"),
        }
        took = [{name: measured(program) for name, program in programs.items()} for _ in range(turns)]
        told = json.loads(measured((*programs["count"], "--tell")).said)
        _same_counts(_counted(json.loads(took[0]["floor"].said)), told_in(out), _counted(told["counted"]))
        figures = {name: median([turn[name] for turn in took]).figures() for name in programs}
        stages = told["stages"]
        if whole:
            run = measured(("tests/bench/stages.py", str(workspace), str(out / "editions"), "run"))
            figures["run"], stages = run.figures(), json.loads(run.said)["stages"]
    return Point(
        volume.operations, volume.bad, int(took[0]["parse"].said),
        round(sum(path.stat().st_size for path in files) / 1e6, 1), figures,
        {**_ratios(took, "check"), **_ratios(took, "count")}, stages, _nights(workspace) if whole else {},
    )  # fmt: skip


def _ratios(took: list[dict[str, Measured]], name: str) -> dict[str, float]:
    return {
        name: round(statistics.median(turn[name].seconds / turn["floor"].seconds for turn in took), 3),
        f"{name} cpu": round(statistics.median(turn[name].cpu / turn["floor"].cpu for turn in took), 3),
    }


def _counted(told: list[Any]) -> Counted:
    return {(what, table, name): rows for what, table, name, rows in told}


def _same_counts(by_duckdb: Counted, by_check: Counted, by_run: Counted) -> None:
    """Raises SystemExit where the two engines differ."""
    counted = {**by_check, **by_run}
    theirs = of_rules(by_duckdb) | {
        key: rows for key, rows in by_duckdb.items() if key[0] not in ("rule", "fate")
    }
    if counted != theirs:
        differ = sorted(key for key in counted.keys() | theirs.keys() if counted.get(key) != theirs.get(key))
        said = "; ".join(
            f"{' '.join(key)}: {counted.get(key)} instead of {theirs.get(key)}" for key in differ
        )
        raise SystemExit(f"Not what DuckDB counts: {said}")


def _nights(workspace: Path) -> dict[str, float]:
    seconds = json.loads(measured(("tests/bench/nights.py", str(workspace), "--json")).said)
    return dict(zip(("first night", "nothing came", "one small file came"), seconds, strict=True))


def start_of(volumes: Path) -> dict[str, float]:
    """Processor seconds of `check` and of a run up to counting on next to no rows."""
    found = point(
        made(Volume(NEXT_TO_NONE), volumes / f"{NEXT_TO_NONE}-0"), Volume(NEXT_TO_NONE), 3, whole=False
    )
    return {name: found.programs[name]["cpu"] for name in ("check", "count")}


def main() -> None:
    """Measure and print; with `--write`, keep it and renew the page."""
    asked = argparse.ArgumentParser(prog="python tests/bench", description=__doc__)
    asked.add_argument("--sizes", type=int, nargs="+", default=SIZES, metavar="N", help="operations")
    asked.add_argument("--turns", type=int, default=TURNS, metavar="N", help=f"how often each, {TURNS}")
    asked.add_argument("--bad", type=float, nargs="+", default=SHARES, metavar="SHARE", help="of faulty rows")
    asked.add_argument("--volumes", type=Path, default=Path(tempfile.gettempdir()) / "limbaudit-volumes")
    asked.add_argument("--no-whole", action="store_true", help="leave out whole runs and nights")
    asked.add_argument("--write", action="store_true", help="into docs/performance.md")
    asked.add_argument("--at-most", type=float, nargs=2, metavar=("CHECK", "COUNT"),
                       help="exit 1 if check, or a run up to counting, takes more times DuckDB's seconds")  # fmt: skip
    given = asked.parse_args()
    points = []
    for size in given.sizes:
        at_length = size <= LARGEST_AT_LENGTH
        for bad in given.bad if at_length else given.bad[-1:]:
            volume = Volume(size, bad)
            workspace = made(volume, given.volumes / f"{size}-{bad}")
            whole = at_length and bool(bad) and not given.no_whole
            points.append(point(workspace, volume, given.turns if at_length else 1, whole))
    start = start_of(given.volumes) if len(given.sizes) > 2 else {}
    session = Session(f"python tests/bench --turns {given.turns}", machine(), given.turns, start, points)
    print(report(session))
    if given.write:
        keep(session)
        put_on_page("measured", report(session))
        put_on_page("sizing", sizing.report(session))
    over = [one for one in points if given.at_most and not _within(one, *given.at_most)]
    raise SystemExit(1 if over else 0)


def _within(one: Point, check: float, count: float) -> bool:
    return one.ratios["check"] <= check and one.ratios["count"] <= count


if __name__ == "__main__":
    main()
