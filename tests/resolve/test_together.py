"""Patients under two numbers: asked about where a row is the same in every column, and only where that says something."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import numpy as np

from pipeline.resolve.together import _occurs_again

FIRST = date(2025, 1, 6)


def rows(count: int) -> list[dict[str, Any]]:
    """Operations on days of their own."""
    return [
        {
            "operation_id": f"o{n}",
            "patient_id": f"p{n}",
            "performed_on": FIRST + timedelta(days=n),
            "surgeon_id": "s",
        }
        for n in range(count)
    ]


def alike(resolve: Callable[..., Any], operations: list[dict[str, Any]]) -> set[str]:
    found = resolve(operations=operations).findings
    return set(found.loc[found["rule"] == "patients_alike", "record_id"])


def test_one_operation_under_two_numbers_is_asked_about(resolve: Callable[..., Any]) -> None:
    again = {**rows(60)[7], "operation_id": "twin", "patient_id": "other"}
    assert alike(resolve, [*rows(60), again]) == {"o7", "twin"}


def test_three_alike_are_no_pair(resolve: Callable[..., Any]) -> None:
    again = [{**rows(90)[7], "operation_id": f"twin{n}", "patient_id": f"other{n}"} for n in range(2)]
    assert alike(resolve, [*rows(90), *again]) == set()


def test_where_many_are_alike_the_columns_tell_nobody_apart(resolve: Callable[..., Any]) -> None:
    again = [{**row, "operation_id": f"t{n}", "patient_id": f"q{n}"} for n, row in enumerate(rows(20))]
    assert alike(resolve, [*rows(60), *again]) == set()


def test_numbers_that_occur_again() -> None:
    assert _occurs_again(np.array([5, 0, 7, 5, 0, 9])).tolist() == [True, True, False, True, True, False]
    assert _occurs_again(np.array([], dtype=np.int64)).tolist() == []
