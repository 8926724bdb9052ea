"""Operations on patients who had died: rows that cannot both be true.

Told by the rows as they were sent, by the site's own patient id: what a merge brings together is the merge's fault.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.catalogue import PATIENT_DIED
from pipeline.columns import JOINER, calendar_days, coded, given, holds, joined, paired, word_codes
from pipeline.handover import KEPT, NO_DAY, Accepted

if TYPE_CHECKING:
    from pipeline.lookup import Lookup

#: A contact that tells of a death.
DIED = "died"


#: Table → its day, and the words of its status under which the patient was there (none: always).
PRESENT: dict[str, tuple[str, tuple[str, ...]]] = {
    "events": ("occurred_on", ()),
    "followups": ("seen_on", ("seen", "remote")),
    "measurements": ("measured_on", ()),
}


def operations_after_death(
    accepted: Accepted, fates: Mapping[str, np.ndarray], look: Lookup
) -> dict[str, np.ndarray]:
    """Table → rows that stand and contradict each other: an operation performed, and a death days before it.

    Both the operation's row and the rows that tell of the death are given. Empty where nothing does.
    """
    told = _deaths(accepted, fates, look)
    if told.empty:
        return {}
    operations = _performed(accepted, fates, _ids(told["patient"]))
    died = told.groupby("patient", sort=False)["day"].min()
    late = operations[operations["day"] > operations["patient"].map(died).astype("float64").fillna(np.inf)]
    if late.empty:
        return {}
    newest = late.groupby("patient", sort=False)["day"].max()
    early = told[told["day"] < told["patient"].map(newest).fillna(-np.inf)]
    both = pd.concat([late.assign(table="operations"), early])
    return {str(name): rows.to_numpy(np.int64) for name, rows in both.groupby("table")["row"]}


def records_after_death(
    accepted: Accepted, fates: Mapping[str, np.ndarray], look: Lookup
) -> dict[str, np.ndarray]:
    """Table → rows that stand and are dated after the patient's day of death: nobody is seen or measured then.

    A row that tells of the death itself is not among them, whatever its day. Empty where nothing is.
    """
    told = _deaths(accepted, fates, look)
    if told.empty:
        return {}
    died = told.groupby("patient", sort=False)["day"].min()
    ids = _ids(told["patient"])
    found = {}
    for name, (day, words) in PRESENT.items():
        table = accepted.tables[name]
        chosen = word_codes(table["status"], words) >= 0 if words else given(table[day])
        rows = rows_with_patient(table, day, chosen, fates[name], ids)
        last = rows["patient"].map(died).astype("float64").fillna(np.inf)
        late = rows.loc[rows["day"] > last, "row"].to_numpy(np.int64)
        late = np.setdiff1d(late, told.loc[told["table"] == name, "row"].to_numpy(np.int64))
        if len(late):
            found[name] = late
    return found


def _deaths(accepted: Accepted, fates: Mapping[str, np.ndarray], look: Lookup) -> pd.DataFrame:
    """`table, row, patient, day` of every row that tells of a death."""
    tables = accepted.tables
    telling = {
        "patients": ("died_on", given(tables["patients"]["died_on"])),
        "followups": ("seen_on", word_codes(tables["followups"]["status"], [DIED]) == 0),
        "events": ("occurred_on", _fatal(tables["events"], look)),
    }
    found = [
        rows_with_patient(tables[name], day, chosen, fates[name]).assign(table=name)
        for name, (day, chosen) in telling.items()
    ]
    return pd.concat(found, ignore_index=True)


def _performed(accepted: Accepted, fates: Mapping[str, np.ndarray], among: set[str]) -> pd.DataFrame:
    table = accepted.tables["operations"]
    done = holds(table["status"], lambda status: pc.equal(status, "performed"))
    return rows_with_patient(table, "performed_on", done, fates["operations"], among)


def rows_with_patient(
    table: pa.Table, day: str, chosen: np.ndarray, fate: np.ndarray, among: set[str] | None = None
) -> pd.DataFrame:
    """`row, patient, day` of the chosen rows that stand and have a day; only of ids `among` these, if they are given.

    `patient` is site and id joined, so only where rows are few.
    """
    chosen = chosen & (fate == KEPT)
    if among is not None:
        ids = pa.array(sorted(among), pa.string())
        chosen &= holds(table["patient_id"], lambda texts: pc.is_in(texts, value_set=ids))
    rows = np.flatnonzero(chosen)
    taken = table.select(["site", "patient_id", day]).take(rows)
    days = calendar_days(taken[day])
    keys = joined(taken["site"], taken["patient_id"]).to_pandas()
    found = pd.DataFrame({"row": rows, "patient": keys, "day": days})
    return found[(days != NO_DAY) & found["patient"].notna()]


def _ids(patients: pd.Series) -> set[str]:
    """The patients' ids without their sites."""
    return {patient.split(JOINER, 1)[1] for patient in patients}


def _fatal(events: pa.Table, look: Lookup) -> np.ndarray:
    """bool: the event's code says that the patient died; looked up once a distinct code."""
    fatal = {key for key, entry in look.catalogue.complications.items() if PATIENT_DIED in entry.implied_by}
    labels, code = paired(*coded(events["code_system"]), *coded(events["code"]))
    return np.array([*(_means(look, label, fatal) for label in labels), False])[code]


def _means(look: Lookup, key: str, categories: set[str]) -> bool:
    system, code = key.split(JOINER, 1)
    found = look.catalogue.complication_of(system, code)
    return found is not None and found.rule.specific and found.key in categories
