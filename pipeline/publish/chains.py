"""What the lists say of a case's chain of operations."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.handover import RETURN
from pipeline.publish.coded import begins, joined_runs, places_among

FARTHEST = 2**31  # more than any day of a case


def last_operation_rows(rows: pd.DataFrame, cases: pd.DataFrame, chain: pd.DataFrame) -> np.ndarray:
    """(rows,) accepted row of the last operation of the case before each complication; the first where its day is unknown.

    Args:
        rows: Complications: `case, day`.
        cases: `row`, by case.
        chain: Later operations: `case, day, row, pending`.
    """
    own = chain[~chain["pending"].astype(bool)].sort_values(["case", "day"])
    known = (own["case"] * FARTHEST + own["day"]).to_numpy()
    asked = (rows["case"] * FARTHEST + rows["day"]).to_numpy()
    place = np.searchsorted(known, asked, side="left") - 1
    found = np.append(own["case"].to_numpy(), -1)[place] == rows["case"].to_numpy()
    first = cases["row"].to_numpy()[rows["case"]]
    return np.where(found & (place >= 0), np.append(own["row"].to_numpy(), -1)[place], first)


def returns_of(returns: pd.DataFrame, cases: int) -> np.ndarray:
    """(cases,) number of unplanned returns to theatre."""
    return np.bincount(returns.loc[returns["role"] == RETURN, "case"], minlength=cases)


def concomitant_of(concomitant: pd.DataFrame, procedures: tuple[str, ...], cases: int) -> pa.Array:
    """(cases,) what else was done at the first sitting, in order of precedence, joined by `;`; null for nothing."""
    own = concomitant.sort_values(["case", "procedure"])
    words = pa.array(procedures, pa.string()).take(pa.array(own["procedure"].to_numpy()))
    case = own["case"].to_numpy()
    first = begins(case)
    at = places_among(np.arange(cases), case[first])
    return joined_runs(words, first, ";").take(pa.array(at, mask=at < 0))
