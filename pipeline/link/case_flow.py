"""From performed operations to cases, step by step, per site and procedure; every step adds up."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.handover import ELSEWHERE, NO_RETURN, PERFORMED, PLANNED, PLANNED_LATE, RETURN, Facts
from pipeline.link.sittings import Sittings
from pipeline.lookup import Lookup

ALL = -1  # `procedure` of the steps before the procedure is known


#: Orders of the steps as the published flow names them: 10 rows, 20 performed, 30 sittings, 40 cases.
STEP_OF_ROLE = {RETURN: 31, PLANNED: 32, PLANNED_LATE: 33, NO_RETURN: 34}


def case_flow(
    facts: Facts, look: Lookup, found: Sittings, too_early: np.ndarray, alone: np.ndarray
) -> pd.DataFrame:
    """Counts of every step: `site, procedure, order, count` (procedure ALL where it is not known yet).

    The counts of a step whose sign is 0 are the balance of those before it.

    Args:
        too_early: bool, sittings that open a case before the first date counted.
        alone: Why a sitting belongs to no case, from `without_case`.
    """
    operations = facts.operations.assign(unknown=ALL)
    performed = operations["status"] == PERFORMED
    known = performed & (operations["procedure"] >= 0)
    rows = found.rows[found.rows["listed"] == 0]
    sittings = found.sittings.assign(order=_step_of(found.sittings, too_early, alone))
    parts = [
        _counts(operations, 10, "unknown"),
        _counts(operations[~performed], 11, "unknown"),
        _counts(operations[performed & ~known], 12, "unknown"),
        _counts(operations[known], 20, "procedure"),
        _counts(_second_sides(rows), 21, "procedure"),
        *_joined_rows(rows, sittings),
        _counts(sittings, 30, "procedure"),
        *(
            _counts(sittings[sittings["order"] == order], order, "procedure")
            for order in (31, 32, 33, 34, 35, 36, 37, 38, 40)
        ),
    ]
    return pd.concat(parts, ignore_index=True)


def _step_of(sittings: pd.DataFrame, too_early: np.ndarray, alone: np.ndarray) -> np.ndarray:
    role = sittings["role"].map(STEP_OF_ROLE).to_numpy()
    waits = sittings["pending"] >= 0
    found = [too_early, sittings["opens"], waits, alone == ELSEWHERE, alone >= 0]
    return np.select(found, [36, 40, 37, 35, 38], role)


def _counts(frame: pd.DataFrame, order: int, procedure: str) -> pd.DataFrame:
    counted = frame.groupby(["site", procedure]).size().rename("count").reset_index()
    return counted.rename(columns={procedure: "procedure"}).assign(order=order)


def _second_sides(rows: pd.DataFrame) -> pd.DataFrame:
    return rows[rows["bilateral"] & rows.duplicated(["operation"])]


def _joined_rows(rows: pd.DataFrame, sittings: pd.DataFrame) -> list[pd.DataFrame]:
    """Rows that do not name their sitting. A sitting named by a listed code moves its row to that procedure."""
    further = rows[rows.duplicated("sitting")]
    first = rows.drop_duplicates("sitting")
    naming = sittings["procedure"].to_numpy()[first["sitting"]]
    moved = first[first["procedure"].to_numpy() != naming]
    arrived = moved.assign(procedure=naming[first["procedure"].to_numpy() != naming])
    return [
        _counts(further, 22, "procedure"),
        _counts(moved, 22, "procedure"),
        _counts(arrived, 21, "procedure"),
    ]
