"""When a case's window is closed, and whether the case was watched to its end: shared by what counts and what lists."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.settings import Window

#: `contact_until` and `records_until` of the frame of cases, by a category's `seen_in`.
OBSERVED_UNTIL = {"visit": "contact_until", "records": "records_until"}


def closed_cases(cases: pd.DataFrame, window: Window) -> np.ndarray:
    """Cases whose window has ended and had its grace by the day to which the site's records are complete."""
    performed = cases["performed"].to_numpy(np.int64)
    return performed + (window.days + window.grace) <= cases["known_until"].to_numpy(np.int64)


def quiet_cases(cases: pd.DataFrame, window: Window, seen_in: str) -> np.ndarray:
    """Closed cases that are followed even without an event: dead by the window's end, or observed up to it."""
    reached = cases[OBSERVED_UNTIL[seen_in]].to_numpy(np.int64) >= window.days - window.early
    return closed_cases(cases, window) & ((cases["died"].to_numpy(np.int64) <= window.days) | reached)
