"""Reviewers' decisions: one verdict a case and category."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.handover import NO, NO_DAY, SPLIT, YES, Facts, Linked


def verdicts_of(facts: Facts, linked: Linked) -> pd.DataFrame:
    """`case, category, verdict, day` (of the case, -1 not said), `decided` (calendar), `position` of the deciding row.

    Reviewers who differ are split until a majority of three or more settles it.
    """
    decisions = facts.decisions.merge(_case_numbers(linked), on=["operation", "side"])
    decisions = decisions.sort_values(["case", "category", "decided", "position"], ignore_index=True)
    key = [decisions["case"], decisions["category"]]
    yes = decisions["counts"].groupby(key).transform("sum")
    no = (1 - decisions["counts"]).groupby(key).transform("sum")
    settled = (yes == 0) | (no == 0) | ((yes + no >= 3) & (yes != no))
    decisions["verdict"] = np.where(~settled, SPLIT, np.where(yes > no, YES, NO))
    agreeing = decisions["counts"] == (decisions["verdict"] == YES)
    deciding = decisions[agreeing | (decisions["verdict"] == SPLIT)]
    last = deciding.drop_duplicates(["case", "category"], keep="last").reset_index(drop=True)
    return last.assign(day=_days(deciding, last, linked))[
        ["case", "category", "verdict", "day", "decided", "position"]
    ]


def _case_numbers(linked: Linked) -> pd.DataFrame:
    return linked.cases[["operation", "side"]].assign(case=np.arange(len(linked.cases)))


def _days(deciding: pd.DataFrame, last: pd.DataFrame, linked: Linked) -> np.ndarray:
    """Day of the case from the last deciding row that states one; -1 where none does, or only one before day 0."""
    stated = deciding[deciding["occurred"] != NO_DAY].drop_duplicates(["case", "category"], keep="last")
    occurred = last.merge(
        stated[["case", "category", "occurred"]], how="left", on=["case", "category"], suffixes=("", "_said")
    )
    performed = linked.cases["performed"].to_numpy()[last["case"]]
    day = occurred["occurred_said"].to_numpy(dtype=float) - performed
    return np.where(np.isnan(day) | (day < 0), -1, day).astype(np.int64)
