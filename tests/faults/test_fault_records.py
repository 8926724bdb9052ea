"""Faults between rows: order in time, versions, patients, surgeons, sides, codes."""

from __future__ import annotations

import csv
from typing import Any

import pytest

WHOLE = {"accepted": 60}
ONE_HELD = {"accepted": 59, "quarantined": 1}
OPERATIONS = "received/harbour/2026-11-02/operations.csv"


def counted(outcome: Any, case_id: str, category: str = "") -> set[str]:
    """Categories (or statuses of one category) of a case that count."""
    rows = outcome.table("complications")
    rows = rows[(rows["case_id"] == case_id) & (rows["category"] != "any_complication")]
    if category:
        return set(rows.loc[rows["category"] == category, "status"])
    return set(rows.loc[rows["status"] == "counted", "category"])


def lines_of(outcome: Any, why: str) -> list[str]:
    return [line["record_id"] for line in outcome.lines("unattributed") if line["why"] == why]


# ---------------------------------------------------------------- order in time


def test_fault_26_follow_up_before_the_operation(hospital: Any) -> None:
    hospital.spoil("followups", 7, seen_on="2024-12-01")
    hospital.spoil("measurements", 8, measured_on="2024-12-01")
    outcome = hospital.run()
    assert outcome.fates("followups") == outcome.fates("measurements") == WHOLE
    assert lines_of(outcome, "before") == ["F008", "M009"]


def test_fault_27_event_before_the_operation(hospital: Any) -> None:
    """What was there before is listed and makes no complication."""
    hospital.spoil("events", 7, occurred_on="2025-01-13")
    outcome = hospital.run()
    assert outcome.fates("events") == WHOLE
    assert lines_of(outcome, "before") == ["E008"]
    assert counted(outcome, "harbour.O008.L") == set()


def test_fault_28_injury_after_the_operation(hospital: Any) -> None:
    """The contract has no admission and no discharge; the two days an operation has are its own and the onset's."""
    hospital.spoil("operations", 7, onset_on="2025-01-15")
    hospital.spoil("operations", 8, onset_on=hospital.tables["operations"][8]["performed_on"])
    hospital.spoil("operations", 9, onset_on="2019-05-05")
    outcome = hospital.check()
    assert outcome.held("operations") == {"O008": ["dates_in_wrong_order"]}


def test_fault_28_visit_after_death(hospital: Any) -> None:
    """On the day itself and before it is no fault; a death noted at a visit is dated by that visit."""
    hospital.tables["patients"] = [{"patient_id": f"P{n:03d}", "died_on": "2025-06-01"} for n in (8, 9, 10)]
    hospital.spoil("followups", 7, seen_on="2026-01-05")
    hospital.spoil("followups", 8, seen_on="2025-06-01")
    hospital.spoil("followups", 9, seen_on="2026-01-05", status="died")
    for at in (7, 8, 9):
        hospital.spoil("measurements", at, measured_on="2025-06-01")
    outcome = hospital.check()
    assert outcome.told("after_death") == ["F008"]
    assert outcome.fates("followups") == ONE_HELD


def test_fault_28_death_before_the_operation(hospital: Any) -> None:
    """Two people under one number: the export that brings the contradiction is set aside, the rest stands."""
    hospital.tables["patients"] = [{"patient_id": "P008", "died_on": "2024-06-01"}]
    hospital.put("operations.csv", hospital.text("operations"), receipt="2026-10-02")
    outcome = hospital.run(1)
    file = "received/harbour/2026-11-02/patients.csv"
    assert outcome.reasons() == {file: "death_before_operation"}
    assert outcome.fates("patients") == {"refused": 1}
    assert outcome.fates("operations") == {"accepted": 60, "duplicate": 60}
    assert len(outcome.cases()) == 60


def test_fault_28_death_before_the_operation_in_one_receipt(hospital: Any) -> None:
    """Which of the two is wrong nobody knows: neither export is used, and the older operations stand."""
    earlier = hospital.text("operations")
    hospital.put("operations.csv", earlier, receipt="2026-10-02")
    hospital.spoil("operations", 7, age_years="44")
    hospital.tables["patients"] = [{"patient_id": "P008", "died_on": "2024-06-01"}]
    outcome = hospital.run(1)
    patients = "received/harbour/2026-11-02/patients.csv"
    assert outcome.reasons() == dict.fromkeys([OPERATIONS, patients], "death_before_operation")
    assert outcome.fates("operations") == {"accepted": 60, "refused": 60}
    assert set(outcome.table("cases")["source_file"]) == {"received/harbour/2026-10-02/operations.csv"}


# ---------------------------------------------------------------- versions of records


def test_fault_41_identical_rows(hospital: Any) -> None:
    times = {"operations": 1, "events": 3, "followups": 2, "measurements": 1}
    for table, again in times.items():
        for _ in range(again):
            hospital.add(table)
    outcome = hospital.check()
    for table, again in times.items():
        assert outcome.fates(table) == {"accepted": 60, "duplicate": again}
        logged = [
            line["source_line"]
            for line in outcome.lines("repairs")
            if (line["table"], line["rule"]) == (table, "record_duplicate")
        ]
        assert logged == [str(62 + at) for at in range(again)]  # a header, 60 rows, then the repeats


def test_fault_41_identical_but_for_the_way_it_is_written(hospital: Any) -> None:
    """Equal after reading: blanks, case and spelling are no content."""
    hospital.add(
        "operations", side=" Left ", sex="F" if hospital.tables["operations"][7]["sex"] == "female" else "M"
    )
    assert hospital.check().fates("operations") == {"accepted": 60, "duplicate": 1}


def test_fault_42_two_versions_in_one_receipt(hospital: Any) -> None:
    """Nothing says which is right, so neither is taken."""
    tables = ("operations", "events", "followups", "measurements")
    ids = {table: next(iter(hospital.add(table, side="right").values())) for table in tables}
    outcome = hospital.check(1)
    for table in tables:
        assert outcome.fates(table) == {"accepted": 59, "quarantined": 2}
        assert outcome.rules(table=table, record_id=ids[table]) == ["record_conflict"] * 2


def test_fault_42_two_versions_in_one_receipt_and_an_older_one(hospital: Any) -> None:
    """The older accepted version stays."""
    hospital.put("operations.csv", hospital.text("operations"), receipt="2026-10-02")
    hospital.spoil("operations", age_years="40")
    hospital.add("operations", age_years="41")
    outcome = hospital.run(1)
    assert outcome.fates("operations") == {"accepted": 60, "duplicate": 59, "quarantined": 2}
    cases = outcome.table("cases").set_index("case_id")
    assert cases.loc["harbour.O008.L", "age_band"] == "0-24"


@pytest.mark.parametrize("backwards", [False, True])
def test_fault_42_versions_with_their_time(hospital: Any, backwards: bool) -> None:
    """The later written one stands, wherever it lies in the file."""
    at, again = (
        ("2025-03-01T10:00:00", "2025-02-01T10:00:00")
        if backwards
        else ("2025-02-01T10:00:00", "2025-03-01T10:00:00")
    )
    for row in hospital.tables["operations"]:
        row["recorded_at"] = at
    hospital.add("operations", recorded_at=again, age_years="50")
    outcome = hospital.run()
    assert outcome.fates("operations") == {"accepted": 60, "superseded": 1}
    assert outcome.finding("record_superseded", "repairs")["source_line"] == ("62" if backwards else "9")
    band = outcome.table("cases").set_index("case_id").loc["harbour.O008.L", "age_band"]
    assert band == ("0-24" if backwards else "45-54")


def test_fault_43_number_used_again(hospital: Any) -> None:
    """One number, two patients more than a year apart: neither can be told to be right."""
    hospital.add("operations", patient_id="P777", performed_on="2026-05-05")
    outcome = hospital.check(1)
    assert outcome.fates("operations") == {"accepted": 59, "quarantined": 2}
    assert outcome.rules(table="operations") == ["id_used_again"] * 2


def test_fault_43_number_used_again_where_years_start_anew(hospital: Any) -> None:
    hospital.mapping('id_scope = "year"\n')
    hospital.add("operations", patient_id="P777", performed_on="2026-05-05")
    outcome = hospital.run()
    assert outcome.fates("operations") == {"accepted": 61}
    assert len(outcome.cases()) == 61


def test_fault_43_same_number_at_another_site(hospital: Any) -> None:
    hospital.settings += '\n[sites.island]\nname = "Island"\nrequired = ["operations"]\n'
    hospital.put("operations.csv", hospital.text("operations").replace("left", "right"), site="island")
    outcome = hospital.run()
    assert outcome.fates("operations") == outcome.fates("operations", "island") == WHOLE
    assert len(outcome.cases()) == 120


def test_fault_44_one_sitting_in_several_rows(hospital: Any) -> None:
    """Rows stay rows; the sitting is one case."""
    hospital.add("operations", operation_id="O008b", procedure_code="KN-TUB")
    hospital.add("operations", operation_id="O008c", procedure_code="KN-LIG")
    outcome = hospital.run()
    assert outcome.fates("operations") == {"accepted": 62}
    assert len(outcome.cases()) == 60


# ---------------------------------------------------------------- patients

MERGE = "site_id,patient_id,same_as,decided_on,undone_on,by\nharbour,P999,P008,2026-10-15,{undone},office\n"


def two_numbers(hospital: Any) -> None:
    """A dislocation of patient P008 under the number P999."""
    hospital.add("events", event_id="E999", patient_id="P999", code="S83.005A", occurred_on="2025-03-03", joint="",
                 instability_level="1")  # fmt: skip


def test_fault_46_patient_under_two_numbers_not_merged(hospital: Any) -> None:
    """Pseudonyms hold nothing by which likeness could be judged, so nobody is merged on suspicion: the record stands
    with those for which no operation is known, for a person to look at."""
    two_numbers(hospital)
    outcome = hospital.run()
    assert outcome.fates("events") == {"accepted": 61}
    assert lines_of(outcome, "no_operation") == ["E999"]
    assert counted(outcome, "harbour.O008.L") == {"infection"}


def test_fault_46_patient_under_two_numbers_merged_later(hospital: Any) -> None:
    two_numbers(hospital)
    hospital.people["merges/2026.csv"] = MERGE.format(undone="")
    outcome = hospital.run()
    assert outcome.lines("unattributed") == []
    assert counted(outcome, "harbour.O008.L") == {"infection", "instability"}


def test_fault_46_operations_that_look_like_one_patient(hospital: Any) -> None:
    """Two numbers with the same operation on the same day, by the same surgeon, at the same age: asked about."""
    hospital.add("operations", operation_id="O999", patient_id="P999")
    outcome = hospital.check()
    assert outcome.fates("operations") == {"accepted": 61}
    assert {
        line["record_id"] for line in outcome.lines("quarantine") if line["rule"] == "patients_alike"
    } == {"O008", "O999"}


@pytest.mark.parametrize(("as_of", "merged"), [("2026-11-02", True), ("2026-11-20", False)])
def test_fault_47_merge_taken_back(hospital: Any, as_of: str, merged: bool) -> None:
    """The dated map is played again up to the day asked for."""
    two_numbers(hospital)
    hospital.people["merges/2026.csv"] = MERGE.format(undone="2026-11-10")
    outcome = hospital.run(0, "--as-of", as_of, "--period", "2026-10")
    assert ("instability" in counted(outcome, "harbour.O008.L")) is merged
    assert lines_of(outcome, "no_operation") == ([] if merged else ["E999"])


def test_fault_48_placeholder_patient(hospital: Any) -> None:
    cells = ["000000", "TEST", "test patient", "ZZTEST", "XXX", "999999", "0", "dummy", "Test 1"]
    hospital.one_by_one("operations", "patient_id", cells, "placeholder_patient")


def test_fault_48_no_placeholder(hospital: Any) -> None:
    """Pseudonyms that only look a little like one."""
    hospital.each("operations", "patient_id", ["P000", "10000", "T8", "TESTA1", "999", "contest"])
    assert hospital.check().fates("operations") == WHOLE


# ---------------------------------------------------------------- surgeons


def with_surgeons(hospital: Any, *rows: tuple[str, str, str]) -> None:
    hospital.tables["surgeons"] = [
        {"surgeon_id": surgeon, "active_from": begin, "active_to": end} for surgeon, begin, end in rows
    ]


def surgeon_of(outcome: Any, case_id: str) -> str:
    return str(outcome.table("cases").set_index("case_id").loc[case_id, "surgeon"])


def test_fault_49_leading_zeros_lost(hospital: Any) -> None:
    """Given back where exactly one listed surgeon fits, and logged; where two fit, or none, the id stays and is told."""
    listed = ("S1", "00417", "0052", "00052")
    with_surgeons(hospital, *((surgeon, "2020-01-01", "") for surgeon in listed))
    hospital.each("operations", "surgeon_id", ["417", "52", "88"], first=7)
    outcome = hospital.run()
    assert outcome.fates("operations") == WHOLE
    assert outcome.logged("surgeon_zeros_restored", "surgeon_id") == {"O008": ("417", "00417")}
    assert surgeon_of(outcome, "harbour.O008.L") == "harbour/00417"
    assert outcome.told("surgeon_unclear") == ["O009"]
    assert outcome.told("surgeon_not_listed") == ["O010"]


def test_fault_49_leading_zeros_kept(hospital: Any) -> None:
    """Text stays text: 00417 is never read as a number."""
    with_surgeons(hospital, ("S1", "2020-01-01", ""), ("00417", "2020-01-01", ""))
    hospital.spoil("operations", surgeon_id="00417", patient_id="008")
    outcome = hospital.run()
    assert surgeon_of(outcome, "harbour.O008.L") == "harbour/00417"
    assert "surgeon_not_listed" not in outcome.rules()


def test_fault_51_no_surgeon(hospital: Any) -> None:
    ids = hospital.each("operations", "surgeon_id", ["", "LOCUM", "agency", "N/A", "Unknown", "locum"])
    outcome = hospital.run()
    assert outcome.fates("operations") == WHOLE
    cases = outcome.table("cases").set_index("operation_id")
    assert set(cases.loc[list(ids), "surgeon"]) == {"unattributed"}
    assert set(cases.drop(index=list(ids))["surgeon"]) == {"harbour/S1"}


def test_fault_51_name_in_place_of_a_number(hospital: Any) -> None:
    """The rows are held back, and the name stands in no output."""
    ids = hospital.each("operations", "surgeon_id", ["Mr Q Tarrant", "Dr. Tarrant", "Tarrant, Quill"])
    outcome = hospital.check(1)
    assert outcome.held("operations").keys() == ids.keys()
    assert outcome.holding("Tarrant") == []


def test_fault_51_surgeon_not_active_that_day(hospital: Any) -> None:
    """Never given to somebody else: the operation counts without a surgeon, the sender is asked."""
    with_surgeons(
        hospital,
        ("S1", "2020-01-01", ""), ("S2", "2025-06-01", ""), ("S3", "2020-01-01", "2024-12-31"), ("S4", "", "2025-01-16"),
    )  # fmt: skip
    hospital.each("operations", "surgeon_id", ["S2", "S3", "S4"], first=7)
    outcome = hospital.run()
    assert outcome.fates("operations") == WHOLE
    assert outcome.told("surgeon_inactive") == ["O008", "O009"]
    assert surgeon_of(outcome, "harbour.O008.L") == "unattributed"


# ---------------------------------------------------------------- sides and places


def test_fault_52_sides_in_agreed_words(hospital: Any) -> None:
    left = hospital.each("operations", "side", ["L", "Lt", "LT.", "LEFT", " Left "])
    both = hospital.each("operations", "side", ["B", "BIL", "bilateral", "Both"], first=20)
    outcome = hospital.run()
    assert outcome.fates("operations") == WHOLE
    assert {f"harbour.{one}.L" for one in left} <= outcome.cases()
    assert {f"harbour.{one}.{side}" for one in both for side in "LR"} <= outcome.cases()
    assert len(outcome.cases()) == 64
    logged = outcome.logged("word_translated", "side")
    assert {after for _, after in logged.values()} == {"left", "bilateral"}
    assert len(logged) == 6


def test_fault_52_side_that_nobody_can_tell(hospital: Any) -> None:
    cells = ["R/L", "L/R", "RIGHT?", "left or right", "medial", "1", "LR", "R or L"]
    ids = hospital.each("events", "side", cells)
    outcome = hospital.one_by_one_beside("operations", "side", cells, "value_unknown_word", ("events",))
    assert outcome.held("events") == {key: ["value_unknown_word"] for key in ids}


def test_fault_52_side_left_blank(hospital: Any) -> None:
    """Needed of an operation; of an event it is a question for a reviewer."""
    hospital.spoil("operations", 3, side="")
    hospital.spoil("events", 7, side="")
    hospital.add("operations", 7, operation_id="O108", side="right")
    outcome = hospital.run()
    assert outcome.held("operations") == {"O004": ["value_missing"]}
    assert outcome.fates("events") == WHOLE
    assert "E008" not in lines_of(outcome, "other_side")
    file = "received/harbour/2026-11-02/events.csv:9"
    assert {line["case_id"] for line in outcome.lines("review") if line["evidence"] == file} == {
        "harbour.O008.L", "harbour.O108.R",
    }  # fmt: skip


def test_fault_53_operation_against_its_diagnosis(hospital: Any) -> None:
    """M22.01 and S83.004 are right, M22.02 and S83.005 left: what contradicts the side is held back with an alert."""
    left, right = [7, 9, 11], [8, 10, 12]
    for at, code in zip(left, ["M22.02", "M22.01", "S83.004A"], strict=True):
        hospital.spoil("operations", at, diagnosis_code=code)
    for at, code in zip(right, ["M22.01", "m2202", "S83.005A"], strict=True):
        hospital.spoil("operations", at, diagnosis_code=code)
    outcome = hospital.check(1)
    wrong = ["O010", "O012", "O011", "O013"]
    assert outcome.held("operations") == {key: ["side_against_diagnosis"] for key in sorted(wrong)}


def test_fault_53_event_against_its_code(hospital: Any) -> None:
    hospital.spoil("events", 7, code="S83.004A", joint="", instability_level="1")
    outcome = hospital.run()
    assert outcome.fates("events") == WHOLE
    assert outcome.finding("side_conflict")["record_id"] == "E008"
    assert counted(outcome, "harbour.O008.L") == set()
    assert [line for line in outcome.lines("review") if line["evidence"].endswith("events.csv:9")]


def test_fault_53_event_against_the_operation_it_names(hospital: Any) -> None:
    hospital.spoil("events", 7, side="right", operation_id="O008")
    outcome = hospital.run()
    assert outcome.fates("events") == WHOLE
    assert outcome.finding("side_conflict")["record_id"] == "E008"
    assert counted(outcome, "harbour.O008.L") == set()
    assert [line for line in outcome.lines("review") if line["evidence"].endswith("events.csv:9")]


def test_fault_54_joint_that_is_none(hospital: Any) -> None:
    cells = ["UL", "arm", "shoulder/elbow", "upper limb", "knee and ankle"]
    ids = hospital.each("events", "joint", cells)
    outcome = hospital.one_by_one_beside("measurements", "joint", cells, "joint_unknown", ("events",))
    assert outcome.held("events") == {key: ["joint_unknown"] for key in ids}


# ---------------------------------------------------------------- what was done, and what it is called


def test_fault_55_not_performed(hospital: Any) -> None:
    """Accepted as records, left out of the count, and counted among those left out."""
    hospital.each("operations", "status", ["booked", "cancelled", "abandoned"])
    outcome = hospital.run()
    assert outcome.fates("operations") == WHOLE
    assert len(outcome.cases()) == 57
    flow = outcome.table("flow")
    left_out = flow[flow["step"].str.contains("booked, cancelled or abandoned")]
    assert left_out["removed"].sum() == 3


def test_fault_55_booked_for_a_day_to_come(hospital: Any) -> None:
    """A booking may lie ahead of the receipt."""
    hospital.spoil("operations", status="booked", performed_on="2026-12-24")
    assert hospital.check().fates("operations") == WHOLE


def test_fault_56_planned_and_performed_differ(hospital: Any) -> None:
    """The contract holds what was performed. A column of what was planned stays in the export: reported, not used."""
    for row in hospital.tables["operations"]:
        row["planned_procedure"] = "KN-LIG"
    hospital.spoil("operations", procedure_code="KN-TUB")
    outcome = hospital.run()
    assert outcome.fates("operations") == WHOLE
    assert outcome.finding("column_unknown")["column"] == "planned_procedure"
    cases = outcome.table("cases").set_index("case_id")
    assert cases.loc["harbour.O008.L", "procedure"] == "tubercle_transfer"


def test_fault_57_diagnosis_coded_anew(hospital: Any) -> None:
    """A fracture added months later counts from then on, on the day it happened; before, it was not known."""
    hospital.spoil("events", code="", note="seen by the ward")
    later = dict(
        hospital.tables["events"][7],
        code="S82.002A",
        joint="",
        bone="patella",
        through_fixation_site="yes",
        note="",
    )
    hospital.put(
        "events.csv", "\n".join([",".join(later), ",".join(later.values())]) + "\n", receipt="2026-11-20"
    )
    before = hospital.run(0, "--as-of", "2026-11-10", "--period", "2026-10")
    after = hospital.run(0, "--period", "2026-10")
    assert counted(before, "harbour.O008.L") == set()
    assert counted(after, "harbour.O008.L") == {"fixation_site_fracture"}
    assert after.fates("events") == {"accepted": 60, "superseded": 1}


def test_fault_58_code_in_another_spelling(hospital: Any) -> None:
    cells = ["T8141XA", "t81.41xa", "T81.41XA ", "T81.41xa", " t8141xa"]
    ids = hospital.each("events", "code", cells)
    outcome = hospital.run()
    assert outcome.fates("events") == WHOLE
    for one in ids:
        case = next(each for each in outcome.cases() if one.replace("E", "O") in each)
        assert counted(outcome, case) == {"infection"}
    logged = outcome.logged("code_normalised", "code")
    assert {ids[one].strip() for one in logged} == {"T8141XA", "t81.41xa", "T81.41xa", "t8141xa"}
    assert {after for _, after in logged.values()} == {"T81.41XA"}


def test_fault_58_unknown_code(hospital: Any) -> None:
    """Kept and counted as unknown; it may be new or of no interest."""
    ids = hospital.each("events", "code", ["Q99.77", "X0", "OLDCODE"])
    outcome = hospital.check()
    assert outcome.fates("events") == WHOLE
    for one in ids:
        assert {"code_unknown", "code_not_listed"} & set(outcome.rules(record_id=one)), ids[one]


def test_fault_58_unknown_procedure(hospital: Any) -> None:
    hospital.spoil("operations", procedure_code="KN-NEW")
    outcome = hospital.run()
    assert outcome.fates("operations") == WHOLE
    assert outcome.finding("procedure_code_unknown")["record_id"] == "O008"
    assert len(outcome.cases()) == 59


def test_fault_59_later_encounter_is_no_new_event(hospital: Any) -> None:
    """The same break, seen again at 60 days: one complication, on the day of the first. Alone, a later encounter does
    not say when it broke, or whether after this operation, and does not count by itself."""
    for at, letter in ((7, "D"), (9, "S")):
        hospital.spoil("events", at, code="S82.002A", joint="", bone="patella", through_fixation_site="yes")
        hospital.add("events", at, event_id=f"E9{at:02d}", occurred_on="2025-03-18", code=f"S82.002{letter}")
    for at, letter in ((11, "D"), (13, "S")):
        hospital.spoil("events", at, code=f"S82.002{letter}", joint="", bone="patella")
    outcome = hospital.run()
    assert outcome.fates("events") == {"accepted": 62}
    rows = outcome.table("complications")
    rows = rows[
        (rows["category"] == "fixation_site_fracture")
        & (rows["level"] == "any")
        & (rows["status"] == "counted")
    ]
    assert {row.case_id: row.day for row in rows.itertuples()} == {"harbour.O008.L": 12, "harbour.O010.L": 12}


def test_fault_61_record_written_months_later(hospital: Any) -> None:
    """Counted on the day it happened, in every edition made after it is known; the month counts it as learned, without
    the fifty-nine that came with the first export, and not as happened."""
    late = dict(hospital.tables["events"].pop(7))
    hospital.put(
        "events.csv", "\n".join([",".join(late), ",".join(late.values())]) + "\n", receipt="2026-11-20"
    )
    before = hospital.run(0, "--as-of", "2026-11-10", "--period", "2026-10")
    after = hospital.run(0, "--as-of", "2026-12-02", "--period", "2026-11")
    assert counted(before, "harbour.O008.L") == set()
    assert counted(after, "harbour.O008.L") == {"infection"}
    activity = after.table("activity")
    assert activity["complications_learned"].sum() == 1
    assert activity["complications_happened"].sum() == 0


# ---------------------------------------------------------------- letters


IDENTIFIERS = [
    "quill.tarrant@example.org", "+44 1632 960471", "01632 960471", "https://films.example.org/kx93177", "MRN 48207713",
    "NHS number 943 476 5919", "Dr Tarrant", "Mrs. Tarrant", "AB12 3XY", "D02 X285", "hospital no. 4820771", "reg AB12 CDE",
]  # fmt: skip


def test_fault_64_identifier_in_free_text(hospital: Any) -> None:
    """Masked wherever it goes, counted row by row, and the row stays."""
    ids = {}
    for table in ("events", "followups"):
        for at, text in enumerate(IDENTIFIERS):
            row = hospital.spoil(table, 5 + at, note=f"Wound dry. Letter to {text}, see again.")
            ids[next(iter(row.values()))] = text
    hospital.spoil("events", 20, note="Letter to quill.tarrant@example.org", side="sideways")
    outcome = hospital.run()
    assert outcome.fates("followups") == WHOLE
    assert outcome.fates("events") == ONE_HELD
    assert set(outcome.told("identifier_masked")) >= ids.keys()
    assert {text: outcome.holding(text) for text in IDENTIFIERS if outcome.holding(text)} == {}


FORMULAS = [
    '=HYPERLINK("http://x.example";"y")',
    "+cmd|' /C calc'!A0",
    "@SUM(1+1)",
    "-2+3",
    "=1+1",
    "\t=1+1",
]


def test_fault_65_formula_in_a_cell(hospital: Any) -> None:
    """In no CSV that a spreadsheet would open does a cell begin with what makes a formula."""
    hospital.each("events", "note", FORMULAS, side="sideways")
    hospital.each("operations", "approach", FORMULAS, side="sideways")
    hospital.each("operations", "lesion_class", FORMULAS, first=30)
    outcome = hospital.run(1)
    assert outcome.fates("events") == {"accepted": 54, "quarantined": 6}
    for name in outcome.written():
        if name.endswith(".csv"):
            with (outcome.folder / name).open(encoding="utf-8", newline="") as file:
                cells = {cell for line in csv.reader(file) for cell in line if cell}
            assert {cell for cell in cells if cell[0] in "=@\t\r"} == set(), name
            assert not any(cell.startswith(("+cmd", "-2+3")) for cell in cells), name


def test_fault_65_header_that_is_a_formula(hospital: Any) -> None:
    for row in hospital.tables["operations"]:
        row["=1+1"] = "x"
    outcome = hospital.check()
    assert outcome.fates("operations") == WHOLE
    assert not outcome.finding("column_unknown")["column"].startswith("=")


def test_fault_69_letter_in_the_wrong_record(hospital: Any) -> None:
    """A reviewer's link takes it away from the patient; the event stays in the accounts."""
    hospital.people["links/r1.csv"] = (
        "site_id,table,record_id,case_id,reviewer,decided_on,reason\nharbour,events,E008,none,r1,2026-11-01,another patient\n"
    )
    outcome = hospital.run()
    assert outcome.fates("events") == WHOLE
    assert counted(outcome, "harbour.O008.L") == set()
    assert [line["record_id"] for line in outcome.lines("unattributed")] == ["E008"]


# ---------------------------------------------------------------- clocks


def test_fault_71_receipt_of_the_future(hospital: Any) -> None:
    """What lies in a folder dated after the day asked for is not known yet."""
    hospital.put("events.csv", hospital.text("events").replace("E0", "X0"), receipt="2027-03-02")
    outcome = hospital.check(0, "--as-of", "2026-11-02")
    assert outcome.fates("events") == WHOLE


def test_fault_71_version_written_after_receipt(hospital: Any) -> None:
    for row in hospital.tables["events"]:
        row["recorded_at"] = "2026-10-01T09:00:00"
    ids = hospital.each("events", "recorded_at", ["2026-11-03T09:00:00", "2027-11-02T09:00:00"])
    outcome = hospital.check()
    assert outcome.fates("events") == WHOLE
    assert outcome.told("recorded_after_receipt") == list(ids)


def test_fault_71_hour_that_comes_twice(hospital: Any) -> None:
    """Half past one on the night the clock goes back in Dublin, with and without its offset: versions stay in order
    where the offset is written; without it the first reading is taken."""
    hospital.mapping('timezone = "Europe/Dublin"\n')
    for row in hospital.tables["events"]:
        row["recorded_at"] = "2025-10-26T01:30:00+01:00"
    hospital.add("events", recorded_at="2025-10-26T01:10:00+00:00", severity_grade="II")
    outcome = hospital.check()
    assert outcome.fates("events") == {"accepted": 60, "superseded": 1}


# ---------------------------------------------------------------- several words in one cell


def test_fault_74_several_words_in_a_list(hospital: Any) -> None:
    cells = [
        "plate_superior|suture",
        "plate_superior; suture",
        "suture;plate_superior",
        "Suture | Plate superior",
    ]
    ids = hospital.each("operations", "fixation", cells)
    outcome = hospital.run()
    assert outcome.fates("operations") == WHOLE
    cases = outcome.table("cases").set_index("operation_id")
    assert set(cases.loc[list(ids), "fixation"]) == {"plate_superior;suture"}
    assert set(outcome.rules("repairs", column="fixation")) <= {
        "list_rewritten",
        "word_translated",
        "word_folded",
    }
    assert len({line["record_id"] for line in outcome.lines("repairs") if line["column"] == "fixation"}) >= 3


def test_fault_74_several_words_where_one_belongs(hospital: Any) -> None:
    places = {
        ("operations", "smoker"): "yes|no",
        ("events", "instability_level"): "1|2",
        ("followups", "status"): "seen;moved",
    }
    held = {table: hospital.each(table, column, [cell]) for (table, column), cell in places.items()}
    outcome = hospital.check()
    for table, ids in held.items():
        assert outcome.held(table).keys() == ids.keys()


def test_fault_74_several_categories_in_a_code(hospital: Any) -> None:
    """stiffness|infection is no code of any system, and what else the row says may belong to either: held back."""
    row = hospital.spoil("events", code="stiffness|infection", code_system="local")
    outcome = hospital.check()
    assert outcome.fates("events") == ONE_HELD
    assert outcome.held("events") == {row["event_id"]: ["several_values"]}
