"""The list of what was read in notes, without their words."""

from __future__ import annotations

import pyarrow as pa

from pipeline.handover import ASSERTIONS, RECORD_TABLES, SIDES, UNHEARD
from pipeline.publish.coded import coded, whole
from pipeline.publish.lists import Lists
from pipeline.publish.tables import in_order
from schemas.published import PUBLISHED


def letters_list(lists: Lists) -> pa.Table:
    """The published `letters`, as it is written: one row a note, category, assertion and case it might speak of."""
    heard = lists.heard
    table = heard["table"].map({name: number for number, name in enumerate(RECORD_TABLES)})
    columns = {
        "case_id": lists.ids(heard["case"]),
        "table": coded(RECORD_TABLES, table),
        "record_id": lists.record_ids(heard),
        "day": whole(heard["day"]),
        "category": coded(lists.labels.categories, heard["category"]),
        "assertion": coded(ASSERTIONS, heard["assertion"]),
        "side": coded(SIDES, heard["side"]),
        "why_not": coded(UNHEARD, heard["why"]),
        **lists.places_of(heard),
    }
    return in_order(pa.table(columns), PUBLISHED["letters"])
