"""Why a record of a case speaks for nothing."""

from __future__ import annotations

import re
from collections.abc import Iterator

from pipeline.catalogue import Catalogue, Measured
from pipeline.trace.case import Case
from pipeline.trace.edition import Row
from pipeline.trace.words import wrapped

VISITS = {
    "seen": "a contact",
    "remote": "a contact, at a distance",
    "did_not_attend": "did not attend: no contact",
    "declined": "declined: no contact, and records are not complete afterwards",
    "withdrawn": "withdrew: no contact, and records are not complete afterwards",
    "moved": "moved away: no contact, and records are not complete afterwards",
    "died": "the patient had died",
}
OPERATIONS = {
    "return": "a return to theatre that proves nothing more",
    "planned": "agreed before: neither a case nor a return",
    "planned_late": "a return only if reviewers say it was not planned",
    "no_return": "no return to theatre, it proves nothing",
}


def why_nothing(case: Case, record: Row) -> Iterator[str]:
    """A line that says so; none for the operation of the case itself."""
    reason = _reason(case, record)
    if reason:
        yield from wrapped(f"-- {reason}", "      ", "   ")


def _reason(case: Case, record: Row) -> str:
    catalogue = case.edition.catalogue
    if record["table"] == "operations":
        return OPERATIONS.get(record["role"], "")
    if record["role"] == "before":
        return "before the operation: shows how it was, is no complication of it"
    if record["table"] == "followups":
        return VISITS.get(_first(record["what"]), "")
    if record["table"] == "measurements":
        return _of_reading(record, catalogue)
    return _of_event(record, catalogue)


def _first(what: str | None) -> str:
    return (what or "").partition(",")[0]


def _of_reading(record: Row, catalogue: Catalogue) -> str:
    """Within the limits, of a mode that is not judged, or of a motion nobody judges."""
    measure, mode, value = _reading(record["what"] or "")
    rules = [
        rule
        for entry in catalogue.complications.values()
        for rule in entry.measured
        if rule.measure == measure and catalogue.place_matches(rule.joint, record["place"] or "")
    ]
    if not rules:
        return "a reading for which no limit is set here"
    judged = [rule for rule in rules if rule.mode == mode]
    if not judged:
        return f"not judged: the limit speaks of {rules[0].mode} readings, this one is {mode or 'of no mode'}"
    told = "; ".join(map(_limit, judged))
    if value is not None and not any(_beyond(value, rule) for rule in judged):
        return f"a reading within the limit ({told} would be beyond it)"
    return f"beyond the limit ({told}), but not used: all motions of that day are 0"


def _reading(what: str) -> tuple[str, str, float | None]:
    """Measure, mode and value of a reading as it is told: `flexion passive 95 deg`."""
    found = re.fullmatch(r"(\S+) (\S+) (-?[\d.]+(?:e[+-]?\d+)?)(?: \S+)?", what)
    return (found[1], found[2], float(found[3])) if found else (what.partition(" ")[0], "", None)


def _beyond(value: float, rule: Measured) -> bool:
    below, above = rule.limits.get("", (None, None))
    return (below is not None and value < below) or (above is not None and value > above)


def _limit(rule: Measured) -> str:
    below, above = rule.limits.get("", (None, None))
    parts = [f"below {below:g}" if below is not None else "", f"above {above:g}" if above is not None else ""]
    return " or ".join(filter(None, parts))


def _of_event(record: Row, catalogue: Catalogue) -> str:
    what = record["what"] or ""
    code = what.split(", ")[0] if what[:1].isupper() or what[:1].isdigit() else ""
    systems = {system for entry in catalogue.complications.values() for system in entry.codes}
    meanings = [found for system in sorted(systems) if (found := catalogue.complication_of(system, code))]
    if not code:
        return "no code and no field that speaks for a complication; if it has a note, people read it"
    if any(meaning.subsequent for meaning in meanings):
        return "a later encounter of an event that is there already: not counted again"
    if meanings:
        return "its code speaks for a complication that is shown at another of its records"
    return "its code is none of a complication in the catalogue"
