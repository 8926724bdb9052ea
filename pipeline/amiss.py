"""What is amiss with decisions once it is known to which cases they belong: a finding each, at the row of the file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline import findings
from pipeline.handover import NO_DAY
from pipeline.reviewers import on_own_cases

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    import pandas as pd

    from pipeline.handover import Facts
    from pipeline.parts import Whole
    from pipeline.people import People


def decided_amiss(facts: Facts, whole: Whole, people: People) -> pd.DataFrame:
    """Decisions on own cases, of complications before the operation, and of a day before what they are about."""
    cases = whole.cases[["operation", "side", "performed", "case"]]
    decided = facts.decisions.merge(cases, on=["operation", "side"])
    own = on_own_cases(decided, whole.cases, whole.chain, facts)
    before = ((decided["occurred"] > NO_DAY) & (decided["occurred"] < decided["performed"])).to_numpy()
    early = (decided["decided"] < _latest_of(decided, whole.evidence)).to_numpy()
    told = [
        (own, "reviewer", "decision_on_own_case"),
        (~own & before, "occurred_on", "decision_before_operation"),
        (~own & early, "decided_on", "decision_dated_early"),
    ]
    return findings.frame(
        amiss_row(people.decisions.iloc[position].to_dict(), "decisions", column, rule)
        for found, column, rule in told
        for position in decided.loc[found, "position"]
    )


def _latest_of(decided: pd.DataFrame, evidence: pd.DataFrame) -> np.ndarray:
    """The latest calendar day among operation, stated complication and first evidence of each decision."""
    dated = evidence[(evidence["day"] >= 0) & ~evidence["pending"]]
    first = dated.groupby(["case", "category"])["day"].min().rename("first_day").reset_index()
    day = decided[["case", "category"]].merge(first, how="left", on=["case", "category"])["first_day"]
    performed = decided["performed"].to_numpy()
    known = performed + day.fillna(0).to_numpy(dtype=np.int64)
    return np.maximum(np.maximum(performed, known), decided["occurred"].to_numpy())


def amiss_row(row: Mapping[Hashable, Any], table: str, column: str, rule: str) -> dict[str, object]:
    """A finding about a cell of a row that a person wrote."""
    about = findings.CATALOGUE[rule]
    where = f"{row['source_file']} line {row['source_line']}, column `{column}`"
    return findings.at_written_row(row, table, column, rule, f"{where}: {about.cause} {about.remedy}")
