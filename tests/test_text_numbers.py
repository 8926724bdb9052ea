"""Texts as numbers and back, and their hashes."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import text_numbers
from pipeline.text_numbers import Spelling, spelling_of, text_hashes


def spelled(*texts: str | None) -> tuple[Spelling, list[int]]:
    own = pa.array(texts, pa.string())
    found = spelling_of([own])
    assert found is not None
    return found, found.numbers(own).tolist()


def test_what_is_the_same_in_all_takes_no_room() -> None:
    """Only the last digit of the first number and the second number differ: 0 to 3 and 0 to 2, 12 pairs in order."""
    spelling, numbers = spelled("OP-10/0", "OP-13/2", None, "OP-11/1")
    assert spelling.count == 12
    assert numbers == [0, 11, -1, 4]


def test_the_end_of_a_text_comes_before_every_byte() -> None:
    assert np.argsort(spelled("b", "a\0", "", "a", "ab")[1]).tolist() == [2, 3, 1, 4, 0]


def test_texts_too_different_for_one_number() -> None:
    """26 kinds at 13 positions are 2.5e18 numbers, below 2^62 = 4.6e18; at 14 they are not."""
    assert spelling_of([pa.array(["a" * 13, "z" * 13])]) is not None
    assert spelling_of([pa.array(["a" * 14, "z" * 14])]) is None


def test_texts_of_nothing_are_one_number() -> None:
    assert spelling_of([pa.array([], pa.string()), pa.array([None], pa.string())]) == Spelling((), ())
    assert spelled("", "") == (Spelling((), ()), [0, 0])


@settings(deadline=None)
@given(st.lists(st.text("aZ\0ä9", max_size=5), min_size=1), st.integers(1, 4))
def test_texts_come_back_in_order(texts: list[str], block: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(text_numbers, "BLOCK", block)
        spelling, numbers = spelled(*texts)
        assert spelling.texts(np.array(numbers)).to_pylist() == texts
    by_number = [text for _, text in sorted(zip(numbers, texts, strict=True))]
    assert by_number == sorted(texts, key=str.encode)


def test_a_hash_depends_on_the_text_and_the_seed_alone() -> None:
    one = text_hashes(pa.array(["a", "bc", "", "a\0", "ab" * 40]))
    other = text_hashes(pa.array(["longer than the rest", "a", "bc", ""])[1:])
    assert one[:3].tolist() == other.tolist()
    assert len(set(one.tolist()) | set(text_hashes(pa.array(["a"]), np.uint64(1)).tolist())) == 6


def test_hashes_of_ids_in_a_row_fill_parts_evenly() -> None:
    """10,000 ids into 7 parts and into 64: none is off by more than five standard deviations of chance."""
    found = text_hashes(pa.array([f"P{number:07d}" for number in range(10_000)]))
    for parts in (7, 64):
        sizes = np.bincount((found % np.uint64(parts)).astype(np.int64), minlength=parts)
        mean = 10_000 / parts
        assert abs(sizes - mean).max() < 5 * np.sqrt(mean)
