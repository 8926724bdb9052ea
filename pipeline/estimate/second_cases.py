"""The published `second_cases`: how many cases of a row are not their patient's first there."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.counts import Cells, Outcomes
from pipeline.handover import Labels

PARTS = ("whole", "arm_a", "arm_b", "beside")
COUNTED = ("cases", "events", "quiet", "without", "lost")


def second_cases_table(repeated: Cells, outcomes: Outcomes, labels: Labels) -> pd.DataFrame:
    """Rows that have any, keyed as `rates` with the part of the row before."""
    some = np.any([repeated[name] > 0 for name in COUNTED], axis=0)
    row, outcome = np.nonzero(some)
    site, group = (repeated.keys[name].to_numpy()[row] for name in ("site", "group"))
    category, level = outcomes.category[outcome], outcomes.level[outcome]
    return pd.DataFrame(
        {
            "part": np.array(PARTS, dtype=object)[repeated.keys["part"].to_numpy()[row]],
            "stratum": np.where(site < 0, "none", "site"),
            "stratum_value": np.array([*labels.sites, ""], dtype=object)[site],
            "procedure": np.array([*labels.groups, "all"], dtype=object)[group],
            "category": np.array(labels.categories, dtype=object)[category],
            "level": [labels.levels[c][at] for c, at in zip(category, level, strict=True)],
            "window_days": outcomes.window_days[outcome],
            **{name: repeated[name][row, outcome] for name in COUNTED},
        }
    )
