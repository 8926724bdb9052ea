"""Why patients came back to theatre: one primary reason a return, and what a complication follows from."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.catalogue import PATIENT_DIED, UNPLANNED_RETURN
from pipeline.handover import (
    COUNTED,
    NO_DAY,
    PLANNED,
    PLANNED_LATE,
    REFUTED,
    RETURN,
    YES,
    Facts,
    Linked,
)
from pipeline.lookup import Lookup

KEY = ["case", "category"]
COLUMNS = ["case", "day", "row", "procedure", "role", "reason"]


def returns_of(
    facts: Facts,
    linked: Linked,
    look: Lookup,
    rows: pd.DataFrame,
    evidence: pd.DataFrame,
    verdicts: pd.DataFrame,
) -> pd.DataFrame:
    """`COLUMNS` of later operations that are returns or planned; a return that reviewers refute is none.

    The reason is a reviewer's, else the one stated in the record, else the first in the catalogue's order of what the
    operation is done for and proves and of what was found shortly before it; what is refuted is no reason. A planned
    operation has none.

    Args:
        rows: Complications after decisions.
        evidence: As in Classified.
        verdicts: From `verdicts_of`.
    """
    chain = linked.chain.assign(link=np.arange(len(linked.chain)))
    chain = chain[chain["role"].isin([RETURN, PLANNED, PLANNED_LATE]) & ~chain["pending"]]
    returning = np.flatnonzero(look.words_of("implied_by", UNPLANNED_RETURN))
    refuted = rows[(rows["level"] == 0) & (rows["status"] == REFUTED)]
    no_return = refuted.loc[refuted["category"].isin(returning), "case"]
    chain = chain[(chain["role"] == PLANNED) | ~chain["case"].isin(no_return)].reset_index(drop=True)
    possible = pd.concat([_done_for(chain, linked, look), _found_before(chain, rows, evidence, look)])
    possible = possible[~pd.MultiIndex.from_frame(possible[KEY]).isin(pd.MultiIndex.from_frame(refuted[KEY]))]
    possible = possible.assign(rank=look.reason_rank[possible["category"]])
    first = possible.sort_values(["at", "rank"]).drop_duplicates("at").set_index("at")["category"]
    usual = first.reindex(chain.index, fill_value=-1)
    reason = chain["reason"].where(chain["reason"] >= 0, usual)
    reviewed = _reviewed(chain, facts, linked, verdicts, returning)
    reason = pd.Series(np.where(reviewed >= 0, reviewed, reason)).mask(chain["role"] == PLANNED, -1)
    return chain.assign(reason=reason.astype("int64"))[COLUMNS]


def _done_for(chain: pd.DataFrame, linked: Linked, look: Lookup) -> pd.DataFrame:
    """`at` (position in the chain), `case`, `category`: usual reasons of the procedures done, and what they prove."""
    place = pd.Series(np.arange(len(chain)), index=chain["link"])
    done = linked.chain_procedures
    done = done[done["link"].isin(chain["link"])]
    at, procedure = place.loc[done["link"]].to_numpy(), done["procedure"].to_numpy()
    proof, category = np.nonzero(look.implied[procedure])
    usual = look.reason[procedure]
    found = pd.DataFrame(
        {"at": np.append(at, at[proof]), "category": np.append(usual, category).astype(np.int64)}
    )
    found = found[found["category"] >= 0]
    return found.assign(case=chain["case"].to_numpy()[found["at"]])


def _found_before(
    chain: pd.DataFrame, rows: pd.DataFrame, evidence: pd.DataFrame, look: Lookup
) -> pd.DataFrame:
    """`at, case, category` of counted complications with evidence in the days before a return."""
    entries = look.catalogue.complications.values()
    days = max((entry.reason_days for entry in entries if entry.reasons_order), default=0)
    outcome = look.words_of("implied_by", UNPLANNED_RETURN) | look.words_of("implied_by", PATIENT_DIED)
    counted = rows[(rows["status"] == COUNTED) & (rows["category"] < len(outcome))]
    counted = counted[~outcome[counted["category"]]][[*KEY, "level"]].drop_duplicates()
    told = evidence[evidence["used"] & ~evidence["pending"] & evidence["case"].isin(chain["case"])]
    told = told.merge(counted, on=[*KEY, "level"])[[*KEY, "day"]]
    asked = chain[["case", "day"]].assign(at=np.arange(len(chain)))
    both = asked.merge(told, on="case", suffixes=("", "_found"))
    near = (both["day_found"] <= both["day"]) & (both["day_found"] >= both["day"] - days)
    return both.loc[near & (both["day_found"] >= 0), ["at", *KEY]]


def _reviewed(
    chain: pd.DataFrame, facts: Facts, linked: Linked, verdicts: pd.DataFrame, returning: np.ndarray
) -> np.ndarray:
    """(chain,) reason a reviewer gave, -1 without one: for the return on the day the decision names, else the first."""
    said = stated_by_reviewers(facts, linked, verdicts, "primary")
    said = said[said["category"].isin(returning)].drop_duplicates("case")
    first = chain[chain["role"] != PLANNED].groupby("case")["day"].min().rename("first_day")
    known = chain[["case", "day"]].merge(said, how="left", on="case").join(first, on="case")
    same_day = known["occurred"] == known["day"]
    named = same_day.groupby(known["case"]).transform("any")
    meant = same_day | (~named & (known["day"] == known["first_day"]))
    return np.asarray(known["primary"].where(meant).fillna(-1).astype("int64"))


def stated_by_reviewers(facts: Facts, linked: Linked, verdicts: pd.DataFrame, column: str) -> pd.DataFrame:
    """`case, category, <column>, occurred` (day of the case): what the last reviewer who says so adds to a verdict of yes."""
    numbers = linked.cases[["operation", "side", "performed"]].assign(case=np.arange(len(linked.cases)))
    said = facts.decisions.merge(numbers, on=["operation", "side"])
    said = said.merge(verdicts.loc[verdicts["verdict"].isin([YES]), KEY], on=KEY)
    said = said[(said[column] >= 0) & (said["counts"] == 1)].sort_values(["decided", "position"])
    last = said.drop_duplicates(KEY, keep="last")
    occurred = last["occurred"].where(last["occurred"] != NO_DAY)
    return last.assign(occurred=(occurred - last["performed"]).fillna(NO_DAY).astype("int64"))[
        [*KEY, column, "occurred"]
    ].reset_index(drop=True)


def with_parents(rows: pd.DataFrame, returns: pd.DataFrame, look: Lookup) -> pd.DataFrame:
    """Complications with `parent`: of a return the reason of the first one, else what the catalogue says, -1 for none."""
    entries = look.catalogue.complications.values()
    fixed = np.array([look.category_position.get(entry.parent, -1) for entry in entries] + [-1])
    returning = np.append(look.words_of("implied_by", UNPLANNED_RETURN), False)
    first = returns[returns["role"] != PLANNED].sort_values(["case", "day"]).drop_duplicates("case")
    reason = rows["case"].map(first.set_index("case")["reason"]).fillna(-1).astype("int64")
    return rows.assign(parent=np.where(returning[rows["category"]], reason, fixed[rows["category"]]))
