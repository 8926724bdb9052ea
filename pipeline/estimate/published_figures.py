"""The published `published_figures`: what others printed of a category, with the interval that their counts bear."""

from __future__ import annotations

import pandas as pd

from pipeline.catalogue import Catalogue, PublishedFigure
from pipeline.estimate.proportions import proportion_interval, share_of
from pipeline.settings import Settings

ORDER = (
    "category", "events", "cases", "window_days", "criterion", "source", "rate", "ci_low", "ci_high", "lowest",
    "highest",
)  # fmt: skip


def published_figures_table(catalogue: Catalogue, settings: Settings) -> pd.DataFrame:
    """One row a figure of the catalogue in force; Wilson's interval, whatever ours are made by."""
    entries = catalogue.complications.items()
    told = pd.DataFrame(
        [_row(key, figure) for key, entry in entries for figure in entry.published], columns=list(ORDER)
    )
    events, cases = (told[name].fillna(0).to_numpy("int64") for name in ("events", "cases"))
    limits = proportion_interval(events, cases, "wilson", settings.confidence)
    return told.assign(rate=share_of(events, cases), ci_low=limits.low, ci_high=limits.high)


def _row(category: str, figure: PublishedFigure) -> dict[str, object]:
    return {
        "category": category, "events": figure.events, "cases": figure.cases, "window_days": figure.window,
        "criterion": figure.criterion, "source": figure.source, "lowest": figure.lowest, "highest": figure.highest,
    }  # fmt: skip
