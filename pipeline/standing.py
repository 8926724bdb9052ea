"""Which findings still ask for something: not those that a newer export has settled."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipeline.handover import Export, Source, Validated
from schemas.exports import ID_COLUMN

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.settings import Settings

_OPERATION = ID_COLUMN["operations"]
_NEVER = 0  # before every day, as an ordinal


def for_senders(
    found: pd.DataFrame, validated: Validated, exports: Iterable[Export], settings: Settings
) -> pd.DataFrame:
    """The findings that still stand, with the columns named as the sender names them.

    Settled is: a finding about a record that came again in a later receipt (if that is wrong too, it has a finding
    of its own); one about a whole file or its columns, once a later export of the table was accepted; one about a
    row whose record is not known, the same, where the site sends everything each time. Left out is what only follows
    from something else: records whose operation did come and is itself held back or set aside.

    Args:
        found: Findings frame, marked or not.
        validated: Where the rows and the exports are.
        exports: As received; they know which header leads to which column.
        settings: What each site sends.
    """
    received = tuple(exports)
    standing = found[~(settled(found, validated, settings) | _follows(found, validated, received))]
    standing = standing.reset_index(drop=True)
    headers = _headers(received)
    places = zip(standing["source_file"].tolist(), standing["column"].tolist(), strict=True)
    return standing.assign(header=[headers.get(place, place[1]) for place in places])


def settled(found: pd.DataFrame, validated: Validated, settings: Settings) -> np.ndarray:
    """bool over the findings: a later export has answered it."""
    receipts = {source.source_file: source.receipt.toordinal() for source in validated.accepted.sources}
    own = found["source_file"].map(receipts).fillna(_NEVER).to_numpy(dtype=np.int64)
    known = (found["record_id"] != "").to_numpy()
    answered = np.where(
        known, _newest_of_record(found, validated), _newest_of_table(found, validated, settings)
    )
    return (own > _NEVER) & (answered > own)


def _follows(found: pd.DataFrame, validated: Validated, exports: Sequence[Export]) -> np.ndarray:
    """bool: the operation that is said not to be known was received, but none of its rows is used."""
    import pandas as pd
    import pyarrow as pa
    import pyarrow.compute as pc

    missed = (found["rule"] == "operation_unknown").to_numpy()
    asked = pa.array(found.loc[missed, "value"].unique().astype(object), pa.string())

    def named(table: pa.Table) -> set[tuple[str, str]]:
        ids = pc.utf8_trim_whitespace(table[_OPERATION])
        own = pc.fill_null(pc.is_in(ids, asked), False)
        return set(zip(table["site"].filter(own).to_pylist(), ids.filter(own).to_pylist(), strict=True))

    if not len(asked):
        return missed
    sent = [named(export.rows) for export in exports if export.source.table == "operations"]
    unused = set().union(*sent) - named(validated.accepted.tables["operations"])
    pairs = pd.Series(list(zip(found["site"], found["value"], strict=True)), dtype=object)
    return missed & pairs.isin(unused).to_numpy()


def _newest_of_table(found: pd.DataFrame, validated: Validated, settings: Settings) -> np.ndarray:
    """Ordinal of the newest accepted export of each finding's table, where that answers it."""
    newest: dict[tuple[str, str], int] = {}
    for source in filter(_is_accepted, validated.accepted.sources):
        key = (source.site, source.table)
        newest[key] = max(newest.get(key, _NEVER), source.receipt.toordinal())
    pairs = zip(found["site"].tolist(), found["table"].tolist(), strict=True)
    answered = np.array([newest.get(pair, _NEVER) for pair in pairs], dtype=np.int64)
    whole = {name for name, site in settings.sites.items() if site.sends == "everything"}
    about_row = (found["source_line"].notna() & ~found["action"].isin(["refuse", "set_aside"])).to_numpy()
    return np.where(about_row & ~found["site"].isin(whole).to_numpy(), _NEVER, answered)


def _is_accepted(source: Source) -> bool:
    return bool(source.table) and not source.refused and not source.reason


def _newest_of_record(found: pd.DataFrame, validated: Validated) -> np.ndarray:
    """Ordinal of the newest receipt in which each finding's record stands."""
    import pandas as pd

    receipt = np.array([source.receipt.toordinal() for source in validated.accepted.sources], dtype=np.int64)
    answered = np.full(len(found), _NEVER, dtype=np.int64)
    for name in set(found["table"]) & set(ID_COLUMN):
        rows = np.flatnonzero(((found["table"] == name) & (found["record_id"] != "")).to_numpy())
        newest = _receipts_of(validated, name, found["record_id"].iloc[rows], receipt)
        keys = pd.MultiIndex.from_frame(found[["site", "record_id"]].iloc[rows].astype(object))
        answered[rows] = newest.reindex(keys).fillna(_NEVER).to_numpy(dtype=np.int64)
    return answered


def _receipts_of(validated: Validated, name: str, records: pd.Series, receipt: np.ndarray) -> pd.Series:
    """(site, record id) → ordinal of its newest receipt, for the records asked for."""
    import pandas as pd
    import pyarrow as pa
    import pyarrow.compute as pc

    asked = pa.array(records.unique().astype(object), pa.string())
    parts = []
    for table in (validated.accepted.tables[name], validated.quarantined[name]):
        own = table.filter(
            pc.fill_null(pc.is_in(pc.utf8_trim_whitespace(table[ID_COLUMN[name]]), asked), False)
        )
        ids = pc.utf8_trim_whitespace(own[ID_COLUMN[name]]).to_pylist()
        received = receipt[own["source_number"].to_numpy()] if len(own) else np.zeros(0, dtype=np.int64)
        parts.append(pd.DataFrame({"site": own["site"].to_pylist(), "record_id": ids, "receipt": received}))
    together = pd.concat(parts, ignore_index=True).astype({"site": object, "record_id": object})
    return together.groupby(["site", "record_id"])["receipt"].max()


def _headers(exports: Iterable[Export]) -> dict[tuple[str, str], str]:
    """(file, contract column) → the header or headers that lead to it, where they are named otherwise."""
    found: dict[tuple[str, str], list[str]] = {}
    for export in exports:
        for header, columns in export.feeds.items():
            for column in columns:
                found.setdefault((export.source.source_file, column), []).append(header.strip())
    return {place: " + ".join(headers) for place, headers in found.items()}
