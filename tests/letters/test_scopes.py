"""Cues, ends and lists, on words of no clinic: only the mechanism is tried here."""

from __future__ import annotations

import pyarrow as pa
import pytest

from pipeline.catalogue import Catalogue
from pipeline.catalogue_reading import catalogue_from_text
from pipeline.errors import WrongUse
from pipeline.handover import ASSERTIONS, BOTH, LEFT, RIGHT
from pipeline.letters import ANOTHER_PART, read

#: The built-in cues, with complications of another trade.
OWN = """\
builtin = false
[joints.axle]
bones = ["hub"]
[complications.rust]
phrases = ["rust*", "grinding off"]
absent_phrases = ["shiny"]
not_phrases = ["rust red"]
[complications.dent]
phrases = ["dent|dents"]
[complications.overhaul]
implied_by = "unplanned_return"
phrases = ["overhaul", "grinding off"]
"""


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return catalogue_from_text(OWN)


def said(catalogue: Catalogue, note: str) -> dict[str, str]:
    keys = list(catalogue.complications)
    rows = read(pa.array([note]), catalogue, catalogue.places).statements
    return {keys[row.category]: ASSERTIONS[row.assertion] for row in rows.itertuples()}


@pytest.mark.parametrize(
    ("note", "expected"),
    [
        ("Rust on the frame.", {"rust": "present"}),
        ("No rust, dents or scratches.", {"rust": "absent", "dent": "absent"}),
        ("No rust but a dent.", {"rust": "absent", "dent": "present"}),
        ("Rust, dents and scratches were ruled out.", {"rust": "present", "dent": "absent"}),
        ("Rust and dents ruled out.", {"rust": "absent", "dent": "absent"}),
        ("Rust persists, a dent was ruled out.", {"rust": "present", "dent": "absent"}),
        ("The risk of rust and dents was explained.", {"rust": "hypothetical", "dent": "hypothetical"}),
        ("If it rusts again she will call.", {"rust": "hypothetical"}),
        ("? rust", {"rust": "uncertain"}),
        ("Could this be rust?", {"rust": "uncertain"}),
        ("Cannot exclude rust.", {"rust": "uncertain"}),
        ("No improvement in the rust.", {"rust": "present"}),
        ("Not only rust but dents.", {"rust": "present", "dent": "present"}),
        ("His father had rust.", {"rust": "other_person"}),
        ("No longer rusty.", {"rust": "historical"}),
        ("Rust years ago.", {"rust": "historical"}),
        ("Booked for an overhaul because of rust.", {"overhaul": "planned", "rust": "present"}),
        ("Booked for grinding off.", {"overhaul": "planned", "rust": "present"}),
        ("He declined an overhaul for the rust.", {"overhaul": "absent", "rust": "present"}),
        ("Shiny.", {"rust": "absent"}),
        ("Not shiny.", {}),
        ("Painted rust red.", {}),
        ("Complications: rust / dents - delete as applicable", {}),
    ],
)
def test_how_a_note_is_meant(catalogue: Catalogue, note: str, expected: dict[str, str]) -> None:
    assert said(catalogue, note) == expected


def test_side_place_year_and_other_side(catalogue: Catalogue) -> None:
    notes = [
        "Rust left axle.", "Right: rust.", "Both sides have rust.", "Rust on the other side.", "Rust left in place.",
        "Rust on the hip.", "Rust since 12/05/2024.", "Left axle clean, right axle rust.",
    ]  # fmt: skip
    rows = read(pa.array(notes), catalogue, catalogue.places).statements.set_index("text")
    assert rows["side"].tolist() == [LEFT, RIGHT, BOTH, -1, -1, -1, -1, RIGHT]
    assert rows["opposite"].tolist() == [False, False, False, True, False, False, False, False]
    assert rows["joint"].tolist() == [0, -1, -1, -1, -1, ANOTHER_PART, -1, 0]
    assert rows["year"].tolist() == [-1] * 6 + [2024, -1]


def test_what_is_understood(catalogue: Catalogue) -> None:
    notes = ["No complications.", "Rust: Y/N", "Seen today.", "Painted rust red.", "No rust.", None]
    assert read(pa.array(notes), catalogue, ()).spoken.tolist() == [True, True, False, False, True, False]


def test_sentences_are_cut_where_they_end_and_told_apart(catalogue: Catalogue) -> None:
    notes = [
        "Seen by Dr. Rust. Dent left.\nRust on the axle, which was seen by everybody who passed by\nand nobody cared. Rust!",
        "Übel: Rust! Rust!",
    ]
    rows = read(pa.array(notes), catalogue, ()).statements
    cut = [notes[row.text][row.begin : row.end] for row in rows.itertuples()]
    long = "Rust on the axle, which was seen by everybody who passed by\nand nobody cared."
    assert cut == ["Seen by Dr. Rust.", "Dent left.", long, "Rust!", "Übel: Rust!", "Rust!"]
    assert rows["sentence"].iloc[3] == rows["sentence"].iloc[5]
    assert rows["sentence"].nunique() == 5


def test_the_same_note_says_the_same_wherever_it_stands(catalogue: Catalogue) -> None:
    one = read(pa.array(["No rust. Dent left."]), catalogue, catalogue.places).statements
    many = read(pa.array(["Fine."] + ["No rust. Dent left."] * 3), catalogue, catalogue.places).statements
    columns = ["category", "assertion", "side", "begin", "end"]
    for text in (1, 2, 3):
        assert many.loc[many["text"] == text, columns].to_numpy().tolist() == one[columns].to_numpy().tolist()


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        ('says = "perhaps"\nwords = ["x"]', "expected one of"),
        ('words = ["x"]', "has no `says`"),
        ('says = "absent"\nwords = ["x"]\nreach = "after"', "unknown key `cues.own.reach`"),
        ('says = "absent"\nwords = ["x"]\nof = "people"', "expected one of"),
    ],
)
def test_a_wrong_cue_is_an_error(entry: str, says: str) -> None:
    with pytest.raises(WrongUse, match=says):
        catalogue_from_text(f"[cues.own]\n{entry}\n")


def test_cues_stay_where_the_built_in_catalogue_is_left_out(catalogue: Catalogue) -> None:
    assert "no" in catalogue.cues
    assert list(catalogue.complications) == ["rust", "dent", "overhaul"]
