"""Versions of a record: which one stands, and what the others are.

The key is (site, table, record id). Versions are ordered by `recorded_at` where all of them carry it, else by
receipt and file; the last one stands. A file sent again counts with its first receipt. Two different versions in
one receipt that nothing orders are held back, and an older one stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.columns import calendar_days, holds
from pipeline.handover import CONFLICTING, DUPLICATE, KEPT, NO_DAY, SUPERSEDED, WITHDRAWN, Source
from pipeline.keys import keys_of

REUSED_AFTER_DAYS = 365
NOT_CONTENT = ("source_number", "source_line")


@dataclass(frozen=True)
class Versions:
    """`fate` (int8 over rows), and which rows were held back for which reason (bool over rows)."""

    fate: np.ndarray
    conflicting: np.ndarray
    used_again: np.ndarray


@dataclass(frozen=True)
class _Order:
    """Rows of repeated records sorted by key and age, with what decides between neighbours."""

    rows: np.ndarray
    key: np.ndarray
    recorded: np.ndarray
    receipt: np.ndarray


def versions_of(
    table: pa.Table, id_column: str, day_column: str | None, sources: tuple[Source, ...]
) -> Versions:
    """What each row of an accepted table is among the versions of its record."""
    fate = np.full(len(table), KEPT, dtype=np.int8)
    conflicting = np.zeros(len(table), dtype=bool)
    used_again = np.zeros(len(table), dtype=bool)
    key = _record_keys(table, id_column)
    repeated = np.flatnonzero((np.bincount(key) > 1)[key]) if len(key) else np.zeros(0, dtype=np.int64)
    if len(repeated):
        order = _ordered(table, key, repeated, sources)
        used_again[_with_key(order, _reused(table, order, day_column))] = True
        conflicting[order.rows[_conflicts(table, order)]] = True
        conflicting &= ~used_again
        fate[conflicting | used_again] = CONFLICTING
        standing = order.rows[fate[order.rows] == KEPT]
        fate[standing] = _ranked(table, standing, key[standing])
    withdrawn = holds(table["record_status"], lambda status: pc.equal(status, "withdrawn"))
    fate[(fate == KEPT) & withdrawn] = WITHDRAWN
    return Versions(fate, conflicting, used_again)


def _record_keys(table: pa.Table, id_column: str) -> np.ndarray:
    """int32 number of each (site, id)."""
    return keys_of([(table["site"], table[id_column])]).numbers[0]


def _ordered(table: pa.Table, key: np.ndarray, rows: np.ndarray, sources: tuple[Source, ...]) -> _Order:
    recorded = table["recorded_at"].take(rows).cast(pa.int64())
    carried = pc.is_valid(recorded).to_numpy().astype(bool)
    _, record = np.unique(key[rows], return_inverse=True)
    all_carry = np.bincount(record) == np.bincount(record, carried)
    moment = np.where(all_carry[record], pc.fill_null(recorded, 0).to_numpy(), 0)
    source = table["source_number"].to_numpy()[rows]
    receipt = _first_receipts(sources)[source]
    order = np.lexsort((rows, source, receipt, moment, key[rows]))
    return _Order(rows[order], key[rows][order], moment[order], receipt[order])


def _first_receipts(sources: tuple[Source, ...]) -> np.ndarray:
    """Per source the ordinal of its receipt, or of an earlier receipt of the very same bytes."""
    earliest: dict[tuple[str, str, str, str], int] = {}
    for source in sources:
        same = (source.site, source.table, source.sheet, source.sha256)
        earliest[same] = min(earliest.get(same, source.receipt.toordinal()), source.receipt.toordinal())
    return np.array([earliest[(s.site, s.table, s.sheet, s.sha256)] for s in sources], dtype=np.int64)


def _same_content(table: pa.Table, rows: np.ndarray) -> np.ndarray:
    """bool: the row says exactly what the one before it says. The first is False."""
    same = np.ones(len(rows), dtype=bool)
    same[:1] = False
    for name in table.column_names:
        if name not in NOT_CONTENT:
            same[1:] &= _equal_neighbours(table[name].take(rows).combine_chunks())
    return same


def _equal_neighbours(column: pa.Array) -> np.ndarray:
    earlier, later = column.slice(0, len(column) - 1), column.slice(1)
    equal = pc.fill_null(pc.equal(earlier, later), False)
    return pc.or_(equal, pc.and_(pc.is_null(earlier), pc.is_null(later))).to_numpy(zero_copy_only=False)


def _conflicts(table: pa.Table, order: _Order) -> np.ndarray:
    """bool over `order`: rows whose (key, moment, receipt) holds different contents."""
    block = np.zeros(len(order.rows), dtype=np.int64)
    changed = (np.diff(order.key) != 0) | (np.diff(order.recorded) != 0) | (np.diff(order.receipt) != 0)
    block[1:] = np.cumsum(changed)
    differs = np.zeros(len(order.rows), dtype=bool)
    differs[1:] = ~changed & ~_same_content(table, order.rows)[1:]
    return np.isin(block, block[differs])


def _reused(table: pa.Table, order: _Order, day_column: str | None) -> np.ndarray:
    """Keys whose neighbouring versions are of different patients more than a year apart."""
    if day_column is None:
        return np.zeros(0, dtype=np.int64)
    same_patient = _equal_neighbours(table["patient_id"].take(order.rows).combine_chunks())
    days = calendar_days(table[day_column].take(order.rows)).astype(np.int64)
    known = (days[1:] != NO_DAY) & (days[:-1] != NO_DAY)
    far = (np.abs(np.diff(days)) > REUSED_AFTER_DAYS) & known & (np.diff(order.key) == 0)
    return order.key[1:][far & ~same_patient]


def _with_key(order: _Order, keys: np.ndarray) -> np.ndarray:
    return order.rows[np.isin(order.key, keys)]


def _ranked(table: pa.Table, rows: np.ndarray, key: np.ndarray) -> np.ndarray:
    """Fate of ordered rows: in the last run of equal contents the first stands, repeats are duplicates."""
    fate = np.full(len(rows), SUPERSEDED, dtype=np.int8)
    if not len(rows):
        return fate
    new_key = np.append(True, key[1:] != key[:-1])
    starts_run = new_key | ~_same_content(table, rows)
    fate[~starts_run] = DUPLICATE
    run = np.cumsum(starts_run)
    last_of_key = np.append(new_key[1:], True)
    fate[starts_run & np.isin(run, run[last_of_key])] = KEPT
    return fate
