"""The figures of an outward edition as linear equations and inequalities over whole numbers.

The unknowns are, for every site and procedure: closed cases, cases lost and with the event for each outcome, and those
that would be lost if nobody had had an event. All other rows are sums. Whatever is written fixes a value or a sum.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import sparse

from pipeline.disclosure.moves import moves_of
from pipeline.disclosure.rules import entered, rules_between, rules_of_dates, rules_of_parts
from pipeline.disclosure.sheet import COUNTED, Grid, Sheet, grid_of
from pipeline.disclosure.trades import trades_of
from pipeline.disclosure.unknowns import Linear, Unknowns, linear_of, matrix_of, stacked, unknowns_of

#: What may be asked of a row: the figures, those followed without the event, and all without it.
KINDS = ("cases", "lost", "events", "quiet", "without")
CLOSE = 1e-6


@dataclass(frozen=True)
class System:
    """All x with `low ≤ x ≤ high`, `sums.matrix @ x = sums.value` and `rules.matrix @ x ≤ rules.value`.

    Attributes:
        forms: For each of `KINDS` a matrix [row of the sheet, unknown].
        arms: The same for [arm of the sheet, unknown].
        beside: The same for what an arm's procedure holds besides the arms, one row a procedure.
        least: What each unknown is at least whatever is written.
        same: Pairs of unknowns that are one here: the first is put as the second.
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
    same: np.ndarray
    moves: sparse.csc_matrix

    def complete(self, x: np.ndarray) -> np.ndarray:
        """A world with every unknown filled in, also where two are one."""
        filled = x.copy()
        filled[self.same[0]] = x[self.same[1]]
        return filled

    def holds(self, x: np.ndarray) -> bool:
        """Whether a world fits all that is written and every rule."""
        inside = ((x >= self.low - CLOSE) & (x <= self.high + CLOSE))[self.named].all()
        sums = np.abs(self.sums.matrix @ x - self.sums.value).max(initial=0) <= CLOSE
        return bool(inside and sums and (self.rules.matrix @ x - self.rules.value).max(initial=0) <= CLOSE)

    @property
    def named(self) -> np.ndarray:
        """bool: unknowns that stand for themselves."""
        own = np.ones(len(self.low), dtype=bool)
        own[self.same[0]] = False
        return own


@dataclass(frozen=True)
class Frame:
    """What a sheet says whatever is hidden in it.

    Attributes:
        unknowns: Their numbers; those of arms come after.
        forms, arms, beside, least: As in `System`.
        rules: Between unknowns.
        trades: From `trades.trades_of`.
    """

    unknowns: Unknowns
    forms: dict[str, sparse.csr_matrix]
    arms: dict[str, sparse.csr_matrix]
    beside: dict[str, sparse.csr_matrix]
    least: np.ndarray
    rules: Linear
    trades: tuple[list[np.ndarray], sparse.csr_matrix]


def frame_of(sheet: Sheet) -> Frame:
    """Everything but the figures."""
    unknowns = unknowns_of(grid_of(sheet.rows), sheet.public)
    total = unknowns.count + len(COUNTED) * len(sheet.arms)
    forms = _forms(unknowns, len(sheet.rows), total)
    arms = _arms(len(sheet.arms), unknowns.count, total)
    beside = _beside(sheet.arms, arms, _parents(sheet, forms))
    known = [
        *rules_of_parts(unknowns), *rules_between(unknowns, sheet.public), *rules_of_dates(unknowns), *entered(sheet, unknowns),
    ]  # fmt: skip
    inside = [beside[kind] for kind in ("quiet", "lost", "events")] + [arms["quiet"]]
    rules = stacked([linear_of(known, total), *(Linear(-each, np.zeros(each.shape[0])) for each in inside)])
    least = np.zeros(total)
    least[unknowns.cases] = 1
    return Frame(unknowns, forms, arms, beside, least, rules, trades_of(unknowns, sheet.public, total))


def system_of(sheet: Sheet, frame: Frame | None = None) -> System:
    """Everything the sheet says, as equations; and the forms by which its rows are asked for.

    Args:
        frame: Of the same sheet with other gaps, to save making it again.
    """
    made = frame or frame_of(sheet)
    low, high = _bounds(sheet, made)
    plain = System(
        low, high, _sums(sheet, made.unknowns.grid, made.forms), made.rules, made.forms, made.arms, made.beside, made.least,
        np.zeros((2, 0), dtype=np.int64), moves_of(*made.trades, low < high),
    )  # fmt: skip
    return _merged(plain, made.unknowns)


def _merged(system: System, unknowns: Unknowns) -> System:
    """Where no event is written, those lost are those who would be lost without events: one unknown instead of two."""
    same = system.high[unknowns.events] == 0
    lost, stands = unknowns.lost[same], unknowns.unwatched[same]
    into = np.arange(len(system.low))
    into[lost] = stands
    merge = matrix_of(np.arange(len(into)), into, 1.0, (len(into), len(into)))
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
        same=np.stack([lost, stands]), moves=(sparse.diags(kept) @ system.moves).tocsc(),
    )  # fmt: skip


def true_world(sheet: Sheet) -> np.ndarray:
    """The unknowns of a sheet without gaps; of who would be lost if nobody had had an event, the fewest there can be."""
    unknowns = unknowns_of(grid_of(sheet.rows), sheet.public)
    own = unknowns.grid.row[unknowns.table, unknowns.site, unknowns.procedure]
    x = np.zeros(unknowns.count)
    for name, column in (("cases", unknowns.cases), ("lost", unknowns.lost), ("events", unknowns.events)):
        x[column] = sheet.rows[name].to_numpy(dtype=float)[own]
    np.maximum.at(x, unknowns.unwatched, x[unknowns.lost])
    return np.concatenate([x, *(sheet.arms[name].to_numpy(dtype=float) for name in COUNTED)])


# ---------------------------------------------------------------- unknowns and forms


def _forms(unknowns: Unknowns, rows: int, total: int) -> dict[str, sparse.csr_matrix]:
    """Every row as a sum over its parts."""
    place, part = unknowns.grid.row, np.arange(unknowns.parts)
    table, site, procedure = unknowns.table, unknowns.site, unknowns.procedure
    none = np.zeros_like(site)
    into = [place[table, s, p] for s in (site, none) for p in (procedure, none)]
    row, of = np.concatenate(into), np.tile(part, 4)
    row, of = row[row >= 0], of[row >= 0]
    shape = (rows, total)
    cases, lost, events = (
        matrix_of(row, column[of], 1.0, shape) for column in (unknowns.cases, unknowns.lost, unknowns.events)
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


# ---------------------------------------------------------------- what is written


def _bounds(sheet: Sheet, frame: Frame) -> tuple[np.ndarray, np.ndarray]:
    """Nothing is below 0, a row that is there has a case, and a figure written is what it says."""
    unknowns, number = frame.unknowns, len(sheet.arms)
    low, high = frame.least.copy(), np.full(len(frame.least), np.inf)
    own = unknowns.grid.row[unknowns.table, unknowns.site, unknowns.procedure]
    columns = {"cases": unknowns.cases, "lost": unknowns.lost, "events": unknowns.events}
    for at, name in enumerate(COUNTED):
        column = np.append(columns[name], unknowns.count + at * number + np.arange(number))
        value = np.append(sheet.rows[name].to_numpy(dtype=float)[own], sheet.arms[name].to_numpy(dtype=float))
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


# ---------------------------------------------------------------- arms of the stated comparison


def _arms(number: int, first: int, total: int) -> dict[str, sparse.csr_matrix]:
    """Three unknowns for each arm."""
    at = np.arange(number)
    return _kinds(
        *(matrix_of(at, first + block * number + at, 1.0, (number, total)) for block in range(len(COUNTED)))
    )


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
    gather = matrix_of(group, np.arange(len(arms)), 1.0, (len(first), len(arms)))
    return {kind: (parents[kind][first] - gather @ own[kind]).tocsr() for kind in KINDS}
