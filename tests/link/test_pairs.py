"""The small join, against two nested loops."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.link.pairs import Pairs, first_of, has_any, last_of, pairs_on

keys = st.lists(st.integers(-3, 4), max_size=9)


def naive(left: list[int], right: list[int]) -> list[tuple[int, int]]:
    return [(i, j) for i, a in enumerate(left) for j, b in enumerate(right) if a == b and a >= 0]


def joined(left: list[int], right: list[int]) -> Pairs:
    return pairs_on(np.array(left, dtype=np.int64), np.array(right, dtype=np.int64))


@given(left=keys, right=keys.map(sorted))
def test_pairs_equal_a_naive_join(left: list[int], right: list[int]) -> None:
    found = joined(left, right)
    assert list(zip(found.left, found.right, strict=True)) == naive(left, right)


@given(left=keys, right=keys.map(sorted))
def test_first_last_and_any(left: list[int], right: list[int]) -> None:
    found, pairs = joined(left, right), naive(left, right)
    own = [[j for i, j in pairs if i == number] for number in range(len(left))]
    assert first_of(found, len(left)).tolist() == [min(js, default=-1) for js in own]
    assert last_of(found, len(left)).tolist() == [max(js, default=-1) for js in own]
    assert has_any(found, len(left)).tolist() == [bool(js) for js in own]


def test_where_keeps_some_pairs() -> None:
    found = joined([5, 7], [5, 5, 7]).where(np.array([True, False, True]))
    assert list(zip(found.left, found.right, strict=True)) == [(0, 0), (1, 2)]
