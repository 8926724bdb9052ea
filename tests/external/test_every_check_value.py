"""Every check value has a test that uses it, or a reason why nothing here computes it (every_check_value.csv)."""

from __future__ import annotations

import ast
import csv
import re
from pathlib import Path

import pytest

HERE = Path(__file__).parent
COPIES = (HERE / "check_values.csv", *sorted((HERE / "data").glob("*.csv")))


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


LISTED = rows_of(HERE / "every_check_value.csv")
USED = [row for row in LISTED if row["tests"]]


def test_each_value_is_listed_once_with_a_test_or_a_reason() -> None:
    names = [row["id"] for row in LISTED]
    assert len(names) == len(set(names)) == 313
    assert [row["id"] for row in LISTED if bool(row["tests"]) == bool(row["not_computed_here"])] == []


def test_the_copied_values_are_those_that_are_used() -> None:
    copied = {row["id"] for path in COPIES for row in rows_of(path) if "expected" in row}
    assert copied == {row["id"] for row in USED}


def functions(module: str) -> set[str]:
    tree = ast.parse((HERE / module).read_text("utf-8"))
    return {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}


@pytest.mark.parametrize(
    "module", sorted({test.split("::")[0] for row in USED for test in row["tests"].split()})
)
def test_the_named_tests_exist_and_their_module_names_the_value(module: str) -> None:
    known, text = functions(module), (HERE / module).read_text("utf-8")
    for row in USED:
        for test in row["tests"].split():
            if test.startswith(f"{module}::"):
                assert test.split("::")[1] in known, row["id"]
                assert str(re.match(r"[A-Za-z]+(_[A-Za-z]+)*", row["id"])[0]) in text, row["id"]
