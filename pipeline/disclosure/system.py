"""The figures of an outward edition as linear equations and inequalities over whole numbers.

The unknowns are, for every site and procedure: closed cases, cases lost and with the event for each outcome, and those
that would be lost if nobody had had an event. All other rows are sums. Whatever is written fixes a value or a sum.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd
from scipy import sparse

from pipeline.disclosure.moves import moves_of
from pipeline.disclosure.sheet import COUNTED, Grid, Public, Sheet, grid_of

#: What may be asked of a row: the figures, those followed without the event, and all without it.
KINDS = ("cases", "lost", "events", "quiet", "without")
ARMS = ("a", "b")


@dataclass(frozen=True)
class Linear:
    """Rows of `matrix @ x`; each of them is one question or one rule."""

    matrix: sparse.csr_matrix
    value: np.ndarray


@dataclass(frozen=True)
class System:
    """All x with `low ≤ x ≤ high`, `sums.matrix @ x = sums.value` and `rules.matrix @ x ≤ rules.value`.

    Attributes:
        forms: For each of `KINDS` a matrix [row of the sheet, unknown].
        arms: The same for [arm of the sheet, unknown].
        beside: The same for what an arm's procedure holds besides the arms, one row a procedure.
        least: What each unknown is at least whatever is written.
        moves: [unknown, move]: small changes that are worth trying.
    """

    low: np.ndarray
    high: np.ndarray
    sums: Linear
    rules: Linear
    forms: dict[str, sparse.csr_matrix]
    arms: dict[str, sparse.csr_matrix]
    beside: dict[str, sparse.csr_matrix]
    least: np.ndarray
    moves: sparse.csc_matrix


@dataclass(frozen=True)
class _Unknowns:
    """Numbers of the unknowns: by part (row of one site and procedure), and shared ones of the parts."""

    grid: Grid
    table: np.ndarray  # of each part
    site: np.ndarray
    procedure: np.ndarray
    cell: np.ndarray  # [table, site, procedure]: the part there, -1
    closing: np.ndarray  # [table]: which date and window
    cases: np.ndarray  # of each part: number of its unknown
    unwatched: np.ndarray
    count: int

    @property
    def parts(self) -> int:
        return len(self.table)

    @property
    def lost(self) -> np.ndarray:
        return np.arange(self.parts)

    @property
    def events(self) -> np.ndarray:
        return self.parts + np.arange(self.parts)


def system_of(sheet: Sheet) -> System:
    """Everything the sheet says, as equations; and the forms by which its rows are asked for."""
    grid = grid_of(sheet.rows)
    unknowns = _unknowns(grid, sheet.public)
    forms = _forms(unknowns, len(sheet.rows))
    arms, low_arms, high_arms = _arms(sheet.arms, unknowns.count)
    total = arms["cases"].shape[1]
    forms = {kind: _wider(matrix, total) for kind, matrix in forms.items()}
    parents = _parents(sheet, forms)
    low, high = _bounds(sheet, unknowns)
    rules = [
        _rules_of_parts(unknowns),
        *_rules_between(unknowns, sheet.public),
        *_rules_of_dates(unknowns, sheet.public),
    ]
    wide = [Linear(_wider(rule.matrix, total), rule.value) for rule in [*rules, _entered(sheet, unknowns)]]
    beside = _beside(sheet.arms, arms, parents)
    wide += [Linear(-beside[kind], np.zeros(beside[kind].shape[0])) for kind in ("quiet", "lost", "events")]
    wide += [Linear(-arms["quiet"], np.zeros(arms["quiet"].shape[0]))]
    low, high = np.append(low, low_arms), np.append(high, high_arms)
    least = np.zeros(total)
    least[unknowns.cases] = 1
    return _merged(
        System(
            low, high, _sums(sheet, grid, forms), _stacked(wide, total), forms, arms, beside, least,
            moves_of(*_trades(unknowns, sheet.public, total), low < high),
        ), unknowns,
    )  # fmt: skip


def _merged(system: System, unknowns: _Unknowns) -> System:
    """Where no event is written, those lost are those who would be lost without events: one unknown instead of two."""
    same = system.high[unknowns.events] == 0
    lost, stands = unknowns.lost[same], unknowns.unwatched[same]
    into = np.arange(len(system.low))
    into[lost] = stands
    merge = _matrix(np.arange(len(into)), into, 1.0, (len(into), len(into)))
    low, high = system.low.copy(), system.high.copy()
    np.maximum.at(low, stands, system.low[lost])
    np.minimum.at(high, stands, system.high[lost])
    low[lost] = high[lost] = 0

    def own(forms: dict[str, sparse.csr_matrix]) -> dict[str, sparse.csr_matrix]:
        return {kind: matrix @ merge for kind, matrix in forms.items()}

    kept = np.ones(len(into))
    kept[lost] = 0
    return replace(
        system, low=low, high=high, forms=own(system.forms), arms=own(system.arms), beside=own(system.beside),
        sums=Linear(system.sums.matrix @ merge, system.sums.value),
        rules=Linear(system.rules.matrix @ merge, system.rules.value),
        moves=(sparse.diags(kept) @ system.moves).tocsc(),
    )  # fmt: skip


def true_world(sheet: Sheet) -> np.ndarray:
    """The unknowns of a sheet without gaps; of who would be lost if nobody had had an event, the fewest there can be."""
    unknowns = _unknowns(grid_of(sheet.rows), sheet.public)
    own = unknowns.grid.row[unknowns.table, unknowns.site, unknowns.procedure]
    x = np.zeros(unknowns.count)
    for name, column in (("cases", unknowns.cases), ("lost", unknowns.lost), ("events", unknowns.events)):
        x[column] = sheet.rows[name].to_numpy(dtype=float)[own]
    np.maximum.at(x, unknowns.unwatched, x[unknowns.lost])
    return np.concatenate([x, *(sheet.arms[name].to_numpy(dtype=float) for name in COUNTED)])


# ---------------------------------------------------------------- unknowns and forms


def _unknowns(grid: Grid, public: Public) -> _Unknowns:
    table, site, procedure = np.nonzero(grid.parts)
    cell = np.full(grid.row.shape, -1, dtype=np.int64)
    cell[table, site, procedure] = np.arange(len(table))
    closing = grid.tables.groupby(["figures_of", "window_days"], sort=True).ngroup().to_numpy()
    way = grid.tables["category"].map(dict(public.seen_in)).fillna("records").to_numpy()
    watched = (
        pd.DataFrame({"closing": closing, "way": way})
        .groupby(["closing", "way"], sort=True)
        .ngroup()
        .to_numpy()
    )
    first = 2 * len(table)
    cases, distinct = _numbered(closing[table], site, procedure)
    unwatched, more = _numbered(watched[table], site, procedure)
    count = first + distinct + more
    return _Unknowns(
        grid, table, site, procedure, cell, closing, first + cases, first + distinct + unwatched, count
    )


def _numbered(*keys: np.ndarray) -> tuple[np.ndarray, int]:
    if not len(keys[0]):
        return np.zeros(0, dtype=np.int64), 0
    distinct, number = np.unique(np.stack(keys, axis=1), axis=0, return_inverse=True)
    return number.reshape(-1), len(distinct)


def _matrix(
    rows: np.ndarray, columns: np.ndarray, values: np.ndarray | float, shape: tuple[int, int]
) -> sparse.csr_matrix:
    filled = np.broadcast_to(np.asarray(values, dtype=float), np.shape(rows))
    return sparse.csr_matrix((filled, (rows, columns)), shape=shape)


def _forms(unknowns: _Unknowns, rows: int) -> dict[str, sparse.csr_matrix]:
    """Every row as a sum over its parts."""
    place, part = unknowns.grid.row, np.arange(unknowns.parts)
    table, site, procedure = unknowns.table, unknowns.site, unknowns.procedure
    none = np.zeros_like(site)
    into = [place[table, s, p] for s in (site, none) for p in (procedure, none)]
    row, of = np.concatenate(into), np.tile(part, 4)
    row, of = row[row >= 0], of[row >= 0]
    shape = (rows, unknowns.count)
    cases, lost, events = (
        _matrix(row, column[of], 1.0, shape) for column in (unknowns.cases, unknowns.lost, unknowns.events)
    )
    return _kinds(cases, lost, events)


def _kinds(
    cases: sparse.csr_matrix, lost: sparse.csr_matrix, events: sparse.csr_matrix
) -> dict[str, sparse.csr_matrix]:
    return {
        "cases": cases,
        "lost": lost,
        "events": events,
        "quiet": cases - lost - events,
        "without": cases - events,
    }


def _wider(matrix: sparse.csr_matrix, columns: int) -> sparse.csr_matrix:
    more = columns - matrix.shape[1]
    return (
        sparse.hstack([matrix, sparse.csr_matrix((matrix.shape[0], more))], format="csr") if more else matrix
    )


# ---------------------------------------------------------------- what is written


def _bounds(sheet: Sheet, unknowns: _Unknowns) -> tuple[np.ndarray, np.ndarray]:
    """Nothing is below 0, a row that is there has a case, and a figure written is what it says."""
    low, high = np.zeros(unknowns.count), np.full(unknowns.count, np.inf)
    low[unknowns.cases] = 1
    own = unknowns.grid.row[unknowns.table, unknowns.site, unknowns.procedure]
    for name, column in (("cases", unknowns.cases), ("lost", unknowns.lost), ("events", unknowns.events)):
        value = sheet.rows[name].to_numpy(dtype=float)[own]
        written = ~np.isnan(value)
        low[column[written]] = high[column[written]] = value[written]
    return low, high


def _sums(sheet: Sheet, grid: Grid, forms: dict[str, sparse.csr_matrix]) -> Linear:
    """Figures written in rows that are sums of others."""
    margin = np.ones(len(sheet.rows), dtype=bool)
    margin[grid.row[grid.parts]] = False
    matrices, values = [], []
    for name in COUNTED:
        value = sheet.rows[name].to_numpy(dtype=float)
        kept = np.flatnonzero(margin & ~np.isnan(value))
        matrices.append(forms[name][kept])
        values.append(value[kept])
    return Linear(sparse.vstack(matrices, format="csr"), np.concatenate(values))


# ---------------------------------------------------------------- what may change together


def _trades(unknowns: _Unknowns, public: Public, total: int) -> tuple[list[np.ndarray], sparse.csr_matrix]:
    """Grids of cells that may trade, and the unknowns each cell changes: see `moves.moves_of`.

    Events alone or with those of all later or all earlier windows; lost alone or in all outcomes followed alike; cases.
    """
    cell, tables = unknowns.cell[:, 1:, 1:], unknowns.grid.tables
    chains = tables.groupby(["figures_of", "category", "level"], sort=True).indices.values()
    events = [np.array([at]) for at in range(len(tables))]
    events += [chain[at:] for chain in chains for at in range(len(chain) - 1)]
    events += [chain[:at] for chain in chains for at in range(2, len(chain))]
    way = tables["category"].map(dict(public.seen_in)).fillna("records").to_numpy()
    alike = (
        tables.assign(closing=unknowns.closing, way=way)
        .groupby(["closing", "way"], sort=True)
        .indices.values()
    )
    grids, columns, at = [], [], 0
    kinds: list[tuple[list[np.ndarray], list[np.ndarray]]] = [
        (events, [unknowns.events]),
        ([np.array([at]) for at in range(len(tables))], [unknowns.lost]),
        (list(alike), [unknowns.lost, unknowns.unwatched]),
        (list(tables.groupby(unknowns.closing, sort=True).indices.values()), [unknowns.cases]),
    ]
    for sets, unknown in kinds:
        for chosen in sets:
            own = cell[chosen]
            there = (own >= 0).any(axis=0)
            grid = np.full(there.shape, -1, dtype=np.int64)
            grid[there] = at + np.arange(int(there.sum()))
            table, site, procedure = np.nonzero(own >= 0)
            part = own[table, site, procedure]
            for number in unknown:
                columns.append(np.stack([number[part], grid[site, procedure]], axis=1))
            grids.append(grid)
            at += int(there.sum())
    pairs = np.unique(np.concatenate(columns), axis=0)
    return grids, _matrix(pairs[:, 0], pairs[:, 1], 1.0, (total, at))


# ---------------------------------------------------------------- rules everybody knows


def _rule(terms: list[tuple[np.ndarray, float]], columns: int) -> Linear:
    """For each position: the sum of factor × unknown is at most 0."""
    number = len(terms[0][0])
    rows = np.tile(np.arange(number), len(terms))
    matrix = _matrix(
        rows, np.concatenate([column for column, _ in terms]), np.repeat([factor for _, factor in terms], number),
        (number, columns),
    )  # fmt: skip
    return Linear(matrix, np.zeros(number))


def _rules_of_parts(unknowns: _Unknowns) -> Linear:
    """Lost and events are different cases; who is lost would be without events too; only an event saves from being lost."""
    cases, lost, events, unwatched = unknowns.cases, unknowns.lost, unknowns.events, unknowns.unwatched
    rules = [
        _rule([(events, 1), (lost, 1), (cases, -1)], unknowns.count),
        _rule([(lost, 1), (unwatched, -1)], unknowns.count),
        _rule([(unwatched, 1), (lost, -1), (events, -1)], unknowns.count),
    ]
    return _stacked(rules, unknowns.count)


def _rules_between(unknowns: _Unknowns, public: Public) -> list[Linear]:
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


def _pairs(unknowns: _Unknowns, smaller: int, larger: int, kind: str) -> Linear:
    """Wherever both tables have a part, the figure of one is at most that of the other."""
    one, other = unknowns.cell[smaller].ravel(), unknowns.cell[larger].ravel()
    both = (one >= 0) & (other >= 0)
    one, other = one[both], other[both]
    terms = {
        "events": [(unknowns.events[one], 1.0), (unknowns.events[other], -1.0)],
        "cases": [(unknowns.cases[one], 1.0), (unknowns.cases[other], -1.0)],
    }
    without = [*terms["cases"], (unknowns.events[one], -1.0), (unknowns.events[other], 1.0)]
    return _rule(without if kind == "without" else terms[kind], unknowns.count)


def _of_whole(
    unknowns: _Unknowns, public: Public, number: dict[tuple, int], at: tuple[str, str, int], whole: int
) -> list[Linear]:
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
    matrix = _matrix(
        np.concatenate(rows), np.concatenate(columns), np.concatenate(values), (len(cells), unknowns.count)
    )
    return [*found, Linear(matrix, np.zeros(len(cells)))]


def _rules_of_dates(unknowns: _Unknowns, public: Public) -> list[Linear]:
    """Figures of two dates: closed cases and events only become more, if nothing was taken back."""
    tables = unknowns.grid.tables
    by = tables.groupby(["category", "level", "window_days"], sort=True).indices
    pairs = [pair for several in by.values() for pair in pairwise(int(at) for at in several)]
    return [
        _pairs(unknowns, earlier, later, kind)
        for earlier, later in pairs
        for kind in ("cases", "events", "without")
    ]


def _entered(sheet: Sheet, unknowns: _Unknowns) -> Linear:
    """A site's closed cases are among its index cases."""
    if not sheet.entered or not unknowns.parts:
        return Linear(sparse.csr_matrix((0, unknowns.count)), np.zeros(0))
    tables = unknowns.grid.tables
    shared = pd.DataFrame(
        {
            "date": tables["figures_of"].to_numpy()[unknowns.table], "closing": unknowns.closing[unknowns.table],
            "site": np.array(unknowns.grid.sites, dtype=object)[unknowns.site], "unknown": unknowns.cases,
        }
    ).drop_duplicates()  # fmt: skip
    rows, columns, values = [], [], []
    for (date, _, site), own in shared.groupby(["date", "closing", "site"], sort=True):
        if (date, site) in sheet.entered:
            rows.append(np.full(len(own), len(values)))
            columns.append(own["unknown"].to_numpy())
            values.append(float(sheet.entered[date, site]))
    if not values:
        return Linear(sparse.csr_matrix((0, unknowns.count)), np.zeros(0))
    matrix = _matrix(np.concatenate(rows), np.concatenate(columns), 1.0, (len(values), unknowns.count))
    return Linear(matrix, np.array(values))


# ---------------------------------------------------------------- arms of the stated comparison


def _arms(arms: pd.DataFrame, first: int) -> tuple[dict[str, sparse.csr_matrix], np.ndarray, np.ndarray]:
    """Three unknowns for each arm, fixed where its figure is written."""
    number = len(arms)
    shape = (number, first + 3 * number)
    low, high = np.zeros(3 * number), np.full(3 * number, np.inf)
    matrices = []
    for at, name in enumerate(COUNTED):
        column = np.arange(number) + at * number
        value = arms[name].to_numpy(dtype=float)
        written = ~np.isnan(value)
        low[column[written]] = high[column[written]] = value[written]
        matrices.append(_matrix(np.arange(number), first + column, 1.0, shape))
    return _kinds(*matrices), low, high


def _parents(sheet: Sheet, forms: dict[str, sparse.csr_matrix]) -> dict[str, sparse.csr_matrix]:
    """For each arm the row of all sites whose cases it is part of."""
    keys = ["figures_of", "category", "level", "window_days", "procedure"]
    rows = sheet.rows.assign(row=np.arange(len(sheet.rows)))
    rows = rows.loc[rows["site"] == "", [*keys, "row"]]
    at = sheet.arms[keys].merge(rows, on=keys, how="left")["row"].to_numpy(dtype=np.int64)
    return {kind: matrix[at] for kind, matrix in forms.items()}


def _beside(
    arms: pd.DataFrame, own: dict[str, sparse.csr_matrix], parents: dict[str, sparse.csr_matrix]
) -> dict[str, sparse.csr_matrix]:
    """What is left of a procedure's cases once the arms made of them are taken away; one row a procedure."""
    keys = ["figures_of", "category", "level", "window_days", "procedure"]
    group = arms.groupby(keys, sort=False).ngroup().to_numpy()
    first = np.unique(group, return_index=True)[1]
    gather = _matrix(group, np.arange(len(arms)), 1.0, (len(first), len(arms)))
    return {kind: (parents[kind][first] - gather @ own[kind]).tocsr() for kind in KINDS}


def _stacked(rules: list[Linear], columns: int) -> Linear:
    kept = [rule for rule in rules if rule.matrix.shape[0]]
    if not kept:
        return Linear(sparse.csr_matrix((0, columns)), np.zeros(0))
    return Linear(
        sparse.vstack([rule.matrix for rule in kept], format="csr"),
        np.concatenate([rule.value for rule in kept]),
    )
