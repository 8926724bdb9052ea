"""The catalogue's phrases and cues, taken apart."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.catalogue import ABBREVIATION, UNPLANNED_RETURN, BodyWords, Catalogue, Cue
from pipeline.phrase_grammar import Element, Step, parsed

Lists = Mapping[str, tuple[str, ...]]
#: What a phrase of the lexicon is for; the first three speak of a category.
SAID, SAID_ABSENT, NOT_MEANT, CUE, BODY, MEASURE, YEAR = range(7)


@dataclass(frozen=True)
class Pattern:
    """A phrase in its parts. `entry`: the category, cue, part of the body or measure, by its position."""

    kind: int
    entry: int
    elements: tuple[Element, ...]


@dataclass(frozen=True)
class Lexicon:
    """All patterns, and the entries they point to in the order of the catalogue.

    `places[i]`: the place a part of the body stands for, -2 if none. `operations`: categories that are operations.
    `elsewhere`: categories that may show in another part of the body. `steps`: all distinct steps.
    """

    patterns: tuple[Pattern, ...]
    steps: dict[Step, int]
    cues: tuple[Cue, ...]
    places: tuple[int, ...]
    measures: tuple[str, ...]
    operations: tuple[bool, ...]
    elsewhere: tuple[bool, ...]

    @property
    def abbreviations(self) -> tuple[str, ...]:
        """Words whose full stop ends no sentence."""
        return tuple(word.lower() for cue in self.cues if cue.says == ABBREVIATION for word in cue.words)

    def cues_that_say(self, *words: str) -> np.ndarray:
        """(cues,) whether each has one of these meanings."""
        return np.array([cue.says in words for cue in self.cues], np.bool_)


def lexicon(catalogue: Catalogue, places: tuple[str, ...]) -> Lexicon:
    """Take the catalogue's words apart. A place that no entry of [body] names is known by its own name."""
    body = [*catalogue.body.values(), *_unnamed(catalogue, places)]
    patterns = tuple(_patterns(catalogue, body))
    steps = dict.fromkeys(
        step for item in patterns for part in item.elements for run in part.runs for step in run
    )
    entries = catalogue.complications.values()
    return Lexicon(
        patterns=patterns,
        steps={step: number for number, step in enumerate(steps)},
        cues=tuple(catalogue.cues.values()),
        places=tuple(places.index(item.place) if item.place in places else -2 for item in body),
        measures=tuple(catalogue.measures),
        operations=tuple(UNPLANNED_RETURN in entry.implied_by for entry in entries),
        elsewhere=tuple(entry.elsewhere for entry in entries),
    )


def _unnamed(catalogue: Catalogue, places: tuple[str, ...]) -> Iterator[BodyWords]:
    named = {item.place for item in catalogue.body.values()}
    for place in places:
        if place not in named:
            yield BodyWords(key=place, words=(place.replace("_", " "),), place=place)


def _patterns(catalogue: Catalogue, body: list[BodyWords]) -> Iterator[Pattern]:
    lists = catalogue.word_lists
    for category, entry in enumerate(catalogue.complications.values()):
        for kind, listed in (
            (SAID, entry.phrases),
            (SAID_ABSENT, entry.absent_phrases),
            (NOT_MEANT, entry.not_phrases),
        ):
            yield from _parsed(kind, category, listed, lists)
    for position, cue in enumerate(catalogue.cues.values()):
        yield from _parsed(CUE, position, () if cue.says == ABBREVIATION else cue.words, lists)
    for position, part in enumerate(body):
        yield from _parsed(BODY, position, part.words, lists)
    for position, measure in enumerate(catalogue.measures.values()):
        yield from _parsed(MEASURE, position, measure.words, lists)
    yield from _parsed(YEAR, 0, ("<year>",), lists)


def _parsed(kind: int, entry: int, phrases: tuple[str, ...], lists: Lists) -> Iterator[Pattern]:
    for phrase in phrases:
        yield Pattern(kind, entry, parsed(phrase, lists))
