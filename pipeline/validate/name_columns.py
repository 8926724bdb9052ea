"""Columns of people's names, told by their shape and by common given names.

A cell may be a name if it is one to four words of letters. Its column is one of names if many of its different
cells hold a common given name, or if it is long, every word begins with a capital, and neither cells nor words
repeat as the words of a trade do. `schemas/given_names.csv` was written from common knowledge, no source.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from functools import lru_cache
from importlib.resources import files

from pipeline.validate.looks import FEWEST_CELLS, SHARE_THAT_DECIDES, Different

#: Of the different cells, so many with a given name among two to four words, or alone, decide.
GIVEN_AMONG_WORDS, GIVEN_ALONE, FEWEST_ALONE = 0.3, 0.5, 8
#: Without given names: cells at least, of which so many have the shape, are different, and hold a word no other has.
LONG_COLUMN, SHAPED, UNREPEATED, WORDS_UNREPEATED = 30, 0.8, 0.5, 0.5

_LETTERS = r"\pL[\pL'’-]*\.?"
_SEVERAL_WORDS = rf"^{_LETTERS}(?:,? *[ ,]{_LETTERS}){{1,3}}$"
_ONE_WORD = r"^\pL[\pL'’-]+$"
_BETWEEN = r"\p{Lu}\.?|van|von|de|der|den|di|da|la|le|al|bin|el|dos|del"
_CAPITALS = rf"^\p{{Lu}}\p{{Ll}}[\pL'’-]*,?(?: (?:{_BETWEEN}))*(?: \p{{Lu}}\p{{Ll}}[\pL'’-]*){{1,2}}$"
_COMMA = r"^\p{Lu}[\pL'’-]+, ?\p{Lu}\p{Ll}[\pL'’-]*(?: \p{Lu}\.?)?$"


def are_names(cells: Different) -> bool:
    """Whether a column seems to hold names of people."""
    if cells.cells < FEWEST_CELLS:
        return False
    several = cells.like(_SEVERAL_WORDS)
    if len(several) >= SHARE_THAT_DECIDES * len(cells.texts):
        return _given_share(several) * len(several) >= GIVEN_AMONG_WORDS * len(
            cells.texts
        ) or _like_no_vocabulary(cells)
    alone = cells.like(_ONE_WORD)
    if len(alone) < max(FEWEST_ALONE, SHARE_THAT_DECIDES * len(cells.texts)):
        return False
    return _given_share(alone) * len(alone) >= GIVEN_ALONE * len(cells.texts)


def _given_share(texts: list[str]) -> float:
    """Of these texts, how many hold a common given name."""
    known = given_names()
    return sum(not known.isdisjoint(_words(text)) for text in texts) / max(1, len(texts))


def _words(text: str) -> list[str]:
    return plain_letters(text).replace(",", " ").replace("-", " ").replace(".", " ").split()


def _like_no_vocabulary(cells: Different) -> bool:
    """Capitalised words, nearly every cell and one of its words its own."""
    comma = cells.like(_COMMA)
    if len(comma) >= SHARE_THAT_DECIDES * cells.cells:
        return True
    if cells.cells < LONG_COLUMN or len(cells.texts) < UNREPEATED * cells.cells:
        return False
    shaped = cells.like(_CAPITALS)
    if len(shaped) < SHAPED * len(cells.texts):
        return False
    words = [_words(text) for text in shaped]
    most = max(len({text[at] for text in words}) for at in (0, -1))
    return most >= WORDS_UNREPEATED * len(shaped)


def plain_letters(text: str) -> str:
    """Lower case, without accents."""
    apart = unicodedata.normalize("NFKD", text.replace("ø", "o").replace("ß", "ss"))
    return "".join(letter for letter in apart if not unicodedata.combining(letter)).casefold()


@lru_cache(maxsize=1)
def given_names() -> frozenset[str]:
    """Common given names in plain letters."""
    with files("schemas").joinpath("given_names.csv").open(encoding="utf-8") as file:
        return frozenset(plain_letters(row[0]) for row in list(csv.reader(file))[1:])


#: Given names that surgeons also use as names of tests, approaches and bones, or as verbs (from memory).
_ALSO_OTHER_THINGS = frozenset((
    "allan", "allen", "charles", "craig", "frank", "gordon", "graham", "grant", "henry", "kelly", "mark", "martin",
    "morgan", "russell", "scott", "thomas",
))  # fmt: skip
#: Never given back and never begun within, so that time grows with the length of a text only.
_WORD = r"(?<![\w'’-])[^\W\d_][\w'’-]*+"
_CAPITALISED_RUN = re.compile(rf"{_WORD}(?:,?\s+{_WORD})+")
_WORDS_AND_GAPS = re.compile(rf"({_WORD})|(,?\s+)")


def without_people(text: str, mask: str) -> str:
    """The text with a mask in place of a given name and the capitalised word after it, or before it and a comma."""
    return _CAPITALISED_RUN.sub(lambda run: _without_names(run[0], mask), text)


def _without_names(run: str, mask: str) -> str:
    words = [(found.start(), found.end()) for found in _WORDS_AND_GAPS.finditer(run) if found[1]]
    spans = []
    for at, (start, end) in enumerate(words):
        if not run[start].isupper() or not _is_given(run[start:end]):
            continue
        after = words[at + 1] if at + 1 < len(words) else None
        if after and run[after[0]].isupper() and "," not in run[end : after[0]]:
            spans.append((start, after[1]))
        elif at and run[words[at - 1][0]].isupper() and "," in run[words[at - 1][1] : start]:
            spans.append((words[at - 1][0], end))
    for start, end in reversed(_merged(spans)):
        run = run[:start] + mask + run[end:]
    return run


def _merged(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans in order, those that overlap as one."""
    apart: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if apart and start <= apart[-1][1]:
            apart[-1] = (apart[-1][0], max(end, apart[-1][1]))
        else:
            apart.append((start, end))
    return apart


def _is_given(word: str) -> bool:
    plain = plain_letters(word)
    return plain in given_names() and plain not in _ALSO_OTHER_THINGS
