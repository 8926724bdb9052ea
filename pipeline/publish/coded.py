"""Columns of tables with very many rows: a word stands once in a dictionary, and rows say which by its number."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

#: Days before this are not known.
LONG_AGO = -(2**29)
#: Numbers in so narrow a range are looked up in a table with a byte for each.
LOOKED_UP_WITHIN = 2**27


def coded(
    words: Sequence[str] | pa.Array, positions: np.ndarray | pd.Series, missing: str | None = None
) -> pa.DictionaryArray:
    """Words by their position; -1 is the word for what is missing, or null where there is none for it."""
    known = words if isinstance(words, pa.Array) else pa.array(list(words), pa.string())
    at = np.asarray(positions).astype(np.int32)
    if missing is None or not (at < 0).any():
        return pa.DictionaryArray.from_arrays(pa.array(at, mask=at < 0), known)
    named = pa.concat_arrays([known, pa.array([missing], pa.string())])
    return pa.DictionaryArray.from_arrays(pa.array(np.where(at < 0, len(known), at)), named)


def whole(numbers: np.ndarray | pd.Series, missing: np.ndarray | None = None) -> pa.Array:
    """Whole numbers, null where one is missing."""
    return pa.array(np.asarray(numbers).astype(np.int64), mask=missing)


def days(numbers: np.ndarray | pd.Series, missing: np.ndarray | None = None) -> pa.Array:
    """Days of the calendar from days since 1970-01-01."""
    return pa.array(np.asarray(numbers).astype(np.int32), pa.int32(), mask=missing).cast(pa.date32())


def days_or_none(numbers: np.ndarray | pd.Series) -> pa.Array:
    """The same; null for what lies before all days."""
    return days(numbers, np.asarray(numbers) <= LONG_AGO)


def one_nothing(texts: pa.Array | pa.ChunkedArray) -> pa.Array | pa.ChunkedArray:
    """Null where a text is empty."""
    return pc.if_else(pc.equal(texts, ""), pa.scalar(None, pa.string()), texts)


def repeated_words(texts: pa.Array | np.ndarray) -> pa.DictionaryArray:
    """Texts of which few differ, with null for an empty one."""
    return one_nothing(pa.array(texts, pa.string())).dictionary_encode()


def joined_runs(texts: pa.Array, first: np.ndarray, between: str) -> pa.Array:
    """One text for each run of texts; `first` marks where a run begins. Most have one text alone."""
    starts = np.flatnonzero(first)
    if len(starts) == len(texts):
        return texts
    ends = np.append(starts, len(texts)).astype(np.int32)
    return pc.binary_join(pa.ListArray.from_arrays(pa.array(ends), texts), between)


def begins(numbers: np.ndarray) -> np.ndarray:
    """bool: the number differs from the one before it."""
    first = np.ones(len(numbers), bool)
    first[1:] = numbers[1:] != numbers[:-1]
    return first


def among(asked: np.ndarray, known: np.ndarray) -> np.ndarray:
    """bool: the number is one of the known ones."""
    if len(known) and int(known.max()) - int(known.min()) >= LOOKED_UP_WITHIN:
        return places_among(asked, np.unique(known)) >= 0
    return np.isin(asked, known, kind="table")


def places_among(asked: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Where each number stands among known ones, which rise; -1 where it does not."""
    if not len(known):
        return np.full(len(asked), -1, np.int64)
    at = np.minimum(np.searchsorted(known, asked), len(known) - 1)
    return np.where(known[at] == asked, at, -1)


def rows_alike(asked: np.ndarray, known: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Every pair of equal numbers: its places among those asked for, in order, and among known ones, which rise."""
    first = np.searchsorted(known, asked, "left")
    many = np.searchsorted(known, asked, "right") - first
    before = np.cumsum(many) - many
    at = np.repeat(np.arange(len(asked)), many)
    return at, np.repeat(first - before, many) + np.arange(many.sum())


def in_words(table: pa.Table) -> pa.Table:
    """The table with every word where its number stood."""
    plain = [
        column.cast(column.type.value_type) if pa.types.is_dictionary(column.type) else column
        for column in table.columns
    ]
    return pa.table(plain, names=table.column_names)
