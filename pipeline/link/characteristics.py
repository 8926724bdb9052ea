"""What the tables are cut by: age band, isolation, and the groups of the settings."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.handover import BOTH, PERFORMED, UNSIDED, Facts
from pipeline.link.pairs import pairs_on
from pipeline.settings import Group, Settings


def characterised(cases: pd.DataFrame, facts: Facts, settings: Settings) -> pd.DataFrame:
    """Cases with `age_band`, `isolated` and one `among:<name>` a group of the settings."""
    age = cases["age_years"].to_numpy()
    band = np.where(age < 0, -1, np.searchsorted(settings.age_bands, age, side="right"))
    cases = cases.assign(age_band=band, isolated=_isolated(cases, facts))
    for group in settings.groups.values():
        cases[f"among:{group.name}"] = _belongs(cases, group)
    return cases.drop(columns=[name for name in cases.columns if name.startswith("where:")])


def _belongs(cases: pd.DataFrame, group: Group) -> np.ndarray:
    """bool: of the group. An unknown age belongs to no group that asks for one."""
    age = cases["age_years"].to_numpy()
    belongs = cases[f"where:{group.name}"].to_numpy().copy()
    if group.age_below is not None:
        belongs &= (age >= 0) & (age < group.age_below)
    if group.age_from is not None:
        belongs &= age >= group.age_from
    if group.isolated is not None:
        belongs &= cases["isolated"].to_numpy() == group.isolated
    return belongs


def _isolated(cases: pd.DataFrame, facts: Facts) -> np.ndarray:
    """bool: no further code of that day and side takes the isolation of the naming procedure away."""
    done = facts.operations[facts.operations["status"] == PERFORMED]
    codes = facts.codes.merge(done[["operation", "patient", "day", "side"]], on="operation")
    codes = codes.sort_values("patient", ignore_index=True)
    pairs = pairs_on(cases["patient"].to_numpy(), codes["patient"].to_numpy())
    case, code = cases.iloc[pairs.left], codes.iloc[pairs.right]
    side = code["side"].to_numpy()
    here = (
        (side == case["side"].to_numpy())
        | np.isin(side, [BOTH, UNSIDED, -1])
        | (case["side"] == UNSIDED).to_numpy()
    )
    itself = code["own"].to_numpy() & (code["operation"].to_numpy() == case["operation"].to_numpy())
    takes = facts.unisolating[case["procedure"].to_numpy(), code["code"].to_numpy()]
    taken = takes & here & ~itself & (code["day"].to_numpy() == case["performed"].to_numpy())
    isolated = np.ones(len(cases), dtype=bool)
    isolated[pairs.left[taken]] = False
    return isolated
