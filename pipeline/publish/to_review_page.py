"""What waits for a reviewer, how long it takes, how far reviewers agree, and what nobody had noticed."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from pipeline.handover import PENDING
from pipeline.publish import page, words
from pipeline.publish.context import Context
from pipeline.publish.lists import UNSURE
from pipeline.publish.markup import joined
from pipeline.publish.numbers.register import MOST_IN_OWN_FILE, MOST_ROWS
from pipeline.publish.page import Show
from pipeline.publish.review_results import agreement_part, sample_part
from pipeline.reviewers import MINUTES_A_QUESTION, REQUESTED, received_on

if TYPE_CHECKING:
    import pandas as pd

CSV = "../review.csv"
HEADS = ("Case", "Category", "Why", "Rests on")


def review_body(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """The page between its dates and its cautions."""
    rows = tables.get("review")
    if rows is None or rows.empty:
        parts = [page.paragraph("Nothing waits for a reviewer.", "lead")]
    else:
        parts = _waiting(rows, tables, context)
    return "\n".join([*parts, *agreement_part(tables, context), *sample_part(tables, context)])


def _waiting(rows: pd.DataFrame, tables: Mapping[str, pd.DataFrame], context: Context) -> list[str]:
    asked = _asked_once(rows, context.as_of)
    return [
        page.paragraph(
            joined(_told(asked, context), " for a reviewer. Nothing here is counted until it is decided."), "lead",
        ),
        page.paragraph(_how_long(asked)),
        page.paragraph(
            f"{_second_opinions(rows, tables)}Each reviewer gets a list of their own (limbaudit review), without own "
            "cases; two who agree settle a question, a third settles what two could not."
        ),
        '<h2 id="kinds">How many of which kind</h2>',
        page.table(
            _by_kind(asked, context), "kinds", "Open questions by category and reason",
            {
                "category": Show("Category"), "why": Show("Why"), "questions": Show("Questions", True),
                "minutes": Show("Minutes", True), "oldest": Show("Oldest waits, days", True),
            },
        ),
        '<h2 id="questions">The questions</h2>',
        page.table(
            _questions(rows, context, page.MOST_ROWS), "questions", "Open questions, one by one",
            {
                "case_id": Show("Case"), "category": Show("Category"), "why": Show("Why"),
                "would_move": Show("Would move"), "evidence": Show("Rests on"),
            },
            csv=CSV, rows=len(rows),
        ),
    ]  # fmt: skip


def questions_waiting(rows: pd.DataFrame, context: Context) -> str:
    """`47 questions wait`, leading to them.

    Args:
        rows: Of `review`.
    """
    return _told(_asked_once(rows, context.as_of), context)


def _told(asked: pd.DataFrame, context: Context) -> str:
    told = words.several(len(asked), "question waits", "questions wait")
    return _listed(told, asked, "Every question", context)


def _listed(told: str, asked: pd.DataFrame, title: str, context: Context) -> str:
    most = MOST_ROWS if len(asked) > MOST_IN_OWN_FILE else len(asked)
    shown = _questions(asked, context, most).drop(columns="would_move")
    return context.lists.rows(told, "Questions for a reviewer", title, HEADS, shown, len(asked))


def _asked_once(rows: pd.DataFrame, as_of: date) -> pd.DataFrame:
    """One row a question, a record that waits for a link being one however many cases it may belong to; `days` it waits."""
    rows = rows.assign(category=rows["category"].fillna(""), evidence=rows["evidence"].fillna(""))
    linked = rows["why"].isin(PENDING)
    once = rows[~linked | ~rows.duplicated(["why", "category", "evidence"])]
    since = [received_on(str(evidence)) for evidence in once["evidence"]]
    return once.assign(days=[-1 if day is None else (as_of - day).days for day in since])


def _how_long(asked: pd.DataFrame) -> str:
    minutes = len(asked) * MINUTES_A_QUESTION
    told = f"At {MINUTES_A_QUESTION} minutes a question, our estimate, that is {words.count(minutes)} minutes for one reviewer."
    known = asked.loc[asked["days"] >= 0, "days"]
    if known.empty:
        return told
    return (
        f"{told} The oldest has waited {words.several(int(known.max()), 'day', 'days')} since its record arrived, half of "
        f"them {words.several(int(known.median()), 'day', 'days')} or longer."
    )


def _second_opinions(rows: pd.DataFrame, tables: Mapping[str, pd.DataFrame]) -> str:
    """How many questions one reviewer has answered, so that they wait for nobody but want a second opinion."""
    import pandas as pd

    questions = tables.get("questions")
    if questions is None:
        return ""
    key = ["case_id", "category", "evidence"]
    open_now = pd.MultiIndex.from_frame(rows[key].fillna("").astype(str))
    asked = questions[questions["form"] != "link"]
    more = int((~pd.MultiIndex.from_frame(asked[key].fillna("").astype(str)).isin(open_now)).sum())
    if not more:
        return ""
    told = words.several(more, "further question has", "further questions have")
    return f"{told} one answer, which counts, and may be asked of a second reviewer. "


def _category(key: object, context: Context) -> str:
    return "none named" if words.is_missing(key) or key == "" else words.names(context).category(key)


def _why(why: str, context: Context) -> str:
    """The reason in print; what a letter is unsure of by its name."""
    asked = why.removeprefix(UNSURE)
    told = words.plain(why) if asked == why else UNSURE + words.names(context).category(asked)
    return words.sentence(told)


def _by_kind(asked: pd.DataFrame, context: Context) -> pd.DataFrame:
    import pandas as pd

    kind = asked["why"].where(~asked["why"].str.startswith(REQUESTED), REQUESTED.rstrip(": "))
    told = asked.assign(why=kind)
    counts = told.groupby(["category", "why"])["days"].agg(["size", "max"]).reset_index()
    ordered = counts.sort_values(
        ["size", "category", "why"], ascending=[False, True, True], ignore_index=True
    )
    return pd.DataFrame(
        {
            "category": ordered["category"].map(lambda key: _category(key, context)),
            "why": ordered["why"].map(lambda word: _why(str(word), context)),
            "questions": [
                _of_kind(str(key), str(why), int(many), told, context)
                for key, why, many in zip(ordered["category"], ordered["why"], ordered["size"], strict=True)
            ],
            "minutes": (ordered["size"] * MINUTES_A_QUESTION).map(words.count),
            "oldest": ordered["max"].map(lambda days: words.NOTHING if days < 0 else words.count(days)),
        },
        dtype="object",
    )


def _of_kind(category: str, why: str, many: int, asked: pd.DataFrame, context: Context) -> str:
    own = asked[(asked["category"] == category) & (asked["why"] == why)]
    title = f"{_category(category, context)}: {words.within_sentence(_why(why, context))}"
    return _listed(words.count(many), own, title, context)


def _questions(rows: pd.DataFrame, context: Context, most: int) -> pd.DataFrame:
    """The first questions in print, ordered by case."""
    import pandas as pd

    keys = ["case_id", "category", "why", "evidence"]
    ordered = _early(rows, most).sort_values(keys, kind="stable", na_position="first", ignore_index=True)
    ordered = ordered.head(most)
    return pd.DataFrame(
        {
            "case_id": ordered["case_id"].map(
                lambda key: "no case found" if words.is_missing(key) or not key else key
            ),
            "category": ordered["category"].map(lambda key: _category(key, context)),
            "why": ordered["why"].map(lambda word: _why(str(word), context)),
            "would_move": ordered["would_move"].map(words.plain),
            "evidence": ordered["evidence"].map(lambda rests: "" if words.is_missing(rests) else str(rests)),
        },
        dtype="object",
    )


def _early(rows: pd.DataFrame, most: int) -> pd.DataFrame:
    """Enough rows to hold the first ones by case, so that not all of many are put in order for a few."""
    if len(rows) <= most:
        return rows
    cases = rows["case_id"].fillna("").to_numpy(dtype=object)
    return rows[cases <= np.partition(cases, most)[most]]
