"""Which matches count: the longest, none that means something else, no cue that is part of a phrase."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.catalogue import BOTH_SIDES, END, JOINS, LEFT_SIDE, NOT_A_CUE, OTHER_SIDE, RIGHT_SIDE
from pipeline.handover import ABSENT, PRESENT
from pipeline.letters.finding import Matches
from pipeline.letters.lexicon import CUE, MEASURE, NOT_MEANT, SAID, Lexicon
from pipeline.letters.tokens import Tokens

_SIDES = (LEFT_SIDE, RIGHT_SIDE, BOTH_SIDES, OTHER_SIDE)


@dataclass(frozen=True)
class Mentions:
    """Where a category is spoken of: tokens `begin` to `end`; `base` is the assertion where no cue says otherwise.

    `gapped`: other words may stand within. `action`: the words tell of an operation. `operation`: so does the
    category. Sorted by `begin`.
    """

    category: np.ndarray
    begin: np.ndarray
    end: np.ndarray
    base: np.ndarray
    gapped: np.ndarray
    action: np.ndarray
    operation: np.ndarray

    def __getitem__(self, chosen: np.ndarray) -> Mentions:
        return Mentions(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))

    def __len__(self) -> int:
        return len(self.category)


def mentions(found: Matches, readings: Mentions, lexicon: Lexicon) -> Mentions:
    """Phrases of categories and judged readings, without those inside a longer phrase of the same category."""
    named = found[found.kind <= NOT_MEANT]
    kept = named[_outermost(named.begin, named.end, named.entry)]
    kept = kept[~_same_words(kept, kept.kind == NOT_MEANT)]
    none = np.zeros(len(kept.kind), np.bool_)
    spoken = Mentions(
        category=kept.entry,
        begin=kept.begin,
        end=kept.end,
        base=np.where(kept.kind == SAID, PRESENT, ABSENT),
        gapped=kept.gapped,
        action=none,
        operation=none,
    )
    return _marked(joined(spoken, readings), np.asarray(lexicon.operations, np.bool_))


def joined(one: Mentions, other: Mentions) -> Mentions:
    """Both, in the order of their first token."""
    names = one.__dataclass_fields__
    both = Mentions(*(np.concatenate([getattr(one, name), getattr(other, name)]) for name in names))
    return both[np.lexsort((both.category, both.end, both.begin))]


def _outermost(begin: np.ndarray, end: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Whether each is not inside a longer one of its group. Equal ones stay together."""
    far = int(end.max(initial=0)) + 1
    spans, back = np.unique((group * far + begin) * far + (far - 1 - end), return_inverse=True)
    reach = (spans // (far * far)) * far + far - 1 - spans % far
    inside = np.zeros(len(spans), np.bool_)
    inside[1:] = np.maximum.accumulate(reach)[:-1] >= reach[1:]
    return ~inside[back]


def _longest_cues(all_cues: Matches, lexicon: Lexicon) -> np.ndarray:
    """Which are not inside a longer cue that says something else. An end or a joining word hides no cue."""
    outer = _outermost(all_cues.begin, all_cues.end, np.zeros_like(all_cues.begin))
    words = sorted({cue.says for cue in lexicon.cues})
    says = np.array([words.index(cue.says) for cue in lexicon.cues] or [0])[all_cues.entry]
    weak = np.array([word in (END, JOINS) for word in words] or [False])
    for word in np.unique(says[~outer]):
        own = np.flatnonzero(~outer & (says == word))
        others = all_cues[(says != word) & (weak[word] | ~weak[says])]
        outer[own] = ~_inside(all_cues[own], others)
    return outer


def _inside(some: Matches, others: Matches) -> np.ndarray:
    """Whether each of some is part of a longer one of the others (which are in the order of their first token)."""
    if not len(others.begin):
        return np.zeros(len(some.begin), np.bool_)
    reach = np.concatenate([[-1], np.maximum.accumulate(others.end)])
    begun_before = reach[np.searchsorted(others.begin, some.begin, "left")]
    begun_by_then = reach[np.searchsorted(others.begin, some.begin, "right")]
    return (begun_before >= some.end) | (begun_by_then > some.end)


def _same_words(found: Matches, barring: np.ndarray, any_entry: bool = False) -> np.ndarray:
    """Whether each stands on the very words of one that bars (of its entry, or of any)."""
    far = int(found.end.max(initial=0)) + 1
    span = (found.begin * far + found.end) * 512 + (0 if any_entry else found.entry)
    bars = np.unique(span[barring])
    at = np.minimum(np.searchsorted(bars, span), max(len(bars) - 1, 0))
    return bars[at] == span if len(bars) else np.zeros(len(span), np.bool_)


def _marked(spoken: Mentions, operations: np.ndarray) -> Mentions:
    """With `action` where the same words stand for an operation."""
    last = int(spoken.end.max(initial=0)) + 1
    span = spoken.begin * last + spoken.end
    action = np.isin(span, span[operations[spoken.category]] if len(operations) else span[:0])
    operation = operations[spoken.category] if len(operations) else action
    return replace(spoken, action=action, operation=operation)


def cues(found: Matches, spoken: Mentions, tokens: Tokens, lexicon: Lexicon) -> Matches:
    """Cues that count: not inside a longer one, and not part of a phrase (a side may be)."""
    all_cues = found.of_kind(CUE)
    kept = all_cues[_longest_cues(all_cues, lexicon)]
    kept = kept[~_same_words(kept, lexicon.cues_that_say(NOT_A_CUE)[kept.entry], any_entry=True)]
    solid = spoken[~spoken.gapped & (spoken.end - spoken.begin > 1) & (spoken.base != ABSENT)]
    edges = np.zeros(len(tokens.word) + 1, np.int32)
    np.add.at(edges, solid.begin, 1)
    np.add.at(edges, solid.end, -1)
    covered = np.concatenate([[0], np.cumsum(np.cumsum(edges) > 0)])
    within = covered[kept.end] - covered[kept.begin] == kept.end - kept.begin
    free = ~within | lexicon.cues_that_say(*_SIDES)[kept.entry]
    return kept[free]


def measures(found: Matches) -> Matches:
    """Measurements not inside a longer one."""
    read = found.of_kind(MEASURE)
    return read[_outermost(read.begin, read.end, np.zeros_like(read.begin))]
