"""Cases with notes in which nothing was found, and what reading some of them showed, in whole numbers."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.handover import AWAITING, COUNTED, HEARD, PRESENT, SPLIT, UNCERTAIN, YES, Facts
from pipeline.parts import Whole
from pipeline.reviewers import on_own_cases
from schemas.people import ASKED

SAMPLE = ASKED.index("sample")
COUNTS = ("cases", "read", "missed", "undecided")
KEY, NOTE = ["case", "category"], ["case", "table", "row"]


def notes_of_cases(whole: Whole, facts: Facts) -> pd.DataFrame:
    """`case, table, row` of every note of a case from its operation on, visits that several cases share among them."""
    own = whole.records[(whole.records["day"] >= 0) & ~whole.records["pending"]]
    visits = whole.shared_visits.merge(facts.followups[["row", "day"]], on="row").assign(table="followups")
    begun = visits["day"].to_numpy() >= whole.cases["performed"].to_numpy()[visits["case"]]
    both = pd.concat([own[NOTE], visits.loc[begun, NOTE]], ignore_index=True)
    noted = [
        both[(both["table"] == name) & both["row"].isin(frame.loc[frame["noted"], "row"])]
        for name, frame in (("events", facts.events), ("followups", facts.followups))
    ]
    return pd.concat(noted).drop_duplicates().sort_values(NOTE, ignore_index=True)


def text_negative(whole: Whole, facts: Facts, any_category: int) -> np.ndarray:
    """bool over all cases: has a note, and nothing that counts, awaits, waits for a reader or was proposed by a letter.

    What is known only because a case was drawn and read does not take the case away: that is what is being measured.

    Args:
        any_category: Position of the program's own category, which says nothing of its own.
    """
    notes = notes_of_cases(whole, facts)
    rows = whole.complications
    known = rows[rows["status"].isin([COUNTED, AWAITING]) & (rows["level"] == 0)]
    known = known[known["category"] != any_category]
    answers = sampled(whole, facts)
    by_sample = (
        pd.MultiIndex.from_frame(known[KEY]).isin(pd.MultiIndex.from_frame(answers[KEY]))
        if len(answers)
        else np.zeros(len(known), bool)
    )
    found = np.zeros(len(whole.cases), dtype=bool)
    found[notes["case"]] = True
    for taken in (known.loc[~by_sample, "case"], whole.unread["case"], _pending(whole), _proposed(whole)):
        found[taken] = False
    return found & whole.cases["counted"].to_numpy().astype(bool)


def _pending(whole: Whole) -> pd.Series:
    return whole.records.loc[whole.records["pending"], "case"]


def _proposed(whole: Whole) -> pd.Series:
    """Cases of which a letter says or suspects something, whatever reviewers made of it."""
    heard = whole.heard
    return heard.loc[(heard["why"] == HEARD) & heard["assertion"].isin([PRESENT, UNCERTAIN]), "case"]


def sampled(whole: Whole, facts: Facts) -> pd.DataFrame:
    """Answers about cases that were drawn: `case, category` (-1: nothing found), `counts`; not on own cases."""
    drawn = facts.decisions[facts.decisions["asked"] == SAMPLE]
    answers = drawn.merge(whole.cases[["operation", "side", "case"]], on=["operation", "side"])
    return answers[~on_own_cases(answers, whole.cases, whole.chain, facts)]


def missed_counts(negative: np.ndarray, whole: Whole, facts: Facts) -> pd.DataFrame:
    """`site` and COUNTS by site; a case is one however many notes it has.

    Args:
        negative: From `text_negative`.
    """
    answers = sampled(whole, facts)
    verdicts = answers.merge(whole.decided[[*KEY, "verdict"]], on=KEY)
    told = pd.DataFrame(dict.fromkeys(COUNTS, False), index=range(len(negative)))
    told["cases"] = negative
    told.loc[answers["case"], "read"] = True
    told.loc[verdicts.loc[verdicts["verdict"] == YES, "case"], "missed"] = True
    told.loc[verdicts.loc[verdicts["verdict"] == SPLIT, "case"], "undecided"] = True
    told["undecided"] &= ~told["missed"]
    inside = told[negative].astype("int64").assign(site=whole.cases["site"].to_numpy()[negative])
    return inside.groupby("site", as_index=False)[list(COUNTS)].sum()
