"""Columns of texts and other values as small integers."""

from __future__ import annotations

from datetime import date

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest

from pipeline.columns import (
    answers,
    calendar_days,
    coded,
    decimals,
    given,
    holds,
    occurring,
    paired,
    whole_numbers,
    word_codes,
)


def column(*chunks: list[object], kind: pa.DataType | None = None) -> pa.ChunkedArray:
    kind = kind or pa.string()
    return pa.chunked_array([pa.array(chunk, kind) for chunk in chunks], kind)


@pytest.mark.parametrize(
    ("values", "kind", "known", "codes"),
    [
        ([["b", None], [], ["a", "b"]], pa.string(), ["a", "b"], [1, -1, 0, 1]),
        ([[True, None], [False]], pa.bool_(), [False, True], [1, -1, 0]),
        ([[7], [-2, 7]], pa.int32(), [-2, 7], [1, 0, 1]),
        ([[date(2026, 1, 2), date(2025, 1, 2)]], pa.date32(), [date(2025, 1, 2), date(2026, 1, 2)], [1, 0]),
        ([[None], [None]], pa.string(), [], [-1, -1]),
        ([], pa.string(), [], []),
    ],
)
def test_values_are_positions_among_the_distinct_ones_in_order(
    values: list[list[object]], kind: pa.DataType, known: list[object], codes: list[int]
) -> None:
    found, own = coded(column(*values, kind=kind))
    assert (found.to_pylist(), own.tolist()) == (known, codes)


def test_values_no_row_has_are_left_out() -> None:
    found, codes = occurring(pa.array(["a", "b", "c"]), np.array([2, -1, 0, 2]))
    assert (found.to_pylist(), codes.tolist()) == (["a", "c"], [1, -1, 0, 1])


@pytest.mark.parametrize("far", [0, 300])
def test_pairs_are_in_the_order_of_their_labels(far: int) -> None:
    """By label `a-x` comes before `a/x`, though the system `a` comes before `a-`; also among many that do not occur."""
    systems = pa.array(["a", "a-", *(f"b{number:03d}" for number in range(far))])
    codes = pa.array(["x", "y", *(f"z{number:03d}" for number in range(far))])
    labels, pair = paired(systems, np.array([0, 1, -1, 0, 1]), codes, np.array([0, 0, 0, -1, 0]), "/")
    assert (labels, pair.tolist()) == (["a-/x", "a/x"], [1, 0, -1, -1, 0])


def test_columns_of_several_chunks_as_numbers() -> None:
    """What is null has a number of its own in every kind of column."""
    days = column([date(1970, 1, 3), None], [date(1969, 12, 31)], kind=pa.date32())
    assert calendar_days(days).tolist() == [2, -(2**31), -1]
    assert word_codes(column(["b", "c"], [None, "a"]), ("a", "b")).tolist() == [1, -1, -1, 0]
    assert whole_numbers(column([3], [None], kind=pa.int64())).tolist() == [3, -1]
    assert answers(column([True, None], [False], kind=pa.bool_())).tolist() == [1, -1, 0]
    assert given(column([None, ""], ["a"])).tolist() == [False, True, True]
    assert np.isnan(decimals(column([1.5], [None], kind=pa.float64()))).tolist() == [False, True]


def test_null_is_no() -> None:
    assert holds(column(["a", None], ["b"]), lambda chunk: pc.equal(chunk, "a")).tolist() == [
        True,
        False,
        False,
    ]
