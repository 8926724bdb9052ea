"""An attack on hidden figures: how low and how high each of them can be, given all that is written.

Every solution of the equations is a world in which the sheet would read as it does. A figure is safe once worlds are
found that lie far enough apart; each world found serves all figures at once, so few linear programmes are needed.
What no shared world settles is asked for one by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from pipeline.disclosure.moves import steps
from pipeline.disclosure.sheet import Sheet, grid_of
from pipeline.disclosure.system import KINDS, System

WHOLE_ENOUGH = 1e-6
PATIENCE = {"node_limit": 2000}  # no clock: equal inputs give equal gaps
MOST = 1e6  # no count is larger


@dataclass(frozen=True)
class Targets:
    """Hidden figures: `forms @ x`, which of them are few patients, and the table each stands in (-1: an arm).

    A small one must be able to be 1 at most (or `least`: as many rows as it is the sum of, each with a case) and
    `smallest` at least; another must move by `smallest`.
    """

    forms: sparse.csr_matrix
    small: np.ndarray
    table: np.ndarray
    least: np.ndarray


@dataclass(frozen=True)
class Watched:
    """Which figures an attack asks for, without their values; equal-length arrays.

    Attributes:
        where: 0 a row of the sheet, 1 an arm, 2 what is left beside the arms.
        at: Its position there.
        kind: Position in `system.KINDS`.
        small: It is one of few patients; else it is hidden to protect others.
    """

    where: np.ndarray
    at: np.ndarray
    kind: np.ndarray
    small: np.ndarray


def targets_of(system: System, asked: Watched, sheet: Sheet) -> Targets:
    """The figures as forms of the unknowns, each form once: closed cases stand in the rows of every outcome."""
    places = (system.forms, system.arms, system.beside)
    tables = (_table_of(sheet), np.full(len(sheet.arms), -1), np.full(system.beside["cases"].shape[0], -1))
    forms, table, order = [], [], []
    for where, own in enumerate(places):
        for kind, name in enumerate(KINDS):
            chosen = np.flatnonzero((asked.where == where) & (asked.kind == kind))
            forms.append(own[name][asked.at[chosen]])
            table.append(tables[where][asked.at[chosen]])
            order.append(chosen)
    small = asked.small[np.concatenate(order)]
    together = sparse.vstack(forms, format="csr")
    once = _distinct(together, small)
    together = together[once]
    sums = np.asarray((together < 0).sum(axis=1)).ravel() == 0
    least = np.where(sums, together @ system.least, 0)
    return Targets(together, small[once], np.concatenate(table)[once], np.maximum(least, 1.0))


def _table_of(sheet: Sheet) -> np.ndarray:
    grid = grid_of(sheet.rows)
    table = np.full(len(sheet.rows), -1)
    there = np.nonzero(grid.row >= 0)
    table[grid.row[there]] = there[0]
    return table


def _distinct(forms: sparse.csr_matrix, small: np.ndarray) -> np.ndarray:
    """Positions of one of each form, a small one if there is one."""
    mark = np.round(forms @ np.random.default_rng(0).random(forms.shape[1]), 9)
    order = np.lexsort((~small, mark))
    return np.sort(order[np.unique(mark[order], return_index=True)[1]])


@dataclass
class Found:
    """The lowest and highest value of each target in the worlds seen, and these worlds."""

    low: np.ndarray
    high: np.ndarray
    targets: Targets
    smallest: int
    worlds: list[np.ndarray] = field(default_factory=list)

    def saw(self, values: np.ndarray) -> None:
        self.low = np.minimum(self.low, values)
        self.high = np.maximum(self.high, values)

    @property
    def low_goal(self) -> np.ndarray:
        moved = np.maximum(self.high - self.smallest, 0)
        return np.where(self.targets.small, self.targets.least, np.where(np.isfinite(moved), moved, 0.0))

    @property
    def high_goal(self) -> np.ndarray:
        moved = np.where(np.isfinite(self.low), self.low + self.smallest, self.smallest)
        return np.where(self.targets.small, float(self.smallest), moved)

    @property
    def too_high(self) -> np.ndarray:
        """Cannot be seen to be low enough yet."""
        return np.where(
            self.targets.small, self.low > self.targets.least, ~self._wide & (self.low > self.low_goal)
        )

    @property
    def too_low(self) -> np.ndarray:
        return np.where(self.targets.small, self.high < self.smallest, ~self._wide)

    @property
    def _wide(self) -> np.ndarray:
        return np.asarray(np.isfinite(self.low) & (self.high - self.low >= self.smallest))

    @property
    def open(self) -> np.ndarray:
        return np.asarray(self.too_high | self.too_low)


@dataclass(frozen=True)
class Space:
    """The system without what is known: unknowns `free`, the rest at `fixed`; and the moves that keep the sums."""

    system: System
    free: np.ndarray
    fixed: np.ndarray
    low: np.ndarray
    high: np.ndarray
    equal: sparse.csr_matrix
    equal_to: np.ndarray
    below: sparse.csr_matrix
    below_to: np.ndarray
    moves: sparse.csr_matrix
    changes: sparse.csr_matrix

    def whole(self, values: np.ndarray) -> np.ndarray:
        x = self.fixed.copy()
        x[self.free] = values
        return self.system.complete(x)

    def room(self, values: np.ndarray) -> np.ndarray:
        """How far each rule, then each upper and lower bound, is from being reached; a world or one in each column."""
        to, high, low = (
            each.reshape(-1, *[1] * (values.ndim - 1)) for each in (self.below_to, self.high, self.low)
        )
        return np.concatenate([to - self.below @ values, high - values, values - low])


def space_of(system: System) -> Space:
    free = np.flatnonzero(system.low < system.high)
    fixed = np.where(system.low < system.high, 0.0, system.low)

    def kept(matrix: sparse.csr_matrix, value: np.ndarray) -> tuple[sparse.csr_matrix, np.ndarray]:
        own = matrix[:, free]
        asks = np.diff(own.indptr) > 0
        return own[asks], (value - matrix @ fixed)[asks]

    equal, equal_to = kept(system.sums.matrix, system.sums.value)
    below, below_to = kept(system.rules.matrix, system.rules.value)
    below, below_to, low, high = _bounded(
        below, below_to, system.low[free], np.minimum(system.high[free], MOST)
    )
    moves = system.moves[free]
    broken = np.asarray(abs(equal @ moves).sum(axis=0)).ravel() > 0
    moves = moves[:, ~broken].tocsr()
    changes = sparse.vstack([below @ moves, moves, -moves], format="csr")
    return Space(system, free, fixed, low, high, equal, equal_to, below, below_to, moves, changes)


def _bounded(
    below: sparse.csr_matrix, below_to: np.ndarray, low: np.ndarray, high: np.ndarray
) -> tuple[sparse.csr_matrix, np.ndarray, np.ndarray, np.ndarray]:
    """Rules that speak of one unknown become bounds of it."""
    alone = np.diff(below.indptr) == 1
    single = below[alone].tocoo()
    limit = below_to[alone][single.row] / single.data
    low, high = low.copy(), high.copy()
    up = single.data > 0
    np.minimum.at(high, single.col[up], limit[up])
    np.maximum.at(low, single.col[~up], limit[~up])
    return below[~alone], below_to[~alone], low, high


def attacked(system: System, targets: Targets, smallest: int, witnesses: Sequence[np.ndarray] = ()) -> Found:
    """How far each target can be seen to move; what stays `open` can be worked out too closely.

    Args:
        witnesses: float [unknown]: worlds found elsewhere. One counts only if it fits all that is written here, so it
            saves a programme and proves no less.
    """
    found, space = nothing_found(targets, smallest), space_of(system)
    heard(space, found, witnesses)
    looked_around(space, found)
    for at in np.flatnonzero(found.open).tolist():
        for down in (True, False):
            if (found.too_high if down else found.too_low)[at]:
                look(space, found, np.array([at]), down)
    return found


def heard(space: Space, found: Found, witnesses: Sequence[np.ndarray]) -> None:
    """What those of the given worlds that fit show."""
    for each in witnesses:
        if each.shape == space.system.low.shape and space.system.holds(each):
            seen_from(space, found, each[space.free])


def nothing_found(targets: Targets, smallest: int) -> Found:
    number = targets.forms.shape[0]
    return Found(np.full(number, np.inf), np.full(number, -np.inf), targets, smallest)


def looked_around(space: Space, found: Found, enough: float = 0.0) -> None:
    """Worlds for all open targets together, until one more brings no more than this share of them to rest."""
    left = [len(found.low) + 1] * 2
    while found.open.any() and found.open.sum() < (1 - enough) * left[-2]:
        left.append(int(found.open.sum()))
        for down in (True, False):
            look(space, found, np.flatnonzero(found.too_high if down else found.too_low), down)


def look(space: Space, found: Found, asked: np.ndarray, down: bool) -> None:
    """One world in which as many of the targets asked for as possible reach their goal, and what is near it."""
    if len(asked):
        values = world(space, found, asked, down)
        if values is not None:
            seen_from(space, found, values)


def seen_from(space: Space, found: Found, values: np.ndarray) -> None:
    """A world, and all that single moves lead to from it."""
    forms = found.targets.forms
    whole = space.whole(values)
    found.worlds.append(whole)
    at = forms @ whole
    found.saw(at)
    often = np.minimum(steps(space.changes, space.room(values)), 4 * found.smallest)
    reached = (forms[:, space.free] @ space.moves).tocoo()
    moved = at[reached.row] + reached.data * often[reached.col]
    np.minimum.at(found.low, reached.row, moved)
    np.maximum.at(found.high, reached.row, moved)


def world(space: Space, found: Found, asked: np.ndarray, down: bool) -> np.ndarray | None:
    """Whole numbers that fit all that is written, with the targets asked for as near their goals as they can be."""
    forms = found.targets.forms[asked]
    goal = (found.low_goal if down else found.high_goal)[asked] - forms @ space.fixed
    own = forms[:, space.free] * (1.0 if down else -1.0)
    miss = -sparse.identity(len(asked), format="csr")
    turn = np.random.default_rng(len(found.worlds)).permutation(
        len(asked)
    )  # another comes first in each world
    cost = np.append(np.zeros(len(space.free)), 1 + turn / len(asked))
    below = sparse.bmat([[space.below, None], [own, miss]], format="csr")
    below_to = np.append(space.below_to, goal if down else -goal)
    equal = sparse.hstack([space.equal, sparse.csr_matrix((space.equal.shape[0], len(asked)))], format="csr")
    low = np.append(space.low, np.zeros(len(asked)))
    high = np.append(space.high, np.full(len(asked), MOST))
    return _solved(cost, (below, below_to), (equal, space.equal_to), low, high, len(space.free))


def _solved(
    cost: np.ndarray,
    below: tuple[sparse.csr_matrix, np.ndarray],
    equal: tuple[sparse.csr_matrix, np.ndarray],
    low: np.ndarray,
    high: np.ndarray,
    kept: int,
) -> np.ndarray | None:
    """The linear programme; where its solution is no whole one, the integer one, first over what was not whole."""
    bounds = np.stack([low, high], axis=1)
    answer = linprog(cost, below[0], below[1], equal[0], equal[1], bounds, method="highs")
    if answer.status != 0:
        return None
    apart = np.abs(answer.x - np.rint(answer.x)) >= WHOLE_ENOUGH
    apart[kept:] = True  # how far a goal is missed may change
    if not apart[:kept].any():
        return np.rint(answer.x[:kept])
    limits = [LinearConstraint(below[0], -np.inf, below[1]), LinearConstraint(equal[0], equal[1], equal[1])]
    whole = np.append(np.ones(kept), np.zeros(len(cost) - kept))
    settled = np.rint(answer.x)
    for own_low, own_high in ((np.where(apart, low, settled), np.where(apart, high, settled)), (low, high)):
        answer = milp(
            cost, integrality=whole, bounds=Bounds(own_low, own_high), constraints=limits, options=PATIENCE
        )
        if answer.x is not None:
            return np.rint(answer.x[:kept])
    return None
