"""How strongly each kind of evidence proves, and what the strength makes of it: the table of the definitions, row by row."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from pipeline.handover import PENDING, RIGHT
from pipeline.settings import Settings

Classify = Callable[..., Any]
COUNTED_40, AWAITING_40 = ("counted", "probable", 40), ("awaiting", "possible", 40)
SPECIFIC, UNSPECIFIC = {"category": "germ"}, {"category": "germ", "specific": 0}
HEARD = {**UNSPECIFIC, "origin": "patient"}
GERM, CRACK = ("germ", "any"), ("crack", "any")


def test_an_unplanned_return_proves_itself_and_what_its_procedure_implies(classify: Classify) -> None:
    found = classify(later=[{"procedures": ("clean",)}]).rows()
    assert found[("return", "every")] == ("counted", "definite", 40)
    assert found[GERM] == ("counted", "definite", 40)
    assert set(found) == {("return", "every"), GERM}


@pytest.mark.parametrize("role", ["planned", "no_return"])
def test_planned_operations_and_those_without_sedation_are_no_return(classify: Classify, role: str) -> None:
    assert ("return", "every") not in classify(later=[{"procedures": ("clean",), "role": role}]).rows()
    assert GERM not in classify(later=[{"procedures": ("clean",), "role": role}]).rows()


def test_planned_only_later_awaits_review(classify: Classify) -> None:
    found = classify(later=[{"role": "planned_late"}]).rows()
    assert found[("return", "every")] == AWAITING_40


def test_the_repair_redone_is_a_level_of_the_return(classify: Classify) -> None:
    redone = ("return", "redone")
    assert redone not in classify(later=[{"procedures": ("loosen",)}]).rows()
    assert classify(later=[{"procedures": ("redo",)}]).rows()[redone] == ("counted", "definite", 40)
    assert classify(later=[{"procedures": ("sew",), "is_index": True}]).rows()[redone][0] == "counted"


def test_a_specific_code_is_probable(classify: Classify) -> None:
    assert classify(events=[SPECIFIC]).rows() == {GERM: COUNTED_40}


def test_an_unspecific_code_is_possible_and_awaits(classify: Classify) -> None:
    assert classify(events=[UNSPECIFIC]).rows() == {GERM: AWAITING_40}


@pytest.mark.parametrize(("said", "row"), [("yes", COUNTED_40), ("unsure", AWAITING_40)])
def test_whether_it_broke_through_what_was_made(
    classify: Classify, said: str, row: tuple[str, str, int]
) -> None:
    assert classify(events=[{"through": said, "bone": "upper"}]).rows() == {CRACK: row}


def test_an_unspecific_code_of_the_bone_is_possible_until_someone_says_through(classify: Classify) -> None:
    code = {"category": "crack", "specific": 0, "bone": "upper"}
    assert classify(events=[code]).rows() == {CRACK: AWAITING_40}
    assert classify(events=[{**code, "through": "yes"}]).rows() == {CRACK: COUNTED_40}


@pytest.mark.parametrize("record", ["events", "followups"])
@pytest.mark.parametrize(
    ("level", "levels"),
    [(1, {"primary", "strict"}), (2, {"primary"}), (3, {"primary"}), (4, {"shy"}), (5, set())],
)
def test_a_stated_level_is_probable(classify: Classify, record: str, level: int, levels: set[str]) -> None:
    found = classify(**{record: [{"instability_level": level}]}).rows()
    assert set(found) == {("slip", name) for name in levels}
    assert {row[1] for row in found.values()} <= {"probable"}
    assert all(row[0] == ("described" if name == "shy" else "counted") for (_, name), row in found.items())


def test_a_passive_reading_beyond_the_threshold_is_definite(classify: Classify) -> None:
    found = classify(readings=[{"value": 119.5}]).rows()
    definite = ("counted", "definite", 200)
    assert found == {("tight", "lasting"): definite, ("tight", "once"): definite}


@pytest.mark.parametrize(
    "reading",
    [{"value": 120.0}, {"mode": "active"}, {"joint": "ball"}, {"measure": "lag", "value": 5.0}],
    ids=["at the threshold", "active", "another joint", "at the other threshold"],
)
def test_other_readings_prove_nothing(classify: Classify, reading: dict[str, Any]) -> None:
    assert classify(readings=[reading]).rows() == {}


def test_a_limit_above_and_the_second_threshold(classify: Classify) -> None:
    assert ("tight", "lasting") in classify(readings=[{"measure": "lag", "value": 5.5}]).rows()
    assert ("tight", "severe") in classify(readings=[{"value": 99.0}]).rows()
    assert ("tight", "severe") not in classify(readings=[{"value": 100.0}]).rows()


def test_the_patients_word_is_possible_whatever_it_says(classify: Classify) -> None:
    assert classify(events=[{**SPECIFIC, "origin": "patient"}]).rows() == {GERM: AWAITING_40}
    found = classify(events=[{"instability_level": 1, "origin": "patient"}]).rows()
    assert set(found.values()) == {AWAITING_40}


def test_what_a_document_from_elsewhere_says_counts(classify: Classify) -> None:
    assert classify(events=[{**SPECIFIC, "origin": "external"}]).rows() == {GERM: COUNTED_40}


def test_a_record_that_waits_for_a_link_awaits_at_its_first_case_only(classify: Classify, why: Any) -> None:
    waiting = {**SPECIFIC, "pending": True, "why": why("side not given")}
    # one record with two candidate cases: the second row is the same record
    found = classify(events=[waiting, {**waiting, "case": 1, "first": False}], cases=("sew", "sew"))
    assert found.rows(0)[GERM][0] == "awaiting"
    assert found.rows(1) == {}


def test_a_record_with_a_case_is_not_weakened_by_one_that_waits(classify: Classify) -> None:
    assert classify(events=[SPECIFIC, {**SPECIFIC, "day": 20, "pending": True}]).rows() == {GERM: COUNTED_40}


@pytest.mark.parametrize(
    ("second", "row"),
    [
        (HEARD | {"day": 45}, ("counted", "probable", 40)),
        (HEARD | {"day": 130}, ("counted", "probable", 40)),
        (HEARD | {"day": 131}, AWAITING_40),
        (UNSPECIFIC | {"day": 45}, AWAITING_40),
    ],
    ids=["two kinds", "90 days apart", "91 days apart", "one kind twice"],
)
def test_two_kinds_of_possible_that_agree_are_probable(classify: Classify, second: Any, row: Any) -> None:
    """They must speak of one event: within the days in which a repeat is the same event (90)."""
    assert classify(events=[UNSPECIFIC, second]).rows() == {GERM: row}


def test_the_day_is_that_of_the_earliest_evidence_of_whatever_strength(classify: Classify) -> None:
    found = classify(events=[{**UNSPECIFIC, "day": 12}, SPECIFIC]).rows()
    assert found == {GERM: ("counted", "probable", 12)}


def test_a_department_may_demand_more(classify: Classify) -> None:
    strict = Settings(counted=("definite",))
    assert classify(events=[SPECIFIC], settings=strict).rows() == {GERM: ("awaiting", "probable", 40)}


def test_a_later_encounter_repeats_the_first(classify: Classify) -> None:
    again = {**SPECIFIC, "day": 80, "subsequent": 1}
    assert classify(events=[SPECIFIC, again]).rows() == {GERM: COUNTED_40}


def test_a_later_encounter_without_a_first_is_possible_on_an_unknown_day(classify: Classify) -> None:
    assert classify(events=[{**SPECIFIC, "subsequent": 1}]).rows() == {GERM: ("awaiting", "possible", -1)}


def test_what_speaks_before_the_operation_proves_nothing(classify: Classify) -> None:
    assert classify(events=[{**SPECIFIC, "day": -5}]).rows() == {}


def test_death_is_its_own_evidence_and_no_member_of_any(classify: Classify) -> None:
    found = classify(died=70)
    assert found.rows() == {("gone", "any"): ("counted", "definite", 70)}
    assert found.any_of() == []


def test_any_complication_is_the_earliest_counted(classify: Classify) -> None:
    found = classify(events=[SPECIFIC, {**UNSPECIFIC, "category": "rest", "day": 10}], later=[{"day": 300}])
    assert found.any_of() == [("counted", 40), ("awaiting", 10)]


def test_a_note_without_a_code_is_to_be_read(classify: Classify) -> None:
    found = classify(events=[{"noted": True}, {**SPECIFIC, "noted": True}, {"noted": True, "day": -1}, {}])
    assert found.found.unread["row"].tolist() == [0]


def test_a_later_encounter_of_what_was_before_the_operation_is_no_complication(classify: Classify) -> None:
    before = {**SPECIFIC, "day": -30, "case": 1}
    assert classify(events=[before, {**SPECIFIC, "subsequent": 1}], cases=("sew", "sew")).rows() == {}


def test_a_later_encounter_of_the_other_side_repeats_nothing(classify: Classify) -> None:
    right = {**SPECIFIC, "day": -30, "case": 1, "side": RIGHT}
    found = classify(events=[right, {**SPECIFIC, "subsequent": 1}], cases=("sew", "sew"))
    assert found.rows() == {GERM: ("awaiting", "possible", -1)}


@pytest.mark.parametrize("why", ["side not given", "side or joint disagrees with the named operation"])
def test_what_waits_for_its_side_is_only_possible(classify: Classify, why: str) -> None:
    waits = {**SPECIFIC, "pending": True, "why": PENDING.index(why)}
    assert classify(events=[waits]).rows() == {GERM: ("awaiting", "possible", 40)}
