"""Which figures an outward edition does not show.

First those of few patients and what follows from them in the same row; then others, so that no sum gives them away;
then an attack, and whatever it still works out costs a further gap: the least, found by a linear programme in which
written figures may give way at a price.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.optimize import linprog

from pipeline.disclosure.attack import (
    MOST,
    Found,
    Space,
    Watched,
    look,
    looked_around,
    nothing_found,
    seen_from,
    space_of,
    targets_of,
)
from pipeline.disclosure.closing import closed
from pipeline.disclosure.sheet import COUNTED, Grid, Sheet, grid_of
from pipeline.disclosure.system import KINDS, System, system_of, true_world
from pipeline.errors import GivesAway

#: What it costs to let a written figure give way: cases stand in every row of an operation.
PRICE = {"cases": 6.0, "lost": 1.0, "events": 1.0}
SUM_PRICE = 1.4
ARM_PRICE = 8.0
LEAST = 1e-6
ATTEMPTS = 60


@dataclass(frozen=True)
class Truth:
    """A sheet without gaps, and how many patients stand behind its figures.

    Attributes:
        sheet: Every figure.
        patients: Columns `KINDS`, one row a row of the sheet.
        arms: The same for its arms.
        beside: The same for what is left beside the arms, one row a procedure of an arm.
    """

    sheet: Sheet
    patients: pd.DataFrame
    arms: pd.DataFrame
    beside: pd.DataFrame


@dataclass(frozen=True)
class Gaps:
    """bool [row, figure of COUNTED]: not shown."""

    rows: np.ndarray
    arms: np.ndarray

    def of(self, sheet: Sheet) -> Sheet:
        """The sheet with its gaps."""
        return replace(sheet, rows=_gapped(sheet.rows, self.rows), arms=_gapped(sheet.arms, self.arms))


def _gapped(rows: pd.DataFrame, hidden: np.ndarray) -> pd.DataFrame:
    gaps = {name: rows[name].astype(float).mask(hidden[:, at]) for at, name in enumerate(COUNTED)}
    return rows.assign(**gaps)


def few(patients: pd.DataFrame, smallest: int) -> dict[str, np.ndarray]:
    """Kind → bool by row: at least one patient and fewer than `smallest`."""
    return {kind: patients[kind].between(1, smallest - 1).to_numpy() for kind in KINDS}


def hidden_figures(truth: Truth, smallest: int) -> Gaps:
    """Gaps that no attack closes.

    Raises:
        GivesAway: None were found, or the figures contradict each other.
    """
    first = _with_closed_lines(_few_in_rows(truth.patients, smallest), truth, smallest)
    gaps = _with_rows(first, _few_in_rows(truth.arms, smallest))
    worlds = [true_world(truth.sheet)]
    if not system_of(gaps.of(truth.sheet)).holds(worlds[0]):
        raise GivesAway("its figures do not keep the rules of counting that an attack on it rests on")
    for _ in range(ATTEMPTS):
        system = system_of(gaps.of(truth.sheet))
        found, space = (
            nothing_found(targets_of(system, watched(gaps, truth, smallest), truth.sheet), smallest),
            space_of(system),
        )
        for world in worlds:  # what fitted fits with more gaps too
            if system.holds(world):
                seen_from(space, found, world[space.free])
        looked_around(space, found, 0.1)
        if not found.open.any():
            return gaps
        more = _given_way(space, system, found, gaps, truth)
        worlds = found.worlds
        gaps = _with_rows(more.rows, more.arms)
    raise GivesAway("no set of gaps was found that withstands the attack")


def _few_in_rows(patients: pd.DataFrame, smallest: int) -> np.ndarray:
    """Figures of few patients: their own, or the events that would give away those without."""
    small = few(patients, smallest)
    events = small["events"] | small["quiet"] | small["without"]
    return np.stack([small["cases"], small["lost"], events], axis=1)


def _with_rows(rows: np.ndarray, arms: np.ndarray) -> Gaps:
    """Where events are not shown nobody is told how many are lost: an event keeps a case from being lost."""

    def whole(hidden: np.ndarray) -> np.ndarray:
        cases, lost, events = hidden.T
        return np.stack([cases, lost | events, events], axis=1)

    return Gaps(whole(rows), whole(arms))


def _with_closed_lines(hidden: np.ndarray, truth: Truth, smallest: int) -> np.ndarray:
    """Further gaps so that no line is a subtraction. What nearly all outcomes share is hidden in all of them alike."""
    grid = grid_of(truth.sheet.rows)
    rows = hidden.copy()
    groups = {
        "events": None,
        "lost": _shared(grid, truth, by_way=True),
        "cases": _shared(grid, truth, by_way=False),
    }
    for name, group in groups.items():
        at = COUNTED.index(name)
        gaps = _placed(grid, rows[:, at].astype(float)) == 1
        least = 1 if name == "cases" else 0  # a row that is written has a case
        value = _placed(grid, truth.sheet.rows[name].to_numpy(dtype=float)) - least
        own = closed(gaps, value, smallest)
        while group is not None:
            spread = _spread(own, group) & ~np.isnan(value)
            more = closed(spread, value, smallest)
            if (more == own).all():
                break
            own = more
        rows[:, at] |= _back(grid, own, len(rows))
    return rows


def _shared(grid: Grid, truth: Truth, by_way: bool) -> np.ndarray:
    """Number of the tables whose figures are nearly the same: one date and window, and one way of following."""
    tables = grid.tables.assign(way=grid.tables["category"].map(dict(truth.sheet.public.seen_in)))
    return (
        tables.groupby(["figures_of", "window_days", *(["way"] if by_way else [])], sort=True)
        .ngroup()
        .to_numpy()
    )


def _spread(hidden: np.ndarray, group: np.ndarray) -> np.ndarray:
    any_of = np.zeros((group.max(initial=-1) + 1, *hidden.shape[1:]), dtype=bool)
    np.logical_or.at(any_of, group, hidden)
    return any_of[group]


def _placed(grid: Grid, values: np.ndarray) -> np.ndarray:
    return np.where(grid.row >= 0, np.append(values, np.nan)[grid.row], np.nan)


def _back(grid: Grid, placed: np.ndarray, rows: int) -> np.ndarray:
    back = np.zeros(rows, dtype=bool)
    there = grid.row >= 0
    back[grid.row[there]] = placed[there]
    return back


def watched(gaps: Gaps, truth: Truth, smallest: int) -> Watched:
    """Every figure of few patients, and every gap of rows without one, which are there to protect others."""
    parts = ((truth.patients, gaps.rows), (truth.arms, gaps.arms), (truth.beside, None))
    found: list[tuple[int, np.ndarray, int, bool]] = []
    for where, (patients, hidden) in enumerate(parts):
        chosen = few(patients, smallest)
        found += [(where, np.flatnonzero(own), KINDS.index(kind), True) for kind, own in chosen.items()]
        if hidden is not None:
            alone = ~np.any(list(chosen.values()), axis=0)
            found += [
                (where, np.flatnonzero(alone & own), KINDS.index(name), False)
                for name, own in _for_others(hidden)
            ]
    sizes = [len(at) for _, at, _, _ in found]
    return Watched(
        np.repeat([where for where, _, _, _ in found], sizes), np.concatenate([at for _, at, _, _ in found]),
        np.repeat([kind for _, _, kind, _ in found], sizes), np.repeat([small for _, _, _, small in found], sizes),
    )  # fmt: skip


def _for_others(hidden: np.ndarray) -> list[tuple[str, np.ndarray]]:
    """Figures hidden to protect another row: `lost` beside hidden events only follows them."""
    cases, lost, events = hidden.T
    return [("cases", cases), ("lost", lost & ~events), ("events", events)]


# ---------------------------------------------------------------- written figures that give way


def _given_way(space: Space, system: System, found: Found, gaps: Gaps, truth: Truth) -> Gaps:
    """The gaps and further ones, so that open targets can move, one a table at a time; their worlds are `found`.

    Raises:
        GivesAway: Nothing that is written stands in their way.
    """
    before, written = int(found.open.sum()), _written(system, gaps, truth)
    for down in sorted((True, False), key=lambda down: -(found.too_high if down else found.too_low).sum()):
        pending = np.flatnonzero(found.too_high if down else found.too_low)
        asked = pending[np.unique(found.targets.table[pending], return_index=True)[1]]
        give, world = _cheapest(system, written, found, asked, down)
        if len(give):
            found.worlds += [] if world is None else [world]
            return _more(gaps, give)
        for at in asked.tolist():  # one by one: together only parts of patients fitted
            look(space, found, np.array([at]), down)
    if int(found.open.sum()) == before:
        raise GivesAway("the attack succeeds although nothing written gives it away")
    return gaps


def _more(gaps: Gaps, give: pd.DataFrame) -> Gaps:
    rows, arms = gaps.rows.copy(), gaps.arms.copy()
    for figures, hidden in ((give[give["row"] >= 0], rows), (give[give["row"] < 0], arms)):
        own = figures["row"].to_numpy()
        hidden[np.where(own < 0, -1 - own, own), figures["figure"].to_numpy()] = True
    return Gaps(rows, arms)


def _written(system: System, gaps: Gaps, truth: Truth) -> tuple[pd.DataFrame, sparse.csr_matrix]:
    """Every figure that is shown: `row` (-1 - arm for an arm), `figure`, `value`, `price`; and its form."""
    frames, forms = [], []
    sums = np.array((truth.sheet.rows["site"] == "") | (truth.sheet.rows["procedure"] == ""))
    for at, name in enumerate(COUNTED):
        for own, shown, rows in (
            (system.forms, ~gaps.rows[:, at], truth.sheet.rows),
            (system.arms, ~gaps.arms[:, at], truth.sheet.arms),
        ):
            chosen = np.flatnonzero(shown)
            arm = own is system.arms
            price = ARM_PRICE if arm else PRICE[name] * np.where(sums[chosen], SUM_PRICE, 1.0)
            frames.append(
                pd.DataFrame(
                    {
                        "row": -1 - chosen if arm else chosen,
                        "figure": at,
                        "price": price,
                        "value": rows[name].to_numpy(dtype=float)[chosen],
                    }
                )
            )
            forms.append(own[name][chosen])
    return pd.concat(frames, ignore_index=True), sparse.vstack(forms, format="csr")


def _cheapest(
    system: System,
    written: tuple[pd.DataFrame, sparse.csr_matrix],
    found: Found,
    asked: np.ndarray,
    down: bool,
) -> tuple[pd.DataFrame, np.ndarray | None]:
    """Written figures that have to give way, at the least price, for the targets asked for to reach their goals."""
    figures, forms = written
    unknowns, number, targets = len(system.low), len(figures), len(asked)
    goal = (found.low_goal if down else found.high_goal)[asked]
    own = found.targets.forms[asked] * (1.0 if down else -1.0)
    give = sparse.identity(number, format="csr")
    equal = sparse.hstack([forms, -give, give, sparse.csr_matrix((number, targets))], format="csr")
    still = sparse.csr_matrix((system.rules.matrix.shape[0], 2 * number + targets))
    below = sparse.vstack(
        [
            sparse.hstack([system.rules.matrix, still]),
            sparse.hstack([own, sparse.csr_matrix((targets, 2 * number)), -sparse.identity(targets)]),
        ],
        format="csr",
    )
    price = figures["price"].to_numpy(dtype=float)
    cost = np.concatenate([np.zeros(unknowns), price, price, np.full(targets, 1e4)])
    low = np.append(system.least, np.zeros(2 * number + targets))
    answer = linprog(
        cost, below, np.append(system.rules.value, goal if down else -goal), equal, figures["value"].to_numpy(),
        np.stack([low, np.full(len(low), MOST)], axis=1), method="highs",
    )  # fmt: skip
    if answer.status != 0:
        return figures.iloc[:0], None
    moved = answer.x[unknowns : unknowns + number] + answer.x[unknowns + number : unknowns + 2 * number]
    found_world = answer.x[:unknowns]
    whole = np.abs(found_world - np.rint(found_world)).max(initial=0) < LEAST
    return figures[moved > LEAST], system.complete(np.rint(found_world)) if whole else None
