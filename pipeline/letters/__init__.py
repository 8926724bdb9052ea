"""Letters: what the notes of events and contacts say of each complication, and how they say it.

Shared by the stages; imports none. Words alone decide: what a statement is worth is for others to judge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.catalogue import Catalogue
from pipeline.handover import PRESENT

UNSAID = -1
ANOTHER_PART = -2  # `joint` of a statement about a part of the body that is none of the places
_COLUMNS = {
    "text": np.int64,
    "category": np.int16,
    "assertion": np.int8,
    "side": np.int8,
    "opposite": np.bool_,
    "joint": np.int16,
    "year": np.int16,
    "sentence": np.int64,
    "begin": np.int64,
    "end": np.int64,
}


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
    known = pc.fill_null(texts.cast(pa.large_string()), "")
    found = [
        _mentions(known, position, phrase)
        for position, entry in enumerate(catalogue.complications.values())
        for phrase in entry.phrases
    ]
    rows = pd.concat([_statements(known, *pair) for pair in found]).drop_duplicates(["text", "category"])
    spoken = np.zeros(len(known), np.bool_)
    spoken[rows["text"]] = True
    return Reading(rows.sort_values(["text", "category"], ignore_index=True), spoken)


def _mentions(texts: pa.Array | pa.ChunkedArray, category: int, phrase: str) -> tuple[int, np.ndarray]:
    return category, np.flatnonzero(np.asarray(pc.match_substring(texts, phrase, ignore_case=True)))


def _statements(texts: pa.Array | pa.ChunkedArray, category: int, rows: np.ndarray) -> pd.DataFrame:
    lengths = np.asarray(pc.utf8_length(texts))[rows]
    columns = {
        "text": rows,
        "category": category,
        "assertion": PRESENT,
        "side": UNSAID,
        "opposite": False,
        "joint": UNSAID,
        "year": UNSAID,
        "sentence": rows,
        "begin": 0,
        "end": lengths,
    }
    return pd.DataFrame(columns, index=pd.RangeIndex(len(rows))).astype(_COLUMNS)
