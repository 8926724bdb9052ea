"""Why patients came back, how severe it was, and what follows from what."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

Classify = Callable[..., Any]
CLEANED, LOOSENED = {"procedures": ("clean",)}, {"procedures": ("loosen",)}
GERM = {"category": "germ", "day": 20}
RETURN = {"category": "return"}


@pytest.mark.parametrize(
    ("events", "later", "decisions", "reasons"),
    [
        pytest.param([], [CLEANED], [], ["germ"], id="what the operation proves"),
        pytest.param([], [LOOSENED], [], ["tight"], id="what the operation is done for"),
        pytest.param([], [{"procedures": ("redo",)}], [], [None], id="nothing known"),
        pytest.param([GERM], [LOOSENED], [], ["germ"], id="what comes first in the catalogue's order"),
        pytest.param([GERM], [{**LOOSENED, "day": 81}], [], ["tight"], id="found too long before"),
        pytest.param([{**GERM, "day": 45}], [LOOSENED], [], ["tight"], id="found only afterwards"),
        pytest.param([{**GERM, "specific": 0}], [LOOSENED], [], ["tight"], id="only possible"),
        pytest.param(
            [GERM], [LOOSENED], [{"category": "germ", "counts": False}], ["tight"], id="refuted by a reviewer"
        ),
        pytest.param([GERM], [{**LOOSENED, "reason": "rest"}], [], ["rest"], id="stated in the record"),
        pytest.param(
            [], [{**CLEANED, "reason": "rest"}], [{**RETURN, "primary": "slip"}], ["slip"], id="a reviewer's"
        ),
        pytest.param(
            [], [CLEANED, {**CLEANED, "day": 70}], [{**RETURN, "primary": "slip"}], ["slip", "germ"],
            id="a reviewer's is of the first return",
        ),
        pytest.param(
            [], [CLEANED, {**CLEANED, "day": 70}], [{**RETURN, "primary": "slip", "occurred": 170}], ["germ", "slip"],
            id="or of that on the day named",
        ),
        pytest.param([GERM], [{**CLEANED, "role": "planned"}], [], [None], id="planned operations have none"),
        pytest.param([], [CLEANED], [{**RETURN, "counts": False}], [], id="no return, say reviewers"),
        pytest.param([], [{**CLEANED, "role": "no_return"}], [], [], id="awake"),
    ],
)  # fmt: skip
def test_one_primary_reason(
    classify: Classify, events: list, later: list, decisions: list, reasons: list
) -> None:
    assert classify(events=events, later=later, decisions=decisions).reasons() == reasons


def test_what_a_return_follows_from_is_its_parent(classify: Classify) -> None:
    found = classify(events=[GERM], later=[CLEANED, {**LOOSENED, "day": 200}])
    assert found.told("parent") == {
        ("germ", "any"): None, ("return", "every"): "germ", ("tight", "treated"): None,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("events", "later", "decisions", "grade"),
    [
        pytest.param([GERM], [], [], "II", id="the catalogue's"),
        pytest.param([{**GERM, "severity": "I"}], [], [], "I", id="stated in a record"),
        pytest.param(
            [{**GERM, "severity": "I"}, {**GERM, "severity": "IIIa", "day": 60}], [], [], "IIIa", id="the highest stated"
        ),
        pytest.param([GERM], [CLEANED], [], "III", id="treated in theatre"),
        pytest.param([{**GERM, "severity": "IVa"}], [CLEANED], [], "IVa", id="worse than a return"),
        pytest.param([GERM], [CLEANED], [{"severity": "I"}], "I", id="a reviewer's stands"),
        pytest.param([GERM], [], [{"counts": False}], None, id="not counted"),
    ],
)  # fmt: skip
def test_grades(classify: Classify, events: list, later: list, decisions: list, grade: str | None) -> None:
    assert classify(events=events, later=later, decisions=decisions).told("grade")[("germ", "any")] == grade


def test_any_complication_has_the_highest_grade_of_the_case(classify: Classify) -> None:
    found = classify(events=[GERM, {"category": "slip", "severity": "IV"}])
    assert found.highest() == "IV"
