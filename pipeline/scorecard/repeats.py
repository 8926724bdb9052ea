"""Rows that were sent twice though nothing asked for it, and receipts that bring nothing but earlier files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from pipeline.findings import CATALOGUE, frame
from pipeline.handover import DUPLICATE, Source, Validated
from pipeline.scorecard.deliveries import UNIT, Deliveries
from pipeline.settings import Settings, Site
from schemas.exports import ID_COLUMN

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa


def repeated_rows(
    validated: Validated, fates: Mapping[str, np.ndarray], sent: Deliveries, settings: Settings
) -> pd.DataFrame:
    """`site, table, receipt, failing`: rows equal to one that was there already.

    A site that sends everything each time repeats its records on purpose; there a row counts only where its own
    receipt holds the record before it.
    """
    units = sent.units
    whole = np.array(
        [settings.sites.get(site, Site(site)).sends != "changes" for site in units["site"]], dtype=bool
    )
    failing = np.zeros(len(units), dtype=np.int64)
    for name, table in validated.accepted.tables.items():
        unit = sent.unit_of[name]
        again = np.flatnonzero(fates[name] == DUPLICATE)
        failing += np.bincount(unit[again][~whole[unit[again]]], minlength=len(units))
        inside = again[whole[unit[again]]]
        if len(inside):
            failing += np.bincount(_within_receipt(table, name, unit, inside), minlength=len(units))
    return units[UNIT].assign(failing=failing)


def _within_receipt(table: pa.Table, name: str, unit: np.ndarray, again: np.ndarray) -> np.ndarray:
    """Unit of each repeated row whose record its own receipt holds before it."""
    rows = np.flatnonzero(np.isin(unit, np.unique(unit[again])))
    record = np.asarray(table[ID_COLUMN[name]].combine_chunks().take(rows).dictionary_encode().indices)
    key = record.astype(np.int64) * (int(unit.max()) + 1) + unit[rows]
    first = np.zeros(len(rows), dtype=bool)
    first[np.unique(key, return_index=True)[1]] = True
    return unit[rows[~first & np.isin(rows, again)]]


def receipts_repeated(sources: Sequence[Source], settings: Settings) -> pd.DataFrame:
    """A finding `receipt_repeated` a receipt whose every required file is, to the byte, one of an earlier receipt.

    A header alone repeats nothing: it says that nothing changed.
    """
    first: dict[tuple[str, str], date] = {}
    came: dict[tuple[str, date], list[Source]] = {}
    for source in sources:
        seen = (source.site, source.sha256)
        first[seen] = min(first.get(seen, source.receipt), source.receipt)
        if source.table in settings.sites.get(source.site, Site(source.site)).required:
            came.setdefault((source.site, source.receipt), []).append(source)
    rule = CATALOGUE["receipt_repeated"]
    return frame(
        {
            "site": site, "source_file": files[0].source_file, "table": files[0].table, "rule": rule.code,
            "message": f"Every file of {receipt} is, byte for byte, one that was sent before. {rule.remedy}",
        }
        for (site, receipt), files in sorted(came.items())
        if all(file.rows_read and first[site, file.sha256] < receipt for file in files)
    )  # fmt: skip
