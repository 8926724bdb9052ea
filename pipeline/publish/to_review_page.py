"""What waits for a reviewer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from pipeline.publish import page, words
from pipeline.publish.context import Context
from pipeline.publish.page import Show

if TYPE_CHECKING:
    import pandas as pd

CSV = "../review.csv"


def review_body(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """The page between its dates and its cautions."""
    rows = tables.get("review")
    if rows is None or rows.empty:
        return page.paragraph("Nothing waits for a reviewer.", "lead")
    return "\n".join(
        [
            page.paragraph(
                f"{words.several(len(rows), 'question waits', 'questions wait')} for a reviewer. Nothing here is counted "
                "until it is decided.", "lead",
            ),
            '<h2 id="kinds">How many of which kind</h2>',
            page.table(
                _by_kind(rows, context), "kinds", "Open questions by category and reason",
                {"category": Show("Category"), "why": Show("Why"), "questions": Show("Questions", True)},
            ),
            '<h2 id="questions">The questions</h2>',
            page.table(
                _questions(rows, context), "questions", "Open questions, one by one",
                {
                    "case_id": Show("Case"), "category": Show("Category"), "why": Show("Why"),
                    "would_move": Show("Would move"), "evidence": Show("Rests on"),
                },
                csv=CSV,
            ),
        ]
    )  # fmt: skip


def _category(key: object, context: Context) -> str:
    return "not read yet" if words.is_missing(key) or key == "" else words.names(context).category(key)


def _by_kind(rows: pd.DataFrame, context: Context) -> pd.DataFrame:
    import pandas as pd

    counts = rows.assign(category=rows["category"].fillna("")).groupby(["category", "why"]).size()
    kinds = counts.rename("questions").reset_index()
    ordered = kinds.sort_values(
        ["questions", "category", "why"], ascending=[False, True, True], ignore_index=True
    )
    return pd.DataFrame(
        {
            "category": ordered["category"].map(lambda key: _category(key, context)),
            "why": ordered["why"].map(lambda word: words.sentence(words.plain(word))),
            "questions": ordered["questions"].map(words.count),
        },
        dtype="object",
    )


def _questions(rows: pd.DataFrame, context: Context) -> pd.DataFrame:
    import pandas as pd

    keys = ["case_id", "category", "why", "evidence"]
    ordered = rows.sort_values(keys, kind="stable", na_position="first", ignore_index=True)
    return pd.DataFrame(
        {
            "case_id": ordered["case_id"].map(
                lambda key: "no case found" if words.is_missing(key) or not key else key
            ),
            "category": ordered["category"].map(lambda key: _category(key, context)),
            "why": ordered["why"].map(lambda word: words.sentence(words.plain(word))),
            "would_move": ordered["would_move"].map(words.plain),
            "evidence": ordered["evidence"].map(lambda rests: "" if words.is_missing(rests) else str(rests)),
        },
        dtype="object",
    )
