"""Links and decisions name a case; the last word of each stands."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from pipeline.handover import LEFT, NO_DAY, NOT_NAMED, RECORD_TABLES, RIGHT, Resolved

Resolve = Callable[..., Resolved]
OPERATIONS = [{"operation_id": "o1"}, {"operation_id": "o.2"}]
EVENTS = [{"event_id": "e1"}, {"event_id": "e2"}]
EARLIER, LATER = date(2026, 11, 2), date(2026, 11, 3)


@pytest.fixture
def links(resolve: Resolve) -> Callable[..., Resolved]:
    def build(*rows: dict[str, Any]) -> Resolved:
        place = {"table": "events", "record_id": "e1"}
        return resolve(operations=OPERATIONS, events=EVENTS, links=[{**place, **row} for row in rows])

    return build


@pytest.fixture
def decisions(resolve: Resolve) -> Callable[..., Resolved]:
    def build(*rows: dict[str, Any]) -> Resolved:
        place = {"case_id": "harbour.o1.L", "category": "crack", "counts": True}
        return resolve(operations=OPERATIONS, decisions=[{**place, **row} for row in rows])

    return build


def test_a_link_ties_a_record_to_a_case(links: Callable[..., Resolved]) -> None:
    found = links({"case_id": "harbour.o1.R", "record_id": "e2"}).facts.links
    row = found.iloc[0]
    assert (row["table"], row["record"]) == (RECORD_TABLES.index("events"), 1)
    # operations in the order of their ids: `o.2`, `o1`
    assert (row["operation"], row["side"]) == (1, RIGHT)


def test_an_operation_id_may_hold_dots(links: Callable[..., Resolved]) -> None:
    row = links({"case_id": "harbour.o.2.L"}).facts.links.iloc[0]
    assert (row["operation"], row["side"]) == (0, LEFT)


def test_a_link_may_say_none(links: Callable[..., Resolved]) -> None:
    assert links({"case_id": "none"}).facts.links["operation"].tolist() == [NOT_NAMED]


def test_the_last_link_of_a_record_stands(links: Callable[..., Resolved]) -> None:
    first, last = {"case_id": "none", "decided_on": LATER}, {"case_id": "harbour.o1.L", "decided_on": EARLIER}
    found = links(first, last, {"case_id": "harbour.o1.L", "record_id": "e2"}).facts.links
    assert found["operation"].tolist() == [NOT_NAMED, 1]
    assert found["position"].tolist() == [0, 2]


@pytest.mark.parametrize(
    "row",
    [
        {"case_id": "harbour.o9.L"},
        {"case_id": "harbour.o1"},
        {"case_id": "harbour.o1.X"},
        {"case_id": "meadow.o1.L"},
        {"case_id": "harbour.o1.L", "record_id": "e9"},
        {"case_id": "harbour.o1.L", "site_id": "meadow"},
    ],
    ids=["operation", "no side", "side", "site of the case", "record", "site of the record"],
)
def test_a_link_to_something_unknown_is_said_and_not_used(
    links: Callable[..., Resolved], row: dict[str, Any]
) -> None:
    found = links(row)
    assert len(found.facts.links) == 0
    assert found.findings["rule"].tolist() == ["link_unknown_record"]
    assert found.findings["source_line"].tolist() == [2]


def test_a_decision_names_a_case_and_category(decisions: Callable[..., Resolved]) -> None:
    row = decisions({"occurred_on": date(1970, 1, 4)}).facts.decisions.iloc[0]
    assert row[["operation", "side", "category", "counts", "occurred"]].tolist() == [1, LEFT, 0, 1, 3]
    assert decisions({}).facts.decisions["occurred"].tolist() == [int(NO_DAY)]


def test_the_last_decision_of_each_reviewer_stands(decisions: Callable[..., Resolved]) -> None:
    found = decisions(
        {"reviewer": "r1", "decided_on": LATER, "counts": False},
        {"reviewer": "r1", "decided_on": EARLIER},
        {"reviewer": "r2", "decided_on": EARLIER},
    ).facts.decisions
    assert found[["counts", "position"]].to_numpy().tolist() == [[0, 0], [1, 2]]


def test_yes_and_no_on_one_day_leave_none_of_the_two(decisions: Callable[..., Resolved]) -> None:
    """Which came last cannot be told, and an earlier word of the same reviewer no longer holds either."""
    found = decisions(
        {"counts": True, "decided_on": EARLIER},
        {"counts": True, "decided_on": LATER},
        {"counts": False, "decided_on": LATER},
        {"counts": False, "reviewer": "r2", "decided_on": EARLIER},
    )
    assert found.facts.decisions["position"].tolist() == [3]
    said = found.findings.iloc[0]
    assert (said["rule"], said["column"], said["source_line"]) == ("decision_contradicts", "counts", 4)
    assert "line 3 of the same day says otherwise" in said["message"]
    assert len(found.findings) == 1


def test_a_later_day_settles_a_contradiction(decisions: Callable[..., Resolved]) -> None:
    found = decisions(
        {"counts": True, "decided_on": EARLIER},
        {"counts": False, "decided_on": EARLIER},
        {"counts": False, "decided_on": LATER},
    )
    assert found.facts.decisions["counts"].tolist() == [0]
    assert len(found.findings) == 0


def test_the_same_answer_twice_on_one_day_is_one_answer(decisions: Callable[..., Resolved]) -> None:
    found = decisions({"occurred_on": None}, {"occurred_on": date(2026, 3, 1)})
    assert found.facts.decisions["position"].tolist() == [1]
    assert len(found.findings) == 0


def test_the_first_answer_is_kept_beside_the_last(decisions: Callable[..., Resolved]) -> None:
    found = decisions(
        {"counts": True, "decided_on": EARLIER}, {"counts": False, "decided_on": LATER}
    ).facts.decisions.iloc[0]
    days = [(day - date(1970, 1, 1)).days for day in (EARLIER, LATER)]
    assert found[["first", "began", "counts", "decided"]].tolist() == [1, days[0], 0, days[1]]


def test_capitals_make_no_other_reviewer(decisions: Callable[..., Resolved]) -> None:
    found = decisions(
        {"reviewer": "R1", "decided_on": EARLIER}, {"reviewer": "r1", "decided_on": LATER, "counts": False}
    ).facts
    assert (found.reviewers, found.decisions["counts"].tolist()) == (("r1",), [0])


def test_a_letter_without_a_complication_names_no_category(decisions: Callable[..., Resolved]) -> None:
    read = {"category": None, "counts": False, "asked": "letter"}
    found = decisions({**read, "evidence": "a.csv:2"}, {**read, "evidence": "a.csv:3"}).facts.decisions
    assert found["category"].tolist() == [-1, -1]
    assert found["position"].tolist() == [0, 1]


def test_a_complication_after_the_cut_is_for_a_later_edition(decisions: Callable[..., Resolved]) -> None:
    found = decisions({"occurred_on": date(2026, 11, 1)})
    assert len(found.facts.decisions) == 0
    assert found.findings[["rule", "column"]].to_numpy().tolist() == [
        ["decision_after_the_cut", "occurred_on"]
    ]
    assert len(decisions({"occurred_on": date(2026, 10, 31)}).facts.decisions) == 1, "the cut itself counts"


def test_two_cases_for_one_record_on_one_day_tie_it_to_none(links: Callable[..., Resolved]) -> None:
    first, second = {"case_id": "harbour.o1.R"}, {"case_id": "harbour.o1.L"}
    found = links(first, second)
    assert len(found.facts.links) == 0
    assert found.findings[["rule", "source_line"]].to_numpy().tolist() == [["link_contradicts", 3]]
    assert len(links(first, {**second, "decided_on": LATER}).facts.links) == 1


@pytest.mark.parametrize(
    ("row", "rule", "column"),
    [
        ({"case_id": "harbour.o9.L"}, "decision_unknown_case", "case_id"),
        ({"case_id": "o1"}, "decision_unknown_case", "case_id"),
        ({"category": "cracks"}, "decision_unknown_category", "category"),
    ],
)
def test_a_decision_on_something_unknown_is_said_and_not_used(
    decisions: Callable[..., Resolved], row: dict[str, Any], rule: str, column: str
) -> None:
    found = decisions(row)
    assert len(found.facts.decisions) == 0
    assert found.findings[["rule", "column"]].to_numpy().tolist() == [[rule, column]]
