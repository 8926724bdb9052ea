"""Relations name tables and columns that exist, and findings of the closed catalogue."""

from __future__ import annotations

import pytest

from pipeline.findings import CATALOGUE
from schemas.exports import EXPORTS
from schemas.people import PEOPLE
from schemas.published import PUBLISHED
from schemas.relations import RELATIONS, Relation, relations_of

TABLES = EXPORTS | PEOPLE | PUBLISHED


def _name(relation: Relation) -> str:
    return f"{relation.child}.{relation.column}-{relation.parent}.{relation.parent_column}"


@pytest.mark.parametrize("relation", RELATIONS, ids=_name)
def test_both_ends_exist_and_are_of_one_kind(relation: Relation) -> None:
    child, parent = TABLES[relation.child], TABLES[relation.parent]
    assert child[relation.column].kind == parent[relation.parent_column].kind
    assert not relation.through or relation.through in child.names


@pytest.mark.parametrize("relation", RELATIONS, ids=_name)
def test_rules_are_findings(relation: Relation) -> None:
    assert not relation.rule or relation.rule in CATALOGUE


@pytest.mark.parametrize("child", ["events", "followups", "measurements"])
def test_a_record_points_at_its_operation_before_anything_has_to_agree(child: str) -> None:
    rules = [relation.rule for relation in relations_of(child) if relation.rule]
    assert rules == ["operation_unknown", "operation_of_another_patient", "side_conflict"]


def test_a_planned_operation_points_at_the_first_one() -> None:
    assert (
        Relation("operations", "planned_with", "operations", "operation_id", "operation_unknown") in RELATIONS
    )


def test_no_relation_is_listed_twice() -> None:
    assert len(set(RELATIONS)) == len(RELATIONS)
