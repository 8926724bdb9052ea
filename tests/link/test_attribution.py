"""Which case a record belongs to: a link, the operation it names, then side, joint and day. First that applies."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from pipeline.handover import NOT_SENT, NOT_THEIRS

Link = Callable[..., Any]

TWO = [{}, {"day": 160, "procedure": "plate"}]  # two cases of one knee, two problems
BOTH_SIDES = [{"side": "bilateral"}]
NOTHING = {"side": -1, "joint": -1}


# ------------------------------------------------------------------------------------------ a reviewer's link


def test_a_link_comes_before_every_rule(link: Link, link_to: Any) -> None:
    answer = link(
        operations=[*TWO, {"side": "right"}],
        events=[{"operation": 1}, {"side": "right"}, {"joint": "ball"}, {}],
        links=[link_to("events", row, 0) for row in range(4)],
    )
    assert answer.records() == [(row, "0.L", 100) for row in range(4)]
    assert answer.waits() == answer.listed() == []


def test_a_link_settles_what_waited(link: Link, link_to: Any) -> None:
    facts = {"operations": BOTH_SIDES, "events": [{"side": -1}]}
    assert link(**facts).waits() == [(0, "side not given")]
    settled = link(**facts, links=[link_to("events", 0, 0, "right")])
    assert settled.records() == [(0, "0.R", 100)]
    assert settled.waits() == []


def test_a_link_may_say_that_a_record_belongs_to_none(link: Link, link_to: Any) -> None:
    answer = link(operations=TWO, events=[{}, {}], links=[link_to("events", 1)])
    assert [row for row, _, _ in answer.records()] == [0]
    assert [row for row, _ in answer.listed()] == [1]


def test_a_link_to_another_patients_case_is_not_used(link: Link, link_to: Any) -> None:
    answer = link(operations=[{}, {"patient": 2}], events=[{}], links=[link_to("events", 0, 1)])
    assert answer.records() == [(0, "0.L", 100)]


# ------------------------------------------------------------------------------------ the operation it names


def test_the_named_operation_comes_before_the_latest(link: Link) -> None:
    assert link(operations=TWO, events=[{"operation": 0}, {}]).records() == [(0, "0.L", 100), (1, "1.L", 40)]


def test_a_named_return_leads_to_its_case(link: Link) -> None:
    answer = link(operations=[{}, {"day": 110, "procedure": "file"}, {"day": 160, "procedure": "plate"}],
                  events=[{"operation": 1}])  # fmt: skip
    assert answer.records() == [(0, "0.L", 100)]


def test_what_a_record_leaves_out_does_not_disagree(link: Link) -> None:
    assert link(operations=TWO, events=[{"operation": 0, **NOTHING}]).records() == [(0, "0.L", 100)]


def test_a_named_operation_later_than_the_record_makes_it_a_baseline(link: Link) -> None:
    answer = link(operations=[{}], events=[{"operation": 0, "day": 90}])
    assert answer.records() == [(0, "0.L", -10)]
    assert answer.listed() == [(0, "before")]
    assert answer.waits() == []


@pytest.mark.parametrize(
    "change",
    [{"side": "right"}, {"joint": "ball"}, {"joint": -1, "bone": "pelvis"}, {"code_side": "right"}],
    ids=["side", "joint", "bone", "code"],
)
def test_a_disagreement_goes_to_review_and_to_no_later_rule(link: Link, change: dict[str, Any]) -> None:
    rows = [{}, {"procedure": "socket", "day": 110}, {"side": "right", "day": 120}]
    answer = link(operations=rows, events=[{"operation": 0, **change}])
    assert answer.records() == answer.listed() == []
    assert answer.waits() == [(0, "side or joint disagrees with the named operation")]
    assert {case for _, case, _ in answer.records(pending=True)} == {"0.L", "1.L", "2.R"}


def test_a_bilateral_operation_named_without_side_goes_to_review_once_a_side(link: Link) -> None:
    answer = link(
        operations=BOTH_SIDES, events=[{"operation": 0, "side": -1}, {"operation": 0, "side": "right"}]
    )
    assert answer.records() == [(1, "0.R", 100)]
    assert answer.waits() == [(0, "side not given")]
    assert answer.records(pending=True) == [(0, "0.L", 100), (0, "0.R", 100)]


@pytest.mark.parametrize(
    ("state", "why"),
    [(NOT_SENT, "named operation was not sent"), (NOT_THEIRS, "named operation is another patient's")],
)
def test_a_named_operation_that_is_not_there_goes_to_review(link: Link, state: int, why: str) -> None:
    answer = link(operations=TWO, events=[{"operation": state}])
    assert answer.waits() == [(0, why)]
    assert [case for _, case, _ in answer.records(pending=True)] == ["0.L", "1.L"]
    nobody = link(operations=[{}], events=[{"operation": state, "patient": 2}])
    assert nobody.listed() == [(0, "no_operation")]
    assert nobody.waits() == []


def test_a_named_operation_that_is_no_case_leaves_the_record_listed(link: Link) -> None:
    answer = link(operations=[{"procedure": -1}, {"day": 110}], events=[{"operation": 0}])
    assert answer.listed() == [(0, "no_operation")]


# --------------------------------------------------------------------------------- side, joint and day alone


def test_the_latest_operation_that_watches_the_joint(link: Link) -> None:
    rows = [{}, {"day": 160, "procedure": "plate"}, {"day": 170, "procedure": "socket"}]
    events = [{"day": 159}, {"day": 200}, {"joint": "ball"}, {"joint": "lid"}]
    assert link(operations=rows, events=events).records() == [
        (0, "0.L", 59), (1, "1.L", 40), (2, "2.L", 30), (3, "0.L", 100),
    ]  # fmt: skip


@pytest.mark.parametrize(
    "place",
    [{"joint": "hinge"}, {"bone": "upper"}, {"code_joint": "cap"}, {"bone": "upper", "code_joint": "ball"}],
)
def test_the_place_is_the_joint_else_the_bone_else_what_the_code_implies(
    link: Link, place: dict[str, str]
) -> None:
    assert link(operations=[{}], events=[{"joint": -1, **place}]).records() == [(0, "0.L", 100)]


def test_a_case_without_side_takes_records_of_any(link: Link) -> None:
    rows = [{"joint": "back", "side": side} for side in ("left", "right", -1, "none")]
    answer = link(operations=[{"procedure": "fuse"}], events=rows)
    assert [row for row, _, _ in answer.records()] == [0, 1, 2, 3]


@pytest.mark.parametrize(
    ("change", "why"), [({"side": -1}, "side not given"), ({"side": "none"}, "side not given"),
                        ({"joint": -1}, "joint not given")]
)  # fmt: skip
def test_an_unknown_side_or_joint_goes_to_review(link: Link, change: dict[str, Any], why: str) -> None:
    answer = link(operations=[{}, {"side": "right", "patient": 2}], events=[change])
    assert answer.waits() == [(0, why)]
    assert answer.records(pending=True) == [(0, "0.L", 100)]
    assert answer.records() == answer.listed() == []


@pytest.mark.parametrize(("gap", "waits"), [(30, True), (31, False)])
def test_two_candidates_at_most_thirty_days_apart_go_to_review(link: Link, gap: int, waits: bool) -> None:
    answer = link(operations=[{}, {"day": 100 + gap, "procedure": "plate"}], events=[{}])
    if waits:
        assert answer.waits() == [(0, "two operations at most 30 days apart")]
        assert [case for _, case, _ in answer.records(pending=True)] == ["0.L", "1.L"]
    else:
        assert answer.records() == [(0, "1.L", 100 - gap)]


@pytest.mark.parametrize(
    ("origin", "waits"), [("theatre", False), ("coded", True), ("letter", True), (-1, True)]
)
def test_an_event_on_the_day_of_the_operation_must_come_from_theatre(
    link: Link, origin: Any, waits: bool
) -> None:
    answer = link(operations=[{}], events=[{"day": 100, "origin": origin}])
    assert answer.waits() == ([(0, "on the day of the operation, not from theatre")] if waits else [])
    assert answer.records() == ([] if waits else [(0, "0.L", 0)])


def test_naming_the_operation_settles_the_day_of_the_operation(link: Link) -> None:
    """Only records that name no operation are asked where they come from."""
    assert link(operations=[{}], events=[{"day": 100, "operation": 0}]).records() == [(0, "0.L", 0)]


def test_readings_on_the_day_of_the_operation_belong_to_it(link: Link) -> None:
    assert link(operations=[{}], measurements=[{"day": 100}]).records("measurements") == [(0, "0.L", 0)]


def test_before_every_operation_of_joint_and_side_is_accepted_and_listed(link: Link) -> None:
    answer = link(operations=[{}, {"day": 300, "procedure": "plate"}], measurements=[{"day": 40}])
    assert answer.records("measurements") == [(0, "0.L", -60)]
    assert answer.listed("measurements") == [(0, "before")]


@pytest.mark.parametrize(
    ("change", "why"),
    [({"side": "right"}, "other_side"), ({"joint": "ball"}, "unwatched"), ({"patient": 2}, "no_operation"),
     ({"side": "right", "day": 50}, "other_side")],
)  # fmt: skip
def test_what_belongs_to_no_case_is_listed_with_the_reason(
    link: Link, change: dict[str, Any], why: str
) -> None:
    answer = link(operations=[{}], events=[change])
    assert answer.listed() == [(0, why)]
    assert answer.records() == answer.records(pending=True) == []


def test_every_record_is_somewhere_exactly_once(link: Link) -> None:
    events = [
        {"operation": operation, "side": side, "joint": joint, "day": day, "patient": patient}
        for operation in (-1, 0, NOT_SENT)
        for side in (-1, "left", "right", "bilateral")
        for joint in (-1, "cap", "ball")
        for day in (50, 100, 300)
        for patient in (1, 2)
        if operation != 0 or patient == 1
    ]
    answer = link(operations=[*TWO, {"side": "right", "day": 120}], events=events)
    records, listed = answer.found.records, answer.found.unattributed
    own = set(records.loc[~records["pending"] & (records["day"] >= 0), "row"])
    waiting, unattributed = set(records.loc[records["pending"], "row"]), set(listed["row"])
    assert own | waiting | unattributed == set(range(len(events)))
    assert not own & waiting
    assert not waiting & unattributed
    assert not own & unattributed
    assert not records[~records["pending"]].duplicated(["table", "row"]).any()
    assert records[records["first"]]["row"].is_unique


# ------------------------------------------------------------------------------------------------- contacts


def test_a_visit_that_names_nothing_is_a_contact_of_every_case(link: Link) -> None:
    answer = link(operations=TWO, followups=[NOTHING | {"day": 250}])
    assert answer.found.shared_visits[["row", "case"]].to_numpy().tolist() == [[0, 0], [0, 1]]
    assert answer.found.cases["contact_until"].tolist() == [150, 90]
    assert answer.records("followups") == answer.listed("followups") == answer.waits("followups") == []


def test_a_visit_that_states_an_instability_level_is_a_record_and_must_be_tied(link: Link) -> None:
    answer = link(operations=[{}], followups=[{**NOTHING, "instability_level": 3}])
    assert answer.waits("followups") == [(0, "side not given")]


def test_a_visit_that_names_an_operation_is_a_contact_of_its_case_only(link: Link) -> None:
    answer = link(operations=TWO, followups=[{"operation": 0, "day": 250}])
    assert answer.records("followups") == [(0, "0.L", 150)]
    # the operation of day 160 is another case and no contact of this one
    assert answer.found.cases["contact_until"].tolist() == [150, 0]


def test_a_visit_that_disagrees_with_its_operation_goes_to_review(link: Link) -> None:
    answer = link(operations=TWO, followups=[{"operation": 0, "side": "right", "day": 250}])
    assert answer.waits("followups") == [(0, "side or joint disagrees with the named operation")]
    assert answer.found.cases["contact_until"].tolist() == [0, 0]
