"""Operations each of which may be right, but not together: ages, and patients under two numbers.

Told by the rows as they were sent, by the site's own ids. Nothing is corrected: which of two rows is wrong only the
sender can say.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.columns import calendar_days, coded, holds, whole_numbers
from pipeline.handover import KEPT, NO_DAY, Accepted
from pipeline.keys import keys_of

#: The contract's word for 90 and over; two such ages say nothing about each other.
OLDEST = 90
#: What two rows of one operation under two patient numbers need not share.
NOT_SHARED = ("operation_id", "patient_id", "source_number", "source_line", "record_status", "recorded_at")

#: Looked at first, so that few rows are compared in every column.
FIRST_COMPARED = ("age_years", "sex", "side", "procedure_code", "surgeon_id")
#: Where more of the operations are alike than this share, the columns sent are too few to tell people apart.
MOST_ALIKE = 0.05

Fates = Mapping[str, np.ndarray]


def ages_disagree(accepted: Accepted, rows: pd.DataFrame) -> np.ndarray:
    """Operations whose patient aged too little or too much between two of them.

    Between completed years on two days lie the whole years between them, or one more.
    """
    age = whole_numbers(accepted.tables["operations"]["age_years"])[rows["row"]]
    known = rows.assign(age=age)[(age >= 0) & (age < OLDEST)]
    known = known[known["patient"].duplicated(keep=False)].sort_values(["patient", "day"], kind="stable")
    apart, aged = known["day"].diff(), known["age"].diff()
    wrong = (known["patient"] == known["patient"].shift()) & (
        (aged < apart // 366) | (aged > apart // 365 + 1)
    )
    return np.sort(known.loc[(wrong | wrong.shift(-1, fill_value=False)).to_numpy(bool), "row"].to_numpy())


def patients_alike(accepted: Accepted, rows: pd.DataFrame) -> np.ndarray:
    """Operations that say the same of two patients of a site in everything but the ids; few rows are compared in full.

    None where three patients share one, or where so many are alike that the columns sent cannot tell people apart.
    """
    table = accepted.tables["operations"]
    own = rows["row"].to_numpy()[_occurs_again(_first_compared(table, rows))]
    alike = table.take(own).append_column("row", pa.array(own))
    shared = [name for name in table.column_names if name not in NOT_SHARED]
    told = alike.filter(pc.is_valid(alike["surgeon_id"])).to_pandas()
    patients = told.groupby(shared, dropna=False, sort=False)["patient_id"].transform("nunique")
    pairs = told.loc[(patients == 2).to_numpy(bool), "row"].to_numpy(np.int64)
    return np.sort(pairs) if len(pairs) <= MOST_ALIKE * len(rows) else np.empty(0, np.int64)


def _first_compared(table: pa.Table, rows: pd.DataFrame) -> np.ndarray:
    """int64: two rows have the same number if they have the same day and values of the columns looked at first."""
    day = rows["day"].to_numpy(np.int64)
    key = day - day.min(initial=0)
    for name in FIRST_COMPARED:
        values, codes = coded(table[name])
        if int(key.max(initial=0)) > 2**62 // (len(values) + 1):
            key = np.unique(key, return_inverse=True)[1]
        key = key * (len(values) + 1) + codes[rows["row"]] + 1
    return key


def _occurs_again(numbers: np.ndarray) -> np.ndarray:
    """bool: another entry is the same number."""
    ordered = np.sort(numbers)
    several = ordered[1:][ordered[1:] == ordered[:-1]]
    place = np.searchsorted(several, numbers)
    return np.append(several, -1)[place] == numbers


def performed(accepted: Accepted, fates: Fates) -> pd.DataFrame:
    """`row, patient, day` of the operations performed on a known day; `patient` is a number of the site's own id."""
    table = accepted.tables["operations"]
    patient = keys_of([(table["site"], table["patient_id"])]).numbers[0]
    day = calendar_days(table["performed_on"])
    done = holds(table["status"], lambda status: pc.equal(status, "performed"))
    rows = np.flatnonzero(done & (fates["operations"] == KEPT) & (patient >= 0) & (day != NO_DAY))
    return pd.DataFrame({"row": rows, "patient": patient[rows], "day": day[rows]})
