"""What one more complication would do to a rate, in words: so that people review first what moves most."""

from __future__ import annotations

import pandas as pd

from pipeline.handover import Labels
from pipeline.settings import Settings

USUAL_DAYS = 365


def moves_of(rates: pd.DataFrame, labels: Labels, settings: Settings) -> dict[tuple[int, int], str]:
    """(group, category) → "2 of 14 would become 3 of 14 (365 days)", for the main level over all strata."""
    main = {(category, labels.levels[number][0]) for number, category in enumerate(labels.categories)}
    own = rates[(rates["stratum"] == "none") & (rates["procedure"] != "all") & rates["events"].notna()]
    told = {}
    for (procedure, category, level), rows in own.groupby(["procedure", "category", "level"]):
        if (category, level) in main:
            row = rows[rows["window_days"] == _window(rows["window_days"].tolist(), settings)].iloc[0]
            events, cases, days = int(row["events"]), int(row["cases"]), int(row["window_days"])
            key = labels.groups.index(procedure), labels.categories.index(category)
            told[key] = f"{events} of {cases} would become {min(events + 1, cases)} of {cases} ({days} days)"
    return told


def _window(days: list[int], settings: Settings) -> int:
    """The primary comparison's window where the category has it, else the longest up to a year, else the longest."""
    stated = settings.primary.window if settings.primary else USUAL_DAYS
    if stated in days:
        return stated
    return max([day for day in days if day <= USUAL_DAYS] or days)
