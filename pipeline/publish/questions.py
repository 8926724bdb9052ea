"""Questions for reviewers: what waits, what wants a second opinion, and what each answer would move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.handover import COUNTED, PENDING, SPLIT, STRENGTHS, YES, Facts
from pipeline.parts import Whole
from pipeline.publish.coded import (
    among,
    begins,
    coded,
    joined_runs,
    one_nothing,
    places_among,
    repeated_words,
)
from pipeline.publish.consequences import Figures, consequences
from pipeline.publish.lists import MOST_LINES, TABLES, Lists
from pipeline.publish.tables import in_order
from pipeline.publish.waiting_list import NONE, evidence_of, review_table
from pipeline.reviewers import REQUESTED, Answers, case_surgeons, needs_another, received_on
from pipeline.side_by_side import at_once
from schemas.asked import QUESTIONS

#: How a question is answered: about a category, by reading a note, or by tying a record to a case.
DECISION, LETTER, LINK = "decision", "letter", "link"
FORMS = (DECISION, LETTER, LINK)
NAMED = "named by a reviewer"


@dataclass(frozen=True)
class Questioned:
    """`review`: what waits for anybody, as published. `questions`: what a list for one reviewer is made of."""

    review: pa.Table
    questions: pa.Table


@dataclass(frozen=True)
class Ground:
    """What questions are made from."""

    lists: Lists
    whole: Whole
    facts: Facts
    figures: Figures
    answers: Answers

    def surgeons_of(self, cases: np.ndarray) -> pa.Array:
        """Surgeons of each case's operations, joined by `;`; empty for none."""
        found = case_surgeons(cases, self.whole.cases, self.whole.chain, self.facts.operations)
        names = pa.array(self.lists.labels.surgeons, pa.string()).take(pa.array(found["surgeon"].to_numpy()))
        case = found["case"].to_numpy(np.int64)
        first = begins(case)
        at = places_among(cases, case[first])
        return joined_runs(names, first, ";").take(pa.array(at, mask=at < 0)).fill_null("")


def questioned(listed: pd.DataFrame, ground: Ground) -> Questioned:
    """What an edition asks of people.

    Args:
        listed: The rows of `waiting_list`, requests of surgeons first.
    """
    lists = ground.lists
    listed, second = (_resting(rows, lists, ground.answers) for rows in (listed, _second_opinions(ground)))
    waiting = _with_forms(listed)
    undoes = _is_requested(waiting) & _is_counted(waiting, lists)
    waiting = waiting.assign(second=undoes, undoes=undoes)
    asked = pd.concat([waiting, second.assign(second=True, undoes=False)], ignore_index=True)
    surgeons, moved = at_once(
        len(asked), lambda: ground.surgeons_of(asked["case"].to_numpy()), lambda: _moved(asked, ground)
    )
    words = moved["would_move"].to_numpy(object)
    needed = _needed(asked, surgeons, ground) & ~_asked_already(asked, lists)
    would_move = _of_listed(words, waiting, listed)
    open_rows = np.ones(len(listed), dtype=bool)
    is_read = _is_read(asked.iloc[: len(waiting)], surgeons, ground)
    open_rows[waiting["listed"]] = ~is_read
    made = at_once(
        len(asked),
        lambda: review_table(listed[open_rows], lists, repeated_words(would_move[open_rows])),
        lambda: _published(asked[needed], moved[needed], surgeons.filter(pa.array(needed)), lists),
    )
    return Questioned(*made)


def _is_requested(rows: pd.DataFrame) -> np.ndarray:
    why = rows["why"]
    return why.isin([word for word in why.unique() if word.startswith(REQUESTED)]).to_numpy(dtype=bool)


def _pairs(rows: pd.DataFrame, lists: Lists) -> np.ndarray:
    """Case and category in question as one number; one without a category is below those of its case."""
    return lists.pairs(rows["case"], 0) * 2 + rows["meant"].to_numpy(np.int64)


def _is_counted(waiting: pd.DataFrame, lists: Lists) -> np.ndarray:
    """bool: the case has this complication, so that a no would take it away."""
    rows = lists.complications
    counted = rows[(rows["level"] == 0) & (rows["status"] == COUNTED)].rename(columns={"category": "meant"})
    return among(_pairs(waiting, lists), _pairs(counted, lists))


def _asked_already(asked: pd.DataFrame, lists: Lists) -> np.ndarray:
    """bool: about a case and category that its surgeon asks about, whose question comes first and is enough."""
    key = _pairs(asked, lists)
    decision = (asked["form"] == DECISION).to_numpy()
    found = np.flatnonzero(decision & among(key, key[_is_requested(asked)]))
    again = np.zeros(len(asked), bool)
    again[found] = pd.Series(key[found]).duplicated().to_numpy()
    return again


def _resting(rows: pd.DataFrame, lists: Lists, answers: Answers) -> pd.DataFrame:
    """Where no record speaks for it, the records that the reviewer had who raised it."""
    bare = np.flatnonzero(((rows["evidence"] == "") & (rows["place"] == NONE)).to_numpy())
    if not answers.rested or not len(bare):
        return rows
    own, categories = rows.iloc[bare], (*lists.labels.categories, "")
    ids = lists.ids(own["case"]).fill_null("").to_pylist()
    keys = zip(ids, (categories[at] for at in own["category"]), strict=True)
    evidence = rows["evidence"].to_numpy(object).copy()
    evidence[bare] = [answers.rested.get(key, "") for key in keys]
    return rows.assign(evidence=evidence)


def _with_forms(listed: pd.DataFrame) -> pd.DataFrame:
    """Rows that name a case, with their place among the `listed` and `form`."""
    own = listed.reset_index(names="listed")
    whole_case = _is_requested(own) & (own["category"] == NONE).to_numpy()
    own = own[(own["case"] != NONE).to_numpy() & ~whole_case]  # no reviewer can decide on a whole case
    form = np.where(own["why"].isin(PENDING), LINK, np.where(own["meant"] == NONE, LETTER, DECISION)).astype(
        object
    )
    return own.assign(category=own["meant"], form=form).reset_index(drop=True)


def _second_opinions(ground: Ground) -> pd.DataFrame:
    """Cases and categories on which but one reviewer has decided; the reason is that of the first question."""
    lists = ground.lists
    decided = lists.decided[lists.decided["verdict"] != SPLIT]
    lone = [needs_another(yes, no) for yes, no in zip(decided["yes"], decided["no"], strict=True)]
    own = decided[np.array(lone, dtype=bool)]
    key = lists.keys(own.assign(level=0))
    known = among(key, lists.keys(lists.complications)) if len(own) else np.zeros(0, bool)
    evidence = lists.rests_on(np.where(known, key, NONE)).fill_null("")
    told = pd.DataFrame(
        {
            "case": own["case"].to_numpy(np.int32),
            "category": own["category"].to_numpy(np.int16),
            "meant": own["category"].to_numpy(np.int16),
            "why": _strength_before(own, lists),
            "place": NONE,
            "evidence": evidence.to_numpy(zero_copy_only=False),
            "form": np.full(len(own), DECISION, dtype=object),
        }
    )
    return told[(own["verdict"] == YES).to_numpy() | (told["evidence"] != "").to_numpy()]


def _strength_before(asked: pd.DataFrame, lists: Lists) -> np.ndarray:
    """Why somebody had to be asked: how strong the evidence is without any decision."""
    used = lists.evidence[lists.evidence["used"] & (lists.evidence["level"] == 0)]
    best = used.groupby(["case", "category"])["strength"].max().rename("best").reset_index()
    found = asked[["case", "category"]].merge(best, how="left", on=["case", "category"])
    strength = lists.named(STRENGTHS, found["best"].fillna(-1).astype("int64"), "")
    only = np.where(found["best"] == 0, "only ", "")
    told: np.ndarray = np.where(found["best"].isna(), NAMED, only + strength + " evidence").astype(object)
    return told


def _moved(asked: pd.DataFrame, ground: Ground) -> pd.DataFrame:
    return consequences(asked[["case", "second", "undoes"]].assign(category=asked["meant"]), ground.figures)


def _of_listed(told: np.ndarray, waiting: pd.DataFrame, listed: pd.DataFrame) -> np.ndarray:
    """What the waiting rows would move, over all listed rows."""
    words = np.full(len(listed), "", dtype=object)
    words[waiting["listed"]] = told[: len(waiting)]
    return words


def _given(
    asked: pd.DataFrame, chosen: np.ndarray, surgeons: pa.Array, lists: Lists
) -> list[tuple[str, str, str, str]]:
    own, categories = asked[chosen], (*lists.labels.categories, "")
    names = surgeons.filter(pa.array(np.append(chosen, np.zeros(len(surgeons) - len(chosen), bool))))
    about = [categories[at] for at in own["meant"]]
    ids = lists.ids_of(own["case"]).tolist()
    return list(zip(ids, about, evidence_of(own, lists).to_pylist(), names.to_pylist(), strict=True))


def _needed(asked: pd.DataFrame, surgeons: pa.Array, ground: Ground) -> np.ndarray:
    """bool: another reviewer is needed. A link and a surgeon's request need one whatever was decided before."""
    always = (asked["form"] == LINK).to_numpy() | _is_requested(asked)
    needed, answered = np.ones(len(asked), dtype=bool), _is_answered(asked, ground)
    given = _given(asked, answered, surgeons, ground.lists)
    needed[answered] = [ground.answers.still_needed(*row) for row in given]
    return always | needed


def _is_read(asked: pd.DataFrame, surgeons: pa.Array, ground: Ground) -> np.ndarray:
    """bool: a note that somebody has read; it no longer waits, though it may want a second reader."""
    answered = (asked["form"] == LETTER).to_numpy() & _is_answered(asked, ground)
    read = np.zeros(len(asked), dtype=bool)
    given = _given(asked, answered, surgeons, ground.lists)
    read[answered] = [bool(ground.answers.to(*row)) for row in given]
    return read


def _is_answered(asked: pd.DataFrame, ground: Ground) -> np.ndarray:
    """bool: somebody has said something about the case."""
    spoken = pa.array(sorted(ground.answers.cases), pa.string())
    found: np.ndarray = pc.is_in(ground.lists.case_names, spoken).to_numpy(zero_copy_only=False)[
        asked["case"].to_numpy()
    ]
    return found


def _published(asked: pd.DataFrame, moved: pd.DataFrame, surgeons: pa.Array, lists: Lists) -> pa.Table:
    """The published `questions`; records that wait for a link are named by table and id."""
    once = _first_asked(asked, lists)
    asked, moved, surgeons = asked[once], moved[once], surgeons.filter(pa.array(once))
    columns = {
        "case_id": lists.ids(asked["case"]),
        "category": coded(lists.labels.categories, asked["meant"]),
        "form": coded(FORMS, pd.Categorical(asked["form"], FORMS).codes),
        "why": repeated_words(asked["why"].to_numpy(object)),
        "would_move": repeated_words(moved["would_move"].to_numpy(object)),
        "evidence": one_nothing(evidence_of(asked, lists)),
        "since": _since(asked, lists),
        "stated": pa.array(moved["stated"].to_numpy(bool)),
        "weight": pa.array(moved["weight"].to_numpy(np.float64)),
        "surgeons": one_nothing(surgeons),
        **_records(asked, lists),
    }
    return in_order(pa.table(columns), QUESTIONS)


def _first_asked(asked: pd.DataFrame, lists: Lists) -> np.ndarray:
    """bool: no question before says the same. What waits is listed once; a second opinion may ask it again."""
    theirs = asked["listed"].isna().to_numpy()
    key = _pairs(asked, lists)
    found = np.flatnonzero(among(key, key[theirs]))
    once = np.ones(len(asked), bool)
    own = asked.iloc[found]
    own = own.assign(evidence=evidence_of(own, lists).to_numpy(zero_copy_only=False))
    once[found] = ~own.duplicated(["case", "meant", "why", "evidence"]).to_numpy()
    return once


def _since(asked: pd.DataFrame, lists: Lists) -> pa.Array:
    """The day on which the first of the records arrived: of a question that rests on one, that of its file."""
    place, texts = asked["place"].to_numpy(np.int64), asked["evidence"].to_numpy(object)
    arrived = [received_on(f"{file}:1") for file in lists.files.to_pylist()]
    several = np.flatnonzero(place == NONE)
    known = pa.array([*arrived, *(received_on(text) for text in texts[several])], pa.date32())
    at = place // MOST_LINES
    at[several] = len(arrived) + np.arange(len(several))
    return known.take(pa.array(at))


def _records(asked: pd.DataFrame, lists: Lists) -> dict[str, pa.Array]:
    """`site`, `table` and `record_id` of the records that wait, by their place in the files."""
    waits = lists.records[lists.records["pending"]]
    place = lists.place_numbers(waits)
    distinct, first = np.unique(place, return_index=True)
    link = (asked["form"] == LINK).to_numpy()
    at = places_among(np.where(link, asked["place"].to_numpy(np.int64), NONE), distinct)
    own = waits.iloc[first]
    ids, none = lists.record_ids(own), pa.array(at, mask=at < 0)
    table = lists.table_numbers(own)
    return {
        "site": lists.sites_of(own).take(none),
        "table": coded(TABLES, np.append(table, NONE)[at]),
        "record_id": one_nothing(ids.take(none)),
    }
