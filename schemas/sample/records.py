"""The story as records: operations with their ids first, then everything that refers to them."""

from __future__ import annotations

import numpy as np
import pandas as pd

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
        self.case_id = pd.Series(self.site) + "." + pd.Series(self.of_case) + "." + pd.Series(letters)


def numbered(site: np.ndarray, letter: str) -> np.ndarray:
    """Ids such as HB-O00017, counted within each site in the order given."""
    count = pd.Series(site).groupby(site).cumcount().to_numpy() + 1
    prefix = pd.Series(np.array(PREFIXES)[site]) if len(site) else pd.Series([], dtype=object)
    return (prefix + f"-{letter}" + pd.Series(count).astype(str).str.zfill(5)).to_numpy(dtype=object)


def _pseudonyms(told: Chronicle) -> np.ndarray:
    patient = told.cases["patient"].to_numpy()
    shuffled = told.rng.permutation(patient.max() + 1)
    prefix = pd.Series(np.array(PREFIXES)[told.cases["site"]])
    return (prefix + "-P" + pd.Series(shuffled[patient] + 1).astype(str).str.zfill(5)).to_numpy(dtype=object)


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
        told_of = told.cases[name].iloc[case].reset_index(drop=True)
        table[name] = told_of.where(
            main, pd.NaT if name == "onset_on" else np.nan if told_of.dtype != object else ""
        )
    table["urgency"] = np.where(main, table["urgency"], rows["urgency"].replace("", "elective"))
    tubercle = (rows["code"] == CODES[TUBERCLE]).to_numpy() & ~main
    table["fixation"] = np.where(tubercle, "screw", table["fixation"])


def events(told: Chronicle, ids: Ids) -> tuple[pd.DataFrame, pd.Series]:
    """The table, and the id of each event by its number in the chronicle."""
    kept = told.frame("events")
    kept["known_on"] = learned(told, kept["on"].to_numpy(), 14)
    kept["site"] = told.cases["site"].to_numpy()[kept["case"]]
    kept = kept.sort_values(["site", "known_on", "on"], kind="stable", ignore_index=True)
    case = kept["case"].to_numpy()
    names = kept["names_operation"].eq(True) | (told.cases["both"].to_numpy()[case] & (kept["day"] >= 0))
    names &= ~_flag(kept, "second_number") & ~kept["side"].ne(told.cases["side"].iloc[case].to_numpy()).where(
        kept["side"] != "", False
    )
    columns = (
        "code", "code_system", "side", "joint", "bone", "through_fixation_site", "energy", "reduced_by",
        "severity_grade", "management", "source", "note",
    )  # fmt: skip
    table = pd.DataFrame({"event_id": numbered(kept["site"].to_numpy(), "E")})
    second = np.char.add(ids.patient[case].astype(str), "b").astype(object)
    table["patient_id"] = np.where(_flag(kept, "second_number"), second, ids.patient[case])
    table["occurred_on"] = dates(kept["on"])
    table["operation_id"] = np.where(names, ids.of_case[case], "")
    for name in columns:
        table[name] = kept[name].astype(object).where(kept[name].notna(), "") if name in kept else ""
    table["instability_level"] = kept.get("instability_level", np.nan)
    table = table.assign(site=kept["site"], known_on=kept["known_on"])
    return table, pd.Series(table["event_id"].to_numpy(), index=kept["number"].to_numpy())


def _flag(kept: pd.DataFrame, name: str) -> pd.Series:
    return kept[name].eq(True) if name in kept else pd.Series(False, index=kept.index)


def followups(told: Chronicle, ids: Ids, died: np.ndarray) -> pd.DataFrame:
    kept = told.frame("contacts")
    gone = np.flatnonzero((died >= 0) & (told.cases["site"].to_numpy() == 2))
    last = pd.DataFrame({"case": gone, "on": told.performed[gone] + died[gone], "status": "died"})
    kept = pd.concat([kept, last], ignore_index=True)
    kept["known_on"] = learned(told, kept["on"].to_numpy(), 8)
    kept["site"] = told.cases["site"].to_numpy()[kept["case"]]
    kept = kept.sort_values(["site", "known_on", "on"], kind="stable", ignore_index=True)
    case = kept["case"].to_numpy()
    pair = told.cases["bilateral"].to_numpy()[case]
    table = pd.DataFrame(
        {"followup_id": numbered(kept["site"].to_numpy(), "F"), "patient_id": ids.patient[case]}
    )
    table["seen_on"], table["status"] = dates(kept["on"]), kept["status"]
    table["operation_id"] = np.where(pair, "", ids.of_case[case])
    table["side"] = np.where(pair, "", told.cases["side"].to_numpy()[case])
    for name in ("return_to_sport", "not_returned_because", "note"):
        table[name] = kept[name].astype(object).where(kept[name].notna(), "")
    after = kept["returned_after"].fillna(-1).to_numpy().astype(np.int64)
    back = dates(told.performed[case] + after)
    table["returned_on"] = np.where(after >= 0, back, np.datetime64("NaT", "D"))
    return table.assign(pain=kept["pain"], site=kept["site"], known_on=kept["known_on"])


def measurements(told: Chronicle, ids: Ids) -> pd.DataFrame:
    kept = told.frame("readings")
    kept["known_on"] = learned(told, kept["on"].to_numpy(), 8)
    kept["site"] = told.cases["site"].to_numpy()[kept["case"]]
    kept = kept.sort_values(["site", "known_on", "on"], kind="stable", ignore_index=True)
    case = kept["case"].to_numpy()
    table = pd.DataFrame(
        {"measurement_id": numbered(kept["site"].to_numpy(), "M"), "patient_id": ids.patient[case]}
    )
    table["measured_on"] = dates(kept["on"])
    for name in ("joint", "measure", "mode", "value"):
        table[name] = kept[name].to_numpy()
    table["unit"] = np.where(kept["mode"] == "none", "points", "deg")
    names = (told.rng.random(len(kept)) < 0.5) | told.cases["both"].to_numpy()[case]
    table["operation_id"] = np.where(names, ids.of_case[case], "")
    table["side"] = told.cases["side"].to_numpy()[case]
    return table.assign(site=kept["site"], known_on=kept["known_on"])


def patients(told: Chronicle, ids: Ids, died: np.ndarray) -> pd.DataFrame:
    first = np.flatnonzero(~told.cases["patient"].duplicated().to_numpy())
    on = np.where(died[first] >= 0, told.performed[first] + died[first], -1)
    day = np.where(on >= 0, dates(on), np.datetime64("NaT", "D"))
    table = pd.DataFrame({"patient_id": ids.patient[first], "sex": told.cases["sex"].to_numpy()[first]})
    known = learned(told, np.where(on >= 0, on, told.performed[first]), 6, 0.0)
    table = table.assign(died_on=day, site=told.cases["site"].to_numpy()[first], known_on=known)
    return table.sort_values(["site", "known_on", "patient_id"], kind="stable", ignore_index=True)


def surgeons() -> pd.DataFrame:
    """Four a site; all were there before the story began."""
    ids = [(f"{prefix}-S{number}", site) for site, prefix in enumerate(PREFIXES) for number in range(1, 5)]
    table = pd.DataFrame(ids, columns=["surgeon_id", "site"])
    started = dates(np.full(len(table), FIRST_DAY) - 200 * (1 + np.arange(len(table)) % 5))
    return table.assign(active_from=started, known_on=dates(np.full(len(table), FIRST_DAY)))


def decisions(told: Chronicle, ids: Ids) -> pd.DataFrame:
    kept = told.frame("decisions")
    case = kept["case"].to_numpy()
    decided = np.minimum(kept["on"].to_numpy() + 45, LAST_DAY - 1)
    table = pd.DataFrame({"case_id": ids.case_id.iloc[case].to_numpy()})
    for name in ("category", "counts", "reviewer", "reason"):
        table[name] = kept[name] if name in kept else pd.Series([], dtype=object)
    yes = (table["counts"] == "yes").to_numpy()
    occurred = np.where(yes, dates(kept["on"]), np.datetime64("NaT", "D"))
    return table.assign(decided_on=dates(decided), occurred_on=occurred)


def links(told: Chronicle, ids: Ids, event_ids: pd.Series) -> pd.DataFrame:
    kept = told.frame("links")
    case = kept["case"].to_numpy()
    to_case = kept["to_case"].to_numpy(dtype=bool) if "to_case" in kept else np.zeros(0, dtype=bool)
    events = kept["event"] if "event" in kept else pd.Series([], dtype=np.int64)
    table = pd.DataFrame(
        {"site_id": ids.site[case], "table": "events", "record_id": event_ids.reindex(events).to_numpy()}
    )
    table["case_id"] = np.where(to_case, ids.case_id.iloc[case].to_numpy(), "none")
    decided = dates(np.full(len(kept), LAST_DAY - 4))
    return table.assign(reviewer="r1", decided_on=decided, reason=kept.get("reason", "")).dropna()


def merges(told: Chronicle, ids: Ids) -> pd.DataFrame:
    kept = told.frame("events")
    case = kept.loc[_flag(kept, "second_number"), "case"].to_numpy()
    patient = ids.patient[case]
    second = np.char.add(patient.astype(str), "b").astype(object) if len(patient) else patient
    table = pd.DataFrame({"site_id": ids.site[case], "patient_id": second, "same_as": patient})
    return table.assign(decided_on=dates(np.full(len(table), LAST_DAY - 20)), by="records office")
