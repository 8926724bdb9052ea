"""Rows behind the counts of a period's news: of very many only those that are shown."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from pipeline.periods import parse_period
from pipeline.publish.numbers.facts import CaseFacts
from pipeline.publish.numbers.news import News
from tests.count.conftest import CATALOGUE, SETTINGS, built_cases

NAMED = SimpleNamespace(operation=str.upper)
#: Day 20,362 is 2025-10-01; every other case and operation is of the second group.
FIRST_OF_OCTOBER = 20_362


def rows(many: int, kind: str, procedure: str) -> tuple[list[tuple[str, ...]], int]:
    group = np.arange(many) % 2
    done = pd.DataFrame(
        {"operation_id": [f"h.{n}" for n in range(many)], "group": group, "day": FIRST_OF_OCTOBER, "reference": "f:2"}
    )  # fmt: skip
    courses = [{"performed": FIRST_OF_OCTOBER, "group": int(n)} for n in group]
    ids = pa.array([f"h.{n}.L" for n in range(many)])
    facts = CaseFacts(built_cases(courses), ids, SETTINGS, CATALOGUE)
    return News(parse_period("2025-10"), done, pd.DataFrame()).rows(kind, procedure, facts, NAMED)  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", ["operations", "cases"])
def test_all_rows_are_given_of_as_many_as_a_file_holds(kind: str) -> None:
    given, many = rows(5_000, kind, "")
    assert (len(given), many) == (5_000, 5_000)
    given, many = rows(9, kind, "bone_shift")
    assert [first.split(".")[1] for first, *_ in given] == ["1", "3", "5", "7"]
    assert given[0][1:3] == ("BONE_SHIFT", "2025-10-01")
    assert many == 4


@pytest.mark.parametrize("kind", ["operations", "cases"])
def test_of_more_the_first_are_given_and_all_are_counted(kind: str) -> None:
    given, many = rows(5_001, kind, "")
    assert (len(given), many) == (500, 5_001)
    assert given[-1][0].startswith("h.499")
