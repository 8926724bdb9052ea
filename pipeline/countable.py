"""What count is given of a partition: its cases from the first date counted on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.handover import PLANNED, RETURN, Cases, Labels

if TYPE_CHECKING:
    from pipeline.handover import Classified
    from pipeline.lookup import Lookup


def countable_cases(cases: pd.DataFrame, part: Classified, labels: Labels, look: Lookup) -> Cases:
    """Cases from the first date counted on, numbered anew."""
    kept = cases["counted"].to_numpy().astype(bool)
    number = np.cumsum(kept) - 1
    found = pd.concat([part.complications, part.also], ignore_index=True)
    own, measured, later = (
        frame[kept[frame["case"]]].assign(case=lambda rows: number[rows["case"]]).reset_index(drop=True)
        for frame in (found, part.assessed, _later_operations(cases, part.returns))
    )
    return Cases(
        labels=labels,
        cases=cases[kept].reset_index(drop=True).assign(case=np.arange(int(kept.sum()), dtype=np.int64)),
        complications=own,
        assessed=measured,
        defined=look.defined,
        returns=later,
    )


def _later_operations(cases: pd.DataFrame, returns: pd.DataFrame) -> pd.DataFrame:
    """`case, first, to, reason, planned, day` of returns and planned operations; one planned only later is neither yet."""
    own = returns[returns["role"].isin([RETURN, PLANNED])]
    first = cases["procedure"].to_numpy()[own["case"]]
    named = own.rename(columns={"procedure": "to"}).assign(first=first, planned=own["role"] == PLANNED)
    return named[["case", "first", "to", "reason", "planned", "day"]]
