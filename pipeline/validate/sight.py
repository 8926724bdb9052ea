"""Patterns asked of many columns at once.

A pattern takes longer to prepare than to ask of a few thousand short texts, and a receipt brings dozens of small
files. So the texts of all columns that are looked at lie together, each once, and each pattern is asked when it is
first needed.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

#: Cells of a column that are looked at, evenly drawn where there are more.
MOST_CELLS = 5000

Text: TypeAlias = pa.ChunkedArray | pa.Array


def drawn(text: Text) -> pa.Array:
    """Filled cells, trimmed, evenly drawn from the whole column where there are many."""
    filled = text.filter(pc.fill_null(pc.not_equal(text, ""), False))
    trimmed = pc.utf8_trim_whitespace(_whole(filled.take(drawn_rows(len(filled)))))
    return trimmed.filter(pc.not_equal(trimmed, ""))


def drawn_rows(rows: int) -> pa.Array:
    """Positions of rows, evenly drawn where there are many."""
    at = np.arange(rows) if rows <= MOST_CELLS else np.linspace(0, rows - 1, MOST_CELLS)
    return pa.array(at.astype(np.int64))


def beside_others(text: Text) -> pa.Array:
    """Cells, trimmed, of evenly drawn rows: the same rows in every column of one length."""
    return pc.utf8_trim_whitespace(_whole(text.take(drawn_rows(len(text)))))


def _whole(text: Text) -> pa.Array:
    chunks = text.chunks if isinstance(text, pa.ChunkedArray) else [text]
    return pa.concat_arrays([pa.array([], pa.string()), *(chunk.cast(pa.string()) for chunk in chunks)])


class Sight:
    """The different texts of columns, and what patterns (RE2) say of them."""

    def __init__(self, columns: Iterable[Text]) -> None:
        parts = [part for text in columns for part in (drawn(text), beside_others(text))]
        texts = pa.chunked_array([pa.array([], pa.string()), *parts], pa.string())
        self.texts = _whole(pc.unique(pc.drop_null(texts)))
        self._places = {text: at for at, text in enumerate([*self.texts.to_pylist(), None])}
        self._matches: dict[str, np.ndarray] = {}
        self._named: dict[str, pa.Array] = {}

    def positions(self, cells: pa.Array) -> np.ndarray | None:
        """Where each text stands among those of this sight, one behind all of them for null; None if any is new."""
        at = [self._places.get(text, -1) for text in cells.to_pylist()]
        return None if -1 in at else np.array(at, dtype=np.int64)

    def matches(self, pattern: str) -> np.ndarray:
        """bool over the texts and, False, behind them for null."""
        if pattern not in self._matches:
            found = pc.match_substring_regex(self.texts, pattern).to_numpy(zero_copy_only=False)
            self._matches[pattern] = np.append(found, False)
        return self._matches[pattern]

    def named(self, pattern: str, group: str) -> pa.Array:
        """What a named group of the pattern holds in each text, null where it does not fit and behind all texts."""
        if pattern not in self._named:
            found = pc.struct_field(pc.extract_regex(self.texts, pattern), group)
            self._named[pattern] = pa.concat_arrays([found, pa.nulls(1, found.type)])
        return self._named[pattern]


class Cells:
    """Cells of one column in a sight that holds them; a column that is new gets a sight of its own."""

    def __init__(self, cells: pa.Array, sight: Sight | None = None) -> None:
        at = sight.positions(cells) if sight is not None else None
        if sight is None or at is None:
            sight = Sight([cells])
            at = sight.positions(cells)
            assert at is not None
        self.cells, self.sight, self.at = cells, sight, at

    def matches(self, pattern: str) -> np.ndarray:
        """bool over the cells."""
        return self.sight.matches(pattern)[self.at]

    def named(self, pattern: str, group: str) -> pa.Array:
        """What a named group holds in each cell, null where the pattern does not fit."""
        return self.sight.named(pattern, group).take(pa.array(self.at))
