"""Who decided, on whose cases, and when a question needs nobody any more. Shared by the stages; imports none.

A reviewer may be a surgeon, named as `S3` or `harbour/S3`. Capitals make no difference, so that nobody is taken for
two people, or for a stranger to their own cases.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from pipeline.handover import BOTH, LEFT, RIGHT, Facts
from schemas.exports import EXPORTS

if TYPE_CHECKING:
    import pandas as pd

SETTLING = 3  # so many reviewers settle by majority what two could not
#: Minutes to read and answer a question, and the notes of a case drawn at random: our decision, to be agreed.
MINUTES_A_QUESTION, MINUTES_A_SAMPLED_CASE = 3, 5
PERFORMED = EXPORTS["operations"]["status"].vocabulary.index("performed")


def persons(names: Iterable[str]) -> dict[str, str]:
    """Each name as written → the person. A bare id means the one surgeon of that id named with a site, if there is but one."""
    plain = {name: name.strip().casefold() for name in names}
    with_site = {person for person in plain.values() if "/" in person}
    full = {
        person: [full for full in with_site if full.rpartition("/")[2] == person] for person in plain.values()
    }
    return {name: full[person][0] if len(full[person]) == 1 else person for name, person in plain.items()}


def is_surgeon(reviewer: str, surgeon: str) -> bool:
    """Whether the two names can mean one person; a bare id means the surgeon of that id at every site."""
    mine, theirs = reviewer.strip().casefold(), surgeon.strip().casefold()
    bare = "/" not in mine or "/" not in theirs
    return mine == theirs or (bare and mine.rpartition("/")[2] == theirs.rpartition("/")[2])


def needs_another(yes: int, no: int) -> bool:
    """Whether a question still needs a reviewer: until two agree, or a majority of three or more settles it."""
    if yes and no:
        return yes + no < SETTLING or yes == no
    return yes + no < 2


def case_surgeons(
    of_cases: np.ndarray, cases: pd.DataFrame, chain: pd.DataFrame, operations: pd.DataFrame
) -> pd.DataFrame:
    """`case, surgeon`: everybody responsible for an operation of a case, later ones and those that await a link too.

    Args:
        of_cases: Numbers of the cases asked about.
        cases, chain: As in Linked.
        operations: As in Facts.
    """
    import pandas as pd

    wanted = np.unique(of_cases)
    first = cases[["patient", "side", "performed"]].iloc[wanted].assign(case=wanted)
    later = chain.loc[chain["case"].isin(wanted), ["case", "performed"]].merge(
        first[["case", "patient", "side"]], on="case"
    )
    days = pd.concat([first, later]).rename(columns={"performed": "day", "side": "own"})
    done = operations.loc[operations["status"] == PERFORMED, ["patient", "day", "side", "surgeon"]]
    met = days.merge(done[done["surgeon"] >= 0], on=["patient", "day"])
    other_side = (
        met["side"].isin([LEFT, RIGHT]) & met["own"].isin([LEFT, RIGHT]) & (met["side"] != met["own"])
    )
    found = met.loc[~other_side | (met["side"] == BOTH), ["case", "surgeon"]]
    return found.drop_duplicates().sort_values(["case", "surgeon"], ignore_index=True)


def on_own_cases(
    decisions: pd.DataFrame, cases: pd.DataFrame, chain: pd.DataFrame, facts: Facts
) -> np.ndarray:
    """bool over decisions (with `case` and `reviewer`): the reviewer operated in this case."""
    is_one = np.array([[is_surgeon(r, s) for s in facts.surgeons] for r in facts.reviewers], dtype=bool)
    if not is_one.any() or not len(decisions):
        return np.zeros(len(decisions), dtype=bool)
    operated = case_surgeons(decisions["case"].to_numpy(), cases, chain, facts.operations)
    asked = decisions[["case", "reviewer"]].reset_index(drop=True).reset_index()
    met = asked.merge(operated, on="case")
    own = met.loc[is_one[met["reviewer"], met["surgeon"]], "index"]
    return asked["index"].isin(own).to_numpy()
