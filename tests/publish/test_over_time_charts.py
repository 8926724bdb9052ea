"""Periods, bars, shares and running charts: places by hand, words that give the same numbers."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.publish import Context
from pipeline.publish.charts.by_period import (
    MOST_PERIODS,
    PeriodShare,
    bar_chart,
    named_periods,
    numbers_told,
    share_chart,
    shares_told,
)
from pipeline.publish.charts.running import MOST_POINTS, running_chart, runnings, thinned
from pipeline.publish.report import write_report
from pipeline.publish.running_part import summary
from tests.publish.chart_tables import monitoring

Tables = dict[str, pd.DataFrame]


def test_periods_between_are_named_and_what_is_none_is_left_out() -> None:
    assert [period.name for period in named_periods(["2025-01", "2024-11", "unknown"])] == [
        "2024-11",
        "2024-12",
        "2025-01",
    ]
    assert [period.name for period in named_periods(["2024-Q4", "2025-Q2"])] == [
        "2024-Q4",
        "2025-Q1",
        "2025-Q2",
    ]
    assert named_periods(["unknown"]) == []
    many = named_periods(["2015-01", "2025-01"])
    assert (len(many), many[-1].name) == (MOST_PERIODS, "2025-01")


def test_bars_stand_on_nought_in_the_order_of_periods() -> None:
    """Three months over 310 units from 42: middles at 93.7, 197 and 300.3; 9 to each side; 10 cases over 78 units above 88."""
    svg = bar_chart("v", "T", named_periods(["2024-11", "2025-01"]), {"2024-11": 5, "2025-01": 10}, 10)
    assert re.findall(r'<path class="column" d="([^"]+)"', svg) == [
        "M84.7 88L84.7 49L102.7 49L102.7 88Z",
        "M291.3 88L291.3 10L309.3 10L309.3 88Z",
    ]
    assert re.findall(r">(Nov 2024|2025)</text>", svg) == ["Nov 2024", "2025"]


def test_bars_in_words() -> None:
    months = named_periods(["2024-11", "2025-01"])
    assert (
        numbers_told(months, {"2024-11": 5, "2025-01": 10})
        == "Cases: 5 in 2024 and 10 in 2025; 0 to 10 a month."
    )
    assert numbers_told([], {}) == "No case."


def test_shares_stand_with_their_interval_and_open_periods_are_rings() -> None:
    """100 % over 118 units above 128: 3 of 6 at 69, limits 20 and 80 % at 104.4 and 33.6."""
    shares = {"2024-11": PeriodShare(6, 3, 0.2, 0.8, True), "2025-01": PeriodShare(1, 1, 0.2, 1.0, False)}
    months = named_periods(["2024-11", "2025-01"])
    svg = share_chart("o", "T", months, shares, 1.0)
    assert '<path class="bar thin" d="M93.7 104.4L93.7 33.6"/><circle class="dot" cx="93.7" cy="69"' in svg
    assert (
        '<path class="bar thin open-end" d="M300.3 104.4L300.3 10"/><circle class="hollow" cx="300.3" cy="10"'
        in svg
    )
    assert (
        shares_told(months, shares)
        == "Operated on in 2024: 3 of 6 cases; in 2025: 1 of 1 case; 1 period will still move."
    )


def test_all_points_are_drawn_or_the_edges_of_each_stretch() -> None:
    assert thinned(np.arange(7.0)).tolist() == [0, 1, 2, 3, 4, 5, 6]
    values = np.sin(np.arange(50_000) / 700)
    values[31_234], values[777] = 9.0, -9.0
    kept = thinned(values)
    assert len(kept) <= MOST_POINTS
    assert {0, 777, 31_234, 49_999} <= set(kept.tolist())


def test_a_running_chart_climbs_to_its_limit_and_begins_again() -> None:
    """Five cases over 316 units from 36, 63.2 each; height 2 over 74 units above 98: 1.8 at 31.4, the limit 1.5 at 42.5."""
    svg = running_chart(
        "r", "T", runnings(pd.DataFrame(monitoring("a", "b")[:5]).assign(chart=7), "chart")[7], "said"
    )
    curves = re.findall(r'<path class="curve" d="([^"]+)"', svg)
    assert curves[0] == "M36 98L99.2 98L162.4 75.8L225.6 53.6L288.8 31.4"
    assert curves[1] == "M288.8 98L352 98"
    assert '<path class="triangle" d="M288.8 27.2L' in svg
    assert '<path class="limit inner" d="M36 42.5L352 42.5"' in svg
    assert ">asks for a check</text>" in svg
    assert (
        '<path class="ground-edge" d="M320.4 24L320.4 98"' in svg
    )  # the fifth case is of a period not complete yet
    assert ">November 2024</text>" in svg
    assert ">January 2025</text>" in svg


def test_a_running_chart_of_which_the_turns_alone_are_told_lies_where_it_would_with_every_case() -> None:
    """Without the second of its five cases: the same scales, check, limit, ground and end; one point less on the way up."""
    rows = pd.DataFrame(monitoring("a", "b")[:5]).assign(chart=7)
    whole, turns = (runnings(own, "chart")[7] for own in (rows, rows.drop(index=1)))
    svg = running_chart("r", "T", turns, "said")
    without = running_chart("r", "T", whole, "said").replace("L162.4 75.8", "", 1)
    curves, others = (re.findall(r'<path class="curve" d="([^"]+)"', each) for each in (svg, without))
    assert curves[:2] == others[:2] == ["M36 98L99.2 98L225.6 53.6L288.8 31.4", "M288.8 98L352 98"]
    assert svg.replace(curves[2], "") == without.replace(others[2], "")
    assert whole.mature == turns.mature == 4


@pytest.fixture
def markup(tmp_path: Path, tables: Tables, context: Context) -> str:
    write_report(tmp_path, tables, context)
    return (tmp_path / "over_time.html").read_text("utf-8").replace("\u00a0", " ")


def test_charts_that_ask_for_a_check_come_first_with_their_numbers(markup: str) -> None:
    asks = markup[markup.index("<h3>Ask for a check</h3>") :]
    first = asks[: asks.index("</figure>")]
    assert (
        "3 of 5 cases with it, 0.5 expected. Asks for a check (January 2025). By chance alone it asks about once in "
        "1\u2009004 cases, once the odds have doubled after about 89. 1 case is of periods that will still grow."
    ) in first
    assert "None of 4 cases with it, 0.4 expected. Did not reach its limit." in asks


def test_all_charts_are_summed_up_and_those_not_drawn_are_named(markup: str) -> None:
    assert "1 of 2 running charts asked for a check at least once." in markup
    assert "all of them together ask for about 0.4 checks a year" in markup
    assert re.search(r"No chart: fewer than 10 closed cases: [^<]* at مستشفى التل\.", markup)


def test_volumes_and_cohorts_are_told_by_year(markup: str) -> None:
    assert "Cases: 6 in 2024 and 14 in 2025; 0 to 14 a month." in markup  # all operations together
    assert "Cases: 6 in 2024 and 10 in 2025; 0 to 10 a month." in markup
    assert "Operated on in 2024: 3 of 6 cases; in 2025: 1 of 11 cases; 1 period will still move." in markup


def test_the_first_page_says_what_happened_and_what_waits(
    tmp_path: Path, tables: Tables, context: Context
) -> None:
    write_report(tmp_path, tables, context)
    said = re.sub(r"<[^>]*>", "", (tmp_path / "index.html").read_text("utf-8"))
    for sentence in (
        "14 operations; 14 new cases.",
        "4 complications happened.",
        "8 complications of earlier months became known.",
        "12 decisions of reviewers; 4\u2009936 windows of cases closed.",
        "6 questions wait for a reviewer.",
        "1 of 2 running charts asked for a check at least once.",
    ):
        assert sentence in said


def test_a_report_without_any_table_is_still_a_report(tmp_path: Path, context: Context) -> None:
    write_report(tmp_path, {}, context)
    for file in ("surgeons.html", "time_to_event.html", "over_time.html", "what_changed.html", "index.html"):
        markup = (tmp_path / file).read_text("utf-8")
        assert "<svg" not in markup
        assert 'class="note"' in markup
        assert "31 October 2026" in markup


def test_few_false_alarms_are_said_in_plain_words(tables: Tables) -> None:
    charts = tables["charts"].assign(false_alarms_of_all=0.04)
    assert "together ask for fewer than 0.1 checks a year" in summary({"charts": charts})[0]
