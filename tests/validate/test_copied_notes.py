"""Notes copied forward, and text of templates: warned of, never counted. Invented notes."""

from __future__ import annotations

from pipeline.settings import Settings
from pipeline.validate import checked

SENTENCE = "The knee was swollen after the long walk and the patient could not climb the stairs"


def warned(export, *notes, **common):
    rows = [{"followup_id": f"f{n}", "note": note, **common} for n, note in enumerate(notes)]
    for row in rows:
        row.update({"patient_id": row["note"].partition("|")[0], "note": row["note"].partition("|")[2]})
    found = checked(export("followups", *rows), Settings(), ("knee",)).findings
    listed = found[found["rule"] == "note_copied_forward"]
    assert set(listed["value"]) <= {""}
    return listed["source_line"].tolist()


def test_a_long_sentence_of_an_earlier_note_of_the_same_patient(export):
    notes = [
        f"p1|{SENTENCE}. Wound dry.",
        "p1|Doing well.",
        f"p1|Seen today. {SENTENCE.upper()}.",
        f"p1|{SENTENCE}",
    ]
    assert warned(export, *notes) == [4, 5]


def test_another_patient_and_short_sentences_may_repeat(export):
    assert warned(export, f"p1|{SENTENCE}.", f"p2|{SENTENCE}.", "p3|Wound dry.", "p3|Wound dry.") == []


def test_a_sentence_twice_in_one_note_is_not_copied_forward(export):
    assert (
        warned(export, f"p1|{SENTENCE}. {SENTENCE}.", "p1|Wound dry and the patient content with all of it.")
        == []
    )


def test_line_breaks_and_blanks_do_not_hide_a_copy(export):
    broken = SENTENCE.replace(" and ", "\n  and ")
    assert warned(export, f"p1|{SENTENCE}.", f"p1|{broken}.") == [3]
