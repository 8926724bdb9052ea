"""How tables point at each other, as data.

A relation without `through` asks that a value of the child's column occurs in the parent's. One with
`through` asks that two columns agree once the parent row has been found by the child's `through` column.
All hold within one site. An empty cell never breaks one, nor does the word `none` as the case of a link.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Relation:
    """One pointer from a child's column to a parent's.

    Attributes:
        child, column: Where the pointer stands.
        parent, parent_column: What it points at, or must agree with.
        rule: Code of the finding where it does not hold. Empty: known and documented, but a break is no
            finding, because the parent table is optional.
        through: The child's column that finds the parent row, for an agreement.
    """

    child: str
    column: str
    parent: str
    parent_column: str
    rule: str
    through: str = ""

    @property
    def is_agreement(self) -> bool:
        return bool(self.through)


_NAMES_AN_OPERATION = (
    ("events", "operation_id"),
    ("followups", "operation_id"),
    ("measurements", "operation_id"),
    ("operations", "planned_with"),
)

RELATIONS: tuple[Relation, ...] = (
    *(
        Relation(child, column, "operations", "operation_id", "operation_unknown")
        for child, column in _NAMES_AN_OPERATION
    ),
    *(
        Relation(child, "patient_id", "operations", "patient_id", "operation_of_another_patient", through)
        for child, through in _NAMES_AN_OPERATION
    ),
    # `bilateral` agrees with left, right and bilateral; a planned operation may be on one side of two.
    *(
        Relation(child, "side", "operations", "side", "side_conflict", through)
        for child, through in _NAMES_AN_OPERATION
        if child != "operations"
    ),
    Relation("operations", "surgeon_id", "surgeons", "surgeon_id", ""),
    *(
        Relation(child, "patient_id", "patients", "patient_id", "")
        for child in ("operations", "events", "followups", "measurements")
    ),
    Relation("decisions", "case_id", "cases", "case_id", "decision_unknown_case"),
    Relation("links", "case_id", "cases", "case_id", "link_unknown_record"),
    Relation("merges", "patient_id", "operations", "patient_id", "merge_unclear"),
    Relation("merges", "same_as", "operations", "patient_id", "merge_unclear"),
    Relation("complications", "case_id", "cases", "case_id", ""),
    Relation("review", "case_id", "cases", "case_id", ""),
)


def relations_of(child: str) -> tuple[Relation, ...]:
    """Relations that start in a table, pointers before agreements, in the order of `RELATIONS`."""
    own = tuple(relation for relation in RELATIONS if relation.child == child)
    return tuple(sorted(own, key=lambda relation: relation.is_agreement))
