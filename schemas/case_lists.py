"""The lists of cases: the cases themselves, their complications, what letters say, what waits for people."""

from __future__ import annotations

from schemas.columns import Column, Table
from schemas.exports import OURS, SEVERITY, SEVERITY_GRADES
from schemas.shorthand import (
    AUDIT,
    CATALOGUE,
    SETTINGS,
    always,
    case,
    category,
    count,
    days,
    level,
    maybe,
    place,
    site,
)

CASES = Table(
    "cases",
    "One index case: one performed operation on one joint and side of one patient.",
    (
        case(),
        site(),
        always("operation_id", "id", "Operation that names the case."),
        Column(
            "patient",
            "integer",
            "Number of the patient in this edition, without meaning elsewhere.",
            True,
            low=0,
            source=AUDIT,
            nullable=False,
        ),
        always(
            "side",
            "word",
            "Side operated on; `none` for an operation without one.",
            OURS,
            ("left", "right", "none"),
        ),
        always("procedure", "word", "Procedure that names the case.", CATALOGUE),
        always(
            "group",
            "word",
            "Procedure, or two joined by `+` where both were done and are compared.",
            CATALOGUE,
        ),
        always("performed_on", "date", "Day of the operation: day 0 of the case.", "operations"),
        always(
            "surgeon",
            "id",
            "Responsible surgeon of the first operation as `<site>/<id>`, or `unattributed`.",
            OURS,
        ),
        always("fixation", "word", "Ways of fixation, sorted and joined by `;`, or `unknown`.", CATALOGUE),
        always("age_band", "word", "Age at the operation in bands, or `unknown`.", SETTINGS),
        always("sex", "word", "Sex as recorded.", "operations", ("female", "male", "other", "unknown")),
        always(
            "isolated", "yes_no", "Whether nothing else that matters was done at the same sitting.", CATALOGUE
        ),
        always("known_until", "date", "Day to which the site's records are complete.", OURS),
        days("contact_until", "Day of the case of the last contact, 0 if there was none."),
        days("records_until", "Day of the case to which the records of the site reach."),
        days("died", "Day of the case on which the patient died; empty if alive.", filled=False),
        *place(),
        maybe("concomitant", "text", "What else was done at the same sitting, joined by `;`.", CATALOGUE),
        count("returns", "Unplanned returns to theatre of the case so far.", "operations"),
    ),
    key=("case_id",),
)

COMPLICATIONS = Table(
    "complications",
    "One case, category and level, with the evidence for it.",
    (
        case(),
        category(),
        level(),
        days(
            "day",
            "Day of the case of the earliest evidence; empty if unknown, then in every window.",
            filled=False,
        ),
        maybe(
            "strength",
            "word",
            "How strong the best evidence is; empty where there is none but a decision.",
            OURS,
            ("possible", "probable", "definite", "confirmed"),
        ),
        always(
            "status",
            "word",
            "Whether it counts, and if not, why.",
            OURS,
            ("counted", "refuted", "awaiting", "pre_existing", "too_soon", "described", "cannot_occur"),
        ),
        maybe("evidence", "text", "Rows it rests on, each `file:line`, joined by `; `."),
        maybe(
            "severity_grade",
            "word",
            "How much treatment it needed: a reviewer's word, else the highest stated, else the catalogue's.",
            SEVERITY,
            SEVERITY_GRADES,
        ),
        maybe("parent", "word", "Category it follows from; of a return its one primary reason.", CATALOGUE),
        always("last_operation", "id", "Last operation of the case before it, the first or a later one."),
        maybe(
            "known_on",
            "date",
            "Day on which it became known: its evidence arrived, or a reviewer decided what evidence did not.",
        ),
        always(
            "known_late",
            "yes_no",
            "Whether it only became known after the month in which it happened had been told: another export of the same "
            "table had come since that month, or a reviewer decided later. Not so of a site's first export.",
        ),
    ),
    key=("case_id", "category", "level"),
)

LETTERS = Table(
    "letters",
    "What the program read in one note about one category and case; the words stay in the export.",
    (
        case(),
        always("table", "word", "Table of the note.", OURS, ("events", "followups")),
        always("record_id", "id", "Record of the note."),
        days("day", "Day of the case of the record."),
        category(),
        always(
            "assertion",
            "word",
            "How the note speaks of it.",
            OURS,
            ("present", "absent", "hypothetical", "historical", "planned", "uncertain", "other_person"),
        ),
        maybe(
            "side",
            "word",
            "Side the note names; empty where it names none.",
            OURS,
            ("left", "right", "bilateral"),
        ),
        maybe("why_not", "text", "Why it proposes nothing; empty where it asks a reviewer."),
        *place(),
    ),
    key=("case_id", "day", "table", "record_id", "category", "assertion", "side", "why_not"),
)

REVIEW = Table(
    "review",
    "One question a reviewer is to answer.",
    (
        maybe("case_id", "id", "Case in question; empty where the record fits none."),
        maybe("category", "word", "Category in question; empty for a note nobody has read.", CATALOGUE),
        always("why", "text", "Why the program does not decide it."),
        maybe("would_move", "text", "Figures that the answer may change."),
        maybe("evidence", "text", "Rows it rests on, each `file:line`, joined by `; `."),
    ),
    key=("case_id", "category", "why", "evidence"),
)
