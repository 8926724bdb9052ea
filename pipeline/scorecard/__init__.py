"""The scorecard: of how many rows each rule was asked, how many failed it, and whether a site may be compared.

Dimensions are those of Kahn et al. 2016, eGEMs 4(1):1244. Everything is counted by site, table, column, rule and
receipt in one frame (`counting`); scores, trend and verdicts are sums over it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.handover import Validated
from pipeline.scorecard.changed import records_changed
from pipeline.scorecard.counting import COUNTED, counted, filled_cells
from pipeline.scorecard.deliveries import deliveries_of
from pipeline.scorecard.lags import lags, late_rows
from pipeline.scorecard.repeats import receipts_repeated, repeated_rows
from pipeline.scorecard.scores import scores
from pipeline.scorecard.trend import outside_limits, trend
from pipeline.scorecard.values import about_values
from pipeline.scorecard.verdicts import Verdict, verdicts
from pipeline.scorecard.volumes import volumes
from pipeline.settings import Settings
from pipeline.sites import Reach

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Scorecard", "scorecard_of"]


@dataclass(frozen=True)
class Scorecard:
    """How good the exports were.

    `tables`: published table → frame. `findings`: what the scorecard itself says. `verdicts`: site → verdict.
    """

    tables: dict[str, pd.DataFrame]
    findings: pd.DataFrame
    verdicts: dict[str, Verdict]


def scorecard_of(
    validated: Validated,
    fates: Mapping[str, np.ndarray],
    found: pd.DataFrame,
    reached: Sequence[Reach],
    settings: Settings,
) -> Scorecard:
    """Score everything that was received.

    Args:
        validated: Accepted and held-back rows.
        fates: What became of each accepted row, by table.
        found: All findings up to here.
        reached: Every site, with how far its records reach.
        settings: Tolerances, and how sites send.
    """
    import pandas as pd

    from pipeline import findings

    sent = deliveries_of(validated, fates)
    cells = filled_cells(validated, sent)
    lag = lags(validated, fates, sent, settings)
    rows = counted(validated, found, sent, cells, repeated_rows(validated, fates, sent, settings))
    rows = pd.concat([rows, late_rows(lag)[COUNTED]], ignore_index=True)
    rows = rows.astype({"rows": "int64", "failing": "int64"})
    tables = {
        "quality": scores(rows, settings),
        "quality_trend": trend(rows, settings),
        "quality_volume": volumes(sent, validated.accepted.sources),
        "quality_lag": lag,
    }
    own = findings.joined(
        [
            outside_limits(tables["quality_trend"], validated.accepted.sources),
            about_values(validated, sent),
            receipts_repeated(validated.accepted.sources, settings),
            records_changed(validated, fates, sent, settings),
        ]
    )
    told = verdicts(reached, tables, findings.joined([found, own]), validated.accepted.sources)
    return Scorecard(tables, own, told)
