"""Which values a receipt holds: columns that hardly vary, and codes and words never seen before."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.columns import decimals
from pipeline.findings import frame
from pipeline.handover import Source, Validated
from pipeline.scorecard.deliveries import Deliveries
from pipeline.scorecard.limits import share_limits
from schemas.columns import Column, Table
from schemas.exports import EXPORTS, ID_COLUMN

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

#: Fewest rows, now and before, in which a column is found not to vary or a value to be new, and the share of one value
#: from which a column does not vary.
FEWEST_ROWS, NEARLY_ALL = 20, 0.95
_CODED, _COUNTED = ("word", "code", "yes_no"), ("integer", "number")
#: Codes of which new ones are no news: there are thousands, and few occur twice.
_MANY = ("diagnosis_code", "code")
_SYSTEMS = "_system"

Said = tuple[int, int, str, str]  # receipt and value (positions), rule, message


def about_values(validated: Validated, sent: Deliveries) -> pd.DataFrame:
    """Findings `column_constant` and `value_new`, each at the first row concerned."""
    told: list[dict[str, object]] = []
    for name, table in validated.accepted.tables.items():
        rows = _rows(sent, name)
        if len(rows.site) < 2:
            continue
        for column in EXPORTS[name].columns:
            if _looked_at(EXPORTS[name], column) and table[column.name].null_count < len(table):
                told += _of_column(validated, table, EXPORTS[name], column, rows)
    return frame(told)


@dataclass(frozen=True)
class _Rows:
    """Used rows of one table: `at` (positions; None: all), `unit` of each (from 0), and `site` of each unit.

    Units are in the order of sites and receipts.
    """

    at: np.ndarray | None
    unit: np.ndarray
    site: np.ndarray


@dataclass(frozen=True)
class _Held:
    """Values of one column. `code`: (rows,) position in `values`, -1 if empty; `counts`: (units, values).

    `before`, `filled_before`: the same, and all filled rows, over earlier units of the site.
    """

    values: Sequence[object]
    code: np.ndarray
    counts: np.ndarray
    filled: np.ndarray
    before: np.ndarray
    filled_before: np.ndarray


def _rows(sent: Deliveries, name: str) -> _Rows:
    used = sent.used[name]
    at = None if used.all() else np.flatnonzero(used)
    unit = sent.unit_of[name] if at is None else sent.unit_of[name][at]
    there = np.flatnonzero(np.bincount(unit, minlength=len(sent.units)))
    number = np.zeros(len(sent.units), dtype=np.int64)
    number[there] = np.arange(len(there))
    return _Rows(at, number[unit], sent.units["site"].to_numpy()[there])


def _looked_at(table: Table, column: Column) -> bool:
    fixed = column.name in (ID_COLUMN[table.name], "record_status") or column.name.endswith(_SYSTEMS)
    return column.kind in (*_CODED, *_COUNTED) and not fixed


def _of_column(
    validated: Validated, table: pa.Table, described: Table, column: Column, rows: _Rows
) -> Iterator[dict[str, object]]:
    coded = _words if column.kind in _CODED else _numbers
    values, code = coded(table[column.name], rows)
    if not len(values):
        return
    held = _held(values, code, rows)
    for unit, value, rule, message in [*_constants(held, rows, column), *_new(held, column)]:
        first = int(np.flatnonzero((rows.unit == unit) & (held.code == value))[0])
        row = first if rows.at is None else int(rows.at[first])
        place = _place(validated, table, row)
        shown = str(held.values[value]) if rule == "value_new" else ""
        yield {
            **place,
            "table": described.name,
            "column": column.name,
            "rule": rule,
            "value": shown,
            "message": message,
        }


def _words(cells: pa.ChunkedArray, rows: _Rows) -> tuple[Sequence[object], np.ndarray]:
    """Every value, and its position in each row."""
    encoded = cells.combine_chunks().dictionary_encode()
    code = np.asarray(encoded.indices.fill_null(-1) if encoded.null_count else encoded.indices)
    return encoded.dictionary.to_pylist(), code if rows.at is None else code[rows.at]


def _numbers(cells: pa.ChunkedArray, rows: _Rows) -> tuple[Sequence[object], np.ndarray]:
    """Only numbers that nearly all rows of a unit hold: such a number is the unit's median. Others together are None."""
    number = decimals(cells) if rows.at is None else decimals(cells)[rows.at]
    candidates = sorted({middle for middle in _middles(number, rows.unit) if middle is not None})
    if not candidates:
        return [], np.zeros(0, dtype=np.int64)
    place = np.searchsorted(candidates, number)
    same = np.take([*candidates, np.nan], place) == number
    code = np.where(np.isnan(number), -1, np.where(same, place, len(candidates)))
    return [*candidates, None], code


def _middles(number: np.ndarray, unit: np.ndarray) -> Iterator[float | None]:
    """Per unit the number that nearly all its filled rows hold, if there is one."""
    sorted_already = bool(np.all(unit[1:] >= unit[:-1]))
    order = None if sorted_already else np.argsort(unit, kind="stable")
    ends = np.cumsum(np.bincount(unit))
    for start, end in zip(np.append(0, ends[:-1]), ends, strict=True):
        own = number[start:end] if order is None else number[order[start:end]]
        filled = own[~np.isnan(own)]
        if len(filled) >= FEWEST_ROWS:
            middle = float(np.partition(filled, len(filled) // 2)[len(filled) // 2])
            yield middle if np.count_nonzero(filled == middle) >= NEARLY_ALL * len(filled) else None


def _held(values: Sequence[object], code: np.ndarray, rows: _Rows) -> _Held:
    units, width = len(rows.site), len(values)
    keys = rows.unit * (width + 1) + code + 1
    counts = np.bincount(keys, minlength=units * (width + 1)).reshape(units, width + 1)[:, 1:]
    filled = counts.sum(axis=1)
    starts = np.append(True, rows.site[1:] != rows.site[:-1])
    first = np.maximum.accumulate(np.where(starts, np.arange(units), 0))
    before, filled_before = (_earlier(each, first) for each in (counts, filled))
    return _Held(values, code, counts, filled, before, filled_before)


def _earlier(counts: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Sums over the earlier units of the same site; `first` is the site's first unit."""
    until = np.cumsum(counts, axis=0) - counts
    return until - until[first]


def _constants(held: _Held, rows: _Rows, column: Column) -> Iterator[Said]:
    """Receipts in which nearly all rows hold one value although the site, or else others, vary."""
    value = held.counts.argmax(axis=1)
    top = held.counts.max(axis=1)
    one = np.array([each is not None for each in held.values], dtype=bool)[value]
    alike = np.flatnonzero(one & (held.filled >= FEWEST_ROWS) & (top >= NEARLY_ALL * held.filled))
    known = held.filled_before[alike] >= FEWEST_ROWS
    own = alike[known]
    yield from _unlikely(
        held, own, value, held.before[own, value[own]], held.filled_before[own], "the exports before"
    )
    if column.kind in _COUNTED and not known.all():
        first = alike[~known]
        elsewhere = rows.site[first][:, None] != rows.site[None, :]
        same = (elsewhere * held.counts[:, value[first]].T).sum(axis=1)
        filled = (elsewhere * held.filled[None, :]).sum(axis=1)
        enough = filled >= FEWEST_ROWS
        yield from _unlikely(held, first[enough], value, same[enough], filled[enough], "other sites")


def _unlikely(
    held: _Held, units: np.ndarray, value: np.ndarray, same: np.ndarray, filled: np.ndarray, where: str
) -> Iterator[Said]:
    if not len(units):
        return
    now, rows = held.counts[units, value[units]], held.filled[units]
    _, high = share_limits(same, filled, rows)
    for at in np.flatnonzero(now / rows > high):
        message = (
            f"{now[at]} of {rows[at]} filled rows of this receipt hold one value; in {where} it was {same[at]} of "
            f"{filled[at]}. Check whether it was entered or filled in by the system."
        )
        yield int(units[at]), int(value[units[at]]), "column_constant", message


def _new(held: _Held, column: Column) -> Iterator[Said]:
    """Codes and words that no earlier receipt of the site held, with at least 20 rows to have held them.

    A word the contract lists, and a code of which there are thousands, is news only if chance does not explain that
    it comes so often now and never came before.
    """
    if column.kind not in ("word", "code"):
        return
    unit, value = np.nonzero(
        (held.counts > 0) & (held.before == 0) & (held.filled_before >= FEWEST_ROWS)[:, None]
    )
    now = held.counts[unit, value]
    if (column.vocabulary or column.name in _MANY) and len(now):
        _, high = share_limits(np.zeros(len(now)), held.filled_before[unit], held.filled[unit])
        news = now / held.filled[unit] > high
        unit, value, now = unit[news], value[news], now[news]
    for one, which, number in zip(unit, value, now, strict=True):
        rows = f"{number} rows hold" if number > 1 else "1 row holds"
        message = f"{rows} a value that none of {held.filled_before[one]} rows in exports before held. Check what it means."
        yield int(one), int(which), "value_new", message


def _place(validated: Validated, table: pa.Table, row: int) -> dict[str, object]:
    own = table.select(["site", "source_number", "source_line"]).slice(row, 1).to_pylist()[0]
    source: Source = validated.accepted.sources[own["source_number"]]
    return {"site": own["site"], "source_file": source.source_file, "source_line": own["source_line"]}
