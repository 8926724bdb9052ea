"""How long a case was observed: contacts, what ends its records, death. Operated on day 100."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from pipeline.handover import NEVER

Link = Callable[..., Any]


def seen(answer: Any) -> tuple[int, int, int]:
    """Contact, end of records and death of the only case."""
    case = answer.found.cases.iloc[0]
    return int(case["contact_until"]), int(case["records_until"]), int(case["died"])


def test_nothing_sent_afterwards(link: Link) -> None:
    assert seen(link(operations=[{}], known_until=1000)) == (0, 900, int(NEVER))


@pytest.mark.parametrize(
    ("status", "contact"),
    [
        ("seen", 60),
        ("remote", 60),
        ("did_not_attend", 0),
        ("declined", 0),
        ("withdrawn", 0),
        ("moved", 0),
        ("died", 0),
    ],
)
def test_which_follow_ups_are_contacts(link: Link, status: str, contact: int) -> None:
    answer = link(operations=[{}], followups=[{"operation": 0, "day": 160, "status": status}])
    assert answer.found.cases["contact_until"].tolist() == [contact]


@pytest.mark.parametrize(
    ("origin", "contact"),
    [("coded", 60), ("theatre", 60), ("letter", 60), ("clinic", 60), ("radiology", 60), ("patient", 0),
     ("external", 0)],
)  # fmt: skip
def test_an_event_seen_here_is_a_contact(link: Link, origin: str, contact: int) -> None:
    answer = link(operations=[{}], events=[{"day": 160, "origin": origin}])
    assert answer.found.cases["contact_until"].tolist() == [contact]


def test_readings_and_operations_are_contacts(link: Link) -> None:
    assert seen(link(operations=[{}], measurements=[{"day": 150}]))[0] == 50
    assert seen(link(operations=[{}, {"procedure": "file", "day": 170}]))[0] == 70


def test_what_waits_or_lies_before_is_no_contact(link: Link) -> None:
    answer = link(operations=[{}], events=[{"side": -1}], measurements=[{"day": 90}], followups=[{"day": 50}])
    assert answer.found.cases["contact_until"].tolist() == [0]


def test_the_last_contact_counts(link: Link) -> None:
    visits = [{"operation": 0, "day": day} for day in (400, 130, 250)]
    assert seen(link(operations=[{}], followups=visits))[0] == 300


@pytest.mark.parametrize("status", ["declined", "withdrawn", "moved"])
def test_records_end_where_the_patient_leaves(link: Link, status: str) -> None:
    left = {"operation": 0, "day": 180, "status": status}
    assert seen(link(operations=[{}], followups=[left]))[1] == 80
    later = {"operation": 0, "day": 220}
    assert seen(link(operations=[{}], followups=[left, later]))[:2] == (120, 120)
    nowhere = {"day": 180, "status": status, "side": -1}
    assert seen(link(operations=[{}], followups=[nowhere]))[1] == 80


def test_records_end_where_the_patient_moves_away(link: Link) -> None:
    assert seen(link(operations=[{}], patients=[{"moved": 170}]))[1] == 70
    assert seen(link(operations=[{}], patients=[{"moved": 170, "patient": 2}], known_until=1000))[1] == 900


def test_records_never_reach_beyond_what_the_site_sent(link: Link) -> None:
    late = {"operation": 0, "day": 150, "status": "moved"}
    assert seen(link(operations=[{}], followups=[late], known_until=120))[1] == 20


def test_moving_away_before_the_operation_ends_nothing(link: Link) -> None:
    assert seen(link(operations=[{}], patients=[{"moved": 50}], known_until=1000))[1] == 900


@pytest.mark.parametrize(
    ("facts", "died"),
    [
        ({"patients": [{"died": 300}]}, 200),
        ({"followups": [{"day": 280, "status": "died", "side": -1}]}, 180),
        ({"patients": [{"died": 300}], "followups": [{"operation": 0, "day": 280, "status": "died"}]}, 180),
        ({"patients": [{"died": 100}]}, 0),
        ({"patients": [{"died": 300, "patient": 2}]}, int(NEVER)),
    ],
    ids=["stated", "contact", "the earlier", "on the table", "somebody else"],
)
def test_the_day_of_death(link: Link, facts: dict[str, Any], died: int) -> None:
    assert seen(link(operations=[{}], **facts))[2] == died


def test_death_ends_every_case_of_the_patient(link: Link) -> None:
    answer = link(
        operations=[{"side": "bilateral"}, {"day": 160, "procedure": "plate"}], patients=[{"died": 300}]
    )
    assert answer.case_ids() == ["0.L", "0.R", "1.L"]
    assert answer.found.cases["died"].tolist() == [200, 200, 140]
