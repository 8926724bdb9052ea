"""Words of a vocabulary, lists of words, yes and no, places, and words that mean that nothing is known."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

import pyarrow as pa

from pipeline.validate.answers import Answer, Answers, one_by_one

#: Texts that mean that nothing is known, compared in lower case (common practice, no source).
MISSING_WORDS = frozenset(
    [
        "n/a",
        "na",
        "n.a.",
        "n.a",
        "null",
        "none",
        "nil",
        "nan",
        "nk",
        "unk",
        "unknown",
        "missing",
        "-",
        "--",
        "---",
        "?",
        "??",
        ".",
        "tbc",
        "tba",
        "#n/a",
        "#null!",
        "#value!",
    ]
) | {"not known", "not recorded", "not available", "(blank)", "<na>"}
#: Further ones of a single column: nobody in particular.
MISSING_WORDS_OF: Mapping[str, frozenset[str]] = {
    "surgeon_id": frozenset({"locum", "agency", "unattributed"})
}

_SIDES = {
    "left": ("l", "lt", "lt.", "lft"),
    "right": ("r", "rt", "rt.", "rgt"),
    "bilateral": ("b", "bil", "bilat", "both", "both_sides"),
}
#: Agreed words beside the contract's own, by column (common practice, no source).
SYNONYMS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "side": _SIDES,
    "dominant_side": {side: _SIDES[side] for side in ("left", "right")},
    "sex": {"female": ("f", "w", "woman"), "male": ("m", "man"), "unknown": ("u",)},
    "through_fixation_site": {"yes": ("y",), "no": ("n",)},
    "unit": {"deg": ("°", "degree", "degrees")},
}
_TRUE, _FALSE = ("y", "true", "t", "1", "ja", "j"), ("n", "false", "f", "0", "nein")

_GAPS = re.compile(r"[\s_-]+")
_SPLIT = re.compile(r"[;|]")


def plain_word(text: str) -> str:
    """Lower case, with `_` for blanks and hyphens."""
    return _GAPS.sub("_", text.strip().lower())


def missing_words(column: str, vocabulary: Iterable[str]) -> frozenset[str]:
    """What means missing in a column: a word of its vocabulary never does."""
    known = {word.lower() for word in vocabulary}
    return (MISSING_WORDS | MISSING_WORDS_OF.get(column, frozenset())) - known


def _dictionary(column: str, vocabulary: Iterable[str]) -> dict[str, Answer]:
    words = {
        spelling: Answer(word, repair="word_translated")
        for word, spellings in SYNONYMS.get(column, {}).items()
        for spelling in spellings
    }
    return words | {plain_word(word): Answer(word) for word in vocabulary}


def words(texts: pa.Array, column: str, vocabulary: Iterable[str]) -> Answers:
    """Each text as a word of the vocabulary, or as it is (plain) where there is none."""
    known = _dictionary(column, vocabulary)
    if not known:
        return one_by_one(texts, _free_word, "string")
    unknown = Answer(fault="value_unknown_word")
    return one_by_one(texts, lambda text: known.get(plain_word(text), unknown), "string")


def _free_word(text: str) -> Answer:
    """A word that only the catalogue in force knows; one cell holds one."""
    return Answer(fault="several_values") if _SPLIT.search(text) else Answer(plain_word(text))


def places(texts: pa.Array, known: Iterable[str]) -> Answers:
    """Joints and bones; a word that the catalogue in force does not have is a fault."""
    catalogue = frozenset(known)

    def read(text: str) -> Answer:
        word = plain_word(text)
        return Answer(word) if word in catalogue else Answer(fault="joint_unknown")

    return one_by_one(texts, read, "string")


def yes_no(texts: pa.Array) -> Answers:
    """True for yes, False for no."""
    known = {"yes": Answer(True), "no": Answer(False)}
    known |= {word: Answer(True, repair="word_translated") for word in _TRUE}
    known |= {word: Answer(False, repair="word_translated") for word in _FALSE}
    unknown = Answer(fault="value_unknown_word")
    return one_by_one(texts, lambda text: known.get(text.lower(), unknown), "bool")


def word_lists(texts: pa.Array, column: str, vocabulary: Iterable[str]) -> Answers:
    """Lists joined by `;`, in the order given; `|` between words is understood."""
    known = _dictionary(column, vocabulary)
    as_code = column.endswith("_codes")

    def read(text: str) -> Answer:
        parts = [part.strip() for part in _SPLIT.split(text) if part.strip()]
        if known and any(plain_word(part) not in known for part in parts):
            return Answer(fault="value_unknown_word")
        spelled = [str(known[plain_word(part)].value) for part in parts] if known else parts
        joined = ";".join(spelled if known or as_code else map(plain_word, parts))
        return Answer(joined or None, repair="" if ";".join(parts) == text else "list_rewritten")

    return one_by_one(texts, read, "string")
