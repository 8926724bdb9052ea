"""Ids as numbers, whatever chunks and columns their texts lie in."""

from __future__ import annotations

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import keys
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


#: Short numbers, years before them, what is too long or too different to be one number, and nothing at all.
IDS = st.one_of(
    st.integers(0, 9999).map("O{:05d}".format),
    st.integers(0, 10**12).map(str),
    st.uuids(version=4).map(str),
    st.text("a\0ä\U0001f600", max_size=3),
    st.none(),
)
#: One row of a column: its site and its id. Few of each, so that they repeat.
ROWS = st.lists(st.tuples(st.sampled_from(["", "north", "nörd"]), IDS), max_size=40)


def in_chunks(texts: list[str | None], cut: int) -> pa.ChunkedArray:
    """Two chunks, each a slice of a longer array."""
    parts = (["before", None, *texts[:cut]], [None, *texts[cut:], "after"])
    one, other = (pa.array(part, pa.string()) for part in parts)
    return pa.chunked_array([one[2:], other[1:-1]])


@settings(deadline=None)
@given(
    columns=st.lists(ROWS, min_size=1, max_size=3),
    cut=st.integers(0, 40),
    by_site=st.booleans(),
    limits=st.sampled_from([(16, 1 << 16, 1 << 16, 4096), (0, 1, 3, 4096), (16, 1, 1, 0.01)]),
)
def test_numbers_are_positions_in_the_order_of_site_and_id(
    columns: list[list[tuple[str, str | None]]], cut: int, by_site: bool, limits: tuple[float, ...]
) -> None:
    """Whether they are looked up, sorted or hashed, and whether rows of a site lie together: as sorted bytes."""
    names = ("SPARSE", "SMALL", "TOGETHER", "FEW_TOGETHER")
    with pytest.MonkeyPatch.context() as patch:
        for name, value in zip(names, limits, strict=True):
            patch.setattr(keys, name, value)
        found = keys_of(
            [
                (
                    in_chunks([site for site, _ in rows], cut // 2) if by_site else None,
                    in_chunks([i for _, i in rows], cut),
                )
                for rows in columns
            ]
        )
    wanted = [[(site if by_site else "", own) for site, own in rows] for rows in columns]
    order = sorted({(s.encode(), i.encode()) for rows in wanted for s, i in rows if i is not None})
    position = {pair: number for number, pair in enumerate(order)}
    numbers = [
        [-1 if own is None else position[site.encode(), own.encode()] for site, own in rows]
        for rows in wanted
    ]
    assert [each.tolist() for each in found.numbers] == numbers
    labels = [f"{site.decode()}\x1f{own.decode()}" if by_site else own.decode() for site, own in order]
    assert found.known.to_pylist() == labels


def test_many_rows_of_sites_that_take_turns() -> None:
    """Each site has the ids 0 to 49; 200 rows, in turns, so rows are brought together by site."""
    sites = [("south", "north")[row % 2] for row in range(200)]
    ids = [f"{row // 2 % 50:02d}" for row in range(200)]
    found = keys_of([(column(sites), column(ids))])
    assert found.numbers[0].tolist() == [(1 - row % 2) * 50 + row // 2 % 50 for row in range(200)]
    assert [(name, len(own)) for name, own in found.of_sites()] == [("north", 50), ("south", 50)]
