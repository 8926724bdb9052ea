"""quality.csv: each rule over each column of a site's table, with its tolerance and whether that is kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.findings import CATALOGUE
from pipeline.scorecard.counting import KEY, QUARANTINED_SHARE
from pipeline.settings import Settings
from schemas.measures import MEASURES

if TYPE_CHECKING:
    import pandas as pd

WITHIN, OVER, NO_TOLERANCE = "within tolerance", "over tolerance", "no tolerance set"
COLUMNS = ("site", "table", "column", "dimension", "rule", "rows", "failing", "share", "tolerance", "verdict")


def scores(counted: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """All receipts of a series together, judged against the tolerances of the settings."""
    summed = counted.groupby(KEY, sort=True)[["rows", "failing"]].sum().reset_index()
    told = summed.assign(
        dimension=summed["rule"].map(dimension),
        share=summed["failing"] / summed["rows"].where(summed["rows"] > 0, 1),
        tolerance=summed["rule"].map(tolerances(settings)).astype("float64"),
    )
    judged = np.where(told["share"] <= told["tolerance"], WITHIN, OVER)
    told["verdict"] = np.where(told["tolerance"].isna(), NO_TOLERANCE, judged)
    texts = ["site", "table", "column", "dimension", "rule", "verdict"]
    typed = told.astype({**dict.fromkeys(texts, "string"), "share": "float64"})
    return typed[list(COLUMNS)].sort_values(
        ["site", "table", "column", "dimension", "rule"], ignore_index=True
    )


def dimension(rule: str) -> str:
    """Kind of quality a rule speaks of."""
    return (MEASURES if rule in MEASURES else CATALOGUE)[rule].dimension


def tolerances(settings: Settings) -> dict[str, float]:
    """Rule → share of failing rows that is tolerated; rules without one are counted and not judged."""
    own = {
        QUARANTINED_SHARE: settings.tolerance.quarantined_share,
        "records_vanished": settings.tolerance.vanished_share,
    }
    return {**own, **settings.tolerance_of_rule}
