"""Which rows of the exports stand behind counts of rows: where each ended, and what it was on the way to a case."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.handover import CONFLICTING, DUPLICATE, SUPERSEDED, WITHDRAWN, Accepted
from schemas.exports import ID_COLUMN

#: Place of the ledger → what an accepted row that ended there has become.
FATES = {"quarantined": CONFLICTING, "superseded": SUPERSEDED, "duplicate": DUPLICATE, "withdrawn": WITHDRAWN}
HEADS = ("Record", "File", "Line")
#: Rows of operations that do not stand, by their role.
ASIDE = ("held_back", "superseded", "withdrawn", "after_cut")
#: Order of a step of the flow that takes away → roles of the rows it takes.
TAKEN = {
    11: ("booked", "cancelled", "abandoned"),
    12: ("not_in_catalogue",),
    22: ("same_sitting",),
    31: ("return",),
    32: ("planned",),
    33: ("planned_late",),
    34: ("no_return",),
    36: ("too_early",),
    37: ("awaits",),
}
#: Steps before which a row stands once, however many cases it is of.
BY_ROW = (10, 11, 12, 20)
#: Why an operation belongs to no case, where others performed it.
ELSEWHERE = "elsewhere"
AFTER_CUT = 9


@dataclass(frozen=True)
class Received:
    """Every row received, by what became of it.

    Attributes:
        accepted: Rows with at least their id, file and line.
        quarantined: Table → rows held back.
        fates: Table → what became of each accepted row.
        records: As published.
    """

    accepted: Accepted
    quarantined: Mapping[str, pa.Table]
    fates: Mapping[str, np.ndarray]
    records: pa.Table

    def ended(self, site: str, table: str, place: str) -> pd.DataFrame:
        """`HEADS` of the rows of a site's files that ended in a place of the ledger, one of `FATES`."""
        if table not in self.fates:
            return pd.DataFrame(columns=list(HEADS))
        placed, sites = self._ended(table, place)
        return placed[sites == site].reset_index(drop=True)

    def _ended(self, table: str, place: str) -> tuple[pd.DataFrame, np.ndarray]:
        """The same of all sites, and the site of each row; looked for once."""
        if (table, place) not in self._known:
            columns = [ID_COLUMN[table], "source_number", "source_line"]
            ended = pa.array(self.fates[table] == FATES[place])
            own = [self.accepted.tables[table].select(columns).filter(ended)]
            own += [self.quarantined[table]] if place == "quarantined" else []
            rows = pa.concat_tables([each.select(columns).cast(_form(columns[0])) for each in own])
            placed = self._placed(*(rows[name] for name in columns))
            self._known[table, place] = placed, placed["File"].map(self._site_of).to_numpy(dtype=object)
        return self._known[table, place]

    @cached_property
    def _known(self) -> dict[tuple[str, str], tuple[pd.DataFrame, np.ndarray]]:
        return {}

    @cached_property
    def _site_of(self) -> dict[str, str]:
        return {source.source_file: source.site for source in self.accepted.sources}

    def _placed(self, ids: pa.ChunkedArray, numbers: pa.ChunkedArray, lines: pa.ChunkedArray) -> pd.DataFrame:
        files = pa.array([source.source_file for source in self.accepted.sources], pa.string())
        told = dict(zip(HEADS, (pc.fill_null(ids, ""), files.take(numbers), lines), strict=True))
        found: pd.DataFrame = pa.table(told).to_pandas().sort_values(["File", "Line"], ignore_index=True)
        return found

    @cached_property
    def _operations(self) -> _Operations:
        own = self.records.filter(pa.array(_worded(self.records["table"]).are("operations")))
        place = _placing(own)
        order = np.argsort(place, kind="stable")
        site, role, why = (_worded(own[name]).ordered(order) for name in ("site", "role", "why"))
        ids, lines = (own[name].take(pa.array(order)) for name in ("record_id", "source_line"))
        files = _worded(own["source_file"]).ordered(order).texts
        placed = pa.table(dict(zip(HEADS, (ids, files, lines), strict=True))).to_pandas()
        return _Operations(site, role, why.are(ELSEWHERE), placed, np.diff(place[order], prepend=-1) == 0)

    def taken(self, site: str, order: int) -> pd.DataFrame | None:
        """`HEADS` of the rows of operations that a step of the flow takes away; None where they are not told apart."""
        own = self._operations
        found = own.of_role("after_cut") if order == AFTER_CUT else own.taken(order)
        return None if found is None else own.placed[found & own.at(site)]

    def left(self, site: str, order: int, steps: list[int]) -> pd.DataFrame | None:
        """The same of those that are left after a step.

        Args:
            steps: Orders of the steps that take away, up to this one.
        """
        own = self._operations
        left = own.at(site) & ~own.of_role(*ASIDE)
        for step in steps:
            gone = own.taken(step)
            if gone is None:
                return None
            left &= ~gone
        return own.placed[left & ~own.again if order in BY_ROW else left]

    def second_sides(self, site: str) -> pd.DataFrame:
        """The same of rows that are of a further side."""
        own = self._operations
        return own.placed[own.at(site) & own.again & ~own.of_role(*ASIDE, *TAKEN[11], *TAKEN[12])]


class _Worded(NamedTuple):
    """Words of rows as numbers: `number` int32 [row], a position in `words`, -1 for none."""

    number: np.ndarray
    words: list[str]

    def are(self, *words: str) -> np.ndarray:
        """bool [row]: one of these words."""
        return np.array([word in words for word in self.words] + [False])[self.number]

    @property
    def texts(self) -> pa.Array:
        """The words of the rows themselves, of which each has one."""
        return pa.array(self.words, pa.string()).take(pa.array(self.number))

    def ordered(self, order: np.ndarray) -> _Worded:
        return _Worded(self.number[order], self.words)


def _worded(cells: pa.ChunkedArray) -> _Worded:
    if not pa.types.is_dictionary(cells.type):
        cells = cells.dictionary_encode()
    whole = cells.unify_dictionaries().combine_chunks()
    whole = whole.chunk(0) if isinstance(whole, pa.ChunkedArray) else whole
    return _Worded(pc.fill_null(whole.indices, -1).to_numpy(), whole.dictionary.to_pylist())


def _placing(rows: pa.Table) -> np.ndarray:
    """int64 [row]: rises with file and line."""
    files, lines = _worded(rows["source_file"]), rows["source_line"].to_numpy()
    rank = np.argsort(np.argsort(np.array(files.words, dtype=object)))
    return rank[files.number] * (int(lines.max(initial=0)) + 1) + lines if len(rows) else lines


@dataclass(frozen=True)
class _Operations:
    """Rows of operations, one for each case they are of, in the order of files and lines; arrays of one length.

    Attributes:
        site, role: As in `records`.
        elsewhere: bool, performed by others.
        placed: `HEADS`.
        again: bool, the row above is the same row.
    """

    site: _Worded
    role: _Worded
    elsewhere: np.ndarray
    placed: pd.DataFrame
    again: np.ndarray

    def at(self, site: str) -> np.ndarray:
        """bool: of a site."""
        return self.site.are(site)

    def of_role(self, *roles: str) -> np.ndarray:
        """bool: with one of the roles."""
        return self.role.are(*roles)

    def taken(self, order: int) -> np.ndarray | None:
        """bool: rows that a step takes away; None where rows do not say it."""
        if order in TAKEN:
            return self.of_role(*TAKEN[order])
        alone = self.of_role("unattributed")
        return {35: alone & self.elsewhere, 38: alone & ~self.elsewhere}.get(order)


def _form(name: str) -> pa.Schema:
    return pa.schema([(name, pa.string()), ("source_number", pa.int32()), ("source_line", pa.int64())])
