"""What the reader of letters saw in a note. The note itself is shown in the quoted line, masked."""

from __future__ import annotations

from pipeline.trace.case import Case
from pipeline.trace.edition import Row
from pipeline.trace.words import category_name, plain, wrapped


def what_the_reader_saw(case: Case, record: Row) -> list[str]:
    """One line a statement of the record's note, from the table `letters`; none where nothing was read."""
    told: list[str] = []
    for row in case.letters:
        if (row["table"], row["record_id"]) != (record["table"], record["record_id"]):
            continue
        name = category_name(case.edition.catalogue, row["category"])
        side = f", {row['side']} side" if row["side"] else ""
        then = f"proposes nothing: {row['why_not']}" if row["why_not"] else "only proposes, people decide"
        told += wrapped(f"its note: {name} {plain(row['assertion'])}{side}; {then}", "      ", "  ")
    return told
