"""Sentences cut into words and signs, in bulk; words become positions in a vocabulary."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.letters.cutting import offsets_and_bytes
from pipeline.phrase_grammar import QUESTION

PADDING = 16  # tokens behind the last one, so that looking ahead needs no bounds

_BLANK, _LETTER, _DIGIT, _SIGN = range(4)
_HYPHEN, _DOT, _COMMA = ord("-"), ord("."), ord(",")
_PLAIN = {
    "’": "'",
    "‘": "'",
    "–": " - ",
    "—": " - ",
    "•": " - ",
    "°": " deg ",
    "º": " deg ",
    "“": " ",
    "”": " ",
    "\u00a0": " ",
    "…": " ",
}


@dataclass(frozen=True)
class Tokens:
    """Words and signs of sentences one after another; a line end stands behind each sentence.

    `word`: position in `vocabulary` (the line end's own for padding). `sentence`: which sentence a token is of.
    `first`: (sentences + 1,) its first token. `is_word`: no sign.
    """

    vocabulary: list[str]
    word: np.ndarray
    sentence: np.ndarray
    first: np.ndarray
    is_word: np.ndarray


def _classes() -> np.ndarray:
    table = np.full(256, _SIGN, np.uint8)
    table[[ord(sign) for sign in ' \t\r\x0b\x0c"*_']] = _BLANK
    table[[*range(ord("a"), ord("z") + 1), *range(128, 256)]] = _LETTER
    table[list(range(ord("0"), ord("9") + 1))] = _DIGIT
    return table


_CLASS = _classes()
_OPEN, _CLOSE = (ord("("), ord("[")), (ord(")"), ord("]"))  # a bracket of either kind is written [ or ]


def tokens(sentences: pa.LargeStringArray) -> Tokens:
    """Cut sentences into words, numbers and signs. A hyphen inside a word parts it; an apostrophe is left out."""
    content = _plain_bytes(sentences)
    kind = _kinds(content)
    begins = np.flatnonzero(
        (kind != _BLANK) & ((kind == _SIGN) | (kind != np.concatenate([[_BLANK], kind[:-1]])))
    )
    solid = kind != _BLANK
    lengths = np.add.reduceat(solid, begins, dtype=np.int64) if len(begins) else np.zeros(0, np.int64)
    offsets = np.concatenate([[0], np.cumsum(lengths)])
    pieces = pa.LargeStringArray.from_buffers(
        len(lengths), pa.py_buffer(offsets), pa.py_buffer(content[solid])
    )
    encoded = pieces.dictionary_encode()
    return _numbered(encoded, kind[begins] != _SIGN, len(sentences))


def _numbered(encoded: pa.DictionaryArray, is_word: np.ndarray, count: int) -> Tokens:
    vocabulary = encoded.dictionary.to_pylist() or ["\n"]
    line_end = vocabulary.index("\n") if count else 0
    word = np.concatenate([np.asarray(encoded.indices, np.int32), np.full(PADDING, line_end, np.int32)])
    ends = np.flatnonzero(word[: len(is_word)] == line_end)
    first = np.concatenate([[0], ends + 1])
    sentence = np.repeat(np.arange(count, dtype=np.int32), np.diff(first))
    tail = np.full(PADDING, count, np.int32)
    return Tokens(
        vocabulary, word, np.concatenate([sentence, tail]), first, np.concatenate([is_word, tail < 0])
    )


def _plain_bytes(sentences: pa.LargeStringArray) -> np.ndarray:
    """Small letters, plain signs, a line end behind each sentence and none within."""
    _, content = offsets_and_bytes(sentences)
    if (content >= 128).any():
        for sign, plain in _PLAIN.items():
            sentences = pc.replace_substring(sentences, sign, plain)
        sentences = pc.utf8_lower(sentences)
    sentences = pc.replace_substring(pc.ascii_lower(sentences), "\n", " ")
    closed = pc.binary_join_element_wise(
        sentences, pa.scalar("\n", pa.large_string()), pa.scalar("", pa.large_string())
    )
    _, content = offsets_and_bytes(closed)
    content = content[:-1][content[:-1] != ord("'")]
    content[:-1][(content[:-1] == ord("?")) & (content[1:] == ord("\n"))] = ord(QUESTION)
    for round_one, square in (_OPEN, _CLOSE):
        content[content == round_one] = square
    return content


def _kinds(content: np.ndarray) -> np.ndarray:
    kind = _CLASS[content]
    before = np.concatenate([[_BLANK], kind[:-1]])
    after = np.concatenate([kind[1:], [_BLANK]])
    inside = ((before == _LETTER) | (before == _DIGIT)) & ((after == _LETTER) | (after == _DIGIT))
    kind[(content == _HYPHEN) & inside] = _BLANK
    point = ((content == _DOT) | (content == _COMMA)) & (before == _DIGIT) & (after == _DIGIT)
    kind[point & (content == _DOT)] = _DIGIT
    return kind
