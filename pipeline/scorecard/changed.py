"""Receipts in which a large part of the records sent before says something else in one column."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.findings import frame
from pipeline.handover import KEPT, SUPERSEDED, Validated
from pipeline.keys import keys_of
from pipeline.scorecard.deliveries import Deliveries
from pipeline.settings import Settings, Site
from schemas.columns import Column
from schemas.exports import EXPORTS, ID_COLUMN

if TYPE_CHECKING:
    import pandas as pd

#: Fewest records, and least share of the rows of a receipt, that have to say otherwise.
FEWEST_CHANGED, SHARE_CHANGED = 20, 0.2
_NOT_CONTENT = ("recorded_at", "record_status")


def records_changed(
    validated: Validated, fates: Mapping[str, np.ndarray], sent: Deliveries, settings: Settings
) -> pd.DataFrame:
    """Findings `records_changed`, one a receipt and column, for sites whose exports hold the records of those before.

    A cell that was empty and is filled now is no change, nor is one that says again what it said before it was changed.
    Our limits, without a published source.
    """
    whole = np.array(
        [settings.sites.get(site, Site(site)).sends != "changes" for site in sent.units["site"]], dtype=bool
    )
    told: list[dict[str, object]] = []
    for name, table in validated.accepted.tables.items():
        if np.count_nonzero(fates[name] == SUPERSEDED) >= FEWEST_CHANGED:
            told += _of_table(validated, name, table, _pairs(table, name, fates[name], sent, whole), sent)
    return frame(told)


def _pairs(
    table: pa.Table, name: str, fate: np.ndarray, sent: Deliveries, whole: np.ndarray
) -> dict[int, tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Receipt (unit) → rows that say otherwise, the rows they replace and those before these (or the same again).

    Only where there are enough of them.
    """
    unit, ids = sent.unit_of[name], table[ID_COLUMN[name]]
    replaced = np.flatnonzero(fate == SUPERSEDED)
    named = pc.is_in(ids, value_set=ids.take(replaced).unique()).to_numpy(zero_copy_only=False).astype(bool)
    rows = np.flatnonzero(named & np.isin(fate, [KEPT, SUPERSEDED]))
    key = keys_of([(table["site"].take(rows), ids.take(rows))]).numbers[0]
    order = np.lexsort((unit[rows], key))
    rows, key = rows[order], key[order]
    again = (
        np.flatnonzero((key[1:] == key[:-1]) & (unit[rows[1:]] != unit[rows[:-1]]) & whole[unit[rows[1:]]])
        + 1
    )
    now, before = rows[again], rows[again - 1]
    former = np.maximum(again - 2, 0)
    first = np.where(key[former] == key[again], rows[former], before)
    times = np.bincount(unit[now], minlength=len(sent.units))
    many = np.flatnonzero(times >= np.maximum(FEWEST_CHANGED, SHARE_CHANGED * sent.units["rows"].to_numpy()))
    return {int(one): tuple(each[unit[now] == one] for each in (now, before, first)) for one in many}  # type: ignore[misc]


def _of_table(
    validated: Validated,
    name: str,
    table: pa.Table,
    pairs: Mapping[int, tuple[np.ndarray, np.ndarray, np.ndarray]],
    sent: Deliveries,
) -> Iterator[dict[str, object]]:
    columns = [each for each in EXPORTS[name].columns if each.name not in (ID_COLUMN[name], *_NOT_CONTENT)]
    for unit, (now, *earlier) in pairs.items():
        rows = int(sent.units["rows"].iloc[unit])
        for column in columns:
            changed, how = _difference(table[column.name], column, (now, *earlier))
            if changed < max(FEWEST_CHANGED, SHARE_CHANGED * rows):
                continue
            source = validated.accepted.sources[table["source_number"][int(now.min())].as_py()]
            yield {
                "site": sent.units["site"].iloc[unit], "source_file": source.source_file, "table": name,
                "column": column.name, "rule": "records_changed",
                "message": f"{changed} of {rows} records say otherwise than when they were sent before{how}. Ask what "
                "was changed at the source, in the export or in the mapping.",
            }  # fmt: skip


def _difference(cells: pa.ChunkedArray, column: Column, rows: Sequence[np.ndarray]) -> tuple[int, str]:
    """How many filled cells differ, and by how many days if it is the same everywhere; `rows` as in `_pairs`."""
    later, earlier, first = (cells.take(pa.array(each)).combine_chunks() for each in rows)
    differs = pc.fill_null(pc.and_(pc.not_equal(later, earlier), pc.not_equal(later, first)), False)
    changed = int(pc.sum(differs).as_py() or 0)
    if column.kind != "date" or not changed:
        return changed, ""
    moved = pc.subtract(later.cast(pa.int32()), earlier.cast(pa.int32())).filter(differs).unique().to_pylist()
    if len(moved) != 1:
        return changed, ""
    days = abs(moved[0])
    return changed, f", each {days} {'day' if days == 1 else 'days'} {'earlier' if moved[0] < 0 else 'later'}"
