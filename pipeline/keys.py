"""Ids of sites as small integers, site by site: read as numbers where they are short, else each text hashed once."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.columns import coded, joined
from pipeline.text_numbers import Spelling, spelling_of

#: A column of sites, or None where the id alone is the key, and the column of ids beside it.
KeyColumns = tuple[pa.ChunkedArray | None, pa.ChunkedArray]
#: Where there are more possible numbers than this for each text, they are sorted instead of looked up in a table.
SPARSE = 16
#: A table of so many numbers is small whatever the number of texts.
SMALL = 1 << 16
#: Rows taken at a time.
TOGETHER = 1 << 16
#: Where rows of one site that follow each other are fewer on average, rows are brought together by site first.
FEW_TOGETHER = 4096


@dataclass(frozen=True)
class Keys:
    """Numbers in the order of (site, id), so the same whatever the order of files.

    Attributes:
        numbers: For each pair of columns asked about, int32 by row (int64 from 2^31 rows on); -1 where the id is null.
        names: Sites by their number; None where the id alone is the key.
        counts: How many ids each site has; of the only entry where the id alone is the key.
    """

    numbers: tuple[np.ndarray, ...]
    names: pa.Array | None
    counts: np.ndarray
    _texts: tuple[Callable[[], pa.Array], ...]

    def __len__(self) -> int:
        return int(self.counts.sum())

    def of_sites(self) -> Iterator[tuple[str, pa.Array]]:
        """Each site with its ids in order; the site is empty where the id alone is the key."""
        names = [""] if self.names is None else self.names.to_pylist()
        for name, texts in zip(names, self._texts, strict=True):
            yield name, texts()

    @cached_property
    def known(self) -> pa.Array:
        """The label of each number: site and id joined, or the id alone."""
        labels = [
            ids if self.names is None else joined(pa.scalar(name), ids) for name, ids in self.of_sites()
        ]
        return pa.concat_arrays(labels) if labels else pa.array([], pa.string())


def keys_of(columns: Sequence[KeyColumns]) -> Keys:
    """Number every (site, id) that occurs in any of the pairs of columns; all rows with a site, or all without."""
    rows = sum(len(ids) for _, ids in columns)
    numbers = [np.full(len(ids), -1, np.int32 if rows < 2**31 else np.int64) for _, ids in columns]
    pieces: dict[str, list[_Piece]] = {}
    for into, (sites, ids) in zip(numbers, columns, strict=True):
        for site, piece in _pieces(sites, ids, into):
            pieces.setdefault(site, []).append(piece)
    bare = all(site is None for site, _ in columns)
    names = [""] if bare else sorted(pieces)
    counts, texts, first = [], [], 0
    for name in names:
        own = _numbered(pieces.get(name, []), first)
        counts.append(own.count)
        texts.append(own.texts)
        first += own.count
    sites_named = None if bare else pa.array(names, pa.string())
    return Keys(tuple(numbers), sites_named, np.array(counts, np.int64), tuple(texts))


@dataclass(frozen=True)
class _Piece:
    """Texts of one site, and the places of their numbers: rows `where` of `into`."""

    texts: pa.Array
    into: np.ndarray
    where: slice | np.ndarray


@dataclass(frozen=True)
class _Numbered:
    """How many distinct ids there are, and what gives them in order."""

    count: int
    texts: Callable[[], pa.Array]


def _pieces(
    sites: pa.ChunkedArray | None, ids: pa.ChunkedArray, into: np.ndarray
) -> Iterator[tuple[str, _Piece]]:
    """The rows by site; no text is copied where many rows of a site follow each other."""
    if sites is None:
        yield from (("", piece) for piece in _cut(ids, into, 0))
        return
    runs = [pc.run_end_encode(chunk) for chunk in sites.chunks]
    if sum(len(each.values) for each in runs) > 64 + len(ids) / FEW_TOGETHER:
        yield from _brought_together(sites, ids, into)
        return
    begin = 0
    for chunk in runs:
        lengths = np.diff(chunk.run_ends.to_numpy(), prepend=0).tolist()
        for name, length in zip(chunk.values.to_pylist(), lengths, strict=True):
            yield from ((name, piece) for piece in _cut(ids.slice(begin, length), into, begin))
            begin += length


def _brought_together(
    sites: pa.ChunkedArray, ids: pa.ChunkedArray, into: np.ndarray
) -> Iterator[tuple[str, _Piece]]:
    names, code = coded(sites)
    order = np.argsort(code, kind="stable")
    begin = 0
    for name, length in zip(names.to_pylist(), np.bincount(code, minlength=len(names)).tolist(), strict=True):
        rows = order[begin : begin + length]
        for piece in _cut(ids.take(pa.array(rows)), rows, 0):
            yield name, _Piece(piece.texts, into, rows[piece.where])
        begin += length


def _cut(ids: pa.ChunkedArray, into: np.ndarray, begin: int) -> Iterator[_Piece]:
    """Pieces of all the ids, the first at row `begin` of `into`."""
    for chunk in ids.chunks:
        for at in range(0, len(chunk), TOGETHER):
            texts = chunk.slice(at, TOGETHER)
            yield _Piece(texts, into, slice(begin, begin + len(texts)))
            begin += len(texts)


def _numbered(pieces: Sequence[_Piece], first: int) -> _Numbered:
    """Write the numbers of all texts of a site, counted from `first`."""
    spelling = spelling_of(piece.texts for piece in pieces)
    if spelling is None:
        return _listed(pieces, first)
    rows = sum(len(piece.texts) for piece in pieces)
    dense = spelling.count <= max(SMALL, min(SPARSE * rows, 2**31 - 1))
    return (_looked_up if dense else _sorted)(pieces, spelling, first)


def _looked_up(pieces: Sequence[_Piece], spelling: Spelling, first: int) -> _Numbered:
    occurs = np.zeros(spelling.count + 1, dtype=bool)  # the last one is that of null, -1
    for piece in pieces:
        number = spelling.numbers(piece.texts)
        occurs[number] = True
        piece.into[piece.where] = number
    found = _Occurring.of(occurs[:-1])
    for piece in pieces:
        number = piece.into[piece.where]
        piece.into[piece.where] = np.where(number < 0, -1, found.ranks(number) + first)
    return _Numbered(found.count, lambda: spelling.texts(found.numbers()))


def _sorted(pieces: Sequence[_Piece], spelling: Spelling, first: int) -> _Numbered:
    number = np.concatenate([spelling.numbers(piece.texts) for piece in pieces])
    distinct, rank = np.unique(number, return_inverse=True)
    nulls = int(distinct[0] < 0)
    _written(pieces, rank - nulls, first)
    return _Numbered(len(distinct) - nulls, lambda: spelling.texts(distinct[nulls:]))


def _listed(pieces: Sequence[_Piece], first: int) -> _Numbered:
    texts, rank = coded(pa.chunked_array([piece.texts for piece in pieces], pa.string()))
    _written(pieces, rank, first)
    return _Numbered(len(texts), lambda: texts)


def _written(pieces: Sequence[_Piece], ranks: np.ndarray, first: int) -> None:
    """Put the ranks of all texts, -1 where null, into their places."""
    begin = 0
    for piece in pieces:
        rank = ranks[begin : begin + len(piece.texts)]
        piece.into[piece.where] = np.where(rank < 0, -1, rank + first)
        begin += len(piece.texts)


@dataclass(frozen=True)
class _Occurring:
    """Which numbers occur: a bit each, 64 in a word, and how many occur before each word."""

    bits: np.ndarray
    before: np.ndarray

    @classmethod
    def of(cls, occurs: np.ndarray) -> _Occurring:
        packed = np.packbits(occurs, bitorder="little")
        bits = np.zeros(-(-len(occurs) // 64), dtype="<u8")
        bits.view(np.uint8)[: len(packed)] = packed
        before = np.append(0, np.cumsum(np.bitwise_count(bits), dtype=np.int64))
        return cls(bits, before)

    @property
    def count(self) -> int:
        return int(self.before[-1])

    def ranks(self, numbers: np.ndarray) -> np.ndarray:
        """How many that occur are lower than each number; anything for -1."""
        word, place = numbers >> 6, (numbers & 63).astype(np.uint64)
        lower = self.bits[word] & ((np.uint64(1) << place) - np.uint64(1))
        return self.before[word] + np.bitwise_count(lower)

    def numbers(self) -> np.ndarray:
        """All that occur, in order."""
        return np.flatnonzero(np.unpackbits(self.bits.view(np.uint8), bitorder="little"))
