"""Who is the same person."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.handover import Accepted
from pipeline.people import people_known
from pipeline.resolve.patients import Patients, patients_of

Build = Callable[..., Accepted]


@pytest.fixture
def sent(accepted: Build) -> Accepted:
    """Patients a to d at one site, and another a elsewhere."""
    rows = [{"operation_id": f"o{p}", "patient_id": p} for p in "abcd"]
    return accepted(operations=[*rows, {"operation_id": "oa", "patient_id": "a", "site": "meadow"}])


def same(found: Patients) -> list[set[str]]:
    """Who of a, b, c, d and A (of the other site) shares a number."""
    numbers = found.number["operations"].tolist()
    groups = {n: {name for name, own in zip("abcdA", numbers, strict=True) if own == n} for n in numbers}
    return sorted(groups.values(), key=min)


def test_ids_of_two_sites_are_two_patients(sent: Accepted, merges: Any) -> None:
    assert same(patients_of(sent, merges(), shared=False)) == [{"A"}, {"a"}, {"b"}, {"c"}, {"d"}]


def test_shared_ids_are_one_patient_at_both_sites(sent: Accepted, merges: Any) -> None:
    assert same(patients_of(sent, merges(), shared=True)) == [{"A", "a"}, {"b"}, {"c"}, {"d"}]


def test_a_patient_has_one_number_in_every_table(accepted: Build, merges: Any) -> None:
    found = patients_of(
        accepted(
            operations=[{"operation_id": "o1", "patient_id": "b"}],
            events=[{"event_id": "e1", "patient_id": "b"}, {"event_id": "e2", "patient_id": "a"}],
            patients=[{"patient_id": "b"}],
        ),
        merges(),
        shared=False,
    )
    assert found.number["operations"][0] == found.number["events"][0] == found.number["patients"][0]
    assert found.number["events"][1] != found.number["events"][0]


@pytest.mark.parametrize(
    "pairs", [[("a", "b"), ("b", "c")], [("b", "c"), ("a", "b")], [("a", "c"), ("b", "c")]]
)
def test_merges_are_followed_to_the_end(sent: Accepted, merges: Any, pairs: list[tuple[str, str]]) -> None:
    found = patients_of(sent, merges(*pairs), shared=False)
    assert same(found) == [{"A"}, {"a", "b", "c"}, {"d"}]
    assert found.complaints == ()


@pytest.mark.parametrize(
    "pairs",
    [[("a", "b"), ("b", "a")], [("a", "b"), ("b", "c"), ("c", "a")], [("a", "a")]],
    ids=["two", "three", "itself"],
)
def test_a_circle_is_said_and_its_last_merge_not_used(
    sent: Accepted, merges: Any, pairs: list[tuple[str, str]]
) -> None:
    found = patients_of(sent, merges(*pairs), shared=False)
    assert {"a", *(p for pair in pairs for p in pair)} in same(found)
    assert [complaint["rule"] for complaint in found.complaints] == ["merge_unclear"]
    assert found.complaints[0]["source_line"] == len(pairs) + 1


@pytest.mark.parametrize("pair", [("a", "z"), ("z", "a")])
def test_a_merge_with_a_patient_never_sent_is_said(
    sent: Accepted, merges: Any, pair: tuple[str, str]
) -> None:
    found = patients_of(sent, merges(pair, ("c", "d")), shared=False)
    assert same(found) == [{"A"}, {"a"}, {"b"}, {"c", "d"}]
    assert [(c["rule"], c["source_line"]) for c in found.complaints] == [("merge_unclear", 2)]


def test_a_merge_of_one_site_leaves_the_other_alone(sent: Accepted, merges: Any) -> None:
    assert {"a", "b"} in same(patients_of(sent, merges(("a", "b")), shared=False))
    assert {"A"} in same(patients_of(sent, merges(("a", "b")), shared=False))


def test_hashes_do_not_depend_on_who_else_was_sent(accepted: Build, merges: Any) -> None:
    """The hash cuts the work into parts; a patient stays in the same one."""
    few = accepted(operations=[{"operation_id": "o1", "patient_id": "c"}])
    many = accepted(operations=[{"operation_id": f"o{p}", "patient_id": p} for p in "abcd"])
    alone, among = (patients_of(each, merges(), shared=False) for each in (few, many))
    assert alone.hashes[alone.number["operations"][0]] == among.hashes[among.number["operations"][2]]
    assert len(np.unique(among.hashes)) == 4


HEADER = "site_id,patient_id,same_as,decided_on,undone_on,by\n"


@pytest.mark.parametrize(
    ("as_of", "merged"),
    [
        (date(2026, 10, 31), False),
        (date(2026, 11, 1), True),
        (date(2026, 11, 8), True),
        (date(2026, 11, 9), False),
        (date(2026, 11, 10), False),
    ],
    ids=["before", "decided", "the day before", "undone", "after"],
)
def test_a_merge_is_in_force_from_its_decision_until_undone(
    sent: Accepted, tmp_path: Path, as_of: date, merged: bool
) -> None:
    (tmp_path / "merges").mkdir()
    row = "harbour,a,b,2026-11-01,2026-11-09,office\n"
    (tmp_path / "merges" / "office.csv").write_text(HEADER + row, encoding="utf-8")
    found = patients_of(sent, people_known(tmp_path, as_of).merges, shared=False)
    assert ({"a", "b"} in same(found)) == merged
