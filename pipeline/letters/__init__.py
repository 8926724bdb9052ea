"""Letters: what the notes of events and contacts say of each complication, and how they say it.

Shared by the stages; imports none. Words alone decide: what a statement is worth is for others to judge. All words
come from the catalogue; docs/letters.md explains how they are read.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.catalogue import Catalogue
from pipeline.letters.cutting import Sentences, sentences
from pipeline.letters.lexicon import Lexicon, lexicon
from pipeline.letters.nearby import ANOTHER_PART, UNSAID
from pipeline.letters.statements import Said, said

__all__ = ["ANOTHER_PART", "UNSAID", "Reading", "read"]

_BLOCK = 200_000  # distinct sentences read at a time


@dataclass(frozen=True)
class Reading:
    """What texts say.

    `statements`, one row a text, sentence, category and assertion: `text` (position in the texts), `category`
    (position among the catalogue's complications), `assertion` (position in ASSERTIONS), `side` (LEFT, RIGHT, BOTH or
    -1), `opposite` (the other side is meant), `joint` (position in the places, -1 unsaid, -2 another part of the body),
    `year` (-1 unsaid), `sentence` (equal sentences have equal numbers), `begin`, `end` (characters of the text).
    `spoken`: (texts,) whether the text speaks of any category, or says that there is nothing to report.
    """

    statements: pd.DataFrame
    spoken: np.ndarray


def read(texts: pa.Array | pa.ChunkedArray, catalogue: Catalogue, places: tuple[str, ...]) -> Reading:
    """Read notes. A missing text says nothing. `places` are those `joint` of the statements points to."""
    words = lexicon(catalogue, places)
    whole = _whole(texts).dictionary_encode()
    cut = sentences(whole.dictionary, words.abbreviations)
    told = _read_distinct(cut, words, catalogue, places)
    return _of_texts(told, cut, np.asarray(whole.indices, np.int64))


def _whole(texts: pa.Array | pa.ChunkedArray) -> pa.LargeStringArray:
    known = pc.fill_null(texts.cast(pa.large_string()), "")
    return known.combine_chunks() if isinstance(known, pa.ChunkedArray) else known


def _read_distinct(cut: Sentences, words: Lexicon, catalogue: Catalogue, places: tuple[str, ...]) -> Said:
    blocks = range(0, max(len(cut.distinct), 1), _BLOCK)
    parts = [said(cut.distinct.slice(first, _BLOCK), words, catalogue, places) for first in blocks]
    frames = [
        part.statements.assign(sentence=part.statements["sentence"] + first)
        for part, first in zip(parts, blocks, strict=True)
    ]
    return Said(pd.concat(frames, ignore_index=True), np.concatenate([part.spoken for part in parts]))


def _of_texts(told: Said, cut: Sentences, whole: np.ndarray) -> Reading:
    """From distinct sentences to their places in distinct texts, and from these to all texts."""
    occurrence, row = _pairs(cut.number, told.statements["sentence"].to_numpy())
    text, pair = _pairs(whole, cut.text[occurrence])
    occurrence, row = occurrence[pair], row[pair]
    rows = told.statements.take(row).reset_index(drop=True)
    rows.insert(0, "text", text)
    rows["begin"], rows["end"] = cut.begin[occurrence], cut.end[occurrence]
    spoken = np.zeros(int(whole.max(initial=-1)) + 1, np.bool_)
    spoken[cut.text[told.spoken[cut.number]]] = True
    order = np.lexsort((rows["assertion"], rows["category"], rows["begin"], rows["text"]))
    return Reading(rows.take(order).reset_index(drop=True), spoken[whole])


def _pairs(left: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Positions in both of every pair of equal numbers, in the order of the left."""
    order = np.argsort(right, kind="stable")
    ordered = right[order]
    first, last = np.searchsorted(ordered, left, "left"), np.searchsorted(ordered, left, "right")
    counts = last - first
    at = np.repeat(np.arange(len(left)), counts)
    within = np.arange(len(at)) - np.repeat(np.cumsum(counts) - counts, counts)
    return at, order[np.repeat(first, counts) + within]
