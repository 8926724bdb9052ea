"""Which cases stand behind a number: five courses by hand, looked at one by one."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from pipeline.publish.markup import escape, escaped
from pipeline.publish.numbers import Whose
from pipeline.publish.numbers.facts import CaseFacts
from tests.count.conftest import CATALOGUE, SETTINGS, TIGHTNESS, built_cases

WHOLE = Whose()
YEAR = 365
#: Two were last seen on day 20, the window of the last is open.
COURSES = [
    {"group": 0, "surgeon": 0},
    {"group": 0, "surgeon": 1, "contact_until": 20},
    {"group": 0, "surgeon": 0, "contact_until": 20},
    {"group": 1, "surgeon": 2},
    {"group": 1, "surgeon": 2, "known_until": 18_100, "contact_until": 20},
]
IDS = pa.array([f"harbour.{number}.L" for number in range(len(COURSES))])
LATER = (4, TIGHTNESS, 0, 5)


def facts(*ill: tuple[int, ...], nowhere: tuple[int, ...] = (), ids: pa.Array = IDS) -> CaseFacts:
    """`nowhere`: groups in which the category cannot occur."""
    defined = np.ones((3, 4), np.int8)
    defined[list(nowhere), TIGHTNESS] = 0
    return CaseFacts(built_cases(COURSES, list(ill), defined=defined), ids, SETTINGS, CATALOGUE)


def among(own: CaseFacts, kind: str, whose: Whose = WHOLE) -> list[int]:
    return own.among(kind, whose, own.outcome("tightness", "lasting", YEAR, whose.laid)).tolist()


def test_one_who_has_it_is_followed_although_not_seen_again() -> None:
    own = facts((1, TIGHTNESS, 0, 15), LATER)
    found = {kind: among(own, kind) for kind in ("cases", "followed", "lost", "events", "events_or_lost")}
    assert found == {
        "cases": [0, 1, 2, 3], "followed": [0, 1, 3], "lost": [2], "events": [1], "events_or_lost": [1, 2],
    }  # fmt: skip


def test_where_nobody_not_seen_again_has_it_all_outcomes_share_who_was_followed() -> None:
    own = facts((0, TIGHTNESS, 0, 15), LATER)
    assert (among(own, "followed"), among(own, "lost"), among(own, "events")) == ([0, 3], [1, 2], [0])
    assert among(own, "awaiting") == among(own, "deaths") == []


def test_equal_lists_have_one_mark_however_they_were_found() -> None:
    own = facts(LATER)
    outcome = own.outcome("tightness", "lasting", YEAR)
    lost, either = (own.among(kind, WHOLE, outcome) for kind in ("lost", "events_or_lost"))
    assert lost.tolist() == either.tolist() == [1, 2]
    assert own.mark(lost, "lost", WHOLE, outcome) == own.mark(either, "events_or_lost", WHOLE, outcome)
    assert own.mark(lost, "lost", WHOLE, outcome) != own.mark(own.every(), "cases", WHOLE, outcome)


@pytest.mark.parametrize(
    ("nowhere", "whose", "expected"),
    [
        ((1,), WHOLE, [0, 1, 2]),
        ((1,), Whose(procedure="bone_shift"), [3]),
        ((0, 1), WHOLE, [0, 1, 2, 3]),
        ((0, 1), Whose(laid=True), []),
        ((1,), Whose(surgeon="harbour/1"), [0, 2]),
        ((1,), Whose(surgeon="meadow/1"), [3]),
        ((1,), Whose(surgeon="meadow/1", laid=True), []),
    ],
)
def test_all_operations_together_are_counted_where_the_category_can_occur(
    nowhere: tuple[int, ...], whose: Whose, expected: list[int]
) -> None:
    assert among(facts(nowhere=nowhere), "cases", whose) == expected


def test_cases_of_several_surgeons_stand_together() -> None:
    own = facts()
    several = [Whose(surgeon=name) for name in ("meadow/1", "harbour/1")]
    assert own.of_several("cases", several, own.outcome("tightness", "lasting", YEAR)).tolist() == [0, 2, 3]


def test_every_case_stands_in_the_order_of_ids_as_published() -> None:
    assert facts().every().tolist() == [0, 1, 2, 3, 4]
    mixed = pa.array(["h.1.L", "h.1-a.L", "h.2.L", "a.9.R", "h.3.L"])
    own = facts(ids=mixed)
    assert own.every().tolist() == [3, 1, 0, 2, 4]
    assert own.ids_of(own.every()[:2]) == ["a.9.R", "h.1-a.L"]


def test_many_texts_are_escaped_as_each_alone() -> None:
    texts = ["plain", "a<b>&c", "", '"it\'s"', "&amp;"]
    assert escaped(pa.array(texts)).to_pylist() == [escape(text) for text in texts]
    assert escaped(pa.array(["plain"])).to_pylist() == ["plain"]
