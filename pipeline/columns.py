"""Arrow columns as plain numpy arrays: the step from text to small integers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.handover import NO_DAY

JOINER = "\x1f"


def calendar_days(column: pa.ChunkedArray) -> np.ndarray:
    """int32 days since 1970-01-01, NO_DAY where null."""
    return pc.fill_null(column.cast(pa.int32()), int(NO_DAY)).to_numpy().astype(np.int32)


def word_codes(column: pa.ChunkedArray, words: Sequence[str]) -> np.ndarray:
    """int32 position of each text in `words`, -1 where it is null or not among them."""
    found = pc.index_in(column, value_set=pa.array(list(words), type=pa.string()))
    return pc.fill_null(found, -1).to_numpy().astype(np.int32)


def whole_numbers(column: pa.ChunkedArray) -> np.ndarray:
    """int32, -1 where null."""
    return pc.fill_null(column.cast(pa.int32()), -1).to_numpy().astype(np.int32)


def decimals(column: pa.ChunkedArray) -> np.ndarray:
    """float64, nan where null."""
    return pc.fill_null(column.cast(pa.float64()), float("nan")).to_numpy()


def answers(column: pa.ChunkedArray) -> np.ndarray:
    """int8: 1 yes, 0 no, -1 not said."""
    return pc.fill_null(column.cast(pa.int8()), -1).to_numpy().astype(np.int8)


def given(column: pa.ChunkedArray) -> np.ndarray:
    """bool: the cell is not empty."""
    return pc.is_valid(column).to_numpy().astype(bool)


def joined(*columns: pa.ChunkedArray) -> pa.ChunkedArray:
    """Texts of several columns as one key; null where any is null."""
    return pc.binary_join_element_wise(*columns, JOINER)


def coded(column: pa.ChunkedArray) -> tuple[pa.Array, np.ndarray]:
    """The distinct texts in order, and the position of each row's text among them: int32, -1 where null."""
    codes = np.empty(len(column), dtype=np.int32)
    if not len(column):
        return pa.array([], pa.string()), codes
    encoded = _encoded(column)
    words = encoded.chunk(0).dictionary
    order = pc.array_sort_indices(words)
    rank = np.full(len(words) + 1, -1, dtype=np.int32)
    rank[order.to_numpy()] = np.arange(len(words))
    begin = 0
    for chunk in encoded.chunks:
        codes[begin : begin + len(chunk)] = rank[pc.fill_null(chunk.indices, len(words)).to_numpy()]
        begin += len(chunk)
    return words.take(order), codes


def _encoded(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """All chunks with one dictionary. Arrow makes it so where it encodes them together; making sure hashes every text again."""
    encoded = pa.chunked_array(
        [chunk for chunk in column.chunks if len(chunk)], pa.string()
    ).dictionary_encode()
    places = {chunk.dictionary.buffers()[1].address for chunk in encoded.chunks if len(chunk.dictionary)}
    return encoded if len(places) == 1 else encoded.unify_dictionaries()


def first_positions(keys: pa.ChunkedArray, known: pa.Array) -> np.ndarray:
    """int64 position of each key in `known`, -1 where it is absent or null."""
    return pc.fill_null(pc.index_in(keys, value_set=known), -1).to_numpy().astype(np.int64)


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
