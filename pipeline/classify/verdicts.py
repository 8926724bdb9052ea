"""Reviewers' decisions: one verdict a case and category."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.handover import NO, NO_DAY, SPLIT, YES, Facts, Linked
from pipeline.reviewers import SETTLING, on_own_cases

KEY = ["case", "category"]


def verdicts_of(facts: Facts, linked: Linked) -> pd.DataFrame:
    """`case, category, verdict, day` (of the case, -1 not said), `decided` (calendar), `position` of the deciding row,
    `yes, no` (reviewers) and `one, two` (first answers of the first two reviewers).

    Reviewers who differ are split until a majority of three or more settles it. Nobody decides on own cases.
    """
    decisions = facts.decisions.merge(_case_numbers(linked), on=["operation", "side"])
    decisions = decisions[~on_own_cases(decisions, linked.cases, linked.chain, facts)]
    decisions = decisions[decisions["category"] >= 0]
    decisions = decisions.sort_values([*KEY, "decided", "position"], ignore_index=True)
    key = [decisions[name] for name in KEY]
    yes = decisions["counts"].groupby(key).transform("sum")
    no = (1 - decisions["counts"]).groupby(key).transform("sum")
    settled = (yes == 0) | (no == 0) | ((yes + no >= SETTLING) & (yes != no))
    decisions = decisions.assign(
        yes=yes, no=no, verdict=np.where(~settled, SPLIT, np.where(yes > no, YES, NO))
    )
    agreeing = decisions["counts"] == (decisions["verdict"] == YES)
    deciding = decisions[agreeing | (decisions["verdict"] == SPLIT)]
    last = deciding.drop_duplicates(KEY, keep="last").reset_index(drop=True)
    last = last.assign(day=_days(deciding, last, linked)).merge(_first_answers(decisions), on=KEY)
    return last[[*KEY, "verdict", "day", "decided", "position", "yes", "no", "one", "two"]]


def _first_answers(decisions: pd.DataFrame) -> pd.DataFrame:
    """What the first two reviewers of a question said first, `one` being the first by name; -1 where there was but one.

    An answer somebody changed later is taken as it was: only the first ones are given independently.
    """
    began = decisions.sort_values([*KEY, "began", "reviewer"])
    pair = began.groupby(KEY).head(2).sort_values([*KEY, "reviewer"])
    answers = pair.groupby(KEY)["first"].agg(["first", "last", "size"])
    both = answers["size"] == 2
    return pd.DataFrame(
        {"one": answers["first"].where(both, -1), "two": answers["last"].where(both, -1)}
    ).reset_index()


def _case_numbers(linked: Linked) -> pd.DataFrame:
    return linked.cases[["operation", "side"]].assign(case=np.arange(len(linked.cases)))


def _days(deciding: pd.DataFrame, last: pd.DataFrame, linked: Linked) -> np.ndarray:
    """Day of the case from the last deciding row that states one; -1 where none does, or only one before day 0."""
    stated = deciding[deciding["occurred"] != NO_DAY].drop_duplicates(KEY, keep="last")
    occurred = last.merge(stated[[*KEY, "occurred"]], how="left", on=KEY, suffixes=("", "_said"))
    performed = linked.cases["performed"].to_numpy()[last["case"]]
    day = occurred["occurred_said"].to_numpy(dtype=float) - performed
    return np.where(np.isnan(day) | (day < 0), -1, day).astype(np.int64)
