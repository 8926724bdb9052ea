"""How many rows each export brought, against the median of the eight before it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.handover import Source
from pipeline.scorecard.deliveries import UNIT, Deliveries

if TYPE_CHECKING:
    import pandas as pd

EXPORTS_BEFORE = 8


def volumes(sent: Deliveries, sources: Sequence[Source]) -> pd.DataFrame:
    """`site, table, receipt, rows, median, ratio`; the first export of a table has no median.

    An accepted file without rows is an export of 0 rows.
    """
    import pandas as pd

    accepted = [(s.site, s.table, s.receipt) for s in sources if s.table and not s.refused and not s.reason]
    empty = pd.DataFrame(accepted, columns=UNIT, dtype=object).drop_duplicates()
    known = sent.units[["site", "table"]].drop_duplicates()
    empty = empty.merge(known, on=["site", "table"]).assign(rows=0)
    whole = pd.concat([sent.units[[*UNIT, "rows"]], empty]).drop_duplicates(UNIT)
    whole = whole.sort_values(UNIT, ignore_index=True).astype({"rows": "int64"})
    before = whole.groupby(["site", "table"], sort=False)["rows"]
    median = before.transform(lambda own: own.shift(1).rolling(EXPORTS_BEFORE, min_periods=1).median())
    ratio = whole["rows"] / median.where(median > 0)
    return whole.assign(median=median.astype("float64"), ratio=ratio.astype("float64"))
