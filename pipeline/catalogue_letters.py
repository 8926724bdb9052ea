"""The entries of catalogue.toml that say how letters are read: cues, parts of the body, measurements."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.catalogue import (
    ABBREVIATION,
    BOTH_SIDES,
    END,
    JOINS,
    LEFT_SIDE,
    NOT_A_CUE,
    NOTHING,
    OTHER_SIDE,
    RIGHT_SIDE,
    TEMPLATE,
    BodyWords,
    Cue,
    MeasureWords,
)
from pipeline.handover import ASSERTIONS
from pipeline.phrase_grammar import parsed
from pipeline.toml_reading import TomlTable

SAYS = (
    *ASSERTIONS,
    END,
    NOT_A_CUE,
    JOINS,
    TEMPLATE,
    NOTHING,
    ABBREVIATION,
    LEFT_SIDE,
    RIGHT_SIDE,
    BOTH_SIDES,
    OTHER_SIDE,
)
REACHES = ("after", "before", "both", "rest", "start", "sentence")
OF = ("all", "operations", "operation_words", "conditions")


Lists = Mapping[str, tuple[str, ...]]


def word_list(key: str, table: TomlTable) -> tuple[str, ...]:
    """An entry of [word_lists]. Raises WrongUse."""
    table.require("words")
    words = table.texts("words")
    for word in words:
        if not word.strip() or set(word) & set(" |(){}@<>"):
            raise table.wrong("words", "single words, with hyphens where there are two.", word)
    table.finish()
    return words


def phrases(table: TomlTable, key: str, lists: Lists) -> tuple[str, ...]:
    """A list of phrases, each checked against the grammar. Raises WrongUse."""
    listed = table.texts(key)
    for phrase in listed:
        try:
            parsed(phrase, lists)
        except ValueError as problem:
            raise table.wrong(key, f"phrases as docs/letters.md explains them: {problem}.", phrase) from None
    return listed


def cue(key: str, table: TomlTable, lists: Lists) -> Cue:
    """An entry of [cues]. Raises WrongUse."""
    table.require("says", "words")
    entry = Cue(
        key=key,
        says=table.text("says", among=SAYS),
        reaches=table.text("reaches", "after", among=REACHES),
        words=phrases(table, "words", lists),
        at_most=table.whole("at_most", low=0),
        of=table.text("of", "all", among=OF),
        ends=table.texts("ends", among=ASSERTIONS),
    )
    table.finish()
    return entry


def body_words(key: str, table: TomlTable, lists: Lists) -> BodyWords:
    """An entry of [body]. Its place may be missing from a workspace's joints: then it is another part."""
    table.require("words")
    entry = BodyWords(key=key, words=phrases(table, "words", lists), place=table.text("place"))
    table.finish()
    return entry


def measure_words(key: str, table: TomlTable, lists: Lists) -> MeasureWords:
    """An entry of [measures]. Raises WrongUse where a phrase has no number to read."""
    table.require("words")
    entry = MeasureWords(key=key, words=phrases(table, "words", lists))
    for phrase in entry.words:
        if phrase.count("<value>") != 1:
            raise table.wrong("words", "phrases with one `<value>`, where the number stands.", phrase)
    table.finish()
    return entry
