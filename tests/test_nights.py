"""What tests/chaos/nights.py holds the nights against, on a few rows counted by hand; the nights have their own command."""

from __future__ import annotations

import importlib
import sys
from datetime import date
from pathlib import Path

import pytest

CHAOS = Path(__file__).parent / "chaos"
DUE = {"harbour": 2}
FATES = (
    "accepted", "quarantined", "superseded", "duplicate", "withdrawn", "non_data", "not_selected", "refused", "removed",
)  # fmt: skip


@pytest.fixture(scope="module")
def chaos():
    """The modules `department`, `expected` and `looks`."""
    sys.path.insert(0, str(CHAOS))
    names = ("department", "expected", "looks")
    try:
        yield {name: importlib.import_module(name) for name in names}
    finally:
        sys.path.remove(str(CHAOS))
        for name in names:
            sys.modules.pop(name, None)


@pytest.fixture
def department(chaos, tmp_path):
    module = chaos["department"]
    site = module.Site("harbour", "changes", 1.0, 0.0)
    return module.Department(1, tmp_path, (site,), date(2026, 3, 2))


def operation(chaos, record: str, patient: str, recorded: str, **cells: str) -> dict[str, str]:
    whole = dict.fromkeys(chaos["department"].COLUMNS["operations"], "")
    said = {"performed_on": "2026-01-05", "procedure_code": "KN-LIG", "side": "left", "status": "performed"}
    return {**whole, "operation_id": record, "patient_id": patient, **said, "recorded_at": recorded, **cells}


def sent(
    chaos, day: int, rows: list[dict[str, str]], spoilt=(), fault: str = "", name: str = "operations.csv"
):
    module = chaos["department"]
    content = module.as_csv(module.COLUMNS["operations"], rows)
    receipt = date(2026, 3, day)
    return module.Sent("harbour", receipt, name, "operations", tuple(rows), frozenset(spoilt), fault, content)


def three_files(chaos):
    """O1 is sent twice and then corrected, O2 is spoilt, O3 taken back; the last file breaks off."""
    first, second = (
        operation(chaos, "O1", "P1", f"2026-02-0{n}T10:00:00", surgeon_id=f"S{n}") for n in (1, 2)
    )
    spoilt = operation(chaos, "O2", "P2", "2026-02-01T11:00:00")
    taken = operation(chaos, "O3", "P3", "2026-02-03T10:00:00", record_status="withdrawn")
    other = operation(chaos, "O4", "P4", "2026-02-03T10:00:00", procedure_code="KN-MUA")
    return [
        sent(chaos, 2, [first, spoilt], spoilt=[1]),
        sent(chaos, 3, [first, second, taken]),
        sent(chaos, 4, [other], fault="truncated"),
    ]


def test_versions_of_a_record_are_counted_by_hand(chaos, department):
    department.received += three_files(chaos)
    known = chaos["expected"].known(department, date(2026, 3, 5), DUE)
    fates = [dict(line.fates) for line in known.lines.values()]
    assert fates == [
        {"superseded": 1, "quarantined": 1},
        {"duplicate": 1, "accepted": 1, "withdrawn": 1},
        {"refused": 1},
    ]
    assert {row["surgeon_id"] for row in known.stands["operations"].values()} == {"S2"}
    assert ("unused", "received/harbour/2026-03-04/operations.csv") in known.reasons
    assert not any(reason[0] == "held" for reason in known.reasons)


def test_a_patient_who_asks_is_taken_out_under_both_pseudonyms(chaos, department):
    department.received += three_files(chaos)[:2]
    department.told["removals"].append(
        {"site_id": "harbour", "patient_id": "P1", "received_on": "2026-03-04"}
    )
    department.told["merges"].append(
        {
            "site_id": "harbour",
            "patient_id": "P3",
            "same_as": "P1",
            "decided_on": "2026-03-05",
            "undone_on": "",
        }
    )
    before, after = (chaos["expected"].known(department, date(2026, 3, day), DUE) for day in (4, 5))
    assert [line.fates["removed"] for line in before.lines.values()] == [1, 2]
    assert [line.fates["removed"] for line in after.lines.values()] == [1, 3]


def test_a_return_counts_once_it_is_joined_to_its_patient(chaos, department):
    back = operation(
        chaos, "O5", "P1B", "2026-02-20T10:00:00", procedure_code="KN-MUA", performed_on="2026-01-30"
    )
    department.received += [*three_files(chaos)[:2], sent(chaos, 4, [back])]
    department.told["merges"].append(
        {
            "site_id": "harbour",
            "patient_id": "P1B",
            "same_as": "P1",
            "decided_on": "2026-03-06",
            "undone_on": "",
        }
    )
    module = chaos["expected"]
    days = (date(2026, 3, 5), date(2026, 3, 6))
    found = [module.figures(department, module.known(department, day, DUE), day) for day in days]
    assert [(each.cases, each.returns) for each in found] == [(1, 0), (1, 1)]


def test_a_row_lost_from_the_ledger_is_noticed(chaos, department, tmp_path):
    department.received += three_files(chaos)
    known = chaos["expected"].known(department, date(2026, 3, 5), DUE)
    lines = [",".join(("source_file", "rows_read", *FATES, "reason"))]
    for path, line in known.lines.items():
        lines.append(",".join([path, str(line.rows_read), *(str(line.fates[fate]) for fate in FATES), ""]))
    right, wrong = tmp_path / "right.csv", tmp_path / "wrong.csv"
    right.write_text("\n".join(lines) + "\n")
    wrong.write_text("\n".join(lines).replace(",3,1,0,0,1,1", ",3,0,0,0,1,1") + "\n")
    looks = chaos["looks"]
    assert list(looks.ledger_amiss(right, known)) == []
    assert any("3 rows read, 2 accounted for" in said for said in looks.ledger_amiss(wrong, known))


@pytest.mark.parametrize(
    ("sentence", "reason"),
    [
        ("harbour is late: nothing was accepted after the cut.", ("late", "harbour")),
        (
            "harbour: too many rows of events are held back in its newest receipt.",
            ("held", "harbour", "events"),
        ),
        (
            "received/a/2026-03-02/x.csv is not used: the file breaks off.",
            ("unused", "received/a/2026-03-02/x.csv"),
        ),
        ("Something new.", ("other", "Something new.")),
    ],
)
def test_sentences_of_a_run_are_understood(chaos, sentence, reason):
    assert chaos["looks"].reasons((sentence,)) == {reason}


def test_a_site_is_late_after_its_due_day_and_not_on_the_last_of_the_month(chaos, department):
    department.received += three_files(chaos)[:2]
    days = [date(2026, 4, 2), date(2026, 4, 3), date(2026, 4, 30), date(2026, 5, 3)]
    reasons = [chaos["expected"].known(department, day, DUE).reasons for day in days]
    assert [("late", "harbour") in found for found in reasons] == [False, True, False, True]
