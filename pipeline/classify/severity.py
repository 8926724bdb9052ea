"""How much treatment each complication of a case needed, on one scale of grades."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.catalogue import UNPLANNED_RETURN
from pipeline.classify.returns import stated_by_reviewers
from pipeline.handover import AWAITING, COUNTED, PLANNED, Facts, Linked
from pipeline.lookup import Lookup
from schemas.exports import SEVERITY_GRADES

KEY = ["case", "category"]
GRADED = (COUNTED, AWAITING)


def with_grades(
    rows: pd.DataFrame,
    facts: Facts,
    linked: Linked,
    look: Lookup,
    evidence: pd.DataFrame,
    returns: pd.DataFrame,
    verdicts: pd.DataFrame,
) -> pd.DataFrame:
    """Complications with `grade` (position in SEVERITY_GRADES, -1 unknown or not counted).

    A reviewer's grade stands. Else it is the highest stated in a record, or the catalogue's default where none is; one
    that brought the patient back to theatre is at least what a return is. Of any complication it is the case's highest.

    Args:
        rows: Complications after decisions, any complication among them.
    """
    usual = _defaults(look)
    own = rows[rows["category"] < len(look.categories)]
    stated = _stated(facts, evidence)
    key = pd.MultiIndex.from_frame(own[KEY])
    grade = stated.reindex(key).to_numpy()
    grade = np.where(np.isnan(grade), usual[own["category"]], grade)
    grade = np.maximum(grade, _of_returns(returns, look, usual).reindex(key).fillna(-1).to_numpy())
    reviewed = stated_by_reviewers(facts, linked, verdicts, "severity").set_index(KEY)["severity"]
    said = reviewed.reindex(key).to_numpy(dtype=float)
    grade = np.where(np.isnan(said), grade, said)
    found = pd.Series(np.where(own["status"].isin(GRADED), grade, -1), index=own.index).astype("int64")
    whole = rows.assign(grade=found.reindex(rows.index, fill_value=-1))
    return whole.assign(grade=whole["grade"].mask(whole["category"] == len(usual), _highest(whole, look)))


def _defaults(look: Lookup) -> np.ndarray:
    entries = look.catalogue.complications.values()
    grades = [entry.default_grade for entry in entries]
    return np.array([SEVERITY_GRADES.index(grade) if grade else -1 for grade in grades], dtype=np.int64)


def _stated(facts: Facts, evidence: pd.DataFrame) -> pd.Series:
    """Highest grade stated in the used evidence of each case and category."""
    events = facts.events.loc[facts.events["severity"] >= 0, ["row", "severity"]]
    used = evidence[(evidence["table"] == "events") & evidence["used"] & ~evidence["pending"]]
    return used.merge(events, on="row").groupby(KEY)["severity"].max().astype(float)


def _of_returns(returns: pd.DataFrame, look: Lookup, usual: np.ndarray) -> pd.Series:
    """The usual grade of a return, for each case and category that was the reason of one."""
    returning = look.words_of("implied_by", UNPLANNED_RETURN)
    grade = usual[returning].max(initial=-1)
    own = returns[(returns["role"] != PLANNED) & (returns["reason"] >= 0)].rename(
        columns={"reason": "category"}
    )
    return own.drop_duplicates(KEY).set_index(KEY)["day"] * 0.0 + float(grade)


def _highest(rows: pd.DataFrame, look: Lookup) -> pd.Series:
    """(rows,) highest grade among the case's main levels of the row's status that make up any complication."""
    members = np.array([entry.in_any for entry in look.catalogue.complications.values()] + [False])
    own = rows[(rows["level"] == 0) & members[rows["category"]]]
    highest = own.groupby(["case", "status"])["grade"].max()
    key = pd.MultiIndex.from_frame(rows[["case", "status"]])
    return pd.Series(highest.reindex(key).fillna(-1).to_numpy(dtype="int64"), index=rows.index)
