"""Ids that a site which sends everything no longer sends: reported, and kept until they are withdrawn."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import findings
from pipeline.columns import joined, word_codes
from pipeline.handover import KEPT, Accepted, Source
from pipeline.resolve.versions import Versions
from pipeline.settings import Settings, Site
from schemas.exports import ID_COLUMN

MESSAGE = (
    "This record was sent before and is not in the newest export. Mark it as withdrawn if it was taken back; "
    "until then it is kept."
)


def vanished_records(accepted: Accepted, versions: dict[str, Versions], settings: Settings) -> pd.DataFrame:
    """One finding a record, at the newest export of its table, which lacks it."""
    told = []
    for name, table in accepted.tables.items():
        sources = [
            n for n, source in enumerate(accepted.sources) if source.table == name and not source.reason
        ]
        for site in sorted({accepted.sources[n].site for n in sources}):
            own = [n for n in sources if accepted.sources[n].site == site]
            if settings.sites.get(site, Site(site)).sends == "everything":
                told += _of_site(table, versions[name], [accepted.sources[n] for n in own], own, name)
    return findings.frame(told)


def _of_site(
    table: pa.Table, versions: Versions, sources: list[Source], numbers: list[int], name: str
) -> list[dict[str, object]]:
    newest = max(source.receipt for source in sources)
    latest = [n for n, source in zip(numbers, sources, strict=True) if source.receipt == newest]
    if len(latest) == len(numbers):
        return []
    number = table["source_number"].to_numpy()
    keys = joined(table["site"], table[ID_COLUMN[name]])
    sent = keys.take(np.flatnonzero(np.isin(number, latest))).unique()
    gone = (versions.fate == KEPT) & np.isin(number, numbers) & (word_codes(keys, sent.to_pylist()) < 0)
    file = next(source.source_file for source in sources if source.receipt == newest)
    ids = table[ID_COLUMN[name]].take(np.flatnonzero(gone)).to_pylist()
    where = {"site": sources[0].site, "source_file": file, "table": name, "rule": "records_vanished"}
    return [{**where, "record_id": record, "message": MESSAGE} for record in ids]
