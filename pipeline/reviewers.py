"""Who decided, on whose cases, and when a question needs nobody any more. Shared by the stages; imports none.

A reviewer may be a surgeon, named as `S3` or `harbour/S3`. Capitals make no difference, so that nobody is taken for
two people, or for a stranger to their own cases.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from pipeline.handover import BOTH, LEFT, PERFORMED, RIGHT, Facts

if TYPE_CHECKING:
    import pandas as pd

SETTLING = 3  # so many reviewers settle by majority what two could not
#: Minutes to read and answer a question, and the notes of a case drawn at random: our decision, to be agreed.
MINUTES_A_QUESTION, MINUTES_A_SAMPLED_CASE = 3, 5
#: Why a case is in question that its own surgeon asks about; the surgeon's words follow.
REQUESTED = "questioned by the surgeon: "
BETWEEN = "; "  # stands between references to records
#: A record as printed: file below received/, and line. What people wrote in its place is not followed.
REFERENCE = re.compile(r"received/[A-Za-z0-9_-]+/\d{4}-\d\d-\d\d/[^/\n]+:\d+")


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

    is_wanted = np.zeros(len(cases), bool)
    is_wanted[of_cases] = True
    wanted = np.flatnonzero(is_wanted)
    first = cases[["patient", "side", "performed"]].iloc[wanted].assign(case=wanted)
    later = chain.loc[is_wanted[chain["case"]], ["case", "performed"]].merge(
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


@dataclass(frozen=True)
class Answers:
    """What reviewers have said: the last word of each person, without those who contradict themselves on their last day.

    Attributes:
        on: (case id, category) → person → yes.
        read: case id → what a person who was asked to read has read: person, references, whether something was found.
        sampled: Ids of cases that were read because they had been drawn.
        rested: (case id, category) → the records that a reviewer had before them, joined by `; `.
    """

    on: dict[tuple[str, str], dict[str, bool]]
    read: dict[str, tuple[tuple[str, frozenset[str], bool], ...]]
    sampled: frozenset[str]
    rested: dict[tuple[str, str], str]

    @property
    def cases(self) -> set[str]:
        """Ids of the cases on which anybody has said anything."""
        return {case_id for case_id, _ in self.on} | self.read.keys()

    def to(self, case_id: str, category: str, evidence: str, surgeons: str) -> dict[str, bool]:
        """Person → answer to one question: about a category, or without one about what stands in the evidence.

        Args:
            evidence: `file:line`, joined by `; `.
            surgeons: Of the case, joined by `;`: they do not decide.
        """
        asked = frozenset(evidence.split(BETWEEN))
        given = self.on.get((case_id, category), {})
        if not category:
            given = {person: found for person, read, found in self.read.get(case_id, ()) if asked <= read}
        theirs = surgeons.split(";") if surgeons else ()
        return {who: word for who, word in given.items() if not any(is_surgeon(who, s) for s in theirs)}

    def still_needed(self, case_id: str, category: str, evidence: str, surgeons: str) -> bool:
        given = list(self.to(case_id, category, evidence, surgeons).values())
        return needs_another(sum(given), len(given) - sum(given))


def answers_of(decisions: pd.DataFrame, more_names: Iterable[str] = ()) -> Answers:
    """The answers in rows of decisions/, as `pipeline.people` reads them."""
    rows = decisions.to_dict("records")
    who = persons([*(str(row["reviewer"]) for row in rows), *more_names])
    by_day: dict[tuple[str, str, str, str], dict[date, set[bool]]] = {}
    for row in rows:
        key = (row["case_id"], row["category"] or "", "" if row["category"] else row["evidence"] or "")
        days = by_day.setdefault((*key, who[row["reviewer"]]), {})
        days.setdefault(row["decided_on"], set()).add(row["counts"])
    last = {key: days[max(days)] for key, days in by_day.items()}
    on: dict[tuple[str, str], dict[str, bool]] = {}
    for (case_id, category, _, person), said in last.items():
        if category and len(said) == 1:
            on.setdefault((case_id, category), {})[person] = next(iter(said))
    read: dict[str, list[tuple[str, frozenset[str], bool]]] = {}
    rested: dict[tuple[str, str], str] = {}
    for row in rows:
        places = [place for place in (row["evidence"] or "").split(BETWEEN) if REFERENCE.fullmatch(place)]
        if row["asked"] and places:
            what = (who[row["reviewer"]], frozenset(places), bool(row["counts"]))
            read.setdefault(row["case_id"], []).append(what)
        if row["category"] and places:
            rested[(row["case_id"], row["category"])] = BETWEEN.join(places)
    sampled = frozenset(row["case_id"] for row in rows if row["asked"] == "sample")
    return Answers(on, {case_id: tuple(what) for case_id, what in read.items()}, sampled, rested)


def received_on(evidence: str) -> date | None:
    """The day the first of the records arrived: references begin with `received/<site>/<day>/`."""
    if BETWEEN not in evidence:
        return _arrived(evidence)
    days = (_arrived(reference) for reference in evidence.split(BETWEEN))
    return min((day for day in days if day), default=None)


def _arrived(reference: str) -> date | None:
    folders = reference.split("/", 3)
    return _day(folders[2]) if len(folders) == 4 else None


@cache
def _day(folder: str) -> date:
    return date.fromisoformat(folder)
