"""One reviewer's list: which questions of an edition it holds, in which order, and the forms to fill in."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING

import pandas as pd

from pipeline.reviewers import BETWEEN, REQUESTED, answers_of, is_surgeon, persons

if TYPE_CHECKING:
    from pipeline.catalogue import Catalogue
    from pipeline.people import People

#: Columns of the forms, in the order in which somebody reads them; those of decisions and links are all among them.
DECISIONS = (
    "case_id", "category", "question", "counts", "decided_on", "occurred_on", "severity_grade", "primary_reason",
    "reason", "would_move", "why", "records", "evidence", "reviewer", "asked",
)  # fmt: skip
LINKS = (
    "site_id", "table", "record_id", "candidates", "question", "case_id", "decided_on", "reason", "would_move", "why",
    "records", "evidence", "reviewer",
)  # fmt: skip
OF_A_LETTER = "What does this say? If it tells of a complication, write yes and its category; if not, no and no category."
OF_A_SAMPLE = (
    "Is there a complication in these notes that is not counted? If so, write yes and its category; if not, no and no "
    "category."
)
OF_A_RECORD = "Which case does this record belong to? Write one of the candidates, or none."
RECORD = ["site", "table", "record_id"]
#: A cell of a spreadsheet holds 32,767 characters.
LONGEST_CELL = 20_000
CUT = "\n… (`limbaudit trace` shows all of it)"


@dataclass(frozen=True)
class Listed:
    """What one reviewer is asked, most consequential first.

    Attributes:
        decisions: Rows of `questions` that a decision answers.
        links: Rows of `questions` that a link answers, one a candidate case.
        sample: Rows of `sampling_frame`.
        own: How many questions were left out because they are about the reviewer's own cases.
    """

    decisions: pd.DataFrame
    links: pd.DataFrame
    sample: pd.DataFrame
    own: int

    def __len__(self) -> int:
        return len(self.decisions) + len(self.records) + len(self.sample)

    @property
    def records(self) -> pd.DataFrame:
        """The records that wait for a link, one row each."""
        return self.links.drop_duplicates(RECORD)


def listed_for(
    reviewer: str, questions: pd.DataFrame, frame: pd.DataFrame, people: People, sample: int
) -> Listed:
    """Without own cases, what the reviewer has answered, and what needs nobody any more.

    Args:
        questions, frame: As published, empty text where nothing stands.
        people: What is written in the workspace now.
        sample: How many cases to draw.
    """
    own = _is_own(reviewer, questions)
    links = questions["form"] == "link"
    records = pd.MultiIndex.from_frame(questions[RECORD])
    own |= links & records.isin(records[own & links])  # one candidate of the reviewer's is enough
    tied = records.isin(pd.MultiIndex.from_frame(people.links[["site_id", "table", "record_id"]].astype(str)))
    asked = (links & ~tied) | (~links & _still_asked(reviewer, questions, people))
    ordered = _in_order(reviewer, questions[asked & ~own])
    left = questions[asked & own].assign(record=range(int((asked & own).sum())))
    left["record"] = left["record"].where(left["form"] != "link", -1)
    return Listed(
        decisions=ordered[ordered["form"] != "link"],
        links=ordered[ordered["form"] == "link"],
        sample=_drawn(reviewer, frame, people, sample),
        own=len(left.drop_duplicates([*RECORD, "record"])),
    )


def _is_own(reviewer: str, rows: pd.DataFrame) -> pd.Series:
    return (
        rows["surgeons"]
        .map(lambda held: any(is_surgeon(reviewer, one) for one in held.split(";")))
        .astype(bool)
    )


def _still_asked(reviewer: str, questions: pd.DataFrame, people: People) -> pd.Series:
    """bool: the reviewer has not answered it, and others have not settled it or its surgeon asks again."""
    answers = answers_of(people.decisions, [reviewer])
    me = persons([*people.decisions["reviewer"].astype(str), reviewer])[reviewer]
    columns = ["case_id", "category", "evidence", "surgeons"]
    rows = list(questions[columns].itertuples(index=False, name=None))
    again = questions["why"].str.startswith(REQUESTED).tolist()
    asked = [
        me not in answers.to(*row) and (requested or answers.still_needed(*row))
        for row, requested in zip(rows, again, strict=True)
    ]
    return pd.Series(asked, index=questions.index, dtype=bool)


def _in_order(reviewer: str, questions: pd.DataFrame) -> pd.DataFrame:
    """Most consequential first; equal ones in an order of the reviewer's own, the same each time."""

    def lot(row: tuple[str, ...]) -> str:
        return sha256("\n".join([reviewer.casefold(), *row]).encode("utf-8")).hexdigest()

    columns = ["case_id", "category", "why", "evidence"]
    lots = [lot(row) for row in questions[columns].itertuples(index=False, name=None)]
    shuffled = questions.assign(lot=lots)
    return shuffled.sort_values(["stated", "weight", "lot"], ascending=[False, False, True])


def _drawn(reviewer: str, frame: pd.DataFrame, people: People, sample: int) -> pd.DataFrame:
    """The first cases of the drawing order that nobody has read and that are not the reviewer's own."""
    read = answers_of(people.decisions).sampled
    free = frame[~frame["case_id"].isin(read) & ~_is_own(reviewer, frame)]
    return free.sort_values("draw").head(sample)


@dataclass(frozen=True)
class About:
    """What a form tells of a case: names and dates, and the records as sent."""

    cases: pd.DataFrame  # as published, by case_id
    catalogue: Catalogue
    lines: dict[str, str]

    def operation(self, case_id: str) -> str:
        """`Ligament reconstruction, left side, 2025-03-03`."""
        case = self.cases.loc[case_id].to_dict()
        side = "" if case["side"] == "none" else f", {case['side']} side"
        return f"{self.catalogue.procedures[case['procedure']].name}{side}, {case['performed_on']}"

    def question(self, case_id: str, category: str, form: str) -> str:
        asked = OF_A_LETTER if form == "letter" else f"{self._name(category)} after this operation?"
        return f"{asked} ({self.operation(case_id)})"

    def _name(self, category: str) -> str:
        known = self.catalogue.complications.get(category)
        return known.name if known else category

    def records(self, evidence: str) -> str:
        """Each record as sent, under its place."""
        told = [f"{place}\n{self.lines.get(place, '')}" for place in evidence.split(BETWEEN) if place]
        text = "\n\n".join(told)
        return text if len(text) <= LONGEST_CELL else text[:LONGEST_CELL] + CUT


def decisions_form(listed: Listed, reviewer: str, about: About) -> pd.DataFrame:
    """A row a question, then a row a case drawn; what is to be filled in is empty."""
    asked = listed.decisions
    questions = [
        about.question(*row)
        for row in asked[["case_id", "category", "form"]].itertuples(index=False, name=None)
    ]
    kinds = ["letter" if form == "letter" else "" for form in asked["form"]]
    usual = asked.assign(question=questions, asked=kinds)
    drawn = listed.sample.assign(
        question=[f"{OF_A_SAMPLE} ({about.operation(case_id)})" for case_id in listed.sample["case_id"]],
        asked="sample",
        why="drawn at random",
    )
    return _form(pd.concat([usual, drawn], ignore_index=True), DECISIONS, reviewer, about)


def links_form(listed: Listed, reviewer: str, about: About) -> pd.DataFrame:
    """A row a record that waits for a case, its candidates named."""
    told: dict[tuple[str, ...], list[str]] = {}
    for row in listed.links.sort_values("case_id")[[*RECORD, "case_id"]].itertuples(index=False, name=None):
        candidate = f"{row[-1]} ({about.operation(row[-1])})"
        if candidate not in told.setdefault(row[:-1], []):
            told[row[:-1]].append(candidate)
    records = listed.records
    keys = records[RECORD].itertuples(index=False, name=None)
    waiting = records.assign(
        candidates=[BETWEEN.join([*told[key], "none"]) for key in keys], question=OF_A_RECORD
    )
    return _form(waiting.rename(columns={"site": "site_id"}).drop(columns="case_id"), LINKS, reviewer, about)


def _form(rows: pd.DataFrame, columns: tuple[str, ...], reviewer: str, about: About) -> pd.DataFrame:
    filled = rows.assign(
        reviewer=reviewer, records=[about.records(evidence) for evidence in rows["evidence"]]
    )
    return filled.reindex(columns=list(columns)).astype("string").fillna("").reset_index(drop=True)
