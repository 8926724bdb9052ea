"""The course of a case: each record in the order of days, what it speaks for, and why it counts or not."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.catalogue import Complication
from pipeline.trace.case import Case
from pipeline.trace.edition import Row
from pipeline.trace.letters import what_the_reader_saw
from pipeline.trace.raw_lines import RawLines
from pipeline.trace.silence import why_nothing
from pipeline.trace.words import (
    ROLES,
    STATUSES,
    category_name,
    entry_of,
    listed,
    named,
    on_day,
    plain,
    reference,
    said_by,
    wrapped,
)

KINDS = {
    "code": "by its code",
    "field": "by a field of the record",
    "reading": "by a reading beyond the limit",
    "return to theatre": "by the return to theatre",
    "later operation": "by what was operated",
    "patient's word": "by the patient's word",
    "patient died": "by the death",
    "letter": "by its note",
}
OPERATIONS = ("opens", "same_sitting", "return", "planned", "planned_late", "no_return")


def day_by_day(case: Case, lines: RawLines) -> Iterator[str]:
    """Every record looked at for the case."""
    for record in case.records:
        yield from _heading(case, record)
        yield from _linked(case, record)
        found = [row for row in case.evidence if _same(row, record)]
        read = what_the_reader_saw(case, record)
        silent = record["table"] == "events" and read
        yield from [line for row in found for line in _spoken(case, row)] or (
            () if silent else why_nothing(case, record)
        )
        yield from read
        yield from lines(reference(record))
    for row in case.evidence:
        if row["table"] == "patients":
            yield from wrapped(f"{on_day(row['day'], None)}  {ROLES['died']}")
            yield from _spoken(case, row)
            yield from lines(reference(row))


def _same(row: Row, record: Row) -> bool:
    return (row["table"], row["record_id"]) == (record["table"], record["record_id"])


def _heading(case: Case, record: Row) -> Iterator[str]:
    what = said_by(record, case.edition.catalogue)
    role = ROLES[record["role"]] if record["role"] != "before" else ""
    if record["role"] == "awaits":
        others = [each["case_id"] for each in case.elsewhere if each["case_id"] and _same(each, record)]
        role = f"{role}: {record['why']}" + (f"; it may be of {listed(others)} instead" if others else "")
    parts = (f"{named(record)}: {what}" if what else named(record), role)
    yield from wrapped(f"{on_day(record['day'], record['date']):<22} {' - '.join(filter(None, parts))}")


def _linked(case: Case, record: Row) -> Iterator[str]:
    link = case.link_of(record)
    if link:
        where = "this case" if link["case_id"] == case.case_id else link["case_id"] or "no case"
        said = f"{link['reviewer']} tied it to {where} on {link['decided_on']}: {reference(link)}"
        yield from wrapped(said, "      ", "  ")


def _spoken(case: Case, row: Row) -> Iterator[str]:
    """One piece of evidence and what became of it."""
    catalogue = case.edition.catalogue
    entry = entry_of(catalogue, row["category"])
    name, how = category_name(catalogue, row["category"]), KINDS.get(row["kind"], "")
    levels = [plain(level) for level in (row["levels"] or "").split(";") if len(entry.levels) > 1 and level]
    told = f"-> {name}" + (f" ({', '.join(levels)})" if levels else "")
    yield from wrapped(f"{told}: {_use(case, row, entry, how)}", "      ", "   ")


def _use(case: Case, row: Row, entry: Complication, how: str) -> str:
    if row["use"] == "used":
        return f"{row['strength']}, {how}; {_becomes(case, row, entry)}"
    if row["use"] == "awaits":
        return f"{row['strength']}, {how}; awaits a link before anything is counted"
    if row["use"] == "too_soon":
        return f"too soon, counts only from day {entry.first_day}"
    if row["use"] == "pre_existing":
        return "was so before the operation, never counted"
    if row["use"] == "cannot_occur":
        instead = case.edition.catalogue.complications.get(entry.otherwise)
        return "cannot occur here" + (f", counts as {instead.name} instead" if instead else "")
    return f"{how}, not enough for any level"


def _becomes(case: Case, row: Row, entry: Complication) -> str:
    """What the rows that rest on it became, and whether it is the first of its event."""
    levels = (row["levels"] or "").split(";")
    own = [each for each in case.complications if each["category"] == entry.key and each["level"] in levels]
    status = listed(dict.fromkeys(STATUSES[each["status"]] for each in own)) or "nothing rests on it"
    days = [each["day"] for each in own if each["day"] is not None]
    if not days or row["day"] is None or row["day"] <= min(days):
        return status
    if row["day"] - min(days) <= entry.repeated_days:
        return f"{status}, the same event as on day {min(days)} (within {entry.repeated_days} days)"
    return f"{status}; the case counts once, from day {min(days)}"
