"""The list of faults (from the project design notes, in words of our own), the tests and the page say the same."""

from __future__ import annotations

import csv
import re
from pathlib import Path

HERE = Path(__file__).parent


def listed() -> list[dict[str, str]]:
    with (HERE / "export_faults.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def numbers_tested() -> set[int]:
    texts = [path.read_text("utf-8") for path in HERE.glob("test_fault_*.py")]
    return {int(number) for text in texts for number in re.findall(r"^def test_fault_(\d\d)_", text, re.M)}


def test_every_fault_has_a_test_and_every_test_a_fault() -> None:
    assert len(listed()) > 60
    assert numbers_tested() == {int(row["id"]) for row in listed()}


def test_the_page_lists_every_fault() -> None:
    page = (HERE.parents[1] / "docs" / "faults.md").read_text("utf-8")
    rows = [line.strip("|").split(" | ") for line in page.splitlines() if re.match(r"\| \d", line)]
    assert [[cell.strip() for cell in row] for row in rows] == [list(row.values()) for row in listed()]
