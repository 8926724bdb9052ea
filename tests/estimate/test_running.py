"""Running charts by hand, and from cases through both passes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from pipeline.count import added_chart_cases, chart_cases, counted
from pipeline.estimate import expected_risk, monitoring_tables
from pipeline.estimate.monitoring import Chart
from pipeline.estimate.notes import NO_CHART, NO_ORDER
from pipeline.estimate.running import told_cases
from pipeline.publish.tables import ready
from pipeline.settings import Site
from schemas.published import PUBLISHED
from tests.count.conftest import CATALOGUE, CRACK, LABELS, SETTINGS, Month, built_cases

ANY, YEAR = 3, 365
FIRST = (date(2019, 1, 1) - date(1970, 1, 1)).days


def cases_on_chart(events: list[int], **other: object) -> pd.DataFrame:
    """A case every 10 days from 2019-01-01 on, each with a risk of one in ten."""
    row = {
        "group": 0, "site": 0, "category": ANY, "window_days": YEAR, "known_until": 20_000,
        "performed": FIRST + 10 * np.arange(len(events)), "risk": 1000, "event": events,
    }  # fmt: skip
    return pd.DataFrame({**row, **other})


def test_heights_by_hand():
    """Log 2 is 69 hundredths, log 1.1 is 10: an event adds 59, a case without takes 10 away, not below 0."""
    found = monitoring_tables(cases_on_chart([1, 0, 0, 0, 0, 0, 0, 1, 1, 0]), SETTINGS, LABELS)["monitoring"]
    assert (100 * found["score"]).round(6).tolist() == [59, 49, 39, 29, 19, 9, 0, 59, 118, 108]
    assert found["observed_minus_expected"].round(6).tolist() == [
        0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 1.2, 2.1, 2.0,
    ]  # fmt: skip
    assert found["sequence"].tolist() == list(range(1, 11))
    assert (found["expected"] == 0.1).all()
    assert not found["asks_for_check"].any()


def test_a_chart_that_asks_starts_again():
    """The limit lies above two events in a row; twenty events in a row reach it, and the next begins from 0."""
    found = monitoring_tables(cases_on_chart([1] * 20), SETTINGS, LABELS)
    rows, chart = found["monitoring"], found["charts"].iloc[0]
    first = int(np.ceil(round(100 * chart["limit"]) / 59))  # events of 59 hundredths until the limit
    assert chart["limit"] > 1.18
    assert np.flatnonzero(rows["asks_for_check"])[0] == first - 1
    assert rows["score"].iloc[first] == pytest.approx(0.59)
    assert chart["checks"] == 20 // first


def test_periods_and_which_still_mature():
    """Days 2019-01-01 to 04-01; a year and its grace of 90 days after 02-28 has passed on 2020-05-28, not after 03-31."""
    known = (date(2020, 5, 28) - date(1970, 1, 1)).days
    rows = monitoring_tables(cases_on_chart([0] * 10, known_until=known), SETTINGS, LABELS)["monitoring"]
    assert rows["period"].tolist() == ["2019-01"] * 4 + ["2019-02"] * 2 + ["2019-03"] * 3 + ["2019-04"]
    assert rows["maturing"].tolist() == [False] * 6 + [True] * 4


def test_a_chart_as_a_whole():
    """10 cases over 91 days are 40.1 a year; four cases without event have a chance of 0.9^4."""
    chart = monitoring_tables(cases_on_chart([0, 0, 1, 0, 0, 1, 0, 0, 0, 0]), SETTINGS, LABELS)[
        "charts"
    ].iloc[0]
    assert (chart["cases"], chart["events"], chart["expected"], chart["since_last_event"]) == (10, 2, 1, 4)
    assert chart["chance_of_so_long"] == pytest.approx(0.6561)
    assert chart["run_length"] >= 1000
    assert chart["run_length_if_doubled"] < chart["run_length"] / 5
    assert chart["false_alarms_a_year"] == pytest.approx(10 * 365.25 / 91 / chart["run_length"])


def test_all_charts_together():
    both = pd.concat(
        [cases_on_chart([0] * 10), cases_on_chart([0] * 12, site=1), cases_on_chart([1], group=1)]
    )
    charts = monitoring_tables(both, SETTINGS, LABELS)["charts"]
    drawn = charts[charts["note"] == ""]
    assert len(drawn) == 2
    assert drawn["false_alarms_of_all"].tolist() == pytest.approx([drawn["false_alarms_a_year"].sum()] * 2)


def test_nine_cases_have_no_chart_and_it_is_said():
    found = monitoring_tables(cases_on_chart([0] * 9), SETTINGS, LABELS)
    assert len(found["monitoring"]) == 0
    row = found["charts"].iloc[0]
    assert (row["cases"], row["note"]) == (9, NO_CHART)
    assert np.isnan([row["limit"], row["false_alarms_of_all"]]).all()


@pytest.mark.parametrize("dates", ["shifted", "day_numbers"])
def test_a_site_without_true_days_has_no_chart_and_it_is_said(dates):
    settings = replace(SETTINGS, sites={"meadow": Site("meadow", dates=dates)})
    both = pd.concat([cases_on_chart([0] * 10), cases_on_chart([0] * 12, site=1)])
    found = monitoring_tables(both, settings, LABELS)
    assert set(found["monitoring"]["site"]) == {"harbour"}
    assert found["charts"].set_index("site").loc["meadow", "note"] == NO_ORDER


@pytest.mark.parametrize("events", [[], [0] * 10, [1] * 10, [0, 1] * 10])
@pytest.mark.parametrize("risk", [1, 1000, 9_999, 10_000])
def test_nothing_infinite_and_all_as_described(events, risk):
    if risk == 10_000:
        events = [1] * len(events)
    for name, frame in monitoring_tables(cases_on_chart(events, risk=risk), SETTINGS, LABELS).items():
        assert len(ready(frame, PUBLISHED[name])) == len(frame)
        assert not np.isinf(frame.select_dtypes("number").to_numpy(dtype=float)).any()


def test_cases_of_partitions_come_in_the_order_of_operations_and_name_nobody():
    """Later by day comes later, of one day by operation and side; whichever part a patient is in."""
    rows = [
        {"performed": 18_000 + day, "operation": number, "age_band": number % 2}
        for number, day in enumerate([5, 3, 3, 9, 0, 7, 3, 1, 2, 4, 8, 6])
    ]
    ill = [(1, CRACK, 0, 10), (6, CRACK, 0, 10), (4, CRACK, 0, 400)]
    cases = built_cases(rows, ill)
    risks = expected_risk(
        counted(cases, SETTINGS, CATALOGUE, Month(date(2020, 1, 1), date(2020, 1, 31))), 0.95
    ).risks
    whole = added_chart_cases([chart_cases(cases, SETTINGS, CATALOGUE, risks)])
    parts = []
    for odd in (1, 0):
        mine = cases.cases["operation"] % 2 == odd
        part = replace(
            cases,
            cases=cases.cases[mine].reset_index(drop=True),
            complications=cases.complications[cases.complications["case"] % 2 == odd].reset_index(drop=True),
        )
        parts.append(chart_cases(part, SETTINGS, CATALOGUE, risks))
    pd.testing.assert_frame_equal(added_chart_cases(parts), whole)
    assert not {"patient", "surgeon", "operation", "case"} & set(whole.columns)
    own = whole[(whole["category"] == ANY) & (whole["window_days"] == YEAR)]
    assert own["performed"].tolist() == [18_000 + day for day in [0, 1, 2, 3, 3, 3, 4, 5, 6, 7, 8, 9]]
    assert own["event"].tolist() == [0, 0, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0]


def test_of_a_very_long_chart_the_cases_that_tell_its_course_by_hand():
    """6,000 cases are 150 stretches of 40: their first and last, a low of the sum, a check, the last case of two periods."""
    nothing = float("nan")
    height, path = np.zeros(6000), np.arange(6000.0)
    height[777], path[50] = 5.0, -9.0
    drawn = Chart(height, height > 4, path, 5.0, nothing, nothing, 0.01)
    number = np.repeat([7, 8, 9], [1010, 1995, 2995])
    edges = {place for first in range(0, 6000, 40) for place in (first, first + 39)}
    assert told_cases(number, drawn).tolist() == sorted(edges | {50, 777, 1009, 3004})
    short = Chart(height[:5000], height[:5000] > 4, path[:5000], 5.0, nothing, nothing, 0.01)
    assert told_cases(number[:5000], short).tolist() == list(range(5000))


def test_a_very_long_chart_loses_no_check_and_says_of_each_case_what_a_row_a_case_would(monkeypatch):
    events = (np.random.default_rng(5).random(6000) < 0.15).astype(int).tolist()
    many = cases_on_chart(events).assign(performed=FIRST + np.arange(6000) // 4, known_until=FIRST + 1900)
    found = monitoring_tables(many, SETTINGS, LABELS)
    monkeypatch.setattr("pipeline.estimate.running.MOST_TOLD_WHOLE", 6000)
    whole = monitoring_tables(many, SETTINGS, LABELS)
    pd.testing.assert_frame_equal(found["charts"], whole["charts"])
    rows, every = found["monitoring"], whole["monitoring"]
    assert len(every) == 6000
    assert len(rows) < 1200
    pd.testing.assert_frame_equal(rows, every.iloc[rows["sequence"] - 1].reset_index(drop=True))
    assert (
        rows["asks_for_check"].sum() == every["asks_for_check"].sum() == found["charts"]["checks"].iloc[0] > 5
    )
    last = every.groupby("period")["sequence"].max()
    assert set(last) <= set(rows["sequence"])
    assert rows["maturing"].any()
