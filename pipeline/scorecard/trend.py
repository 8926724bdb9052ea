"""The trend over exports: each receipt's failing share against what the earlier ones of the site showed."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.findings import frame
from pipeline.handover import Source
from pipeline.scorecard.asked import OF_FILES, REFUSALS
from pipeline.scorecard.counting import KEY, QUARANTINED_SHARE, VANISHED
from pipeline.scorecard.limits import share_limits
from pipeline.settings import Settings, Site

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = (
    "site", "table", "column", "rule", "receipt", "rows", "failing", "share", "expected", "limit_low", "limit_high",
    "outside",
)  # fmt: skip
#: A file is refused, or sent again, as a whole: its rows are not so many independent trials.
NOT_BY_ROW = (*REFUSALS, *OF_FILES, "record_duplicate", VANISHED)


def trend(counted: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """One row a series and receipt after the first, for series in which anything failed and for rows held back.

    `expected` is the share over the earlier receipts; where a site sends everything each time, over the last
    earlier one alone, since each holds the rows of the one before. Limits: see `limits`.
    """
    failed = counted.groupby(KEY)["failing"].transform("sum") > 0
    own = counted[(failed | (counted["rule"] == QUARANTINED_SHARE)) & ~counted["rule"].isin(NOT_BY_ROW)]
    own = own[own["rows"] > 0].sort_values([*KEY, "receipt"], ignore_index=True)
    rows, failing = _earlier(own, "rows", settings), _earlier(own, "failing", settings)
    later = rows > 0
    told = own[later].reset_index(drop=True)
    return _judged(told, failing[later], rows[later])


def _earlier(own: pd.DataFrame, name: str, settings: Settings) -> np.ndarray:
    """Sum over the earlier receipts of the series, or the last one's where exports repeat each other."""
    series = own.groupby(KEY, sort=False)[name]
    before = (series.cumsum() - own[name]).to_numpy()
    last = series.shift(1).fillna(0).to_numpy().astype(np.int64)
    whole = {site: settings.sites.get(site, Site(site)).sends != "changes" for site in own["site"].unique()}
    return np.where(own["site"].map(whole).to_numpy(dtype=bool), last, before)


def _judged(told: pd.DataFrame, failing: np.ndarray, rows: np.ndarray) -> pd.DataFrame:
    low = high = np.zeros(0)
    if len(told):
        low, high = share_limits(failing, rows, told["rows"].to_numpy())
    share = (told["failing"] / told["rows"]).astype("float64")
    told = told.assign(
        share=share, expected=failing / np.maximum(rows, 1), limit_low=low, limit_high=high,
        outside=((share < low) | (share > high)).astype(bool),
    )  # fmt: skip
    return told[list(COLUMNS)]


def worse(told: pd.DataFrame) -> pd.DataFrame:
    """Rows of a trend above their limit: more fails than earlier exports let expect."""
    return told[told["outside"].astype(bool) & (told["share"] > told["expected"])]


def outside_limits(told: pd.DataFrame, sources: Sequence[Source]) -> pd.DataFrame:
    """A finding `share_outside_limits` a receipt and column, at the first file of the receipt."""
    files: dict[tuple[str, str, object], str] = {}
    for source in sources:
        files.setdefault((source.site, source.table, source.receipt), source.source_file)
    rows = []
    for key, own in worse(told).groupby(["site", "table", "receipt", "column"], sort=True):
        site, table, receipt, column = key
        file = files.get((str(site), str(table), receipt), "")
        place = {"site": site, "source_file": file, "table": table, "column": column}
        message = "; ".join(_sentence(row) for row in own.to_dict("records"))
        rows.append({**place, "rule": "share_outside_limits", "message": f"{message}. Look at these rows."})
    return frame(rows)


def _sentence(row: dict[Hashable, Any]) -> str:
    allowed = round(row["limit_high"] * row["rows"])
    return (
        f"{row['rule']}: {row['failing']} of {row['rows']} rows, where {row['expected']:.1%} in the exports before "
        f"let expect at most {allowed}"
    )
