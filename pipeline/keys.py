"""Ids of sites as small integers: each text is hashed once for all columns that hold it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.columns import joined

#: A column of sites, or None where the id alone is the key, and the column of ids beside it.
KeyColumns = tuple[pa.ChunkedArray | None, pa.ChunkedArray]


@dataclass(frozen=True)
class Keys:
    """Numbers in the order of (site, id), so the same whatever the order of files.

    Attributes:
        numbers: For each pair of columns asked about, int64 by row; -1 where the id is null.
        names: Sites by their number; None where the id alone is the key.
        ids: The id of each number.
        site: The site of each number.
    """

    numbers: tuple[np.ndarray, ...]
    names: pa.Array | None
    ids: pa.Array
    site: np.ndarray

    @cached_property
    def known(self) -> pa.Array:
        """The label of each number: site and id joined, or the id alone."""
        return self.ids if self.names is None else joined(self.names.take(pa.array(self.site)), self.ids)


def keys_of(columns: Sequence[KeyColumns]) -> Keys:
    """Number every (site, id) that occurs in any of the pairs of columns; all with a site, or all without."""
    ids, of_id = _ranks([each for _, each in columns])
    sites = [site for site, _ in columns if site is not None]
    if not sites:
        return Keys(tuple(_cut(of_id, columns)), None, ids, np.zeros(0, np.int64))
    names, of_site = _ranks(sites)
    if len(names) == 1:
        return Keys(tuple(_cut(of_id, columns)), names, ids, np.zeros(len(ids), np.int64))
    pair = np.where(of_id < 0, -1, of_site * len(ids) + of_id)
    distinct, number = _distinct(pair)
    own = ids.take(pa.array(distinct % max(len(ids), 1)))
    return Keys(tuple(_cut(number, columns)), names, own, distinct // max(len(ids), 1))


def _cut(numbers: np.ndarray, columns: Sequence[KeyColumns]) -> list[np.ndarray]:
    ends = np.cumsum([len(each) for _, each in columns])
    return np.split(numbers, ends[:-1])


def _ranks(columns: Sequence[pa.ChunkedArray]) -> tuple[pa.Array, np.ndarray]:
    """The distinct texts in order, and the position of each row's text among them, -1 where null."""
    chunks = [chunk for column in columns for chunk in column.chunks if len(chunk)]
    if not chunks:
        return pa.array([], pa.string()), np.zeros(0, np.int64)
    encoded = _encoded(chunks)
    words = encoded.chunk(0).dictionary
    order = pc.array_sort_indices(words)
    rank = np.full(len(words) + 1, -1, dtype=np.int64)
    rank[order.to_numpy()] = np.arange(len(words))
    codes = [pc.fill_null(chunk.indices, len(words)).to_numpy() for chunk in encoded.chunks]
    return words.take(order), rank[np.concatenate(codes)]


def _encoded(chunks: Sequence[pa.Array]) -> pa.ChunkedArray:
    """All chunks with one dictionary. Arrow makes it so where it encodes them together; making sure hashes every text again."""
    encoded = pa.chunked_array(chunks, pa.string()).dictionary_encode()
    places = {chunk.dictionary.buffers()[1].address for chunk in encoded.chunks if len(chunk.dictionary)}
    return encoded if len(places) == 1 else encoded.unify_dictionaries()


def _distinct(pair: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The distinct numbers from 0 on in order, and the position of each row's among them, -1 for -1."""
    import pandas as pd

    code, found = pd.factorize(pair)
    order = np.argsort(found)
    order = order[found[order] >= 0]
    rank = np.full(len(found) + 1, -1, dtype=np.int64)
    rank[order] = np.arange(len(order))
    return found[order], rank[code]
