"""Which rows are held back, and by which rule. Expected rules are read off the contract by hand."""

from __future__ import annotations

from datetime import date

import pytest

from pipeline.settings import Settings, Site
from pipeline.validate import checked

PLACES = ("shoulder", "knee")
SETTINGS = Settings()

HELD_BACK = [
    ("operations", {"side": None}, "side", "value_missing"),
    ("operations", {"sex": "TBC"}, "sex", "value_missing"),
    ("operations", {"age_years": "999"}, "age_years", "value_missing"),
    ("operations", {"age_years": "111"}, "age_years", "value_out_of_range"),
    ("operations", {"age_years": "-3"}, "age_years", "value_out_of_range"),
    ("operations", {"asa_class": "6"}, "asa_class", "value_out_of_range"),
    ("operations", {"nonoperative_weeks": "521"}, "nonoperative_weeks", "value_out_of_range"),
    ("operations", {"performed_on": "2026-11-02"}, "performed_on", "date_after_receipt"),
    ("operations", {"performed_on": "03/2024"}, "performed_on", "date_partial"),
    ("operations", {"onset_on": "2025-03-04"}, "onset_on", "dates_in_wrong_order"),
    ("operations", {"patient_id": "000000"}, "patient_id", "placeholder_patient"),
    ("operations", {"patient_id": "TEST-1"}, "patient_id", "placeholder_patient"),
    ("operations", {"patient_id": "zzTest"}, "patient_id", "placeholder_patient"),
    ("operations", {"side": "R/L"}, "side", "value_unknown_word"),
    ("operations", {"site": "harbour/2"}, "site", "row_site_unclear"),
    ("operations", {"site": ""}, "site", "row_site_unclear"),
    ("events", {"code": None}, "code", "event_says_nothing"),
    ("events", {"occurred_on": "2026-12-24"}, "occurred_on", "date_after_receipt"),
    ("events", {"joint": "arm"}, "joint", "joint_unknown"),
    ("events", {"bone": "buttock"}, "bone", "joint_unknown"),
    ("events", {"instability_level": "6"}, "instability_level", "value_out_of_range"),
    ("followups", {"status": "came"}, "status", "value_unknown_word"),
    ("followups", {"pain": "11"}, "pain", "value_out_of_range"),
    ("followups", {"returned_on": "2027-01-01"}, "returned_on", "date_after_receipt"),
    ("measurements", {"value": "900"}, "value", "value_out_of_range"),
    ("measurements", {"value": "201"}, "value", "value_out_of_range"),
    ("measurements", {"value": "-31"}, "value", "value_out_of_range"),
    ("measurements", {"value": "-1"}, "value", "value_missing"),
    ("measurements", {"value": "T8"}, "value", "value_unparsable"),
    # 1.92 radians are 110 degrees (180 / pi * 1.92 = 110.0).
    ("measurements", {"value": "1.92"}, "value", "value_out_of_range"),
    ("operations", {"reason": "loose|painful"}, "reason", "several_values"),
    ("measurements", {"measure": "flexion;abduction"}, "measure", "several_values"),
    ("measurements", {"unit": "points"}, "unit", "score_without_points"),
    ("measurements", {"unit": "percent"}, "unit", "value_unknown_word"),
    ("events", {"code": "M24.5|M25.6"}, "code", "several_values"),
    ("events", {"code": "M24.5, M25.6"}, "code", "several_values"),
    ("operations", {"procedure_code": "AB01;AB02"}, "procedure_code", "several_values"),
    ("patients", {"died_on": "2026-11-02"}, "died_on", "date_after_receipt"),
    (
        "surgeons",
        {"active_from": "2025-01-01", "active_to": "2024-12-31"},
        "active_to",
        "dates_in_wrong_order",
    ),
]


@pytest.mark.parametrize(("table", "change", "column", "rule"), HELD_BACK)
def test_a_row_is_held_back_for_one_reason(export, table, change, column, rule):
    result = checked(export(table, change, {}), SETTINGS, PLACES)
    held = result.findings[result.findings["action"] == "quarantine"]
    assert held[["source_line", "column", "rule"]].values.tolist() == [[2, column, rule]]
    assert result.quarantined["source_line"].to_pylist() == [2]
    assert result.accepted["source_line"].to_pylist() == [3]


ACCEPTED = [
    ("operations", {"performed_on": "2026-11-01"}),
    ("operations", {"performed_on": "2026-12-24", "status": "booked"}),
    ("operations", {"performed_on": "2026-12-24", "status": "cancelled"}),
    ("operations", {"planned_on": "2026-12-24"}),
    ("operations", {"onset_on": "2025-03-03"}),
    ("operations", {"age_years": "0"}),
    ("operations", {"age_years": "99"}),
    ("operations", {"age_years": "110"}),
    ("operations", {"surgeon_id": None}),
    ("operations", {"patient_id": "P000000"}),
    ("operations", {"patient_id": "Testa7"}),
    ("events", {"code": None, "note": "stiff"}),
    ("events", {"code": None, "instability_level": "2"}),
    ("events", {"code": None, "through_fixation_site": "unsure"}),
    ("followups", {"status": "died"}),
    ("measurements", {"value": "0"}),
    ("operations", {"procedure_code": "AB,01"}),
    ("measurements", {"value": "200"}),
    ("measurements", {"value": "2"}),
    ("measurements", {"value": "3.5"}),
    ("measurements", {"measure": "extension_deficit", "value": "1.5"}),
    ("measurements", {"value": "-30"}),
    ("measurements", {"value": "99"}),
    ("measurements", {"measure": "extension_deficit", "value": "-1"}),
    ("measurements", {"measure": "our_score", "mode": "none", "value": "99", "unit": "points"}),
    ("patients", {"moved_away_on": "2027-01-01"}),
    ("surgeons", {"active_from": "2025-01-01", "active_to": "2027-12-31"}),
]


@pytest.mark.parametrize(("table", "change"), ACCEPTED)
def test_a_row_goes_on(export, table, change):
    result = checked(export(table, change), SETTINGS, PLACES)
    assert result.findings["action"].isin(["quarantine", "refuse"]).sum() == 0
    assert result.accepted.num_rows == 1


@pytest.mark.parametrize("dates", ["shifted", "day_numbers"])
def test_the_calendar_is_not_asked_where_days_are_not_real(export, dates):
    settings = Settings(sites={"harbour": Site("harbour", dates=dates, data_until=date(2030, 1, 1))})
    assert (
        checked(export("operations", {"performed_on": "2029-01-01"}), settings, PLACES).accepted.num_rows == 1
    )


def test_a_row_must_name_a_site_that_is_listed(export):
    settings = Settings(sites={"harbour": Site("harbour")}, sites_listed=True)
    result = checked(export("operations", {"site": "elsewhere"}, {}), settings, PLACES)
    assert result.findings["rule"].tolist() == ["row_site_unclear"]


def test_a_version_written_after_receipt_is_a_warning(export):
    change = {"recorded_at": "2026-11-02T00:00:00"}
    result = checked(export("operations", change, {"recorded_at": "2026-11-01T23:59"}), SETTINGS, PLACES)
    assert result.findings[["source_line", "rule", "action"]].values.tolist() == [
        [2, "recorded_after_receipt", "warn"]
    ]
    assert result.accepted.num_rows == 2


def test_a_number_for_missing_in_an_optional_column_only_warns(export):
    result = checked(export("followups", {"pain": "99"}), SETTINGS, PLACES)
    assert result.findings[["column", "rule", "action"]].values.tolist() == [
        ["pain", "value_code_for_missing", "warn"]
    ]
    assert result.accepted["pain"].to_pylist() == [None]


def test_several_faults_of_a_row_are_all_told(export):
    result = checked(export("operations", {"side": "?!", "sex": None, "age_years": "x"}), SETTINGS, PLACES)
    assert result.findings[["column", "rule"]].values.tolist() == [
        ["side", "value_unknown_word"],
        ["age_years", "value_unparsable"],
        ["sex", "value_missing"],
    ]


@pytest.mark.parametrize(
    ("measure", "rules"),
    [
        ("forward_flexion", ["reading_zero"]),
        ("flexion", ["reading_zero"]),
        ("extension_deficit", []),
        ("our_score", []),
    ],
)
def test_a_motion_of_zero_is_accepted_with_a_warning(export, measure, rules):
    """Nobody lifts an arm by nothing unless the shoulder is stiff; a knee that lacks no extension is sound."""
    change = {"measure": measure, "value": "0"} | (
        {"unit": "points", "mode": "none"} if "score" in measure else {}
    )
    result = checked(export("measurements", change), SETTINGS, PLACES)
    assert result.findings["rule"].tolist() == rules
    assert set(result.findings["action"]) <= {"warn"}
    assert result.accepted["value"].to_pylist() == [0.0]
