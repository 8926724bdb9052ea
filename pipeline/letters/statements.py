"""What distinct sentences say: one row a sentence, category and assertion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.catalogue import NOTHING, TEMPLATE, Catalogue
from pipeline.handover import BOTH, LEFT, RIGHT
from pipeline.letters.finding import Matches, matches
from pipeline.letters.lexicon import CUE, Lexicon
from pipeline.letters.measured import as_mentions, judged
from pipeline.letters.mentions import cues, measures, mentions
from pipeline.letters.nearby import ANOTHER_PART, joints_of, surroundings
from pipeline.letters.scopes import DROPPED, assertions
from pipeline.letters.tokens import tokens

_TYPES = {
    "sentence": np.int64,
    "category": np.int16,
    "assertion": np.int8,
    "side": np.int8,
    "opposite": np.bool_,
    "joint": np.int16,
    "year": np.int16,
}


@dataclass(frozen=True)
class Said:
    """`statements`: `sentence`, `category`, `assertion`, `side`, `opposite`, `joint`, `year`. `spoken`: (sentences,)."""

    statements: pd.DataFrame
    spoken: np.ndarray


def said(
    sentences: pa.LargeStringArray, lexicon: Lexicon, catalogue: Catalogue, places: tuple[str, ...]
) -> Said:
    """Read sentences; `sentence` of a statement is the position among them."""
    cut = tokens(sentences)
    found = matches(cut, lexicon)
    numbers = measures(found)
    joint = joints_of(as_mentions(numbers), found, cut, lexicon)
    spoken = mentions(found, judged(numbers, joint, cut, lexicon, catalogue, places), lexicon)
    reaching = cues(found, spoken, cut, lexicon)
    meant = assertions(spoken, reaching, cut, lexicon)
    near = surroundings(spoken, found, reaching, cut, lexicon)
    sentence = cut.sentence[spoken.begin]
    marked = {
        word: _sentences_that_say(word, found, cut.sentence, lexicon, len(sentences))
        for word in (TEMPLATE, NOTHING)
    }
    rows = pd.DataFrame({
        "sentence": sentence,
        "category": spoken.category,
        "assertion": meant,
        "side": near.side,
        "opposite": near.opposite,
        "joint": near.joint,
        "year": near.year,
    })[(meant != DROPPED) & ~marked[TEMPLATE][sentence]]  # fmt: skip
    heard = marked[TEMPLATE] | marked[NOTHING]
    heard[sentence] = True
    return Said(_once(rows).astype(_TYPES), heard)


def _sentences_that_say(
    word: str, found: Matches, sentence: np.ndarray, lexicon: Lexicon, count: int
) -> np.ndarray:
    chosen = found.of_kind(CUE)
    chosen = chosen[lexicon.cues_that_say(word)[chosen.entry]]
    says = np.zeros(count, np.bool_)
    says[sentence[chosen.begin]] = True
    return says


def _once(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a sentence, category and assertion: of the own side and a known place before any other."""
    key = ["sentence", "category", "assertion"]
    ranked = rows.assign(
        foreign=rows["joint"] == ANOTHER_PART, sideless=rows["side"] < 0, placeless=rows["joint"] < 0
    )
    ranked = ranked.sort_values([*key, "opposite", "foreign", "sideless", "placeless"], kind="stable")
    kept = ranked.drop_duplicates(key)
    own = ranked[~ranked["opposite"] & ~ranked["foreign"]]
    left, right = (own.loc[own["side"] == side, key].drop_duplicates() for side in (LEFT, RIGHT))
    both = pd.MultiIndex.from_frame(left.merge(right, on=key))
    is_both = pd.MultiIndex.from_frame(kept[key]).isin(both) if len(both) else np.zeros(len(kept), np.bool_)
    return kept.assign(side=kept["side"].mask(is_both, BOTH))[list(_TYPES)]
