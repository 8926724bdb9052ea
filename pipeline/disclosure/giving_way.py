"""Written figures that have to give way so that hidden ones can move: the least, by a linear programme with prices."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.optimize import linprog

from pipeline.disclosure.attack import MOST, Found, Space, look
from pipeline.disclosure.gaps import Gaps, Truth
from pipeline.disclosure.sheet import COUNTED
from pipeline.disclosure.system import System
from pipeline.errors import GivesAway

#: What it costs to let a written figure give way: cases stand in every row of an operation.
PRICE = {"cases": 6.0, "lost": 1.0, "events": 1.0}
SUM_PRICE = 1.4
ARM_PRICE = 8.0
LEAST = 1e-6


def given_way(space: Space, system: System, found: Found, gaps: Gaps, truth: Truth) -> Gaps:
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
        raise GivesAway(
            "so few patients are counted that the rules of counting alone would tell a hidden number too closely"
        )
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
