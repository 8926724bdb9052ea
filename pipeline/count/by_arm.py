"""Sport and scores of the two arms of every comparison of the settings: isolated cases, as its complications count."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.compared import arms_of, comparisons_of
from pipeline.counts import Cells, summed_counts
from pipeline.handover import NEVER, Cases
from pipeline.settings import Settings
from pipeline.told_after import Changes, Sport

ARM_KEYS = ["comparison", "arm"]


def arm_counts(cases: Cases, settings: Settings, told: Sport, changes: Changes) -> dict[str, Cells]:
    """`arms`, `arm_days`, `arm_reasons` and `arm_changes` of `counts.Benefit`."""
    arms = _arms(cases, settings, told)
    at, keys = arms["at"].to_numpy(), arms[ARM_KEYS]
    counts = {
        "cases": told.told, "played": told.played, "asked": told.asked, "any_return": told.back,
        "same_or_higher": told.same,
    }  # fmt: skip
    dated, not_back = (told.back & (told.returned < NEVER))[at], told.not_back[at]
    return {
        "arms": summed_counts(keys, {name: each[at] for name, each in counts.items()}),
        "arm_days": _number(keys[dated].assign(day=told.returned[at[dated]])),
        "arm_reasons": _number(keys[not_back].assign(why=told.why[at[not_back]])),
        "arm_changes": _changes(arms, changes),
    }


def _arms(cases: Cases, settings: Settings, told: Sport) -> pd.DataFrame:
    """`at` (position of a case), `comparison`, `arm`: a row for each arm that an isolated case belongs to."""
    own = cases.cases["isolated"].to_numpy().astype(bool) & told.told
    frames = [
        pd.DataFrame({"at": np.flatnonzero(own & member)}).assign(comparison=number, arm=arm)
        for number, asked in enumerate(comparisons_of(settings))
        for arm, member in enumerate(arms_of(cases.cases, asked, cases.labels))
    ]
    nobody = pd.DataFrame({name: np.zeros(0, np.int64) for name in ("at", *ARM_KEYS)})
    return pd.concat([nobody, *frames], ignore_index=True)


def _number(keys: pd.DataFrame) -> Cells:
    return summed_counts(keys, {"cases": np.ones(len(keys), bool)})


def _changes(arms: pd.DataFrame, changes: Changes) -> Cells:
    """Of cases with a reading before and one after, by arm and measure."""
    paired = changes.paired
    read = pd.DataFrame(
        {"at": changes.at[paired], "measure": changes.measure[paired], "change": changes.change[paired]}
    )
    found = arms.merge(read, on="at")
    change = found["change"].to_numpy(np.int64)
    statistics = {"paired_n": np.ones(len(found), bool), "change_sum": change, "change_squares": change**2}
    return summed_counts(found[[*ARM_KEYS, "measure"]], statistics)
