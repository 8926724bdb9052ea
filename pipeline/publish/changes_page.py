"""What changed since the last signed edition: case by case with the reason, and figure by figure with its causes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from pipeline.publish import page, words
from pipeline.publish.context import Context
from pipeline.publish.page import Show

if TYPE_CHECKING:
    import pandas as pd

CSV = "../tables/changes.csv"
FIRST = (
    "No signed edition stands to compare with, so nothing can have changed yet. Once an edition is signed, the next ones "
    "say here which cases and figures moved, and because of which lines."
)


def changes_body(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """The page between its dates and its cautions."""
    rows = tables.get("changes")
    if rows is None:
        return page.paragraph(FIRST, "note")
    if rows.empty:
        return page.paragraph("Nothing changed since the last signed edition.", "lead")
    columns = {str(name): Show(words.sentence(words.plain(name))) for name in rows.columns}
    printed = rows.astype("object").map(_cell)
    lead = page.paragraph(
        f"{words.several(len(rows), 'change', 'changes')} since the last signed edition.", "lead"
    )
    return lead + page.table(printed, "changes", "What changed, and because of which line", columns, csv=CSV)


def _cell(value: object) -> str:
    return words.NOTHING if words.is_missing(value) or value == "" else words.plain(value)
