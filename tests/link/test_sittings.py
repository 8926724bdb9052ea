"""Which operation is a case, and what a later one is to it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from pipeline.handover import ROLES
from pipeline.settings import Settings

Link = Callable[..., Any]


def roles(answer: Any) -> list[tuple[str, str, int]]:
    """(case id, role, day of the case) of later operations."""
    chain, ids = answer.found.chain, answer.case_ids()
    return [(ids[c], ROLES[r], d) for c, r, d in zip(chain["case"], chain["role"], chain["day"], strict=True)]


def test_the_first_index_operation_is_a_case(link: Link) -> None:
    answer = link(operations=[{}])
    assert answer.case_ids() == ["0.L"]
    assert answer.found.cases[["performed", "procedure", "group"]].to_numpy().tolist() == [[100, 0, 0]]
    assert len(answer.found.chain) == 0


def test_a_bilateral_operation_is_two_cases(link: Link) -> None:
    answer = link(operations=[{"side": "bilateral"}])
    assert answer.case_ids() == ["0.L", "0.R"]
    assert answer.found.cases["patient"].nunique() == 1


@pytest.mark.parametrize("status", ["booked", "cancelled", "abandoned"])
def test_what_was_not_done_is_no_operation(link: Link, status: str) -> None:
    assert link(operations=[{"status": status}]).case_ids() == []


def test_an_operation_without_sides_is_one_case_whatever_was_written(link: Link) -> None:
    for side in ("left", "bilateral", "none"):
        assert link(operations=[{"procedure": "fuse", "side": side}]).case_ids() == ["0.N"]


def test_one_sitting_is_one_case_named_by_precedence(link: Link) -> None:
    answer = link(operations=[{"procedure": "plate"}, {"procedure": "sew"}])
    assert answer.case_ids() == ["1.L"]


def test_both_compared_procedures_at_one_sitting_are_a_group_of_their_own(link: Link) -> None:
    cases = link(operations=[{"procedure": "shift"}, {"procedure": "sew"}]).found.cases
    assert cases[["procedure", "group"]].to_numpy().tolist() == [[0, 7]]  # after the seven procedures
    by_listed = link(operations=[{"procedure": "shift"}], listed=[(0, "sew")]).found.cases
    assert by_listed["group"].tolist() == [7]


def test_two_sides_on_one_day_are_two_sittings(link: Link) -> None:
    assert link(operations=[{}, {"side": "right"}]).case_ids() == ["0.L", "1.R"]


def test_two_joints_on_one_day_are_two_cases(link: Link) -> None:
    assert link(operations=[{}, {"procedure": "socket"}]).case_ids() == ["0.L", "1.L"]


@pytest.mark.parametrize("procedure", ["sew", "shift", "file", "rinse"])
def test_a_later_operation_for_the_problem_or_its_treatment_is_a_return(link: Link, procedure: str) -> None:
    answer = link(operations=[{}, {"day": 130, "procedure": procedure}])
    assert answer.case_ids() == ["0.L"]
    assert roles(answer) == [("0.L", "return", 30)]


def test_a_later_operation_for_another_problem_is_a_case(link: Link) -> None:
    answer = link(operations=[{}, {"day": 130, "procedure": "plate"}])
    assert answer.case_ids() == ["0.L", "1.L"]
    assert roles(answer) == []


def test_the_other_side_is_another_case(link: Link) -> None:
    assert link(operations=[{}, {"day": 130, "side": "right"}]).case_ids() == ["0.L", "1.R"]


def test_a_return_for_another_problem_goes_to_that_problems_case(link: Link) -> None:
    """Sewn, later plated (a new case), later sewn again: that is the first case's."""
    answer = link(operations=[{}, {"day": 200, "procedure": "plate"}, {"day": 300, "procedure": "shift"}])
    assert roles(answer) == [("0.L", "return", 200)]


def test_a_treatment_follows_the_latest_operation_that_watches_its_joint(link: Link) -> None:
    answer = link(operations=[{}, {"day": 200, "procedure": "plate"}, {"day": 300, "procedure": "file"}])
    assert roles(answer) == [("1.L", "return", 100)]


def test_returns_of_returns_belong_to_the_first_operation(link: Link) -> None:
    rows = [
        {},
        {"day": 110, "procedure": "file"},
        {"day": 120, "procedure": "rinse"},
        {"day": 130, "procedure": "sew"},
    ]
    assert roles(link(operations=rows)) == [
        ("0.L", "return", 10),
        ("0.L", "return", 20),
        ("0.L", "return", 30),
    ]


PLANNED = {"day": 130, "procedure": "file", "planned": 1, "planned_with": 0}


@pytest.mark.parametrize(
    ("change", "role"),
    [
        ({"planned_on": 100}, "planned"),
        ({"planned_on": 90}, "planned"),
        ({}, "planned"),
        ({"planned_on": 101}, "planned_late"),
        ({"planned": 0}, "return"),
        ({"planned": -1}, "return"),
    ],
    ids=["on the day", "before", "day unknown", "after the fact", "not planned", "not said"],
)
def test_what_was_planned(link: Link, change: dict[str, int], role: str) -> None:
    assert roles(link(operations=[{}, {**PLANNED, **change}])) == [("0.L", role, 30)]


def test_a_planned_stage_of_an_index_procedure_opens_no_case(link: Link) -> None:
    stage = {**PLANNED, "procedure": "plate", "planned_on": 100}
    answer = link(operations=[{}, stage])
    assert answer.case_ids() == ["0.L"]
    assert roles(answer) == [("0.L", "planned", 30)]


@pytest.mark.parametrize(
    ("anaesthesia", "role"),
    [("general", "return"), ("regional", "return"), ("sedation", "return"), (-1, "return"), ("local", "no_return"),
     ("none", "no_return")],
)  # fmt: skip
def test_a_return_needs_anaesthesia_or_sedation(link: Link, anaesthesia: str | int, role: str) -> None:
    answer = link(operations=[{}, {"day": 130, "procedure": "file", "anaesthesia": anaesthesia}])
    assert roles(answer) == [("0.L", role, 30)]


def test_a_treatment_of_an_operation_done_elsewhere_is_listed_only(link: Link) -> None:
    answer = link(operations=[{"procedure": "file"}, {"procedure": "rinse", "patient": 2}])
    assert answer.case_ids() == []
    assert answer.listed("operations") == [(0, "elsewhere"), (1, "elsewhere")]


def test_a_treatment_before_the_case_is_none_of_its_returns(link: Link) -> None:
    answer = link(operations=[{"procedure": "file", "day": 50}, {"day": 100}])
    assert answer.case_ids() == ["1.L"]
    assert roles(answer) == []
    assert answer.listed("operations") == [(0, "before")]


def test_isolated_means_no_further_code_of_the_list(link: Link) -> None:
    def isolated(**facts: Any) -> list[bool]:
        return link(**facts).found.cases["isolated"].tolist()

    assert isolated(operations=[{}]) == [True]
    assert isolated(operations=[{}], listed=[(0, "file")]) == [False]
    assert isolated(operations=[{}, {"procedure": "file"}]) == [False]
    assert isolated(operations=[{}], listed=[(0, "rinse")]) == [True]
    assert isolated(operations=[{}, {"procedure": "file", "day": 101}]) == [True]
    assert isolated(operations=[{}, {"procedure": "file", "side": "right"}]) == [True]


def test_cases_before_the_first_date_counted_still_own_their_returns(link: Link) -> None:
    begins = Settings(count_from=date(1970, 1, 1) + timedelta(101))
    answer = link(begins, operations=[{}, {"day": 130}])
    assert answer.found.cases["counted"].tolist() == [False]
    assert roles(answer) == [("0.L", "return", 30)]
    assert link(Settings(count_from=date(1970, 1, 1) + timedelta(100)), operations=[{}]).found.cases[
        "counted"
    ].tolist() == [True]


def test_every_step_from_rows_to_cases_is_counted(link: Link) -> None:
    rows = [
        {"side": "bilateral"},
        {"status": "booked"},
        {"procedure": -1},
        {"procedure": "file"},
        {"procedure": "file", "day": 130},
        {"patient": 2, "procedure": "file"},
    ]
    flow = link(operations=rows).found.flow.groupby("order")["count"].sum().to_dict()
    assert flow == {
        10: 6, 11: 1, 12: 1, 20: 4, 21: 1, 22: 1, 30: 4, 31: 1, 35: 1, 40: 2,
    }  # fmt: skip


def test_holes_of_the_whole_sitting(link: Link) -> None:
    answer = link(
        operations=[{"procedure": "plate"}, {"procedure": "sew"}, {"procedure": "socket", "patient": 2}]
    )
    places = list(answer.found.sitting_holes.sum(axis=0))
    assert answer.found.sitting_holes.any(axis=1).tolist() == [True, False]
    assert sum(places) == 1
