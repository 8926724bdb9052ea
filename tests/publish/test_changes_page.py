"""The page that says what moved since the last signed edition."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from pathlib import Path
from typing import Any, cast

import pandas as pd
import pytest

from pipeline.catalogue import ANY_COMPLICATION
from pipeline.publish import Context
from pipeline.publish.changes_page import changes_body
from pipeline.publish.numbers.whose import Whose
from pipeline.publish.report import write_report
from schemas.changes import CAUSES

Tables = dict[str, pd.DataFrame]


def said(page: Path) -> str:
    """The words of a page without mark-up."""
    body = page.read_text("utf-8").partition("<main")[2].partition("</main>")[0]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).replace("\u00a0", " ").split())


@pytest.fixture
def later(context: Context) -> Context:
    return replace(context, number=2, compared_with={"2026-10/1": "0" * 64})


@pytest.fixture
def moved(tables: Tables, context: Context) -> Tables:
    first = next(iter(context.catalogue.procedures))
    category = next(key for key in context.catalogue.complications if key != ANY_COMPLICATION)
    changes = pd.DataFrame(
        [
            (
                "harbour.1.L",
                f"{category}.any",
                "awaiting, day 12",
                "counted, day 12",
                "decision",
                "decisions/<a>.csv",
                3,
            ),
            (
                "harbour.2.R",
                "case",
                None,
                first,
                "late_record",
                "received/harbour/2026-11-20/operations.csv",
                2,
            ),
            ("harbour.3.R", "contact_until", "60", "361", "other_records", None, None),
        ],
        columns=["case_id", "field", "before", "after", "because", "file", "line"],
    )
    figures = pd.DataFrame(
        [
            (first, ANY_COMPLICATION, "any", 365, "events", 2, 3, "decision", 1, 1, 0),
            (first, ANY_COMPLICATION, "any", 365, "lost", 1, 1, "late_record", 0, 1, 1),
            (first, ANY_COMPLICATION, "any", 365, "cases", 7, 9, "window_closed", 1, 1, 0),
            (first, ANY_COMPLICATION, "any", 365, "cases", 7, 9, "late_record", 1, 1, 0),
        ],
        columns=[
            "procedure", "category", "level", "window_days", "figure", "before", "after", "because", "change", "came", "went"
        ],
    )  # fmt: skip
    return {**tables, "changes": changes, "changed_figures": figures}


def test_cases_and_figures_are_told_in_words(tmp_path: Path, moved: Tables, later: Context) -> None:
    write_report(tmp_path, moved, later)
    text = said(tmp_path / "what_changed.html")
    assert "The last signed edition is number 1 of October 2026." in text
    assert "3 cases would be told otherwise of the days it covers" in text
    assert "3 figures of any complication moved" in text
    assert "awaiting, day 12 counted, day 12 a reviewer's decision decisions/<a>.csv, line 3" in text
    assert "day 60 day 361 other records of the patient –" in text
    assert "+1: a record that came late; +1: a window that closed" in text
    assert "1 in and 1 out: a record that came late" in text
    assert "a record that came late: 1 case" in text
    assert not re.search(r"late_record|window_closed|contact_until|any_complication", text)


def test_the_first_page_says_it_in_short(
    tmp_path: Path, moved: Tables, later: Context, context: Context
) -> None:
    write_report(tmp_path, moved, later)
    assert "Since the last signed edition The last signed edition is number 1 of October 2026." in said(
        tmp_path / "index.html"
    )
    write_report(tmp_path, moved, context)
    assert "Since the last signed edition" not in said(tmp_path / "index.html")


def test_nothing_moved(tmp_path: Path, moved: Tables, later: Context) -> None:
    still = {
        **moved,
        "changes": moved["changes"].head(0),
        "changed_figures": moved["changed_figures"].head(0),
    }
    write_report(tmp_path, still, later)
    assert "no figure has moved" in said(tmp_path / "what_changed.html")


def test_every_cause_has_words() -> None:
    assert all(told and "_" not in told for told in CAUSES.values())


class Listed:
    """Stands for the lists of an edition: notes which number asked for which list, and prints it in brackets."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, int]] = []

    def rows(
        self, told: str, page: str, title: str, heads: tuple[str, ...], rows: list[tuple[str, ...]]
    ) -> str:
        assert all(len(row) == len(heads) for row in rows)
        self.asked.append((f"{page}: {title}", len(rows)))
        return f"[{told}]"

    def number(self, told: str, kind: str, whose: Whose, category: str, level: str, window_days: int) -> str:
        self.asked.append((f"{kind} {whose.procedure} {category} {level} {window_days}", int(told)))
        return f"[{told}]"


def test_numbers_lead_to_the_cases_they_count(moved: Tables, later: Context) -> None:
    lists = Listed()
    body = changes_body(moved, replace(later, lists=cast("Any", lists)))
    first = moved["changed_figures"]["procedure"].iloc[0]
    assert sorted(lists.asked) == sorted(
        [
            ("What changed: Cases told otherwise", 3),
            *((f"What changed: Cases told otherwise: {CAUSES[cause]}", 1)
              for cause in ("decision", "late_record", "other_records")),
            *((f"{kind} {first} {ANY_COMPLICATION} any 365", number)
              for kind, number in (("cases", 9), ("events", 3), ("lost", 1))),
        ]
    )  # fmt: skip
    assert "By what is known now, [3 cases] would be told otherwise" in body
    assert f"{CAUSES['decision']}: [1 case]" in unescape(body)
