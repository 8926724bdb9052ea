"""Arrow columns as plain numpy arrays: the step from text to small integers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import accumulate

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.handover import NO_DAY

JOINER = "\x1f"


def calendar_days(column: pa.ChunkedArray) -> np.ndarray:
    """int32 days since 1970-01-01, NO_DAY where null."""
    return _filled(column, pa.int32(), int(NO_DAY))


def word_codes(column: pa.ChunkedArray, words: Sequence[str]) -> np.ndarray:
    """int32 position of each text in `words`, -1 where it is null or not among them."""
    known = pa.array(list(words), type=pa.string())
    return by_chunk(column, np.int32, lambda chunk: pc.fill_null(pc.index_in(chunk, value_set=known), -1))


def whole_numbers(column: pa.ChunkedArray) -> np.ndarray:
    """int32, -1 where null."""
    return _filled(column, pa.int32(), -1)


def decimals(column: pa.ChunkedArray) -> np.ndarray:
    """float64, nan where null."""
    return _filled(column, pa.float64(), float("nan"))


def answers(column: pa.ChunkedArray) -> np.ndarray:
    """int8: 1 yes, 0 no, -1 not said."""
    return _filled(column, pa.int8(), -1)


def given(column: pa.ChunkedArray) -> np.ndarray:
    """bool: the cell is not empty."""
    return by_chunk(column, np.bool_, pc.is_valid)


def holds(column: pa.ChunkedArray, of_chunk: Callable[[pa.Array], pa.Array]) -> np.ndarray:
    """bool: what `of_chunk` says of each row; null is no."""
    return by_chunk(column, np.bool_, lambda chunk: pc.fill_null(of_chunk(chunk), False))


def by_chunk(column: pa.ChunkedArray, kind: type, of_chunk: Callable[[pa.Array], pa.Array]) -> np.ndarray:
    """What `of_chunk` gives for every chunk, without nulls, as one array of a kind."""
    found: np.ndarray = np.empty(len(column), dtype=kind)
    for chunk, end in zip(column.chunks, accumulate(map(len, column.chunks)), strict=True):
        found[end - len(chunk) : end] = of_chunk(chunk).to_numpy(zero_copy_only=False)
    return found


def _filled(column: pa.ChunkedArray, kind: pa.DataType, null: float) -> np.ndarray:
    return by_chunk(column, kind.to_pandas_dtype(), lambda chunk: pc.fill_null(chunk.cast(kind), null))


def joined(*columns: pa.ChunkedArray) -> pa.ChunkedArray:
    """Texts of several columns as one key; null where any is null."""
    return pc.binary_join_element_wise(*columns, JOINER)


def coded(column: pa.ChunkedArray) -> tuple[pa.Array, np.ndarray]:
    """The distinct values in order, and the position of each row's among them: int32, -1 where null."""
    if not len(column):
        return pa.array([], column.type), np.empty(0, dtype=np.int32)
    encoded = _encoded(column)
    words = encoded.chunk(0).dictionary
    order = pc.array_sort_indices(words)
    rank = np.full(len(words) + 1, -1, dtype=np.int32)
    rank[order.to_numpy()] = np.arange(len(words))
    found = by_chunk(encoded, np.int32, lambda chunk: pc.fill_null(chunk.indices, len(words)))
    return words.take(order), rank[found]


def occurring(values: pa.Array, codes: np.ndarray) -> tuple[pa.Array, np.ndarray]:
    """Only the values that rows have, and the positions among these."""
    found, codes = _renumbered(codes, len(values))
    return values.take(pa.array(found)), codes


def paired(
    systems: pa.Array, system: np.ndarray, codes: pa.Array, code: np.ndarray, joiner: str = JOINER
) -> tuple[list[str], np.ndarray]:
    """The pairs that occur, joined, in order; and the position of each row's among them: int32, -1 where one is null.

    Args:
        systems, codes: Distinct texts.
        system, code: By row, the position among these, -1 where null.
        joiner: Stands between the two.
    """
    pair = np.where((system < 0) | (code < 0), -1, system.astype(np.int64) * len(codes) + code)
    found, pair = _renumbered(pair, len(systems) * len(codes))
    first, second = (pa.array(each) for each in np.divmod(found, max(len(codes), 1)))
    labels = pc.binary_join_element_wise(systems.take(first), codes.take(second), joiner)
    order = pc.array_sort_indices(labels)
    rank = np.full(len(labels) + 1, -1, dtype=np.int32)
    rank[order.to_numpy()] = np.arange(len(labels))
    return labels.take(order).to_pylist(), rank[pair]


def _renumbered(codes: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Which of the numbers below `count` occur, and the position of each among them: int32; -1 stays -1."""
    if count > 4 * len(codes) + 2**16:
        found, rank = np.unique(codes, return_inverse=True)
        nulls = int(np.count_nonzero(found[:1] < 0))
        return found[nulls:], (rank - nulls).astype(np.int32)
    occurs = np.zeros(count + 1, dtype=bool)
    occurs[codes] = True
    found = np.flatnonzero(occurs[:-1])
    rank = np.full(count + 1, -1, dtype=np.int32)
    rank[found] = np.arange(len(found))
    return found, rank[codes]


def _encoded(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """All chunks with one dictionary. Arrow makes it so where it encodes them together; making sure hashes every text again."""
    encoded = pa.chunked_array([chunk for chunk in column.chunks if len(chunk)]).dictionary_encode()
    places = {chunk.dictionary.buffers()[1].address for chunk in encoded.chunks if len(chunk.dictionary)}
    return encoded if len(places) == 1 else encoded.unify_dictionaries()


def sorted_distinct(keys: Sequence[pa.ChunkedArray]) -> pa.Array:
    """Every text that occurs, once, in order: the same labels whatever the order of files."""
    chunks = [chunk for key in keys for chunk in key.chunks]
    distinct = pc.drop_null(pc.unique(pa.chunked_array(chunks, type=pa.string())))
    return distinct.take(pc.array_sort_indices(distinct))


def holds_any(texts: pa.Array, signs: bytes) -> bool:
    """Whether any text holds one of the bytes: looked for in all of them at once. Below a null may lie anything."""
    if not len(texts):
        return False
    _, ends, content = texts.buffers()
    first, last = np.frombuffer(ends, dtype=np.int32)[[texts.offset, texts.offset + len(texts)]]
    if content is None or first == last:
        return False
    wanted = np.zeros(256, dtype=bool)
    wanted[list(signs)] = True
    return bool(wanted[np.frombuffer(content, dtype=np.uint8)[first:last]].any())
