"""Two surgeons with equal crude rates and patients of different ages get different ratios, from files to table.

One invented hospital, one operation, 120 patients with a year behind them. Returns to theatre within the year:

| surgeon | patients of 20 | patients of 60 |
|---|---|---|
| S1 | 4 of 20 | – |
| S2 | – | 4 of 20 |
| S3 | 2 of 40 | 20 of 40 |
| together | 6 of 60 | 24 of 60 |

Only age differs, so the expected risk is 6/60 = 0.1 of the young and 24/60 = 0.4 of the old: S1 has 4 where 2 are
expected (ratio 2), S2 has 4 where 8 are (ratio 0.5). The crude rate of both is 0.2.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

#: Surgeon, age, patients, of whom so many came back.
DONE = (("S1", 20, 20, 4), ("S2", 60, 20, 4), ("S3", 20, 40, 2), ("S3", 60, 40, 20))
SETTINGS = """contract = 1
[sites.island]
name = "Island Infirmary"
required = ["operations", "followups"]
"""
CODES = """[procedures.clavicle_plate]
codes.local = ["PLATE"]
[procedures.implant_removal]
codes.local = ["OUT"]
"""
OPERATIONS = (
    "operation_id", "patient_id", "performed_on", "procedure_code", "procedure_system", "side", "status", "surgeon_id",
    "age_years", "sex", "anaesthesia", "planned", "reason",
)  # fmt: skip


def operations() -> Iterator[tuple[str, ...]]:
    """A plate each, and for those who came back its unplanned removal in the hundred days after."""
    number = 0
    for surgeon, age, patients, back in DONE:
        for patient in range(patients):
            number += 1
            who = (f"P{number}", "right", "performed", surgeon, str(age), "female", "general")
            yield _row(f"O{number}", "2024-03-04", "PLATE", who, "", "")
            if patient < back:
                yield _row(f"R{number}", "2024-06-03", "OUT", who, "no", "hardware_problem")


def _row(
    operation: str, day: str, code: str, who: tuple[str, ...], planned: str, reason: str
) -> tuple[str, ...]:
    patient, *rest = who
    return (operation, patient, day, code, "local", *rest, planned, reason)


def _write(path: Path, header: tuple[str, ...], rows: Iterator[tuple[str, ...]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([header, *rows])


@pytest.fixture(scope="module")
def outcomes(audit: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Rows of the published table by surgeon, of one category within a year."""
    place = tmp_path_factory.mktemp("two_surgeons") / "island"
    receipt = place / "received" / "island" / "2026-01-05"
    receipt.mkdir(parents=True)
    (place / "audit.toml").write_text(SETTINGS, "utf-8")
    (place / "catalogue.toml").write_text(CODES, "utf-8")
    _write(receipt / "operations.csv", OPERATIONS, operations())
    seen = ((f"F{n}", f"P{n}", "2025-04-07", "seen") for n in range(1, 121))
    _write(receipt / "followups.csv", ("followup_id", "patient_id", "seen_on", "status"), seen)
    edition = audit(place, tmp_path_factory.mktemp("two_surgeons_out"), "--period", "2025-12")
    table = edition.table("surgeon_outcomes")
    return table[table["window_days"] == 365].set_index(["category", "surgeon"]).sort_index()


@pytest.mark.parametrize("category", ["any_complication", "revision"])
def test_equal_crude_rates_and_different_ages_give_different_ratios(outcomes: Any, category: str) -> None:
    young, old = (outcomes.loc[(category, f"island/{surgeon}")] for surgeon in ("S1", "S2"))
    for row in (young, old):
        assert (row["events"], row["cases"]) == (4, 20)
    assert (young["expected"], young["ratio"]) == pytest.approx((2.0, 2.0), abs=0.002)
    assert (old["expected"], old["ratio"]) == pytest.approx((8.0, 0.5), abs=0.002)
    assert young["ratio_ci_low"] < 2 < young["ratio_ci_high"]
    assert old["ratio_ci_low"] < 0.5 < old["ratio_ci_high"]
    assert young["in_words"] != old["in_words"]


def test_the_third_surgeon_is_as_expected(outcomes: Any) -> None:
    """2 + 20 seen; 40 x 0.1 + 40 x 0.4 = 20 expected."""
    row = outcomes.loc[("revision", "island/S3")]
    assert (row["events"], row["cases"]) == (22, 80)
    assert row["expected"] == pytest.approx(20, abs=0.01)
    assert row["ratio"] == pytest.approx(1.1, abs=0.001)


def test_limits_follow_the_patients_and_not_the_crude_rate(outcomes: Any) -> None:
    """By hand of 20 cases: at 0.1 more than 5 come in 1.1 of 100 and more than 4 in 4.3; at 0.4 fewer than 4 in 1.6
    and fewer than 5 in 5.1. So the limits that hold 95 of 100 are 5 at the top and 4 at the bottom."""
    young, old = (outcomes.loc[("revision", f"island/{surgeon}")] for surgeon in ("S1", "S2"))
    assert young["limit_95_high"] * 20 == pytest.approx(5)
    assert old["limit_95_low"] * 20 == pytest.approx(4)
    assert (young["against_limits"], old["against_limits"]) == ("inside", "inside")
