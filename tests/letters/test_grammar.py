"""The grammar of phrases: what each form stands for, and what it rejects."""

from __future__ import annotations

import pyarrow as pa
import pytest

from pipeline.catalogue_reading import catalogue_from_text
from pipeline.errors import WrongUse
from pipeline.letters import read
from pipeline.phrase_grammar import parsed, spellings

OWN = 'builtin = false\n[complications.snag]\nphrases = [{phrases}]\n[word_lists.thing]\nwords = ["cog", "cam-shaft"]\n'


def spoken(phrase: str, *notes: str) -> list[bool]:
    catalogue = catalogue_from_text(OWN.format(phrases=f'"{phrase}"'))
    return read(pa.array(notes), catalogue, ()).spoken.tolist()


@pytest.mark.parametrize(
    ("phrase", "found", "not_found"),
    [
        ("jam*", ["It jams.", "JAMMED"], ["ajar"]),
        ("loss|lack of drive", ["loss of drive", "a lack of drive"], ["drive", "loss drive"]),
        ("pin (has|had been) bent", ["pin bent", "pin has bent", "pin had been bent"], ["pin had bent"]),
        ("cog {bent|out of true}", ["cog out of true", "cog bent"], ["cog out of line", "cog"]),
        ("plate ... proud", ["plate proud", "plate is now so proud"], ["plate is by now quite so proud", "plate, proud"]),
        ("re-run", ["rerun", "re-run", "re run"], ["run", "re - run"]),
        ("h/o", ["h/o trouble", "H / O"], ["ho"]),
        ("[ x ]", ["(x)", "[x]"], ["x"]),
        ("late ¿", ["is it late?"], ["late ?maybe", "late"]),
        ("at <number> past", ["at 5 past", "at 12.5 past"], ["at five past"]),
        ("in <year>", ["in 1998", "in 2031"], ["in 98", "in 3000"]),
        ("@thing worn", ["cog worn", "camshaft worn", "cam shaft worn"], ["thing worn"]),
        ("driver's cab", ["drivers cab", "driver's cab", "driver’s cab"], ["driver cab"]),
    ],
)  # fmt: skip
def test_what_a_phrase_finds(phrase: str, found: list[str], not_found: list[str]) -> None:
    assert spoken(phrase, *found, *not_found) == [True] * len(found) + [False] * len(not_found)


def test_a_phrase_does_not_reach_over_a_sentence_or_but() -> None:
    assert spoken("plate ... proud", "The plate. Proud of it.", "plate but proud") == [False, False]


def test_slips_of_the_pen_in_long_words() -> None:
    assert {"absolute", "asolute", "absoulte", "absolte"} <= set(spellings("absolute"))
    assert list(spellings("absolut")) == ["absolut"]  # seven letters
    assert "coroner" not in set(spellings("corner"))
    assert all(word.endswith("*") for word in spellings("dislocat*"))


@pytest.mark.parametrize(
    ("phrase", "says"),
    [
        ("", "empty"),
        ("... end", "begins or ends with a gap"),
        ("start ...", "begins or ends with a gap"),
        ("(a) (b)", "every part of it may be missing"),
        ("a (b", "a bracket is open"),
        ("a <word>", "<word> is none of"),
        ("st*ff", "a * stands elsewhere"),
        ("a ... (b) c", "a gap stands before a part that may be missing"),
        ("@nobody", "no list of words @nobody"),
    ],
)
def test_what_is_no_phrase(phrase: str, says: str) -> None:
    with pytest.raises(ValueError, match=says.replace("*", r"\*")):
        parsed(phrase)


def test_a_wrong_phrase_names_its_line() -> None:
    with pytest.raises(WrongUse, match=r"line 3: `complications.snag.phrases` is \"\(a\)\".*docs/letters.md"):
        catalogue_from_text(OWN.format(phrases='"(a)"'))
