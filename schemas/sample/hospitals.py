"""How each of the three hospitals writes its exports: file names, headers, words, dates, numbers, receipts."""

from __future__ import annotations

import datetime
import io
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

    from schemas.sample.planting import Planted

#: Files as sent, all text: (site, receipt, file name, sheet) to rows under the site's own headers.
Exports = dict[tuple[str, str, str, str], pd.DataFrame]
DATE_COLUMNS = ("performed_on", "planned_on", "onset_on", "occurred_on", "seen_on", "returned_on", "measured_on",
                "died_on", "active_from", "known_on")  # fmt: skip

_SIDES = {"right": "R", "left": "L", "bilateral": "BIL"}
_SEXES = {"female": "F", "male": "M"}
_STATUSES = {"performed": "DONE", "booked": "BKD", "cancelled": "CAN", "abandoned": "ABD"}
_HANDS = {"responsible_surgeon": "C", "trainee_with_surgeon": "T+C", "trainee_alone": "T"}
_VISITS = {
    "seen": "attended",
    "remote": "phone",
    "did_not_attend": "DNA",
    "moved": "moved",
    "declined": "declined",
}


@dataclass(frozen=True)
class Form:
    """One file or sheet of a site: which table, under which headers (contract name to own), in which words.

    An empty `headers` is the contract's form. `wide` lists measures that stand in columns of their own.
    """

    table: str
    file: str
    sheet: str = ""
    headers: dict[str, str] = field(default_factory=dict)
    words: dict[str, dict[str, str]] = field(default_factory=dict)
    wide: dict[str, str] = field(default_factory=dict)
    constants: dict[str, str] = field(default_factory=dict)
    only: tuple[str, tuple[str, ...]] | None = None  # column and its words: other rows are not in this file


@dataclass(frozen=True)
class Hospital:
    """A site's habits. `sends` is what a receipt holds: all records, or those new since the last."""

    site: str
    name: str
    sends: str
    due_day: int
    receipts: tuple[str, ...]
    forms: tuple[Form, ...]
    date_format: str = "%Y-%m-%d"
    decimal: str = "."
    delimiter: str = ","
    encoding: str = "utf-8"
    line_end: str = "\n"


HARBOUR = Hospital(
    "harbour", "Harbour Hospital", "changes", 5,
    ("2026-03-02", "2026-04-02", "2026-05-05", "2026-06-02", "2026-07-02", "2026-08-04", "2026-09-02",
     "2026-10-02", "2026-11-02"),
    tuple(Form(table, f"{table}.csv")
          for table in ("operations", "events", "followups", "measurements", "patients", "surgeons")),
)  # fmt: skip

MILLFIELD = Hospital(
    "millfield", "Millfield Clinic", "everything", 10, ("2026-08-04", "2026-11-03"),
    (
        Form("operations", "op_register.csv", headers={
            "operation_id": "Case ref", "patient_id": "Pt", "performed_on": "Op date", "procedure_code": "Op",
            "side": "Laterality", "status": "Status", "surgeon_id": "Lead", "operated_by": "Hands",
            "age_years": "Age", "sex": "Sex", "asa_class": "ASA", "urgency": "Urgency",
            "diagnosis_code": "Diagnosis", "fixation": "Fixation", "approach": "Approach", "planned": "Planned",
            "planned_with": "Planned at", "planned_as": "Planned as", "planned_on": "Plan date",
            "anaesthesia": "Anaesthesia", "reason": "Reason", "bmi": "BMI", "smoker": "Smoker",
            "diabetes": "Diabetes", "prior_operation_same_joint": "Operated before",
            "sport": "Sport", "sport_level": "Sport level",
            "nonoperative_weeks": "Weeks before", "earlier_episodes": "Episodes before"},
            words={"side": _SIDES, "sex": _SEXES, "status": _STATUSES, "operated_by": _HANDS}),
        Form("events", "incidents.csv", headers={
            "event_id": "Ref", "patient_id": "Pt", "occurred_on": "Day", "code": "Code", "code_system": "List",
            "operation_id": "Case ref", "side": "Laterality", "joint": "Joint", "bone": "Bone",
            "through_fixation_site": "Through implant or hole", "energy": "Energy",
            "instability_level": "Instability", "reduced_by": "Put back by", "severity_grade": "Grade",
            "management": "Treatment", "source": "From", "note": "Remark"}, words={"side": _SIDES}),
        Form("followups", "clinic_list.csv", headers={
            "followup_id": "Visit", "patient_id": "Pt", "seen_on": "Day", "status": "Came",
            "operation_id": "Case ref", "return_to_sport": "Sport again", "returned_on": "Sport since",
            "not_returned_because": "Why not", "pain": "Pain 0-10", "note": "Remark"},
            words={"status": _VISITS}),
        Form("measurements", "motion.csv", headers={
            "measurement_id": "Reading", "patient_id": "Pt", "measured_on": "Day", "joint": "Joint",
            "mode": "Moved by", "operation_id": "Case ref", "side": "Laterality"},
            words={"side": _SIDES, "mode": {"passive": "examiner", "active": "self"}},
            wide={"flexion": "FLEX", "extension_deficit": "EXT DEF", "forward_flexion": "FF",
                  "external_rotation": "ER"}, constants={"unit": "deg"}, only=("unit", ("deg",))),
        Form("measurements", "scores.csv", headers={
            "measurement_id": "Form", "patient_id": "Pt", "measured_on": "Day", "joint": "Joint",
            "measure": "Scale", "value": "Points", "side": "Laterality"},
            words={"side": _SIDES}, constants={"mode": "none", "unit": "points"}, only=("unit", ("points",))),
        Form("patients", "patients.csv", headers={
            "patient_id": "Pt", "sex": "Sex", "died_on": "Deceased"}, words={"sex": _SEXES}),
    ),
    "%d.%m.%Y", ",", ";", "cp1252", "\r\n",
)  # fmt: skip

NORTHGATE = Hospital(
    "northgate", "Northgate Orthopaedic Centre", "changes", 10, ("2026-08-04", "2026-11-03"),
    (
        Form("operations", "northgate_audit.xlsx", "Theatre", {
            "operation_id": "CaseNumber", "patient_id": "Patient code", "performed_on": "Date of operation",
            "procedure_code": "Operation code", "side": "Side", "status": "Status", "surgeon_id": "Consultant",
            "operated_by": "operated_by", "age_years": "Age", "sex": "Sex", "asa_class": "ASA grade",
            "diagnosis_code": "ICD", "fixation": "Fixation", "planned": "planned",
            "planned_with": "planned_with", "planned_as": "planned_as", "planned_on": "planned_on",
            "anaesthesia": "Anaesthetic", "reason": "Reason for return", "sport_level": "sport_level",
            "nonoperative_weeks": "nonoperative_weeks"}),
        Form("events", "northgate_audit.xlsx", "Events", {
            "event_id": "event_id", "patient_id": "Patient code", "occurred_on": "occurred_on", "code": "code",
            "code_system": "code_system", "operation_id": "CaseNumber", "side": "side", "joint": "joint",
            "bone": "bone", "through_fixation_site": "through_fixation_site", "energy": "energy",
            "instability_level": "instability_level", "reduced_by": "reduced_by",
            "severity_grade": "severity_grade", "management": "management", "source": "source", "note": "note"}),
        Form("followups", "northgate_audit.xlsx", "Clinic", {
            "followup_id": "followup_id", "patient_id": "Patient code", "seen_on": "Date seen",
            "status": "Outcome of visit", "operation_id": "CaseNumber", "return_to_sport": "return_to_sport",
            "returned_on": "returned_on", "pain": "pain", "note": "note"}),
        Form("measurements", "northgate_audit.xlsx", "Readings", {
            "measurement_id": "measurement_id", "patient_id": "Patient code", "measured_on": "Date",
            "joint": "joint", "measure": "measure", "mode": "mode", "value": "value", "unit": "unit",
            "operation_id": "CaseNumber", "side": "side"}),
    ),
)  # fmt: skip

HOSPITALS = (HARBOUR, MILLFIELD, NORTHGATE)
LATE_EXPORT = "2026-11-05"  # the receipt in which the demo's truncated file comes whole


def exports(tables: dict[str, pd.DataFrame]) -> Exports:
    """Every receipt of every hospital, as text under its own headers."""
    made: Exports = {}
    for position, hospital in enumerate(HOSPITALS):
        for form in hospital.forms:
            rows = tables[form.table]
            rows = rows[rows["site"] == position]
            if form.only:
                rows = rows[rows[form.only[0]].isin(form.only[1])]
            written = _as_sent(rows, form, hospital)
            for receipt, here in _receipts(rows, hospital):
                made[hospital.site, receipt, form.file, form.sheet] = written[here].reset_index(drop=True)
    return {key: made[key] for key in sorted(made)}


def _receipts(rows: pd.DataFrame, hospital: Hospital) -> list[tuple[str, np.ndarray]]:
    """Which rows each receipt holds: written down before it and, for changes, after the one before."""
    known = rows["known_on"].to_numpy(dtype="datetime64[D]")
    days = np.array(hospital.receipts, dtype="datetime64[D]")
    first = np.searchsorted(days, known, side="right")
    whole = hospital.sends == "everything"
    return [(day, first <= at if whole else first == at) for at, day in enumerate(hospital.receipts)]


def _as_sent(rows: pd.DataFrame, form: Form, hospital: Hospital) -> pd.DataFrame:
    """The rows in the hospital's own words. A wide form has one row a visit, in any order of measures."""
    headers = form.headers or {name: name for name in rows.columns if name not in ("site", "known_on")}
    written = {
        name: as_text(rows[name], hospital) for name in {**headers, **dict.fromkeys(_wide_needs(form))}
    }
    for name, words in form.words.items():
        written[name] = written[name].replace(words)
    sent = pd.DataFrame(written)
    for measure, header in form.wide.items():
        sent[header] = sent["value"].where(sent["measure"] == measure, "")
    if not form.headers:
        sent["recorded_at"] = as_text(rows["known_on"], hospital) + "T17:30:00"
    columns = [*headers, *form.wide.values(), *([] if form.headers else ["recorded_at"])]
    return sent[columns].rename(columns=headers)


def _wide_needs(form: Form) -> tuple[str, ...]:
    return ("measure", "value") if form.wide else ()


def as_text(column: pd.Series, hospital: Hospital) -> pd.Series:
    """Text as the hospital writes it; missing is empty, a whole number has no decimals."""
    if column.name in DATE_COLUMNS:
        return dates_as_text(column, hospital.date_format)
    if pd.api.types.is_numeric_dtype(column):
        return _numbers_as_text(column, hospital.decimal)
    return column.astype(object).where(column.notna(), "")


def dates_as_text(column: pd.Series, date_format: str) -> pd.Series:
    """Formats each different day once."""
    codes, different = pd.factorize(pd.to_datetime(column))
    words = np.array([*pd.DatetimeIndex(different).strftime(date_format), ""], dtype=object)
    return pd.Series(words[codes], index=column.index, dtype=object)


def _numbers_as_text(column: pd.Series, decimal: str) -> pd.Series:
    codes, different = pd.factorize(column)
    words = [f"{float(value):.10g}".replace(".", decimal) for value in different]
    return pd.Series(np.array([*words, ""], dtype=object)[codes], index=column.index, dtype=object)


def write_exports(made: Exports, planted: Planted, folder: Path) -> None:
    """Writes all files under `folder/received`; sheets of one file become one workbook."""
    books: dict[tuple[str, str, str], dict[str, pd.DataFrame]] = {}
    for key, rows in made.items():
        site, receipt, name, sheet = key
        if sheet:
            books.setdefault((site, receipt, name), {})[sheet] = rows
        elif len(rows) or _sends_changes(site):
            content = csv_bytes(rows, site, planted.tails.get(key, ()))
            _place(folder, key).write_bytes(_cut_off(content) if key in planted.broken_off else content)
    for (site, receipt, name), sheets in books.items():
        printed = {sheet: planted.preambles.get((site, receipt, name, sheet), ()) for sheet in sheets}
        write_workbook(_place(folder, (site, receipt, name, "")), sheets, printed)
    for new, old in planted.copies.items():
        _place(folder, new).write_bytes(_place(folder, old).read_bytes())


def _sends_changes(site: str) -> bool:
    return any(hospital.site == site and hospital.sends == "changes" for hospital in HOSPITALS)


def _place(folder: Path, key: tuple[str, str, str, str]) -> Path:
    path = folder / "received" / key[0] / key[1] / key[2]
    path.parent.mkdir(parents=True, exist_ok=True)
    return path


def _cut_off(content: bytes) -> bytes:
    """The first two thirds of the lines, and the beginning of the next."""
    lines = content.splitlines(keepends=True)
    whole = max(1, 2 * len(lines) // 3)
    return b"".join(lines[:whole]) + lines[whole][:16]


def csv_bytes(rows: pd.DataFrame, site: str, below: tuple[str, ...] = ()) -> bytes:
    """The file's bytes in the site's delimiter, line ends and encoding, with lines below the rows."""
    hospital = next(h for h in HOSPITALS if h.site == site)
    text = io.StringIO()
    rows.to_csv(text, sep=hospital.delimiter, index=False, lineterminator=hospital.line_end)
    text.writelines(line + hospital.line_end for line in below)
    return text.getvalue().encode(hospital.encoding)


def write_workbook(path: Path, sheets: dict[str, pd.DataFrame], printed: dict[str, tuple[str, ...]]) -> None:
    """One workbook with dates as dates; its bytes depend on its cells alone.

    `printed` holds lines above the header of a sheet; where there are any, a total stands below its rows.
    """
    import xlsxwriter

    options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        book.set_properties({"created": datetime.datetime(2026, 1, 1), "author": "", "title": ""})
        days = book.add_format({"num_format": "yyyy-mm-dd"})
        for name, rows in sheets.items():
            _write_sheet(book.add_worksheet(name), rows, printed[name], days)


def _write_sheet(sheet: Worksheet, rows: pd.DataFrame, printed: tuple[str, ...], days: Format) -> None:
    for line, text in enumerate(printed):
        sheet.write_string(line, 0, text)
    for at, header in enumerate(rows.columns):
        sheet.write_string(len(printed), at, str(header))
    ready = [_cells(rows[header]) for header in rows.columns]
    for line, cells in enumerate(zip(*ready, strict=True), start=len(printed) + 1):
        for at, (kind, value) in enumerate(cells):
            if kind == "day":
                sheet.write_number(line, at, value, days)
            elif kind == "number":
                sheet.write_number(line, at, value)
            elif kind == "error":
                sheet.write_formula(line, at, "=1/0", None, value)
            elif kind == "text":
                sheet.write_string(line, at, value)
    if printed:
        sheet.write_string(len(printed) + 1 + len(rows), 0, f"Total: {len(rows)}")


def _cells(column: pd.Series) -> list[tuple[str, Any]]:
    """Each cell as what Excel would hold; `empty` writes nothing."""
    codes, different = pd.factorize(column)
    kinds = [_cell(str(value)) for value in different]
    return [kinds[code] for code in codes]


def _cell(text: str) -> tuple[str, Any]:
    if not text:
        return "empty", ""
    if text == "#DIV/0!":
        return "error", text
    try:
        day = datetime.date.fromisoformat(text)
        return "day", (day - datetime.date(1899, 12, 30)).days
    except ValueError:
        pass
    try:
        return "number", float(text)
    except ValueError:
        return "text", text
