"""Operations named by a number that the site uses again every year."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.columns import calendar_days
from pipeline.handover import NO_DAY, NOT_SENT, NOT_THEIRS, Accepted


def scoped_rows(accepted: Accepted, name: str) -> np.ndarray:
    """bool over the accepted rows of a table: their own id begins with the year of their day."""
    scoped = np.array([source.id_scope == "year" for source in accepted.sources] or [False])
    return scoped[accepted.tables[name]["source_number"].to_numpy()]


def bare_ids(ids: pa.ChunkedArray, scoped: np.ndarray) -> pd.Series:
    """Ids as they were sent: without the year where one was put before them."""
    without = pc.utf8_slice_codeunits(ids, 5)
    return pd.Series(pc.if_else(pa.array(scoped), without, ids).to_pandas().to_numpy(dtype=object))


def named_by_bare_id(named: pd.DataFrame, operations: pd.DataFrame, itself: bool) -> np.ndarray:
    """The operation that each record names: its number, NOT_SENT or NOT_THEIRS.

    Of the operations of the record's patient that were sent under the number, the only one; of several, the only one
    that lies on or before the record's day. Where that leaves none or more than one, it is not known which is meant.

    Args:
        named: `record` (its position), `site`, `number` (as sent), `patient`, `day` (NO_DAY unknown).
        operations: `operation`, and the same columns.
        itself: The records are the operations; none names itself.
    """
    pairs = named.merge(operations, on=["site", "number"], suffixes=("", "_of"))
    pairs = pairs[pairs["record"] != pairs["operation"]] if itself else pairs
    theirs = pairs[pairs["patient"] == pairs["patient_of"]]
    before = theirs[(theirs["day_of"] <= theirs["day"]) & (theirs["day"] != NO_DAY)]
    told = pd.concat([_only(theirs), _only(before)])
    told = told[~told.index.duplicated()]
    unknown = np.where(
        named["record"].isin(set(pairs["record"]) - set(theirs["record"])), NOT_THEIRS, NOT_SENT
    )
    return named["record"].map(told).fillna(pd.Series(unknown, index=named.index)).to_numpy("int64")


def _only(pairs: pd.DataFrame) -> pd.Series:
    """Record → operation, of the records with exactly one pair."""
    alone = pairs[~pairs["record"].duplicated(keep=False)]
    return alone.set_index("record")["operation"]


def days_of(table: pa.Table, day_column: str) -> np.ndarray:
    """int64 calendar days of a table's records."""
    return calendar_days(table[day_column]).astype(np.int64)
