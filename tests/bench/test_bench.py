"""The benchmark itself at its smallest size: it runs, both engines count the same, and its page holds measured figures."""

from __future__ import annotations

import subprocess
import sys

import pytest
import sizing
from measuring import ROOT, exponent, straight
from points import Point, Session, kept, on_page, report

pytest.importorskip("duckdb")


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Exit 1 would say that a program took a hundred times DuckDB's seconds, or that counts differ."""
    volumes = tmp_path_factory.mktemp("volumes")
    command = [sys.executable, "tests/bench", "--sizes", "10000", "--bad", "0.01", "--turns", "1",
               "--no-whole", "--volumes", str(volumes), "--at-most", "100", "100"]  # fmt: skip
    finished = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert finished.returncode == 0, finished.stderr
    return finished.stdout


def test_the_smallest_size_is_measured_and_counts_are_equal(said: str) -> None:
    rows = [line.split(" | ") for line in said.splitlines() if line.startswith("| 10,000")]
    assert rows[0][1:3] == ["1%", "41,860"]
    check, count, floor = (float(rows[0][at]) for at in (6, 7, 5))
    assert min(floor, check, count) > 0
    assert float(rows[0][9]) == pytest.approx(check / floor, abs=0.05 * check / floor)


def test_the_page_holds_the_kept_figures_and_no_others() -> None:
    assert on_page("measured") == report(kept())
    assert on_page("sizing") == sizing.report(kept())


def test_exponents_and_lines_of_points_known_beforehand() -> None:
    """y = 3 x^1.05 has exponent 1.05; the line through (1, 7), (2, 9), (5, 15) is 5 + 2 x."""
    sizes = [1e4, 3e4, 1e5, 1e6]
    assert exponent(sizes, [3 * size**1.05 for size in sizes]) == pytest.approx(1.05)
    line = straight([1, 2, 5], [7, 9, 15])
    assert (line.fixed, line.per_unit, line.at(10)) == pytest.approx((5, 2, 25))


def test_a_held_out_size_on_the_line_is_foretold() -> None:
    """300 MB and 3 MB for each thousand rows: 3,300 MB at a million; one that needs 3,000 there is foretold a tenth too high."""

    def at(rows: int, megabytes: float) -> Point:
        figures = {"seconds": rows / 1e5, "cpu": rows / 1e5, "peak_mb": megabytes, "own_mb": megabytes}
        return Point(rows // 4, 0.01, rows, 1.0, {"check": figures, "count": figures}, {}, {})

    smaller = [at(rows, 300 + 3 * rows / 1e3) for rows in (10_000, 100_000, 400_000)]
    told = sizing.report(Session("", "", 1, {}, [*smaller, at(1_000_000, 3_000)]))
    assert "| check, memory | 3,300 MB | 3,000 MB | +10% |" in told
    assert "| check, processor | 10 s | 10 s | +0% |" in told
