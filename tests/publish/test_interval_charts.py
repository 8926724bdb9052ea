"""Intervals as pictures: every place worked out by hand, every number in words too."""

from __future__ import annotations

import re

import pandas as pd
import pytest

from pipeline.publish import Context
from pipeline.publish.charts import drawing
from pipeline.publish.charts.drawing import Scale
from pipeline.publish.charts.intervals import POINTS, RATIO, Interval, interval_plot
from pipeline.publish.charts.rates_chart import chosen_window, rates_chart


def described(svg: str) -> str:
    return re.search(r"<desc[^>]*>(.*?)</desc>", svg, flags=re.DOTALL)[1].replace("\u00a0", " ")


def paths(svg: str, kind: str) -> list[str]:
    return re.findall(rf'<path class="{kind}" d="([^"]+)"', svg)


@pytest.mark.parametrize(
    ("low", "high", "most", "expected"),
    [
        (0, 0.3, 5, [0, 0.1, 0.2, 0.3]),
        (0, 1, 5, [0, 0.2, 0.4, 0.6, 0.8, 1.0]),
        (-0.3, 0.3, 6, [-0.3, -0.2, -0.1, 0, 0.1, 0.2, 0.3]),
        (0, 7, 5, [0, 2, 4, 6]),
        (3, 3, 5, [3]),
    ],
)
def test_axes_are_marked_at_round_numbers(low: float, high: float, most: int, expected: list[float]) -> None:
    assert drawing.ticks(low, high, most) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("highest", "expected"), [(0.0, 0.1), (0.1, 0.1), (0.11, 0.15), (0.44, 0.5), (0.95, 1.0), (37, 40)]
)
def test_an_axis_ends_at_a_round_number_above_all(highest: float, expected: float) -> None:
    assert drawing.top_of(highest, 0.1) == pytest.approx(expected)


def test_what_lies_beyond_an_axis_is_drawn_at_its_end() -> None:
    scale = Scale(0, 0.5, 6, 354)  # 348 units for 0.5
    assert [scale(value) for value in (-1, 0, 0.25, 0.5, 2)] == [6, 6, 180, 354, 354]


def test_a_staircase_holds_each_height_until_the_next() -> None:
    assert drawing.steps([(0, 5), (10, 4), (30, 1)]) == [(0, 5), (10, 5), (10, 4), (30, 4), (30, 1)]
    assert drawing.steps([(2, 3)]) == [(2, 3)]
    assert drawing.steps([]) == []


def test_a_share_stands_where_its_axis_says() -> None:
    """0 to 20 % over 348 units from 6: 5 % at 93, 2.5 % at 49.5, 20 % at 354; first row's line at 4 + 23."""
    svg = interval_plot("p", "T", [Interval("A", 0.05, 0.025, 0.2, "2 of 40")])
    assert '<circle class="dot" cx="93" cy="27"' in svg
    assert paths(svg, "bar") == ["M49.5 27H354M49.5 23L49.5 27L49.5 31M354 23L354 27L354 31"]
    assert [float(x) for x in re.findall(r'class="grid" d="M([\d.]+)', svg)] == [6, 93, 180, 267, 354]


def test_a_difference_stands_around_a_line_at_nought() -> None:
    """-20 to +20 points: nought in the middle, 180; 10 points are 87 units."""
    svg = interval_plot("p", "T", [Interval("A", 0.1, -0.1, 0.2)], POINTS)
    assert '<circle class="dot" cx="267" cy="27"' in svg
    assert paths(svg, "nought") == ["M180 0L180 38"]
    assert paths(svg, "bar")[0].startswith("M93 27H354")
    assert ">−20</text>" in svg
    assert ">+20</text>" in svg


def test_a_ratio_stands_on_a_logarithmic_axis_and_an_end_beyond_it_is_an_arrow() -> None:
    """0.5 to 10: log 20 over 348 units; 1 at 6 + 348 · ln 2 / ln 20 = 86.5; wings of the arrow point back."""
    svg = interval_plot("p", "T", [Interval("A", 1.0, 0.5, 126.0)], RATIO)
    assert '<circle class="dot" cx="86.5" cy="27"' in svg
    assert paths(svg, "bar") == ["M6 27H354M6 23L6 27L6 31M350 23L354 27L350 31"]


def test_rows_without_a_value_are_named_without_a_mark() -> None:
    svg = interval_plot("p", "T", [Interval("A", said="cannot occur here", told="A: cannot occur here")])
    assert "<circle" not in svg
    assert not paths(svg, "bar")
    assert described(svg) == "A: cannot occur here."


def test_lost_cases_reach_to_an_open_mark() -> None:
    svg = interval_plot("p", "T", [Interval("A", 0.05, 0.025, 0.1, reach=0.2)])
    assert paths(svg, "dots") == ["M93 27L354 27"]
    assert '<path class="diamond open"' in svg


def test_long_labels_take_two_lines_and_move_what_follows() -> None:
    long = "An operation whose name is so long that nobody could put it on a single line of a phone"
    svg = interval_plot("p", "T", [Interval(long, 0.05, 0.0, 0.1), Interval("B", 0.05, 0.0, 0.1)])
    assert re.findall(r'<circle[^>]*cy="(\d+)"', svg) == ["40", "74"]  # 4 + 13 + 23, and a row of 34 below


def test_names_stay_text() -> None:
    svg = interval_plot("p", '<b>&"', [Interval("<script>", 0.1, 0.0, 0.2, "<i>")])
    assert "<script" not in svg
    assert "<b>" not in svg
    assert "<i>" not in svg


def test_a_category_is_drawn_at_a_year_with_its_numbers_in_words(
    tables: dict[str, pd.DataFrame], context: Context
) -> None:
    rates = tables["rates"]
    rows = rates[(rates["stratum"] == "none") & (rates["category"] == "any_complication")]
    drawn = rates_chart("r", rows, "Any complication", context)
    said = described(drawn)
    assert "within 365 days" in drawn.replace("\u00a0", " ")
    assert "Ligament reconstruction" in said
    assert "between 9.5 and 42.9 %, 2 of 21; 42.9 % if all lost had it" in said
    assert "none in 27, at most 12.0 %" in said
    assert '<circle class="hollow"' in drawn  # nothing counted is not a full dot


def test_without_any_estimate_there_is_no_picture(tables: dict[str, pd.DataFrame], context: Context) -> None:
    rates = tables["rates"]
    assert rates_chart("r", rates.assign(rate=None), "Any", context) == ""
    assert rates_chart("r", rates.head(0), "Any", context) == ""


@pytest.mark.parametrize(
    ("days", "chosen"), [([30, 90, 365, 730], 365), ([30, 90], 90), ([730], 730), ([730, 1000], 730)]
)
def test_the_window_drawn_is_a_year_or_what_comes_nearest(days: list[int], chosen: int) -> None:
    assert chosen_window(days) == chosen
