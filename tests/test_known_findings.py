"""Known findings and unusable files of decisions, through the command line."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

COURSES = Path(__file__).parent / "journeys" / "twelve_courses"
HEAD = "site,rule,record_id,until,reason,by\n"


def put(workspace: Path, name: str, content: str | bytes) -> None:
    path = workspace / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    """The twelve courses with one row held back: an operation without a side."""
    place = tmp_path / "audit"
    shutil.copytree(COURSES, place)
    operations = next((place / "received").rglob("operations.csv"))
    header, first, *others = operations.read_text("utf-8").splitlines(keepends=True)
    at = header.strip().split(",").index("side")
    cells = first.split(",")
    cells[at] = ""
    cells[0] = "X99"
    operations.write_text("".join([header, first, *others, ",".join(cells)]), "utf-8")
    return place


def test_a_known_finding_is_counted_and_no_longer_new(
    workspace: Path, audit: Callable[..., Any], tmp_path: Path
) -> None:
    before = audit(workspace, tmp_path / "before", expected_exit=None)
    put(
        workspace,
        "known_findings/ours.csv",
        HEAD + "harbour,value_missing,X99,2027-01-31,told to Mr Peter Lynch,r1\n",
    )
    after = audit(workspace, tmp_path / "after", expected_exit=None)
    held = after.csv("quarantine").query("rule == 'value_missing'")
    assert held[["record_id", "column", "new"]].values.tolist() == [["X99", "side", "no"]]
    assert before.csv("quarantine").query("rule == 'value_missing'")["new"].tolist() == ["yes"]
    assert after.finished.exit_code == before.finished.exit_code
    for name in ("ledger", "quality", "quarantined/operations"):
        assert after.csv(name).equals(before.csv(name))
    assert "value_missing" in before.csv("for_the_sender/harbour")["rule"].tolist()
    assert "value_missing" not in after.csv("for_the_sender/harbour")["rule"].tolist()
    manifest = json.loads((after.department / "manifest.json").read_text("utf-8"))
    assert manifest["known_findings"] == {"value_missing": 1}
    assert "known_findings/ours.csv" in {source["path"] for source in manifest["inputs"]}
    page = (after.department / "report" / "quality.html").read_text("utf-8")
    assert "told to [masked] (r1, until 2027-01-31)" in page
    assert not [path for path in after.edition.rglob("*") if path.is_file() and b"Lynch" in path.read_bytes()]


@pytest.mark.parametrize("command", ["check", "run"])
def test_a_file_of_decisions_that_cannot_be_used_is_loud(
    workspace: Path, limbaudit: Callable[..., Any], tmp_path: Path, command: str
) -> None:
    put(workspace, "decisions/r9/november.xlsx", b"PK")
    done = limbaudit(command, workspace, "--out", tmp_path / "out")
    assert done.exit_code == 1
    assert "decisions/r9/november.xlsx is not used: it is no CSV file. Save it as CSV UTF-8" in done.said
