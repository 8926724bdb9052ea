"""The stated comparison, benefit beside harm and the way from rows to cases, drawn; what changed in words."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

from pipeline.publish import Context
from pipeline.publish.charts.rates_chart import rates_chart
from pipeline.publish.flow_part import all_sites, flow_figure
from pipeline.publish.report import write_report

Tables = dict[str, pd.DataFrame]


def text_of(path: Path) -> str:
    return path.read_text("utf-8").replace("\u00a0", " ")


def described(markup: str, name: str) -> str:
    return re.search(rf'<desc id="{name}-d">(.*?)</desc>', markup, flags=re.DOTALL)[1]


@pytest.fixture
def comparison(tmp_path: Path, tables: Tables, context: Context) -> str:
    write_report(tmp_path, tables, context)
    return text_of(tmp_path / "comparison.html")


def test_the_stated_difference_is_drawn_for_each_way_of_counting_the_lost(comparison: str) -> None:
    said = described(comparison, "stated-chart")
    assert (
        "All ages, all cases, the lost as without it: +9.5 points, from −4.4 to +28.9 (2 of 21 v 0 of 27)"
        in said
    )
    assert "All ages, within age bands, all cases: +3.1 points, from −12.0 to +18.0" in said
    assert said.count("points, from") == 5  # four ways of counting, and one figure within age bands


def test_an_age_band_alone_is_drawn_below(tmp_path: Path, tables: Tables, context: Context) -> None:
    rows = tables["comparisons"]
    band = rows.head(1).assign(
        stratum_value="25-34", primary=False, adj_risk_difference=None, risk_difference=-0.05
    )
    write_report(tmp_path, {**tables, "comparisons": pd.concat([rows, band], ignore_index=True)}, context)
    said = described(text_of(tmp_path / "comparison.html"), "stated-chart")
    assert "Of one age band alone, age 25-34: −5.0 points, from −4.4 to +28.9 (2 of 21 v 0 of 27)" in said


def test_benefit_stands_beside_harm_on_one_axis(comparison: str) -> None:
    said = described(comparison, "benefit-0")
    assert said == (
        "Any complication within 365 days (fewer is better): +9.5 points, from −4.4 to +28.9; Back at sport, same level or "
        "higher, of those asked (more is better): −26.0 points, from −50.0 to +1.0."
    )


def test_every_line_of_benefit_and_harm_is_printed_with_its_verdict(comparison: str) -> None:
    part = comparison[comparison.index('id="benefit"') :]
    rows = re.findall(r"<tr>.*?</tr>", part[: part.index("</table>")], flags=re.DOTALL)
    said = [" ".join(re.sub(r"<[^>]+>", " ", row).split()) for row in rows]
    expected = [
        "Any complication within 365 days 2 of 21: 9.5 % (3.0–29.0 %); 7 not known none of 27, at most 12.5 % "
        "+9.5 (−4.4 to +28.9) These counts cannot tell the two apart.",
        "Days until back at sport, of those back who told a day 233; 8 cases 240.5; 15 cases −7.5 Set side by side only.",
        "Change of knee score 25.3 (20 to 30.6); 8 cases; 13 not known 22.4 (18 to 26.8); 15 cases; 12 not known "
        "2.9 (−4.1 to 9.9) Descriptive, not tested.",
    ]
    assert [row for row in expected if row not in said] == []


def test_figures_of_others_stand_below_ours_with_another_mark(tables: Tables, context: Context) -> None:
    others = tables["published_figures"]
    category = others["category"].iloc[0]
    rates = tables["rates"]
    rows = rates[
        (rates["category"] == category)
        & (rates["level"] == rates["level"][rates["category"] == category].iloc[0])
    ]
    markup = rates_chart("r", rows, "C", context, others).replace("\u00a0", " ")
    assert "What they counted &lt;b&gt;, Somebody 2020: 5.00 % (3.0–8.5 %), 12 of 240" in markup
    assert "What several counted, Somebody 2021: from 2.0–20.0 %" in markup
    assert markup.count('<path class="cross"') == 1  # a range has no single figure
    assert markup.count('<path class="others"') == 2
    assert "Cross and broken line: what others published" in markup
    assert "Cross and broken line" not in rates_chart("r", rows, "C", context, others.head(0))


FLOW = [
    ("harbour", "rows of operations received", 0, 60, 0, 60, None),
    ("harbour", "held back", 60, 0, 4, 56, "a fault in the row"),
    ("harbour", "index cases", 56, 0, 0, 56, None),
    ("hill", "rows of operations received", 0, 30, 0, 30, None),
    ("hill", "sent again unchanged", 30, 0, 10, 20, "the same record"),
    ("hill", "index cases", 20, 0, 0, 20, None),
]


def flow() -> pd.DataFrame:
    columns = ["site", "step", "before", "added", "removed", "after", "reason"]
    return pd.DataFrame(FLOW, columns=columns).assign(procedure="all", unit="row")


def test_the_way_of_all_sites_adds_up_step_by_step() -> None:
    """90 rows, less 4, less 10: 76 cases, which are 56 and 20."""
    steps = all_sites(flow())
    assert [(step.said, step.after) for step in steps] == [
        ("rows of operations received", 90),
        ("held back", 86),
        ("sent again unchanged", 76),
        ("index cases", 76),
    ]


def test_the_way_is_drawn_and_told() -> None:
    markup = flow_figure(flow())
    assert described(markup, "flow-chart") == (
        "rows of operations received: 90; held back (a fault in the row): 4 taken away; sent again unchanged (the same "
        "record): 10 taken away; index cases: 76."
    )
    assert markup.count('class="box"') == 2
    assert ">−10</text>" in markup
    # two boxes of 40 with two turnings of 33 between: from 6 + 34 down to 6 + 40 + 66
    assert '<path class="curve" d="M40 40L40 112"' in markup
    assert flow_figure(flow().head(0)) == ""


def test_without_a_signed_edition_nothing_can_have_changed(
    tmp_path: Path, tables: Tables, context: Context
) -> None:
    write_report(tmp_path, tables, context)
    assert "No signed edition stands to compare with" in text_of(tmp_path / "what_changed.html")
