"""Texts cut into sentences, and the distinct sentences among them: each is read once, however often it was sent."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

_BLOCK = 100_000  # texts cut at a time
_WRAPPED_FROM = 50  # bytes of a line from which it is taken to be broken for width
_DOT, _ASK, _CALL, _LINE, _COLON = (ord(sign) for sign in ".?!\n:")
_LONGEST_ABBREVIATION = 8


@dataclass(frozen=True)
class Sentences:
    """`distinct`: sentences, blanks around them gone. One entry an occurrence: `number` (position in `distinct`),
    `text` (position among the texts cut), `begin`, `end` (characters of the text)."""

    distinct: pa.LargeStringArray
    number: np.ndarray
    text: np.ndarray
    begin: np.ndarray
    end: np.ndarray


def _byte_table(signs: bytes) -> np.ndarray:
    table = np.zeros(256, np.bool_)
    table[list(signs)] = True
    return table


_BLANK = _byte_table(b" \t\r\n\x0b\x0c")
_LOWER = _byte_table(bytes(range(ord("a"), ord("z") + 1)))
_UPPER = _byte_table(bytes(range(ord("A"), ord("Z") + 1)))
_DIGIT = _byte_table(b"0123456789")
_LETTER = _LOWER | _UPPER
_LETTER[128:] = True
_STOP = _byte_table(b".!?:;")
_BULLET = _byte_table(b"-*\xe2")


def sentences(texts: pa.LargeStringArray, abbreviations: tuple[str, ...]) -> Sentences:
    """Cut texts where sentences and lines end.

    A line that goes on in small letters after a long one was broken for width; one that ends with a colon
    belongs to the next; lines with a bullet below such a line stay with it.
    """
    blocks = [
        _block(texts.slice(start, _BLOCK), start, abbreviations)
        for start in range(0, max(len(texts), 1), _BLOCK)
    ]
    pieces = pa.chunked_array([block[0] for block in blocks], pa.large_string())
    encoded = pieces.combine_chunks().dictionary_encode()
    text, begin, end = (np.concatenate([block[at] for block in blocks]) for at in (1, 2, 3))
    return Sentences(encoded.dictionary, np.asarray(encoded.indices, np.int64), text, begin, end)


Block = tuple[pa.LargeStringArray, np.ndarray, np.ndarray, np.ndarray]


def _block(texts: pa.LargeStringArray, first: int, abbreviations: tuple[str, ...]) -> Block:
    offsets, content = offsets_and_bytes(texts)
    ends = np.unique(np.concatenate([_ends(content, offsets, abbreviations), offsets[1:]]))
    begins = np.concatenate([offsets[:1], ends[:-1]])
    begins, ends = _without_blanks(content, begins, ends)
    pieces = _slices(content, begins, ends)
    text = np.searchsorted(offsets, begins, "right") - 1
    start = offsets[text]
    before = _characters_before(content)
    return pieces, text + first, before(begins) - before(start), before(ends) - before(start)


def offsets_and_bytes(texts: pa.LargeStringArray) -> tuple[np.ndarray, np.ndarray]:
    """(texts + 1,) int64 offsets from 0, and the bytes between them followed by a line end."""
    offsets = np.frombuffer(texts.buffers()[1], np.int64)[texts.offset : texts.offset + len(texts) + 1]
    held = texts.buffers()[2]
    content = np.frombuffer(held, np.uint8) if held is not None else np.zeros(0, np.uint8)
    part = content[offsets[0] : offsets[-1]]
    return offsets - offsets[0], np.concatenate([part, np.frombuffer(b"\n", np.uint8)])


def _characters_before(content: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    """From byte offsets to characters: bytes that go on with a character are not counted."""
    inside = np.flatnonzero((content & 0xC0) == 0x80)
    return lambda offsets: offsets - np.searchsorted(inside, offsets)


def _without_blanks(
    content: np.ndarray, begins: np.ndarray, ends: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    solid = np.flatnonzero(~_BLANK[content])
    first = np.searchsorted(solid, begins)
    last = np.searchsorted(solid, ends) - 1
    some = first <= last
    return solid[first[some]], solid[last[some]] + 1


def _slices(content: np.ndarray, begins: np.ndarray, ends: np.ndarray) -> pa.LargeStringArray:
    """The bytes of each piece, as texts."""
    lengths = ends - begins
    offsets = np.concatenate([[0], np.cumsum(lengths)])
    taken = np.zeros(len(content) + 1, np.int8)
    np.add.at(taken, begins, 1)
    np.add.at(taken, ends, -1)
    kept = content[np.cumsum(taken[:-1], dtype=np.int8) > 0]
    return pa.LargeStringArray.from_buffers(len(lengths), pa.py_buffer(offsets), pa.py_buffer(kept))


def _ends(content: np.ndarray, offsets: np.ndarray, abbreviations: tuple[str, ...]) -> np.ndarray:
    """Offsets behind the sign or line end that ends a sentence within a text."""
    text_end = np.zeros(len(content), np.bool_)
    text_end[offsets] = True
    stops = np.flatnonzero((content == _DOT) | (content == _ASK) | (content == _CALL))
    stops = stops[(stops > 0) & ~text_end[stops]]
    return np.concatenate([
        stops[_ends_a_sentence(content, stops, abbreviations)] + 1,
        _line_ends(content, offsets),
    ])  # fmt: skip


def _ends_a_sentence(content: np.ndarray, stops: np.ndarray, abbreviations: tuple[str, ...]) -> np.ndarray:
    before, after = content[stops - 1], content[stops + 1]
    dot = content[stops] == _DOT
    spaced = _BLANK[after] & (dot | _LETTER[before] | _DIGIT[before] | (before == ord(")")))
    glued = dot & _LOWER[before] & _UPPER[after]
    return (spaced | glued) & ~(dot & _abbreviated(content, stops, abbreviations))


def _abbreviated(content: np.ndarray, stops: np.ndarray, abbreviations: tuple[str, ...]) -> np.ndarray:
    """Whether the word before each full stop is an abbreviation."""
    reach = np.arange(-_LONGEST_ABBREVIATION, 0)
    window = content[np.maximum(stops[:, None] + reach, 0)]
    window = np.where(_UPPER[window], window + 32, window)
    found = np.zeros(len(stops), np.bool_)
    for word in abbreviations:
        signs = np.frombuffer(word.encode(), np.uint8)[-_LONGEST_ABBREVIATION + 1 :]
        same = (window[:, -len(signs) :] == signs).all(axis=1)
        found |= same & ~_LETTER[window[:, -len(signs) - 1]]
    return found


def _line_ends(content: np.ndarray, offsets: np.ndarray) -> np.ndarray:
    lines = np.flatnonzero(content[:-1] == _LINE)
    if not len(lines):
        return lines
    after = _passing(content, lines + 1, 1)
    before = _passing(content, lines - 1, -1)
    previous = np.concatenate([[-1], lines[:-1]])
    length = lines - np.maximum(previous + 1, offsets[np.searchsorted(offsets, lines, "right") - 1])
    wrapped = (length >= _WRAPPED_FROM) & _LOWER[content[after]] & ~_STOP[content[before]]
    colon = content[before] == _COLON
    bullet = _BULLET[content[after]] & ~_DIGIT[content[np.minimum(after + 1, len(content) - 1)]]
    listed = np.concatenate(
        [[False], bullet[:-1] & (previous[1:] >= offsets[np.searchsorted(offsets, lines[1:], "right") - 1])]
    )
    return lines[~(wrapped | colon | (bullet & listed))] + 1


def _passing(content: np.ndarray, at: np.ndarray, step: int) -> np.ndarray:
    """The next place (a few blanks on, at most) that is no blank."""
    for _ in range(4):
        at = np.clip(np.where(_BLANK[content[at]], at + step, at), 0, len(content) - 1)
    return at
