"""How letters are read, in plain words: part of what `limbaudit catalogue` prints."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

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
    Catalogue,
    Complication,
    Cue,
)

_INTRODUCTION = """\
Words of notes only ever propose a complication for review. How they are read and how phrases are written is
explained in [letters](letters.md). A cue says how the words in its reach are meant.
"""
_SAYS = {
    END: "a scope ends here",
    NOT_A_CUE: "no cue, although a cue is part of it",
    JOINS: "a list goes on",
    TEMPLATE: "a form not filled in: nothing of the sentence counts",
    NOTHING: "nothing to report",
    ABBREVIATION: "an abbreviation: its full stop ends no sentence",
    LEFT_SIDE: "left",
    RIGHT_SIDE: "right",
    BOTH_SIDES: "both sides",
    OTHER_SIDE: "the side not operated on",
}
_WITHOUT_REACH = {*_SAYS} - {END}
_REACHES = {
    "after": "what follows",
    "before": "what stands before",
    "both": "what follows and what stands before",
    "rest": "the rest of the sentence",
    "start": "the sentence up to it",
    "sentence": "the whole sentence",
}


def _phrase_lines(entry: Complication) -> Iterator[str]:
    """What letters say of a complication."""
    if not entry.sided:
        yield "Letters may speak of either side."
    if entry.phrases:
        yield f"Words in letters: {_listed(entry.phrases)}."
    if entry.absent_phrases:
        yield f"Words that say it is not there: {_listed(entry.absent_phrases)}."
    if entry.not_phrases:
        yield f"Words that mean something else: {_listed(entry.not_phrases)}."
    if entry.elsewhere:
        yield "In letters it may be of another part of the body than the one operated on."


def _listed(phrases: Iterable[str]) -> str:
    return ", ".join(f"`{phrase}`" for phrase in phrases)


def letters_section(catalogue: Catalogue) -> Iterator[str]:
    """The headings and lists about letters."""
    told = [(entry, list(_phrase_lines(entry))) for entry in catalogue.complications.values()]
    if not (catalogue.cues or catalogue.body or catalogue.measures or any(lines for _, lines in told)):
        return
    yield "## Letters\n\n" + _INTRODUCTION
    for entry, lines in told:
        if lines:
            yield _block(f"### Words of letters · {entry.name} · `{entry.key}`", lines)
    for cue in catalogue.cues.values():
        yield _block(f"### Cue · `{cue.key}`", [f"Says: {_cue(cue)}.", f"Words: {_listed(cue.words)}."])
    if catalogue.word_lists:
        lists = [f"`@{key}`: {_listed(words)}." for key, words in catalogue.word_lists.items()]
        yield _block("### Lists of words", lists)
    if catalogue.body:
        parts = [
            f"`{part.key}`{f' (`{part.place}`)' if part.place else ''}: {_listed(part.words)}."
            for part in catalogue.body.values()
        ]
        yield _block("### Parts of the body", parts)
    if catalogue.measures:
        words = [f"`{entry.key}`: {_listed(entry.words)}." for entry in catalogue.measures.values()]
        yield _block("### Measurements", words)


def _cue(cue: Cue) -> str:
    if cue.says in _WITHOUT_REACH:
        return _SAYS[cue.says]
    parts = [_SAYS.get(cue.says) or f"{cue.says.replace('_', ' ')}, of {_REACHES[cue.reaches]}"]
    if cue.says == END:
        parts.append(f"for cues that reach {_towards(cue.reaches)}")
    if cue.at_most is not None:
        parts.append(f"at most {cue.at_most} words off")
    if cue.of != "all":
        parts.append(f"of {cue.of.replace('_', ' ')} only")
    if cue.ends:
        parts.append("of what is " + ", ".join(word.replace("_", " ") for word in cue.ends))
    return ", ".join(parts)


def _towards(reaches: str) -> str:
    return {"after": "forwards", "before": "backwards"}.get(reaches, "either way")


def _block(title: str, lines: Iterable[str]) -> str:
    return "\n".join([title, "", *(f"- {line}" for line in lines), ""])
