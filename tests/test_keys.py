"""Ids as numbers, whatever chunks and columns their texts lie in."""

from __future__ import annotations

import pyarrow as pa
import pytest

from pipeline.keys import keys_of


def column(*chunks: list[str | None]) -> pa.ChunkedArray:
    return pa.chunked_array([pa.array(chunk, pa.string()) for chunk in chunks], pa.string())


def test_one_text_has_one_number_in_every_chunk_and_column() -> None:
    """In order: a, b, c, d. Chunks share some texts, none begins alike; nulls and empty chunks are among them."""
    one, other = column(["c", "a", None], [], ["b", "c"]), column([None], ["d", "a"])
    found = keys_of([(None, one), (None, other)])
    assert [each.tolist() for each in found.numbers] == [[2, 0, -1, 1, 2], [-1, 3, 0]]
    assert found.known.to_pylist() == ["a", "b", "c", "d"]


@pytest.mark.parametrize(
    ("texts", "numbers"), [([[]], []), ([[None, None]], [-1, -1]), ([[""], [None, ""]], [0, -1, 0])]
)
def test_nothing_null_and_empty(texts: list[list[str | None]], numbers: list[int]) -> None:
    assert keys_of([(None, column(*texts))]).numbers[0].tolist() == numbers


def test_the_same_id_of_two_sites_is_two() -> None:
    """By site, then id: north a, north b, south a."""
    sites, ids = column(["south", "north"], ["north", "south"]), column(["a", "b"], ["a", None])
    found = keys_of([(sites, ids)])
    assert found.numbers[0].tolist() == [2, 1, 0, -1]
    assert found.known.to_pylist() == ["north\x1fa", "north\x1fb", "south\x1fa"]


def test_the_ids_of_one_site_carry_it_too() -> None:
    found = keys_of([(column(["north", "north"]), column(["b", "a"]))])
    assert found.numbers[0].tolist() == [1, 0]
    assert found.known.to_pylist() == ["north\x1fa", "north\x1fb"]
