"""When a case's window is closed, and whether the case was watched to its end: shared by what counts and what lists."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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


@dataclass(frozen=True)
class LastDays:
    """Until when each case is in the curves of one way of observing, if nothing happens; arrays over the cases.

    Attributes:
        kept: bool, it is in them at all.
        end: Day of death or last day observed, from 0 to the longest window's last day.
        died: bool, it ends with death.
    """

    kept: np.ndarray
    end: np.ndarray
    died: np.ndarray


def last_days(cases: pd.DataFrame, windows: Sequence[Window]) -> dict[str, LastDays]:
    """By way of observing.

    `visit`: up to the last contact, but not beyond the case's last closed window, or else those whom a complication
    brought back early would be in and those still well and not yet seen would be out. A contact that completes a window
    (`early`) stands for its last day. Cases without a closed window are not in these curves.
    `records`: as far as the site's records reach, for every case: nobody has to come for them.
    """
    longest = max((window.days for window in windows), default=0)
    contact = cases["contact_until"].to_numpy(np.int64)
    last_closed = np.full(len(cases), -1, np.int64)
    seen = np.zeros(len(cases), np.int64)
    for window in windows:
        closed = closed_cases(cases, window)
        last_closed = np.where(closed, np.maximum(last_closed, window.days), last_closed)
        seen = np.where(closed & (contact >= window.days - window.early), np.maximum(seen, window.days), seen)
    observed = {
        "visit": np.maximum(np.minimum(contact, last_closed), np.where(last_closed >= 0, seen, -1)),
        "records": np.minimum(cases["records_until"].to_numpy(np.int64), longest),
    }
    died = cases["died"].to_numpy(np.int64)
    return {way: _ending(until, died) for way, until in observed.items()}


def _ending(until: np.ndarray, died: np.ndarray) -> LastDays:
    return LastDays(until >= 0, np.maximum(np.minimum(until, died), 0), died <= until)
