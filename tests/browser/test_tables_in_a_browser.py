"""Sorting and filtering long tables with the little script of each page: by keyboard, and told to a screen reader."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

LIST = "all-any-complication.html"
FIRST = "document.querySelector('table')"


@pytest.fixture
def tab(browser: Any, demo: Any) -> Iterator[Any]:
    """A page of lists, fresh: nothing sorted or filtered."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.goto(Path(demo.department / "report" / "lists" / LIST).as_uri())
    yield page
    context.close()


def days(tab: Any) -> list[int]:
    """The column of days of the first list, rows that are shown."""
    found: list[str] = tab.evaluate(
        f"[...{FIRST}.tBodies[0].rows].filter(row => !row.hidden).map(row => row.cells[4].textContent)"
    )
    return [int(day) for day in found]


def test_a_head_sorts_by_its_column_with_the_keyboard_and_says_so(tab: Any) -> None:
    head = tab.locator("table").first.locator("thead th").nth(4)
    before = days(tab)
    assert head.get_attribute("aria-sort") is None
    head.locator("button").focus()
    tab.keyboard.press("Enter")
    assert days(tab) == sorted(before)
    assert head.get_attribute("aria-sort") == "ascending"
    tab.keyboard.press("Space")
    assert days(tab) == sorted(before, reverse=True)
    assert head.get_attribute("aria-sort") == "descending"
    assert tab.locator("table").first.locator("th[aria-sort]").count() == 1


def test_the_filter_keeps_rows_with_all_words_and_says_how_many(tab: Any) -> None:
    rows = tab.evaluate(f"[...{FIRST}.tBodies[0].rows].map(row => row.textContent.toLowerCase())")
    field = tab.get_by_label("Show only rows with").first
    field.fill("harbour Revision")
    kept = [row for row in rows if "harbour" in row and "revision" in row]
    assert 0 < len(kept) < len(rows)
    assert tab.locator("output").first.text_content() == f"{len(kept)} of {len(rows)} rows"
    assert len(days(tab)) == len(kept)
    field.fill("")
    assert len(days(tab)) == len(rows)


def test_blocks_of_rows_stay_together_and_an_empty_block_goes(browser: Any, demo: Any) -> None:
    context = browser.new_context()
    page = context.new_page()
    page.goto(Path(demo.department / "report" / "rates.html").as_uri())
    blocks = page.evaluate(f"[...{FIRST}.tBodies].map(body => body.rows[0].textContent)")
    assert len(blocks) > 5
    page.locator("table").first.locator("thead button").nth(1).click()
    heads = page.evaluate(f"[...{FIRST}.tBodies].map(body => body.rows[0].textContent)")
    assert heads == blocks
    page.get_by_label("Show only rows with").first.fill(blocks[1])
    shown = page.evaluate(
        f"[...{FIRST}.tBodies].filter(body => !body.hidden).map(body => body.rows[0].textContent)"
    )
    assert shown == [name for name in blocks if blocks[1].lower() in name.lower()]
    context.close()


def test_surgeons_cannot_be_put_in_the_order_of_a_figure(browser: Any, demo: Any) -> None:
    context = browser.new_context()
    page = context.new_page()
    page.goto(Path(demo.department / "report" / "surgeons.html").as_uri())
    tables = "[...document.querySelectorAll('table')].filter(table => table.caption.textContent.includes('in the order of'))"
    assert page.evaluate(f"{tables}.length") == 4
    assert (
        page.evaluate(
            f"{tables}.reduce((sum, table) => sum + table.querySelectorAll('thead button').length, 0)"
        )
        == 0
    )
    ids = page.evaluate(
        f"[...{tables}[1].querySelectorAll('tbody th[scope=row]')].map(cell => cell.textContent)"
    )
    assert ids[:4] == ["HB-S1", "HB-S2", "HB-S3", "HB-S4"]
    context.close()


def test_paper_shows_every_row_whatever_is_filtered(tab: Any) -> None:
    tab.get_by_label("Show only rows with").first.fill("no row has these words")
    assert days(tab) == []
    tab.emulate_media(media="print")
    seen = tab.evaluate(f"[...{FIRST}.tBodies[0].rows].every(row => row.getClientRects().length > 0)")
    assert seen
    assert not tab.locator(".tools").first.is_visible()
