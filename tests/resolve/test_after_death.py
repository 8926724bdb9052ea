"""Records dated after their patient's death, by hand."""

from __future__ import annotations

from datetime import date

import pytest

from pipeline.handover import CONFLICTING, KEPT

DIED, LATER, EARLIER = date(2025, 8, 1), date(2025, 8, 2), date(2025, 7, 31)
OPERATION = {"operation_id": "o1"}


def told_by_patients():
    return {"patients": [{"patient_id": "p1", "died_on": DIED}]}


def told_by_a_contact():
    return {"followups": [{"followup_id": "f0", "seen_on": DIED, "status": "died"}]}


@pytest.mark.parametrize("death", [told_by_patients(), told_by_a_contact()])
def test_events_contacts_and_readings_after_death_are_held_back(resolve, death):
    days = (EARLIER, DIED, LATER)
    events = [{"event_id": f"e{n}", "occurred_on": day} for n, day in enumerate(days)]
    contacts = [{"followup_id": f"f{n}", "seen_on": day} for n, day in enumerate(days, 1)]
    contacts += [{"followup_id": "f9", "seen_on": LATER, "status": "did_not_attend"}]
    readings = [{"measurement_id": f"m{n}", "measured_on": day} for n, day in enumerate(days)]
    tables = {
        "events": events,
        "followups": [*death.get("followups", []), *contacts],
        "measurements": readings,
    }
    found = resolve(operations=[OPERATION], **tables, patients=death.get("patients", [{"patient_id": "p1"}]))
    assert found.fates["events"].tolist() == [KEPT, KEPT, CONFLICTING]
    assert found.fates["measurements"].tolist() == [KEPT, KEPT, CONFLICTING]
    assert found.fates["followups"].tolist()[-4:] == [KEPT, KEPT, CONFLICTING, KEPT]
    held = found.findings[found.findings["rule"] == "after_death"]
    assert held[["table", "record_id", "column", "value", "action"]].values.tolist() == [
        ["events", "e2", "occurred_on", "2025-08-02", "quarantine"],
        ["followups", "f3", "seen_on", "2025-08-02", "quarantine"],
        ["measurements", "m2", "measured_on", "2025-08-02", "quarantine"],
    ]
    assert found.facts.events["row"].tolist() == [0, 1]


def test_the_dead_of_another_patient_or_site_hold_nothing_back(resolve):
    found = resolve(
        operations=[OPERATION],
        events=[{"event_id": "e1", "occurred_on": LATER}],
        patients=[{"patient_id": "p2", "died_on": DIED}],
    )
    assert found.fates["events"].tolist() == [KEPT]
    assert "after_death" not in set(found.findings["rule"])
