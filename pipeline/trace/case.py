"""All that an edition knows of one case and its patient."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from pipeline.catalogue import ANY_COMPLICATION
from pipeline.trace.edition import Edition, Row
from pipeline.trace.words import entry_of

#: Roles of records that stand to no case, or do not stand at all.
ASIDE = ("held_back", "superseded", "withdrawn")
DECIDED = ("decision", "link")


@dataclass(frozen=True)
class Case:
    """One case: its row of the case list, and the rows of other tables about it.

    `records` are those looked at for the case, by day; `elsewhere` the other records of the patient.
    """

    edition: Edition
    row: Row
    others: tuple[Row, ...]
    records: tuple[Row, ...]
    elsewhere: tuple[Row, ...]
    complications: tuple[Row, ...]
    evidence: tuple[Row, ...]
    letters: tuple[Row, ...]
    questions: tuple[Row, ...]
    decisions: tuple[Row, ...]

    @property
    def case_id(self) -> str:
        return str(self.row["case_id"])

    @property
    def places(self) -> set[tuple[str, int]]:
        """File and line of each record of the case."""
        return {(row["source_file"], row["source_line"]) for row in self.records}

    @cached_property
    def main(self) -> dict[str, Row]:
        """Category → its main row, any complication last."""
        names = [*self.edition.catalogue.complications, ANY_COMPLICATION]
        first: dict[str, Row] = {}
        for row in sorted(self.complications, key=lambda row: self._rank(row)):
            first.setdefault(row["category"], row)
        return {name: first[name] for name in names if name in first}

    def _rank(self, row: Row) -> int:
        """The main level before the others."""
        levels = self.levels_of(row["category"])
        return levels.index(row["level"]) if row["level"] in levels else len(levels)

    def levels_of(self, category: str) -> list[str]:
        """Level keys of a category, main level first."""
        return [level.key for level in entry_of(self.edition.catalogue, category).levels]

    def decided(self, category: str) -> Iterator[Row]:
        """Decisions about a category, used or not, in the order of days."""
        own = [row for row in self.decisions if row["kind"] == "decision" and row["category"] == category]
        return iter(sorted(own, key=lambda row: (row["decided_on"], row["reviewer"] or "")))

    def link_of(self, record: Row) -> Row | None:
        """The link in force that ties a record."""
        for row in self.decisions:
            same = (row["site"], row["table"], row["record_id"]) == (
                record["site"], record["table"], record["record_id"],
            )  # fmt: skip
            if row["kind"] == "link" and row["standing"] == "in_force" and same:
                return row
        return None


def case_of(edition: Edition, case_id: str) -> Case:
    """Everything about a case that is in the case list."""
    row = edition.rows("cases", case_id=case_id)[0]
    of_patient = edition.rows("records", patient=row["patient"])
    own = [record for record in of_patient if record["case_id"] == case_id]
    ids = {(record["site"], record["table"], record["record_id"]) for record in of_patient}

    def concerns(decision: Row) -> bool:
        linked = (decision["site"], decision["table"], decision["record_id"]) in ids
        merged = decision["kind"] == "merge" and decision["patient"] == str(row["patient"])
        return decision["case_id"] == case_id or merged or (decision["kind"] == "link" and linked)

    return Case(
        edition=edition,
        row=row,
        others=tuple(
            other for other in edition.rows("cases", patient=row["patient"]) if other["case_id"] != case_id
        ),
        records=tuple(own),
        elsewhere=tuple(record for record in of_patient if record["case_id"] != case_id),
        complications=tuple(edition.rows("complications", case_id=case_id)),
        evidence=tuple(edition.rows("evidence", case_id=case_id)),
        letters=tuple(edition.rows("letters", case_id=case_id)),
        questions=tuple(edition.listed("review", lambda question: question["case_id"] == case_id)),
        decisions=tuple(edition.listed("decisions_used", concerns)),
    )
