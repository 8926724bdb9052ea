"""When a complication became known, and whether that was too late for the month in which it happened.

What a site tells with its first export after a month is of that month, whenever the file came; so is all that its first
export ever holds. Only what comes with a later one, or what a reviewer decides later, is news of its own.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.handover import FIRST, Facts

#: Days received and days of the export before it go together in one number, which sorts by the first.
SPAN = 1 << 20


def arrivals(evidence: pd.DataFrame, facts: Facts) -> np.ndarray:
    """Calendar day on which each piece of evidence arrived, with that of the export before, as one number."""
    received, before = np.zeros(len(evidence), np.int64), np.full(len(evidence), FIRST, np.int64)
    for name, days in facts.received.items():
        own = (evidence["table"] == name).to_numpy()
        rows = evidence["row"].to_numpy()[own]
        received[own] = days[rows]
        if name in facts.sent_before:
            before[own] = facts.sent_before[name][rows]
    return received * SPAN + before - FIRST


def parted(arrival: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The two days that `arrivals` put together."""
    return arrival // SPAN, arrival % SPAN + FIRST


def with_lateness(rows: pd.DataFrame, performed: np.ndarray) -> pd.DataFrame:
    """The rows with `late` instead of `before`: that export, or the decision, is of a later month than what happened.

    Args:
        rows: `case`, `day` (of the case; -1 unknown), `before` (calendar day, FIRST: none).
        performed: Calendar day of every case.
    """
    before, day = rows["before"].to_numpy(np.int64), rows["day"].to_numpy(np.int64)
    happened = performed[rows["case"].to_numpy()].astype(np.int64) + day
    later = _months(before) > _months(happened)
    return rows.drop(columns="before").assign(late=(before != FIRST) & (later | (day < 0)))


def _months(days: np.ndarray) -> np.ndarray:
    return days.astype("datetime64[D]").astype("datetime64[M]")
