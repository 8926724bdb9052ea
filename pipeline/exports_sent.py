"""What each receipt brought of each table, as sets of record numbers: the view in which exports are compared."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.columns import calendar_days, sorted_distinct, word_codes
from pipeline.handover import NO_DAY, Source, Validated
from pipeline.keys import Keys, keys_of
from pipeline.side_by_side import in_order
from schemas.exports import DAY_COLUMN, EXPORTS, ID_COLUMN

EPOCH = date(1970, 1, 1)


@dataclass(frozen=True)
class _Rows:
    """Rows of one table, accepted ones first; `keys` numbers the ids, -1 where none is given."""

    keys: Keys
    site: pa.ChunkedArray
    source: np.ndarray
    day: np.ndarray
    active: np.ndarray  # neither withdrawn nor held back; of operations, performed
    withdrawn: np.ndarray
    held_back: np.ndarray

    @property
    def record(self) -> np.ndarray:
        return self.keys.numbers[0]

    def between(self, first: date | None, last: date | None) -> np.ndarray:
        """bool over the rows: their day lies between two days, both included; None is no limit."""
        chosen = np.ones(len(self.day), bool)
        if first is not None:
            chosen &= self.day >= (first - EPOCH).days
        if last is not None:
            chosen &= (self.day <= (last - EPOCH).days) & (self.day != NO_DAY)
        return chosen


@dataclass(frozen=True)
class Sent:
    """One export: what a receipt of a site brought of a table, rows held back included.

    `records`, `accepted`, `withdrawn`, `active`, `uncertain` mark the table's records (bool over all their numbers);
    `uncertain` were held back, `active` are accepted and not withdrawn. `files`: name → its rows that are records.
    `removed`: rows of it that were left out on a patient's request.
    """

    site: str
    table: str
    receipt: date
    source_file: str
    rows: int
    files: dict[str, int]
    at: np.ndarray
    table_rows: _Rows
    removed: int = 0

    @cached_property
    def records(self) -> np.ndarray:
        return self._where(np.ones(len(self.at), bool))

    @cached_property
    def accepted(self) -> np.ndarray:
        return self._where(~self.table_rows.held_back[self.at])

    @cached_property
    def withdrawn(self) -> np.ndarray:
        return self._where(self.table_rows.withdrawn[self.at])

    @cached_property
    def active(self) -> np.ndarray:
        held = self.table_rows.withdrawn[self.at] | self.table_rows.held_back[self.at]
        return self._where(~held)

    @cached_property
    def uncertain(self) -> np.ndarray:
        return self._where(self.table_rows.held_back[self.at])

    def certain_between(self, first: date | None, last: date | None) -> np.ndarray:
        """Accepted records (of operations: performed) with a day between two days, both included."""
        return self._where((self.table_rows.active & self.table_rows.between(first, last))[self.at])

    def dated_between(self, first: date | None, last: date | None) -> np.ndarray:
        """Records of any receipt of which a version that counts has such a day."""
        marked = np.zeros(len(self.table_rows.keys) + 1, bool)
        marked[self.table_rows.record[self.table_rows.active & self.table_rows.between(first, last)]] = True
        return marked[:-1]

    @property
    def none(self) -> np.ndarray:
        """No record marked."""
        return np.zeros(len(self.table_rows.keys), bool)

    def names_of(self, records: np.ndarray) -> list[str]:
        names: list[str] = self.table_rows.keys.known.filter(pa.array(records)).to_pylist()
        return names

    def _where(self, chosen: np.ndarray) -> np.ndarray:
        """Records of the chosen rows, marked; a row without an id marks none."""
        marked = np.zeros(len(self.table_rows.keys) + 1, bool)
        marked[self.table_rows.record[self.at][chosen]] = True
        return marked[:-1]


def exports_sent(validated: Validated, also: Collection[tuple[str, date]]) -> Iterator[Sequence[Sent]]:
    """Per site and table its exports in the order of receipt, where there is anything to compare.

    Args:
        validated: Rows accepted and held back.
        also: (site, receipt) looked at even where a table came only once.
    """
    sources = validated.accepted.sources
    names = []
    for name in EXPORTS:
        receipts = {source.receipt for source in sources if source.table == name and source.is_used}
        if len(receipts) > 1 or any(receipt in receipts for _, receipt in also):
            names.append(name)
    rows = sum(validated.accepted.tables[name].num_rows for name in names)
    for several in in_order(lambda name: _of_table(name, validated, sources), names, rows):
        yield from several


def _of_table(name: str, validated: Validated, sources: Sequence[Source]) -> list[Sequence[Sent]]:
    rows = _rows(name, validated)
    receipts, of_source = np.unique([source.receipt.toordinal() for source in sources], return_inverse=True)
    sites = sorted_distinct([rows.site])
    export = word_codes(rows.site, sites.to_pylist()) * len(receipts) + of_source[rows.source]
    export = export.astype(np.min_scalar_type(len(sites) * len(receipts)))
    order = np.argsort(export, kind="stable")  # small numbers are counted, not compared
    found: dict[str, list[Sent]] = {}
    for at in np.split(order, np.flatnonzero(np.diff(export[order])) + 1) if len(order) else []:
        named = sites[int(export[at[0]]) // len(receipts)].as_py()
        found.setdefault(named, []).append(_sent(name, named, at, rows, sources))
    return [found[named] for named in sorted(found)]


def _sent(name: str, site: str, at: np.ndarray, rows: _Rows, sources: Sequence[Source]) -> Sent:
    counts = np.bincount(rows.source[at], minlength=len(sources))
    used = np.flatnonzero(counts).tolist()
    files = {sources[n].source_file.rpartition("/")[2]: int(counts[n]) for n in used}
    whole = {sources[n].source_file.rpartition("/")[2].partition("#")[0]: int(counts[n]) for n in used}
    first = sources[used[0]]
    its = (site, name, first.receipt)
    removed = sum(each.removed for each in sources if (each.site, each.table, each.receipt) == its)
    return Sent(
        site, name, first.receipt, first.source_file, len(at), {**whole, **files}, np.sort(at), rows, removed
    )  # fmt: skip


def _rows(name: str, validated: Validated) -> _Rows:
    accepted, held_back = validated.accepted.tables[name], validated.quarantined[name]
    ids = [*accepted[ID_COLUMN[name]].chunks, *pc.utf8_trim_whitespace(held_back[ID_COLUMN[name]]).chunks]
    waiting = np.arange(accepted.num_rows + held_back.num_rows) >= accepted.num_rows
    withdrawn = _is(accepted, "record_status", "withdrawn", held_back.num_rows)
    performed = _is(accepted, "status", "performed", held_back.num_rows) if name == "operations" else ~waiting
    days = (
        calendar_days(accepted[DAY_COLUMN[name]])
        if name in DAY_COLUMN
        else np.full(accepted.num_rows, NO_DAY)
    )
    return _Rows(
        keys_of([(None, pa.chunked_array(ids, pa.string()))]),
        pa.chunked_array([*accepted["site"].chunks, *held_back["site"].chunks], pa.string()),
        np.concatenate([accepted["source_number"].to_numpy(), held_back["source_number"].to_numpy()]),
        np.concatenate([days, np.full(held_back.num_rows, NO_DAY)]),
        performed & ~withdrawn,
        withdrawn,
        waiting,
    )


def _is(table: pa.Table, column: str, word: str, more: int) -> np.ndarray:
    """bool over the accepted rows: they hold the word; False for `more` rows behind them."""
    found = pc.fill_null(pc.equal(table[column], word), False).to_numpy().astype(bool)
    return np.append(found, np.zeros(more, bool))


def rows_kept(
    validated: Validated, aside: Collection[tuple[str, str, date]]
) -> tuple[dict[str, pa.Table], dict[str, pa.Table], np.ndarray]:
    """Rows accepted and held back without those of some exports, and per source how many were taken out."""
    sources = validated.accepted.sources
    dropped = np.zeros(len(sources), np.int64)
    kept: tuple[dict[str, pa.Table], dict[str, pa.Table]] = ({}, {})
    for into, tables in zip(kept, (validated.accepted.tables, validated.quarantined), strict=True):
        for name, table in tables.items():
            out = _of_exports(table, name, sources, aside)
            dropped += np.bincount(table["source_number"].to_numpy()[out], minlength=len(sources))
            into[name] = table.filter(pa.array(~out)) if out.any() else table
    return *kept, dropped


def _of_exports(
    table: pa.Table, name: str, sources: Sequence[Source], aside: Collection[tuple[str, str, date]]
) -> np.ndarray:
    """bool over the rows: they belong to one of the exports (site, table, receipt)."""
    out = np.zeros(table.num_rows, bool)
    for site, of, receipt in aside:
        if of == name:
            numbers = [
                n for n, source in enumerate(sources) if (source.table, source.receipt) == (of, receipt)
            ]
            out |= (
                np.isin(table["source_number"].to_numpy(), numbers) & pc.equal(table["site"], site).to_numpy()
            )
    return out
