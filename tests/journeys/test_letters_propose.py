"""What letters may and may not do to a case: one patient each, by hand, as docs/definitions.md has it.

A letter only proposes. Days count from the operation of 2024-01-10, a reconstruction of the left kneecap's ligament
unless said otherwise.
"""

from __future__ import annotations

import csv
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

DAY_0 = date(2024, 1, 10)
SETTINGS = 'contract = 1\n[sites.harbour]\nsends = "changes"\n'
CATALOGUE = '[procedures.ligament_reconstruction]\ncodes.local = ["LIG"]\n'
HEADERS = {
    "operations": "operation_id,patient_id,performed_on,procedure_code,side,age_years,sex,anaesthesia",
    "events": "event_id,patient_id,occurred_on,code,side,joint,source,note",
    "followups": "followup_id,patient_id,seen_on,status,side,joint,operation_id,note",
}
STIFF = "The operated knee is stiff."
COPIED = "She has had four dislocations of the kneecap at football over the last two years."


def on(day: int) -> str:
    return (DAY_0 + timedelta(day)).isoformat()


class Courses:
    """Rows of a workspace, a patient at a time."""

    def __init__(self) -> None:
        self.rows: dict[str, list[list[str]]] = {name: [] for name in HEADERS}

    def operation(self, patient: str, side: str = "left", day: int = 0) -> None:
        record = f"{patient}{side[0].upper() if side != 'left' else ''}"
        self.rows["operations"].append([record, patient, on(day), "LIG", side, "20", "female", "general"])

    def event(self, patient: str, day: int, note: str, *, code: str = "", side: str = "left", joint: str = "knee",
              source: str = "letter") -> None:  # fmt: skip
        number = f"e{len(self.rows['events'])}"
        self.rows["events"].append([number, patient, on(day), code, side, joint, source, note])

    def visit(self, patient: str, day: int, note: str, *, operation: str = "", side: str = "") -> None:
        number = f"f{len(self.rows['followups'])}"
        self.rows["followups"].append([number, patient, on(day), "seen", side, "", operation, note])

    def write(self, place: Path) -> None:
        folder = place / "received" / "harbour" / "2026-11-02"
        folder.mkdir(parents=True)
        (place / "audit.toml").write_text(SETTINGS, "utf-8")
        (place / "catalogue.toml").write_text(CATALOGUE, "utf-8")
        for name, header in HEADERS.items():
            with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
                csv.writer(file).writerows([header.split(","), *self.rows[name]])


def all_courses() -> Courses:
    courses = Courses()
    for patient in ("says", "denies", "fears", "before", "unsure", "agrees", "early", "told", "visit", "named", "nobody",
                    "calf", "old", "since", "finger", "copied", "again"):  # fmt: skip
        courses.operation(patient)
    courses.event("says", 130, STIFF)
    courses.event("denies", 130, "The knee is not stiff.")
    courses.event("fears", 130, "We discussed the risk of infection and stiffness.")
    courses.event("before", 130, "Before the operation the knee was stiff.")
    courses.event("unsure", 130, "Query stiffness of the knee.")
    courses.event("agrees", 130, STIFF, code="M25.662")
    courses.event("early", 20, STIFF)
    courses.event("told", 130, STIFF, source="patient")
    courses.visit("visit", 130, STIFF)
    courses.visit("named", 130, STIFF, operation="named")
    courses.event("nobody", 130, "Seen by Quilfrey.")
    courses.event("calf", 9, "Deep vein thrombosis of the right calf confirmed on duplex.")
    courses.event("old", 130, "The kneecap dislocated in 2019.")
    courses.event("since", 700, "The kneecap dislocated in 2025.")
    courses.event("finger", 130, "Dislocated his ring finger at football.")
    courses.visit("copied", -20, COPIED)
    courses.event("copied", 130, COPIED)
    courses.event("again", 95, "The kneecap dislocated again and was reduced.")
    courses.event("again", 100, "", code="S83.005A", joint="patellofemoral")
    courses.event("again", 400, "The kneecap dislocated again and was reduced.")
    courses.operation("both", "left")
    courses.operation("both", "right", 400)
    courses.event("both", 500, "The right knee is stiff.")
    courses.visit("both", 510, "The wound is infected.")
    courses.operation("other")
    courses.event("other", 130, "The right knee is stiff.")
    return courses


@pytest.fixture(scope="module")
def edition(audit: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    place = tmp_path_factory.mktemp("letters")
    all_courses().write(place / "ws")
    return audit(place / "ws", place / "out", "--as-of", "2026-11-02", expected_exit=None)


def found(edition: Any, patient: str, letter: str = "L") -> dict[str, tuple[int, str, str]]:
    """Category → (day, strength, status) at the main level."""
    rows = edition.table("complications")
    own = rows[(rows["case_id"] == f"harbour.{patient}.{letter}") & (rows["category"] != "any_complication")]
    main = own[own["level"].isin(["any", "persistent", "primary", "any_return"])]
    return {row.category: (row.day, row.strength, row.status) for row in main.itertuples()}


def asked(edition: Any, patient: str, letter: str = "L") -> list[tuple[str, str]]:
    rows = edition.csv("review")
    own = rows[rows["case_id"] == f"harbour.{patient}.{letter}"]
    return [(row.category, row.why) for row in own.itertuples()]


def test_a_letter_proposes_and_awaits(edition: Any) -> None:
    assert found(edition, "says") == {"stiffness": (130, "possible", "awaiting")}
    assert asked(edition, "says") == [("stiffness", "a letter says so")]


@pytest.mark.parametrize("patient", ["denies", "fears", "before"])
def test_what_is_denied_feared_or_past_is_nothing_and_asks_nobody(edition: Any, patient: str) -> None:
    assert found(edition, patient) == {}
    assert asked(edition, patient) == []


def test_an_unsure_letter_is_a_question_and_no_complication(edition: Any) -> None:
    assert found(edition, "unsure") == {}
    assert asked(edition, "unsure") == [("", "a letter is unsure: stiffness")]


def test_a_letter_and_an_unspecific_code_that_agree_count(edition: Any) -> None:
    assert found(edition, "agrees") == {"stiffness": (130, "probable", "counted")}
    assert asked(edition, "agrees") == []


def test_a_letter_before_the_first_day_is_too_soon(edition: Any) -> None:
    assert found(edition, "early") == {"stiffness": (20, "possible", "too_soon")}


def test_the_patients_word_awaits(edition: Any) -> None:
    assert found(edition, "told") == {"stiffness": (130, "possible", "awaiting")}


@pytest.mark.parametrize("patient", ["visit", "named"])
def test_notes_of_visits_are_read_too(edition: Any, patient: str) -> None:
    assert found(edition, patient) == {"stiffness": (130, "possible", "awaiting")}
    assert asked(edition, patient) == [("stiffness", "a letter says so")]


def test_a_note_that_is_not_understood_goes_to_people(edition: Any) -> None:
    assert asked(edition, "nobody") == [("", "a note without a code, not understood")]


def test_a_clot_in_the_other_leg_may_follow(edition: Any) -> None:
    assert found(edition, "calf") == {"thromboembolism": (9, "possible", "awaiting")}


def test_a_year_before_the_operation_is_history(edition: Any) -> None:
    assert found(edition, "old") == {}


def test_a_year_after_the_operation_is_not(edition: Any) -> None:
    assert found(edition, "since") == {"instability": (700, "possible", "awaiting")}


def test_another_part_of_the_body_is_not_this_case(edition: Any) -> None:
    assert found(edition, "finger") == {}


def test_a_sentence_copied_from_before_the_operation_says_nothing_new(edition: Any) -> None:
    assert found(edition, "copied") == {}


def test_a_letter_dates_what_counts_and_makes_no_second_event(edition: Any) -> None:
    """Its day is that of the earliest evidence, of whatever strength; what a letter alone tells repeats nothing."""
    assert found(edition, "again") == {"instability": (95, "probable", "counted")}
    rows = edition.table("complications")
    own = rows[(rows["case_id"] == "harbour.again.L") & (rows["level"] == "repeated")]
    assert "counted" not in set(own["status"])


def test_a_letter_about_the_other_side_goes_to_the_case_there(edition: Any) -> None:
    assert found(edition, "both") == {"infection": (510, "possible", "awaiting")}
    assert found(edition, "bothR", "R") == {"stiffness": (100, "possible", "awaiting")}
    assert found(edition, "other") == {}
    assert asked(edition, "other") == []


def test_a_visit_that_names_neither_side_asks_once_for_each_case(edition: Any) -> None:
    why = "a letter says so of one of several operations"
    assert ("infection", why) in asked(edition, "both")
    assert ("infection", why) in asked(edition, "bothR", "R")
    rates = edition.table("rates")
    row = rates[
        (rates["category"] == "infection") & (rates["stratum"] == "none") & (rates["procedure"] == "all")
    ]
    assert set(row["awaiting"]) == {0}, "day 510 is outside every window of infection"


def test_letters_are_listed_with_why_they_propose_nothing(edition: Any) -> None:
    rows = edition.table("letters").set_index("case_id")
    assert rows.loc["harbour.denies.L", "assertion"] == "absent"
    assert rows.loc["harbour.other.L", "why_not"] == "about the other side"
    assert rows.loc["harbour.finger.L", "why_not"] == "about another part of the body"
    assert rows.loc["harbour.old.L", "why_not"] in (
        "not said to be so",
        "dated to a year before the operation",
    )
