"""What was known before the operation of the cases that the stated comparison sets against each other."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.compared import arms_of
from pipeline.counts import BASELINE, Cells, joint_cells
from pipeline.handover import Cases
from pipeline.settings import Settings
from pipeline.watched import closed_cases


def baseline_cells(cases: Cases, settings: Settings) -> Cells:
    """Cases of each arm by characteristic and value: those that the stated comparison sets side by side.

    That is closed cases, isolated ones. Keys are `arm` (0 is a, 1 is b), `characteristic` (position in
    `counts.BASELINE`) and `value` as the frame of cases has it (-1 is missing; an age is its years). Without a stated
    comparison there are no cells.
    """
    stated, rows = settings.primary, cases.cases
    arms = [np.zeros(0, np.int64)] * 2
    if stated:
        window = next(window for window in settings.windows if window.days == stated.window)
        compared = rows["isolated"].to_numpy().astype(bool) & closed_cases(rows, window)
        arms = [np.flatnonzero(compared & arm) for arm in arms_of(rows, stated, cases.labels)]
    cell, keys = joint_cells(_told(rows, arms))
    return Cells(keys, {"cases": np.bincount(cell, minlength=len(keys)).astype(np.int64)})


def _told(rows: pd.DataFrame, arms: list[np.ndarray]) -> pd.DataFrame:
    """A row for each case of an arm and characteristic."""
    at, names = np.concatenate(arms), list(BASELINE)
    arm = np.repeat([0, 1], [len(each) for each in arms])
    value = rows[names].to_numpy(np.int64)[at].T.ravel()
    return pd.DataFrame(
        {
            "arm": np.tile(arm, len(names)),
            "characteristic": np.repeat(np.arange(len(names)), len(at)),
            "value": value,
        }
    )
