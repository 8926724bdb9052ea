"""Severity and later operations from counts; medians counted by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pandas as pd
import pytest

from pipeline.estimate import revisions_table, severity_table
from pipeline.handover import Labels
from tests.estimate.conftest import cells_of, returns_of


@pytest.mark.parametrize(
    ("days", "median"),
    [
        ([(30, 1)], 30),
        ([(30, 1), (50, 1)], 40),
        ([(10, 3), (20, 1), (400, 1)], 10),
        ([(10, 2), (20, 2)], 15),
        ([(10, 1), (20, 2), (400, 1)], 20),
    ],
)
def test_the_median_day_is_read_off_the_histogram(
    counts_of: Callable, labels: Labels, days: list[tuple[int, int]], median: float
) -> None:
    counts = replace(counts_of([]), returns=returns_of([(0, 1, 0, 0, day, n) for day, n in days]))
    found = revisions_table(counts, labels)
    assert found["count"].tolist() == [sum(n for _, n in days)]
    assert found["median_days"].tolist() == [median]


def test_later_operations_are_told_apart_by_procedures_reason_and_plan(
    counts_of: Callable, labels: Labels
) -> None:
    rows = [(0, 1, 0, 0, 40, 2), (0, 1, -1, 1, 50, 1), (1, 1, 1, 0, 60, 1)]
    found = revisions_table(replace(counts_of([]), returns=returns_of(rows)), labels)
    told = [tuple(None if pd.isna(cell) else cell for cell in row[:5]) for row in found.to_numpy().tolist()]
    assert set(told) == {
        ("anchor_loop", "bone_shift", "crack", False, 2),
        ("anchor_loop", "bone_shift", None, True, 1),
        ("bone_shift", "bone_shift", "tightness", False, 1),
    }


def test_a_grade_nobody_gives_is_unknown(counts_of: Callable, labels: Labels) -> None:
    cells = cells_of({"group": [0, 0], "category": [0, 0], "grade": [-1, 4]}, "cases", (3, 1))
    found = severity_table(replace(counts_of([]), severity=cells), labels)
    assert found["grade"].tolist() == ["unknown", "IIIb"]
    assert found["cases"].tolist() == [3, 1]


def test_without_later_operations_the_tables_are_empty(counts_of: Callable, labels: Labels) -> None:
    assert len(revisions_table(counts_of([]), labels)) == len(severity_table(counts_of([]), labels)) == 0
