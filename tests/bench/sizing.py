"""`python tests/bench/sizing.py`: what a department, a country and all between need, by lines fitted to measured points.

Processor seconds go by a line, memory from size to size. How far that can be trusted is seen at the largest measured size:
it is foretold from the smaller ones alone, and set beside what was measured there. `--write` renews docs/performance.md.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence

import numpy as np
from measuring import straight
from points import Point, Session, kept, markdown, put_on_page

#: Operations a year, and years.
CLINICS = (
    ("a department", 1_500, 10),
    ("a hospital group", 20_000, 10),
    ("a region", 150_000, 10),
    ("a nation", 2_000_000, 10),
)
MEMORY = ("peak_mb", "own_mb")
#: (Program, figure, name, unit).
FIGURES = (
    ("check", "cpu", "check, processor", "s"),
    ("count", "cpu", "run up to counting, processor", "s"),
    ("check", "own_mb", "check, memory", "MB"),
    ("count", "own_mb", "run up to counting, memory", "MB"),
)


def at(points: Sequence[Point], program: str, figure: str, rows: float) -> float:
    """A figure at so many rows: time by the line through all points; memory between the points, beyond them by the last two.

    Args:
        points: In the order of their rows.
    """
    rows_of = [point.rows for point in points]
    measured = [point.programs[program][figure] for point in points]
    if figure in MEMORY and rows <= rows_of[-1]:
        return float(np.interp(rows, rows_of, measured))
    last = -2 if figure in MEMORY else 0
    return straight(rows_of[last:], measured[last:]).at(rows)


def report(session: Session) -> str:
    """Both tables; nothing where too few sizes were measured to hold one out."""
    points = sorted(session.faulty(), key=lambda point: point.operations)
    if len(points) < 3:
        return "Too few sizes were measured."
    largest = points[-1]
    return "\n\n".join(
        [
            f"Foretold for {largest.operations:,} operations from the smaller sizes alone, and measured:",
            _held_out(points[:-1], largest),
            f"By all sizes, at {largest.rows / largest.operations:.1f} rows an operation, and half of the memory left free:",
            _sizes(points),
        ]
    )


def _held_out(smaller: Sequence[Point], largest: Point) -> str:
    cells = []
    for program, figure, name, unit in FIGURES:
        foretold = at(smaller, program, figure, largest.rows)
        there = largest.programs[program][figure]
        cells.append(
            [name, f"{foretold:,.0f} {unit}", f"{there:,.0f} {unit}", f"{foretold / there - 1:+.0%}"]
        )
    return markdown(["", "foretold", "measured", "off by"], cells)


def _sizes(points: Sequence[Point]) -> str:
    rows_each = points[-1].rows / points[-1].operations
    cells = []
    for name, a_year, years in CLINICS:
        rows = a_year * years * rows_each
        seconds, megabytes = (at(points, "count", figure, rows) for figure in ("cpu", "own_mb"))
        cells.append(
            [f"{name}: {a_year:,} a year, {years} years", f"{rows / 1e6:,.1f}", f"{seconds / 60:,.1f}",
             f"{megabytes / 1e3:,.1f}", f"{math.ceil(2 * megabytes / 1e3):,}"]
        )  # fmt: skip
    head = ["", "million rows", "processor minutes up to counting", "GB needed", "GB to have"]
    return markdown(head, cells)


def main() -> None:
    asked = argparse.ArgumentParser(prog="python tests/bench/sizing.py", description=__doc__)
    asked.add_argument("--write", action="store_true", help="into docs/performance.md")
    told = report(kept())
    print(told)
    if asked.parse_args().write:
        put_on_page("sizing", told)


if __name__ == "__main__":
    main()
