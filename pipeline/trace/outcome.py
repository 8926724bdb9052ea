"""What counts of a case and what does not: in short, by category, by decision, and what waits."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.catalogue import ANY_COMPLICATION, ANY_LEVEL
from pipeline.trace.case import Case
from pipeline.trace.edition import Row
from pipeline.trace.words import (
    STATUSES,
    category_name,
    day_of,
    entry_of,
    listed,
    plain,
    procedure_name,
    reference,
    wrapped,
)
from schemas.findings import FINDINGS


def in_short(case: Case, lead: str = "") -> Iterator[str]:
    """The case and its result in a few lines.

    Args:
        case: The case.
        lead: How the id asked for led to it, empty if it was asked for itself.
    """
    row, manifest = case.row, case.edition.manifest
    side = "" if row["side"] == "none" else f", {row['side']} side"
    name = procedure_name(case.edition.catalogue, row["group"])
    yield from wrapped(f"{lead}{case.case_id}: {name}{side}, {row['performed_on']}", "", "  ")
    yield from wrapped(
        f"told from edition {case.edition.name}, cut {manifest['cut_on']}, known on {manifest['as_of']}"
    )
    counted = [
        f"{category_name(case.edition.catalogue, category)} on {day_of(row, main['day'])}"
        for category, main in case.main.items()
        if main["status"] == "counted" and category != ANY_COMPLICATION
    ]
    waits = [
        category_name(case.edition.catalogue, category)
        for category, main in case.main.items()
        if main["status"] == "awaiting" and category != ANY_COMPLICATION
    ]
    yield from wrapped(f"counted: {'; '.join(counted)}" if counted else "no complication counted")
    if waits:
        yield from wrapped(f"awaits review: {'; '.join(waits)}")


def outcome(case: Case) -> Iterator[str]:
    """Each category that anything speaks for, any complication last."""
    if not case.main:
        yield "  Nothing speaks for a complication."
    for category, main in case.main.items():
        yield from _category(case, category, main)


def _category(case: Case, category: str, main: Row) -> Iterator[str]:
    name = category_name(case.edition.catalogue, category)
    known = main["day"] is not None
    at = "from" if main["status"] == "counted" else "on"
    days = f" {at} {day_of(case.row, main['day'])}" if known or main["status"] == "counted" else ""
    strength = f", {main['strength']}" if main["strength"] and category != ANY_COMPLICATION else ""
    yield from wrapped(f"{name}: {STATUSES[main['status']]}{days}{strength}")
    if category == ANY_COMPLICATION:
        return
    for line in (*_levels(case, category), *_why(case, category, main), *_windows(case, category, main)):
        yield from wrapped(line, "      ", "  ")
    if main["evidence"]:
        yield from wrapped("rests on " + main["evidence"], "      ", "  ")


def _levels(case: Case, category: str) -> Iterator[str]:
    """The main level where it has a name of its own, and those beside it."""
    rows = {row["level"]: row for row in case.complications if row["category"] == category}
    main, *others = case.levels_of(category)
    if main in rows and main != ANY_LEVEL:
        yield f"main level: {plain(main)}"
    for level in others:
        row = rows.get(level)
        if row and (main not in rows or row["status"] == "counted" or row["status"] != rows[main]["status"]):
            day = f", {day_of(case.row, row['day'])}" if row["day"] is not None else ""
            yield f"level {plain(level)}: {STATUSES[row['status']]}{day}"


def _why(case: Case, category: str, main: Row) -> Iterator[str]:
    """The decision, else the strength of the evidence, that makes the status; severity."""
    used = [row for row in case.decided(category) if row["standing"] == "in_force"]
    answers = {row["says"] for row in used}
    if len(answers) > 1 and main["status"] == "awaiting":
        yield "reviewers differ: " + listed(f"{row['reviewer']}: {row['says']}" for row in used)
    elif used and main["status"] in ("counted", "refuted"):
        yield (
            "decided by "
            + listed(f"{row['reviewer']} ({row['says']})" for row in used)
            + _alone(case, category)
        )
    elif main["status"] == "counted":
        yield f"{main['strength']} evidence counts without review"
    elif main["status"] == "awaiting":
        yield from (
            f"why it waits: {question['why']}"
            for question in case.questions
            if question["category"] == category
        )
    yield from _grade(case, category, main, used)
    yield from _chain(case, main, used)


def _grade(case: Case, category: str, main: Row, used: list[Row]) -> Iterator[str]:
    """The severity of what counts, and where it comes from."""
    reviewed = next((row["severity_grade"] for row in reversed(used) if row["severity_grade"]), None)
    usual = entry_of(case.edition.catalogue, category).default_grade
    grade = main.get("severity_grade", reviewed or usual)
    if main["status"] == "counted" and grade:
        stated = (
            "by default of the catalogue" if grade == usual else "by what its records state or its treatment"
        )
        yield f"severity {grade}, {'set at review' if grade == reviewed else stated}"


def _chain(case: Case, main: Row, used: list[Row]) -> Iterator[str]:
    """What it follows from, and the operation before it."""
    reason = next((row["primary_reason"] for row in reversed(used) if row["primary_reason"]), None)
    cause = reason or main.get("parent")
    if cause:
        told = "main reason, set at review" if reason else "follows from"
        yield f"{told}: {category_name(case.edition.catalogue, cause)}"
    last = main.get("last_operation")
    if last and main["status"] == "counted" and last != case.row["operation_id"]:
        yield f"last operation before it: {last}; it counts for the first one"


def _alone(case: Case, category: str) -> str:
    """What the evidence alone would have made of it."""
    ranks = ("possible", "probable", "definite")
    own = [row["strength"] for row in case.evidence if row["category"] == category and row["use"] == "used"]
    if not own:
        return "; no evidence alone would count"
    best = max(own, key=ranks.index)
    counts = best in case.edition.manifest["settings"]["counted"]
    return f"; the evidence alone is {best} and would {'count' if counts else 'await review'}"


def _windows(case: Case, category: str, main: Row) -> Iterator[str]:
    """In which windows a counted complication stands."""
    entry = entry_of(case.edition.catalogue, category)
    if main["status"] != "counted":
        return
    offered = [
        window["days"]
        for window in case.edition.windows
        if (not entry.windows or window["days"] in entry.windows) and window["days"] > entry.first_day
    ]
    inside = [str(days) for days in offered if main["day"] is None or main["day"] <= days]
    yield (
        f"within the {'window' if len(inside) == 1 else 'windows'} of {listed(inside)} days"
        if inside
        else "after the end of every window it is counted in"
    )


# ---------------------------------------------------------------- people


#: What was read where a decision is about no category.
READ = {"": "nothing named", "letter": "anything in the note", "sample": "anything in all notes of the case"}


def reviewed(case: Case) -> Iterator[str]:
    """Each decision about the case with its place, used or not."""
    decisions = [row for row in case.decisions if row["kind"] == "decision"]
    for row in sorted(
        decisions, key=lambda row: (row["category"] or "", row["decided_on"], row["reviewer"] or "")
    ):
        name = (
            category_name(case.edition.catalogue, row["category"])
            if row["category"]
            else READ[row["asked"] or ""]
        )
        day = f", happened on {row['occurred_on']}" if row["occurred_on"] else ""
        grade = f", severity {row['severity_grade']}" if row["severity_grade"] else ""
        yield from wrapped(
            f"{row['decided_on']}  {row['reviewer']}: {row['says']}, {name}{day}{grade}{_standing(row)}"
        )
        yield f"      {reference(row)}"


def _standing(row: Row) -> str:
    if row["standing"] == "answered_later":
        return " - answered later by the same reviewer"
    if row["standing"] == "not_used":
        title = FINDINGS[row["rule"]].title if row["rule"] in FINDINGS else ""
        return f" - not used: {title}"
    return ""


def waiting(case: Case) -> Iterator[str]:
    """Questions about the case that reviewers have not answered."""
    for question in case.questions:
        name = (
            category_name(case.edition.catalogue, question["category"])
            if question["category"]
            else "A record"
        )
        moves = f"; would move: {question['would_move']}" if question.get("would_move") else ""
        yield from wrapped(f"{name}: {question['why']}{moves}")
        for place in filter(None, (question.get("evidence") or "").split("; ")):
            yield f"      {place}"
