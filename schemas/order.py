"""Rows of Arrow tables in the order of their cells: texts by their bytes, gaps last."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow
import pyarrow.compute as pc

#: Numbers that rank rows stay below this.
MOST_RANKS = 2**62


def rising(columns: Sequence[pyarrow.ChunkedArray]) -> bool:
    """Whether each row comes after the one before it, by the first column in which they differ, and no two are equal."""
    if any(pyarrow.types.is_dictionary(cells.type) for cells in columns):
        return False
    equal = np.ones(max(len(columns[0]) - 1, 0), bool)
    for cells in columns:
        if cells.null_count:
            return False
        before, after = cells.slice(0, len(equal)), cells.slice(1)
        if not pc.all(
            pc.or_(pc.less_equal(before, after), pyarrow.chunked_array([~equal])), min_count=0
        ).as_py():
            return False
        equal &= pc.equal(before, after).to_numpy()
        if not equal.any():
            return True
    return not equal.any()


def order_of(columns: Sequence[pyarrow.ChunkedArray]) -> tuple[np.ndarray, bool]:
    """Positions of rows in the order of their cells, first column first, gaps last; and whether two rows are equal.

    A column is looked at only in those rows which the columns before it leave equal.
    """
    order = np.arange(len(columns[0]))
    open_places, group = order.copy(), np.zeros(len(order), np.int64)
    for cells in columns:
        rows = order[open_places]
        own, distinct = _ranked(cells if cells is columns[0] else cells.take(pyarrow.array(rows)))
        numbers = group * distinct + own
        sorted_places = np.argsort(numbers, kind="stable")
        order[open_places] = rows[sorted_places]
        numbers = numbers[sorted_places]
        same = np.zeros(len(rows) + 1, bool)
        same[1:-1] = numbers[1:] == numbers[:-1]
        shared = same[:-1] | same[1:]
        open_places, group = open_places[shared], np.cumsum(~same[:-1][shared]) - 1
        if not len(open_places):
            break
    return order, len(open_places) > 0


def ranks(columns: Sequence[pyarrow.ChunkedArray]) -> np.ndarray:
    """int64 by row: equal where all cells are, and in the order of the cells, first column first; gaps last."""
    found, many = np.zeros(len(columns[0]), np.int64), 1
    for cells in columns:
        own, distinct = _ranked(cells)
        if many * distinct > MOST_RANKS:
            known, found = np.unique(found, return_inverse=True)
            many = len(known)
        found, many = found * distinct + own, many * distinct
    return found


def _ranked(cells: pyarrow.ChunkedArray) -> tuple[np.ndarray, int]:
    """Of one column, and below which number they all are."""
    kind = cells.type
    if pyarrow.types.is_dictionary(kind):
        return _ranked_words(cells)
    if pyarrow.types.is_date32(kind):
        cells = cells.cast(pyarrow.int32())
    if pyarrow.types.is_integer(cells.type) and not cells.null_count and len(cells):
        whole = cells.to_numpy().astype(np.int64, copy=False)
        low, high = int(whole.min()), int(whole.max())
        if high - low < MOST_RANKS >> 31:
            return whole - low, high - low + 1
    coded = cells.combine_chunks().dictionary_encode(null_encoding="encode")
    order = pc.sort_indices(coded.dictionary).to_numpy()
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    return place[coded.indices.to_numpy()], max(len(order), 1)


def _ranked_words(cells: pyarrow.ChunkedArray) -> tuple[np.ndarray, int]:
    """The same of numbers beside a dictionary, whose words are compared once each."""
    whole = cells.unify_dictionaries().combine_chunks()
    chunks = whole.chunks if isinstance(whole, pyarrow.ChunkedArray) else [whole]
    words = pyarrow.chunked_array([chunks[0].dictionary] if chunks else [], kind_of_words(cells.type))
    own, many = (np.arange(len(words)), len(words)) if rising([words]) else _ranked(words)
    codes = np.concatenate(
        [pc.fill_null(chunk.indices, len(words)).to_numpy() for chunk in chunks] or [own[:0]]
    )
    return np.append(own, many).astype(np.int64)[codes], many + 1


def kind_of_words(kind: pyarrow.DataType) -> pyarrow.DataType:
    """What is written: words that are numbers beside a dictionary are text."""
    return kind.value_type if pyarrow.types.is_dictionary(kind) else kind
