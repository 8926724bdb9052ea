"""What of the patient's records was not this case's, and what of the case's was held back, replaced or mended."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.trace.case import ASIDE, Case
from pipeline.trace.edition import Edition, Row
from pipeline.trace.raw_lines import RawLines
from pipeline.trace.words import ROLES, UNATTRIBUTED, named, reference, said_by, wrapped
from schemas.findings import FINDINGS


def not_of_the_case(case: Case, lines: RawLines) -> Iterator[str]:
    """Records of the patient tied to no case, each with the reason; those of other cases only as a number."""
    for record in case.elsewhere:
        if record["case_id"] is None and record["role"] not in ASIDE:
            yield from _alone(case, record)
            yield from lines(reference(record))
    for other in case.others:
        own = [record for record in case.elsewhere if record["case_id"] == other["case_id"]]
        yield from wrapped(f"{len(own)} records of {other['case_id']}, a case of its own")


def _alone(case: Case, record: Row) -> Iterator[str]:
    what = said_by(record, case.edition.catalogue)
    link = case.link_of(record)
    why = UNATTRIBUTED.get(record["why"] or "", ROLES[record["role"]])
    if link and link["says"] == "none":
        why = f"{link['reviewer']} says it belongs to no case, {reference(link)}"
    told = f"{named(record)}: {what}" if what else named(record)
    yield from wrapped(f"{record['date']}  {told} - {why}")


# ---------------------------------------------------------------- what the export had otherwise


def mended(case: Case, lines: RawLines) -> Iterator[str]:
    """Rows of the patient that do not stand, and cells of the case's rows that were read otherwise or are doubtful."""
    aside = [record for record in case.elsewhere if record["role"] in ASIDE]
    for record in aside:
        yield from _not_standing(case, record)
        yield from lines(reference(record))
    places = case.places
    yield from _repairs(case.edition, places)
    yield from _findings(case.edition, places)


def _not_standing(case: Case, record: Row) -> Iterator[str]:
    same = [
        other
        for other in (*case.records, *case.elsewhere)
        if other["role"] not in ASIDE
        and (other["site"], other["table"], other["record_id"])
        == (record["site"], record["table"], record["record_id"])
    ]
    if record["role"] == "superseded" and same:
        yield from wrapped(f"{named(record)} was replaced by {reference(same[0])}")
    else:
        yield from wrapped(f"{named(record)} {ROLES[record['role']]}")
    for message in held_back_because(case.edition, record):
        yield from wrapped(message, "      ", "  ")


def held_back_because(edition: Edition, record: Row) -> list[str]:
    """What was found about a row that is held back."""
    if record["role"] != "held_back":
        return []
    place = (record["source_file"], str(record["source_line"]))
    found = edition.listed("quarantine", lambda row: (row["source_file"], row["source_line"]) == place)
    return list(dict.fromkeys(row["message"] for row in found))


def _at(row: Row, places: set[tuple[str, int]]) -> bool:
    line = row["source_line"]
    return line is not None and (row["source_file"], int(line)) in places


def _repairs(edition: Edition, places: set[tuple[str, int]]) -> Iterator[str]:
    for row in edition.listed("repairs", lambda row: _at(row, places)):
        change = f": {row['before'] or 'empty'} -> {row['after'] or 'empty'}" if row["column"] else ""
        title = FINDINGS[row["rule"]].title if row["rule"] in FINDINGS else row["rule"]
        column = f"column {row['column']}, " if row["column"] else ""
        yield from wrapped(f"{reference(row)}  {column}{title}{change}")


def _findings(edition: Edition, places: set[tuple[str, int]]) -> Iterator[str]:
    for row in edition.listed("quarantine", lambda row: _at(row, places)):
        yield from wrapped(f"please check  {row['message']}")
