"""An attack on a flow of cases as written: how few and how many a hidden step can have moved."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.optimize import linprog


def opened_steps(
    path: Path,
    few: Collection[tuple[str, str]],
    balances: Collection[str],
    adding: Collection[str],
    smallest: int,
) -> list[tuple[str, str]]:
    """(site, step) of the few whose range does not hold all of 1 to `smallest` less 1.

    Args:
        path: `flow.csv`.
        few: Steps that moved few.
        balances: Steps that move nothing; every other step that is written moved something.
        adding: Steps that add; all others but the first take away.
    """
    told = pd.read_csv(path, dtype=str, keep_default_na=False)
    found = []
    for site, chain in told.groupby("site", sort=True):
        asked = [step for where, step in few if where == site]
        found += [
            (str(site), step)
            for step in asked
            if not _is_open_range(chain, step, (balances, adding), smallest)
        ]
    return found


def _is_open_range(
    chain: pd.DataFrame, step: str, kinds: tuple[Collection[str], Collection[str]], smallest: int
) -> bool:
    """Both ends, by linear programmes over what each step moved and left."""
    steps = chain["step"].tolist()
    number, at = len(steps), steps.index(step)
    sign = np.array([1.0 if step in kinds[1] else -1.0 for step in steps])
    sign[0] = 1.0
    equal = np.zeros((number, 2 * number))
    for row in range(number):  # left after the step = left before it and what it moved
        equal[row, number + row] = 1.0
        equal[row, row] = -sign[row]
        if row:
            equal[row, number + row - 1] = -1.0
    bounds = [*_moved(chain, kinds[0]), *_left(chain)]
    ends = []
    for direction in (1.0, -1.0):
        cost = np.zeros(2 * number)
        cost[at] = direction
        answer = linprog(cost, A_eq=equal, b_eq=np.zeros(number), bounds=bounds, method="highs")
        ends.append(direction * answer.fun if answer.status == 0 else np.inf)
    return bool(ends[0] <= 1 and ends[1] >= smallest - 1)


def _moved(chain: pd.DataFrame, balances: Collection[str]) -> list[tuple[float, float | None]]:
    limits: list[tuple[float, float | None]] = []
    for step, added, removed in zip(chain["step"], chain["added"], chain["removed"], strict=True):
        if added or removed:
            limits.append((float(added or 0) + float(removed or 0),) * 2)
        else:
            limits.append((0.0, 0.0) if step in balances else (1.0, None))
    return limits


def _left(chain: pd.DataFrame) -> list[tuple[float, float | None]]:
    """What is shown after a step, or before the next one."""
    after, before = chain["after"].tolist(), [*chain["before"].tolist()[1:], ""]
    shown = [one or other for one, other in zip(after, before, strict=True)]
    return [(float(number), float(number)) if number else (0.0, None) for number in shown]
