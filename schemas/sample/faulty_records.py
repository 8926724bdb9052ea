"""Events, visits and readings that are held back, put right, warned about, corrected or withdrawn."""

from __future__ import annotations

import pandas as pd

from schemas.sample.hospitals import HARBOUR, MILLFIELD
from schemas.sample.planting import ENOUGH_ROWS, Planter, harbour, millfield, northgate, rows_where

EVENTS, VISITS, READINGS = harbour("events"), harbour("followups"), harbour("measurements")
CLINIC = northgate("Clinic")
#: Long enough to be written twice by nobody, and without a word about the joint.
COPIED = (
    "Walks to work and back, sleeps through the night and has taken up swimming again on two evenings a week."
)


def conflicting_sides(planter: Planter) -> None:
    """Events whose operation is of the other side."""
    events = planter.rows(EVENTS)
    named = rows_where(
        events,
        lambda sent: (sent["operation_id"] != "") & (sent["side"] != "") & (sent["code"] == "T81.41XA"),
    )
    for at in named[:2]:
        other = "left" if events["side"].iloc[at] == "right" else "right"
        planter.add(EVENTS, at, "side_conflict", "side and named operation contradict each other",
                    side=other, code="T81.49XA")  # fmt: skip


def events(planter: Planter) -> None:
    planter.add(EVENTS, 2, "event_says_nothing", "neither code nor note nor field",
                **dict.fromkeys(("code", "code_system", "note", "instability_level", "reduced_by", "energy",
                                 "severity_grade", "management", "through_fixation_site"), ""))  # fmt: skip
    planter.add_stranger(EVENTS, 3, "code_not_in_list", "a code that is no complete one", code="S83.00")
    incidents = millfield("incidents", MILLFIELD.receipts[0])
    planter.add_stranger(EVENTS, 4, "code_unknown", "a diagnosis nobody counts", code="J45.909")
    for like in rows_where(planter.rows(incidents), lambda sent: sent["Code"] != "")[3:4]:
        planter.add(incidents, like, "date_partial", "a month without a day", Day="03.2026", Remark="")


def visits(planter: Planter) -> None:
    planter.add(VISITS, 10, "value_unknown_word", "an unknown kind of visit", status="sen")
    planter.add_stranger(VISITS, 11, "operation_unknown", "an operation that was never sent",
                         operation_id="HB-O99999")  # fmt: skip
    planter.add(CLINIC, 11, "date_after_receipt", "a visit dated after the export",
                **{"Date seen": "2026-12-24"})  # fmt: skip
    planter.add(millfield("clinic_list"), 13, "value_unparsable", "a year of two digits", Day="14.09.26")
    clinic = planter.rows(CLINIC)
    for at in rows_where(clinic, lambda sent: sent["Outcome of visit"] == "died")[:1]:
        after = pd.Timestamp(clinic["Date seen"].iloc[at]) + pd.Timedelta(days=12)
        planter.add(CLINIC, at, "after_death", "a visit after the patient's death",
                    **{"Date seen": after.strftime("%Y-%m-%d"), "Outcome of visit": "seen"})  # fmt: skip


def copied_note(planter: Planter) -> None:
    """A sentence that stands word for word in the next visit of the same patient too."""
    rows = planter.rows(VISITS)
    if len(rows) < ENOUGH_ROWS:
        return
    silent = rows[(rows["note"] == "") & (rows["status"] == "seen")]
    twice = silent[silent.duplicated("patient_id", keep=False)]
    first, second = (int(at) for at in twice.index[twice["patient_id"] == twice["patient_id"].iloc[0]][:2])
    planter.made[VISITS].loc[first, "note"] = COPIED
    planter.change(VISITS, second, "note_copied_forward", "a note copied forward", note=COPIED)


def readings(planter: Planter) -> None:
    bent = {"measure": "flexion", "joint": "knee", "mode": "passive", "unit": "deg"}
    planter.add(READINGS, 8, "value_out_of_range", "a flexion of 900 degrees", "value", **bent, value="900")
    planter.add(READINGS, 9, "value_unparsable", "a word instead of a number", value="full")
    planter.add(READINGS, 12, "value_unparsable", "two readings in one cell", "value", **bent, value="110/95")
    planter.add_stranger(
        READINGS, 14, "several_values", "two measures in one cell", measure="flexion; extension_deficit"
    )
    planter.add_stranger(READINGS, 10, "reading_zero", "a flexion of nought", "value", **bent, value="0")
    planter.add_stranger(READINGS, 11, "score_without_points", "a motion in points", "unit",
                         **{**bent, "unit": "points"}, value="110")  # fmt: skip
    others = planter.rows(harbour("operations"))
    if len(others) >= ENOUGH_ROWS:
        planter.add_stranger(READINGS, 13, "operation_of_another_patient", "another patient's operation",
                             operation_id=str(others["operation_id"].iloc[5]))  # fmt: skip
    planter.add_stranger(northgate("Readings"), 12, "joint_unknown", "a joint that is none", joint="kneee")
    turned = northgate("Readings")
    for at in rows_where(planter.rows(turned), lambda sent: sent["side"] == "right")[20:21]:
        planter.change(turned, at, "word_translated", "another word for a side", side="Rt")
    motion, missing = millfield("motion"), "999 in place of a reading"
    bend = {"FLEX": "999", "EXT DEF": "", "FF": "", "ER": "", "Joint": "knee", "Moved by": "examiner"}
    record = planter.add_stranger(motion, 14, "value_code_for_missing", missing, **bend)
    if record:
        planter.tell(motion, len(planter.rows(motion)) - 1, "value_missing", missing, record, "value")


def untidy_readings(planter: Planter) -> None:
    """A row twice, and a unit in a number."""
    rows = planter.rows(READINGS)
    if len(rows) < ENOUGH_ROWS:
        return
    planter.made[READINGS] = pd.concat([rows, rows.iloc[[30]]], ignore_index=True)
    again = str(rows["measurement_id"].iloc[30])
    planter.tell(READINGS, len(rows), "record_duplicate", "the same row twice", again)
    at = rows_where(rows, lambda sent: sent["unit"] == "deg")[5]
    degrees = f"{rows['value'].iloc[at]}°"
    planter.change(READINGS, at, "unit_removed", "a unit in the number", value=degrees)


def corrected(planter: Planter) -> None:
    """Harbour sends three dislocations wrongly at first, with an earlier time of writing, and corrects them later."""
    later = harbour("events", HARBOUR.receipts[3])
    rows = planter.rows(EVENTS)
    for at in rows_where(
        rows, lambda sent: (sent["instability_level"] == "1") & (sent["operation_id"] != "")
    )[:3]:
        right = planter.made[EVENTS].loc[[at]].assign(recorded_at=f"{HARBOUR.receipts[2]}T09:05:00")
        planter.made[later] = pd.concat([planter.made[later], right], ignore_index=True)
        planter.change(EVENTS, at, "record_superseded", "a level that is corrected later", "",
                       code="", instability_level="4", reduced_by="none")  # fmt: skip


def withdrawn(planter: Planter) -> None:
    """Two infections entered for the wrong patient and taken back in a later receipt."""
    later = harbour("events", HARBOUR.receipts[5])
    rows = planter.rows(EVENTS)
    wrong = rows_where(rows, lambda sent: (sent["source"] == "clinic") & (sent["operation_id"] != ""))[3:5]
    for like in wrong if len(rows) >= ENOUGH_ROWS else ():
        planter.add(EVENTS, like, "record_withdrawn", "entered for the wrong patient, withdrawn later", "",
                    code="T81.40XA", code_system="", instability_level="", note="")  # fmt: skip
        taken_back = (
            planter.made[EVENTS]
            .iloc[[-1]]
            .assign(record_status="withdrawn", recorded_at=f"{HARBOUR.receipts[4]}T11:20:00")
        )
        planter.made[later] = pd.concat([planter.made[later], taken_back], ignore_index=True)
        planter.made[later]["record_status"] = planter.made[later]["record_status"].fillna("")


def late(planter: Planter) -> None:
    """Lists, without changing anything, events written down months after they happened."""
    for receipt in HARBOUR.receipts[1:]:
        key = harbour("events", receipt)
        rows = planter.rows(key)
        for at in rows_where(rows, lambda sent: _days_to_writing(sent) > 60):
            planter.tell(key, at, "", "written down months after it happened", str(rows.iloc[at, 0]))


def _days_to_writing(rows: pd.DataFrame) -> pd.Series:
    return (pd.to_datetime(rows["recorded_at"]) - pd.to_datetime(rows["occurred_on"])).dt.days


BEFORE = (late, corrected)
PLANTS = (untidy_readings, copied_note, conflicting_sides, events, visits, readings, withdrawn)
