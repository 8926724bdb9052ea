"""The published `severity` and `revisions`."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.counts import Counts
from pipeline.handover import Labels
from schemas.exports import SEVERITY_GRADES

KEYS = ["first", "to", "reason", "planned"]


def severity_table(counts: Counts, labels: Labels) -> pd.DataFrame:
    """One row a procedure, category and grade with a case."""
    keys = counts.severity.keys
    return pd.DataFrame(
        {
            "procedure": _named(labels.groups, keys["group"]),
            "category": _named(labels.categories, keys["category"]),
            "grade": _named((*SEVERITY_GRADES, "unknown"), keys["grade"]),
            "cases": counts.severity["cases"],
        }
    )


def revisions_table(counts: Counts, labels: Labels) -> pd.DataFrame:
    """One row a first and a later operation, reason and planned or not, with how many and the median day."""
    by_day = counts.returns.keys.assign(count=counts.returns["count"]).sort_values([*KEYS, "day"])
    grouped = by_day.groupby(KEYS)["count"]
    until = grouped.cumsum()
    total = grouped.transform("sum")
    middles = [_day_at(by_day, until, (total - 1) // 2), _day_at(by_day, until, total // 2)]
    found = grouped.sum().reset_index()
    return pd.DataFrame(
        {
            "first_operation": _named(labels.groups, found["first"]),
            "to_operation": _named(labels.groups, found["to"]),
            "reason": _named((*labels.categories, None), found["reason"]),
            "planned": found["planned"].astype(bool),
            "count": found["count"],
            "median_days": (middles[0] + middles[1]) / 2,
        }
    )


def _day_at(by_day: pd.DataFrame, until: pd.Series, place: pd.Series) -> np.ndarray:
    """Of each group the day of its operation at a place, counted from 0 in order of days."""
    reached = by_day[until > place]
    return reached.drop_duplicates(KEYS)["day"].to_numpy()


def _named(words: tuple[str | None, ...], positions: pd.Series) -> np.ndarray:
    return np.array(words, dtype=object)[positions.to_numpy(np.int64)]
