"""Keys as numbers: in the order of the rows they stand for, and equal only where those are."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from schemas import order

draw = np.random.default_rng(3)


def columns(rows: int) -> list[list[object]]:
    words = ["", "b", "ä", "a,b", "Z", None]
    return [
        [words[place] for place in draw.integers(0, len(words), rows)],
        [int(number) for number in draw.integers(-3, 4, rows)],
        [None if number == 2 else int(number) * 2**61 for number in draw.integers(-1, 3, rows)],
    ]


def as_python_sorts(row: tuple[object, ...]) -> tuple[object, ...]:
    return tuple((cell is None, cell.encode() if isinstance(cell, str) else cell or 0) for cell in row)


@pytest.mark.parametrize("limit", [2**62, 40])
def test_ranks_are_in_the_order_of_rows(limit: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(order, "MOST_RANKS", limit)
    cells = columns(400)
    rows = [as_python_sorts(row) for row in zip(*cells, strict=True)]
    ranks = order.ranks([pa.chunked_array([own[:9], own[9:]], pa.array(own).type) for own in cells])
    assert [rows[at] for at in np.argsort(ranks, kind="stable")] == sorted(rows)
    pairs = draw.integers(0, 400, (2000, 2))
    assert [ranks[a] == ranks[b] for a, b in pairs] == [rows[a] == rows[b] for a, b in pairs]


@pytest.mark.parametrize("coded", [False, True], ids=["plain", "coded"])
def test_rows_are_put_in_order_whether_words_stand_there_or_their_numbers(coded: bool) -> None:
    cells = columns(400)
    rows = [as_python_sorts(row) for row in zip(*cells, strict=True)]
    told = [pa.chunked_array([own[:9], own[9:]], pa.array(own).type) for own in cells]
    places, repeated = order.order_of([told[0].dictionary_encode() if coded else told[0], *told[1:]])
    assert sorted(places.tolist()) == list(range(400))
    assert [rows[at] for at in places] == sorted(rows)
    assert repeated  # 400 rows of at most 6 * 7 * 4 different ones


def test_rows_that_only_the_last_column_tells_apart_are_not_repeated() -> None:
    told = [["b", "b", "a", "a"], [1, 1, 1, 1], [4, 3, 2, 1]]
    places, repeated = order.order_of([pa.chunked_array([cells]) for cells in told])
    assert places.tolist() == [3, 2, 1, 0]
    assert not repeated
    assert order.order_of([pa.chunked_array([cells]) for cells in told[:2]])[1]


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        (["a", "a", "b"], [1, 2, 1], True),
        (["a", "a", "b"], [1, 1, 1], False),
        (["a", "b", "a"], [1, 1, 1], False),
        (["a", "a", "b"], [2, 1, 1], False),
        (["a", None, "b"], [1, 1, 1], False),
        ([], [], True),
    ],
)
def test_rising(first: list[str | None], second: list[int], expected: bool) -> None:
    told = [pa.chunked_array([first], pa.string()), pa.chunked_array([second], pa.int64())]
    assert order.rising(told) is expected
