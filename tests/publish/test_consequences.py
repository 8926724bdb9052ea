"""What an answer would move: figures typed in by hand, weights worked out from (events + 1/2) / (no events + 1/2)."""

from __future__ import annotations

from dataclasses import replace
from math import log
from typing import Any

import pandas as pd
import pytest

from pipeline.catalogue import Catalogue, Complication
from pipeline.handover import AWAITING, COUNTED, Labels
from pipeline.publish.consequences import Figures, consequences
from pipeline.settings import Primary, Settings, Window

SEW, PLATE = 0, 1
CRACK, TIGHT, ASIDE, ANY = range(4)
LABELS = Labels(
    ("h",),
    ("sew", "plate"),
    (),
    (),
    (),
    ("crack", "tight", "aside", "any_complication"),
    (("any",),) * 4,
    ("young",),
)
CATALOGUE = Catalogue(
    {},
    {
        "crack": Complication("crack", "Crack"),
        "tight": Complication("tight", "Tight"),
        "aside": Complication("aside", "Aside", in_any=False),
    },
    {},
)
STATED = Primary("sew", "plate", "any_complication", 365)


def rate(procedure: str, category: str, window: int, events: float, cases: int) -> dict[str, object]:
    return {"stratum": "none", "procedure": procedure, "category": category, "level": "any", "window_days": window,
            "events": events, "cases": cases, "rate": events / cases}  # fmt: skip


RATES = pd.DataFrame(
    [
        rate("sew", "crack", 90, 1, 20), rate("sew", "crack", 365, 2, 14), rate("sew", "crack", 730, 2, 5),
        rate("sew", "any_complication", 365, 4, 14), rate("plate", "crack", 365, 0, 9), rate("plate", "aside", 365, 3, 9),
        {**rate("sew", "crack", 365, 1, 3), "stratum": "site"},
    ]
)  # fmt: skip
COMPARED = pd.DataFrame(
    [{"primary": True, "analysis": "all_cases", "events_a": 4, "cases_a": 13, "events_b": 1, "cases_b": 9},
     {"primary": True, "analysis": "followed", "events_a": 4, "cases_a": 10, "events_b": 1, "cases_b": 8}]
)  # fmt: skip
NONE = pd.DataFrame(columns=list(COMPARED.columns))


def figures(
    *rows: tuple[int, int, int, int], primary: Primary | None = None, known_until: int = 10_000, **case: Any
) -> Figures:
    """Case 0 is sewn, case 1 plated, on day 0; `rows` are case, category, day, status of main levels."""
    cases = pd.DataFrame({"group": [SEW, PLATE], "performed": 0, "known_until": known_until, "isolated": True,
                          "among:young": True}).assign(**case)  # fmt: skip
    found = pd.DataFrame(rows, columns=["case", "category", "day", "status"]).astype("int64").assign(level=0)
    windows = (Window(90, 14, 60), Window(365, 60, 90), Window(730, 90, 120))
    settings = Settings(windows=windows, primary=primary)
    return Figures(cases, found, RATES, COMPARED if primary else NONE, LABELS, settings, CATALOGUE)


def told(about: Figures, case: int, category: int, second: bool = False) -> tuple[str, bool, float]:
    asked = pd.DataFrame({"case": [case], "category": [category], "second": [second]})
    row = consequences(asked, about).iloc[0]
    return row["would_move"], bool(row["stated"]), float(row["weight"])


def test_one_more_event_in_the_usual_window() -> None:
    words, stated, weight = told(figures((0, CRACK, 40, AWAITING)), 0, CRACK)
    assert (words, stated) == ("2 of 14 would become 3 of 14 (365 days)", False)
    assert weight == pytest.approx(log(3.5 / 11.5) - log(2.5 / 12.5))


def test_the_first_event_of_a_small_group_weighs_more() -> None:
    waits = figures((0, CRACK, 40, AWAITING), (1, CRACK, 40, AWAITING))
    assert told(waits, 1, CRACK)[2] > told(waits, 0, CRACK)[2] > 0


@pytest.mark.parametrize(
    ("day", "known_until", "words"),
    [
        (-1, 10_000, "2 of 14 would become 3 of 14 (365 days)"),  # day unknown: in every window
        (365, 10_000, "2 of 14 would become 3 of 14 (365 days)"),
        (366, 10_000, "2 of 5 would become 3 of 5 (730 days)"),
        (40, 454, "1 of 20 would become 2 of 20 (90 days)"),  # 365 + 90 days of grace have not passed
        (40, 149, ""),  # nor 90 + 60
        (91, 454, ""),
        (731, 10_000, ""),
    ],
)
def test_only_windows_that_are_closed_and_hold_the_day(day: int, known_until: int, words: str) -> None:
    about = figures((0, CRACK, day, AWAITING), known_until=known_until)
    found = told(about, 0, CRACK)
    assert found[0] == words
    assert (found[2] > 0) is bool(words)


def test_what_one_reviewer_said_does_not_show() -> None:
    """One yes has made it 2 of 14; for the second it is as if nobody had said anything."""
    about = figures((0, CRACK, 40, COUNTED))
    assert told(about, 0, CRACK, second=True)[0] == "1 of 14 would become 2 of 14 (365 days)"
    assert told(about, 0, CRACK)[0] == "", "counted otherwise: a further record moves nothing"


def test_a_note_without_category_may_be_anything() -> None:
    assert told(figures(), 0, -1)[0] == "any complication: 4 of 14 would become 5 of 14 (365 days)"
    assert told(figures((0, ANY, 20, COUNTED)), 0, -1)[0] == ""


def test_the_stated_comparison_is_named_and_weighed() -> None:
    words, stated, weight = told(figures((0, CRACK, 40, AWAITING), primary=STATED), 0, CRACK)
    assert words == (
        "2 of 14 would become 3 of 14 (365 days); the stated comparison: 4 of 13 would become 5 of 13 (365 days)"
    )
    assert stated
    assert weight == pytest.approx(log(5.5 / 8.5) - log(4.5 / 9.5))
    assert "1 of 9 would become 2 of 9" in told(figures(primary=STATED), 1, CRACK)[0], "the other arm"


@pytest.mark.parametrize(
    "about",
    [
        figures((0, CRACK, 40, AWAITING), (0, TIGHT, 60, COUNTED), primary=STATED),
        figures((0, CRACK, 40, AWAITING), primary=STATED, isolated=False),
        figures((0, CRACK, 40, AWAITING), primary=replace(STATED, among="young"), **{"among:young": False}),
        figures((0, CRACK, 40, AWAITING), primary=replace(STATED, a="plate", b="plate")),
        figures((0, CRACK, 40, AWAITING), primary=replace(STATED, category="tight")),
        figures((0, CRACK, 366, AWAITING), primary=STATED),
        figures((0, CRACK, 40, AWAITING), primary=STATED, known_until=454),
    ],
    ids=["has another already", "not isolated", "not among them", "in no arm", "other outcome", "too late", "not closed"],
)  # fmt: skip
def test_what_does_not_move_the_stated_comparison(about: Figures) -> None:
    words, stated, _ = told(about, 0, CRACK)
    assert "stated comparison" not in words
    assert not stated


def test_a_category_apart_does_not_make_any_complication() -> None:
    assert not told(figures((1, ASIDE, 40, AWAITING), primary=STATED), 1, ASIDE)[1]


def test_another_complication_after_the_window_leaves_the_comparison_open() -> None:
    about = figures((0, CRACK, 40, AWAITING), (0, TIGHT, 400, COUNTED), primary=STATED)
    assert told(about, 0, CRACK)[1]
