"""`flow` adds up: each step begins where the last one ended, from rows received to the cases that are analysed."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.journeys.course_exports import RECEIPT, write_workspace
from tests.journeys.course_tables import courses

HERE = Path(__file__).parent
CATALOGUE = """
[procedures.ligament_reconstruction]
codes.local = ["LIG"]
[procedures.tubercle_transfer]
codes.local = ["TUB"]
[procedures.implant_removal]
codes.local = ["OUT"]
[procedures.refixation]
codes.local = ["FIX"]
"""
SETTINGS = 'contract = 1\ncount_from = "2024-01-01"\n[sites.quay]\nsends = "changes"\n'
HEADER = (
    "operation_id,patient_id,performed_on,procedure_code,side,age_years,sex,status,anaesthesia,planned,planned_with,"
    "planned_on,concomitant_codes,record_status\n"
)
#: One line each; what becomes of it.
ROWS = """
a,p1,2024-02-01,LIG,left,20,female,performed,general,,,,,
a2,p1,2024-02-01,TUB,left,20,female,performed,general,,,,,
b,p2,2024-02-01,LIG,bilateral,20,female,performed,general,,,,,
b2,p2,2024-06-01,OUT,bilateral,20,female,performed,general,,,,,
c,p3,2024-02-01,TUB,left,20,female,performed,general,,,,LIG,
d,p4,2023-02-01,LIG,left,20,female,performed,general,,,,,
d2,p4,2024-02-01,OUT,left,20,female,performed,general,,,,,
e,p5,2024-02-01,FIX,left,20,female,performed,general,,,,,
f,p6,2024-02-01,LIG,left,20,female,booked,general,,,,,
g,p7,2024-02-01,XXX,left,20,female,performed,general,,,,,
h,p8,2024-02-01,TUB,left,20,female,performed,general,,,,,
h2,p8,2024-05-01,OUT,left,20,female,performed,general,yes,h,2024-02-01,,
h3,p8,2024-06-01,OUT,left,20,female,performed,general,yes,h,2024-03-01,,
h4,p8,2024-07-01,OUT,left,20,female,performed,local,,,,,
h5,p8,2024-08-01,OUT,none,20,female,performed,general,,,,,
h6,p8,2024-09-01,OUT,right,20,female,performed,general,,,,,
h7,p8,2024-01-15,OUT,left,20,female,performed,general,,,,,
i,p9,2024-02-01,LIG,sinister,20,female,performed,general,,,,,
j,p10,2024-02-01,LIG,left,20,female,performed,general,,,,,withdrawn
k,p11,2026-11-01,LIG,left,20,female,performed,general,,,,,
l,p12,2024-02-01,LIG,left,20,female,performed,general,,,,,
"""
AGAIN = """
a,p1,2024-02-01,LIG,left,20,female,performed,general,,,,,
l,p12,2024-02-02,LIG,left,20,female,performed,general,,,,,
"""


def adds_up(edition: Any) -> None:
    """Every chain begins at nothing, has no gap, and ends with the cases of the case list."""
    flow = edition.table("flow")
    assert (flow["before"] + flow["added"] - flow["removed"] == flow["after"]).all()
    assert (flow[["before", "added", "removed", "after"]] >= 0).all(axis=None)
    cases = edition.table("cases").groupby(["site", "procedure"]).size().to_dict()
    for (site, procedure), chain in flow.groupby(["site", "procedure"]):
        assert chain["before"].tolist() == [0, *chain["after"].tolist()[:-1]]
        assert chain["step"].iloc[-1] == "index cases"
        own = [n for key, n in cases.items() if key[0] == site and procedure in ("all", key[1])]
        assert chain["after"].iloc[-1] == sum(own)
    every = flow[flow["step"] == "index cases"].set_index(["site", "procedure"])["after"]
    assert {key: n for key, n in every.items() if n and key[1] != "all"} == cases


@pytest.mark.parametrize("name", ["twelve_courses", "sixty_cases"])
def test_flow_of_workspaces_counted_by_hand(audit: Callable[..., Any], tmp_path: Path, name: str) -> None:
    shutil.copytree(HERE / name, tmp_path / name)
    adds_up(audit(tmp_path / name, tmp_path / "out", expected_exit=None))


def test_flow_of_the_courses(audit: Callable[..., Any], tmp_path: Path) -> None:
    write_workspace(tmp_path / "quay", courses((HERE / "courses.md").read_text("utf-8")))
    adds_up(audit(tmp_path / "quay", tmp_path / "out", "--as-of", RECEIPT, expected_exit=None))


def test_flow_of_the_demo(audit: Callable[..., Any], tmp_path: Path) -> None:
    shutil.copytree(HERE.parents[1] / "sample_exports", tmp_path / "demo")
    adds_up(audit(tmp_path / "demo", tmp_path / "out", expected_exit=None))


@pytest.fixture(scope="module")
def awkward(audit: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    place = tmp_path_factory.mktemp("awkward")
    for day, rows in (("2026-11-01", ROWS), ("2026-11-02", AGAIN)):
        folder = place / "ws" / "received" / "quay" / day
        folder.mkdir(parents=True)
        (folder / "operations.csv").write_text(HEADER + rows.lstrip(), encoding="utf-8")
        for name in ("events", "followups"):
            (folder / f"{name}.csv").write_text(EMPTY[name], encoding="utf-8")
    (place / "ws" / "audit.toml").write_text(SETTINGS, encoding="utf-8")
    (place / "ws" / "catalogue.toml").write_text(CATALOGUE, encoding="utf-8")
    return audit(place / "ws", place / "out", "--period", "2026-10", expected_exit=None)


EMPTY = {
    "events": "event_id,patient_id,occurred_on,code\n",
    "followups": "followup_id,patient_id,seen_on,status\n",
}


def test_awkward_rows_add_up(awkward: Any) -> None:
    adds_up(awkward)


@pytest.mark.parametrize(
    ("step", "number"),
    [
        ("held back", 1),  # i
        ("older versions", 1),  # l of the first receipt
        ("sent again unchanged", 1),  # a of the second
        ("withdrawn", 1),  # j
        ("after the cut", 1),  # k
        ("booked, cancelled or abandoned", 1),  # f
        ("code not in the catalogue", 1),  # g
        ("further rows of the same sitting", 2),  # a2, and c, which the listed code names
        ("unplanned returns to theatre", 3),  # b2 on both sides, d2
        ("planned stages and removals", 1),  # h2
        ("planned only later, to be reviewed", 1),  # h3
        ("later operations without sedation", 1),  # h4
        ("awaiting a link", 1),  # h5, whose side is not given
        ("received from elsewhere", 1),  # e
        ("without a case of ours", 2),  # h6 on the other side, h7 before
        ("before the first date counted", 1),  # d
    ],
)
def test_each_awkward_row_is_in_its_step(awkward: Any, step: str, number: int) -> None:
    flow = awkward.table("flow")
    told = flow[(flow["procedure"] == "all") & (flow["step"] == step)]
    assert told["removed"].tolist() == [number]


def test_a_listed_code_that_names_the_sitting_moves_it(awkward: Any) -> None:
    flow = awkward.table("flow").set_index(["procedure", "step"])
    cases = flow["after"][flow.index.get_level_values("step") == "index cases"]
    assert cases.to_dict() == {
        ("all", "index cases"): 6, ("ligament_reconstruction", "index cases"): 5, ("tubercle_transfer", "index cases"): 1,
        ("implant_removal", "index cases"): 0, ("refixation", "index cases"): 0,
    }  # fmt: skip
