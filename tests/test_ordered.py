"""Frames put in order by whole numbers and words: as pandas sorts them, ties left as they came."""

from __future__ import annotations

import pandas as pd
import pytest

from pipeline.ordered import in_order, order_of

ROWS = pd.DataFrame(
    {"word": ["b", "a", "b", "a", "a"], "day": [2, -1, 2, 3, -1], "mark": [True, True, False, False, False]}
)


@pytest.mark.parametrize(
    ("by", "expected"),
    [
        (["word", "day"], [1, 4, 3, 0, 2]),
        (["day"], [1, 4, 0, 2, 3]),
        (["mark", "word"], [3, 4, 2, 1, 0]),
    ],
)
def test_rows_stand_in_order_and_ties_as_they_came(by: list[str], expected: list[int]) -> None:
    found = in_order(ROWS.assign(row=range(5)), by)
    assert found["row"].tolist() == expected
    assert order_of(ROWS, by).tolist() == expected
    assert found.index.tolist() == [0, 1, 2, 3, 4]


def test_what_is_in_order_is_numbered_anew_and_else_left() -> None:
    found = in_order(ROWS.iloc[[1, 4, 3]], ["word", "day"])
    assert found["mark"].tolist() == [True, False, False]
    assert found.index.tolist() == [0, 1, 2]


def test_columns_that_span_too_much_for_one_number_are_sorted_all_the_same() -> None:
    wide = pd.DataFrame({"a": [2**61, 0, -(2**61)], "b": [0, 2**40, 1]})
    assert in_order(wide, ["b", "a"])["b"].tolist() == [0, 1, 2**40]
    assert order_of(wide, ["b", "a"]).tolist() == [0, 2, 1]


def test_no_rows_are_in_order() -> None:
    assert in_order(ROWS.iloc[:0], ["word", "day"]).empty
