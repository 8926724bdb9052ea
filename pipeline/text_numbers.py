"""Short texts as whole numbers that sort as the texts do, and back again; nothing is hashed.

A text is read as a number whose digits are its bytes. At each position the bytes that occur run from a lowest to a
highest one, and the end of a shorter text comes before all of them: so many digits the position has. Ids that differ
in seven decimal digits are numbers below ten million, whatever is the same in all of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import prod

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

#: Rows at a time, so that what is worked out of them stays in the processor's cache.
BLOCK = 1 << 14
#: Texts that need more numbers than this are too long or too different for one number.
MOST = 1 << 62
#: Multiplier and first value of the hash, the published ones of 64-bit FNV-1a.
_FNV_PRIME, _FNV_BASIS = np.uint64(0x100000001B3), np.uint64(0xCBF29CE484222325)


@dataclass(frozen=True)
class Spelling:
    """How texts read as numbers: by position the lowest digit and how many there are.

    A digit is 0 where the text has ended, else the byte and one; a text in UTF-8 holds no byte 255.
    """

    lowest: tuple[int, ...]
    kinds: tuple[int, ...]

    @property
    def count(self) -> int:
        """How many numbers there are, whether texts have them or not."""
        return prod(self.kinds)

    def numbers(self, texts: pa.Array) -> np.ndarray:
        """int64 number of each text, -1 where null."""
        found = np.zeros(len(texts), dtype=np.int64)
        for block in _blocks(texts):
            number = found[block.rows]
            for position, (lowest, kinds) in enumerate(zip(self.lowest, self.kinds, strict=True)):
                if kinds > 1:
                    number *= kinds
                    number += block.digits(position) - np.uint8(lowest)
        if texts.null_count:
            found[pc.is_null(texts).to_numpy(zero_copy_only=False)] = -1
        return found

    def texts(self, numbers: np.ndarray) -> pa.Array:
        """The text of each number."""
        blocks = [self._texts(numbers[at : at + BLOCK]) for at in range(0, len(numbers), BLOCK)]
        return pa.concat_arrays(blocks) if blocks else pa.array([], pa.string())

    def _texts(self, numbers: np.ndarray) -> pa.Array:
        digits = np.empty((len(numbers), len(self.kinds)), dtype=np.uint8)
        for position in reversed(range(len(self.kinds))):
            rest = numbers // self.kinds[position]
            digits[:, position] = numbers - rest * self.kinds[position] + self.lowest[position]
            numbers = rest
        there = digits > 0
        ends = np.append(0, np.cumsum(there.sum(axis=1))).astype(np.int32)
        content = digits[there] - np.uint8(1)
        return pa.StringArray.from_buffers(len(digits), pa.py_buffer(ends), pa.py_buffer(content))


def spelling_of(chunks: Iterable[pa.Array]) -> Spelling | None:
    """How the texts of all chunks read as numbers; None where they need too many. Nulls count for nothing."""
    lowest: list[int] = []
    highest: list[int] = []
    first = True
    for chunk in chunks:
        for block in _blocks(chunk.drop_null() if chunk.null_count else chunk):
            new = max(int(block.lengths.max()) - len(lowest), 0)
            lowest += [255 if first else 0] * new
            highest += [0] * new
            for position in range(len(lowest)):
                digits = block.digits(position)
                lowest[position] = min(lowest[position], int(digits.min()))
                highest[position] = max(highest[position], int(digits.max()))
            first = False
            if prod(high - low + 1 for low, high in zip(lowest, highest, strict=True)) > MOST:
                return None
    kinds = tuple(high - low + 1 for low, high in zip(lowest, highest, strict=True))
    return Spelling(tuple(lowest), kinds)


def text_hashes(texts: pa.Array, seed: np.uint64 = _FNV_BASIS) -> np.ndarray:
    """uint64 of each text by its bytes and the seed alone; every bit depends on every byte. Nulls are as any text."""
    found = np.full(len(texts), seed, dtype=np.uint64)
    for block in _blocks(texts):
        own = found[block.rows]
        for position in range(int(block.lengths.max())):
            digits = block.digits(position)
            np.copyto(own, (own ^ digits) * _FNV_PRIME, where=digits > 0)
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        found ^= found >> np.uint64(shift)
        found *= np.uint64(factor)
    return found ^ (found >> np.uint64(31))


@dataclass(frozen=True)
class _Block:
    """Some rows of an array of texts: their bytes, and where each text begins in them and how long it is."""

    rows: slice
    content: np.ndarray
    begins: np.ndarray
    lengths: np.ndarray

    def digits(self, position: int) -> np.ndarray:
        """uint8 by text: the byte at the position and one, 0 where the text has ended."""
        found = self.content.take(self.begins + position, mode="clip")
        found += np.uint8(1)
        found[self.lengths <= position] = 0
        return found


def _blocks(texts: pa.Array) -> Iterator[_Block]:
    if not len(texts):
        return
    _, ends, held = texts.buffers()
    offsets = np.frombuffer(ends, dtype=np.int32)[texts.offset : texts.offset + len(texts) + 1]
    content = np.frombuffer(held, dtype=np.uint8) if held is not None and held.size else np.zeros(1, np.uint8)
    for at in range(0, len(texts), BLOCK):
        begins = offsets[at : at + BLOCK + 1].astype(np.int64)
        yield _Block(slice(at, at + len(begins) - 1), content, begins[:-1], np.diff(begins))
