"""Questions for reviewers: what waits, what wants a second opinion, and what each answer would move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.handover import COUNTED, PENDING, SPLIT, STRENGTHS, YES, Facts
from pipeline.parts import Whole
from pipeline.publish.consequences import Figures, consequences
from pipeline.publish.lists import UNSURE, Lists
from pipeline.reviewers import REQUESTED, Answers, case_surgeons, needs_another, received_on
from schemas.asked import QUESTIONS
from schemas.exports import ID_COLUMN

#: How a question is answered: about a category, by reading a note, or by tying a record to a case.
DECISION, LETTER, LINK = "decision", "letter", "link"
NAMED = "named by a reviewer"


@dataclass(frozen=True)
class Questioned:
    """`review`: what waits for anybody, as published. `questions`: what a list for one reviewer is made of."""

    review: pd.DataFrame
    questions: pd.DataFrame


@dataclass(frozen=True)
class Ground:
    """What questions are made from."""

    lists: Lists
    whole: Whole
    facts: Facts
    figures: Figures
    complications: pd.DataFrame  # as published
    answers: Answers

    def surgeons_of(self, cases: pd.Series) -> list[str]:
        """Surgeons of each case's operations, joined by `;`."""
        found = case_surgeons(
            cases.to_numpy(np.int64), self.whole.cases, self.whole.chain, self.facts.operations
        )
        names = self.lists.named(self.lists.labels.surgeons, found["surgeon"])
        known: dict[int, str] = {}
        for case, name in zip(found["case"].tolist(), names, strict=True):
            known[case] = f"{known[case]};{name}" if case in known else name
        return [known.get(case, "") for case in cases]


def questioned(listed: pd.DataFrame, ground: Ground) -> Questioned:
    """What an edition asks of people.

    Args:
        listed: The rows of `review_list`, requests of surgeons first.
    """
    listed, second = (_resting(rows, ground.answers) for rows in (listed, _second_opinions(ground)))
    waiting = _with_numbers(listed, ground)
    undoes = _is_requested(waiting) & _is_counted(waiting, ground)
    waiting = waiting.assign(second=undoes, undoes=undoes)
    asked = pd.concat([waiting, second.assign(second=True, undoes=False)], ignore_index=True)
    asked = asked.assign(surgeons=ground.surgeons_of(asked["case"]), **_moved(asked, ground))
    needed = _needed(asked, ground.answers) & ~_asked_already(asked)
    review = listed.assign(would_move=_of_listed(asked["would_move"], waiting, listed))
    open_rows = np.ones(len(listed), dtype=bool)
    open_rows[waiting["listed"]] = ~_is_read(asked.iloc[: len(waiting)], ground.answers)
    return Questioned(
        review[open_rows].reset_index(drop=True), _published(asked[needed].reset_index(drop=True), ground)
    )


def _is_requested(rows: pd.DataFrame) -> np.ndarray:
    why = rows["why"]
    return why.isin([word for word in why.unique() if word.startswith(REQUESTED)]).to_numpy(dtype=bool)


def _is_counted(waiting: pd.DataFrame, ground: Ground) -> np.ndarray:
    """bool: the case has this complication, so that a no would take it away."""
    rows = ground.lists.complications
    counted = rows[(rows["level"] == 0) & (rows["status"] == COUNTED)]
    key = pd.MultiIndex.from_frame(counted[["case", "category"]])
    return pd.MultiIndex.from_frame(waiting[["case", "number"]]).isin(key)


def _asked_already(asked: pd.DataFrame) -> np.ndarray:
    """bool: about a case and category that its surgeon asks about, whose question comes first and is enough."""
    key = ["case_id", "category"]
    requested = pd.MultiIndex.from_frame(asked.loc[_is_requested(asked), key])
    again = asked["form"].eq(DECISION) & asked.duplicated([*key, "form"])
    return again.to_numpy() & pd.MultiIndex.from_frame(asked[key]).isin(requested)


def _resting(rows: pd.DataFrame, answers: Answers) -> pd.DataFrame:
    """Where no record speaks for it, the records that the reviewer had who raised it."""
    keys = zip(rows["case_id"], rows["category"], strict=True)
    read = pd.Series([answers.rested.get(key, "") for key in keys], index=rows.index, dtype=object)
    return rows.assign(evidence=rows["evidence"].where(rows["evidence"] != "", read))


def _with_numbers(listed: pd.DataFrame, ground: Ground) -> pd.DataFrame:
    """Rows that name a case, with `case`, `category` and `number` (what is meant, also by an unsure letter), `form`."""
    lists = ground.lists
    own = listed.reset_index(names="listed")
    case = lists.cases_called(own["case_id"])
    own = own[case >= 0].assign(case=case[case >= 0])
    own = own[
        ~(_is_requested(own) & (own["category"] == "").to_numpy())
    ]  # no reviewer can decide on a whole case
    meant = own["why"].map({UNSURE + key: key for key in lists.labels.categories})
    category = own["category"].where(meant.isna(), meant)
    link = own["why"].isin(PENDING)
    form = np.where(link, LINK, np.where(category == "", LETTER, DECISION))
    return own.assign(category=category, form=form, number=_numbers(category, lists)).reset_index(drop=True)


def _numbers(category: pd.Series, lists: Lists) -> pd.Series:
    known = {key: number for number, key in enumerate(lists.labels.categories)}
    return category.map(known).fillna(-1).astype("int64")


def _second_opinions(ground: Ground) -> pd.DataFrame:
    """Cases and categories on which but one reviewer has decided; the reason is that of the first question."""
    lists = ground.lists
    decided = lists.decided[lists.decided["verdict"] != SPLIT]
    lone = [needs_another(yes, no) for yes, no in zip(decided["yes"], decided["no"], strict=True)]
    own = decided[np.array(lone, dtype=bool)]
    main = [levels[0] for levels in lists.labels.levels]
    named = pd.DataFrame(
        {
            "case": own["case"],
            "number": own["category"],
            "case_id": lists.case_ids[own["case"]] if len(own) else [],
            "category": lists.named(lists.labels.categories, own["category"]),
            "level": [main[category] for category in own["category"]],
            "said_yes": own["verdict"] == YES,
            "form": DECISION,
        }
    )
    key = ["case_id", "category", "level"]
    told = named.merge(ground.complications[[*key, "evidence"]], how="left", on=key)
    told = told.assign(evidence=told["evidence"].fillna(""), why=_strength_before(told, lists))
    return told[told["said_yes"] | (told["evidence"] != "")].drop(columns=["level", "said_yes"])


def _strength_before(asked: pd.DataFrame, lists: Lists) -> np.ndarray:
    """Why somebody had to be asked: how strong the evidence is without any decision."""
    used = lists.evidence[lists.evidence["used"] & (lists.evidence["level"] == 0)]
    best = used.groupby(["case", "category"])["strength"].max().rename("best").reset_index()
    found = asked[["case", "number"]].merge(
        best, how="left", left_on=["case", "number"], right_on=["case", "category"]
    )
    strength = lists.named(STRENGTHS, found["best"].fillna(-1).astype("int64"), "")
    only = np.where(found["best"] == 0, "only ", "")
    return np.where(found["best"].isna(), NAMED, only + strength + " evidence")


def _moved(asked: pd.DataFrame, ground: Ground) -> dict[str, pd.Series]:
    told = consequences(asked[["case", "second", "undoes"]].assign(category=asked["number"]), ground.figures)
    return {str(name): told[name] for name in told}


def _of_listed(told: pd.Series, waiting: pd.DataFrame, listed: pd.DataFrame) -> np.ndarray:
    """What the waiting rows would move, over all listed rows."""
    words = np.full(len(listed), "", dtype=object)
    words[waiting["listed"]] = told.to_numpy(dtype=object)[: len(waiting)]
    return words


def _given(asked: pd.DataFrame) -> list[tuple[str, str, str, str]]:
    columns = ["case_id", "category", "evidence", "surgeons"]
    return list(asked[columns].itertuples(index=False, name=None))


def _needed(asked: pd.DataFrame, answers: Answers) -> np.ndarray:
    """bool: another reviewer is needed. A link and a surgeon's request need one whatever was decided before."""
    always = (asked["form"] == LINK).to_numpy() | _is_requested(asked)
    needed, answered = np.ones(len(asked), dtype=bool), _is_answered(asked, answers)
    needed[answered] = [answers.still_needed(*row) for row in _given(asked[answered])]
    return always | needed


def _is_read(asked: pd.DataFrame, answers: Answers) -> np.ndarray:
    """bool: a note that somebody has read; it no longer waits, though it may want a second reader."""
    letter = (asked["form"] == LETTER).to_numpy()
    answered = letter & _is_answered(asked, answers)
    read = np.zeros(len(asked), dtype=bool)
    read[answered] = [bool(answers.to(*row)) for row in _given(asked[answered])]
    return read


def _is_answered(asked: pd.DataFrame, answers: Answers) -> np.ndarray:
    """bool: somebody has said something about the case."""
    return asked["case_id"].isin(answers.cases).to_numpy(dtype=bool)


def _published(asked: pd.DataFrame, ground: Ground) -> pd.DataFrame:
    """The published `questions`; records that wait for a link are named by table and id."""
    names = _record_ids(asked, ground.lists)
    since = asked["evidence"].map(received_on)
    return (
        asked.assign(**names, since=since)
        .reindex(columns=list(QUESTIONS.names))
        .drop_duplicates(list(QUESTIONS.key), ignore_index=True)
    )


def _record_ids(asked: pd.DataFrame, lists: Lists) -> dict[str, np.ndarray]:
    """`site`, `table` and `record_id` of the records that wait, by their place in the files."""
    waits = lists.records[lists.records["pending"]].drop_duplicates(["table", "row"])
    sites, ids = (np.full(len(waits), "", dtype=object) for _ in range(2))
    for table in waits["table"].unique():
        own = (waits["table"] == table).to_numpy()
        rows = waits["row"].to_numpy()[own]
        sites[own], ids[own] = lists.texts(table, "site", rows), lists.texts(table, ID_COLUMN[table], rows)
    known = pd.DataFrame(
        {"evidence": lists.references(waits), "site": sites, "table": waits["table"], "record_id": ids}
    )
    found = asked[["evidence", "form"]].merge(known.drop_duplicates("evidence"), how="left", on="evidence")
    link = (found["form"] == LINK).to_numpy()
    return {name: np.where(link, found[name].fillna(""), "") for name in ("site", "table", "record_id")}
