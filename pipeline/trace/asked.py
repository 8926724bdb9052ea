"""From what was asked for to a case: a case id, or the id of an operation or record, or an answer why there is no case."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.errors import WrongUse, did_you_mean
from pipeline.trace.case import ASIDE
from pipeline.trace.edition import Edition, Row
from pipeline.trace.raw_lines import RawLines
from pipeline.trace.rest import held_back_because
from pipeline.trace.words import ROLES, UNATTRIBUTED, listed, named, on_day, reference, said_by, wrapped

CASE_ID = re.compile(r"(?P<record>.+)\.[LRN]")
#: Roles of operations that are, or are part of, the first operation of a case.
FIRST = ("opens", "same_sitting")
#: More ids than this are searched for a near one only where they begin alike: comparing all takes long.
MANY_IDS = 20_000


@dataclass(frozen=True)
class Answer:
    """The case whose story answers, with how the id led to it; or, without a case, what is to be said."""

    case_id: str = ""
    lead: str = ""
    said: tuple[str, ...] = ()


def answer_to(edition: Edition, asked: str, lines: RawLines) -> Answer:
    """What was meant.

    Raises:
        WrongUse: Nothing has this id, or several cases have records of it.
    """
    if edition.rows("cases", case_id=asked):
        return Answer(asked)
    parts = CASE_ID.fullmatch(asked)
    found = _records(edition, asked)
    if found and parts is None:
        return _of_record(edition, asked, found, lines)
    found = found or (_records(edition, parts["record"]) if parts else [])
    found = [record for record in found if record["table"] == "operations"] or found
    if found:
        return Answer(said=tuple(_no_case(edition, asked, found, lines)))
    raise WrongUse(
        f"`{asked}` is neither a case nor a record of {edition.name}.{did_you_mean(asked, _near(edition, asked))} "
        "A case id is <site>.<operation_id>.<L, R or N>; cases.parquet lists them."
    )


def _records(edition: Edition, asked: str) -> list[Row]:
    """Records with this id, or with it after a site's; all those of one kind that stand, else what does not."""
    found = edition.rows("records", record_id=asked)
    for site in edition.manifest["data_until"]:
        if asked.startswith(f"{site}."):
            found += edition.rows("records", record_id=asked.removeprefix(f"{site}."), site=site)
    standing = [record for record in found if record["role"] not in ASIDE]
    return standing or found


def _near(edition: Edition, asked: str) -> list[str]:
    ids = [str(known) for known in edition.column("cases", "case_id")]
    if len(ids) <= MANY_IDS:
        return ids
    start = asked[: max(len(asked) - 4, 1)]
    return [known for known in ids if known.startswith(start)]


def _of_record(edition: Edition, asked: str, found: list[Row], lines: RawLines) -> Answer:
    """The one case a record belongs to, or why it has none."""
    cases = sorted({record["case_id"] for record in found if record["case_id"]})
    listed_cases = [case_id for case_id in cases if edition.rows("cases", case_id=case_id)]
    if len(listed_cases) > 1:
        raise WrongUse(f"`{asked}` leads to several cases: {listed(listed_cases)}. Trace one of them.")
    if not listed_cases:
        return Answer(said=tuple(_no_case(edition, asked, found, lines)))
    record = next(record for record in found if record["case_id"] == listed_cases[0])
    if record["role"] == "opens":
        return Answer(listed_cases[0])
    return Answer(listed_cases[0], lead=f"{named(record)} is a record of ")


def _no_case(edition: Edition, asked: str, found: list[Row], lines: RawLines) -> Iterator[str]:
    """What the records of an id are, and where they went."""
    yield f"{asked} is no case"
    for record in found:
        yield from wrapped(_went(edition, record))
        yield from _tied_to_none(edition, record)
        for message in held_back_because(edition, record):
            yield from wrapped(message, "      ", "  ")
        yield from lines(reference(record))
    ids = {record["case_id"] for record in found if record["case_id"]}
    cases = {row["case_id"] for row in edition.rows("cases", case_id=ids)} or _of_patients(edition, found)
    if cases:
        yield from wrapped(f"See the story of {listed(sorted(cases))}.")


def _tied_to_none(edition: Edition, record: Row) -> Iterator[str]:
    """The link that says the record belongs to no case."""
    wanted = ("link", "none", "in_force", record["site"], record["table"], record["record_id"])
    names = ("kind", "says", "standing", "site", "table", "record_id")
    for row in edition.listed("decisions_used", lambda row: tuple(row[name] for name in names) == wanted):
        said = f"{row['reviewer']} said on {row['decided_on']} that it belongs to no case: {reference(row)}"
        yield from wrapped(said, "      ", "  ")


def _went(edition: Edition, record: Row) -> str:
    what = said_by(record, edition.catalogue)
    told = f"{on_day(None, record['date'])}  {named(record)}" + (f": {what}" if what else "")
    why = UNATTRIBUTED.get(record["why"] or "") or record["why"]
    role = ROLES[record["role"]] or "a record"
    whose = f" of {record['case_id']}" if record["case_id"] else ""
    return f"{told} - {role}{whose}" + (f": {why}" if why else "")


def _of_patients(edition: Edition, found: list[Row]) -> set[str]:
    """Cases of the patients of these records."""
    patients = {record["patient"] for record in found if record["patient"] is not None}
    rows = edition.rows("cases", patient=patients) if patients else []
    return {str(row["case_id"]) for row in rows}
