"""The list of what was read in notes, without their words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.handover import ASSERTIONS, SIDES, UNHEARD
from pipeline.publish.lists import Lists
from schemas.exports import ID_COLUMN


def letters_list(lists: Lists) -> pd.DataFrame:
    """The published `letters`: one row a note, category, assertion and case it might speak of."""
    heard = lists.heard
    ids = np.full(len(heard), "", dtype=object)
    for table in heard["table"].unique():
        own = (heard["table"] == table).to_numpy()
        ids[own] = lists.texts(table, ID_COLUMN[table], heard["row"].to_numpy()[own])
    return pd.DataFrame(
        {
            "case_id": lists.case_ids[heard["case"]] if len(heard) else [],
            "table": heard["table"],
            "record_id": ids,
            "day": heard["day"],
            "category": lists.named(lists.labels.categories, heard["category"]),
            "assertion": lists.named(ASSERTIONS, heard["assertion"]),
            "side": lists.named(SIDES, heard["side"], None),
            "why_not": lists.named(UNHEARD, heard["why"], None),
            **lists.places_of(heard),
        }
    )
