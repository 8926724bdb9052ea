"""Records that only people can place, and what people said: small courses by hand, one patient each.

Expectations follow the rules of attribution in docs/definitions.md; days count from the operation of 2024-01-10.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

DAY_0 = date(2024, 1, 10)
RECEIPT = "2026-11-02"
CATALOGUE = """
[procedures.unexplained]
joint = "patellofemoral"
index = true
codes.local = ["UNEX"]
[procedures.ligament_reconstruction]
codes.local = ["LIG"]
[procedures.shoulder_stabilisation]
codes.local = ["STAB"]
[procedures.implant_removal]
codes.local = ["OUT"]
"""
SETTINGS = 'contract = 1\n[sites.harbour]\nsends = "changes"\n'
HEADERS = {
    "operations": "operation_id,patient_id,performed_on,procedure_code,side,age_years,sex,anaesthesia,planned,planned_with",
    "events": "event_id,patient_id,occurred_on,code,side,joint,operation_id,instability_level",
    "followups": "followup_id,patient_id,seen_on,status,side,joint,operation_id,instability_level",
    "links": "site_id,table,record_id,case_id,reviewer,decided_on,reason",
    "merges": "site_id,patient_id,same_as,decided_on,undone_on,by",
    "decisions": "case_id,category,counts,reviewer,decided_on,occurred_on",
}
INFECTED = "T84.50XA"
RIGHT_KNEECAP_OUT, LEFT_KNEECAP_OUT = "S83.004A", "S83.005A"  # the codes' descriptions name the side


def on(day: int) -> str:
    return (DAY_0 + timedelta(day)).isoformat()


@pytest.fixture
def course(tmp_path: Path, audit: Callable[..., Any]) -> Callable[..., Any]:
    """`course(operations=[…], events=[…], …)` → the edition; rows are the cells of HEADERS, joined by commas."""

    def run(**tables: list[str]) -> Any:
        place = tmp_path / "ws"
        (place / "received" / "harbour" / RECEIPT).mkdir(parents=True)
        (place / "audit.toml").write_text(SETTINGS, encoding="utf-8")
        (place / "catalogue.toml").write_text(CATALOGUE, encoding="utf-8")
        for name, header in HEADERS.items():
            exported = name in ("operations", "events", "followups")
            folder = place / "received" / "harbour" / RECEIPT if exported else place / name
            folder.mkdir(exist_ok=True)
            rows = "\n".join([header, *tables.get(name, [])]) + "\n"
            (folder / f"{name}.csv").write_text(rows, encoding="utf-8")
        return audit(place, tmp_path / "out", "--as-of", RECEIPT, expected_exit=None)

    return run


def operation(
    record: str, day: int = 0, code: str = "LIG", side: str = "left", more: str = "general,,"
) -> str:
    return f"{record},p,{on(day)},{code},{side},20,female,{more}"


def main_rows(edition: Any, case: str) -> dict[str, str]:
    """Category → status, of the main levels this file is about."""
    rows = edition.table("complications")
    rows = rows[(rows["case_id"] == case) & rows["level"].isin(["any", "any_return", "primary"])]
    return {row.category: row.status for row in rows.itertuples() if row.category != "any_complication"}


def reviewed(edition: Any) -> set[tuple[str, str]]:
    rows = edition.csv("review")
    return {(row.case_id, row.why) for row in rows.itertuples()}


def rules(edition: Any) -> set[str]:
    return set(edition.csv("quarantine")["rule"])


def test_a_return_between_a_knee_and_a_shoulder_waits_for_people(course: Callable[..., Any]) -> None:
    done = course(operations=[operation("a"), operation("b", 10, "STAB"), operation("c", 200, "OUT")])
    assert main_rows(done, "harbour.a.L") == {"revision": "awaiting", "hardware_problem": "awaiting"}
    assert main_rows(done, "harbour.b.L") == {}
    assert {("harbour.a.L", "joint not given"), ("harbour.b.L", "joint not given")} <= reviewed(done)


def test_a_reviewers_link_settles_a_return(course: Callable[..., Any]) -> None:
    done = course(
        operations=[operation("a"), operation("b", 10, "STAB"), operation("c", 200, "OUT")],
        links=[f"harbour,operations,c,harbour.a.L,r1,{RECEIPT},seen in theatre"],
    )
    assert main_rows(done, "harbour.a.L") == {"revision": "counted", "hardware_problem": "counted"}
    assert main_rows(done, "harbour.b.L") == {}


def test_a_link_to_none_takes_a_return_away(course: Callable[..., Any]) -> None:
    done = course(
        operations=[operation("a"), operation("c", 200, "OUT")],
        links=[f"harbour,operations,c,none,r1,{RECEIPT},another patient"],
    )
    assert main_rows(done, "harbour.a.L") == {}
    assert list(done.csv("unattributed")["record_id"]) == ["c"]


@pytest.mark.parametrize(
    ("later", "why"),
    [
        (operation("c", 100, "OUT", "none"), "side not given"),
        (operation("c", 100, "OUT", more="general,yes,nowhere"), "named operation was not sent"),
    ],
    ids=["no side", "planned with an operation nobody sent"],
)
def test_a_return_that_is_not_clear_awaits(course: Callable[..., Any], later: str, why: str) -> None:
    done = course(operations=[operation("a"), later])
    assert main_rows(done, "harbour.a.L") == {"revision": "awaiting", "hardware_problem": "awaiting"}
    assert ("harbour.a.L", why) in reviewed(done)


@pytest.mark.parametrize(
    "event",
    [
        f"{on(50)},{RIGHT_KNEECAP_OUT},left,knee,,",
        f"{on(50)},{RIGHT_KNEECAP_OUT},,,a,",
        f"{on(50)},{LEFT_KNEECAP_OUT},right,knee,,",
    ],
)
def test_a_code_of_the_other_side_is_an_alert_and_counts_nothing(
    course: Callable[..., Any], event: str
) -> None:
    done = course(operations=[operation("a")], events=[f"e,p,{event}"])
    assert main_rows(done, "harbour.a.L") == {"instability": "awaiting"}
    assert ("harbour.a.L", "side or joint disagrees with the named operation") in reviewed(done)
    assert "side_conflict" in rules(done)


def test_death_and_moving_away_are_the_patients_not_the_knees(course: Callable[..., Any]) -> None:
    done = course(
        operations=[operation("a", side="bilateral")],
        followups=[f"f,p,{on(50)},moved,left,knee,,", f"g,p,{on(100)},died,left,knee,a,"],
    )
    cases = done.table("cases").set_index("case_id")
    assert cases["died"].to_dict() == {"harbour.a.L": 100, "harbour.a.R": 100}
    assert cases["records_until"].to_dict() == {"harbour.a.L": 50, "harbour.a.R": 50}


@pytest.mark.parametrize(("undone", "known"), [("", True), (RECEIPT, False), ("2026-11-03", True)])
def test_an_undone_merge_is_undone(course: Callable[..., Any], undone: str, known: bool) -> None:
    done = course(
        operations=[operation("a")],
        events=[f"e,other,{on(20)},{INFECTED},left,knee,,"],
        merges=[f"harbour,other,p,2026-10-01,{undone},office"],
    )
    assert main_rows(done, "harbour.a.L") == ({"infection": "counted"} if known else {})


def test_one_event_without_a_side_is_no_repeated_instability(course: Callable[..., Any]) -> None:
    done = course(operations=[operation("a")], events=[f"e,p,{on(50)},,,knee,,3"])
    rows = done.table("complications")
    assert set(rows.loc[rows["category"] == "instability", "level"]) == {"primary"}


def test_a_visit_that_names_nothing_is_a_contact_even_with_a_finding(course: Callable[..., Any]) -> None:
    done = course(operations=[operation("a")], followups=[f"f,p,{on(120)},seen,,,,1"])
    assert list(done.table("cases")["contact_until"]) == [120]
    assert main_rows(done, "harbour.a.L") == {"instability": "awaiting"}


def test_what_people_said_amiss_is_a_finding(course: Callable[..., Any]) -> None:
    other = operation("b").replace("b,p,", "b,q,")
    done = course(
        operations=[operation("a"), other],
        events=[f"e,p,{on(30)},{INFECTED},left,knee,,"],
        links=[f"harbour,events,e,harbour.b.L,r1,{RECEIPT},mistaken"],
        decisions=[f"harbour.b.L,infection,yes,r1,{RECEIPT},{on(-5)}"],
    )
    assert main_rows(done, "harbour.a.L") == {"infection": "counted"}
    assert {"link_to_another_patient", "decision_before_operation"} <= rules(done)


def test_events_without_any_operation_are_listed(course: Callable[..., Any]) -> None:
    done = course(events=[f"e,p,{on(30)},{INFECTED},left,knee,,"], followups=[f"f,p,{on(30)},seen,,,,"])
    assert set(done.csv("unattributed")["why"]) == {"no_operation"}


@pytest.mark.parametrize(("first", "then"), [("LIG", "UNEX"), ("UNEX", "LIG")])
def test_an_operation_perhaps_for_another_problem_waits_for_people(
    course: Callable[..., Any], first: str, then: str
) -> None:
    done = course(operations=[operation("a", code=first), operation("b", 200, then)])
    assert done.table("cases")["case_id"].tolist() == ["harbour.a.L"]
    assert main_rows(done, "harbour.a.L") == {"revision": "awaiting"}
    assert ("harbour.a.L", "perhaps for another problem") in reviewed(done)


def test_the_same_operation_again_is_for_the_same_problem(course: Callable[..., Any]) -> None:
    done = course(operations=[operation("a", code="UNEX"), operation("b", 200, "UNEX")])
    assert main_rows(done, "harbour.a.L") == {"revision": "counted"}


@pytest.mark.parametrize(
    ("case", "cases", "rows"),
    [
        ("harbour.b.L", ["harbour.a.L", "harbour.b.L"], {}),
        ("harbour.a.L", ["harbour.a.L"], {"revision": "counted"}),
        ("none", ["harbour.a.L"], {}),
    ],
    ids=["a case of its own", "a return", "neither"],
)
def test_a_link_says_whether_it_is_a_new_case(
    course: Callable[..., Any], case: str, cases: list[str], rows: dict[str, str]
) -> None:
    done = course(
        operations=[operation("a"), operation("b", 200, "UNEX")],
        links=[f"harbour,operations,b,{case},r1,{RECEIPT},asked the surgeon"],
    )
    assert done.table("cases")["case_id"].tolist() == cases
    assert main_rows(done, "harbour.a.L") == rows
    assert "link_unknown_record" not in rules(done)


def test_a_link_of_an_operation_nobody_audits_is_a_finding(course: Callable[..., Any]) -> None:
    done = course(
        operations=[operation("a"), operation("b", 200, "NEVERHEARD")],
        links=[f"harbour,operations,b,harbour.a.L,r1,{RECEIPT},its return"],
    )
    assert main_rows(done, "harbour.a.L") == {}
    assert "link_without_effect" in rules(done)
