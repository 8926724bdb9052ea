"""Curves of time to event: places by hand, numbers at risk below, and words that give the same numbers."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

from pipeline.publish import Context
from pipeline.publish.charts.curves import Curve, curve_chart, curves, highest_share, told
from pipeline.publish.report import write_report
from tests.publish.chart_tables import course, event_free

WINDOWS = [30, 365, 730]


@pytest.fixture
def whole() -> Curve:
    return curves(pd.DataFrame(event_free("a", "b", "c")[:4]))["a"]


def drawn(svg: str, kind: str) -> list[str]:
    return re.findall(rf'<path class="{kind}" d="([^"]+)"', svg)


def test_the_lower_curve_steps_at_the_days_of_its_table(whole: Curve) -> None:
    """730 days over 290 units from 56; 30 % over 80 units above 192: 10 % at 165.3, 16 % at 149.3."""
    svg = curve_chart("c", "T", whole, WINDOWS, 0.3)
    assert drawn(svg, "curve")[1] == "M56 192L85 192L85 165.3L201 165.3L201 149.3"
    assert (
        drawn(svg, "curve few")[1] == "M201 149.3L346 149.3L346 149.3"
    )  # fewer than ten from the next row on


def test_the_upper_curve_is_drawn_from_all_to_nobody(whole: Curve) -> None:
    """100 % over 60 units above 84: 90 % at 30, 78 % at 37.2."""
    svg = curve_chart("c", "T", whole, WINDOWS, 0.3)
    assert drawn(svg, "curve")[0] == "M56 24L85 24L85 30L201 30L201 37.2"


def test_those_at_risk_stand_under_the_ends_of_windows(whole: Curve) -> None:
    """At 730 eight; at 365 sixteen; day 30 lies too close to day 0 to be printed."""
    svg = curve_chart("c", "T", whole, WINDOWS, 0.3)
    found = re.findall(r'<text x="([\d.]+)" y="224"[^>]*>(\d+)</text>', svg)
    assert found == [("56", "20"), ("201", "16"), ("346", "8")]


def test_the_scale_ends_above_what_rests_on_ten_cases(whole: Curve) -> None:
    assert highest_share([whole]) == pytest.approx(0.3)  # the limit 0.288 of day 365
    assert highest_share([]) == pytest.approx(0.05)


def test_the_words_give_shares_limits_and_who_died(whole: Curve) -> None:
    assert told(whole, WINDOWS).replace("\u00a0", " ") == (
        "20 cases at the operation; by day 30 none, 20 still observed; by day 365 16.0 % (8.0–28.8 %) have had it, 16 still "
        "observed; by day 730 16.0 % (8.0–28.8 %) have had it, 8 still observed; 1 died before it."
    )


def test_a_course_that_ends_early_says_so() -> None:
    short = curves(pd.DataFrame(course("a", "c", [(0, 3, 0, 0), (40, 3, 1, 0)], [(1.0, 0.0), (0.67, 0.33)])))[
        "a"
    ]
    assert told(short, [30, 365]).endswith("nobody observed to day 365; nobody died before it.")
    svg = curve_chart("c", "T", short, [30, 365], 0.5)
    assert drawn(svg, "curve") == []  # three cases: dotted from the beginning
    assert len(drawn(svg, "curve few")) == 2


def test_operations_and_categories_without_events_are_sentences(
    tmp_path: Path, tables: dict[str, pd.DataFrame], context: Context
) -> None:
    write_report(tmp_path, tables, context)
    markup = (tmp_path / "time_to_event.html").read_text("utf-8")
    assert markup.count("<figure") == 1
    assert re.search(r"None so far after: [^<]*\(27 cases\)\.", markup)
    assert "Nothing counted so far: " in markup
    assert "Death competes" in markup


def test_without_any_course_the_page_says_so(
    tmp_path: Path, tables: dict[str, pd.DataFrame], context: Context
) -> None:
    none = tables["event_free"].assign(events=0)
    write_report(tmp_path, {**tables, "event_free": none}, context)
    markup = (tmp_path / "time_to_event.html").read_text("utf-8")
    assert "<figure" not in markup
    assert "Nothing counted so far: Any complication and" in markup
