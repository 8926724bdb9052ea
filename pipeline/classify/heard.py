"""What letters say of cases: each statement with the case it speaks of, or why it speaks for nothing.

A letter only ever proposes: a statement that something is present is `possible` evidence and no more. One that
speaks of the other side goes to the patient's case there, if there is one.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.handover import (
    HEARD,
    HISTORICAL,
    LEFT,
    LETTER,
    PATIENT_SAID,
    PRESENT,
    RIGHT,
    STRENGTHS,
    UNCERTAIN,
    UNHEARD,
    UNSIDED,
    Facts,
    Linked,
)
from pipeline.lookup import Lookup
from schemas.exports import EXPORTS

NOT_ASSERTED, OTHER_SIDE, OTHER_PLACE, EARLIER_YEAR, COPIED = range(len(UNHEARD))
POSSIBLE = STRENGTHS.index("possible")
SAID_BY_PATIENT = EXPORTS["events"]["source"].vocabulary.index("patient")
_TYPES = {
    **dict.fromkeys(("case", "row", "day", "category", "assertion", "side", "place", "why"), "int64"),
    **dict.fromkeys(("pending", "first"), "bool"),
    **dict.fromkeys(("bone", "through", "origin", "begin", "end"), "int64"),
    "table": "str",
}
_EMPTY = pd.DataFrame(columns=list(_TYPES)).astype(_TYPES)


def heard_of(facts: Facts, linked: Linked, look: Lookup) -> pd.DataFrame:
    """One row a statement and case, with `why` it is no evidence (position in UNHEARD, HEARD where it is).

    `pending` and `first` as in `Linked.records`, over the cases a statement may speak of.
    """
    said = facts.statements
    if said is None or not len(said):
        return _EMPTY
    spoken = _to_cases(said, facts, linked)
    spoken = _on_the_other_side(spoken, linked, look)
    spoken = spoken.assign(assertion=_dated_after(spoken, linked))
    found = spoken.assign(why=_why(spoken, linked, look))
    return _numbered(found)[list(_TYPES)].astype(_TYPES)


def _to_cases(said: pd.DataFrame, facts: Facts, linked: Linked) -> pd.DataFrame:
    """Statements of records of a case, of records that wait, and of visits that several cases share."""
    columns = ["table", "row", "case", "day", "pending"]
    own = linked.records.loc[linked.records["day"] >= 0, columns]
    visits = linked.shared_visits.merge(facts.followups[["row", "day"]], on="row")
    recorded = own.loc[own["table"] == "followups", "row"]
    visits = visits[~visits["row"].isin(recorded)]
    day = visits["day"].to_numpy() - linked.cases["performed"].to_numpy()[visits["case"]]
    visits = visits.assign(table="followups", day=day, pending=False)
    visits = visits[day >= 0]
    visits["pending"] = visits.duplicated("row", keep=False)
    return said.merge(pd.concat([own, visits[columns]], ignore_index=True), on=["table", "row"])


def _sides(spoken: pd.DataFrame, linked: Linked) -> tuple[np.ndarray, np.ndarray]:
    """Side of each case, and the side its statement is about (-1 where it does not say)."""
    side = linked.cases["side"].to_numpy()[spoken["case"]]
    about = np.where(spoken["side"].isin([LEFT, RIGHT]), spoken["side"], -1)
    opposite = spoken["opposite"].to_numpy(dtype=bool) & (about < 0) & (side != UNSIDED)
    return side, np.where(opposite, LEFT + RIGHT - side, about)


def _on_the_other_side(spoken: pd.DataFrame, linked: Linked, look: Lookup) -> pd.DataFrame:
    """Statements about the other side move to the latest case of the patient there that had begun."""
    side, about = _sides(spoken, linked)
    elsewhere = (about >= 0) & (side != UNSIDED) & (about != side) & look.sided_category[spoken["category"]]
    cases = linked.cases[["patient", "performed"]].assign(
        there=np.arange(len(linked.cases)), about=linked.cases["side"]
    )
    asked = spoken[elsewhere & ~spoken["pending"].to_numpy()].reset_index()
    performed = linked.cases["performed"].to_numpy()[asked["case"]]
    asked = asked.assign(about=about[asked["index"]], calendar=asked["day"].to_numpy() + performed)
    asked["patient"] = linked.cases["patient"].to_numpy()[asked["case"]]
    found = asked.merge(cases, on=["patient", "about"])
    procedure = linked.cases["procedure"].to_numpy()[found["there"]]
    watched = look.watches[procedure, found["place"]] | (found["place"] < 0)
    found = found[(found["performed"] <= found["calendar"]) & watched]
    found = found.sort_values(["index", "performed"]).drop_duplicates("index", keep="last")
    moved = spoken.copy()
    moved.loc[found["index"], "case"] = found["there"].to_numpy()
    moved.loc[found["index"], "day"] = (found["calendar"] - found["performed"]).to_numpy()
    return moved


def _operated_in(spoken: pd.DataFrame, linked: Linked) -> np.ndarray:
    """Calendar year of the operation of each statement's case."""
    performed = linked.cases["performed"].to_numpy()[spoken["case"]]
    return performed.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64) + 1970


def _dated_after(spoken: pd.DataFrame, linked: Linked) -> np.ndarray:
    """The assertions; what is told as the past of a year after the operation's is present."""
    past = (spoken["assertion"] == HISTORICAL).to_numpy()
    later = past & (spoken["year"].to_numpy() > _operated_in(spoken, linked))
    return np.where(later, PRESENT, spoken["assertion"])


def _why(spoken: pd.DataFrame, linked: Linked, look: Lookup) -> np.ndarray:
    side, about = _sides(spoken, linked)
    place = spoken["place"].to_numpy()
    procedure = linked.cases["procedure"].to_numpy()[spoken["case"]]
    sided = look.sided_category[spoken["category"]]
    unwatched = sided & ((place < -1) | ((place >= 0) & ~look.watches[procedure, place]))
    dated = spoken["year"].to_numpy()
    return np.select(
        [
            ~spoken["assertion"].isin([PRESENT, UNCERTAIN]).to_numpy(),
            sided & (about >= 0) & (side != UNSIDED) & (about != side),
            unwatched,
            (dated >= 0) & (dated < _operated_in(spoken, linked)),
            spoken["copied"].to_numpy(dtype=bool),
        ],
        [NOT_ASSERTED, OTHER_SIDE, OTHER_PLACE, EARLIER_YEAR, COPIED],
        HEARD,
    )


def _numbered(found: pd.DataFrame) -> pd.DataFrame:
    """Of the cases one statement may speak of, the first by case id carries it; one alone need not wait for its record."""
    found = found.sort_values(["case", "category", "day", "table", "row", "assertion"], ignore_index=True)
    heard = found["why"] == HEARD
    key = [found["table"], found["row"], found["category"], found["assertion"], found["why"]]
    first = ~pd.concat(key, axis=1).duplicated()
    return found.assign(first=first & heard)


def letter_evidence(heard: pd.DataFrame) -> pd.DataFrame:
    """Statements that something is present, as evidence."""
    own = heard[(heard["why"] == HEARD) & (heard["assertion"] == PRESENT)]
    patient = (own["origin"] == SAID_BY_PATIENT).to_numpy()
    return own.drop(columns=["assertion", "side", "place", "why"]).assign(
        strength=POSSIBLE, kind=np.where(patient, PATIENT_SAID, LETTER)
    )
