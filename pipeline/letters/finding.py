"""Where the phrases of the lexicon stand among the tokens. Distinct words are compared once, then only integers."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np

from pipeline.catalogue import END, Cue
from pipeline.letters.lexicon import CUE, Lexicon, Pattern
from pipeline.letters.tokens import Tokens
from pipeline.phrase_grammar import Run, Step, spellings

_LONGEST_GAP = 3
_YEARS = (1900, 2099)
_BITS = 9  # kinds, entries and lengths of matches are less than 2 to this power


@dataclass(frozen=True)
class Matches:
    """Where phrases stand: `kind` and `entry` as in Pattern, tokens `begin` to `end` (not included), whether words
    may stand in between (`gapped`), and the token of the number it reads (`value`, -1)."""

    kind: np.ndarray
    entry: np.ndarray
    begin: np.ndarray
    end: np.ndarray
    gapped: np.ndarray
    value: np.ndarray

    def __getitem__(self, chosen: np.ndarray | slice) -> Matches:
        if isinstance(chosen, np.ndarray) and chosen.dtype == np.bool_:
            chosen = np.flatnonzero(chosen)
        return Matches(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))

    def by_entry(self, count: int) -> list[Matches]:
        """Those of each of `count` entries, in the order of their first token."""
        ordered = self[np.argsort(self.entry, kind="stable")]
        ends = np.searchsorted(ordered.entry, np.arange(count + 1))
        return [ordered[slice(begin, end)] for begin, end in pairwise(ends)]

    def of_kind(self, kind: int) -> Matches:
        """Those of one kind."""
        return self[self.kind == kind]


@dataclass(frozen=True)
class _Index:
    """Tokens by the set of steps their word can take. `member[step, group]`, `group[token]`, and where each is."""

    group: np.ndarray
    member: np.ndarray
    count: np.ndarray
    order: np.ndarray
    bounds: np.ndarray
    strange: np.ndarray  # (tokens + 1,) how many tokens before cannot stand in a gap

    def places(self, step: int) -> np.ndarray:
        """The tokens that can take a step."""
        groups = np.flatnonzero(self.member[step])
        parts = [self.order[self.bounds[group] : self.bounds[group + 1]] for group in groups]
        return np.concatenate(parts) if parts else np.zeros(0, np.int64)


def matches(tokens: Tokens, lexicon: Lexicon) -> Matches:
    """All places of all phrases, in the order of their first token; equal ones once."""
    index = _index(tokens, lexicon)
    found = [part for pattern in lexicon.patterns if (part := _places(pattern, index, lexicon.steps))]
    columns = [
        np.concatenate([part[at] for part in found]) if found else np.zeros(0, np.int64) for at in range(6)
    ]
    kind, entry, begin, end, gapped, value = columns
    key = (((begin << _BITS) | (end - begin)) << _BITS | kind) << _BITS | entry
    chosen = np.unique(key, return_index=True)[1]
    return Matches(kind[chosen], entry[chosen], begin[chosen], end[chosen], gapped[chosen] > 0, value[chosen])


def _index(tokens: Tokens, lexicon: Lexicon) -> _Index:
    takes = _steps_of_words(tokens.vocabulary, lexicon.steps)
    sets: dict[tuple[int, ...], int] = {(): 0}
    group_of_word = np.zeros(len(tokens.vocabulary) or 1, np.int32)
    for word, steps in takes.items():
        group_of_word[word] = sets.setdefault(tuple(steps), len(sets))
    member = np.zeros((len(lexicon.steps), len(sets)), np.bool_)
    for taken, number in sets.items():
        member[list(taken), number] = True
    group = group_of_word[tokens.word]
    known = np.flatnonzero(group)
    small = group[known].astype(
        np.int16 if len(sets) < 2**15 else np.int32
    )  # two bytes are sorted in one pass
    order = known[np.argsort(small, kind="stable")]
    sizes = np.bincount(group, minlength=len(sets))
    sizes[0] = 0
    bounds = np.concatenate([[0], np.cumsum(sizes)])
    barred = ~tokens.is_word | _barred(lexicon, member)[group]
    strange = np.concatenate([[0], np.cumsum(barred)])
    return _Index(group, member, member @ sizes, order, bounds, strange)


def _barred(lexicon: Lexicon, member: np.ndarray) -> np.ndarray:
    """Groups of words that by themselves end a scope: no gap reaches over them."""
    steps = [
        lexicon.steps[item.elements[0].runs[0][0]]
        for item in lexicon.patterns
        if item.kind == CUE and _ends_everything(lexicon.cues[item.entry]) and _is_one_word(item)
    ]
    return np.asarray(member[steps].any(axis=0))


def _ends_everything(cue: Cue) -> bool:
    return cue.says == END and cue.reaches == "both" and not cue.ends


def _is_one_word(pattern: Pattern) -> bool:
    return len(pattern.elements) == 1 and [len(run) for run in pattern.elements[0].runs] == [1]


def _steps_of_words(vocabulary: list[str], steps: dict[Step, int]) -> dict[int, list[int]]:
    """Word → the steps it can take, in ascending order."""
    ordered = sorted(range(len(vocabulary)), key=vocabulary.__getitem__)
    words = [vocabulary[position] for position in ordered]
    numbers = [
        position for position, word in enumerate(vocabulary) if word[0].isdigit() and word[0].isascii()
    ]
    takes: dict[int, dict[int, None]] = {}
    for step, number in steps.items():
        for word in step:
            for position in _words_like(word, words, ordered, vocabulary, numbers):
                takes.setdefault(position, {})[number] = None
    return {position: list(found) for position, found in sorted(takes.items())}


def _words_like(
    word: str, words: list[str], ordered: list[int], vocabulary: list[str], numbers: list[int]
) -> list[int]:
    if word == "<year>":
        return [
            at for at in numbers if vocabulary[at].isdigit() and _YEARS[0] <= int(vocabulary[at]) <= _YEARS[1]
        ]
    if word in ("<value>", "<number>"):
        return numbers
    found: list[int] = []
    for spelling in _spellings(word):
        stem = spelling.removesuffix("*")
        first = bisect_left(words, stem)
        last = bisect_left(words, stem + "\U0010ffff" if spelling.endswith("*") else stem + "\0")
        found += ordered[first:last]
    return found


@dataclass(frozen=True)
class _States:
    """Places at which a part of a phrase stands so far: tokens `begin` to `end`, and the number read."""

    begin: np.ndarray
    end: np.ndarray
    value: np.ndarray

    def __getitem__(self, chosen: np.ndarray) -> _States:
        return _States(self.begin[chosen], self.end[chosen], self.value[chosen])


@cache
def _spellings(word: str) -> tuple[str, ...]:
    return tuple(spellings(word))


Found = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]
Numbered = tuple[
    tuple[int, ...], int
]  # steps of a run by their numbers, and which of them reads the value (-1)


def _places(pattern: Pattern, index: _Index, steps: dict[Step, int]) -> Found | None:
    """Sought from its rarest required part, then backwards and forwards."""
    parts = [[_numbered(run, steps) for run in element.runs] for element in pattern.elements]
    counts = [sum(_rarity(run, index) for run in runs) for runs in parts]
    required = [at for at, element in enumerate(pattern.elements) if not element.optional]
    rarest = min(required, key=counts.__getitem__)
    if not all(counts[at] for at in required):
        return None
    states = _standing(parts[rarest], index)
    for at in range(rarest - 1, -1, -1):
        gap = pattern.elements[at + 1].after_gap
        states = _extended(states, parts[at], index, pattern.elements[at].optional, gap, backwards=True)
    for at in range(rarest + 1, len(parts)):
        gap = pattern.elements[at].after_gap
        states = _extended(states, parts[at], index, pattern.elements[at].optional, gap, backwards=False)
    count = len(states.begin)
    if not count:
        return None
    gapped = np.full(count, any(element.after_gap for element in pattern.elements), np.int64)
    return (
        np.full(count, pattern.kind),
        np.full(count, pattern.entry),
        states.begin,
        states.end,
        gapped,
        states.value,
    )


def _numbered(run: Run, steps: dict[Step, int]) -> Numbered:
    value = next((at for at, step in enumerate(run) if "<value>" in step), -1)
    return tuple(steps[step] for step in run), value


def _rarity(run: Numbered, index: _Index) -> int:
    return int(min(index.count[step] for step in run[0]))


def _standing(runs: list[Numbered], index: _Index) -> _States:
    """Everywhere one of the runs stands."""
    parts = []
    for run in runs:
        begin = _of_run(run[0], index)
        value = begin + run[1] if run[1] >= 0 else np.full(len(begin), -1)
        parts.append((begin, begin + len(run[0]), value))
    return _States(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def _of_run(wanted: tuple[int, ...], index: _Index) -> np.ndarray:
    rarest = min(range(len(wanted)), key=lambda at: index.count[wanted[at]])
    begin = index.places(wanted[rarest]) - rarest
    begin = begin[begin >= 0]
    for at, step in enumerate(wanted):
        if at != rarest:
            begin = begin[index.member[step, index.group[begin + at]]]
    return begin


def _extended(
    states: _States, runs: list[Numbered], index: _Index, optional: bool, gap: bool, backwards: bool
) -> _States:
    """With one more part before or behind: the nearest and longest that fits; also without it where it may be missing."""
    open_ = np.full(len(states.begin), True)
    begin, end, value = states.begin.copy(), states.end.copy(), states.value.copy()
    edge = states.begin if backwards else states.end
    last = len(index.group) - 1
    for words in range(_LONGEST_GAP + 1 if gap else 1):
        between = np.clip(edge - words if backwards else edge + words, 0, last)
        near = open_ & (index.strange[between] == index.strange[edge])
        for wanted, reads in runs:
            start = between - len(wanted) if backwards else between
            fits = near & open_ & (start >= 0)
            for at, step in enumerate(wanted):
                fits &= index.member[step, index.group[np.minimum(start + at, last)]]
            begin[fits] = np.minimum(begin[fits], start[fits])
            end[fits] = np.maximum(end[fits], start[fits] + len(wanted))
            if reads >= 0:
                value[fits] = start[fits] + reads
            open_ &= ~fits
    extended = _States(begin, end, value)[~open_]
    return _either(states, extended) if optional else extended


def _either(one: _States, other: _States) -> _States:
    names = one.__dataclass_fields__
    return _States(*(np.concatenate([getattr(one, name), getattr(other, name)]) for name in names))
