"""Which case every performed operation of the catalogue belongs to, and as what."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.handover import OPENS
from pipeline.link.sittings import Sittings


def members_of(found: Sittings, cases: pd.DataFrame, case_of: np.ndarray) -> pd.DataFrame:
    """`row, case, day, role, names`: one row an operation row and case, without those that await a link.

    Args:
        found: Sittings of one part.
        cases: Its cases: `performed` (calendar day).
        case_of: (sittings + 1,) case of each sitting, -1 without one.
    """
    rows = found.rows
    own = rows[(rows["listed"] == 0) & (case_of[rows["sitting"]] >= 0)]
    sitting, case = own["sitting"].to_numpy(), case_of[own["sitting"]]
    opens = found.sittings["opens"].to_numpy()[sitting]
    role = found.sittings["role"].to_numpy()[sitting]
    names = found.sittings["row"].to_numpy()[sitting] == own["row"].to_numpy()
    columns = {
        "row": own["row"].to_numpy(),
        "case": case,
        "day": own["day"].to_numpy() - cases["performed"].to_numpy()[case],
        "role": np.where(opens, OPENS, role),
        "names": names,
    }
    return pd.DataFrame(columns)
