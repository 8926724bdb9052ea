"""One hospital's workspace made of the courses: each course one patient, its day 0 two days after the one before."""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

from tests.journeys.course_tables import OPERATIONS, Course, Row

SITE, RECEIPT = "quay", "2026-11-02"
CUT = date(2026, 10, 31)
BEFORE_THE_FIRST = date(2023, 9, 4)
SETTINGS = """contract = 1
[sites.quay]
name = "Quay Hospital"
sends = "changes"
[primary]
a = "ligament_reconstruction"
b = "tubercle_transfer"
category = "any_complication"
window = 365
"""
PELVIS = """
[joints.pelvis]
name = "Pelvis"
bones = ["pelvis"]
[procedures.pelvic_plate]
name = "Plate on the front of the pelvis"
joint = "pelvis"
sided = false
index = true
holes_in = ["pelvis"]
"""
COLUMNS = {
    "operations": "operation_id patient_id performed_on procedure_code side status age_years sex planned planned_with "
    "planned_as planned_on anaesthesia",
    "events": "event_id patient_id occurred_on code operation_id side joint bone through_fixation_site energy "
    "instability_level severity_grade source note",
    "followups": "followup_id patient_id seen_on status side joint instability_level",
    "measurements": "measurement_id patient_id measured_on joint measure mode value unit side",
    "patients": "patient_id died_on",
    "decisions": "case_id category counts reviewer decided_on occurred_on severity_grade",
    "links": "site_id table record_id case_id reviewer decided_on reason",
    "merges": "site_id patient_id same_as decided_on undone_on by",
}
EXPORTED = ("operations", "events", "followups", "measurements", "patients")
LETTERS = {"operations": "", "events": "e", "followups": "v", "measurements": "m"}


@dataclass
class Written:
    """What the workspace holds. `names`: table and record id → course and the record's name in it; `lines`: file and
    line → course, of what people wrote."""

    names: dict[tuple[str, str], tuple[int, str]] = field(default_factory=dict)
    lines: dict[tuple[str, int], int] = field(default_factory=dict)
    places: dict[tuple[str, str], str] = field(default_factory=dict)


def on(course: Course, day: int) -> date:
    """The date of a day of the course."""
    return BEFORE_THE_FIRST + timedelta(2 * course.number + day)


def record_id(course: Course, row: Row) -> str:
    """`c12a` for its first operation, `c12e1` for its first event."""
    rank = course.named(row.table).index(row)
    letter = LETTERS[row.table]
    return f"c{course.number}{letter}{rank + 1}" if letter else f"c{course.number}{'abcd'[rank]}"


def case_ids(course: Course) -> dict[str, tuple[str, int]]:
    """Each name of a case in the course (`` for the only or first one, `left`, `day 40`) → case id and its day 0."""
    found: dict[str, tuple[str, int]] = {}
    for side, row in course.case_rows():
        letter = {"left": "L", "right": "R", "none": "N"}[side]
        case = (f"{SITE}.{record_id(course, row)}.{letter}", row.day)
        for name in ("", side, f"day {row.day}"):
            found.setdefault(name, case)
    return found


def write_workspace(place: Path, all_courses: list[Course]) -> Written:
    """The whole workspace under `place`."""
    (place / "received" / SITE / RECEIPT).mkdir(parents=True)
    (place / "audit.toml").write_text(SETTINGS, encoding="utf-8")
    own_codes = [
        f'[procedures.{key}]\ncodes.local = ["{key}"]\n'
        for key in OPERATIONS.values()
        if key not in ("uncatalogued", "pelvic_plate")
    ]
    (place / "catalogue.toml").write_text(
        "".join(own_codes) + PELVIS + 'codes.local = ["pelvic_plate"]\n', encoding="utf-8"
    )
    written = Written()
    first = all_courses[0]
    for table in COLUMNS:
        _write(
            place,
            table,
            [(course, row) for course in all_courses for row in course.named(table)],
            first,
            written,
        )
    return written


def _write(place: Path, table: str, rows: list[tuple[Course, Row]], first: Course, written: Written) -> None:
    folder = f"received/{SITE}/{RECEIPT}" if table in EXPORTED else table
    (place / folder).mkdir(exist_ok=True)
    columns = COLUMNS[table].split()
    with (place / folder / f"{table}.csv").open("w", encoding="utf-8", newline="") as sheet:
        writer = csv.DictWriter(sheet, columns, restval="", lineterminator="\n")
        writer.writeheader()
        for line, (course, row) in enumerate(rows, start=2):
            cells = _cells(course, row, first)
            writer.writerow(cells)
            written.lines[f"{folder}/{table}.csv", line] = course.number
            if table in LETTERS:
                written.names[table, cells[columns[0]]] = (course.number, row.name)
                written.places[table, cells[columns[0]]] = f"{folder}/{table}.csv:{line}"


def _cells(course: Course, row: Row, first: Course) -> dict[str, str]:
    """The cells as text: days become dates, names of cases, records and patients become ids."""
    told = {
        name: on(course, value).isoformat() if isinstance(value, int) else value
        for name, value in row.cells.items()
    }
    if row.table in ("decisions", "links"):
        told["case_id"] = _case(course, told["case_id"], first)
    if row.table in ("links", "merges"):
        told["site_id"] = SITE
    if row.table == "links":
        told["record_id"] = f"c{course.number}e{told['record_id'].removeprefix('event ')}"
    if row.table == "merges":
        return told | {name: _patient(course, told[name]) for name in ("patient_id", "same_as")}
    if row.table in EXPORTED:
        told |= _own_columns(course, row)
    for name in ("operation_id", "planned_with"):
        if row.table != "operations" or name != "operation_id":
            told |= {name: _named_operation(course, told[name], first)} if told.get(name) else {}
    return told


def _own_columns(course: Course, row: Row) -> dict[str, str]:
    """Id, patient and day, as each table calls them."""
    own = {"patient_id": _patient(course, str(row.cells.get("patient_id", "first")))}
    if row.table in LETTERS:
        id_column, _, day_column = COLUMNS[row.table].split()[:3]
        own |= {id_column: record_id(course, row), day_column: on(course, row.day).isoformat()}
    if row.table == "operations":
        own |= {"age_years": str(15 + course.number % 40 + row.day // 365), "sex": "female"}
        if row.cells["procedure_code"] == "uncatalogued":  # a code is found fault with once
            own["procedure_code"] = f"uncatalogued-{course.number}"
    return own


def _patient(course: Course, name: str) -> str:
    return f"c{course.number}" + {"first": "", "second": "x", "unknown": "z"}[name]


def _named_operation(course: Course, name: str, first: Course) -> str:
    return {"first": f"c{course.number}a", "course 1": f"c{first.number}a"}.get(name, name)


def _case(course: Course, name: str, first: Course) -> str:
    known = {"nothing": "none", "no such case": f"{SITE}.c999a.L", "course 1": case_ids(first)[""][0]}
    return known[name] if name in known else case_ids(course)[name][0]
