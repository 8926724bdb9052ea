"""What stands near a mention: side, the other side, a part of the body, a year."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.catalogue import BOTH_SIDES, END, LEFT_SIDE, OTHER_SIDE, RIGHT_SIDE
from pipeline.handover import BOTH, LEFT, RIGHT
from pipeline.letters.finding import Matches
from pipeline.letters.lexicon import BODY, YEAR, Lexicon
from pipeline.letters.mentions import Mentions
from pipeline.letters.tokens import Tokens

UNSAID = -1
ANOTHER_PART = -2  # `joint` of a statement about a part of the body that is none of the places
_OVER = 50  # a comma or an end between counts as much as so many words
_FAR = 10**6
_NEAR_PART = 6  # words within which another part of the body is taken to be meant
_SIDE_WORDS = {LEFT_SIDE: LEFT, RIGHT_SIDE: RIGHT, BOTH_SIDES: BOTH}


@dataclass(frozen=True)
class Surroundings:
    """(mentions,) each: `side`, `opposite`, `joint`, `year`, as in Reading."""

    side: np.ndarray
    opposite: np.ndarray
    joint: np.ndarray
    year: np.ndarray


@dataclass(frozen=True)
class _Distances:
    """Cumulated over tokens: words, and words plus what stands between parts of a sentence."""

    sentence: np.ndarray
    cost: np.ndarray


def surroundings(
    spoken: Mentions, found: Matches, cues: Matches, tokens: Tokens, lexicon: Lexicon
) -> Surroundings:
    """The nearest side, part and year of each mention's sentence; a part of the sentence further off costs more."""
    distances = _distances(cues, tokens, lexicon)
    sided = cues[lexicon.cues_that_say(*_SIDE_WORDS)[cues.entry]]
    side_of = np.array([_SIDE_WORDS.get(cue.says, UNSAID) for cue in lexicon.cues] or [UNSAID])
    side, _ = _nearest(spoken, sided, side_of[sided.entry], distances)
    other = cues[lexicon.cues_that_say(OTHER_SIDE)[cues.entry]]
    _, how_far = _nearest(spoken, other, np.zeros(len(other.begin), np.int64), distances)
    years = found.of_kind(YEAR)
    year, year_far = _nearest(spoken, years, _years(tokens, years.begin), distances)
    year = np.where(year_far < 2 * _OVER, year, UNSAID)
    return Surroundings(side, how_far < _OVER, _joints(spoken, found, distances, lexicon), year)


def _years(tokens: Tokens, at: np.ndarray) -> np.ndarray:
    words, back = np.unique(tokens.word[at], return_inverse=True)
    return np.array([int(tokens.vocabulary[word]) for word in words], np.int64)[back] if len(at) else at


def _distances(cues: Matches, tokens: Tokens, lexicon: Lexicon) -> _Distances:
    comma = np.array([text in (",", ";") for text in tokens.vocabulary])[tokens.word]
    between = comma.copy()
    between[cues.begin[lexicon.cues_that_say(END)[cues.entry]]] = True
    cost = np.concatenate([[0], np.cumsum(tokens.is_word + _OVER * between)])
    return _Distances(tokens.sentence, cost)


def _nearest(
    spoken: Mentions, near: Matches, meaning: np.ndarray, distances: _Distances
) -> tuple[np.ndarray, np.ndarray]:
    """(mentions,) the meaning of the nearest match of the same sentence (-1 if none), and how far it is."""
    if not len(near.begin) or not len(spoken):
        return np.full(len(spoken), UNSAID), np.full(len(spoken), _FAR)
    before = np.searchsorted(near.begin, spoken.end, "left") - 1
    after = np.minimum(before + 1, len(near.begin) - 1)
    before_far = _far(spoken, near, np.maximum(before, 0), distances)
    before_far[before < 0] = _FAR
    after_far = _far(spoken, near, after, distances)
    chosen = np.where(after_far < before_far, after, np.maximum(before, 0))
    far = np.minimum(before_far, after_far)
    return np.where(far < _FAR, meaning[chosen], UNSAID), far


def _far(spoken: Mentions, near: Matches, at: np.ndarray, distances: _Distances) -> np.ndarray:
    begin, end = near.begin[at], near.end[at]
    ahead = distances.cost[begin] - distances.cost[spoken.end]
    behind = distances.cost[spoken.begin] - distances.cost[end]
    same = distances.sentence[begin] == distances.sentence[spoken.begin]
    return np.where(same, np.maximum(np.maximum(ahead, behind), 0), _FAR)


def joints_of(spoken: Mentions, found: Matches, tokens: Tokens, lexicon: Lexicon) -> np.ndarray:
    """As in Surroundings, before cues are known."""
    return _joints(spoken, found, _distances(found[:0], tokens, lexicon), lexicon)


def _joints(spoken: Mentions, found: Matches, distances: _Distances, lexicon: Lexicon) -> np.ndarray:
    """(mentions,) the place spoken of; another part of the body only where it stands near."""
    parts = found.of_kind(BODY)
    place_of = np.array(lexicon.places or (UNSAID,))
    joint, far = _nearest(spoken, parts, place_of[parts.entry], distances)
    known = parts[place_of[parts.entry] >= 0]
    any_place, _ = _nearest(spoken, known, place_of[known.entry], distances)
    elsewhere = np.asarray(lexicon.elsewhere, np.bool_)[spoken.category] if len(spoken) else far < 0
    foreign = (joint == ANOTHER_PART) & (far <= _NEAR_PART)
    return np.where(foreign, np.where(elsewhere, UNSAID, ANOTHER_PART), any_place)
