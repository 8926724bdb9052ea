"""Notes that give nothing but a number: readings beside the catalogue's thresholds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.catalogue import Catalogue, Measured
from pipeline.handover import ABSENT, PRESENT, UNCERTAIN
from pipeline.letters.finding import Matches
from pipeline.letters.lexicon import Lexicon
from pipeline.letters.mentions import Mentions, joined
from pipeline.letters.nearby import ANOTHER_PART, UNSAID
from pipeline.letters.tokens import Tokens


def no_mentions() -> Mentions:
    """None at all."""
    none = np.zeros(0, np.int64)
    return Mentions(none, none, none, none, none > 0, none > 0, none > 0)


def as_mentions(read: Matches) -> Mentions:
    """Readings as mentions of no category yet, to find what stands near them."""
    count = len(read.begin)
    return Mentions(
        np.zeros(count, np.int64),
        read.begin,
        read.end,
        np.zeros(count, np.int64),
        *(np.zeros((3, count)) > 0),
    )


def judged(
    read: Matches,
    joint: np.ndarray,
    tokens: Tokens,
    lexicon: Lexicon,
    catalogue: Catalogue,
    places: tuple[str, ...],
) -> Mentions:
    """Mentions of the categories whose thresholds a reading is beyond (present) or within (absent).

    Where the joint is unsaid, every joint that has the measure must agree; else it is uncertain. Beside a reading
    beyond a threshold, others of the sentence within theirs say nothing.
    """
    values = _values(tokens, read.value)
    found = no_mentions()
    for category, entry in enumerate(catalogue.complications.values()):
        beyond, within = np.zeros(len(values), np.bool_), np.zeros(len(values), np.bool_)
        for item in entry.measured:
            fits = _concerns(item, read, joint, lexicon, catalogue, places) & ~np.isnan(values)
            below, above = item.limits[""]
            out = (values < below if below is not None else False) | (
                values > above if above is not None else False
            )
            beyond |= fits & out
            within |= fits & ~out
        base = np.where(beyond & within, UNCERTAIN, np.where(beyond, PRESENT, ABSENT))
        sentence = tokens.sentence[read.begin]
        worse = np.isin(sentence, sentence[beyond & ~within])
        kept = (beyond | within) & ~(worse & (base != PRESENT))
        own = replace(as_mentions(read), category=np.full(len(values), category), base=base)
        found = joined(found, own[kept])
    return found


def _values(tokens: Tokens, at: np.ndarray) -> np.ndarray:
    words, back = np.unique(tokens.word[at], return_inverse=True)
    return (
        np.array([_number(tokens.vocabulary[word]) for word in words], np.float64)[back]
        if len(at)
        else at * 1.0
    )


def _number(text: str) -> float:
    return float(text) if text.replace(".", "", 1).isdigit() and len(text) < 8 else np.nan


def _concerns(
    item: Measured,
    read: Matches,
    joint: np.ndarray,
    lexicon: Lexicon,
    catalogue: Catalogue,
    places: tuple[str, ...],
) -> np.ndarray:
    """Whether a threshold is one of the measure read, at a joint that may be the one spoken of."""
    if item.measure not in lexicon.measures:
        return np.zeros(len(joint), np.bool_)
    same_measure = read.entry == lexicon.measures.index(item.measure)
    around = {item.joint, *catalogue.joints[item.joint].bones}
    fitting = [
        at for at, place in enumerate(places) if place in around or catalogue.place_matches(place, item.joint)
    ]
    return same_measure & (joint != ANOTHER_PART) & ((joint == UNSAID) | np.isin(joint, fitting))
