"""Notes that repeat a long sentence of an earlier note of the same patient.

Such a sentence was probably copied forward and says nothing new about its day (common practice, no source). Notes
never decide a count, so this is a warning only. Only the notes of one file are compared.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

#: Characters of a sentence that two people would hardly write alike.
LONG_SENTENCE = 60


def copied_forward(patients: pa.ChunkedArray, sites: pa.ChunkedArray, notes: pa.ChunkedArray) -> pa.Array:
    """Whether each note holds a long sentence that an earlier row of the same patient holds too."""
    copied = np.zeros(len(notes), dtype=bool)
    long_ones = pc.fill_null(pc.greater_equal(pc.utf8_length(notes), LONG_SENTENCE), False)
    rows = np.flatnonzero(long_ones.to_numpy())
    if len(rows) < 2:
        return pa.array(copied)
    chosen = pa.array(rows)
    folded = pc.utf8_lower(pc.replace_substring_regex(notes.take(chosen).combine_chunks(), r"\s+", " "))
    pieces = pc.split_pattern_regex(pa.array(folded, pa.string()), r"[.!?;] ?")
    sentences, parents = pc.list_flatten(pieces), pc.list_parent_indices(pieces)
    keep = pc.greater_equal(pc.utf8_length(pc.utf8_trim_whitespace(sentences)), LONG_SENTENCE)
    owners = _numbers(patients.take(chosen)) * (len(rows) + 1) + _numbers(sites.take(chosen))
    said = pc.utf8_trim_whitespace(sentences.filter(keep))
    at = parents.filter(keep).to_numpy(zero_copy_only=False)
    if len(at):
        copied[rows[at[_repeated(owners[at], _numbers(said), at)]]] = True
    return pa.array(copied)


def _numbers(texts: pa.Array | pa.ChunkedArray) -> np.ndarray:
    """Equal texts as equal numbers."""
    encoded = pa.chunked_array([texts] if isinstance(texts, pa.Array) else texts.chunks, pa.string())
    codes = encoded.combine_chunks().dictionary_encode()
    codes = codes.combine_chunks() if isinstance(codes, pa.ChunkedArray) else codes
    return pc.fill_null(codes.indices, len(codes.dictionary)).to_numpy(zero_copy_only=False).astype(np.int64)


def _repeated(owners: np.ndarray, said: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Which sentences stand in an earlier note of the same owner."""
    pairs = owners * (said.max() + 1) + said
    order = np.lexsort((at, pairs))
    same = np.r_[False, pairs[order][1:] == pairs[order][:-1]]
    first = np.maximum.accumulate(np.where(same, -1, np.arange(len(order))))
    later = at[order] > at[order][first]
    repeated = np.zeros(len(pairs), dtype=bool)
    repeated[order] = same & later
    return repeated
