"""How many rows each export brought, against the median of the eight before it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.findings import CATALOGUE
from pipeline.handover import Source
from pipeline.scorecard.deliveries import UNIT, Deliveries

if TYPE_CHECKING:
    import pandas as pd

EXPORTS_BEFORE = 8


def volumes(sent: Deliveries, sources: Sequence[Source]) -> pd.DataFrame:
    """`site, table, receipt, rows, median, ratio, used`; the first export of a table has no median.

    An accepted file without rows is an export of 0 rows. An export that was set aside is shown and enters no median.
    """
    import pandas as pd

    known = sent.units[["site", "table"]].drop_duplicates()
    empty = pd.DataFrame(
        [(s.site, s.table, s.receipt) for s in sources if s.table and not s.reason],
        columns=UNIT,
        dtype=object,
    )
    used = pd.concat([sent.units[[*UNIT, "rows"]], empty.merge(known).assign(rows=0)]).drop_duplicates(UNIT)
    whole = pd.concat([used.assign(used=True), _set_aside(sources)], ignore_index=True)
    whole = whole.drop_duplicates(UNIT).sort_values(UNIT, ignore_index=True)
    counted = whole["rows"].where(whole["used"]).astype("float64")
    series = counted.groupby([whole["site"], whole["table"]], sort=False)
    median = series.transform(_median_before)
    ratio = whole["rows"] / median.where(median > 0)
    typed = whole.astype({"rows": "int64", "used": "bool"})
    return typed.assign(median=median, ratio=ratio.astype("float64"))[
        [*UNIT, "rows", "median", "ratio", "used"]
    ]


def _median_before(rows: pd.Series) -> pd.Series:
    """Of the last eight known numbers before each; unknown ones (exports set aside) are passed over."""
    known = rows.dropna()
    after = known.rolling(EXPORTS_BEFORE, min_periods=1).median()
    return after.reindex(rows.index).ffill().shift(1)


def _set_aside(sources: Sequence[Source]) -> pd.DataFrame:
    import pandas as pd

    aside = [
        (s.site, s.table, s.receipt, s.refused)
        for s in sources
        if s.reason in CATALOGUE and CATALOGUE[s.reason].action == "set_aside"
    ]
    frame = pd.DataFrame(aside, columns=[*UNIT, "rows"])
    return frame.groupby(UNIT, as_index=False)["rows"].sum().assign(used=False)
