"""Operations named by a number that the site uses again every year."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.columns import calendar_days
from pipeline.handover import NO_DAY, NOT_NAMED, NOT_SENT, NOT_THEIRS, Accepted
from schemas.exports import DAY_COLUMN

if TYPE_CHECKING:
    from pipeline.resolve.facts import Numbers

#: Characters of a year and the hyphen after it.
AFTER_YEAR = 5


def with_bare_ids(numbers: Numbers, name: str, column: str, named: np.ndarray) -> np.ndarray:
    """`named`, but at sites whose operation numbers start again every year by the number as it was sent."""
    scoped = _scoped(numbers.accepted, "operations")[numbers.rows["operations"]]
    if not scoped.any():
        return named
    operations = _records(numbers, "operations", "operation_id")
    operations["number"] = operations["number"].where(~scoped, operations["number"].str.slice(AFTER_YEAR))
    records = _records(numbers, name, column)
    asked = records["site"].isin(set(operations["site"][scoped])).to_numpy() & (named != NOT_NAMED)
    found = named.astype(np.int64)
    found[asked] = named_by_bare_id(
        records[asked], operations.rename(columns={"record": "operation"}), itself=name == "operations"
    )
    return found


def _scoped(accepted: Accepted, name: str) -> np.ndarray:
    """bool over the accepted rows of a table: their own id begins with the year of their day."""
    scoped = np.array([source.id_scope == "year" for source in accepted.sources] or [False])
    return scoped[accepted.tables[name]["source_number"].to_numpy()]


def _records(numbers: Numbers, name: str, column: str) -> pd.DataFrame:
    """The records that stand: `record` (position), `site`, `number` (text of the column), `patient`, `day`."""
    rows = numbers.rows[name]
    table = numbers.accepted.tables[name].select(["site", column, DAY_COLUMN[name]]).take(pa.array(rows))
    return pd.DataFrame(
        {
            "record": np.arange(len(rows)),
            "site": table["site"].to_pandas(),
            "number": table[column].to_pandas(),
            "patient": numbers.patients[name][rows],
            "day": calendar_days(table[DAY_COLUMN[name]]).astype(np.int64),
        }
    )


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
