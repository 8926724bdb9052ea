"""What each site sent of each table, receipt by receipt: the units in which the scorecard counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from pipeline.handover import CONFLICTING, KEPT, SUPERSEDED, Source, Validated

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

UNIT = ["site", "table", "receipt"]


@dataclass(frozen=True)
class Deliveries:
    """Accepted and held-back rows by site, table and receipt.

    `units`: one row a site, table and receipt with at least one row, in this order: `site`, `table`, `receipt`
    (date), `rows` (accepted and held back), `held` (held back, also as versions that contradict each other),
    `used` (neither held back, repeated nor taken back). Its index is the number of the unit.
    `unit_of[table]`: (rows,) int32 unit of each accepted row. `used[table]`: (rows,) bool.
    `receipt_of`: file as findings name it → receipt.
    """

    units: pd.DataFrame
    unit_of: dict[str, np.ndarray]
    used: dict[str, np.ndarray]
    receipt_of: dict[str, date]


def deliveries_of(validated: Validated, fates: Mapping[str, np.ndarray]) -> Deliveries:
    """Every row of every table in its unit."""
    import pandas as pd

    sources = validated.accepted.sources
    accepted = {name: _keys(table, sources) for name, table in validated.accepted.tables.items()}
    held = {name: _keys(table, sources) for name, table in validated.quarantined.items()}
    frames = [part.frame.assign(table=name) for parts in (accepted, held) for name, part in parts.items()]
    units = pd.concat(frames)[UNIT].drop_duplicates().sort_values(UNIT, ignore_index=True)
    number = pd.Series(np.arange(len(units)), index=pd.MultiIndex.from_frame(units))
    unit_of = {name: part.spread(_numbers(number, part.frame, name)) for name, part in accepted.items()}
    kept_back = {name: part.spread(_numbers(number, part.frame, name)) for name, part in held.items()}
    used = {name: np.isin(fates[name], [KEPT, SUPERSEDED]) for name in unit_of}
    conflicting = {name: rows[fates[name] == CONFLICTING] for name, rows in unit_of.items()}
    came, stayed = (_sum(parts.values(), len(units)) for parts in (unit_of, kept_back))
    units["rows"] = came + stayed
    units["held"] = stayed + _sum(conflicting.values(), len(units))
    units["used"] = _sum((rows[used[name]] for name, rows in unit_of.items()), len(units))
    return Deliveries(units, unit_of, used, _receipts(sources))


@dataclass(frozen=True)
class _Keys:
    """Site and receipt of rows: `frame` has each pair that occurs once per ledger line, `position` tells which."""

    frame: pd.DataFrame
    position: np.ndarray

    def spread(self, numbers: np.ndarray) -> np.ndarray:
        return numbers[self.position] if len(numbers) else np.zeros(0, dtype=np.int32)


def _keys(table: pa.Table, sources: Sequence[Source]) -> _Keys:
    import pandas as pd

    sites = table["site"].combine_chunks().dictionary_encode()
    code = np.asarray(sites.indices, dtype=np.int64) * len(sources) + table["source_number"].to_numpy()
    there = np.flatnonzero(np.bincount(code, minlength=1))
    position = np.zeros(int(there[-1]) + 1 if len(there) else 1, dtype=np.int32)
    position[there] = np.arange(len(there))
    names = np.asarray(sites.dictionary.to_pylist(), dtype=object)
    receipts = np.array([source.receipt for source in sources], dtype=object)
    divisor = max(len(sources), 1)
    frame = pd.DataFrame(
        {"site": names[there // divisor], "receipt": receipts[there % divisor]}, dtype=object
    )
    return _Keys(frame, position[code])


def _numbers(number: pd.Series, frame: pd.DataFrame, table: str) -> np.ndarray:
    import pandas as pd

    keys = pd.MultiIndex.from_frame(frame.assign(table=table)[UNIT])
    return number.reindex(keys).to_numpy().astype(np.int32)


def _sum(parts: object, units: int) -> np.ndarray:
    total = np.zeros(units, dtype=np.int64)
    for rows in parts:  # type: ignore[attr-defined]
        total += np.bincount(rows, minlength=units)
    return total


def _receipts(sources: Sequence[Source]) -> dict[str, date]:
    """A file and each of its sheets, as findings name them."""
    files = {source.source_file: source.receipt for source in sources}
    sheets = {f"{source.source_file}#{source.sheet}": source.receipt for source in sources if source.sheet}
    return {**sheets, **files}
