"""One case from its numbers down to the lines of the exports, in plain words.

Everything is told from one edition; the exports are read again only for the lines as they were sent, masked as every
output is. Ids that are no case are answered too: whose record it is, or why it opened no case.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

__all__ = ["story_of"]


def story_of(workspace: Path, edition: Path, asked: str) -> Iterator[str]:
    """The lines of a story, at most 100 characters wide but for the quoted lines of exports.

    Args:
        workspace: Where the exports lie.
        edition: The folder of the edition.
        asked: A case id, or the id of an operation or record, with or without its site before it.

    Raises:
        WrongUse: Nothing of this id is known, it leads to several cases, or the edition lists no records.
    """
    from pipeline.trace.asked import answer_to
    from pipeline.trace.case import case_of
    from pipeline.trace.course import day_by_day
    from pipeline.trace.edition import Edition
    from pipeline.trace.operation import first_operation, watched
    from pipeline.trace.outcome import in_short, outcome, reviewed, waiting
    from pipeline.trace.raw_lines import RawLines
    from pipeline.trace.rest import mended, not_of_the_case

    read = Edition.at(edition)
    lines = RawLines(workspace, read.department / "as_used" / "mappings")
    answer = answer_to(read, asked, lines)
    yield from answer.said
    if not answer.case_id:
        return
    case = case_of(read, answer.case_id)
    yield from in_short(case, lead=answer.lead)
    for title, part in (
        ("The operation", first_operation(case)),
        ("How long it was watched", watched(case)),
        ("Day by day", day_by_day(case, lines)),
        ("What counts, and what does not", outcome(case)),
        ("What reviewers decided", reviewed(case)),
        ("What waits", waiting(case)),
        ("Other records of the patient, not of this case", not_of_the_case(case, lines)),
        ("Held back, replaced, mended", mended(case, lines)),
    ):
        told = list(part)
        if told:
            yield from ("", title, *told)
