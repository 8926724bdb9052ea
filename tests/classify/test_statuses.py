"""Status: the first that applies of decision, there before, too soon, described, cannot occur, strength."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from pipeline.handover import STATUSES

Classify = Callable[..., Any]
GERM = ("germ", "any")
SPECIFIC, UNSPECIFIC = {"category": "germ"}, {"category": "germ", "specific": 0}
NO = {"counts": False}
CRACKED = {"category": "crack", "bone": "upper"}


def decided(*words: bool) -> list[dict[str, Any]]:
    """One decision each of as many reviewers."""
    return [
        {"counts": word, "reviewer": number, "decided": 950 + number} for number, word in enumerate(words)
    ]


def status(found: Any, category: str, level: str = "any") -> str:
    return str(found.rows()[(category, level)][0])


def test_a_yes_confirms_what_awaited(classify: Classify) -> None:
    found = classify(events=[UNSPECIFIC], decisions=[{}])
    assert found.rows() == {GERM: ("counted", "confirmed", 40)}
    assert found.any_of() == [("counted", 40)]


def test_a_no_refutes_even_what_is_definite(classify: Classify) -> None:
    found = classify(later=[{"procedures": ("clean",)}], decisions=[NO])
    assert status(found, *GERM) == "refuted"
    assert status(found, "return", "every") == "counted"


def test_a_yes_without_evidence_makes_the_row(classify: Classify) -> None:
    assert classify(decisions=[{}]).rows() == {GERM: ("counted", "confirmed", -1)}
    assert classify(decisions=[{"occurred": 160}]).rows() == {GERM: ("counted", "confirmed", 60)}


def test_a_no_without_evidence_says_so(classify: Classify) -> None:
    assert status(classify(decisions=[NO]), *GERM) == "refuted"


def test_the_reviewers_day_comes_before_that_of_the_evidence(classify: Classify) -> None:
    assert classify(events=[SPECIFIC], decisions=[{"occurred": 105}]).rows()[GERM][2] == 5
    assert classify(events=[SPECIFIC], decisions=[{}]).rows()[GERM][2] == 40


def test_a_decision_makes_the_main_level_only(classify: Classify) -> None:
    found = classify(readings=[{"day": 100}], decisions=[{"category": "tight"}]).rows()
    assert found[("tight", "lasting")] == ("counted", "confirmed", 100)
    assert set(found) == {("tight", "lasting"), ("tight", "once")}


def test_a_decision_is_about_its_case_and_category_only(classify: Classify) -> None:
    found = classify(
        events=[UNSPECIFIC, {**UNSPECIFIC, "case": 1}], decisions=[{"case": 1}], cases=("sew", "sew")
    )
    assert found.rows(0)[GERM][0] == "awaiting"
    assert found.rows(1)[GERM][0] == "counted"


@pytest.mark.parametrize(
    ("words", "verdict", "expected"),
    [
        ((True,), "yes", "counted"),
        ((False,), "no", "refuted"),
        ((True, True), "yes", "counted"),
        ((True, False), "split", "awaiting"),
        ((False, True), "split", "awaiting"),
        ((True, False, True), "yes", "counted"),
        ((True, False, False), "no", "refuted"),
        ((True, True, False, False), "split", "awaiting"),
    ],
    ids=str,
)
def test_reviewers_who_differ_are_split_until_a_third(
    classify: Classify, words: tuple[bool, ...], verdict: str, expected: str
) -> None:
    found = classify(events=[SPECIFIC], decisions=decided(*words))
    assert found.verdicts()[(0, "germ")][0] == verdict
    assert status(found, *GERM) == expected


def test_a_split_without_evidence_awaits(classify: Classify) -> None:
    assert status(classify(decisions=decided(True, False)), *GERM) == "awaiting"


def test_the_day_is_the_last_stated_by_those_who_decided(classify: Classify) -> None:
    first, second, third = decided(True, False, True)
    found = classify(decisions=[{**first, "occurred": 130}, {**second, "occurred": 190}, third])
    assert found.verdicts() == {(0, "germ"): ("yes", 30)}


@pytest.mark.parametrize(("day", "expected"), [(89, "too_soon"), (90, "counted")])
def test_too_soon_ends_on_the_first_day(classify: Classify, day: int, expected: str) -> None:
    assert status(classify(events=[{"category": "tight", "day": day}]), "tight", "lasting") == expected
    assert status(classify(readings=[{"day": day}]), "tight", "once") == expected


def test_evidence_in_its_days_outweighs_what_came_too_soon(classify: Classify) -> None:
    found = classify(readings=[{"day": 30}, {"day": 200}]).rows()
    assert found[("tight", "once")] == ("counted", "definite", 200)


def test_there_before_the_operation_is_apart(classify: Classify) -> None:
    before, after = {"day": -10, "value": 100.0}, {"day": 200}
    assert status(classify(readings=[before, after]), "tight", "lasting") == "pre_existing"
    assert status(classify(readings=[{**before, "value": 130.0}, after]), "tight", "lasting") == "counted"
    assert status(classify(readings=[before, {"day": 30}]), "tight", "once") == "pre_existing", (
        "before too soon"
    )


def test_described_is_never_counted(classify: Classify) -> None:
    found = classify(events=[{"instability_level": 4}])
    assert status(found, "slip", "shy") == "described"
    assert found.any_of() == []


def test_without_a_hole_it_cannot_occur_and_counts_as_something_else(classify: Classify) -> None:
    for case, bone in (("wrap", "upper"), ("sew", "lower")):
        found = classify(events=[{**CRACKED, "bone": bone}], cases=(case,))
        assert found.rows() == {("crack", "any"): ("cannot_occur", "probable", 40), ("rest", "any"): (
            "counted", "probable", 40,
        )}  # fmt: skip
    assert status(classify(events=[CRACKED]), "crack") == "counted"


def test_a_break_elsewhere_counts_as_something_else(classify: Classify) -> None:
    found = classify(events=[{**CRACKED, "through": "no"}]).rows()
    assert found == {("rest", "any"): ("counted", "probable", 40)}


def test_at_another_joint_it_cannot_occur(classify: Classify) -> None:
    found = classify(events=[{"category": "slip"}], cases=("socket",))
    assert status(found, "slip", "primary") == "cannot_occur"
    assert found.any_of() == []


def test_too_soon_comes_before_cannot_occur(classify: Classify) -> None:
    assert status(classify(events=[{"category": "late", "day": 10}]), "late") == "too_soon"


def test_described_comes_before_cannot_occur(classify: Classify) -> None:
    assert (
        status(classify(events=[{"instability_level": 4}], cases=("socket",)), "slip", "shy") == "described"
    )


@pytest.mark.parametrize(
    ("facts", "category", "level", "without"),
    [
        ({"readings": [{"day": -10}, {"day": 200}]}, "tight", "lasting", "pre_existing"),
        ({"readings": [{"day": 30}]}, "tight", "once", "too_soon"),
        ({"events": [CRACKED], "cases": ("wrap",)}, "crack", "any", "cannot_occur"),
    ],
    ids=["there before", "too soon", "cannot occur"],
)
@pytest.mark.parametrize(
    ("words", "expected"), [((True,), "counted"), ((False,), "refuted"), ((True, False), "awaiting")]
)
def test_a_decision_comes_first(
    classify: Classify,
    facts: dict[str, Any],
    category: str,
    level: str,
    without: str,
    words: Any,
    expected: str,
) -> None:
    assert status(classify(**facts), category, level) == without
    said = [{**row, "category": category} for row in decided(*words)]
    assert status(classify(**facts, decisions=said), category, level) == expected


def test_the_statuses_are_those_of_the_contract() -> None:
    assert set(STATUSES) == {
        "counted", "refuted", "awaiting", "pre_existing", "too_soon", "described", "cannot_occur",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("day", "also"), [(20, [20]), (40, []), (60, [])], ids=["earlier", "the same day", "later"]
)
def test_a_record_that_waits_would_date_the_complication_earlier(
    classify: Classify, day: int, also: list[int]
) -> None:
    """Windows that end between the two days have the case in what awaits."""
    waits = {**SPECIFIC, "day": day, "pending": True}
    answer = classify(events=[SPECIFIC, waits])
    assert answer.rows()[GERM] == ("counted", "probable", 40)
    assert answer.found.also["day"].tolist() == also
    decided = classify(events=[SPECIFIC, waits], decisions=[{}])
    assert decided.found.also.empty


@pytest.mark.parametrize(("day", "status_there"), [(80, "cannot_occur"), (200, "counted")])
def test_a_hole_made_at_a_later_operation_is_a_hole(classify: Classify, day: int, status_there: str) -> None:
    broken = {"category": "crack", "bone": "upper", "day": day}
    found = classify(events=[broken], later=[{"procedures": ("sew",), "day": 150}], cases=("wrap",))
    assert status(found, "crack", "any") == status_there
