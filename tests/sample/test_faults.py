"""Every fault of the list stands in the file and line it names; without faults there is none."""

from __future__ import annotations

import csv
import hashlib
from pathlib import Path

import pytest
from python_calamine import CalamineWorkbook

from pipeline.findings import CATALOGUE

ENCODINGS = {"harbour": "utf-8", "millfield": "cp1252"}


def listed(folder: Path) -> list[dict[str, str]]:
    with (folder / "truth" / "faults.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def line_of(folder: Path, fault: dict[str, str]) -> str:
    """The line or sheet row a fault names, as one text."""
    name, _, sheet = fault["source_file"].partition("#")
    at = int(fault["source_line"]) - 1
    if sheet:
        rows = (
            CalamineWorkbook.from_path(folder / name)
            .get_sheet_by_name(sheet)
            .to_python(skip_empty_area=False)
        )
        return " ".join(map(str, rows[at]))
    return (folder / name).read_bytes().decode(ENCODINGS[fault["site"]]).splitlines()[at]


def test_each_fault_stands_where_the_list_says(faulty: Path) -> None:
    for fault in listed(faulty):
        assert (faulty / fault["source_file"].partition("#")[0]).is_file()
        if fault["source_line"] != "0":
            assert fault["record_id"] in line_of(faulty, fault), fault


def test_each_fault_is_in_the_readme(faulty: Path) -> None:
    text = (faulty / "README.md").read_text(encoding="utf-8")
    for fault in listed(faulty):
        line = "" if fault["source_line"] == "0" else fault["source_line"]
        named = [fault["source_file"], line, *(fault[name] for name in ("table", "column", "rule", "what"))]
        assert f"| {' | '.join(named)} |" in text


def test_rules_are_those_of_the_findings(faulty: Path) -> None:
    rules = {fault["rule"] for fault in listed(faulty)} - {""}
    assert rules <= set(CATALOGUE)
    assert {
        "file_truncated",
        "identifier_masked",
        "record_withdrawn",
        "side_conflict",
        "records_vanished",
    } <= rules


def test_the_broken_file_ends_within_a_row_and_comes_whole(faulty: Path) -> None:
    site = faulty / "received" / "millfield"
    broken = (site / "2026-11-03" / "incidents.csv").read_bytes()
    whole = (site / "2026-11-05" / "incidents.csv").read_bytes()
    assert whole.startswith(broken)
    assert not broken.endswith(b"\n")
    last, header = broken.splitlines()[-1], broken.splitlines()[0]
    assert 0 < last.count(b";") < header.count(b";")


def test_a_file_is_sent_twice(faulty: Path) -> None:
    files = [path for path in (faulty / "received").rglob("*.csv") if path.read_bytes().count(b"\n") > 1]
    hashes = [hashlib.sha256(path.read_bytes()).hexdigest() for path in files]
    assert len(hashes) == len(set(hashes)) + 1


def test_leaked_identifiers_stand_in_the_letters_only(faulty: Path, clean: Path) -> None:
    canaries = (faulty / "truth" / "canaries.txt").read_text(encoding="utf-8").splitlines()
    exports = b"".join(path.read_bytes() for path in (faulty / "received").rglob("*.csv"))
    assert len(canaries) == 12
    for canary in canaries:
        assert canary.encode() in exports
        assert canary not in (faulty / "README.md").read_text(encoding="utf-8")
    assert (clean / "truth" / "canaries.txt").read_text(encoding="utf-8") == ""


def test_the_clean_story_has_the_same_truth_and_no_faults(faulty: Path, clean: Path) -> None:
    for name in ("cases.csv", "complications.csv"):
        assert (faulty / "truth" / name).read_bytes() == (clean / "truth" / name).read_bytes()
    assert listed(clean) == []


@pytest.mark.parametrize("site", ["harbour", "millfield"])
def test_rows_held_back_are_few(faulty: Path, site: str) -> None:
    """At most 2 % of any table in any receipt, the default tolerance."""
    held_back = {"quarantine"}
    counts: dict[str, int] = {}
    for fault in listed(faulty):
        if fault["rule"] and CATALOGUE[fault["rule"]].action in held_back and fault["site"] == site:
            counts[fault["source_file"]] = counts.get(fault["source_file"], 0) + 1
    assert counts
    for name, count in counts.items():
        rows = (faulty / name).read_bytes().count(b"\n") - 1
        assert count <= 0.02 * rows, name


def test_control_totals_count_the_files_they_lie_beside(faulty: Path) -> None:
    """Bytes and records of the events, counted here once more; the sum of operations is compared by the audit."""
    folders = sorted((faulty / "received" / "harbour").glob("*/control_totals.csv"))
    assert len(folders) == 2
    for path in folders:
        with path.open(encoding="utf-8", newline="") as file:
            of_file = next(row for row in csv.DictReader(file) if row["file"])
        content = (path.parent / of_file["file"]).read_bytes()
        assert int(of_file["bytes"]) == len(content)
        assert int(of_file["rows"]) == content.count(b"\n") - 1
