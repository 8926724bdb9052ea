"""Rows that another version of their record replaced, took back or repeats in one file, for the log of repairs.

A site that sends everything each time repeats its records on purpose: those repeats are counted in the ledger and
not listed. Listed is a row whose own file holds the record before it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.findings import REPAIR_COLUMNS
from pipeline.handover import DUPLICATE, SUPERSEDED, WITHDRAWN, Accepted
from schemas.exports import ID_COLUMN

RULES = {SUPERSEDED: "record_superseded", WITHDRAWN: "record_withdrawn"}


def version_repairs(accepted: Accepted, fates: dict[str, np.ndarray]) -> pd.DataFrame:
    """A line a row that does not stand, in the columns of the log; nothing is before or after."""
    parts = [part for name in accepted.tables for part in _of_table(accepted, name, fates[name])]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(REPAIR_COLUMNS))


def _of_table(accepted: Accepted, name: str, fate: np.ndarray) -> Iterator[pd.DataFrame]:
    table = accepted.tables[name]
    told = [(rule, np.flatnonzero(fate == place)) for place, rule in RULES.items()]
    told.append(("record_duplicate", _repeated_in_its_file(table, name, np.flatnonzero(fate == DUPLICATE))))
    for rule, rows in told:
        if len(rows):
            yield _lines(accepted, name, table.take(pa.array(rows)), rule)


def _lines(accepted: Accepted, name: str, rows: pa.Table, rule: str) -> pd.DataFrame:
    files = np.array([source.source_file for source in accepted.sources], dtype=object)
    return pd.DataFrame(
        {
            "site": rows["site"].to_pandas(),
            "source_file": files[rows["source_number"].to_numpy()],
            "source_line": rows["source_line"].to_pandas().astype("Int64"),
            "table": name,
            "record_id": rows[ID_COLUMN[name]].to_pandas(),
            "column": "",
            "rule": rule,
            "before": "",
            "after": "",
        }
    )[list(REPAIR_COLUMNS)]


def _repeated_in_its_file(table: pa.Table, name: str, again: np.ndarray) -> np.ndarray:
    """Those of the repeated rows before which their own file holds the same record."""
    if not len(again):
        return again
    source = table["source_number"].to_numpy().astype(np.int64)
    rows = np.flatnonzero(np.isin(source, np.unique(source[again])))
    record = np.asarray(
        table[ID_COLUMN[name]].take(pa.array(rows)).combine_chunks().dictionary_encode().indices
    )
    key = record.astype(np.int64) * (int(source.max()) + 1) + source[rows]
    first = np.zeros(len(rows), dtype=bool)
    first[np.unique(key, return_index=True)[1]] = True
    return rows[~first & np.isin(rows, again)]
