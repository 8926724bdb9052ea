"""Faults of a whole export: too few rows, records gone, control totals; and letters nobody may count."""

from __future__ import annotations

from typing import Any

import pytest

RECEIPTS = [f"2026-{month:02d}-02" for month in range(1, 10)]


def sends_everything(hospital: Any, volumes: list[int], last: int) -> None:
    """Earlier exports of followups with so many of the sixty visits, and a last one."""
    hospital.settings = hospital.settings.replace("changes", "everything")
    visits = hospital.tables["followups"]
    for n, row in enumerate(visits):
        row["seen_on"] = f"2025-{10 + n % 3}-{1 + n % 28:02d}"
    for receipt, rows in zip(RECEIPTS, volumes, strict=False):
        hospital.tables["followups"] = visits[:rows]
        hospital.put("followups.csv", hospital.text("followups"), receipt=receipt)
    hospital.tables["followups"] = visits[:last]


@pytest.mark.parametrize(
    ("volumes", "last", "rule"),
    [([60, 60, 60], 41, "volume_drop"), ([60], 30, "volume_drop"), ([40, 50, 60], 36, "")],
)
def test_fault_13_far_fewer_rows(hospital: Any, volumes: list[int], last: int, rule: str) -> None:
    """41 of a median of 60 is a third less; 36 of a median of 50 is within 30 %, though records are gone."""
    sends_everything(hospital, volumes, last)
    outcome = hospital.check(1)
    file = "received/harbour/2026-11-02/followups.csv"
    assert outcome.reasons()[file] == (rule or "vanished_share")
    assert outcome.fates("followups")["accepted"] == max(volumes)
    assert outcome.fates("followups")["refused"] == last
    assert outcome.fates("operations") == {"accepted": 60}


def test_fault_13_exports_of_changes_have_any_size(hospital: Any) -> None:
    hospital.put("followups.csv", hospital.text("followups"), receipt="2026-10-30")
    hospital.tables["followups"] = hospital.tables["followups"][:3]
    outcome = hospital.check()
    assert outcome.fates("followups") == {"accepted": 60, "duplicate": 3}


def test_fault_62_a_record_is_no_longer_sent(hospital: Any) -> None:
    """One of a hundred and twenty: kept until it is withdrawn, and told. Deleting is not correcting."""
    for n in range(60):
        hospital.add("followups", n, followup_id=f"G{n:03d}", note="second visit")
    hospital.put("followups.csv", hospital.text("followups"), receipt="2026-10-30")
    hospital.settings = hospital.settings.replace("changes", "everything")
    gone = hospital.tables["followups"].pop(50)
    outcome = hospital.check()
    assert outcome.told("records_vanished") == [gone["followup_id"]]
    assert outcome.fates("followups") == {"accepted": 120, "duplicate": 119}


def test_fault_62_too_many_records_are_no_longer_sent(hospital: Any) -> None:
    """Two of sixty is more than 1 %."""
    hospital.put("followups.csv", hospital.text("followups"), receipt="2026-10-30")
    hospital.settings = hospital.settings.replace("changes", "everything")
    del hospital.tables["followups"][50:52]
    outcome = hospital.check(1)
    assert set(outcome.reasons().values()) == {"vanished_share"}
    assert outcome.fates("followups") == {"accepted": 60, "refused": 58}


@pytest.mark.parametrize(
    ("counted", "missed"), [(60, False), (61, False), (59, False), (62, True), (58, True)]
)
def test_fault_70_control_total(hospital: Any, counted: int, missed: bool) -> None:
    """The theatre log's own count: 60 of 61 are 1.6 % off, 60 of 62 are 3.2 %."""
    hospital.put(
        "control_totals.csv", f"table,file,first_day,last_day,rows,bytes\noperations,,,,{counted},\n"
    )
    outcome = hospital.check(int(missed))
    file = "received/harbour/2026-11-02/operations.csv"
    assert outcome.reasons() == ({file: "control_total_missed"} if missed else {})
    assert outcome.fates("operations") == ({"refused": 60} if missed else {"accepted": 60})
    assert outcome.fates("events") == {"accepted": 60}


PARAGRAPH = "Flexion full. No signs of infection. Dislocated again on the stairs."


def test_fault_67_paragraph_copied_from_visit_to_visit(hospital: Any) -> None:
    """The same letter four times: no program makes an event of words alone, so it cannot count four times; each note
    without a code is a question for a reviewer."""
    for n in range(4):
        hospital.add(
            "events", 7, event_id=f"L{n}", code="", note=PARAGRAPH, occurred_on=f"2025-03-{1 + n:02d}"
        )
    outcome = hospital.run()
    assert outcome.fates("events") == {"accepted": 64}
    counted = outcome.table("complications")
    counted = counted[(counted["case_id"] == "harbour.O008.L") & (counted["status"] == "counted")]
    assert set(counted["category"]) == {"infection", "any_complication"}
    assert len([line for line in outcome.lines("review") if line["case_id"] == "harbour.O008.L"]) in (1, 4)


def test_fault_68_template_text_left_as_it_was(hospital: Any) -> None:
    """Where the site declares its template, the note is empty, and an event that says nothing else is held back."""
    hospital.mapping(
        '[[table]]\ntable = "events"\nfile = "events*"\nmissing.note = ["[insert findings here]", "Text."]\n'
    )
    hospital.spoil("events", 7, note="[insert findings here]")
    hospital.spoil("events", 8, note="[Insert findings here]", code="")
    outcome = hospital.check()
    assert outcome.held("events") == {"E009": ["event_says_nothing"]}
    assert outcome.logged("value_missing_token", "note").keys() == {"E008", "E009"}
