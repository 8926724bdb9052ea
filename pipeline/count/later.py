"""How severe complications were, and what patients came back for: counts that only need what classify says of each."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.case_evidence import EvidenceRows, positions
from pipeline.counts import Cells, joint_cells
from pipeline.handover import COUNTED, Cases

SEVERITY_KEYS = ("group", "category", "grade")
RETURN_KEYS = ("first", "to", "reason", "planned", "day")


def severity_cells(cases: Cases, rows: EvidenceRows) -> Cells:
    """Cases with a counted complication's main level, by group, category and grade."""
    own = (rows.level == 0) & (rows.status == COUNTED)
    keys = pd.DataFrame(
        {
            "group": cases.cases["group"].to_numpy()[rows.at[own]],
            "category": rows.category[own],
            "grade": cases.complications["grade"].to_numpy()[own],
        }
    )
    return _numbers(keys, "cases")


def return_cells(cases: Cases) -> Cells:
    """Returns and planned later operations by both procedures, reason and day: the days are a histogram."""
    positions(cases, cases.returns["case"].to_numpy())  # each belongs to a case of the partition
    return _numbers(cases.returns[list(RETURN_KEYS)], "count")


def _numbers(keys: pd.DataFrame, name: str) -> Cells:
    cell, table = joint_cells(keys)
    return Cells(table, {name: np.bincount(cell, minlength=len(table)).astype(np.int64)})
