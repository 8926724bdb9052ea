"""Where next to nothing is expected, print shows a dash and says why: not 0.0, nor a ratio up to a thousand."""

from __future__ import annotations

import re
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from pipeline.publish import words
from pipeline.publish.charts.funnel import told
from pipeline.publish.context import Context
from pipeline.publish.sheet_funnel import funnel
from pipeline.publish.surgeons_page import WHY_A_DASH, surgeons_body
from pipeline.publish.tables import ready
from pipeline.publish.workbook import write_workbook
from schemas.published import PUBLISHED

RATIO = {"ratio": 0.0, "ratio_ci_low": 0.0, "ratio_ci_high": 1537.03, "steadied_ratio": 0.74}


@pytest.fixture
def bare(tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """No surgeon had it, and nobody's patients lead to expect any."""
    rows = tables["surgeon_outcomes"]
    some = rows["expected"].notna()
    chance = {name: 0.0 for name in rows.columns if name.startswith("limit_")}
    few = rows.assign(events=0, in_words="None.", **chance)
    few = few.assign(expected=few["expected"].mask(some, 0.0024))
    few = few.assign(**{name: few[name].mask(some, value) for name, value in RATIO.items()})
    return {**tables, "surgeon_outcomes": few}


@pytest.mark.parametrize(
    ("number", "printed"), [(0.0, "fewer than 0.05 expected"), (0.0499, "fewer than 0.05 expected"), (0.05, "0.1 expected")]
)  # fmt: skip
def test_what_is_expected_in_a_sentence(number: float, printed: str) -> None:
    assert words.expected(number) == printed


def test_the_page_has_dashes_and_says_why(bare: dict[str, pd.DataFrame], context: Context) -> None:
    page = surgeons_body(bare, context)
    told = re.sub(r"<[^>]*>", " ", page)
    assert WHY_A_DASH in page
    assert "1537" not in told
    assert "0.00 (" not in told
    assert "0.0 expected" not in told
    assert "fewer than 0.05 expected" in told


def test_the_page_says_nothing_of_it_where_enough_are_expected(
    tables: dict[str, pd.DataFrame], context: Context
) -> None:
    assert WHY_A_DASH not in surgeons_body(tables, context)


def test_a_surgeon_s_own_sheet_says_that_chance_gives_none(bare: dict[str, pd.DataFrame]) -> None:
    rows = bare["surgeon_outcomes"]
    own = rows[rows["expected"].notna()]
    chosen = own[
        (own["category"] == own["category"].iloc[0]) & (own["window_days"] == own["window_days"].iloc[0])
    ]
    legend = funnel(chosen, str(chosen["surgeon"].iloc[0]), "T")["legend"].replace("\u00a0", " ")
    assert legend == (
        "With your patients chance alone gives no case with it (fewer than 0.05 expected) in 95 of 100; yours is 0.0 %."
    )
    assert "0.0 expected" not in told(chosen)


def test_the_workbook_shows_a_dash_and_keeps_the_number(
    bare: dict[str, pd.DataFrame], context: Context, tmp_path: Path
) -> None:
    table = ready(bare["surgeon_outcomes"], PUBLISHED["surgeon_outcomes"])
    write_workbook(tmp_path / "w.xlsx", {"surgeon_outcomes": table}, context)
    sheet = openpyxl.load_workbook(tmp_path / "w.xlsx")["surgeon_outcomes"]
    heads = [cell.value for cell in sheet[1]]
    assert 0.0024 in [row[heads.index("expected")].value for row in sheet.iter_rows(min_row=2)]
    rules = {
        str(place.sqref): [rule.formula for rule in place.rules] for place in sheet.conditional_formatting
    }
    columns = {sheet[place.split(":")[0]].column - 1 for place in rules}
    assert {heads[at] for at in columns} >= {"expected", *RATIO}
    letter = openpyxl.utils.get_column_letter(heads.index("expected") + 1)
    assert all(formulas == [[f"${letter}2<0.05"]] for formulas in rules.values())
