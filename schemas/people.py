"""Tables people of the department write: decisions, links, merges, known findings, removals.

Each lies in its own folder of the workspace as CSV, any number of files. Rows are only ever added; a row
of a later day answers an earlier one. Only what was decided up to the knowledge date of a run is read.
"""

from __future__ import annotations

from schemas.columns import Column, Kind, Table
from schemas.exports import CONTRACT, OURS, SEVERITY, SEVERITY_GRADES

CATALOGUE = "catalogue in force, complications"
#: Why a reviewer was asked beside the usual question: to read a letter nobody could sort, or a case drawn at random.
ASKED = ("letter", "sample")


def _given(name: str, kind: Kind, description: str, source: str = CONTRACT) -> Column:
    return Column(name, kind, description, True, source=source, display="day" if kind == "date" else "plain")


def _maybe(name: str, kind: Kind, description: str, source: str = CONTRACT) -> Column:
    return Column(name, kind, description, source=source, display="day" if kind == "date" else "plain")


def _site() -> Column:
    return _given("site_id", "id", "Site whose record is meant: the name of its folder of exports.")


DECISIONS = Table(
    "decisions",
    "What one reviewer says about one category of one case; the last row of each reviewer counts.",
    (
        _given("case_id", "id", "Case as printed in the case list: `<site>.<operation_id>.<L|R|N>`."),
        _given(
            "category",
            "word",
            "Category of complication, a word of the catalogue in force; empty only where `asked` is filled and "
            "nothing was found.",
            CATALOGUE,
        ),
        _given(
            "counts",
            "yes_no",
            "Whether the case has this complication. A row of a list with neither this nor anything else filled in "
            "is not answered yet.",
            OURS,
        ),
        _given(
            "reviewer",
            "id",
            "Pseudonym of the reviewer, who never decides on own cases; surgeons use their id as `S3` or `<site>/S3`.",
            OURS,
        ),
        _given("decided_on", "date", "Day of the decision."),
        _maybe("occurred_on", "date", "Day of the complication; empty: the day of its evidence.", OURS),
        Column(
            "severity_grade",
            "word",
            "How much treatment the complication needed, I to V.",
            vocabulary=SEVERITY_GRADES,
            source=SEVERITY,
        ),
        _maybe("primary_reason", "word", "Main reason of a return to theatre, a category.", CATALOGUE),
        _maybe("reason", "note", "Why the reviewer decided so, in own words.", OURS),
        Column(
            "asked",
            "word",
            "What was asked if not about one category: `letter`, to read a note, or `sample`, to read all notes of a "
            "case drawn at random.",
            vocabulary=ASKED,
            source=OURS,
        ),
        _maybe(
            "evidence", "text", "Rows that were read, each `file:line`, joined by `; `, as in the list.", OURS
        ),
    ),
    key=("case_id", "category", "reviewer", "decided_on", "asked", "evidence"),
)

LINKS = Table(
    "links",
    "A reviewer ties a record to a case, or says that it belongs to none.",
    (
        _site(),
        Column(
            "table",
            "word",
            "Table of the record.",
            True,
            ("operations", "events", "followups", "measurements"),
            source=CONTRACT,
        ),
        _given("record_id", "id", "Id of the record in its table."),
        _given("case_id", "id", "Case the record belongs to, or `none`."),
        _given("reviewer", "id", "Pseudonym of the reviewer.", OURS),
        _given("decided_on", "date", "Day of the decision."),
        _given("reason", "note", "Why the reviewer decided so, in own words.", OURS),
    ),
    key=("site_id", "table", "record_id", "reviewer", "decided_on"),
)

MERGES = Table(
    "merges",
    "Two pseudonyms of one site that are one patient.",
    (
        _site(),
        _given("patient_id", "id", "Pseudonym that is given up."),
        _given("same_as", "id", "Pseudonym under which the patient's records are joined."),
        _given("decided_on", "date", "Day of the decision."),
        _maybe("undone_on", "date", "Day from which the two are apart again; empty while merged."),
        _given("by", "id", "Who decided, a pseudonym.", OURS),
    ),
    key=("site_id", "patient_id", "same_as", "decided_on"),
)

KNOWN_FINDINGS = Table(
    "known_findings",
    "A finding the department knows and accepts for a time: still counted, no longer announced as new.",
    (
        _given("site", "id", "Site whose finding is known."),
        _given(
            "rule", "word", "Code of the rule, as printed with the finding.", "limbaudit's list of findings"
        ),
        _maybe("record_id", "id", "Record it is about; empty: every finding of this rule at the site."),
        _given("until", "date", "Last day on which it is treated as known.", OURS),
        _given("reason", "note", "Why it is accepted, in own words.", OURS),
        _given("by", "id", "Who accepted it, a pseudonym.", OURS),
    ),
    key=("site", "rule", "record_id", "until"),
)

REQUESTS = Table(
    "requests",
    "A surgeon asks that an own case be looked at again: a question for reviewers, which changes no count by itself.",
    (
        _given("case_id", "id", "Case as printed in the case list: `<site>.<operation_id>.<L|R|N>`."),
        _maybe(
            "category",
            "word",
            "Category of complication that is questioned; empty where it is the case itself: its side, operation or surgeon.",
            CATALOGUE,
        ),
        _given("surgeon", "id", "Who asks: the surgeon as `<site>/<id>`.", OURS),
        _given("asked_on", "date", "Day of the request."),
        _given("because", "note", "Why the case is questioned, in own words.", OURS),
        _maybe(
            "answered_on",
            "date",
            "Day from which the question is closed, where no reviewer's decision on the category closes it.",
            OURS,
        ),
    ),
    key=("case_id", "category", "surgeon", "asked_on"),
)

REMOVALS = Table(
    "removals",
    "A request that a patient's records no longer be used: they leave the next edition and are counted.",
    (
        _site(),
        _given("patient_id", "id", "Pseudonym of the patient."),
        _given("received_on", "date", "Day the request came in; it holds from this day on."),
        _given("kind", "word", "What was asked for, in the department's own short word.", OURS),
    ),
    key=("site_id", "patient_id", "received_on", "kind"),
)

PEOPLE: dict[str, Table] = {
    table.name: table for table in (DECISIONS, LINKS, MERGES, KNOWN_FINDINGS, REQUESTS, REMOVALS)
}
