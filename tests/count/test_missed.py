"""Cases from which a sample is drawn, and what reading some of them showed. Cases of two sites, typed in by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipeline.count import missed_counts, notes_of_cases, text_negative
from pipeline.handover import AWAITING, COUNTED, HEARD, NO, PRESENT, REFUTED, SPLIT, UNCERTAIN, YES
from schemas.people import ASKED

ANY, SAMPLE = 2, ASKED.index("sample")


def rows(columns: str, *found: tuple[Any, ...]) -> pd.DataFrame:
    frame = pd.DataFrame(list(found), columns=columns.split())
    texts = {"table": object, "pending": bool, "noted": bool}
    return frame.astype({name: texts.get(name, "int64") for name in frame})


def whole_of(size: int = 4, **more: pd.DataFrame) -> SimpleNamespace:
    """Cases 0, 1, … with an event each of the same number; even ones at site 0, odd ones at site 1."""
    number = np.arange(size)
    usual = {
        "cases": pd.DataFrame({"case": number, "operation": number, "side": 0, "site": number % 2, "performed": 100,
                               "counted": True}),
        "records": rows("case table row day pending", *[(n, "events", n, 5, False) for n in range(size)]),
        "shared_visits": rows("row case"),
        "complications": rows("case category level status"),
        "unread": rows("case"),
        "heard": rows("case why assertion"),
        "decided": rows("case category verdict"),
        "chain": rows("case performed"),
    }  # fmt: skip
    return SimpleNamespace(**{**usual, **more})


def facts_of(*decisions: tuple[int, int, int], size: int = 4, **more: Any) -> SimpleNamespace:
    """Every event has a note; `decisions` are operation, category, counts of drawn cases."""
    usual = {
        "events": rows("row noted", *[(n, True) for n in range(size)]),
        "followups": rows("row day noted"),
        "decisions": rows("operation category counts", *decisions).assign(side=0, asked=SAMPLE, reviewer=0),
        "reviewers": (),
        "surgeons": (),
    }
    return SimpleNamespace(**{**usual, **more})


def negative(whole: Any, facts: Any) -> list[int]:
    return np.flatnonzero(text_negative(whole, facts, ANY)).tolist()


def test_a_case_needs_a_note_of_its_own_and_after_its_operation() -> None:
    records = rows(
        "case table row day pending", (0, "events", 0, 5, False), (1, "events", 1, -5, False), (2, "events", 2, 5, True),
        (3, "measurements", 0, 5, False),
    )  # fmt: skip
    facts = facts_of(events=rows("row noted", (0, True), (1, True), (2, True)))
    assert negative(whole_of(records=records), facts) == [0]
    assert negative(whole_of(), facts_of(events=rows("row noted", *[(n, n == 3) for n in range(4)]))) == [3]


def test_a_visit_that_cases_share_is_a_note_of_those_that_had_begun() -> None:
    whole = whole_of(
        records=rows("case table row day pending"), shared_visits=rows("row case", (7, 0), (7, 1))
    )
    whole.cases["performed"] = [100, 200, 100, 100]
    notes = notes_of_cases(whole, facts_of(followups=rows("row day noted", (7, 150, True))))
    assert notes.to_numpy().tolist() == [[0, "followups", 7]]


@pytest.mark.parametrize(
    ("more", "left"),
    [
        ({"complications": rows("case category level status", (1, 0, 0, COUNTED))}, [0, 2, 3]),
        ({"complications": rows("case category level status", (1, 0, 0, AWAITING))}, [0, 2, 3]),
        ({"complications": rows("case category level status", (1, 0, 0, REFUTED))}, [0, 1, 2, 3]),
        ({"unread": rows("case", (2,))}, [0, 1, 3]),
        ({"heard": rows("case why assertion", (0, HEARD, PRESENT))}, [1, 2, 3]),
        ({"heard": rows("case why assertion", (0, HEARD, UNCERTAIN))}, [1, 2, 3]),
        ({"heard": rows("case why assertion", (0, 0, PRESENT))}, [0, 1, 2, 3]),
    ],
    ids=["counted", "awaiting", "refuted", "not understood", "said", "suspected", "said of something else"],
)
def test_what_takes_a_case_away(more: dict[str, pd.DataFrame], left: list[int]) -> None:
    assert negative(whole_of(**more), facts_of()) == left


def test_what_the_sample_itself_found_does_not_take_a_case_away() -> None:
    rows_of = rows("case category level status", (1, 0, 0, COUNTED), (1, ANY, 0, COUNTED))
    assert negative(whole_of(complications=rows_of), facts_of((1, 0, 1))) == [0, 1, 2, 3]


def test_what_was_read_and_missed_by_site() -> None:
    """Read are 0 (nothing), 1 (counts now), 2 (refuted by others since) and 3 (reviewers differ); 4 and 5 are not."""
    verdicts = rows("case category verdict", (1, 0, YES), (2, 0, NO), (3, 1, SPLIT))
    whole = whole_of(6, decided=verdicts)
    facts = facts_of((0, -1, 0), (1, 0, 1), (2, 0, 1), (3, 1, 1), size=6)
    found = missed_counts(np.ones(6, dtype=bool), whole, facts)
    assert found[["site", "cases", "read", "missed", "undecided"]].to_numpy().tolist() == [
        [0, 3, 2, 0, 0], [1, 3, 2, 1, 1],
    ]  # fmt: skip


def test_a_case_that_is_no_longer_among_them_is_no_longer_read() -> None:
    found = missed_counts(np.array([True, False, True, True]), whole_of(), facts_of((1, -1, 0)))
    assert found["read"].sum() == 0
