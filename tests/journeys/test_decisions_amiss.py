"""What is amiss with decisions is said, and what it does to the count: small courses by hand, one patient each.

Day 0 is 2024-01-10; surgeon S1 did the first operation, S2 the return, S9 nothing. T84.50XA (infection of a joint
prosthesis) is a specific code of the catalogue, so the infection of day 30 counts until somebody refutes it.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

RECEIPT = "2026-11-02"
CATALOGUE = '[procedures.ligament_reconstruction]\ncodes.local = ["LIG"]\n[procedures.implant_removal]\ncodes.local = ["OUT"]\n'
CASE = "harbour.a.L"


def on(day: int) -> str:
    return (date(2024, 1, 10) + timedelta(day)).isoformat()


OPERATIONS = f"""operation_id,patient_id,performed_on,procedure_code,side,surgeon_id,age_years,sex,anaesthesia
a,p,{on(0)},LIG,left,S1,20,female,general
b,p,{on(200)},OUT,left,S2,20,female,general
"""
INFECTION = f"event_id,patient_id,occurred_on,code,side,joint\ne,p,{on(30)},T84.50XA,left,knee\n"
DECISIONS = "case_id,category,counts,reviewer,decided_on,occurred_on\n"


@pytest.fixture
def course(tmp_path: Path, audit: Callable[..., Any]) -> Callable[..., Any]:
    """`course("row of decisions", …)` → the edition."""

    def run(*rows: str) -> Any:
        place = tmp_path / "ws"
        receipt = place / "received" / "harbour" / RECEIPT
        receipt.mkdir(parents=True)
        (place / "decisions").mkdir()
        (place / "audit.toml").write_text('contract = 1\n[sites.harbour]\nsends = "changes"\n', "utf-8")
        (place / "catalogue.toml").write_text(CATALOGUE, "utf-8")
        (receipt / "operations.csv").write_text(OPERATIONS, "utf-8")
        (receipt / "events.csv").write_text(INFECTION, "utf-8")
        (place / "decisions" / "d.csv").write_text(DECISIONS + "".join(f"{row}\n" for row in rows), "utf-8")
        return audit(place, tmp_path / "out", "--period", "2026-10", expected_exit=None)

    return run


def said(edition: Any) -> list[tuple[str, str, str]]:
    found = edition.csv("quarantine")
    found = found[found["table"] == "decisions"]
    return list(zip(found["rule"], found["column"], found["source_line"], strict=True))


def status(edition: Any, category: str = "infection") -> str:
    rows = edition.table("complications")
    return str(rows.loc[(rows["case_id"] == CASE) & (rows["category"] == category), "status"].iloc[0])


@pytest.mark.parametrize("reviewer", ["S1", "harbour/S1", "s1", "S2", "HARBOUR/s2"])
def test_nobody_decides_on_an_own_case(course: Callable[..., Any], reviewer: str) -> None:
    """S1 did the first operation, S2 the later one: a no of either leaves the coded infection counted."""
    done = course(f"{CASE},infection,no,{reviewer},{RECEIPT},")
    assert said(done) == [("decision_on_own_case", "reviewer", "2")]
    assert status(done) == "counted"


@pytest.mark.parametrize("reviewer", ["S9", "hill/S1", "r1"])
def test_somebody_else_does(course: Callable[..., Any], reviewer: str) -> None:
    done = course(f"{CASE},infection,no,{reviewer},{RECEIPT},")
    assert said(done) == []
    assert status(done) == "refuted"


def test_an_own_decision_is_no_second_opinion(course: Callable[..., Any]) -> None:
    """Of three who decide one is the surgeon: the other two differ, so it stays open."""
    rows = [
        f"{CASE},infection,{word},{who},{RECEIPT},"
        for word, who in (("yes", "r1"), ("no", "r2"), ("no", "S1"))
    ]
    assert status(course(*rows)) == "awaiting"


@pytest.mark.parametrize(
    ("decided", "occurred", "rules"),
    [
        (on(-1), "", ["decision_dated_early"]),  # before the operation
        (on(29), "", ["decision_dated_early"]),  # before the infection's code of day 30
        (on(30), "", []),
        (on(40), on(41), ["decision_dated_early"]),  # before the day it states itself
        (on(40), on(-1), ["decision_before_operation"]),
    ],
    ids=[
        "before the operation",
        "before the evidence",
        "on its day",
        "before its own day",
        "day before the operation",
    ],
)
def test_a_decision_lies_after_what_it_is_about(
    course: Callable[..., Any], decided: str, occurred: str, rules: list[str]
) -> None:
    done = course(f"{CASE},infection,no,r1,{decided},{occurred}")
    assert [rule for rule, _, _ in said(done)] == rules
    assert status(done) == "refuted", "it is used all the same"


def test_a_complication_after_the_cut_waits_for_its_edition(course: Callable[..., Any]) -> None:
    done = course(f"{CASE},stiffness,yes,r1,{RECEIPT},2026-11-01")
    assert said(done) == [("decision_after_the_cut", "occurred_on", "2")]
    assert "stiffness" not in set(done.table("complications")["category"])


def test_yes_and_no_on_one_day_count_for_nothing(course: Callable[..., Any]) -> None:
    done = course(f"{CASE},infection,yes,r1,{RECEIPT},", f"{CASE},infection,no,r1,{RECEIPT},")
    assert said(done) == [("decision_contradicts", "counts", "3")]
    assert status(done) == "counted", "as the code says"
