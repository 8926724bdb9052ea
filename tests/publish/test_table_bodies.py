"""Printed tables: blocks, headers with their scope, the order of rows, what is escaped."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import pandas as pd
import pytest

from pipeline.publish.context import Context
from pipeline.publish.numbers.rows import given_rows
from pipeline.publish.page import Show, linked, table
from pipeline.publish.rows_behind import linked_findings
from pipeline.publish.table_bodies import bodies

ROWS = pd.DataFrame(
    {
        "block": ["one", "two", "one"],
        "window": ["30 days", "90 days", "<365> days"],
        "cases": ["1", "2", None],
    }
)
PLACES = {"cases": "right", "window": "left"}


def test_blocks_stand_in_the_order_of_their_first_row_and_keep_the_order_within() -> None:
    made = bodies(ROWS, PLACES, stub="window", grouped_by="block")
    assert re.findall(r'scope="rowgroup">(\w+)<', made) == ["one", "two"]
    assert [re.findall(r'scope="row"[^>]*>([^<]+)<', body) for body in made.split("</tbody>")[:2]] == [
        ["30 days", "&lt;365&gt; days"],
        ["90 days"],
    ]
    assert made.count("<tbody") == 2


def test_the_cell_that_heads_a_row_comes_first_and_nothing_is_an_empty_cell() -> None:
    made = bodies(ROWS.tail(1), PLACES, stub="window")
    assert re.findall(r"<(t[hd])[^>]*>([^<]*)</t[hd]>", made) == [("th", "&lt;365&gt; days"), ("td", "")]


def test_rows_without_a_head_of_their_own_are_plain_cells_in_the_order_of_columns() -> None:
    made = bodies(ROWS.head(1), PLACES)
    assert re.findall(r'<t([hd]) class="gt_row gt_(\w+)">([^<]*)<', made) == [
        ("d", "right", "1"),
        ("d", "left", "30 days"),
    ]


@pytest.mark.parametrize(("stub", "heads"), [("window", ["Window", "Cases"]), ("", ["Cases", "Window"])])
def test_heads_stand_over_their_columns(stub: str, heads: list[str]) -> None:
    columns = {"cases": Show("Cases", number=True), "window": Show("Window")}
    made = table(ROWS, "short", "Cases & more", columns, stub=stub, grouped_by="block")
    assert re.findall(r'<th[^>]*scope="col"[^>]*>([^<]+)<', made) == heads
    assert "<caption>Cases &amp; more</caption>" in made
    assert re.findall(r'id="([^"]+)"', made) == ["t-short"]
    assert 'colspan="2" scope="rowgroup"' in made


def test_only_so_many_rows_are_shown_and_the_file_is_named() -> None:
    many = pd.DataFrame({"cases": [str(number) for number in range(501)]})
    made = table(many, "t", "Many", {"cases": Show("Cases")}, csv="../tables/rates.csv")
    assert made.count("<tr>") == 500
    assert "The first 500 of 501 rows" in made
    assert '<a href="../tables/rates.csv">' in made


def test_a_cell_that_is_mark_up_is_not_escaped_again_and_its_words_are() -> None:
    cells = pd.DataFrame({"cases": [linked("<7>", 'lists/a&b.html#"x"'), "<a>"]}, dtype=object)
    made = bodies(cells, {"cases": "right"})
    assert '<a href="lists/a&amp;b.html#&quot;x&quot;">&lt;7&gt;</a>' in made
    assert "&lt;a&gt;</td>" in made


def test_a_row_of_a_list_is_headed_by_something_even_where_nothing_was_given() -> None:
    made = given_rows([("", "4"), ("<a>", "")], [False, True])
    assert re.findall(r'<th scope="row">([^<]*)</th>', "".join(made)) == ["not given", "&lt;a&gt;"]
    assert [row.count("<td") for row in made] == [1, 1]


def test_findings_about_a_table_as_a_whole_say_that_they_have_no_file(context: Context) -> None:
    """A table that was never sent is in no file; the list's rows are headed by their files."""
    found = pd.DataFrame(
        {name: [value, "x"] for name, value in
         {"source_file": None, "source_line": None, "table": "events", "record_id": None, "column": None}.items()}
    )  # fmt: skip
    asked: list[Any] = []
    context = replace(context, lists=cast("Any", SimpleNamespace(rows=lambda *given: asked.append(given))))
    linked_findings("2", found, "Every finding", context)
    assert [row[:3] for row in asked[0][4]] == [("no file", "", "events"), ("x", "x", "x")]
