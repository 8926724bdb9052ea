"""How each mention is meant: cues reach forwards or backwards up to where a scope ends.

In the spirit of ConText (Harkema 2009, J Biomed Inform 42:839): trigger, scope, terminator; the words are the
catalogue's. Everything is arithmetic over token positions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.catalogue import END, JOINS, Cue
from pipeline.handover import (
    ABSENT,
    ASSERTIONS,
    HISTORICAL,
    HYPOTHETICAL,
    INTENDED,
    OTHER_PERSON,
    PRESENT,
    UNCERTAIN,
)
from pipeline.letters.finding import Matches
from pipeline.letters.lexicon import Lexicon
from pipeline.letters.mentions import Mentions
from pipeline.letters.tokens import Tokens

#: Weakest first: a later one that reaches a mention is what it means.
_ORDER = (UNCERTAIN, INTENDED, HISTORICAL, PRESENT, ABSENT, HYPOTHETICAL, OTHER_PERSON)
_LONGEST_LINK = 4  # tokens between two mentions of one list
DROPPED = -1  # what denies a category is itself denied: nothing is said


@dataclass(frozen=True)
class _Extent:
    """Tokens from which scopes are reckoned: a mention's own, or those of the list it stands in."""

    begin: np.ndarray
    end: np.ndarray


@dataclass(frozen=True)
class _Ground:
    """What scopes are judged on: where sentences begin, words before each token, ends by assertion and direction."""

    sentence: np.ndarray
    words: np.ndarray
    stop_begins: dict[int, np.ndarray]
    stop_ends: dict[int, np.ndarray]


def assertions(spoken: Mentions, cues: Matches, tokens: Tokens, lexicon: Lexicon) -> np.ndarray:
    """(mentions,) position in ASSERTIONS of each, or DROPPED."""
    ground = _ground(cues, tokens, lexicon)
    forward, backward = _extents(spoken, cues, tokens, lexicon)
    reached = np.zeros((len(ASSERTIONS), len(spoken)), np.bool_)
    denied = np.zeros(len(spoken), np.bool_)
    for cue, of_cue in zip(lexicon.cues, cues.by_entry(len(lexicon.cues)), strict=True):
        if cue.says in ASSERTIONS:
            assertion = ASSERTIONS.index(cue.says)
            reaches = _reached(cue, of_cue, spoken, forward, backward, ground, assertion)
            reached[assertion] |= reaches
            if assertion == ABSENT and cue.reaches == "after":
                denied |= reaches
    return _meant(reached, denied, spoken.base)


def _meant(reached: np.ndarray, denied: np.ndarray, base: np.ndarray) -> np.ndarray:
    meant = base.copy()
    for assertion in _ORDER:
        if assertion == PRESENT:
            overridden = np.isin(meant, (HISTORICAL, INTENDED)) & reached[PRESENT]
            meant[overridden] = base[overridden]
        else:
            meant[reached[assertion]] = assertion
    meant[(base == ABSENT) & (meant == ABSENT) & denied] = DROPPED
    return meant


def _ground(cues: Matches, tokens: Tokens, lexicon: Lexicon) -> _Ground:
    words = np.concatenate([[0], np.cumsum(tokens.is_word)])
    begins, ends = {}, {}
    found: dict[tuple[bytes, str], np.ndarray] = {}
    for assertion, name in enumerate(ASSERTIONS):
        ahead, behind = _stops(lexicon, name, "after"), _stops(lexicon, name, "before")
        if (key := (ahead.tobytes(), "begin")) not in found:
            found[key] = cues.begin[ahead[cues.entry]]
        begins[assertion] = found[key]
        if (key := (behind.tobytes(), "end")) not in found:
            found[key] = np.sort(cues.end[behind[cues.entry]])
        ends[assertion] = found[key]
    return _Ground(tokens.sentence, words, begins, ends)


def _stops(lexicon: Lexicon, assertion: str, direction: str) -> np.ndarray:
    """(cues,) whether each ends scopes of an assertion that reach in a direction."""
    stops = [
        cue.says == END
        and (not cue.ends or assertion in cue.ends)
        and cue.reaches in (direction, "both", "sentence")
        for cue in lexicon.cues
    ]
    return np.array(stops, np.bool_)


def _extents(spoken: Mentions, cues: Matches, tokens: Tokens, lexicon: Lexicon) -> tuple[_Extent, _Extent]:
    """Lists: mentions with nothing but joining words between them. Cues behind a list without "and" mean its last."""
    joins = np.zeros(len(tokens.word) + 1, np.int32)
    np.add.at(joins, cues.begin[lexicon.cues_that_say(JOINS)[cues.entry]], 1)
    comma = np.array([text in (",", "") for text in tokens.vocabulary])[tokens.word]
    joining = np.concatenate([[0], np.cumsum(joins[:-1] > 0)])
    strong = np.concatenate([[0], np.cumsum((joins[:-1] > 0) & ~comma)])
    reach = np.maximum.accumulate(spoken.end) if len(spoken) else spoken.end
    between = spoken.begin[1:] - reach[:-1]
    after, before = np.minimum(reach[:-1], spoken.begin[1:]), spoken.begin[1:]
    linked = (between <= _LONGEST_LINK) & (joining[before] - joining[after] >= between)
    linked &= tokens.sentence[spoken.begin[1:]] == tokens.sentence[spoken.begin[:-1]]
    number = np.concatenate([[0], np.cumsum(~linked)])[: len(spoken)]
    groups = int(number[-1]) + 1 if len(spoken) else 0
    begin, end = np.full(groups, np.iinfo(np.int64).max), np.zeros(groups, np.int64)
    np.minimum.at(begin, number, spoken.begin)
    np.maximum.at(end, number, spoken.end)
    with_and = np.zeros(groups, np.bool_)
    with_and[number[1:][linked & ((strong[before] > strong[after]) | (between <= 0))]] = True
    behind = np.where(with_and[number], end[number], spoken.end)
    return _Extent(begin[number], spoken.end), _Extent(spoken.begin, behind)


def _reached(
    cue: Cue,
    of_cue: Matches,
    spoken: Mentions,
    forward: _Extent,
    backward: _Extent,
    ground: _Ground,
    assertion: int,
) -> np.ndarray:
    reached = np.zeros(len(spoken), np.bool_)
    if not len(of_cue.begin) or not len(spoken):
        return reached
    if cue.reaches in ("after", "both", "rest"):
        reached |= _from_before(cue, of_cue, forward, ground, assertion)
    if cue.reaches in ("before", "both"):
        reached |= _from_behind(cue, of_cue, backward, ground, assertion)
    if cue.reaches == "start":
        last = np.searchsorted(of_cue.begin, spoken.end, "left")
        begin = of_cue.begin[np.minimum(last, len(of_cue.begin) - 1)]
        reached |= (last < len(of_cue.begin)) & (ground.sentence[begin] == ground.sentence[spoken.begin])
    if cue.reaches == "sentence":
        reached |= np.isin(ground.sentence[spoken.begin], ground.sentence[of_cue.begin])
    reached |= spoken.gapped & _within(of_cue, spoken)
    if cue.of == "operations":
        reached &= spoken.operation
    elif cue.of != "all":
        reached &= spoken.action == (cue.of == "operation_words")
    return reached


def _within(of_cue: Matches, spoken: Mentions) -> np.ndarray:
    begins = np.sort(of_cue.begin)
    return np.searchsorted(begins, spoken.end) > np.searchsorted(begins, spoken.begin, "right")


def _from_before(cue: Cue, of_cue: Matches, extent: _Extent, ground: _Ground, assertion: int) -> np.ndarray:
    """Whether the last of a cue that begins before a mention reaches it."""
    at = np.searchsorted(of_cue.begin, extent.begin, "left") - 1
    begin, end = of_cue.begin[np.maximum(at, 0)], of_cue.end[np.maximum(at, 0)]
    reached = (at >= 0) & (ground.sentence[begin] == ground.sentence[extent.begin])
    if cue.at_most is not None:
        reached &= ground.words[extent.begin] - ground.words[end] <= cue.at_most
    stops = ground.stop_begins[assertion]
    if cue.reaches != "rest" and len(stops):
        last = np.searchsorted(stops, extent.begin, "left") - 1
        reached &= ~((last >= 0) & (stops[np.maximum(last, 0)] >= end))
    return reached


def _from_behind(cue: Cue, of_cue: Matches, extent: _Extent, ground: _Ground, assertion: int) -> np.ndarray:
    """Whether the first of a cue that ends behind a mention reaches it."""
    order = np.argsort(of_cue.end, kind="stable")
    begins, ends = of_cue.begin[order], of_cue.end[order]
    at = np.searchsorted(ends, extent.end, "right")
    begin = begins[np.minimum(at, len(begins) - 1)]
    reached = (at < len(begins)) & (ground.sentence[begin] == ground.sentence[extent.end - 1])
    if cue.at_most is not None:
        reached &= ground.words[begin] - ground.words[extent.end] <= cue.at_most
    stops = ground.stop_ends[assertion]
    if len(stops):
        first = np.searchsorted(stops, extent.end, "right")
        reached &= ~((first < len(stops)) & (stops[np.minimum(first, len(stops) - 1)] <= begin))
    return reached
