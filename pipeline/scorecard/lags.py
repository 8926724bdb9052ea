"""Timeliness: days from what happened to when it was written down, or else received."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.columns import calendar_days
from pipeline.handover import KEPT, NO_DAY, SUPERSEDED, Validated
from pipeline.keys import keys_of
from pipeline.scorecard.deliveries import UNIT, Deliveries
from pipeline.settings import Settings
from schemas.exports import DAY_COLUMN, ID_COLUMN

if TYPE_CHECKING:
    import pandas as pd

RECORDED_LATE = "recorded_late"
LATE_AFTER_DAYS = 150
_LONGEST, _EPOCH = 3650, date(1970, 1, 1)
COLUMNS = (*UNIT, "rows", "median_days", "days_90", "late", "longest_days")


def lags(
    validated: Validated, fates: Mapping[str, np.ndarray], sent: Deliveries, settings: Settings
) -> pd.DataFrame:
    """`site, table, receipt, rows, median_days, days_90, late, longest_days` of rows whose lag is known.

    The lag runs from the row's day to `recorded_at`, or to its receipt where the site does not send that. It is
    not known for rows of a table's first receipt without `recorded_at` (the past was sent at once), for later
    versions of a record (a correction is not late) and for sites whose days are not real ones. `late` counts rows
    more than LATE_AFTER_DAYS days after; quantiles are the smallest day that so many rows do not exceed.
    """
    import pandas as pd

    receipt = np.array([(day - _EPOCH).days for day in sent.units["receipt"]], dtype=np.int64)
    allowed = _may_be_asked(sent.units, settings)
    first = (sent.units.groupby(["site", "table"]).cumcount() == 0).to_numpy()
    parts = [pd.DataFrame(columns=list(COLUMNS))]
    for name, day_column in DAY_COLUMN.items():
        table, unit = validated.accepted.tables[name], sent.unit_of[name]
        if not len(unit):
            continue
        rows = np.flatnonzero(
            sent.used[name] & allowed[unit] & ~_later_versions(table, name, fates[name], unit)
        )
        days = calendar_days(table[day_column])[rows].astype(np.int64)
        recorded = _recorded(table["recorded_at"])[rows]
        told = recorded != NO_DAY
        known = (days != NO_DAY) & (told | ~first[unit[rows]])
        lag = np.where(told, recorded, receipt[unit[rows]]) - days
        parts.append(_by_unit(sent.units, unit[rows][known], np.clip(lag[known], 0, _LONGEST)))
    return pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)


def _recorded(moments: pa.ChunkedArray) -> np.ndarray:
    """int64 calendar day of each time of writing, NO_DAY where there is none."""
    if moments.null_count == len(moments):
        return np.full(len(moments), int(NO_DAY), dtype=np.int64)
    return calendar_days(moments.cast(pa.date32())).astype(np.int64)


def _may_be_asked(units: pd.DataFrame, settings: Settings) -> np.ndarray:
    inexact = [site.site_id for site in settings.sites.values() if site.dates != "exact"]
    return ~units["site"].isin(inexact).to_numpy(dtype=bool)


def _later_versions(table: pa.Table, name: str, fate: np.ndarray, unit: np.ndarray) -> np.ndarray:
    """bool: a version of a record that was sent otherwise in an earlier receipt."""
    replaced, later = np.flatnonzero(fate == SUPERSEDED), np.zeros(len(fate), dtype=bool)
    if not len(replaced):
        return later
    ids = table[ID_COLUMN[name]]
    named = pc.is_in(ids, value_set=ids.take(replaced).unique()).to_numpy(zero_copy_only=False).astype(bool)
    rows = np.flatnonzero(named & np.isin(fate, [KEPT, SUPERSEDED]))
    key = keys_of([(table["site"].take(rows), ids.take(rows))]).numbers[0]
    first = np.full(int(key.max()) + 1, np.iinfo(np.int64).max)
    np.minimum.at(first, key, unit[rows])
    later[rows] = unit[rows] > first[key]
    return later


def _by_unit(units: pd.DataFrame, unit: np.ndarray, lag: np.ndarray) -> pd.DataFrame:
    """Quantiles from a histogram of whole days, one a unit."""
    there = np.flatnonzero(np.bincount(unit, minlength=len(units)))
    place = np.zeros(len(units), dtype=np.int64)
    place[there] = np.arange(len(there))
    width = _LONGEST + 1
    histogram = np.bincount(place[unit] * width + lag, minlength=len(there) * width).reshape(
        len(there), width
    )
    below = np.cumsum(histogram, axis=1)
    rows = below[:, -1] if len(there) else np.zeros(0, dtype=np.int64)

    def quantile(share: float) -> np.ndarray:
        return np.argmax(below >= np.ceil(share * rows)[:, None], axis=1)

    return units.loc[there, UNIT].assign(
        rows=rows, median_days=quantile(0.5), days_90=quantile(0.9), late=rows - below[:, LATE_AFTER_DAYS],
        longest_days=quantile(1.0),
    )  # fmt: skip


def late_rows(told: pd.DataFrame) -> pd.DataFrame:
    """The lags as a rule of the scorecard: `recorded_late` at the day column of each table."""
    own = told.assign(column=told["table"].map(DAY_COLUMN), rule=RECORDED_LATE)
    return own.rename(columns={"late": "failing"})
