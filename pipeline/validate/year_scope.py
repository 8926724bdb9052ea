"""Ids of a site whose numbers start again every year: the year of the record's day goes before them."""

from __future__ import annotations

import pyarrow as pa
import pyarrow.compute as pc

from pipeline.handover import Reading
from pipeline.validate.parse import one_chunk
from schemas.columns import Table
from schemas.exports import DAY_COLUMN, ID_COLUMN


def is_scoped(reading: Reading, table: Table) -> bool:
    """Whether the mapping says so, and the table has a day to take the year from."""
    return reading.id_scope == "year" and table.name in DAY_COLUMN


def with_years(typed: pa.Table, reading: Reading, table: Table) -> pa.Table:
    """The typed columns with `<year>-<id>` as the table's own id; without a day the id stays (the row is held back).

    Ids by which a row points at other records are left as sent; they are looked up when records are resolved.
    """
    if not is_scoped(reading, table):
        return typed
    own = ID_COLUMN[table.name]
    sent = one_chunk(typed[own])
    years = pc.year(typed[DAY_COLUMN[table.name]]).cast(pa.string())
    scoped = pc.binary_join_element_wise(years, sent, "-", null_handling="emit_null")
    return typed.set_column(typed.column_names.index(own), own, pc.coalesce(scoped, sent))
