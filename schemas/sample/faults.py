"""Faults planted on purpose, each listed with file, line and what an audit should say about it.

Every fault leaves the truth as it is: what is held back are rows added for the purpose, what is wrong at first is
sent again correctly. A table gets a fault only if it is long enough for the share held back to stay tolerable.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import pandas as pd

from schemas.sample.hospitals import HARBOUR, LATE_EXPORT, MILLFIELD, NORTHGATE, Exports
from schemas.sample.people import PREFIXES, SITES

Key = tuple[str, str, str, str]

#: Invented identifiers written into letters; none may stand in any output. Domains and numbers are reserved ones.
CANARIES = (
    "quill.tarrant@example.org",
    "+44 1632 960471",
    "https://films.example.org/kx93177",
    "MRN 48207713",
)
LISTED = ("site", "source_file", "source_line", "table", "record_id", "rule", "what")
ENOUGH_ROWS = 60  # of a table, for one row held back to stay within the tolerance

FIRST, LAST = HARBOUR.receipts[0], HARBOUR.receipts[-1]
REGISTER = (MILLFIELD.site, MILLFIELD.receipts[-1], "op_register.csv", "")
BOOK = ("northgate", NORTHGATE.receipts[0], "northgate_audit.xlsx")


@dataclass(frozen=True)
class Planted:
    """What was planted, and what only the writer of files can do.

    Attributes:
        listed: One row a fault; a line of 0 is the whole file.
        copies: Files sent again unchanged, new place to old place.
        broken_off: Files that end in the middle of their last row but one half.
        preambles: Lines that a report prints above the header of a sheet, and the total below.
    """

    listed: pd.DataFrame
    copies: dict[Key, Key] = field(default_factory=dict)
    broken_off: frozenset[Key] = frozenset()
    preambles: dict[Key, tuple[str, ...]] = field(default_factory=dict)


NO_FAULTS = Planted(pd.DataFrame(columns=list(LISTED)))


class Planter:
    """Changes a copy of the exports and keeps the list."""

    def __init__(self, made: Exports) -> None:
        self.made = {key: rows.copy() for key, rows in made.items()}
        self.listed: list[dict[str, object]] = []
        self.copies: dict[Key, Key] = {}
        self.broken_off: set[Key] = set()
        self.preambles: dict[Key, tuple[str, ...]] = {}

    def rows(self, key: Key) -> pd.DataFrame:
        return self.made.get(key, pd.DataFrame())

    def tell(self, key: Key, at: int | None, table: str, rule: str, what: str, record: str = "") -> None:
        """Lists a fault in the row at this position, or of the whole file."""
        site, receipt, name, sheet = key
        above = 2 + len(self.preambles.get(key, ()))
        place = f"received/{site}/{receipt}/{name}" + (f"#{sheet}" if sheet else "")
        line = 0 if at is None else at + above
        values = (site, place, line, table, record, rule, what)
        self.listed.append(dict(zip(LISTED, values, strict=True)))

    def add(self, key: Key, like: int, rule: str, what: str, table: str, **cells: str) -> None:
        """A row like the one at a position, under an id of its own, with these cells changed."""
        rows = self.rows(key)
        if len(rows) < ENOUGH_ROWS:
            return
        changed = rows.iloc[[like]].copy()
        record = f"{PREFIXES[SITES.index(key[0])]}-X{len(self.listed) + 1:04d}"
        changed[rows.columns[0]] = record
        for header, text in cells.items():
            changed[header] = text
        self.made[key] = pd.concat([rows, changed], ignore_index=True)
        self.tell(key, len(rows), table, rule, what, record)

    def change(self, key: Key, at: int, rule: str, what: str, table: str, **cells: str) -> None:
        """Other cells in the row at a position."""
        for header, text in cells.items():
            self.made[key].loc[at, header] = text
        self.tell(key, at, table, rule, what, str(self.made[key].iloc[at, 0]))


def with_faults(made: Exports) -> tuple[Exports, Planted]:
    """The exports with every fault planted for which there are rows enough."""
    planter = Planter(made)
    for plant in PLANTS:
        plant(planter)
    listed = pd.DataFrame(planter.listed, columns=list(LISTED))
    order = ["source_file", "source_line", "record_id"]
    listed = listed.sort_values(order, kind="stable", ignore_index=True)
    return planter.made, Planted(listed, planter.copies, frozenset(planter.broken_off), planter.preambles)


def _harbour(table: str, receipt: str = FIRST) -> Key:
    return (HARBOUR.site, receipt, f"{table}.csv", "")


def held_back_operations(planter: Planter) -> None:
    harbour, table = _harbour("operations"), "operations"
    planter.add(harbour, 3, "value_unparsable", "a day that does not exist", table, performed_on="2025-02-30")
    planter.add(
        harbour, 4, "placeholder_patient", "a placeholder instead of a patient", table, patient_id="TEST"
    )
    planter.add(REGISTER, 5, "value_unknown_word", "an unknown side", table, Laterality="R or L")
    planter.add(REGISTER, 6, "value_out_of_range", "an age of 212", table, Age="212")
    theatre: Key = (*BOOK, "Theatre")
    planter.add(theatre, 7, "value_missing", "no day of operation", table, **{"Date of operation": ""})


def conflicting_sides(planter: Planter) -> None:
    """A cancelled operation whose diagnosis names the other side, and events whose operation does."""
    rows = planter.rows(_harbour("operations"))
    for at in _rows_where(
        rows, lambda sent: (sent["side"] == "right") & (sent["diagnosis_code"] == "M22.01")
    )[:1]:
        planter.add(_harbour("operations"), at, "side_against_diagnosis", "diagnosis of the other side", "operations",
                    diagnosis_code="M22.02", status="cancelled")  # fmt: skip
    events = planter.rows(_harbour("events"))
    named = _rows_where(events, lambda sent: (sent["operation_id"] != "") & (sent["code"] == "T81.41XA"))
    for at in named[:2]:
        other = "left" if events["side"].iloc[at] == "right" else "right"
        planter.add(_harbour("events"), at, "side_conflict", "side and named operation contradict each other",
                    "events", side=other, code="T81.49XA")  # fmt: skip


def held_back_elsewhere(planter: Planter) -> None:
    planter.add(_harbour("events"), 2, "event_says_nothing", "neither code nor note nor field", "events",
                **dict.fromkeys(("code", "code_system", "note", "instability_level", "reduced_by", "energy",
                                 "severity_grade", "management", "through_fixation_site"), ""))  # fmt: skip
    planter.add(_harbour("measurements"), 8, "value_out_of_range", "a flexion of 900 degrees", "measurements",
                measure="flexion", joint="knee", mode="passive", unit="deg", value="900")  # fmt: skip
    planter.add(_harbour("measurements"), 9, "value_unparsable", "a word instead of a number", "measurements",
                value="full")  # fmt: skip
    planter.add(
        _harbour("followups"), 10, "value_unknown_word", "an unknown kind of visit", "followups", status="sen"
    )
    incidents: Key = (MILLFIELD.site, MILLFIELD.receipts[0], "incidents.csv", "")
    planter.add(incidents, 3, "date_partial", "a month without a day", "events", Day="03.2026")
    clinic: Key = (*BOOK, "Clinic")
    planter.add(clinic, 11, "date_after_receipt", "a visit dated after the export", "followups",
                **{"Date seen": "2026-12-24"})  # fmt: skip


def corrected(planter: Planter) -> None:
    """Harbour sends three dislocations wrongly at first, with an earlier time of writing, and corrects them later."""
    first, later = _harbour("events"), _harbour("events", HARBOUR.receipts[3])
    rows = planter.rows(first)
    for at in _rows_where(
        rows, lambda sent: (sent["instability_level"] == "1") & (sent["operation_id"] != "")
    )[:3]:
        right = planter.made[first].loc[[at]].assign(recorded_at=f"{HARBOUR.receipts[2]}T09:05:00")
        planter.made[later] = pd.concat([planter.made[later], right], ignore_index=True)
        planter.change(first, at, "record_superseded", "a level that is corrected later", "events",
                       code="", instability_level="4", reduced_by="none")  # fmt: skip


def withdrawn(planter: Planter) -> None:
    """Two infections entered for the wrong patient and taken back in a later receipt."""
    first, later = _harbour("events"), _harbour("events", HARBOUR.receipts[5])
    rows = planter.rows(first)
    for like in _rows_where(rows, lambda sent: (sent["source"] == "clinic") & (sent["operation_id"] != ""))[
        3:5
    ]:
        if len(rows) < ENOUGH_ROWS:
            return
        planter.add(first, like, "record_withdrawn", "entered for the wrong patient, withdrawn later", "events",
                    code="T81.40XA", code_system="", instability_level="", note="")  # fmt: skip
        taken_back = (
            planter.made[first]
            .iloc[[-1]]
            .assign(record_status="withdrawn", recorded_at=f"{HARBOUR.receipts[4]}T11:20:00")
        )
        planter.made[later] = pd.concat([planter.made[later], taken_back], ignore_index=True)
        planter.made[later]["record_status"] = planter.made[later]["record_status"].fillna("")


def late(planter: Planter) -> None:
    """Lists, without changing anything, events written down months after they happened."""
    for receipt in HARBOUR.receipts[1:]:
        key = _harbour("events", receipt)
        rows = planter.rows(key)
        for at in _rows_where(rows, lambda sent: _days_to_writing(sent) > 60):
            planter.tell(
                key, at, "events", "", "written down months after it happened", str(rows.iloc[at, 0])
            )


def _days_to_writing(rows: pd.DataFrame) -> pd.Series:
    return (pd.to_datetime(rows["recorded_at"]) - pd.to_datetime(rows["occurred_on"])).dt.days


def _rows_where(rows: pd.DataFrame, test: Callable[[pd.DataFrame], pd.Series]) -> list[int]:
    """Positions of the rows that pass a test; none of an empty table, which has no columns to test."""
    return [] if rows.empty else [int(at) for at in rows.index[test(rows)]]


def untidy_cells(planter: Planter) -> None:
    """Blanks around cells, a surgeon left out, a row twice, a unit in a number, a column nobody asked for."""
    operations, measurements = _harbour("operations"), _harbour("measurements")
    if len(planter.rows(operations)) < ENOUGH_ROWS:
        return
    rows = planter.rows(operations)
    for at in (20, 21, 22):
        padded = {"patient_id": f" {rows['patient_id'].iloc[at]}", "side": f"{rows['side'].iloc[at]}  "}
        planter.change(operations, at, "", "blanks around cells", "operations", **padded)
    planter.change(operations, 25, "", "no surgeon: unattributed", "operations", surgeon_id="")
    rows = planter.rows(measurements)
    planter.made[measurements] = pd.concat([rows, rows.iloc[[30]]], ignore_index=True)
    again = str(rows["measurement_id"].iloc[30])
    planter.tell(measurements, len(rows), "measurements", "record_duplicate", "the same row twice", again)
    at = _rows_where(rows, lambda sent: sent["unit"] == "deg")[5]
    degrees = f"{rows['value'].iloc[at]}°"
    planter.change(measurements, at, "unit_removed", "a unit in the number", "measurements", value=degrees)
    planter.made[operations]["theatre_room"] = "2"
    planter.tell(operations, None, "operations", "column_unknown", "a column nobody asked for")


def leaked_identifiers(planter: Planter) -> None:
    """Identifiers in free text; they have to be masked in every output."""
    said = [
        f"Reach the family at {CANARIES[0]} or {CANARIES[1]}.",
        f"Films at {CANARIES[2]} for {CANARIES[3]}.",
    ]
    events, what = planter.rows(_harbour("events")), "identifiers in a letter"
    noted = _rows_where(events, lambda sent: sent["note"] != "")
    for at, leaked in zip(noted, said, strict=False):
        note = f"{events['note'].iloc[at]} {leaked}"
        planter.change(_harbour("events"), at, "identifier_masked", what, "events", note=note)
    for receipt in MILLFIELD.receipts:  # the same letter is sent both times
        key: Key = (MILLFIELD.site, receipt, "clinic_list.csv", "")
        visits = planter.rows(key)
        for at in _rows_where(visits, lambda sent: sent["Remark"] != "")[:1]:
            note = f"Mother's e-mail {CANARIES[0]}, letter to follow."
            planter.change(key, at, "identifier_masked", what, "followups", Remark=note)


def sent_again(planter: Planter) -> None:
    """A file of May comes once more in June under another name."""
    old, new = (
        _harbour("followups", HARBOUR.receipts[2]),
        (HARBOUR.site, HARBOUR.receipts[3], "followups_may.csv", ""),
    )
    if len(planter.rows(old)):
        planter.copies[new] = old
        planter.tell(
            new, None, "followups", "record_duplicate", f"the same bytes as in the receipt of {old[1]}"
        )


def broken_off(planter: Planter) -> None:
    """Millfield's last list of incidents breaks off; two days later it comes whole."""
    key: Key = (MILLFIELD.site, MILLFIELD.receipts[-1], "incidents.csv", "")
    if len(planter.rows(key)) >= 2:
        planter.made[MILLFIELD.site, LATE_EXPORT, "incidents.csv", ""] = planter.rows(key)
        planter.broken_off.add(key)
        planter.tell(
            key, None, "events", "file_truncated", f"ends within a row; whole in the receipt of {LATE_EXPORT}"
        )


def vanished(planter: Planter) -> None:
    """A visit of the first full export is missing from the second, never withdrawn."""
    first, second = ((MILLFIELD.site, receipt, "clinic_list.csv", "") for receipt in MILLFIELD.receipts)
    rows = planter.rows(first)
    if len(rows) >= 200:
        unneeded = rows.copy().iloc[[15]].assign(Visit="MF-X9001")
        planter.made[first] = pd.concat([rows, unneeded], ignore_index=True)
        planter.tell(second, None, "followups", "records_vanished", "a visit sent before is gone", "MF-X9001")


def report_lines(planter: Planter) -> None:
    """A title above a sheet's header and a total below its rows."""
    key: Key = (*BOOK, "Readings")
    if len(planter.rows(key)):
        planter.preambles[key] = ("Readings of motion and scores", "")
        rule = "header_below_preamble"
        planter.tell(key, None, "measurements", rule, "two lines above the header, a total below")


PLANTS: tuple[Callable[[Planter], None], ...] = (
    late,
    corrected,
    leaked_identifiers,
    untidy_cells,
    held_back_operations,
    conflicting_sides,
    held_back_elsewhere,
    withdrawn,
    sent_again,
    broken_off,
    vanished,
    report_lines,
)
