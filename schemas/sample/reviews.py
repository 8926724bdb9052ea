"""What people decided about the story's records: decisions, links, merges."""

from __future__ import annotations

import numpy as np
import pandas as pd

from schemas.sample.chronicle import Chronicle
from schemas.sample.people import LAST_DAY
from schemas.sample.records import Ids, dates
from schemas.sample.tables import NO_DAY, second_numbers


def decisions(told: Chronicle, ids: Ids) -> pd.DataFrame:
    """One row a case, category and reviewer, decided some weeks after."""
    kept = told.frame("decisions")
    on = kept["on"].to_numpy(dtype=np.int64)
    table = pd.DataFrame({"case_id": ids.case_id[kept["case"]]})
    table[["category", "counts", "reviewer"]] = kept[["category", "counts", "reviewer"]]
    table["decided_on"] = dates(np.minimum(on + 45, LAST_DAY - 1))
    table["occurred_on"] = np.where(kept["counts"] == "yes", dates(on), NO_DAY)
    return table.assign(reason=kept["reason"])


def links(told: Chronicle, ids: Ids, event_ids: pd.Series) -> pd.DataFrame:
    """Events that a reviewer tied to a case or to none."""
    kept = told.frame("links")
    kept = kept[kept["event"].isin(event_ids.index)].reset_index(drop=True)
    case = kept["case"].to_numpy()
    table = pd.DataFrame({"site_id": ids.site[case], "table": "events"})
    table["record_id"] = event_ids.loc[kept["event"]].to_numpy()
    table["case_id"] = np.where(kept["to_case"], ids.case_id[case], "none")
    return table.assign(
        reviewer="r1", decided_on=dates(np.full(len(kept), LAST_DAY - 4)), reason=kept["reason"]
    )


def merges(told: Chronicle, ids: Ids) -> pd.DataFrame:
    """Second numbers of patients."""
    kept = told.frame("events")
    case = kept.loc[kept["second_number"], "case"].to_numpy()
    table = pd.DataFrame({"site_id": ids.site[case], "patient_id": second_numbers(ids.patient[case])})
    decided = dates(np.full(len(table), LAST_DAY - 20))
    return table.assign(same_as=ids.patient[case], decided_on=decided, by="records office")
