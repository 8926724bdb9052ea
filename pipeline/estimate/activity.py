"""The published `activity`: the period's own news."""

from __future__ import annotations

import pandas as pd

from pipeline.counts import Counts
from pipeline.handover import Labels

COUNTED = (
    "operations",
    "cases",
    "complications_happened",
    "complications_learned",
    "awaiting",
    "decisions",
    "windows_closed",
)


def activity_table(
    counts: Counts, labels: Labels, operations: pd.DataFrame, decisions: pd.DataFrame
) -> pd.DataFrame:
    """One row a site and procedure with any news.

    Args:
        operations: `site, group, operations` of the period.
        decisions: `site, group, decisions` of the period.
    """
    own = counts.activity.keys.assign(**counts.activity.statistics)
    both = own.merge(operations, how="outer", on=["site", "group"]).merge(
        decisions, how="outer", on=["site", "group"]
    )
    table = both.fillna(0).astype("int64")
    table = table[(table[list(COUNTED)] > 0).any(axis=1)]
    names = {
        "site": [labels.sites[number] for number in table["site"]],
        "procedure": [labels.groups[number] for number in table["group"]],
    }
    return table.assign(**names)[["site", "procedure", *COUNTED]].reset_index(drop=True)
