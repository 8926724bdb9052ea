"""Any complication: worked out per case from the main levels of its categories."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.handover import AWAITING, COUNTED
from pipeline.lookup import Lookup


def any_rows(rows: pd.DataFrame, look: Lookup) -> pd.DataFrame:
    """A row for what is counted and one for what awaits; an unknown day comes before every other."""
    members = np.array(
        [entry.in_any for entry in look.catalogue.complications.values()] + [False], dtype=bool
    )
    own = rows[(rows["level"] == 0) & members[rows["category"]] & rows["status"].isin([COUNTED, AWAITING])]
    own = own.sort_values(["case", "status", "day", "strength"], ascending=[True, True, True, False])
    first = own.drop_duplicates(["case", "status"])
    return first.assign(category=len(look.categories), level=0, pieces=0)
