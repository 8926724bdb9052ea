"""A hospital that numbers its operations anew every year (`id_scope = "year"`): who is meant by a bare number.

The workspace is the one of the twelve courses with a second hospital of two patients and three operations, counted by
hand here.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

COURSES = Path(__file__).parent / "twelve_courses"
MAPPING = """contract = 1
[[table]]
table = "operations"
file = "ops.csv"
id_scope = "year"
[[table]]
table = "events"
file = "ev.csv"
"""
#: 7 of 2024 and 7 of 2025 are of two patients, 8 of 2024 and 8 of 2025 of one, 9 of 2025 was planned at 7.
OPERATIONS = """operation_id,patient_id,performed_on,procedure_code,side,age_years,sex,planned,planned_with,record_status
7,Q1,2024-01-10,KN-LIG,left,20,female,,,
7,Q2,2025-02-10,KN-LIG,left,21,male,,,
8,Q3,2024-03-01,KN-LIG,left,22,male,,,
8,Q3,2025-06-01,KN-LIG,right,23,male,,,
9,Q2,2025-05-01,KN-LIG,right,21,male,yes,7,
5,Q4,,,,,,,,withdrawn
"""
EVENTS = """event_id,patient_id,occurred_on,code,operation_id,side,joint,source
e1,Q1,2025-03-01,T81.41XA,7,left,patellofemoral,clinic
e2,Q2,2025-03-01,T81.41XA,7,left,patellofemoral,clinic
e3,Q3,2024-04-01,T81.41XA,8,left,patellofemoral,clinic
e4,Q3,2025-07-01,T81.41XA,8,right,patellofemoral,clinic
e5,Q3,2025-07-01,T81.41XA,7,right,patellofemoral,clinic
e6,Q1,2025-03-01,T81.41XA,99,left,patellofemoral,clinic
"""


@pytest.fixture(scope="module")
def edition(audit: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    workspace = tmp_path_factory.mktemp("again") / "audit"
    shutil.copytree(COURSES, workspace)
    with (workspace / "audit.toml").open("a", encoding="utf-8") as settings:
        settings.write('\n[sites.lakeside]\nname = "Lakeside"\nrequired = ["operations"]\n')
    for place, text in (
        ("mappings/lakeside.toml", MAPPING),
        ("received/lakeside/2026-11-02/ops.csv", OPERATIONS),
        ("received/lakeside/2026-11-02/ev.csv", EVENTS),
    ):
        path = workspace / place
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return audit(workspace, tmp_path_factory.mktemp("again_out"), expected_exit=None)


def test_the_year_goes_before_the_number(edition: Any) -> None:
    cases = edition.table("cases")["case_id"]
    assert sorted(case for case in cases if case.startswith("lakeside.")) == [
        "lakeside.2024-7.L",
        "lakeside.2024-8.L",
        "lakeside.2025-7.L",
        "lakeside.2025-8.R",
        "lakeside.2025-9.R",
    ]


def test_a_row_without_a_day_is_held_back(edition: Any) -> None:
    """Also one that takes a record back: without its day nobody knows which of the numbers is meant."""
    held = edition.csv("quarantine")
    held = held[(held["site"] == "lakeside") & (held["column"] == "performed_on")]
    assert held[["source_line", "rule"]].to_numpy().tolist() == [["7", "value_missing"]]


def test_a_bare_number_means_the_only_one_that_fits(edition: Any) -> None:
    """e1, e2, e3 fit one operation each; e4 fits both of its patient's; e5 is another patient's; e6 was never sent."""
    found = edition.csv("quarantine")
    found = found[(found["site"] == "lakeside") & (found["table"] == "events")]
    assert sorted(map(tuple, found[["record_id", "rule"]].to_numpy().tolist())) == [
        ("e4", "operation_unknown"),
        ("e5", "operation_of_another_patient"),
        ("e6", "operation_unknown"),
    ]


def test_a_plan_finds_its_first_operation(edition: Any) -> None:
    assert not len(edition.csv("quarantine").query("site == 'lakeside' and column == 'planned_with'"))


def test_the_log_says_how_the_id_was_made(edition: Any) -> None:
    made = edition.csv("repairs").query("site == 'lakeside' and rule == 'column_made'")
    assert made[["table", "column", "after"]].to_numpy().tolist() == [
        ["operations", "operation_id", "year of performed_on and -, before it"]
    ]


def test_shifted_dates_have_no_year_to_take(tmp_path: Path, limbaudit: Callable[..., Any]) -> None:
    workspace = tmp_path / "audit"
    shutil.copytree(COURSES, workspace)
    (workspace / "mappings").mkdir(exist_ok=True)
    (workspace / "mappings" / "harbour.toml").write_text(MAPPING, encoding="utf-8")
    settings = workspace / "audit.toml"
    told = settings.read_text("utf-8").replace(
        'sends = "changes"', 'sends = "changes"\ndates = "shifted"\ndata_until = 2026-10-31'
    )
    settings.write_text(told, encoding="utf-8")
    refused = limbaudit("check", workspace, "--out", tmp_path / "out")
    assert refused.exit_code == 2
    assert "`id_scope` needs the real year" in refused.said
