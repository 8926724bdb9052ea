"""The operation of a case, why it is one, and how long it was watched."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

from pipeline.catalogue import ANY_COMPLICATION
from pipeline.trace.case import Case
from pipeline.trace.edition import Row
from pipeline.trace.words import (
    day_of,
    listed,
    named,
    plain,
    procedure_name,
    reference,
    said_by,
    wrapped,
)

#: Width of the labels of what was watched.
LABEL = "records reach  "


def first_operation(case: Case) -> Iterator[str]:
    """What was done, by whom, and why it is a case of its own."""
    row, catalogue = case.row, case.edition.catalogue
    side = "" if row["side"] == "none" else f", {row['side']} side"
    yield from wrapped(f"{procedure_name(catalogue, row['procedure'])}{side}, on {row['performed_on']}")
    yield from wrapped(
        f"surgeon {row['surgeon']}, age band {row['age_band']}, {row['sex']}, fixation {plain(row['fixation'])}"
    )
    yield from wrapped(_why_a_case(case))
    yield from _sitting(case)
    yield from _patient(case)


def _why_a_case(case: Case) -> str:
    """The rule that made the operation a case: the first for its problem on that joint and side."""
    own = [other for other in case.others if other["side"] == case.row["side"]]
    earlier = [other["case_id"] for other in own if other["performed_on"] < case.row["performed_on"]]
    if earlier:
        return f"A case of its own: for another problem or joint than {listed(earlier)} on this side."
    return "A case: the first operation of ours for this problem on this joint and side."


def _sitting(case: Case) -> Iterator[str]:
    """Other operations of the sitting, the group, and whether the case is isolated."""
    row, catalogue = case.row, case.edition.catalogue
    further = [record for record in case.records if record["role"] == "same_sitting"]
    for other in further:
        name = said_by(other, catalogue)
        yield from wrapped(
            f"At the same sitting: {name} ({named(other)}); the catalogue's precedence names the case."
        )
    told = {(other["what"] or "").partition(", ")[0] for other in further}
    also = [key for key in (row.get("concomitant") or "").split(";") if key and key not in told]
    if also:
        names = listed(procedure_name(catalogue, key) for key in also)
        yield from wrapped(f"Listed in its line as done with it: {names}")
    if row["group"] != row["procedure"]:
        group = procedure_name(catalogue, row["group"])
        yield from wrapped(
            f"Counted in the group {group}: both are compared, so the case stands in neither arm alone."
        )
    yield from wrapped(
        "isolated: nothing else that matters was done with it"
        if row["isolated"]
        else "not isolated: something else that matters was done with it, or is listed in its line"
    )
    opening = next((record for record in case.records if record["role"] == "opens"), None)
    if opening and opening["side"] == "bilateral":
        twin = [other["case_id"] for other in case.others if other["operation_id"] == row["operation_id"]]
        yield from wrapped(
            f"The operation was on both sides; the other one is {listed(twin) or 'no case here'}."
        )


def _patient(case: Case) -> Iterator[str]:
    for merge in (row for row in case.decisions if row["kind"] == "merge"):
        yield from wrapped(
            f"Two ids of this patient were joined on {merge['decided_on']} by {merge['reviewer']}: {reference(merge)}"
        )
    others = [f"{other['case_id']} ({other['performed_on']})" for other in case.others]
    if others:
        yield from wrapped(f"Other cases of the patient: {listed(others)}")


# ---------------------------------------------------------------- how long


def watched(case: Case) -> Iterator[str]:
    """Last contact, reach of the records, death, and what that means for each window."""
    row = case.row
    contact = next(iter(_contacts_on(case, row["contact_until"])), None)
    seen = day_of(row, row["contact_until"]) + (f", {reference(contact)}" if contact else "")
    yield f"  last contact   {seen if row['contact_until'] else 'none after the operation'}"
    yield from wrapped(
        f"records reach  {day_of(row, row['records_until'])}, {_why_until(case)}", hang=" " * len(LABEL)
    )
    if row["died"] is not None:
        yield f"  died           {day_of(row, row['died'])}"
    for window in case.edition.windows:
        yield from _window(case, window)


def _contacts_on(case: Case, day: int) -> Iterator[Row]:
    """Records that may be the contact of a day: visits first."""
    order = ("followups", "measurements", "operations", "events")
    own = [record for record in case.records if record["day"] == day and record["role"] != "awaits"]
    yield from sorted(own, key=lambda record: order.index(record["table"]))


def _why_until(case: Case) -> str:
    """What ends the records of the case."""
    row, manifest = case.row, case.edition.manifest
    known: date | None = row["known_until"]
    if known is None:
        return "the site's records are not known to be complete for any day"
    reach = (known - row["performed_on"]).days
    if row["records_until"] < reach:
        return "the patient moved, withdrew or declined, so nothing later is known to be complete"
    if known.isoformat() == manifest["cut_on"]:
        return "the last day of this edition"
    late = next((site["late"] for site in manifest["sites"] if site["site"] == row["site"]), False)
    return f"the day to which the records of {row['site']} are complete" + (", which is late" if late else "")


def _window(case: Case, window: dict[str, int]) -> Iterator[str]:
    """Whether a window is closed, and whether the case was followed to its end by visits and by records."""
    row, closes = case.row, window["days"] + window["grace"]
    known: date | None = row["known_until"]
    label = f"{window['days']} days".ljust(len(LABEL))
    if known is None or row["performed_on"] + timedelta(days=closes) > known:
        yield f"  {label}too early: closes on {day_of(row, closes)}"
        return
    ways = {
        "at visits": _followed(case, window, row["contact_until"], "last contact on day"),
        "in records": _followed(case, window, row["records_until"], "records reach day"),
    }
    followed = [way for way, told in ways.items() if told.startswith("followed")]
    end = f"; followed {listed(followed)}" if followed else ""
    yield f"  {label}closed since {day_of(row, closes)}{end}"
    for way, told in ways.items():
        if way not in followed or "died" in told:
            yield from wrapped(f"{way} {told}", "  " + " " * len(LABEL), "  ")


def _followed(case: Case, window: dict[str, int], until: int, what: str) -> str:
    days, needed = window["days"], window["days"] - window["early"]
    any_row = case.main.get(ANY_COMPLICATION)
    if until >= needed:
        return "followed"
    if case.row["died"] is not None and case.row["died"] <= days:
        return f"followed: died on day {case.row['died']}"
    lost = f"lost: {what} {until}, needed from day {needed}"
    if any_row and any_row["status"] == "counted" and (any_row["day"] or 0) <= days:
        return f"{lost}; not lost for what it has by then"
    return lost
