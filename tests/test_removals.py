"""Patients left out on request: nothing of them is kept, every row is accounted for, nothing else moves.

The workspace of the twelve courses; course 3 (P03: stiffness and a manipulation) is to be left out from 2026-11-10 on. To
be found everywhere a row may go, P03 has also a visit that is held back, one row too many cells, a decision and a link.
"""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from pipeline.editions import current_edition

COURSES = Path(__file__).parent / "journeys" / "twelve_courses"
RECEIPT = "received/harbour/2026-11-02"
L = "ligament_reconstruction"
#: Nothing else in the workspace holds these.
THEIRS = ("P03", "H03", "M03", "F03", "P-99", "F-99", "P03-torn")
REQUEST = "site_id,patient_id,received_on,kind\nharbour,P03,2026-11-10,erasure\n"
Limbaudit = Callable[..., Any]


def add(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a", encoding="utf-8") as file:
        file.write(text)


def prepared(place: Path) -> Path:
    shutil.copytree(COURSES, place)
    add(place / RECEIPT / "followups.csv", "F03x,P03,2026-13-40,seen,right,knee\n")
    add(place / RECEIPT / "followups.csv", "F03y,P03,2026-01-10,seen,right,knee,one,more\n")
    add(place / RECEIPT / "followups.csv", "F-99,P-99,2026-02-01,seen,right,knee\n")
    merge = "site_id,patient_id,same_as,decided_on,undone_on,by\nharbour,P-99,P03,2026-11-03,,R1\n"
    add(place / "merges/joined.csv", merge)
    add(
        place / RECEIPT / "control_totals.csv",
        "table,file,first_day,last_day,rows,bytes\noperations,,,,18,\n",
    )
    add(
        place / "decisions/2026-11-09/more.csv",
        "case_id,category,counts,reviewer,decided_on,reason\nharbour.H03.R,infection,no,R1,2026-11-09,H03 was clean\n",
    )
    return place


@pytest.fixture(scope="module")
def left_out(limbaudit: Limbaudit, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Any]:
    """The workspace with October signed before the request, and how the run after it ended."""
    workspace = prepared(tmp_path_factory.mktemp("removals") / "audit")
    ran = limbaudit("run", workspace, "--as-of", "2026-11-09")
    assert ran.exit_code in (0, 1), ran.said
    despite = ["--despite", "test"] if ran.exit_code else []
    signed = limbaudit("sign", workspace, "2026-10", "--role", "quality officer", *despite)
    assert signed.exit_code == 0, signed.said
    add(workspace / "removals/2026.csv", REQUEST)
    return workspace, limbaudit("run", workspace)


def edition(workspace: Path) -> Path:
    found = current_edition(workspace / "editions", "2026-10")
    assert found is not None
    return found


def words_of(folder: Path) -> Iterator[tuple[str, str]]:
    """Every file as text: Parquet cell by cell, a workbook part by part."""
    for path in sorted(folder.rglob("*")):
        if path.suffix == ".parquet":
            yield path.name, pd.read_parquet(path).to_csv()
        elif path.suffix == ".xlsx":
            with zipfile.ZipFile(path) as parts:
                yield from ((part, parts.read(part).decode("utf-8", "replace")) for part in parts.namelist())
        elif path.is_file() and path.suffix != ".pdf":
            yield path.name, path.read_text("utf-8", errors="replace")


def holding(folder: Path) -> set[tuple[str, str]]:
    return {(name, word) for name, text in words_of(folder) for word in THEIRS if word in text}


def test_the_words_are_found_where_nobody_asked(left_out: tuple[Path, Any]) -> None:
    """The test below would see them: the signed edition holds them in lists, held-back rows and figures' evidence."""
    names = {name for name, _ in holding(left_out[0] / "editions/2026-10/1")}
    assert {
        "cases.parquet",
        "records.parquet",
        "quarantine.csv",
        "followups.csv",
        "decisions_used.csv",
    } <= names


def test_nothing_of_the_patient_is_kept(left_out: tuple[Path, Any]) -> None:
    workspace, ran = left_out
    assert ran.exit_code in (0, 1), ran.said
    assert holding(edition(workspace)) == set()
    assert [word for word in THEIRS if word in ran.said] == []


def test_every_row_is_accounted_for(left_out: tuple[Path, Any]) -> None:
    """P03: 2 operations, 3 visits of which one torn, 3 readings; P-99, who is the same person: 1 visit."""
    ledger = pd.read_csv(edition(left_out[0]) / "department/ledger.csv", keep_default_na=False)
    own = ledger[ledger["table"].isin(["operations", "events", "followups", "measurements"])]
    assert dict(zip(own["table"], own["removed"].astype(int), strict=True)) == {
        "operations": 2, "events": 0, "followups": 4, "measurements": 3,
    }  # fmt: skip
    fates = ["accepted", "quarantined", "superseded", "duplicate", "withdrawn", "non_data", "not_selected", "refused",
             "removed"]  # fmt: skip
    assert (ledger[fates].astype(int).sum(axis=1) == ledger["rows_read"].astype(int)).all()


def test_a_control_total_still_fits(left_out: tuple[Path, Any]) -> None:
    """The sender counted 18 operations, of which 16 are left: no reason to set the export aside."""
    ledger = pd.read_csv(edition(left_out[0]) / "department/ledger.csv", keep_default_na=False)
    assert ledger.loc[ledger["table"] == "operations", ["accepted", "refused"]].to_numpy().tolist() == [
        [16, 0]
    ]


def test_the_edition_says_how_many(left_out: tuple[Path, Any]) -> None:
    department = edition(left_out[0]) / "department"
    told = json.loads((department / "manifest.json").read_text("utf-8"))["removals"]
    assert told == {
        "patients": 2,
        "rows": 9,
        "requests": [{"file": "removals/2026.csv", "line": 2, "received_on": "2026-11-10", "rows": 9}],
    }
    page = " ".join((department / "report/index.html").read_text("utf-8").split())
    assert "On request the data of 2 patients (9 rows) are not used." in page
    flow = pd.read_csv(department / "tables/flow.csv")
    assert flow.loc[flow["step"] == "left out on request", "removed"].tolist() == [2]


def test_figures_move_by_the_request_alone(left_out: tuple[Path, Any]) -> None:
    tables = edition(left_out[0]) / "department/tables"
    assert len(pd.read_parquet(tables / "changes.parquet")) == 0
    moved = pd.read_parquet(tables / "changed_figures.parquet")
    assert set(moved["because"]) == {"removal"}
    own = moved[
        (moved["procedure"] == L) & (moved["category"] == "any_complication") & (moved["window_days"] == 365)
    ]
    assert own[["figure", "before", "after", "change"]].sort_values("figure").to_numpy().tolist() == [
        ["cases", 7, 6, -1],
        ["events", 4, 3, -1],
    ]


def test_older_editions_are_named_and_not_changed(left_out: tuple[Path, Any], limbaudit: Limbaudit) -> None:
    workspace, ran = left_out
    assert "Left out on request: 2 patients, 9 rows." in ran.said
    assert "Signed editions that still hold them, and are not changed: 2026-10/1." in ran.said
    (draft,) = [
        path for path in (workspace / "editions/2026-10").glob("draft-*") if path != edition(workspace)
    ]
    assert f"Drafts that still hold them: 2026-10/{draft.name}." in ran.said
    assert limbaudit("verify", workspace).exit_code == 0


def test_before_the_day_of_the_request_nothing_is_left_out(
    left_out: tuple[Path, Any], limbaudit: Limbaudit, tmp_path: Path
) -> None:
    done = limbaudit("run", left_out[0], "--as-of", "2026-11-09", "--out", tmp_path / "before")
    assert "Left out" not in done.said
    (before,) = (tmp_path / "before/2026-10").glob("draft-*")
    rates = pd.read_parquet(before / "department/tables/rates.parquet")
    signed = pd.read_parquet(left_out[0] / "editions/2026-10/1/department/tables/rates.parquet")
    pd.testing.assert_frame_equal(rates, signed)


def test_requests_that_do_not_fit_are_findings(limbaudit: Limbaudit, tmp_path: Path) -> None:
    workspace = tmp_path / "audit"
    shutil.copytree(COURSES, workspace)
    add(
        workspace / "removals/office.csv",
        "site_id,patient_id,received_on,kind\nharbour,P0X,2026-11-10,erasure\nharbour,P03,2026-11-10,erasure\n"
        "harbour,P03,2026-11-11,erasure\nharbour,P04,soon,erasure\nharbour,,2026-11-10,erasure\n",
    )  # fmt: skip
    done = limbaudit("check", workspace, "--out", tmp_path / "out")
    assert done.exit_code == 1
    assert (
        "A request to remove a patient is not followed: removals/office.csv line 5, column `received_on`"
        in done.said
    )
    found = pd.read_csv(tmp_path / "out/quarantine.csv", keep_default_na=False)
    own = found[found["source_file"] == "removals/office.csv"]
    told = sorted(zip(own["source_line"].astype(int), own["column"], own["rule"], strict=True))
    assert told == [
        (2, "patient_id", "removal_patient_unknown"),
        (4, "patient_id", "removal_repeated"),
        (5, "received_on", "people_row_unusable"),
        (6, "patient_id", "people_row_unusable"),
    ]
    assert not any(word in text for word in ("P0X", "P03") for text in own["message"] + own["value"])
    ledger = pd.read_csv(tmp_path / "out/ledger.csv", keep_default_na=False)
    assert int(ledger["removed"].sum()) == 6  # of P03; P04, whose row cannot be read, is still there


def test_one_pseudonym_at_two_sites_where_ids_are_shared(limbaudit: Limbaudit, tmp_path: Path) -> None:
    workspace = tmp_path / "audit"
    shutil.copytree(COURSES, workspace)
    add(workspace / "audit.toml", '\n[sites.northgate]\nname = "Northgate"\nsends = "changes"\n')
    shutil.copytree(workspace / "received/harbour", workspace / "received/northgate")
    add(workspace / "removals/office.csv", REQUEST)

    def removed(out: str) -> dict[str, int]:
        limbaudit("check", workspace, "--out", tmp_path / out)
        ledger = pd.read_csv(tmp_path / out / "ledger.csv", keep_default_na=False)
        return {str(site): int(number) for site, number in ledger.groupby("site")["removed"].sum().items()}

    assert removed("apart") == {"harbour": 6, "northgate": 0}
    add(workspace / "audit.toml", '\n[identity]\nshared = ["patient"]\n')
    assert removed("shared") == {"harbour": 6, "northgate": 6}
