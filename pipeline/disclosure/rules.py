"""What everybody may know of the figures of an outward edition beyond sums: which of them cannot exceed which."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd

from pipeline.disclosure.sheet import Public, Sheet
from pipeline.disclosure.unknowns import Terms, Unknowns, at_most_nought


def rules_of_parts(unknowns: Unknowns) -> list[Terms]:
    """Lost and events are different cases; who is lost would be without events too; only an event saves from being lost."""
    cases, lost, events, unwatched = unknowns.cases, unknowns.lost, unknowns.events, unknowns.unwatched
    return [
        at_most_nought([(events, 1), (lost, 1), (cases, -1)]),
        at_most_nought([(lost, 1), (unwatched, -1)]),
        at_most_nought([(unwatched, 1), (lost, -1), (events, -1)]),
    ]


def rules_between(unknowns: Unknowns, public: Public) -> list[Terms]:
    """A member of the whole, a level within another, an earlier window: all at one date."""
    tables = unknowns.grid.tables
    number = {tuple(row): at for at, row in enumerate(tables.itertuples(index=False, name=None))}
    found = []
    for (date, category, level, days), at in number.items():
        if category == public.whole:
            found += _of_whole(unknowns, public, number, (date, level, days), at)
        found += [
            _pairs(unknowns, at, number[date, category, outer, days], "events")
            for key, inner, outer in public.within
            if key == category and inner == level and (date, category, outer, days) in number
        ]
    if public.nested:
        found += [_pairs(unknowns, later, earlier, "without") for earlier, later in _windows(tables)]
        found += [_pairs(unknowns, later, earlier, "cases") for earlier, later in _windows(tables)]
    return found


def _windows(tables: pd.DataFrame) -> list[tuple[int, int]]:
    by = tables.groupby(["figures_of", "category", "level"], sort=True).indices
    return [pair for several in by.values() for pair in pairwise(int(at) for at in several)]


def _pairs(unknowns: Unknowns, smaller: int, larger: int, kind: str) -> Terms:
    """Wherever both tables have a part, the figure of one is at most that of the other."""
    one, other = unknowns.cell[smaller].ravel(), unknowns.cell[larger].ravel()
    both = (one >= 0) & (other >= 0)
    one, other = one[both], other[both]
    terms = {
        "events": [(unknowns.events[one], 1.0), (unknowns.events[other], -1.0)],
        "cases": [(unknowns.cases[one], 1.0), (unknowns.cases[other], -1.0)],
    }
    without = [*terms["cases"], (unknowns.events[one], -1.0), (unknowns.events[other], 1.0)]
    return at_most_nought(without if kind == "without" else terms[kind])


def _of_whole(
    unknowns: Unknowns, public: Public, number: dict[tuple, int], at: tuple[str, str, int], whole: int
) -> list[Terms]:
    """The whole is at least each member, and at most their sum where every member is in view."""
    date, _, days = at
    tables = [number.get((date, member, public.main[member], days)) for member in public.members]
    there = [table for table in tables if table is not None]
    found = [_pairs(unknowns, table, whole, "events") for table in there]
    if any((member, days) in public.open_at for member in public.members):
        return found
    cells = np.flatnonzero(unknowns.cell[whole].ravel() >= 0)
    own = unknowns.cell[whole].ravel()[cells]
    rows, columns, values = [np.arange(len(cells))], [unknowns.events[own]], [np.ones(len(cells))]
    for table in there:
        member = unknowns.cell[table].ravel()[cells]
        rows.append(np.flatnonzero(member >= 0))
        columns.append(unknowns.events[member[member >= 0]])
        values.append(np.full(int((member >= 0).sum()), -1.0))
    sums = Terms(np.concatenate(rows), np.concatenate(columns), np.concatenate(values), np.zeros(len(cells)))
    return [*found, sums]


def rules_of_dates(unknowns: Unknowns) -> list[Terms]:
    """Figures of two dates: closed cases and events only become more, if nothing was taken back."""
    tables = unknowns.grid.tables
    by = tables.groupby(["category", "level", "window_days"], sort=True).indices
    pairs = [pair for several in by.values() for pair in pairwise(int(at) for at in several)]
    return [
        _pairs(unknowns, earlier, later, kind)
        for earlier, later in pairs
        for kind in ("cases", "events", "without")
    ]


def entered(sheet: Sheet, unknowns: Unknowns) -> list[Terms]:
    """A site's closed cases are among its index cases."""
    if not sheet.entered or not unknowns.parts:
        return []
    tables = unknowns.grid.tables
    shared = pd.DataFrame(
        {
            "date": tables["figures_of"].to_numpy()[unknowns.table], "closing": unknowns.closing[unknowns.table],
            "site": np.array(unknowns.grid.sites, dtype=object)[unknowns.site], "unknown": unknowns.cases,
        }
    ).drop_duplicates()  # fmt: skip
    rows: list[np.ndarray] = []
    columns: list[np.ndarray] = []
    values: list[float] = []
    for _, own in shared.groupby(["date", "closing", "site"], sort=True):
        named = (str(own["date"].iloc[0]), str(own["site"].iloc[0]))
        if named in sheet.entered:
            rows.append(np.full(len(own), len(values)))
            columns.append(own["unknown"].to_numpy())
            values.append(float(sheet.entered[named]))
    if not values:
        return []
    unknown = np.concatenate(columns)
    return [Terms(np.concatenate(rows), unknown, np.ones(len(unknown)), np.array(values))]
