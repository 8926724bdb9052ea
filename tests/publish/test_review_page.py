"""What the page of questions says of its length, its age, of agreement and of what was missed."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from html import unescape

import pandas as pd
import pytest

from pipeline.handover import PENDING
from pipeline.publish import Context
from pipeline.publish.to_review_page import review_body
from schemas.published import PUBLISHED

HERE = "received/harbour/2026-{}/events.csv:{}"


def table_of(name: str, *rows: dict[str, object]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=list(PUBLISHED[name].names)).astype("object")


def text(tables: dict[str, pd.DataFrame], context: Context) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", review_body(tables, context))).split())


@pytest.fixture
def ninth(context: Context) -> Context:
    return replace(context, as_of=date(2026, 11, 9))


def test_a_record_without_a_case_is_one_question(ninth: Context) -> None:
    """Two candidates, and a decision: two questions, six minutes; received on 10-30 and 11-02, 10 and 7 days before."""
    link = {"why": PENDING[0], "category": "infection", "evidence": HERE.format("10-30", 2)}
    rows = table_of(
        "review", {**link, "case_id": "h.a.L"}, {**link, "case_id": "h.a.R"},
        {"case_id": "h.b.L", "category": "infection", "why": "only possible evidence", "evidence": HERE.format("11-02", 3)},
    )  # fmt: skip
    said = text({"review": rows}, ninth)
    assert "2 questions wait for a reviewer" in said
    assert "that is 6 minutes for one reviewer" in said
    assert "The oldest has waited 10 days since its record arrived, half of them 8 days or longer" in said


def test_second_opinions_are_said_apart(ninth: Context) -> None:
    row = {
        "case_id": "h.b.L",
        "category": "infection",
        "why": "only possible evidence",
        "evidence": HERE.format("11-02", 3),
    }
    asked = {**row, "form": "decision", "stated": False, "weight": 0.0}
    questions = table_of("questions", asked, {**asked, "case_id": "h.c.L"}, {**asked, "form": "link"})
    said = text({"review": table_of("review", row), "questions": questions}, ninth)
    assert "1 further question has one answer, which counts" in said


def test_agreement_is_told_with_its_caution(ninth: Context) -> None:
    row = {"category": "infection", "pairs": 12, "both_yes": 0, "both_no": 10, "discordant": 2, "raw": 10 / 12,
           "positive": 0.0, "negative": 20 / 22, "kappa": -0.09,
           "kappa_ci_low": -0.21, "kappa_ci_high": 0.03, "pabak": 2 / 3}  # fmt: skip
    said = text({"agreement": table_of("agreement", row)}, ninth)
    assert "12 questions were answered by two reviewers, each alone; at 2 they differed" in said
    assert "low or cannot be worked out" in said
    assert "−0.09 (−0.21 to 0.03)" in said
    assert "83\u00a0% 0\u00a0% 91\u00a0%".replace("\u00a0", " ") in said.replace("\u00a0", " ")


def test_what_cannot_be_estimated_is_a_dash(ninth: Context) -> None:
    row = {"category": "infection", "pairs": 1, "both_yes": 1, "both_no": 0, "discordant": 0, "raw": 1.0, "positive": 1.0,
           "pabak": 1.0}  # fmt: skip
    said = text({"agreement": table_of("agreement", row)}, ninth)
    assert "nan" not in said.lower()
    assert "– – 1.00" in said


def missed(**more: object) -> pd.DataFrame:
    return table_of(
        "missed_in_letters", {"site": "all", "cases": 152, "read": 0, "missed": 0, "undecided": 0, **more}
    )


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        (missed(), "152 cases have notes in which nothing was found. No case of them has been drawn and read yet"),
        (missed(read=20, missed=1, share=0.05, ci_low=0.009, ci_high=0.236),
         "20 of them were drawn at random and read; in 1 a complication had been missed: 5.0 % (0.9–23.6 %)."),
        (missed(read=20, share=0.0, ci_low=0.0, ci_high=0.161),
         "in none a complication had been missed; up to 16.1 % would still fit."),
        (missed(read=20, share=0.0, ci_low=0.0, ci_high=0.161, undecided=1), "On 1 case reviewers differ."),
    ],
)  # fmt: skip
def test_what_reading_the_sample_showed(rows: pd.DataFrame, says: str, ninth: Context) -> None:
    assert says in text({"missed_in_letters": rows}, ninth).replace("\u00a0", " ")


def test_nothing_at_all_is_said_too(ninth: Context) -> None:
    said = text({}, ninth)
    assert "Nothing waits for a reviewer" in said
    assert "No question has been answered by two reviewers yet" in said


def test_what_a_letter_is_unsure_of_has_its_name(ninth: Context) -> None:
    row = {"case_id": "h.b.L", "why": "a letter is unsure: infection", "evidence": HERE.format("11-02", 3)}
    said = text({"review": table_of("review", row)}, ninth)
    name = ninth.catalogue.complications["infection"].name
    assert f"none named A letter is unsure: {name}" in said
