"""How a story says things: days, places, names instead of keys, lines of at most 100 characters."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from datetime import date, timedelta

from pipeline.catalogue import ANY_COMPLICATION, Catalogue, Complication
from pipeline.trace.edition import Row

WIDTH = 100
TABLES = {"operations": "operation", "events": "event", "followups": "visit", "measurements": "reading"}
STATUSES = {
    "counted": "counted",
    "refuted": "not counted, refuted by reviewers",
    "awaiting": "not counted, awaits review",
    "pre_existing": "not counted, there before the operation",
    "too_soon": "not counted, too soon after the operation",
    "described": "described only, never counted",
    "cannot_occur": "not counted, cannot occur here",
}
ROLES = {
    "opens": "the operation of this case",
    "same_sitting": "done at the same sitting",
    "return": "unplanned return to theatre",
    "planned": "planned stage or removal, no return",
    "planned_late": "planned only after the first operation",
    "no_return": "without anaesthesia or sedation, no return",
    "tied": "",
    "shared": "names no case: of all cases of the patient it may speak of",
    "before": "before the operation",
    "awaits": "awaits a link",
    "unattributed": "belongs to no case",
    "booked": "booked, not performed",
    "cancelled": "cancelled, not performed",
    "abandoned": "abandoned, not counted as an operation",
    "not_in_catalogue": "its code is not in the catalogue",
    "too_early": "before the first date counted",
    "after_cut": "after the last day of this edition",
    "held_back": "held back because of a finding",
    "superseded": "replaced by a newer version",
    "withdrawn": "taken back by the sender",
    "died": "the patient died",
    "moved": "the patient moved away",
}
UNATTRIBUTED = {
    "before": "before every operation on that joint and side",
    "other_side": "the other side",
    "unwatched": "a joint or bone that no case of the patient watches",
    "no_operation": "no operation it could belong to",
    "elsewhere": "operated elsewhere, no operation of ours before it",
}


def on_day(day: object, when: object) -> str:
    """`day 43 (2025-03-25)`; without a day only the date."""
    if day is None:
        return str(when) if when is not None else "day not known"
    return f"day {day}" + (f" ({when})" if when is not None else "")


def day_of(case: Row, day: int | None) -> str:
    """A day of the case with its date."""
    if day is None:
        return "a day not known"
    performed: date = case["performed_on"]
    return on_day(day, performed + timedelta(days=int(day)))


def reference(row: Row) -> str:
    return f"{row['source_file']}:{row['source_line']}"


def named(row: Row) -> str:
    """`event E02`."""
    kind = TABLES.get(row["table"], "")
    return f"{kind} {row['record_id']}" if row["record_id"] else kind or "patient"


def category_name(catalogue: Catalogue, category: str) -> str:
    if category == ANY_COMPLICATION:
        return "Any complication"
    return entry_of(catalogue, category).name


def entry_of(catalogue: Catalogue, category: str) -> Complication:
    """The category as the catalogue has it; one that this version of the program lacks has only its name."""
    return catalogue.complications.get(category) or Complication(category, plain(category))


def procedure_name(catalogue: Catalogue, key: str) -> str:
    """Name of a procedure, of two where they are joined by `+`; a code that is none stays."""
    entries = [catalogue.procedures.get(part) for part in key.split("+")]
    parts = zip(entries, key.split("+"), strict=True)
    return " + ".join(entry.name if entry else part for entry, part in parts)


def plain(word: object) -> str:
    return "" if word is None else str(word).replace("_", " ")


def said_by(row: Row, catalogue: Catalogue) -> str:
    """What a record says: side and place, then its contents."""
    where = plain(row["side"]) + " " + (catalogue.joints[row["place"]].name.lower() if (
        row["place"] in catalogue.joints and catalogue.joints[row["place"]].name
    ) else plain(row["place"]))  # fmt: skip
    what = row["what"] or ""
    if row["table"] == "operations":
        key, comma, more = what.partition(", ")
        return procedure_name(catalogue, key) + comma + _plain_words(more)
    what = what.replace(" none ", " ") if row["table"] == "measurements" else what
    return ": ".join(part for part in (where.strip(), _plain_words(what)) if part)


def _plain_words(text: str) -> str:
    """Words of vocabularies without underscores; what holds capitals or digits is an id or code and stays."""
    return " ".join(plain(word) if word.islower() else word for word in text.split(" "))


def wrapped(text: str, indent: str = "  ", hang: str = "    ") -> Iterator[str]:
    """The text in lines that fit, later ones hanging."""
    yield from textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=indent + hang, break_on_hyphens=False
    )


def listed(parts: Iterable[str]) -> str:
    """`a, b and c`."""
    *most, last = list(parts) or [""]
    return f"{', '.join(most)} and {last}" if most else last
