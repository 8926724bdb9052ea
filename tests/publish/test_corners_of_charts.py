"""Months without cases, one surgeon, 240 surgeons, no event anywhere: pages stay whole and say nothing that is no number."""

from __future__ import annotations

import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest

from pipeline.publish import Context
from pipeline.publish.page import MOST_ROWS
from pipeline.publish.report import write_report
from tests.publish.chart_tables import surgeon

Tables = dict[str, pd.DataFrame]
NO_NUMBER = re.compile(r"\b(nan|inf|NaN|NaT|None of nan|<NA>)\b")
RATES_AT_NOUGHT = dict.fromkeys(("events", "rate", "ci_low", "rate_followed"), 0)


class Visible(HTMLParser):
    """Text that is read, and coordinates that are drawn."""

    def __init__(self, markup: str) -> None:
        super().__init__()
        self.said: list[str] = []
        self.feed(re.sub(r"<script>.*?</script>", "", markup[markup.index("<body") :], flags=re.DOTALL))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.said += [value or "" for name, value in attrs if name in ("d", "x", "y", "cx", "cy", "viewBox")]

    def handle_data(self, data: str) -> None:
        self.said.append(data)


def no_event(tables: Tables) -> Tables:
    nothing = {"surgeon_outcomes": {"events": 0}, "charts": {"events": 0, "checks": 0}}
    nothing |= {
        "monitoring": {"outcome": 0, "score": 0.0, "asks_for_check": False},
        "cohorts": RATES_AT_NOUGHT,
    }
    nothing |= {
        "event_free": {"events": 0, "cumulative_incidence": 0.0, "cif_ci_low": 0.0, "event_free": 1.0}
    }
    nothing |= {
        "rates": RATES_AT_NOUGHT,
        "comparisons": {"events_a": 0, "events_b": 0, "risk_difference": None},
    }
    return {**tables, **{name: tables[name].assign(**columns) for name, columns in nothing.items()}}


def one_row(tables: Tables) -> Tables:
    return {name: frame.head(1) for name, frame in tables.items()}


def no_row(tables: Tables) -> Tables:
    return {name: frame.head(0) for name, frame in tables.items()}


@pytest.mark.parametrize("left", [no_event, one_row, no_row])
def test_every_page_is_whole_and_every_number_is_one(
    tmp_path: Path, tables: Tables, context: Context, left: Callable[[Tables], Tables]
) -> None:
    write_report(tmp_path, left(tables), context)
    for path in sorted(tmp_path.iterdir()):
        said = Visible(path.read_text("utf-8")).said
        assert [text for text in said if NO_NUMBER.search(text)] == [], path.name
        assert any("31 October 2026" in text for text in said), path.name


def test_without_any_event_no_share_is_a_bare_nought(
    tmp_path: Path, tables: Tables, context: Context
) -> None:
    write_report(tmp_path, no_event(tables), context)
    rates, over_time = ((tmp_path / file).read_text("utf-8") for file in ("rates.html", "over_time.html"))
    assert "none in 27, at most 12.0\u00a0%" in rates
    assert "Operated on in 2024: none of 6 cases" in over_time
    pictures = re.findall(r"<figure.*?</figure>", rates, flags=re.DOTALL)
    assert pictures
    assert not any('<circle class="dot"' in picture for picture in pictures)  # rings at nought, no full dots


def test_two_hundred_and_forty_surgeons_stand_in_order_in_one_picture(
    tmp_path: Path, tables: Tables, context: Context
) -> None:
    many = [surgeon(f"harbour/S{n:03}", 10 + n, n % 7, 3.0) for n in range(240)]
    found = pd.DataFrame(many, columns=tables["surgeon_outcomes"].columns).astype("object")
    write_report(tmp_path, {**tables, "surgeon_outcomes": found.iloc[::-1]}, context)
    markup = (tmp_path / "surgeons.html").read_text("utf-8")
    assert re.findall(r">(S\d{3})<", markup) == [f"S{n:03}" for n in range(min(240, MOST_ROWS))]
    assert len(re.findall(r'<circle class="hollow"', markup)) == 240
    assert "240 surgeons with 10 to 249 cases." in markup
