"""Cases to discuss: what is new, what followed, what is open; counted by hand from invented rows. No surgeon."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pandas as pd
import pytest

from pipeline.publish import Context
from pipeline.publish.discuss_page import discuss_body

Tables = dict[str, pd.DataFrame]


@pytest.fixture
def course(context: Context) -> Tables:
    """One case: a first complication on day 20, known in October; a second on day 30 in November; then death."""
    first, second = [key for key, entry in context.catalogue.complications.items() if entry.in_any][:2]
    main = {key: context.catalogue.complications[key].main_level for key in (first, second)}
    case = {
        "case_id": "harbour.H1.L", "operation_id": "H1", "group": next(iter(context.catalogue.procedures)),
        "performed_on": date(2026, 10, 1), "surgeon": "harbour/SECRET", "contact_until": 25, "died": 29,
    }  # fmt: skip
    rows = [
        (first, main[first], 20, "counted", "f.csv:1; f.csv:2", date(2026, 10, 25), None),
        (second, main[second], 27, "counted", "f.csv:3", date(2026, 11, 2), first),
        (second, main[second], 400, "awaiting", "f.csv:4", date(2026, 11, 2), None),
    ]
    names = ["category", "level", "day", "status", "evidence", "known_on", "parent"]
    complications = pd.DataFrame(rows, columns=names).assign(
        case_id="harbour.H1.L", known_late=True, severity_grade=["II", None, None], last_operation="H1"
    )
    review = pd.DataFrame(
        [{"case_id": "harbour.H1.L", "category": second, "why": "reviewers differ", "evidence": "f.csv:5"}]
    )
    return {"cases": pd.DataFrame([case]), "complications": complications, "review": review}


def test_each_complication_stands_with_what_followed_and_what_is_open(
    course: Tables, context: Context
) -> None:
    first, second = course["complications"]["category"].tolist()[:2]
    named = {key: context.catalogue.complications[key].name for key in (first, second)}
    body = discuss_body(course, context)
    assert "2 complications in 1 case happened or became known in October 2026" in body
    rows = body.split("<section>")[1:]
    assert len(rows) == 2
    of_first = next(row for row in rows if f">{named[first]}</h2>" in row)
    assert f"{named[second].lower()} on day 27" in of_first.lower()
    assert "died on day 29" in of_first
    assert "grade II" in of_first
    assert f"{named[second]}: reviewers differ" in of_first
    assert '<span class="ref">f.csv:1</span><span class="ref">f.csv:2</span>' in of_first
    of_second = next(row for row in rows if f">{named[second]}</h2>" in row)
    assert f"follows from {named[first]}".lower() in of_second.lower()
    assert "grade not stated" in of_second


def test_no_surgeon_is_named(course: Tables, context: Context) -> None:
    assert "SECRET" not in discuss_body(course, context)


def test_a_death_of_the_period_and_what_contradicts_itself_are_listed(
    course: Tables, context: Context
) -> None:
    body = discuss_body(course, context)
    deaths, contradictions = body.partition('id="deaths"')[2].split('id="contradictions"')
    assert "harbour.H1.L" in deaths
    assert ">29</td>" in deaths
    assert "reviewers differ" in contradictions


@pytest.mark.parametrize("period", ["2026-09", "2027-01"])
def test_a_period_without_anything_new_says_so(course: Tables, context: Context, period: str) -> None:
    body = discuss_body(course, replace(context, period=period))
    assert "No complication happened or became known in" in body
    assert "No death in" in body


def test_without_cases_the_page_stands(context: Context) -> None:
    body = discuss_body({}, context)
    assert "No complication happened" in body
    assert "Nothing that is still open." in body
