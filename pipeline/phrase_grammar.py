"""The small grammar in which the catalogue writes what letters say: docs/letters.md explains it.

    stiff*                  a word with any ending
    loss|lack of motion     one word or the other
    screw (has) backed out  a word or words that may be missing: (has|had been)
    nerve {cut|not working} one of these, where they have several words
    plate ... prominent     up to three words between
    re-operation            joined, apart or with a hyphen
    h/o, # of, ?            signs are words of their own; [ and ] stand for brackets of any kind
    flexion <value>         a number that is read; <number> one that is not; <year> a calendar year
    @implant ... loose      any word of a list of the catalogue's [word_lists]
    ¿                       a question mark that ends the sentence

Capitals do not matter. A word of eight letters or more is also known with a letter missing or with two
neighbours exchanged.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

SLOTS = ("<value>", "<number>", "<year>")
GAP = "..."
_CHUNK = re.compile(r"\([^(){}]*\)|\{[^(){}]*\}|\.\.\.|[^\s(){}]+")
_WORD = re.compile(r"<[a-z]+>|[^\W\d_]+\*?|\d+(?:\.\d+)?|[^\w\s]")
_INNER_HYPHEN = re.compile(r"(?<=\w)-(?=\w)")
_INNER_STAR = re.compile(r"\*\S")
_LIST = re.compile(r"@(\w+)")
_MISSPELT_FROM = 8
QUESTION = "\x01"  # how ¿ stands among the tokens

Step = tuple[str, ...]  # words any of which may stand here
Run = tuple[Step, ...]  # steps one after another


@dataclass(frozen=True)
class Element:
    """A part of a phrase: one of its runs stands here, the longest that fits. `after_gap`: words may come before it."""

    runs: tuple[Run, ...]
    optional: bool = False
    after_gap: bool = False


def parsed(phrase: str, lists: Mapping[str, tuple[str, ...]] = MappingProxyType({})) -> tuple[Element, ...]:
    """The parts of a phrase. `lists`: the words behind each @name.

    Raises:
        ValueError: A bracket is open, a slot or list unknown, nothing required, a * not at a word's end, or a gap
            not between two required parts.
    """
    text = _LIST.sub(lambda found: _words_of(found[1], lists), phrase.lower())
    return _parts(text.replace("'", "").replace("’", ""))


@cache
def _parts(text: str) -> tuple[Element, ...]:
    """The parts of a phrase without lists. Each is asked for twice: when the catalogue is checked and when it is used."""
    chunks = _CHUNK.findall(text)
    if "".join(chunks).replace(" ", "") != "".join(text.split()):
        raise ValueError("a bracket is open or stands inside another")
    if not chunks or GAP in (chunks[0], chunks[-1]):
        raise ValueError("it is empty, or begins or ends with a gap")
    elements = tuple(
        _element(chunk, at > 0 and chunks[at - 1] == GAP) for at, chunk in enumerate(chunks) if chunk != GAP
    )
    if all(element.optional for element in elements):
        raise ValueError("every part of it may be missing")
    return elements


def _words_of(name: str, lists: Mapping[str, tuple[str, ...]]) -> str:
    if name not in lists:
        raise ValueError(f"there is no list of words @{name}")
    return "|".join(lists[name])


def _element(chunk: str, after_gap: bool) -> Element:
    optional = chunk.startswith("(")
    inner = chunk[1:-1] if chunk[0] in "({" else chunk
    runs = [run for alternative in inner.split("|") for run in _joined_or_apart(alternative)]
    single = tuple(dict.fromkeys(run[0] for run in runs if len(run) == 1))
    longer = dict.fromkeys(tuple((word,) for word in run) for run in runs if len(run) > 1)
    ordered = sorted(longer, key=len, reverse=True)
    if not runs or (optional and after_gap):
        raise ValueError(
            "a gap stands before a part that may be missing" if runs else "a part of it is empty"
        )
    return Element((*ordered, (single,)) if single else tuple(ordered), optional, after_gap)


def _joined_or_apart(alternative: str) -> Iterator[list[str]]:
    """The words of an alternative; with a hyphen inside a word, once apart and once joined."""
    for text in dict.fromkeys([_INNER_HYPHEN.sub(" ", alternative), _INNER_HYPHEN.sub("", alternative)]):
        words = _WORD.findall(text.replace("¿", QUESTION))
        if "*" in words or _INNER_STAR.search(text):
            raise ValueError("a * stands elsewhere than at the end of a word")
        for word in words:
            if word.startswith("<") and len(word) > 1 and word not in SLOTS:
                raise ValueError(f"{word} is none of {', '.join(SLOTS)}")
        if words:
            yield words


def spellings(word: str) -> Iterator[str]:
    """The word as a phrase has it, and slips of the pen: one letter missing, two neighbours exchanged."""
    yield word
    stem, ending = (word[:-1], "*") if word.endswith("*") else (word, "")
    if len(stem) < _MISSPELT_FROM or not stem.isalpha():
        return
    for at in range(1, len(stem) - 1):  # without its last letter it may well be another word
        yield stem[:at] + stem[at + 1 :] + ending
        if at + 1 < len(stem) and stem[at] != stem[at + 1]:
            yield stem[:at] + stem[at + 1] + stem[at] + stem[at + 2 :] + ending
