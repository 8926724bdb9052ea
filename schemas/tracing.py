"""Published tables from which a case's story is told: its records with what each is to it, and what people decided."""

from __future__ import annotations

from schemas.columns import Column, Table
from schemas.exports import CONTRACT, OURS, SEVERITY, SEVERITY_GRADES
from schemas.people import ASKED
from schemas.shorthand import AUDIT, CATALOGUE, always, case, category, days, maybe, place, site

#: What a record is to its case, or why it has none.
RECORD_ROLES = (
    "opens",
    "same_sitting",
    "return",
    "planned",
    "planned_late",
    "no_return",
    "tied",
    "shared",
    "before",
    "awaits",
    "unattributed",
    "booked",
    "cancelled",
    "abandoned",
    "not_in_catalogue",
    "too_early",
    "after_cut",
    "held_back",
    "superseded",
    "withdrawn",
    "died",
    "moved",
)


#: What becomes of evidence.
EVIDENCE_USES = ("used", "awaits", "too_soon", "pre_existing", "cannot_occur", "not_enough")


def _patient(description: str) -> Column:
    return Column("patient", "integer", description, low=0, source=AUDIT)


RECORDS = Table(
    "records",
    "One record and one case it was looked at for, or one record of no case. Sorted by case and day; "
    "those of no case come after, by patient and day; last those that do not stand.",
    (
        maybe("case_id", "id", "Case; empty where the record belongs to none."),
        site(),
        _patient(
            "Number of the patient as in the case list; empty where no operation of the patient stands."
        ),
        always(
            "table",
            "word",
            "Table of the record.",
            CONTRACT,
            ("operations", "events", "followups", "measurements", "patients"),
        ),
        maybe("record_id", "id", "Id of the record; empty for the table of patients."),
        maybe("date", "date", "Day of the record; empty where it is held back.", CONTRACT),
        days("day", "The same as a day of the case; negative before the operation.", filled=False),
        always(
            "role",
            "word",
            "What it is to the case: the operation that `opens` it, another at the `same_sitting`, a later one (`return`, "
            "`planned`, `planned_late`, `no_return`), `tied` to it, a visit `shared` by all cases of the patient, dated "
            "`before` the operation, or one that `awaits` a link. Of none: `unattributed`, an operation `booked`, "
            "`cancelled`, `abandoned` or `not_in_catalogue`. `too_early`: a case before the first date "
            "counted. `died`, `moved`: what is known of the patient. Not standing: `after_cut`, `held_back`, `superseded`, "
            "`withdrawn`.",
            OURS,
            RECORD_ROLES,
        ),
        maybe("side", "word", "Side the record names.", CONTRACT),
        maybe("place", "word", "Joint the record names, else its bone.", CATALOGUE),
        maybe(
            "what", "text", "What it says, without its note: operation, code and fields, status or reading."
        ),
        maybe("why", "text", "Why it awaits a link or belongs to no case."),
        *place(),
    ),
    key=("case_id", "site", "table", "record_id", "role", "source_file", "source_line"),
)

EVIDENCE = Table(
    "evidence",
    "What one record speaks for in one case, before any decision.",
    (
        case(),
        category(),
        always("table", "word", "Table of the record.", CONTRACT),
        maybe("record_id", "id", "Id of the record; empty for the table of patients."),
        days("day", "Day of the case; empty where a later encounter does not tell it.", filled=False),
        always(
            "kind",
            "word",
            "In what way it speaks, such as a code, a reading, a return to theatre or a letter.",
            OURS,
        ),
        always(
            "strength",
            "word",
            "How strong it is alone.",
            OURS,
            ("possible", "probable", "definite"),
        ),
        always(
            "use",
            "word",
            "`used`: a row of complications rests on it. `awaits` a link. Else why it counts for nothing: `too_soon`, "
            "`pre_existing`, `cannot_occur`, or `not_enough` for any level.",
            OURS,
            EVIDENCE_USES,
        ),
        maybe("levels", "words", "Levels of the category that rest on it.", CATALOGUE),
        *place(),
    ),
    key=("case_id", "category", "table", "record_id", "source_file", "source_line"),
)

DECISIONS_USED = Table(
    "decisions_used",
    "One row that a person wrote: a decision, a link or a merge, and whether it is in force.",
    (
        always("kind", "word", "Which table of people it stands in.", OURS, ("decision", "link", "merge")),
        maybe("case_id", "id", "Case decided on or linked to; empty for a merge, or where none is meant."),
        maybe("category", "word", "Category decided on.", CATALOGUE),
        maybe("site", "id", "Site of the record or patient."),
        maybe("table", "word", "Table of the record that was linked.", CONTRACT),
        maybe("record_id", "id", "Record that was linked."),
        _patient("Number of the patient whose pseudonyms were joined."),
        maybe(
            "says", "word", "The answer: yes or no, or what a link says.", OURS, ("yes", "no", "case", "none")
        ),
        maybe(
            "asked",
            "word",
            "What was asked if not about one category: to read a `letter`, or a `sample`.",
            OURS,
            ASKED,
        ),
        maybe("reviewer", "id", "Who decided, a pseudonym, identifiers masked."),
        always("decided_on", "date", "Day of the decision."),
        maybe("occurred_on", "date", "Day of the complication, where the reviewer states it."),
        Column(
            "severity_grade",
            "word",
            "How much treatment the complication needed.",
            vocabulary=SEVERITY_GRADES,
            source=SEVERITY,
        ),
        maybe("primary_reason", "word", "Main reason of a return to theatre, a category.", CATALOGUE),
        always(
            "standing",
            "word",
            "Whether it is in force, was answered by a later row, or is not used.",
            OURS,
            ("in_force", "answered_later", "not_used"),
        ),
        maybe("rule", "word", "Code of the finding that says why it is not used."),
        *place(),
    ),
    key=("kind", "source_file", "source_line"),
)
