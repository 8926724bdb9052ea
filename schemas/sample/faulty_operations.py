"""Operations that are held back, put right, warned about, or no operations at all.

Rows that are added are cancelled, not audited, or about patients who stand nowhere else: no case is touched.
"""

from __future__ import annotations

import pandas as pd

from schemas.sample.planting import ENOUGH_ROWS, REGISTER, Planter, harbour, northgate, rows_where
from schemas.sample.records import NOT_AUDITED

TABLE = harbour("operations")
THEATRE = northgate("Theatre")


def held_back(planter: Planter) -> None:
    planter.add(TABLE, 3, "value_unparsable", "a day that does not exist", performed_on="2025-02-30")
    planter.add(TABLE, 4, "placeholder_patient", "a placeholder instead of a patient", patient_id="TEST")
    planter.add(REGISTER, 5, "value_unknown_word", "an unknown side", Laterality="R or L")
    planter.add(REGISTER, 6, "value_out_of_range", "an age of 212", Age="212")
    planter.add(THEATRE, 7, "value_missing", "no day of operation", **{"Date of operation": ""})
    planter.add_stranger(
        THEATRE, 11, "formula_error", "a formula that divides by nought", "Age", Age="#DIV/0!"
    )
    planter.add_stranger(TABLE, 8, "dates_in_wrong_order", "an injury after its operation",
                         onset_on="2026-02-20")  # fmt: skip
    planter.add_stranger(REGISTER, 9, "value_unknown_word", "both sides in one cell", Laterality="R/L")


def one_id_twice(planter: Planter) -> None:
    """Two operations of one receipt under one id, and nothing says which is newer."""
    what = "one id for two operations"
    twin = planter.add_stranger(TABLE, 10, "record_conflict", what, "operation_id", status="cancelled")
    if twin:
        planter.add_stranger(TABLE, 10, "record_conflict", what, operation_id=twin, age_years="41",
                             status="cancelled")  # fmt: skip


def no_operations(planter: Planter) -> None:
    """Rows of a theatre list that did not take place; a booking may lie after the day of receipt."""
    planter.add_stranger(TABLE, 14, "", "booked for a day after the receipt", "status", status="booked",
                         performed_on="2026-04-20")  # fmt: skip
    planter.add_stranger(TABLE, 15, "", "cancelled on the day", status="cancelled")
    planter.add_stranger(REGISTER, 16, "", "booked for a day after the receipt", "status", Status="BKD",
                         **{"Op date": "08.12.2026"})  # fmt: skip


def outside_the_usual(planter: Planter) -> None:
    """Cancelled operations with something to be put right or warned about."""
    planter.add_stranger(TABLE, 17, "age_over_89", "an age over 89", age_years="93", status="cancelled")
    planter.add_stranger(TABLE, 18, "value_code_for_missing", "a body mass index of 999", bmi="999",
                         status="cancelled")  # fmt: skip
    planter.add_stranger(TABLE, 19, "recorded_after_receipt", "written after the day of receipt",
                         recorded_at="2026-03-09T08:10:00", status="cancelled")  # fmt: skip


def surgeons(planter: Planter) -> None:
    """A locum who is not on the list, and one of the list who had not begun; what they did is not audited."""
    planter.add_stranger(TABLE, 23, "surgeon_not_listed", "a locum who is not on the list of surgeons",
                         surgeon_id="HB-LOCUM", status="cancelled")  # fmt: skip
    early = planter.add_stranger(TABLE, 24, "surgeon_inactive", "a surgeon who began later",
                                 surgeon_id="HB-S5", procedure_code=NOT_AUDITED, performed_on="2025-06-16",
                                 diagnosis_code="", fixation="")  # fmt: skip
    if early:
        listed, new = planter.rows(harbour("surgeons")), {"surgeon_id": "HB-S5", "active_from": "2026-02-01"}
        begun = listed.iloc[[0]].assign(**new, recorded_at="2026-02-01T17:30:00")
        planter.made[harbour("surgeons")] = pd.concat([listed, begun], ignore_index=True)


def unknown_fixation(planter: Planter) -> None:
    planter.add_stranger(
        TABLE, 29, "fixation_unknown", "a fixation nobody lists", fixation="glue", status="cancelled"
    )


def conflicting_diagnosis(planter: Planter) -> None:
    """A cancelled operation whose diagnosis names the other side."""
    rows = planter.rows(TABLE)
    for at in rows_where(rows, lambda sent: (sent["side"] == "right") & (sent["diagnosis_code"] == "M22.01"))[
        :1
    ]:
        planter.add(TABLE, at, "side_against_diagnosis", "diagnosis of the other side", "side",
                    diagnosis_code="M22.02", status="cancelled")  # fmt: skip


def untidy_cells(planter: Planter) -> None:
    """Cells of real operations that are put right: none of them changes what the cell says."""
    rows = planter.rows(TABLE)
    if len(rows) < ENOUGH_ROWS:
        return
    for at in (20, 21, 22):
        padded = {"patient_id": f" {rows['patient_id'].iloc[at]}", "side": f"{rows['side'].iloc[at]}  "}
        planter.change(TABLE, at, "", "blanks around cells", "", **padded)
    planter.change(TABLE, 25, "", "no surgeon: unattributed", surgeon_id="")
    planter.change(TABLE, 26, "word_folded", "a side in capitals", side=str(rows["side"].iloc[26]).upper())
    planter.change(TABLE, 27, "number_reread", "a plus sign", age_years=f"+{rows['age_years'].iloc[27]}")
    planter.change(TABLE, 28, "time_dropped", "a day with a clock",
                   performed_on=f"{rows['performed_on'].iloc[28]} 00:00:00")  # fmt: skip
    for at in rows_where(rows, lambda sent: sent["lesion_class"] == "")[30:31]:
        planter.change(TABLE, at, "value_missing_token", "a word for missing", lesion_class="n/a")
    register = planter.rows(REGISTER)
    for at in rows_where(register, lambda sent: sent["Diagnosis"] == "M22.01")[10:11]:
        planter.change(REGISTER, at, "code_normalised", "a code without its dot", Diagnosis="M2201")


def unknown_columns(planter: Planter) -> None:
    """Columns nobody asked for; they are reported and never copied."""
    for key, header, text in ((TABLE, "theatre_room", "2"), (THEATRE, "Ward", "4B")):
        if len(planter.rows(key)) >= ENOUGH_ROWS:
            planter.made[key][header] = text
            planter.tell(key, None, "column_unknown", "a column nobody asked for", column=header)


PLANTS = (
    untidy_cells, held_back, one_id_twice, no_operations, outside_the_usual, unknown_fixation, surgeons,
    conflicting_diagnosis, unknown_columns,
)  # fmt: skip
