"""What differs about a case: one row a case and field, before and after as text."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from pipeline.changes.told import Told

#: Columns of the case list that are compared → the sort of difference, for `causes.NEAREST`.
FIELDS = {
    "group": "operation",
    "performed_on": "operation",
    "surgeon": "operation",
    "fixation": "operation",
    "age_band": "operation",
    "sex": "operation",
    "isolated": "operation",
    "contact_until": "contact",
    "died": "survival",
}
PRESENCE = "case"
COLUMNS = ["case_id", "field", "before", "after", "sort", "category"]


def differences(earlier: Told, then: Told) -> pd.DataFrame:
    """Cases that are only in one evaluation, other columns of the same case, other complications: `COLUMNS`."""
    found = pd.concat([_presence(earlier, then), _columns(earlier, then), _complications(earlier, then)])
    return found.sort_values(["case_id", "field"], ignore_index=True)[COLUMNS]


def _presence(earlier: Told, then: Told) -> pd.DataFrame:
    gone = earlier.cases.index.difference(then.cases.index)
    new = then.cases.index.difference(earlier.cases.index)
    return pd.DataFrame(
        {
            "case_id": [*gone, *new],
            "field": PRESENCE,
            "before": [*earlier.cases.loc[gone, "group"], *[None] * len(new)],
            "after": [*[None] * len(gone), *then.cases.loc[new, "group"]],
            "sort": "operation",
            "category": "",
        }
    ).astype(object)


def _columns(earlier: Told, then: Told) -> pd.DataFrame:
    both = earlier.cases.index.intersection(then.cases.index)
    parts = []
    for field, sort in FIELDS.items():
        before, after = (told.cases.loc[both, field] for told in (earlier, then))
        at = np.flatnonzero(~((before == after) | (before.isna() & after.isna())).to_numpy(dtype=bool))
        parts.append(
            pd.DataFrame(
                {
                    "case_id": both[at],
                    "field": field,
                    "before": [_text(value) for value in before.iloc[at]],
                    "after": [_text(value) for value in after.iloc[at]],
                    "sort": sort,
                    "category": "",
                }
            ).astype(object)
        )
    return pd.concat(parts, ignore_index=True)


def _text(value: object) -> str | None:
    if value is None or value is pd.NaT or value != value:
        return None
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, (float, np.floating)):
        return str(int(value))
    return str(value)[:10] if isinstance(value, (date, np.datetime64)) else str(value)


def _complications(earlier: Told, then: Told) -> pd.DataFrame:
    """Complications of cases that both have, whose status or day is another."""
    both = earlier.cases.index.intersection(then.cases.index)
    key = ["case_id", "category", "level"]
    left, right = (_said(told.complications, both) for told in (earlier, then))
    joined = left.merge(right, how="outer", on=key, suffixes=("_before", "_after"))
    joined = joined.astype(object).where(joined.notna(), None)
    moved = joined[joined["said_before"].fillna("") != joined["said_after"].fillna("")]
    return moved.assign(
        field=moved["category"] + "." + moved["level"],
        before=moved["said_before"],
        after=moved["said_after"],
        sort="complication",
    )[COLUMNS]


def _said(rows: pd.DataFrame, cases: pd.Index) -> pd.DataFrame:
    own = rows[rows["case_id"].isin(cases)]
    day = pd.to_numeric(own["day"]).astype("Int64").astype("string")
    said = own["status"].astype("string") + (", day " + day).fillna(", day unknown")
    return own[["case_id", "category", "level"]].assign(said=said.astype(object))
