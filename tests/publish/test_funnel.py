"""The funnel and the page of surgeons: limits by enumeration, marks where they belong, nobody ranked, few cases only counted."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.chance_steps import chance_steps
from pipeline.publish import Context
from pipeline.publish.charts.funnel import case_numbers, funnel, told, usual_share
from pipeline.publish.report import write_report
from tests.publish.chart_tables import SURGEONS, surgeon

Tables = dict[str, pd.DataFrame]


def enumerated(share: float, cases: int, chance: float) -> int:
    """The fewest events with at least this chance of no more, by adding up the binomial distribution."""
    total = 0.0
    for events in range(cases + 1):
        total += math.comb(cases, events) * share**events * (1 - share) ** (cases - events)
        if total >= chance:
            return events
    return cases


def test_steps_at_twenty_cases_of_a_tenth() -> None:
    """Tables of the binomial distribution: P(X <= 4) = 0.957, P(X <= 5) = 0.989, P(X <= 6) = 0.9976, P(X <= 7) = 0.9996."""
    inner, outer = (chance_steps(0.1, np.array([20]), width) for width in (0.95, 0.998))
    assert (inner.low[0], inner.high[0] * 20) == (0, pytest.approx(5))
    assert (outer.low[0], outer.high[0] * 20) == (0, pytest.approx(7))


@pytest.mark.parametrize("share", [0.011, 0.1, 0.37, 0.5, 0.9])
@pytest.mark.parametrize("confidence", [0.95, 0.998])
def test_steps_are_those_of_the_added_up_distribution(share: float, confidence: float) -> None:
    cases = np.arange(1, 90)
    steps = chance_steps(share, cases, confidence)
    edges = ((1 - confidence) / 2, (1 + confidence) / 2)
    low, high = ([enumerated(share, int(n), edge) for n in cases] for edge in edges)
    assert np.rint(steps.low * cases).tolist() == low
    assert np.rint(steps.high * cases).tolist() == high


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_what_is_certain_has_no_room(share: float) -> None:
    steps = chance_steps(share, np.array([1, 50]), 0.95)
    assert steps.low.tolist() == steps.high.tolist() == [share, share]


def test_numbers_of_cases_are_all_or_thinned_out_with_the_highest() -> None:
    assert case_numbers(14).tolist() == [10, 11, 12, 13, 14]
    many = case_numbers(10_000)
    assert (len(many), many[0], many[-1]) == (400, 10, 10_000)


def rows(*chosen: dict[str, object]) -> pd.DataFrame:
    return pd.DataFrame(list(chosen))


def test_each_mark_stands_at_its_cases_and_its_share() -> None:
    """60 cases over 266 units from 38; 50 % over 204 units above 214. 12 expected in 120 cases: the line at 10 %."""
    found = rows(*SURGEONS[:3])
    assert usual_share(found) == pytest.approx(0.1)
    svg = funnel("f", "T", found)
    assert '<circle class="hollow" cx="215.3" cy="173.2"' in svg  # 40 cases, 10 %
    assert (
        '<path class="diamond" d="M126.7 26.2L130.9 30.4' in svg
    )  # 20 cases, 45 %: the top corner 4.2 above
    assert '<path class="square" d="M300.4 108.4L307.6 108.4' in svg  # 60 cases, 25 %: 3.6 around
    assert '<path class="nought" d="M38 173.2L304 173.2"' in svg


def test_a_limit_line_holds_its_height_around_each_number_of_cases() -> None:
    """Of 10 cases, 10 % each, 95 % chance gives at most 3 (P <= 2 is 0.930, P <= 3 is 0.987): 30 % from 9.5 to 10.5."""
    svg = funnel("f", "T", rows(surgeon("a/1", 10, 1, 1.0), surgeon("a/2", 20, 2, 2.0)))
    inner = re.findall(r'<path class="limit inner" d="([^"]+)"', svg)[1]
    points = [tuple(map(float, point.split())) for point in re.findall(r"[\d.]+ [\d.-]+", inner)]
    at = {round(x, 1): y for x, y in points[:2]}
    assert sorted(at) == [
        pytest.approx(38 + 266 * 9.5 / 20, abs=0.06),
        pytest.approx(38 + 266 * 10.5 / 20, abs=0.06),
    ]
    top = float(re.findall(r">([\d.]+)\u00a0%</text>", svg)[-3]) / 100  # the highest mark of the upright axis
    assert list(at.values()) == [pytest.approx(214 - 204 * 0.3 / top, abs=0.06)] * 2


def test_the_words_count_who_lies_where() -> None:
    said = told(rows(*SURGEONS[:3])).replace("\u00a0", " ")
    assert said == (
        "3 surgeons with 20 to 60 cases. 28 of 120 cases had it; 12.0 expected, a share of 10.0 %. Of the surgeons, inside "
        "the limits of chance: 1; beyond the 95 % limit: 1; beyond the 99.8 % limit: 1."
    )


def test_one_surgeon_without_any_event_is_drawn() -> None:
    svg = funnel("f", "T", rows(surgeon("a/1", 10, 0, 0.2)))
    assert svg.count("<circle") == 1
    assert "nan" not in svg


@pytest.fixture
def markup(tmp_path: Path, tables: Tables, context: Context) -> str:
    write_report(tmp_path, tables, context)
    return (tmp_path / "surgeons.html").read_text("utf-8")


def table_rows(markup: str) -> list[str]:
    body = markup[markup.index("in the order of sites and ids") :]
    found = re.findall(r"<tr.*?</tr>", body[: body.index("</table>")], flags=re.DOTALL)
    return [" ".join(re.sub(r"<[^>]+>", " ", row).replace("\u00a0", " ").split()) for row in found]


def test_surgeons_stand_in_the_order_of_ids_and_those_without_one_last(markup: str) -> None:
    said = "\n".join(table_rows(markup))
    order = ["S10", "S&lt;2&gt;", "S3", "ج1", "No surgeon recorded"]
    assert [said.index(name) for name in order] == sorted(said.index(name) for name in order)


def test_below_ten_cases_only_counts_are_printed(markup: str) -> None:
    row = next(row for row in table_rows(markup) if row.startswith("S3"))
    assert row == "S3 9 1 – – – – 1 of 9 cases; too_few."


def test_a_surgeon_stands_with_expectation_chance_ratio_and_sentence(markup: str) -> None:
    row = next(row for row in table_rows(markup) if row.startswith("S10"))
    assert row == (
        "S10 20 9 2.1 0 to 8 4.29 (0.10–3.00) – 9 of 20 cases; outside. Against the others&#x27; cases alone: beyond the "
        "99.8 % limit."
    )


def test_the_picture_names_nobody(markup: str) -> None:
    pictures = re.findall(r"<figure.*?</figure>", markup, flags=re.DOTALL)
    assert len(pictures) == 1
    assert not re.search(r"S10|S3|ج1|harbour|hill", pictures[0])


def test_what_expected_rests_on_and_the_order_of_checks_are_said(markup: str) -> None:
    text = re.sub(r"<[^>]+>", " ", markup).replace("\u00a0", " ")
    checks = [text.index(step) for step in ("Data:", "Case mix:", "Structure:", "Process:", "Person:")]
    assert checks == sorted(checks)
    assert "Not adjusted for: site," in text
    assert "Firth&#x27;s logistic regression; 28 events for 21 coefficients" in text
    assert "66.0 % (60.0–72.0 %)" in text
    assert re.search(r"0\.87\s+0\.00\s+–", text)  # slope, level, no spread with three surgeons
    assert "1 surgeon with fewer than 10 cases not drawn" in text


def test_only_counts_where_nobody_has_ten_cases(tmp_path: Path, tables: Tables, context: Context) -> None:
    few = tables["surgeon_outcomes"].iloc[[3]]
    write_report(tmp_path, {**tables, "surgeon_outcomes": few}, context)
    markup = (tmp_path / "surgeons.html").read_text("utf-8")
    assert "No surgeon has 10 cases whose window has closed: counts only." in markup
    assert "<figure" not in markup


def test_names_of_lines_near_the_axis_do_not_lie_on_its_numbers() -> None:
    """With next to nothing expected both lower lines lie on the axis, at 214; its numbers begin 14 further down."""
    svg = funnel("f", "T", rows(surgeon("a/1", 21, 0, 0.001), surgeon("a/2", 29, 0, 0.001)))
    heights = {
        name: float(
            re.findall(rf'<text[^>]* y="([\d.]+)"[^>]*>{name}</text>', svg.replace("\u00a0", " "))[-1]
        )
        for name in ("99.8 %", "95 %", "expected")
    }
    assert heights["expected"] <= 214 + 4
    assert heights["expected"] - heights["95 %"] >= 11
    assert heights["95 %"] - heights["99.8 %"] >= 11


def test_surgeons_with_equally_many_cases_have_one_number() -> None:
    assert told(rows(surgeon("a/1", 23, 0, 0.5))).startswith("1 surgeon with 23 cases.")


def test_what_is_noted_of_the_figures_is_said_once(tmp_path: Path, tables: Tables, context: Context) -> None:
    found = tables["surgeon_outcomes"].copy()
    found["note"] = [
        "first remark" if place % 2 else "first remark; second remark" for place in range(len(found))
    ]
    write_report(tmp_path, {**tables, "surgeon_outcomes": found}, context)
    parts = (tmp_path / "surgeons.html").read_text("utf-8").split("<h2 ")
    assert {part.count("first remark") for part in parts} == {0, 1}
