"""What one cell becomes. Expected values are worked out by hand from the contract (project design notes)."""

from __future__ import annotations

from datetime import date, datetime

import pyarrow as pa
import pytest

from pipeline.handover import Reading
from pipeline.validate.parse import parsed
from schemas.exports import EXPORTS

PLACES = ("shoulder", "knee", "clavicle")
PLAIN = Reading()
DAY_FIRST = Reading(date_order="DMY", decimal=",", timezone="Europe/Dublin", year_pivot=30)
MONTH_FIRST = Reading(date_order="MDY")
YEAR_FIRST = Reading(date_order="YMD", year_pivot=1950)


def cell(column: str, text: str | None, reading: Reading = PLAIN, table: str = "operations", **others: str):
    """Value, rule of the fault and rule of the repair of one cell."""
    sent = {column: text, **others}
    rows = pa.table({name: pa.array([value], pa.string()) for name, value in sent.items()})
    result = parsed(rows, EXPORTS[table], reading, PLACES)
    if result.refusal:
        return None, result.refusal, ""
    faults = result.faults.loc[result.faults["column"] == column, "rule"].tolist()
    repairs = result.repairs.loc[result.repairs["column"] == column, "rule"].tolist()
    assert len(faults) <= 1
    assert len(repairs) <= 1
    return result.table[column][0].as_py(), "".join(faults), "".join(repairs)


DAYS = [
    ("2025-03-03", PLAIN, date(2025, 3, 3), "", ""),
    (" 2025-03-03 ", PLAIN, date(2025, 3, 3), "", ""),
    ("20250303", PLAIN, date(2025, 3, 3), "", "date_reread"),
    ("2025-03-03T14:30:00", PLAIN, date(2025, 3, 3), "", "time_dropped"),
    ("2025-03-03 00:00:00", PLAIN, date(2025, 3, 3), "", "time_dropped"),
    # Irish summer time is one hour ahead of UTC: 23:30 UTC is the next day there.
    ("2025-06-30T23:30:00Z", DAY_FIRST, date(2025, 7, 1), "", "date_moved_by_zone"),
    ("2025-06-30T22:30:00Z", DAY_FIRST, date(2025, 6, 30), "", "time_dropped"),
    ("2025-06-30T23:30:00+00:00", PLAIN, None, "date_zone_unstated", ""),
    ("2025-02-30", PLAIN, None, "value_unparsable", ""),
    ("2025-13-01", PLAIN, None, "value_unparsable", ""),
    ("2024-02-29", PLAIN, date(2024, 2, 29), "", ""),
    ("2025-02-29", PLAIN, None, "value_unparsable", ""),
    ("03/04/2025", DAY_FIRST, date(2025, 4, 3), "", "date_reread"),
    ("03/04/2025", MONTH_FIRST, date(2025, 3, 4), "", "date_reread"),
    ("3.4.2025", DAY_FIRST, date(2025, 4, 3), "", "date_reread"),
    ("3-4-2025", DAY_FIRST, date(2025, 4, 3), "", "date_reread"),
    ("03/04/2025 10:15", DAY_FIRST, date(2025, 4, 3), "", "date_reread"),
    ("03/13/2025", DAY_FIRST, None, "value_unparsable", ""),
    ("13/03/2025", MONTH_FIRST, None, "value_unparsable", ""),
    ("03/04-2025", DAY_FIRST, None, "value_unparsable", ""),
    ("2025/03/04", PLAIN, date(2025, 3, 4), "", "date_reread"),
    ("03/04/2025", YEAR_FIRST, None, "value_unparsable", ""),
    ("25/03/04", YEAR_FIRST, date(2025, 3, 4), "", "date_reread"),
    ("03/04/25", DAY_FIRST, date(2025, 4, 3), "", "date_reread"),
    ("03/04/25", MONTH_FIRST, None, "value_unparsable", ""),
    ("03/04/2025", PLAIN, None, "date_order_unclear", ""),
    ("13/04/2025", PLAIN, date(2025, 4, 13), "", "date_reread"),
    ("04/13/2025", PLAIN, date(2025, 4, 13), "", "date_reread"),
    ("04/04/2025", PLAIN, date(2025, 4, 4), "", "date_reread"),
    ("3 Mar 2025", PLAIN, date(2025, 3, 3), "", "date_reread"),
    ("03-MAR-2025", PLAIN, date(2025, 3, 3), "", "date_reread"),
    ("03MAR2025", PLAIN, date(2025, 3, 3), "", "date_reread"),
    ("3rd September 2025", PLAIN, date(2025, 9, 3), "", "date_reread"),
    ("Sept 3, 2025", PLAIN, date(2025, 9, 3), "", "date_reread"),
    ("3-Mar-25", PLAIN, None, "value_unparsable", ""),
    ("3 Mai 2025", PLAIN, None, "value_unparsable", ""),
    ("03/2024", PLAIN, None, "date_partial", ""),
    ("2024-03", PLAIN, None, "date_partial", ""),
    ("2024", PLAIN, None, "date_partial", ""),
    ("Mar 2024", PLAIN, None, "date_partial", ""),
    ("45123", PLAIN, None, "value_unparsable", ""),
    # Day 45123 of base 1900 is 2023-07-16 (45292 is 2024-01-01, 169 days later); base 1904 lies 1462 days on.
    ("45123", Reading(excel_base=1900), date(2023, 7, 16), "", "date_reread"),
    ("45123.75", Reading(excel_base=1900), date(2023, 7, 16), "", "date_reread"),
    ("43661", Reading(excel_base=1904), date(2023, 7, 16), "", "date_reread"),
    ("10001", Reading(excel_base=1900), None, "value_unparsable", ""),
    ("1900-01-01", PLAIN, None, "value_code_for_missing", "value_code_for_missing"),
    ("9999-12-31", PLAIN, None, "value_code_for_missing", "value_code_for_missing"),
    ("0025-03-03", PLAIN, None, "value_unparsable", ""),
    ("tomorrow", PLAIN, None, "value_unparsable", ""),
    ("TBC", PLAIN, None, "", "value_missing_token"),
    ("", PLAIN, None, "", ""),
    (None, PLAIN, None, "", ""),
]


@pytest.mark.parametrize(("text", "reading", "value", "fault", "repair"), DAYS)
def test_a_day(text, reading, value, fault, repair):
    assert cell("performed_on", text, reading) == (value, fault, repair)


CELLS = [
    # numbers
    ("measurements", "value", "110", PLAIN, 110.0, "", ""),
    ("measurements", "value", "-5", PLAIN, -5.0, "", ""),
    ("measurements", "value", "−5", PLAIN, -5.0, "", "number_reread"),
    ("measurements", "value", "110 deg", PLAIN, 110.0, "", "unit_removed"),
    ("measurements", "value", "110°", PLAIN, 110.0, "", "unit_removed"),
    ("measurements", "value", "110/180", PLAIN, None, "value_unparsable", ""),
    ("measurements", "value", "T8", PLAIN, None, "value_unparsable", ""),
    ("measurements", "value", "999", PLAIN, None, "value_code_for_missing", "value_code_for_missing"),
    ("measurements", "value", "99", PLAIN, 99.0, "", ""),
    ("measurements", "value", "12,5", DAY_FIRST, 12.5, "", "number_reread"),
    ("measurements", "value", "12,5", PLAIN, None, "value_unparsable", ""),
    ("measurements", "value", "12,5°", DAY_FIRST, 12.5, "", "number_reread"),
    ("measurements", "value", "1.234", DAY_FIRST, None, "value_unparsable", ""),
    ("measurements", "value", "12.5", DAY_FIRST, 12.5, "", ""),
    ("measurements", "value", "1e999", PLAIN, None, "value_unparsable", ""),
    ("measurements", "value", "nan", PLAIN, None, "", "value_missing_token"),
    ("measurements", "value", "inf", PLAIN, None, "value_unparsable", ""),
    ("operations", "bmi", "24.5 deg", PLAIN, None, "value_unparsable", ""),
    ("operations", "implant_count", "2", PLAIN, 2, "", ""),
    ("operations", "implant_count", "2.0", PLAIN, 2, "", "number_reread"),
    ("operations", "implant_count", "02", PLAIN, 2, "", "number_reread"),
    ("operations", "implant_count", "+2", PLAIN, 2, "", "number_reread"),
    # Decided: an exponent is not plainly a number, for 112 shown in few places is 1E+02 and a code 1E1 becomes 10.
    ("operations", "implant_count", "1e1", PLAIN, None, "value_unparsable", ""),
    ("measurements", "value", "1.1E+02", PLAIN, None, "value_unparsable", ""),
    # Decided: digits of other scripts are damage, not numbers.
    ("operations", "implant_count", "\N{FULLWIDTH DIGIT TWO}", PLAIN, None, "value_unparsable", ""),
    ("measurements", "value", "\N{ARABIC-INDIC DIGIT ONE}\N{ARABIC-INDIC DIGIT ONE}", PLAIN, None, "value_unparsable", ""),
    ("operations", "performed_on", "\N{FULLWIDTH DIGIT TWO}025-03-03", PLAIN, None, "value_unparsable", ""),
    ("measurements", "value", "110.0", PLAIN, 110.0, "", "number_reread"),
    ("measurements", "value", "0.10", PLAIN, 0.1, "", "number_reread"),
    ("measurements", "value", "0.1", PLAIN, 0.1, "", ""),
    ("measurements", "value", "1\N{NO-BREAK SPACE}100", PLAIN, None, "value_unparsable", ""),
    ("measurements", "value", "1,234", PLAIN, None, "value_unparsable", ""),
    ("operations", "implant_count", "2.5", PLAIN, None, "value_unparsable", ""),
    ("operations", "implant_count", "two", PLAIN, None, "value_unparsable", ""),
    ("operations", "asa_class", "99", PLAIN, None, "value_code_for_missing", "value_code_for_missing"),
    ("operations", "asa_class", "9", PLAIN, 9, "", ""),
    ("operations", "asa_class", "9", Reading(missing={"asa_class": ("9",)}), None, "", "value_missing_token"),
    # ages
    ("operations", "age_years", "17", PLAIN, 17, "", ""),
    ("operations", "age_years", "0", PLAIN, 0, "", ""),
    ("operations", "age_years", "90", PLAIN, 90, "", "age_over_89"),
    ("operations", "age_years", "90+", PLAIN, 90, "", ""),
    ("operations", "age_years", "93", PLAIN, 90, "", "age_over_89"),
    ("operations", "age_years", "110", PLAIN, 90, "", "age_over_89"),
    ("operations", "age_years", "> 89", PLAIN, 90, "", "age_over_89"),
    ("operations", "age_years", "111", PLAIN, 111, "", ""),
    ("operations", "age_years", "-3", PLAIN, -3, "", ""),
    ("operations", "age_years", "-1", PLAIN, None, "value_code_for_missing", "value_code_for_missing"),
    ("operations", "age_years", "34y", PLAIN, None, "value_unparsable", ""),
    # words
    ("operations", "side", "Left", PLAIN, "left", "", "word_folded"),
    ("operations", "side", " left ", PLAIN, "left", "", ""),
    ("operations", "side", "L", PLAIN, "left", "", "word_translated"),
    ("operations", "side", "Rt", PLAIN, "right", "", "word_translated"),
    ("operations", "side", "BIL", PLAIN, "bilateral", "", "word_translated"),
    ("operations", "side", "none", PLAIN, "none", "", ""),
    ("operations", "side", "N/A", PLAIN, None, "", "value_missing_token"),
    ("operations", "side", "RIGHT?", PLAIN, None, "value_unknown_word", ""),
    ("operations", "side", "R/L", PLAIN, None, "value_unknown_word", ""),
    ("operations", "sex", "F", PLAIN, "female", "", "word_translated"),
    ("operations", "sex", "unknown", PLAIN, "unknown", "", ""),
    ("operations", "sex", "1", PLAIN, None, "value_unknown_word", ""),
    ("operations", "operated_by", "Trainee with surgeon", PLAIN, "trainee_with_surgeon", "", "word_folded"),
    ("operations", "sport", "none", PLAIN, "none", "", ""),
    ("operations", "planned_as", "none", PLAIN, None, "", "value_missing_token"),
    ("operations", "smoker", "yes", PLAIN, True, "", ""),
    ("operations", "smoker", "YES", PLAIN, True, "", "word_folded"),
    ("operations", "smoker", "N", PLAIN, False, "", "word_translated"),
    ("operations", "smoker", "nein", PLAIN, False, "", "word_translated"),
    ("operations", "smoker", "unk", PLAIN, None, "", "value_missing_token"),
    ("operations", "smoker", "sometimes", PLAIN, None, "value_unknown_word", ""),
    ("events", "severity_grade", "iiia", PLAIN, "IIIa", "", "word_folded"),
    ("events", "joint", "Shoulder", PLAIN, "shoulder", "", "word_folded"),
    ("events", "joint", "UL", PLAIN, None, "joint_unknown", ""),
    ("events", "joint", "shoulder/elbow", PLAIN, None, "joint_unknown", ""),
    ("events", "bone", "clavicle", PLAIN, "clavicle", "", ""),
    ("measurements", "measure", "Forward Flexion", PLAIN, "forward_flexion", "", "word_folded"),
    # lists
    ("operations", "fixation", "Button; Interference-Screw ;;", PLAIN, "button;interference_screw", "", "list_rewritten"),
    ("operations", "fixation", "Button;TAPE", PLAIN, "button;tape", "", "word_folded"),
    ("operations", "fixation", "button;tape", PLAIN, "button;tape", "", ""),
    ("operations", "fixation", "button|tape", PLAIN, "button;tape", "", "list_rewritten"),
    ("operations", "fixation", " ; ", PLAIN, None, "", "list_rewritten"),
    # ids, texts, notes, moments
    ("operations", "patient_id", " 00417 ", PLAIN, "00417", "", ""),
    ("operations", "patient_id", "n/a", PLAIN, None, "", "value_missing_token"),
    ("operations", "patient_id", "Mrs Doe", PLAIN, None, "value_unparsable", ""),
    ("operations", "surgeon_id", "LOCUM", PLAIN, None, "", "value_missing_token"),
    ("operations", "approach", " lateral ", PLAIN, "lateral", "", ""),
    ("events", "note", "N/A", PLAIN, "N/A", "", ""),
    ("events", "note", "  ", PLAIN, None, "", ""),
    ("events", "recorded_at", "2025-03-03T14:30:00", PLAIN, datetime(2025, 3, 3, 14, 30), "", ""),
    ("events", "recorded_at", "2025-03-03 14:30", PLAIN, datetime(2025, 3, 3, 14, 30), "", ""),
    ("events", "recorded_at", "2025-03-03", PLAIN, datetime(2025, 3, 3), "", "date_reread"),
    ("events", "recorded_at", "03/04/2025 25:00", DAY_FIRST, None, "value_unparsable", ""),
    ("events", "recorded_at", "03/04/2025 13:30 pm", DAY_FIRST, None, "value_unparsable", ""),
    ("events", "recorded_at", "2025-03-03T14:30:00.5", PLAIN, datetime(2025, 3, 3, 14, 30, 0, 500000), "", "date_reread"),
    ("events", "recorded_at", "2025-07-03T14:30Z", DAY_FIRST, datetime(2025, 7, 3, 15, 30), "", "date_reread"),
    ("events", "recorded_at", "2025-07-03T14:30+02:00", PLAIN, datetime(2025, 7, 3, 12, 30), "", "date_reread"),
    ("events", "recorded_at", "03/04/2025 2:30 pm", DAY_FIRST, datetime(2025, 4, 3, 14, 30), "", "date_reread"),
    ("events", "recorded_at", "2025-02-30T10:00:00", PLAIN, None, "value_unparsable", ""),
    ("events", "recorded_at", "half past two", PLAIN, None, "value_unparsable", ""),
]  # fmt: skip


@pytest.mark.parametrize(("table", "column", "text", "reading", "value", "fault", "repair"), CELLS)
def test_a_cell(table, column, text, reading, value, fault, repair):
    assert cell(column, text, reading, table) == (value, fault, repair)


# ICD-10-CM Official Guidelines, section I.A: the point stands after the third character.
CODES = [
    ("ICD-10-CM", "M24411", "M24.411", "code_normalised"),
    ("ICD-10-CM", "m24.411 ", "M24.411", "code_normalised"),
    ("ICD-10-CM", "M24.411", "M24.411", ""),
    ("ICD-10-CM", "S43.015a", "S43.015A", "code_normalised"),
    ("icd10cm", "M75", "M75", ""),
    ("local", "m24411", "m24411", ""),
    ("OPCS-4", "w77.1", "w77.1", ""),
]


@pytest.mark.parametrize(("system", "text", "value", "repair"), CODES)
def test_a_code_is_written_as_its_system_writes_it(system, text, value, repair):
    assert cell("diagnosis_code", text, diagnosis_system=system) == (value, "", repair)


def test_a_procedure_code_of_the_icd_has_no_point():
    assert cell("procedure_code", "0rqj4zz", procedure_system="ICD-10-PCS") == (
        "0RQJ4ZZ",
        "",
        "code_normalised",
    )


def test_each_row_follows_its_own_code_system():
    rows = pa.table({"code": ["m24411", "m24411"], "code_system": ["ICD-10-CM", "local"]})
    table = parsed(rows, EXPORTS["events"], PLAIN, PLACES).table
    assert table["code"].to_pylist() == ["M24.411", "m24411"]


@pytest.mark.parametrize(
    ("spelled", "usual"),
    [("icd-10-cm", "ICD-10-CM"), ("ICD10 PCS", "ICD-10-PCS"), ("Local", "local"), ("SNOMED CT", "SNOMED CT")],
)
def test_names_of_code_systems(spelled, usual):
    assert cell("diagnosis_system", spelled)[0] == usual


def test_absent_and_empty_cells_take_the_contracts_default():
    table = parsed(pa.table({"status": [None, "booked"]}), EXPORTS["operations"], PLAIN, PLACES).table
    assert table["status"].to_pylist() == ["performed", "booked"]
    assert table["procedure_system"].to_pylist() == ["local", "local"]
    assert table["diagnosis_system"].to_pylist() == ["ICD-10-CM", "ICD-10-CM"]
    assert table["record_status"].to_pylist() == ["active", "active"]


def test_a_repair_shows_before_and_after():
    rows = pa.table({"side": ["left", "Lt", "TBC"], "smoker": ["y", None, None]})
    repairs = parsed(rows, EXPORTS["operations"], PLAIN, PLACES).repairs
    assert repairs.sort_values(["row", "column"]).values.tolist() == [
        [0, "smoker", "word_translated", "y", "yes"],
        [1, "side", "word_translated", "Lt", "left"],
        [2, "side", "value_missing_token", "TBC", ""],
    ]


ORDERS = [
    (["13/04/2025", "03/04/2025"], [date(2025, 4, 13), date(2025, 4, 3)]),
    (["04/13/2025", "03/04/2025"], [date(2025, 4, 13), date(2025, 3, 4)]),
    (["2025-04-13", "04/04/2025"], [date(2025, 4, 13), date(2025, 4, 4)]),
    (["13/04/2025", "04/13/2025"], None),
    (["2025-04-13", "03/04/2025"], None),
    # A day that does not exist proves nothing.
    (["32/04/2025", "03/04/2025"], None),
]


@pytest.mark.parametrize(("texts", "days"), ORDERS)
def test_an_undeclared_order_is_taken_only_if_the_file_leaves_one(texts, days):
    result = parsed(pa.table({"performed_on": texts}), EXPORTS["operations"], PLAIN, PLACES)
    if days is None:
        assert result.refusal == "date_order_unclear"
        assert result.table.num_rows == 0
    else:
        assert result.table["performed_on"].to_pylist() == days


def test_the_order_is_found_over_all_days_of_a_file():
    rows = pa.table({"performed_on": ["03/04/2025"], "onset_on": ["25/03/2025"]})
    table = parsed(rows, EXPORTS["operations"], PLAIN, PLACES).table
    assert table["performed_on"].to_pylist() == [date(2025, 4, 3)]


def test_serial_days_need_a_column_of_nothing_else():
    rows = pa.table({"performed_on": ["45123", "2025-03-03"], "onset_on": ["45123", None]})
    result = parsed(rows, EXPORTS["operations"], Reading(excel_base=1900), PLACES)
    assert result.table["performed_on"].to_pylist() == [None, date(2025, 3, 3)]
    assert result.table["onset_on"].to_pylist() == [date(2023, 7, 16), None]


def test_day_numbers_count_from_1970_where_a_site_sends_them():
    rows = pa.table({"performed_on": ["0", "31", "-1"]})
    table = parsed(rows, EXPORTS["operations"], PLAIN, PLACES, day_numbers=True).table
    assert table["performed_on"].to_pylist() == [date(1970, 1, 1), date(1970, 2, 1), date(1969, 12, 31)]


@pytest.mark.parametrize(
    ("year", "pivot", "whole"),
    [(25, 30, 2025), (30, 30, 1930), (99, 30, 1999), (49, 1950, 2049), (50, 1950, 1950)],
)
def test_two_digit_years_lie_in_the_hundred_years_from_the_pivot(year, pivot, whole):
    from pipeline.validate.dates import whole_year

    assert whole_year(year, pivot) == whole


THREE_ODD = ["04/13/2025", "04/14/2025", "04/15/2025"]
CONTRADICTED = [
    # Three different days that day-first cannot be, and none that needs it: the declaration is not this file's.
    (["04/13/2025", "04/14/2025", "04/15/2025", "03/04/2025"], "date_order_unclear"),
    # One or two odd cells hold back their own rows only; so do three among twenty times as many that need the order.
    (["04/13/2025", "04/14/2025", "03/04/2025"], ""),
    (["04/13/2025", "04/13/2025", "04/13/2025", "04/14/2025"], ""),
    ([*THREE_ODD, *(f"{day}/{month:02d}/2025" for day in range(13, 18) for month in range(1, 13))], ""),
    # Both kinds in one file, with days between them that fit either: nothing tells which those are.
    ([*THREE_ODD, "13/04/2025", "03/04/2025"], "date_order_unclear"),
]


@pytest.mark.parametrize(("texts", "refusal"), CONTRADICTED)
def test_a_declared_order_that_the_file_contradicts(texts, refusal):
    rows = pa.table({"performed_on": texts})
    result = parsed(rows, EXPORTS["operations"], DAY_FIRST, PLACES)
    assert result.refusal == refusal
    if not any(text[:2] > "12" for text in texts):
        month_first = parsed(rows, EXPORTS["operations"], MONTH_FIRST, PLACES)
        assert month_first.refusal == ""


def test_serial_days_of_a_column_are_days_only_if_all_could_be():
    """Day 45123 of base 1900 is 2023-07-16; day 10001 is 1927-05-19, and 60000 is 2064-04-08."""
    base, received = Reading(excel_base=1900), date(2026, 11, 1)
    for odd in ("10001", "60000"):
        rows = pa.table({"performed_on": ["45123", odd]})
        result = parsed(rows, EXPORTS["operations"], base, PLACES, received=received)
        assert result.table["performed_on"].to_pylist() == [None, None]
    rows = pa.table({"performed_on": ["45123", "45124"]})
    result = parsed(rows, EXPORTS["operations"], base, PLACES, received=received)
    assert result.table["performed_on"].to_pylist() == [date(2023, 7, 16), date(2023, 7, 17)]


def test_days_moved_by_the_zone_are_said_once_a_column():
    """Irish summer time is an hour ahead of UTC, so midnight in July is 23:00Z of the day before."""
    rows = pa.table({"occurred_on": ["2025-07-01T23:00:00Z", "2025-07-01T23:00:00Z", "2025-12-01T00:00:00Z"]})
    result = parsed(rows, EXPORTS["events"], DAY_FIRST, PLACES)
    assert result.table["occurred_on"].to_pylist() == [date(2025, 7, 2), date(2025, 7, 2), date(2025, 12, 1)]
    assert result.noted == (("days_moved_by_zone", "occurred_on", 2),)


def test_hours_that_the_clock_shows_twice_or_not_at_all_are_said_once_a_column():
    """Irish clocks went back at 02:00 on 2025-10-26 and forward at 01:00 on 2025-03-30."""
    moments = ["2025-10-26T01:30:00", "2025-03-30T01:30:00", "2025-10-26T02:30:00", "2025-07-01T12:00:00"]
    result = parsed(pa.table({"recorded_at": moments}), EXPORTS["events"], DAY_FIRST, PLACES)
    assert result.noted == (("hour_unclear", "recorded_at", 2),)
    assert parsed(pa.table({"recorded_at": moments}), EXPORTS["events"], PLAIN, PLACES).noted == ()


def test_blanks_around_cells_are_counted_by_column():
    rows = pa.table(
        {"side": [" left", "left ", "left", "\N{NO-BREAK SPACE}"], "operation_id": ["a ", "b", "c", "d"]}
    )
    result = parsed(rows, EXPORTS["operations"], PLAIN, PLACES)
    assert result.blanks == {"operation_id": 1, "side": 3}
    assert not len(result.repairs)


def test_a_missing_number_shows_what_stood_there():
    rows = pa.table({"asa_class": ["99"], "age_years": ["93"], "smoker": ["Y"]})
    repairs = parsed(rows, EXPORTS["operations"], PLAIN, PLACES).repairs
    assert repairs.sort_values("column")[["column", "rule", "before", "after"]].values.tolist() == [
        ["age_years", "age_over_89", "93", "90+"],
        ["asa_class", "value_code_for_missing", "99", ""],
        ["smoker", "word_translated", "Y", "yes"],
    ]


def test_a_column_of_birth_dates_has_no_place():
    """Ages come from the export and are never worked out again: no table has a column for the day of birth."""
    assert not [
        name for table in EXPORTS.values() for name in table.names if "birth" in name or "born" in name
    ]
