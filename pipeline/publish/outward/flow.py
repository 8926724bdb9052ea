"""The flow of an outward edition: each site's way from rows to cases, steps of few run together."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from pipeline.publish.outward.tables import marks
from schemas.outward import OUTWARD_FLOW

ALL = "all"
#: What `records` calls an operation that such a step takes out: its patients can be told.
ROLES = {"unplanned returns to theatre": "return", "planned stages and removals": "planned"}
CASES = "index cases"


def flow_shown(
    flow: pd.DataFrame, people: Mapping[tuple[str, str], int], smallest: int, name: str
) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Steps of all procedures together, and which of them (site, step) moved few.

    What a step moves is hidden where it is few; further steps then are, until all that is hidden between two figures
    shown is not few.

    Args:
        people: (site, step) → patients, of the steps whose patients are known; elsewhere rows stand for patients.
    """
    own = flow[flow["procedure"] == ALL].reset_index(drop=True)
    chains, found = [], []
    for _, chain in own.groupby("site", sort=True):
        told, few = _chain(chain.reset_index(drop=True), people, smallest)
        chains.append(told)
        found += [
            (str(site), str(step)) for site, step in zip(told["site"][few], told["step"][few], strict=True)
        ]
    if not chains:
        return pd.DataFrame(columns=list(OUTWARD_FLOW.names)), []
    table = pd.concat(chains, ignore_index=True).assign(figures_of=name)
    return table[list(OUTWARD_FLOW.names)], found


def _chain(
    chain: pd.DataFrame, people: Mapping[tuple[str, str], int], smallest: int
) -> tuple[pd.DataFrame, np.ndarray]:
    moved = (chain["added"] + chain["removed"]).to_numpy(dtype=np.int64)
    named = zip(chain["site"], chain["step"], moved.tolist(), strict=True)
    patients = np.array([min(people.get((site, step), number), number) for site, step, number in named])
    few = (moved > 0) & (patients < smallest)
    few[0] = False  # the first step is where counting begins
    hidden = np.zeros(len(chain), dtype=bool)
    before, after = hidden.copy(), hidden.copy()
    for first, last in _runs(few, moved, smallest, len(chain)):
        hidden[first : last + 1] = True
        before[first + 1 : last + 1] = True
        after[first:last] = True
    figures = {"added": hidden, "removed": hidden, "before": before, "after": after}
    gaps = {column: chain[column].astype("object").mask(gap, None) for column, gap in figures.items()}
    told = chain.assign(**gaps, hidden=marks(hidden))
    return told.drop(columns=["reason", "procedure"]), few


def _runs(few: np.ndarray, moved: np.ndarray, smallest: int, steps: int) -> list[tuple[int, int]]:
    """First and last step of each stretch that is hidden as one: at least two steps that move `smallest` more than one each."""
    runs: list[tuple[int, int]] = []
    for at in np.flatnonzero(few).tolist():
        if runs and at <= runs[-1][1]:
            continue
        first = last = at
        while not _enough(moved[first : last + 1], smallest):
            if last + 1 < steps:
                last += 1
            elif first > 1:
                first -= 1
            else:
                break
        while runs and first <= runs[-1][1]:
            first = runs.pop()[0]
        runs.append((first, last))
    return runs


def _enough(moved: np.ndarray, smallest: int) -> bool:
    moving = moved[moved > 0]
    return bool(len(moving) >= 2 and moving.sum() - (len(moving) - 1) >= smallest)


def people_of(records: pd.DataFrame, cases: pd.DataFrame) -> dict[tuple[str, str], int]:
    """(site, step) → distinct patients, of returns, planned operations and cases."""
    found = {(str(site), CASES): int(n) for site, n in cases.groupby("site")["patient"].nunique().items()}
    by = records[records["patient"].notna()].groupby(["site", "role"])["patient"].nunique().reset_index()
    steps = {role: step for step, role in ROLES.items()}
    named = zip(by["site"], by["role"], by["patient"], strict=True)
    return found | {(str(site), steps[role]): int(n) for site, role, n in named if role in steps}
