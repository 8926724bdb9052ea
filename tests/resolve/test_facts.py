"""Records as integers: codes looked up once, named operations found, the cut."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipeline.handover import KEPT, LEFT, NO_DAY, NOT_NAMED, NOT_SENT, NOT_THEIRS, RIGHT, SIDES, Resolved
from pipeline.settings import Compare, Group, Settings
from schemas.exports import EXPORTS

Resolve = Callable[..., Resolved]
OPERATION = {"operation_id": "o1"}


def rules(found: pd.DataFrame) -> list[tuple[str, str]]:
    return sorted(
        (str(rule), str(record)) for rule, record in zip(found["rule"], found["record_id"], strict=True)
    )


def test_operations_are_numbered_by_site_and_id(resolve: Resolve) -> None:
    found = resolve(
        operations=[
            {"operation_id": "o2"},
            {"operation_id": "o1", "site": "meadow"},
            {"operation_id": "o10", "side": "right"},
        ]
    ).facts
    assert found.operations["row"].tolist() == [2, 0, 1]  # harbour/o10, harbour/o2, meadow/o1
    assert found.operations["operation"].tolist() == [0, 1, 2]
    assert found.operations["side"].tolist() == [RIGHT, LEFT, LEFT]
    assert found.sites == ("harbour", "meadow")
    assert found.operations["site"].tolist() == [0, 0, 1]


def test_codes_of_operations_are_looked_up_by_system(resolve: Resolve) -> None:
    codes = [("SEW", "local"), ("PL07", "local"), ("XX", "local"), ("SEW", "other")]
    rows = [
        {"operation_id": f"o{n}", "procedure_code": code, "procedure_system": system}
        for n, (code, system) in enumerate(codes)
    ]
    found = resolve(operations=rows)
    assert found.facts.operations["procedure"].tolist() == [0, 1, -1, -1]
    assert [rule for rule, _ in rules(found.findings)] == ["procedure_code_unknown"] * 2


def test_an_unknown_code_is_said_once(resolve: Resolve) -> None:
    rows = [{"operation_id": f"o{n}", "procedure_code": "XX"} for n in range(5)]
    assert rules(resolve(operations=rows).findings) == [("procedure_code_unknown", "o0")]


def test_listed_codes_are_procedures_too(resolve: Resolve) -> None:
    found = resolve(operations=[{"operation_id": "o1", "concomitant_codes": "PL1;XX; PL2"}]).facts
    assert found.concomitants.to_numpy().tolist() == [[0, 1]]
    assert found.codes["own"].tolist() == [True, False, False, False]


@pytest.mark.parametrize(
    ("code", "meaning"),
    [
        (
            "S82.001A",
            {"category": 0, "level": -1, "specific": 1, "subsequent": 0, "code_joint": 0, "code_side": RIGHT},
        ),
        (
            "S82002A",
            {"category": 0, "level": -1, "specific": 1, "subsequent": 0, "code_joint": 0, "code_side": LEFT},
        ),
        (
            "S82.001D",
            {"category": 0, "level": -1, "specific": 1, "subsequent": 1, "code_joint": 0, "code_side": RIGHT},
        ),
        (
            "S82.90XA",
            {"category": 0, "level": 1, "specific": 0, "subsequent": 0, "code_joint": -1, "code_side": -1},
        ),
        (
            "Z99.8",
            {"category": -1, "level": -1, "specific": 0, "subsequent": 0, "code_joint": -1, "code_side": -1},
        ),
        (
            None,
            {"category": -1, "level": -1, "specific": 0, "subsequent": 0, "code_joint": -1, "code_side": -1},
        ),
    ],
)
def test_what_a_diagnosis_code_says(resolve: Resolve, code: str | None, meaning: dict[str, int]) -> None:
    """ICD-10-CM, April 2026: S82.001 is the right, S82.002 the left patella; the seventh character is the encounter."""
    row = {"event_id": "e1", "code": code, "code_system": "ICD-10-CM"}
    found = resolve(operations=[OPERATION], events=[row]).facts.events.iloc[0]
    assert {name: int(found[name]) for name in meaning} == meaning
    assert bool(found["coded"]) == (code is not None)


def test_a_code_of_the_other_side_is_an_alert(resolve: Resolve) -> None:
    rows = [
        {"event_id": "e1", "code": "S82.001A", "code_system": "ICD-10-CM", "side": "left"},
        {"event_id": "e2", "code": "S82.001A", "code_system": "ICD-10-CM", "side": "right"},
        {"event_id": "e3", "code": "S82.001A", "code_system": "ICD-10-CM"},
    ]
    assert rules(resolve(operations=[OPERATION], events=rows).findings) == [("side_conflict", "e1")]


@pytest.mark.parametrize(
    ("change", "operation", "told"),
    [
        ({}, NOT_NAMED, []),
        ({"operation_id": "o1"}, 0, []),
        ({"operation_id": "o9"}, NOT_SENT, [("operation_unknown", "x1")]),
        ({"operation_id": "o2"}, NOT_THEIRS, [("operation_of_another_patient", "x1")]),
        ({"operation_id": "o3"}, NOT_SENT, [("operation_unknown", "x1")]),
    ],
    ids=["not named", "their own", "never sent", "another patient's", "another site's"],
)
@pytest.mark.parametrize(
    ("table", "id_column"),
    [("events", "event_id"), ("followups", "followup_id"), ("measurements", "measurement_id")],
)
def test_the_operation_a_record_names(
    resolve: Resolve, table: str, id_column: str, change: dict[str, Any], operation: int, told: list[Any]
) -> None:
    operations = [
        OPERATION,
        {"operation_id": "o2", "patient_id": "p2"},
        {"operation_id": "o3", "site": "meadow"},
    ]
    found = resolve(operations=operations, **{table: [{id_column: "x1", **change}]})
    assert getattr(found.facts, table)["operation"].tolist() == [operation]
    assert rules(found.findings) == told


def test_a_merge_makes_the_operation_theirs(resolve: Resolve) -> None:
    tables: dict[str, Any] = {
        "operations": [OPERATION],
        "events": [{"event_id": "e1", "patient_id": "p0", "operation_id": "o1"}],
    }
    assert resolve(**tables).facts.events["operation"].tolist() == [NOT_THEIRS]
    merged = resolve(**tables, merges=[{"patient_id": "p0", "same_as": "p1"}])
    assert merged.facts.events["operation"].tolist() == [0]


def test_planned_with_is_the_first_operation(resolve: Resolve) -> None:
    rows = [
        OPERATION,
        {"operation_id": "o2", "planned": True, "planned_with": "o1", "planned_on": date(2025, 3, 1)},
        {"operation_id": "o3", "planned": True, "planned_with": "o9"},
    ]
    found = resolve(operations=rows)
    assert found.facts.operations["planned_with"].tolist() == [NOT_NAMED, 0, NOT_SENT]
    assert found.facts.operations["planned_on"].tolist() == [
        int(NO_DAY),
        (date(2025, 3, 1) - date(1970, 1, 1)).days,
        int(NO_DAY),
    ]
    assert found.facts.operations["planned"].tolist() == [-1, 1, 1]
    assert rules(found.findings) == [("operation_unknown", "o3")]


def test_records_after_the_cut_are_accepted_but_no_facts(resolve: Resolve) -> None:
    days = [date(2026, 10, 31), date(2026, 11, 1)]
    rows = [{"event_id": f"e{n}", "occurred_on": day} for n, day in enumerate(days)]
    found = resolve(operations=[OPERATION], events=rows)
    assert found.fates["events"].tolist() == [KEPT, KEPT]
    assert found.standing["events"].tolist() == [0]
    assert found.facts.events["row"].tolist() == [0]


def test_withdrawn_and_conflicting_records_are_no_facts(resolve: Resolve) -> None:
    rows = [
        {"event_id": "e1", "record_status": "withdrawn"},
        {"event_id": "e2", "note": "a"},
        {"event_id": "e2", "note": "b"},
        {"event_id": "e3"},
    ]
    found = resolve(operations=[OPERATION], events=rows)
    assert found.facts.events["row"].tolist() == [3]
    assert rules(found.findings) == [("record_conflict", "e2"), ("record_conflict", "e2")]
    assert set(found.findings["action"]) == {"quarantine"}


def test_words_and_missing_cells(resolve: Resolve) -> None:
    found = resolve(
        operations=[OPERATION],
        events=[{"event_id": "e1", "source": "letter", "side": "none", "joint": "ball", "bone": "upper"}],
        patients=[{"patient_id": "p1", "died_on": date(2026, 1, 1)}],
    ).facts
    event = found.events.iloc[0]
    assert int(event["origin"]) == EXPORTS["events"]["source"].vocabulary.index("letter")
    assert SIDES[int(event["side"])] == "none"
    assert (int(event["joint"]), int(event["bone"])) == (1, 2)  # places: hinge, ball, then the bone
    assert {int(event[name]) for name in ("through", "energy", "instability_level")} == {-1}
    assert found.patients[["died", "moved"]].to_numpy().tolist() == [[56 * 365 + 14, int(NO_DAY)]]
    assert (found.operations["asa_class"] == -1).all()


def test_surgeons_are_of_their_site_unless_shared(resolve: Resolve) -> None:
    rows = [
        {"operation_id": "o1", "surgeon_id": "s1"},
        {"operation_id": "o1", "surgeon_id": "s1", "site": "meadow"},
        {"operation_id": "o2", "site": "meadow"},
    ]
    apart = resolve(operations=rows).facts
    assert apart.surgeons == ("harbour/s1", "meadow/s1")
    assert apart.operations["surgeon"].tolist() == [0, 1, -1]
    shared = resolve(Settings(shared_identity=("surgeon",)), operations=rows).facts
    assert shared.operations["surgeon"].tolist() == [0, 0, -1]


def test_what_settings_compare_by_and_among(resolve: Resolve) -> None:
    asked = Settings(
        compare=(Compare("a", "b", by="approach"),),
        groups={"turning": Group("turning", where={"sport": ("pivoting", "contact")})},
    )
    rows = [
        {"operation_id": "o1", "approach": "mini", "sport": "contact", "fixation": "wire;peg"},
        {"operation_id": "o2", "approach": None, "sport": "none", "fixation": "peg;wire"},
        {"operation_id": "o3", "approach": "long", "sport": None},
    ]
    found = resolve(asked, operations=rows).facts
    assert found.by == {"approach": ("long", "mini")}
    assert found.operations["by:approach"].tolist() == [1, -1, 0]
    assert found.operations["where:turning"].tolist() == [True, False, False]
    assert found.fixations == ("peg;wire",)
    assert found.operations["fixation"].tolist() == [0, 0, -1]


def test_inputs_are_left_alone(resolve: Resolve) -> None:
    """Every standing row becomes exactly one fact, in every table."""
    found = resolve(
        operations=[OPERATION, {"operation_id": "o2"}],
        events=[{"event_id": "e1"}, {"event_id": "e1"}],
        followups=[{"followup_id": "f1"}],
        measurements=[{"measurement_id": "m1"}],
    )
    for name in ("operations", "events", "followups", "measurements", "patients"):
        facts = getattr(found.facts, name)["row"].to_numpy()
        assert np.array_equal(np.sort(facts), found.standing[name]), name
    assert found.facts.events["row"].tolist() == [0]
