"""Published tables that look back: what moved since the last signed edition, and why."""

from __future__ import annotations

from schemas.columns import Column, Table
from schemas.exports import OURS
from schemas.shorthand import AUDIT, always, case, category, count, level, maybe, procedure, window_days

#: What moves a case between a signed edition and today's knowledge of the same days, with the words it has in print.
CAUSES = {
    "decision": "a reviewer's decision",
    "link": "a reviewer's link",
    "merge": "two pseudonyms joined or parted",
    "late_record": "a record that came late",
    "correction": "a corrected record",
    "withdrawal": "a withdrawn record",
    "not_used_any_more": "a record no longer sent, or in an export set aside",
    "removal": "a patient's data removed on request",
    "reach": "the site's records reach further",
    "catalogue": "another catalogue",
    "settings": "other settings",
    "mapping": "another mapping",
    "program_version": "another version of the program",
    "other_records": "other records of the patient",
}
#: A move of a figure that no case accounts for, though no definition changed: to be reported.
UNEXPLAINED = {"not_explained": "not explained by any case; please report it"}
#: What moves a figure between the cut of the signed edition and the cut of this one.
TIME = {
    "new_case": "a new case",
    "window_closed": "a window that closed",
    "since_the_cut": "something that happened after the earlier cut",
}

CHANGES = Table(
    "changes",
    "What the last signed edition would say otherwise today about the same days, case by case.",
    (
        case(),
        always("field", "word", "What differs: `case`, a column of the case list, or `<category>.<level>`."),
        maybe(
            "before",
            "text",
            "As the signed edition has it; empty for a case or complication it did not have.",
        ),
        maybe("after", "text", "As it would be there now; empty for a case or complication that is gone."),
        always(
            "because",
            "word",
            "What caused it; where several things did, the nearest: a decision before a record of the same "
            "complication, this before a record of the operation, this before links, merges and definitions.",
            OURS,
            tuple(CAUSES),
        ),
        maybe("file", "text", "File that caused it, from the workspace."),
        Column("line", "integer", "Line in that file.", low=1, source=AUDIT, display="plain"),
    ),
    key=("case_id", "field"),
)

CHANGED_FIGURES = Table(
    "changed_figures",
    "A figure of `rates` that moved since the last signed edition, and a cause of it; causes of a figure add up to its move.",
    (
        procedure(),
        category(),
        level(),
        window_days(),
        always("figure", "word", "Column of `rates`, over all strata.", OURS, ("cases", "events", "lost")),
        count("before", "The figure in the signed edition, 0 if it had no such row.", "cases"),
        count("after", "The figure in this edition, 0 if it has no such row.", "cases"),
        always(
            "because",
            "word",
            "What moved it: a cause as in `changes`, or time between the two cuts.",
            OURS,
            (*CAUSES, *TIME, *UNEXPLAINED),
        ),
        Column(
            "change",
            "integer",
            "By how many cases this cause moved it.",
            True,
            unit="cases",
            source=OURS,
            display="count",
            nullable=False,
        ),
        count("came", "Cases that this cause brought in."),
        count("went", "Cases that this cause took out."),
    ),
    key=("procedure", "category", "level", "window_days", "figure", "because"),
)
