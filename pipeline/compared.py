"""Which cases, or cells of cases, belong to the two arms of a comparison."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.handover import Labels
from pipeline.settings import Compare, Primary, Settings


def comparisons_of(settings: Settings) -> list[Primary | Compare]:
    """The stated comparison, if there is one, then the descriptive ones; counts number them in this order."""
    return [*([settings.primary] if settings.primary else []), *settings.compare]


def arms_of(keys: pd.DataFrame, asked: Primary | Compare, labels: Labels) -> tuple[np.ndarray, np.ndarray]:
    """bool by row: of arm a, of arm b.

    Args:
        keys: Rows with the columns `group`, `among:*` and `by:*`, as frames of cases and joint cells have them.
        asked: The comparison. An arm that nothing of the labels is called has no rows.
        labels: What the integers stand for.
    """
    inside = np.ones(len(keys), dtype=bool)
    if asked.among:
        inside &= keys[f"among:{asked.among}"].to_numpy().astype(bool)
    if asked.within:
        inside &= (keys["group"] == labels.groups.index(asked.within)).to_numpy()
    words = labels.groups if asked.by == "procedure" else labels.by[asked.by]
    column = keys["group" if asked.by == "procedure" else f"by:{asked.by}"].to_numpy()
    a, b = (
        inside & (column == words.index(arm)) if arm in words else inside & False
        for arm in (asked.a, asked.b)
    )
    return a, b
