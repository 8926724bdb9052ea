"""One file that feeds one table twice, rows of a site nobody listed, and a record taken back by its id alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

WORKSPACE = Path(__file__).parent / "journeys" / "twelve_courses"
MAPPING = """
contract = 1
[[table]]
table = "measurements"
file = "motion.csv"
columns = { measurement_id = "id", patient_id = "pt", measured_on = "on", side = "side" }
unpivot = { column = "measure", value = "value", of = { "FLEX" = "flexion" } }
constants = { mode = "passive", unit = "deg", joint = "knee" }
[[table]]
table = "measurements"
file = "motion.csv"
columns = { measurement_id = "id", patient_id = "pt", measured_on = "on", side = "side" }
unpivot = { column = "measure", value = "value", of = { "SCORE" = "knee_score" } }
constants = { mode = "none", unit = "points", joint = "knee" }
"""


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    import shutil

    return Path(shutil.copytree(WORKSPACE, tmp_path / "ws"))


def put(place: Path, name: str, text: str) -> None:
    (place / name).parent.mkdir(parents=True, exist_ok=True)
    (place / name).write_text(text, encoding="utf-8")


def test_two_entries_of_one_table_are_one_line_of_the_ledger(
    workspace: Path, audit: Callable[..., Any], tmp_path: Path
) -> None:
    put(workspace, "mappings/harbour.toml", MAPPING)
    rows = "id,pt,on,side,FLEX,SCORE\n1,P01,2025-06-01,right,120,80\n2,P01,2025-07-01,right,,85\n"
    put(workspace, "received/harbour/2026-11-03/motion.csv", rows)
    ledger = audit(workspace, tmp_path / "out").csv("ledger")
    line = ledger[ledger["source_file"] == "received/harbour/2026-11-03/motion.csv"]
    counted = line[["table", "rows_read", "accepted", "not_selected"]].to_numpy().tolist()
    assert counted == [["measurements", "4", "3", "1"]]


def test_an_id_and_withdrawn_is_enough_to_take_a_record_back(
    workspace: Path, audit: Callable[..., Any], tmp_path: Path
) -> None:
    header = "operation_id,patient_id,performed_on,procedure_code,side,age_years,sex,record_status"
    put(workspace, "received/harbour/2026-11-03/operations.csv", f"{header}\nH11,,,,,,,withdrawn\n")
    cases = audit(workspace, tmp_path / "out").table("cases")
    assert len(cases) == 12
    assert "H11" not in set(cases["operation_id"])


def test_a_window_only_the_catalogue_names_is_refused(
    workspace: Path, limbaudit: Callable[..., Any], tmp_path: Path
) -> None:
    catalogue = workspace / "catalogue.toml"
    catalogue.write_text(
        catalogue.read_text("utf-8") + "\n[complications.stiffness]\nwindows = [31]\n", "utf-8"
    )
    finished = limbaudit("run", workspace, "--out", tmp_path / "out")
    assert finished.exit_code == 2
    assert "[complications.stiffness] names the window 31" in finished.said
