"""Surgeons against the site's list, by hand: never reassigned, at most left out."""

from __future__ import annotations

import pytest

from pipeline.settings import Settings
from pipeline.validate import validated

PLACES = ("shoulder",)
LIST = [
    {"surgeon_id": "00417"},
    {"surgeon_id": "12"},
    {"surgeon_id": "0031"},
    {"surgeon_id": "031"},
    {"surgeon_id": "S9", "active_from": "2025-01-01", "active_to": "2025-03-02"},
]
CASES = [
    ("00417", "00417", ""),
    ("417", "00417", "surgeon_zeros_restored"),
    ("31", None, "surgeon_unclear"),
    ("0417", "00417", "surgeon_zeros_restored"),
    ("000417", "000417", "surgeon_not_listed"),
    ("12", "12", ""),
    ("Miller", "Miller", "surgeon_not_listed"),
    # The good operation of the tests is of 2025-03-03.
    ("S9", None, "surgeon_inactive"),
    ("LOCUM", None, ""),
    (None, None, ""),
]


def result_of(export, intake, sent, listed=LIST, site="harbour"):
    operations = export(
        "operations", *({"surgeon_id": each, "operation_id": f"o{n}"} for n, each in enumerate(sent))
    )
    return validated(intake(operations, export("surgeons", *listed, site=site)), Settings(), PLACES)


@pytest.mark.parametrize(("sent", "kept", "rule"), CASES)
def test_a_surgeon_against_the_list(export, intake, sent, kept, rule):
    result = result_of(export, intake, [sent])
    assert result.accepted.tables["operations"]["surgeon_id"].to_pylist() == [kept]
    warned = result.findings["rule"].tolist()
    logged = result.repairs[["source_line", "column", "rule", "before", "after"]].values.tolist()
    if rule in ("surgeon_unclear", "surgeon_not_listed", "surgeon_inactive"):
        assert warned == [rule]
    else:
        assert warned == []
    if rule and rule != "surgeon_not_listed":
        assert logged == [[2, "surgeon_id", rule, sent, kept or ""]]
    else:
        assert [line[2] for line in logged] == (["value_missing_token"] if sent == "LOCUM" else [])


def test_the_list_of_another_site_says_nothing(export, intake):
    result = result_of(export, intake, ["417"], site="lakeside")
    assert result.accepted.tables["operations"]["surgeon_id"].to_pylist() == ["417"]
    assert not len(result.findings) + len(result.repairs)


def test_the_last_received_row_of_a_surgeon_stands(export, intake):
    leaving = [
        {"surgeon_id": "S1"},
        {"surgeon_id": "S1", "active_to": "2025-03-02", "recorded_at": "2026-01-01"},
    ]
    result = result_of(export, intake, ["S1"], leaving)
    assert result.findings["rule"].tolist() == ["surgeon_inactive"]


def test_an_operation_that_was_only_booked_needs_no_surgeon_at_work(export, intake):
    booked = export("operations", {"surgeon_id": "S9", "status": "booked"})
    result = validated(intake(booked, export("surgeons", *LIST)), Settings(), PLACES)
    assert result.accepted.tables["operations"]["surgeon_id"].to_pylist() == ["S9"]
    assert not len(result.findings)
