"""Which values a receipt holds: columns that hardly vary, and codes and words never seen before."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.findings import frame
from pipeline.handover import Source, Validated
from pipeline.scorecard.deliveries import Deliveries
from pipeline.scorecard.limits import share_limits
from schemas.columns import Column, Table
from schemas.exports import EXPORTS, ID_COLUMN

if TYPE_CHECKING:
    import pyarrow as pa

#: Fewest rows, now and before, in which a column is found not to vary or a value to be new, and the share of one value
#: from which a column does not vary.
FEWEST_ROWS, NEARLY_ALL = 20, 0.95
_VARYING = ("word", "code", "integer", "number", "yes_no")
_COUNTED = ("integer", "number")
#: Codes of which new ones are no news: there are thousands, and few occur twice.
_MANY = ("diagnosis_code", "code")
_SYSTEMS = "_system"
_MOST_COUNTERS = 20_000_000


def about_values(validated: Validated, sent: Deliveries) -> pd.DataFrame:
    """Findings `column_constant` and `value_new`, each at the first row concerned."""
    units = sent.units
    if not (units["receipt"].nunique() > 1 or units["site"].nunique() > 1):
        return frame([])
    told: list[dict[str, object]] = []
    for name, table in validated.accepted.tables.items():
        rows = np.flatnonzero(sent.used[name])
        if len(np.unique(sent.unit_of[name][rows])) < 2:
            continue
        for column in EXPORTS[name].columns:
            if _looked_at(EXPORTS[name], column) and table[column.name].null_count < len(table):
                held = _held(table, column.name, rows, sent.unit_of[name][rows])
                told += _at_rows(
                    validated,
                    table,
                    name,
                    column.name,
                    [*_constants(held, units, column), *_new(held, units, column)],
                )
    return frame(told)


def _looked_at(table: Table, column: Column) -> bool:
    fixed = (
        column.name == ID_COLUMN[table.name]
        or column.name == "record_status"
        or column.name.endswith(_SYSTEMS)
    )
    return column.kind in _VARYING and not fixed


@dataclass(frozen=True)
class _Held:
    """Values of one column by unit: `counts` has `unit, value` (position in `values`), `rows, first` (a row)."""

    values: pa.Array
    counts: pd.DataFrame


def _held(table: pa.Table, column: str, rows: np.ndarray, unit: np.ndarray) -> _Held:
    encoded = table[column].combine_chunks().dictionary_encode()
    code = np.asarray(encoded.indices.fill_null(-1), dtype=np.int64)[rows]
    there = code >= 0
    width = max(len(encoded.dictionary), 1)
    key = unit[there] * width + code[there]
    found, first, times = _numbered(key)
    counts = {"unit": found // width, "value": found % width, "rows": times, "first": rows[there][first]}
    return _Held(encoded.dictionary, pd.DataFrame(counts))


def _numbered(key: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Each number that occurs, in order; where it occurs first, and how often."""
    if not len(key) or int(key.max()) > _MOST_COUNTERS:
        return np.unique(key, return_index=True, return_counts=True)
    counted = np.bincount(key)
    found = np.flatnonzero(counted)
    first = np.empty(len(counted), dtype=np.int64)
    first[key[::-1]] = np.arange(len(key) - 1, -1, -1)
    return found, first[found], counted[found]


def _with_earlier(held: _Held, units: pd.DataFrame) -> pd.DataFrame:
    """Counts with `site`, `receipt`, `filled` of the unit, and the same of earlier receipts of the site.

    `before`: earlier rows with the value; `filled_before`: earlier rows with any.
    """
    counts = held.counts.join(units[["site", "receipt"]], on="unit").sort_values(["site", "value", "receipt"])
    by_value = counts.groupby(["site", "value"], sort=False)["rows"]
    counts["before"] = by_value.cumsum() - counts["rows"]
    filled = counts.groupby(["site", "unit"])["rows"].sum().rename("filled").reset_index()
    filled["filled_before"] = filled.groupby("site")["filled"].cumsum() - filled["filled"]
    return counts.merge(filled, on=["site", "unit"])


Said = tuple[int, str, str, str]  # row, rule, message, value


def _constants(held: _Held, units: pd.DataFrame, column: Column) -> Iterator[Said]:
    """Receipts in which nearly all rows hold one value although the site, or else others, vary."""
    counts = _with_earlier(held, units)
    top = counts[(counts["filled"] >= FEWEST_ROWS) & (counts["rows"] >= NEARLY_ALL * counts["filled"])]
    known = top["filled_before"] >= FEWEST_ROWS
    yield from _unlikely(top[known], "the exports before")
    if column.kind in _COUNTED:
        yield from _unlikely(_against_others(top[~known], counts), "other sites")


def _against_others(top: pd.DataFrame, counts: pd.DataFrame) -> pd.DataFrame:
    """The same with what all other sites hold in place of what came before."""
    by_value = counts.groupby("value")["rows"].sum()
    own = counts.groupby(["site", "value"])["rows"].sum().rename("own").reset_index()
    of_site = counts.groupby("site")["rows"].sum()
    joined = top.merge(own, on=["site", "value"])
    before = joined["value"].map(by_value) - joined["own"]
    filled = counts["rows"].sum() - joined["site"].map(of_site)
    joined = joined.assign(before=before, filled_before=filled)
    return joined[joined["filled_before"] >= FEWEST_ROWS]


def _unlikely(top: pd.DataFrame, where: str) -> Iterator[Said]:
    if top.empty:
        return
    _, high = share_limits(*(top[name].to_numpy() for name in ("before", "filled_before", "filled")))
    odd = top[(top["rows"] / top["filled"]).to_numpy() > high]
    for row in odd.to_dict("records"):
        message = (
            f"{row['rows']} of {row['filled']} filled rows of this receipt hold one value; in {where} it was "
            f"{row['before']} of {row['filled_before']}. Check whether it was entered or filled in by the system."
        )
        yield int(row["first"]), "column_constant", message, ""


def _new(held: _Held, units: pd.DataFrame, column: Column) -> Iterator[Said]:
    """Codes and words that no earlier receipt of the site held, with at least 20 rows to have held them.

    A word the contract lists, and a code of which there are thousands, is news only if chance does not explain that
    it comes so often now and never came before.
    """
    if column.kind not in ("word", "code"):
        return
    counts = _with_earlier(held, units)
    new = counts[(counts["before"] == 0) & (counts["filled_before"] >= FEWEST_ROWS)]
    if (column.vocabulary or column.name in _MANY) and len(new):
        _, high = share_limits(*(new[name].to_numpy() for name in ("before", "filled_before", "filled")))
        new = new[(new["rows"] / new["filled"]).to_numpy() > high]
    for row in new.to_dict("records"):
        rows = f"{row['rows']} rows hold" if row["rows"] > 1 else "1 row holds"
        message = f"{rows} a value that none of {row['filled_before']} rows in exports before held. Check what it means."
        yield int(row["first"]), "value_new", message, str(held.values[int(row["value"])].as_py())


def _at_rows(
    validated: Validated, table: pa.Table, name: str, column: str, said: Sequence[Said]
) -> Iterator[dict[str, object]]:
    """Findings at the first row each is about."""
    if not said:
        return
    places = (
        table.select(["site", "source_number", "source_line"]).take([row for row, *_ in said]).to_pylist()
    )
    for place, (_, rule, message, value) in zip(places, said, strict=True):
        source: Source = validated.accepted.sources[place["source_number"]]
        where = {
            "site": place["site"],
            "source_file": source.source_file,
            "source_line": place["source_line"],
        }
        yield {**where, "table": name, "column": column, "rule": rule, "value": value, "message": message}
