"""The story's operations as records, with the ids to which everything else refers."""

from __future__ import annotations

import numpy as np
import pandas as pd
from pandas.api.types import is_string_dtype

from schemas.sample.chronicle import Chronicle
from schemas.sample.courses import REMOVAL
from schemas.sample.people import CLAVICLE, FIRST_DAY, LAST_DAY, OPERATIONS, PREFIXES, SITES, TUBERCLE

CODES = np.array([operation.code for operation in OPERATIONS])
KEYS = np.array([operation.key for operation in OPERATIONS])
#: The last day on which a hospital wrote anything down, the day before the last full exports.
LAST_KNOWN = LAST_DAY + 1
NOT_AUDITED = "ZZ10"  # an operation of the department that nobody audits
#: Columns that an operation has because of the patient, and only its first row needs.
OF_THE_PATIENT = ("asa_class", "smoker", "diabetes", "bmi", "dominant_side", "sport", "sport_level")
OF_THE_CASE = (
    "urgency", "operated_by", "diagnosis_code", "fixation", "implant_count", "approach", "lesion_class",
    "prior_operation_same_joint", "growth_plates_open", "claim", "earlier_episodes", "onset_on", "nonoperative_weeks",
)  # fmt: skip


def dates(days: object) -> np.ndarray:
    """Days since 1970 as numpy dates."""
    return np.asarray(days, dtype=np.int64).astype("datetime64[D]")


def learned(told: Chronicle, on: np.ndarray, typical: int, late: float = 0.02) -> np.ndarray:
    """When the hospital wrote it down: within `typical` days, a small share months later."""
    lag = told.rng.integers(0, typical + 1, len(on))
    lag = np.where(told.rng.random(len(on)) < late, told.rng.integers(60, 160, len(on)), lag)
    return dates(np.minimum(on + lag, LAST_KNOWN))


def all_operations(told: Chronicle, tale: np.ndarray, died: np.ndarray) -> pd.DataFrame:
    """Every operation row with the case it belongs to (-1: none), sorted by site and day.

    `main` marks the row that names the case.
    """
    planned = _planned_removals(told, tale, died)
    kinds = [_first_rows(told), _second_rows(told), told.frame("returns"), planned, _not_operations(told)]
    rows = pd.concat([kind for kind in kinds if len(kind)], ignore_index=True)
    rows["main"] = rows["main"].eq(True)
    texts = ["code", "side", "status", "anaesthesia", "reason", "urgency", "planned", "planned_as"]
    rows = rows.reindex(columns=[*rows.columns.union(texts, sort=False)])
    rows[texts] = rows[texts].astype(object).where(rows[texts].notna(), "")
    rows["site"] = told.cases["site"].to_numpy()[rows["case"]]
    rows["side"] = np.where(rows["side"] == "", told.cases["side"].to_numpy()[rows["case"]], rows["side"])
    return rows.sort_values(["site", "on"], kind="stable", ignore_index=True)


def _first_rows(told: Chronicle) -> pd.DataFrame:
    rows = np.flatnonzero(~told.cases["sitting"].duplicated().to_numpy())
    side = np.where(told.cases["bilateral"].to_numpy()[rows], "bilateral", "")
    first = pd.DataFrame({"case": rows, "on": told.performed[rows], "code": CODES[told.operation[rows]]})
    return first.assign(side=side, main=True, anaesthesia="general")


def _second_rows(told: Chronicle) -> pd.DataFrame:
    rows = np.flatnonzero(told.cases["both"].to_numpy())
    return pd.DataFrame(
        {"case": rows, "on": told.performed[rows], "code": CODES[TUBERCLE], "anaesthesia": "general"}
    )


def _planned_removals(told: Chronicle, tale: np.ndarray, died: np.ndarray) -> pd.DataFrame:
    """Metal taken out as agreed at the first operation: most plates, some screws."""
    share = np.select([told.operation == CLAVICLE, told.operation == TUBERCLE], [0.6, 0.12], 0.0)
    quiet = (tale == "") & (died < 0) & ~told.cases["plain"].to_numpy()
    rows = np.flatnonzero(quiet & (told.rng.random(len(tale)) < share))
    on = told.performed[rows] + told.draw(230, 420, rows)
    removed = pd.DataFrame(
        {"case": rows, "on": on, "code": REMOVAL, "anaesthesia": "general", "planned": "yes"}
    )
    return removed.assign(planned_as="removal", urgency="elective")[on <= LAST_DAY]


def _not_operations(told: Chronicle) -> pd.DataFrame:
    """Booked, cancelled, abandoned, not audited, and metal from another hospital taken out here."""
    count = max(1, len(told.operation) // 40)
    rows = np.sort(told.rng.choice(len(told.operation), min(count, len(told.operation)), replace=False))
    rows = rows[~told.cases["patient"].duplicated(keep=False).to_numpy()[rows]]
    status = np.array(["cancelled", "booked", "abandoned", "performed"])[np.arange(len(rows)) % 4]
    before = told.performed[rows] - told.draw(5, 60, rows)
    other = status == "performed"
    code = np.where(other, NOT_AUDITED, CODES[told.operation[rows]])
    listed = pd.DataFrame({"case": rows, "on": before, "code": code, "status": status, "urgency": "elective"})
    return listed.assign(anaesthesia=np.where(other, "local", ""))[before >= FIRST_DAY]


class Ids:
    """Names of operations and patients as the hospitals write them."""

    def __init__(self, told: Chronicle, operations: pd.DataFrame) -> None:
        self.operations = operations
        site = operations["site"].to_numpy()
        self.operation = numbered(site, "O")
        main = operations["main"].to_numpy()
        sitting = told.cases["sitting"].to_numpy()
        named = np.empty(sitting.max() + 1, dtype=object)
        named[sitting[operations.loc[main, "case"]]] = self.operation[main]
        self.of_case: np.ndarray = named[sitting]
        self.patient: np.ndarray = _pseudonyms(told)
        self.site: np.ndarray = np.array(SITES)[told.cases["site"]]
        letters = np.where(told.left, "L", "R")
        parts = (self.site.astype(object), self.of_case, letters.astype(object))
        self.case_id: np.ndarray = parts[0] + "." + parts[1] + "." + parts[2]


def numbered(site: np.ndarray, letter: str) -> np.ndarray:
    """Ids such as HB-O00017, counted within each site in the order given."""
    count = pd.Series(site).groupby(site).cumcount().to_numpy() + 1
    return named_ids(site, f"-{letter}", count)


def named_ids(site: np.ndarray, letter: str, number: np.ndarray) -> np.ndarray:
    """Prefix of the site, letter and number with five digits or more."""
    begun = pd.Series(np.array([prefix + letter for prefix in PREFIXES], dtype=object)[site], dtype=object)
    return (begun + pd.Series(number).astype(str).str.zfill(5).astype(object)).to_numpy(dtype=object)


def _pseudonyms(told: Chronicle) -> np.ndarray:
    patient = told.cases["patient"].to_numpy()
    shuffled = told.rng.permutation(patient.max() + 1)
    return named_ids(told.cases["site"].to_numpy(), "-P", shuffled[patient] + 1)


def operations(told: Chronicle, ids: Ids) -> pd.DataFrame:
    rows = ids.operations
    case = rows["case"].to_numpy()
    people = told.cases
    grown = (rows["on"].to_numpy() - told.performed[case]) // 365
    planned = (rows["planned"] == "yes").to_numpy()
    table = pd.DataFrame({
        "operation_id": ids.operation, "patient_id": ids.patient[case], "performed_on": dates(rows["on"]),
        "procedure_code": rows["code"], "side": rows["side"], "status": rows["status"].replace("", "performed"),
        "surgeon_id": people["surgeon"].to_numpy()[case],
        "age_years": people["age"].to_numpy()[case] + np.maximum(grown, 0), "sex": people["sex"].to_numpy()[case],
        "planned": rows["planned"], "planned_with": np.where(planned, ids.of_case[case], ""),
        "planned_as": rows["planned_as"], "anaesthesia": rows["anaesthesia"], "reason": rows["reason"],
    })  # fmt: skip
    table["planned_on"] = np.where(planned, dates(told.performed[case]), np.datetime64("NaT", "D"))
    for name in OF_THE_PATIENT:
        table[name] = people[name].to_numpy()[case]
    _of_the_case(table, told, rows)
    return table.assign(site=rows["site"], known_on=learned(told, rows["on"].to_numpy(), 6, 0.005))


def _of_the_case(table: pd.DataFrame, told: Chronicle, rows: pd.DataFrame) -> None:
    """Adds what only the row that names the case tells; `urgency` of later rows is their own."""
    main, case = rows["main"].to_numpy(), rows["case"].to_numpy()
    for name in OF_THE_CASE:
        of_case = told.cases[name].iloc[case].reset_index(drop=True)
        table[name] = of_case.where(main, "") if is_string_dtype(of_case) else of_case.where(main)
    table["urgency"] = np.where(main, table["urgency"], rows["urgency"].replace("", "elective"))
    tubercle = (rows["code"] == CODES[TUBERCLE]).to_numpy() & ~main
    table["fixation"] = np.where(tubercle, "screw", table["fixation"])
