"""Curves in the published tables, counted by hand: `rates.incidence`, `event_free`, `cohorts`."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.counts import WAYS
from pipeline.estimate import cohorts_table, event_free_table, notes, rates_table
from schemas.fit import failures, typed
from schemas.published import COHORTS, EVENT_FREE

CRACK, TIGHTNESS, ANY = range(3)
VISIT, RECORDS = (WAYS.index(way) for way in ("visit", "records"))

#: Five cases seen at visits: event on day 20, died on 30, last seen on 30, event on 50, last seen on 80.
FIVE = (
    [{"way": VISIT, "day": 20, "censored": 1}, {"way": VISIT, "day": 30, "competing": 1, "censored": 1},
     {"way": VISIT, "day": 50, "censored": 1}, {"way": VISIT, "day": 80, "censored": 1}],
    [{"category": ANY, "day": 20, "event": 1, "censored": -1}, {"category": ANY, "day": 50, "event": 1, "censored": -1}],
)  # fmt: skip


@pytest.fixture
def counts(counts_of, leaving_of):
    """Five cases of one procedure with these ends."""

    def of(leaving, moved, rows=({"cases": 5},), defined=None):
        return replace(counts_of(list(rows), defined), ends=leaving_of(leaving, moved))

    return of


def course_of(table, procedure="anchor_loop", category="any_complication"):
    return table[(table["procedure"] == procedure) & (table["category"] == category)].reset_index(drop=True)


def rate_of(table, procedure="anchor_loop", category="any_complication", window=90, stratum="none", value=""):
    chosen = table[
        (table["procedure"] == procedure) & (table["category"] == category) & (table["window_days"] == window)
        & (table["stratum"] == stratum) & (table["stratum_value"] == value)
    ]  # fmt: skip
    assert len(chosen) == 1
    return chosen.iloc[0]


def test_the_course_of_five_cases(counts, settings, labels, catalogue):
    """At risk 5, 5, 4, 2; event-free 1, 4/5, 4/5·3/4, 3/5·1/2; incidence 0, 1/5, 1/5, 1/5 + 3/5·1/2."""
    found = course_of(event_free_table(counts(*FIVE), settings, labels, catalogue))
    assert found["day"].tolist() == [0, 20, 30, 50]
    assert found["at_risk"].tolist() == [5, 5, 4, 2]
    assert found["events"].tolist() == [0, 1, 0, 1]
    assert found["competing"].tolist() == [0, 0, 1, 0]
    assert found["censored"].tolist() == [0, 0, 1, 1]
    assert found["event_free"].tolist() == pytest.approx([1, 0.8, 0.6, 0.3])
    assert found["cumulative_incidence"].tolist() == pytest.approx([0, 0.2, 0.2, 0.5])


def test_at_risk_chains_and_the_table_fits_its_description(counts, settings, labels, catalogue):
    table = event_free_table(counts(*FIVE), settings, labels, catalogue)
    assert len(failures(EVENT_FREE, typed(EVENT_FREE, table))) == 0
    assert list(table.columns) == list(EVENT_FREE.names)
    left = table["at_risk"] - table[["events", "competing", "censored"]].sum(axis=1)
    following = table.groupby(["procedure", "category"])["at_risk"].shift(-1).fillna(0)
    np.testing.assert_array_equal(left, following)
    assert np.isfinite(table.select_dtypes("number").to_numpy(float)).all()


def test_a_course_ends_with_the_categorys_last_window(counts, settings, labels, catalogue):
    """Windows end on 90 and 365: an event on day 400 is none, its case is observed to day 365."""
    moved = [{"category": CRACK, "day": 400, "event": 1}, {"category": CRACK, "day": 500, "censored": -1}]
    table = event_free_table(
        counts([{"way": RECORDS, "day": 500, "censored": 5}], moved), settings, labels, catalogue
    )
    found = course_of(table, category="crack")
    assert found[["day", "at_risk", "events", "censored"]].to_numpy().tolist() == [
        [0, 5, 0, 0], [90, 5, 0, 0], [365, 5, 0, 5],
    ]  # fmt: skip
    assert len(course_of(table)) == 0, "nobody was observed at visits"


def test_incidence_is_the_curve_at_the_windows_end(counts, settings, labels, catalogue):
    """The window of 90 days takes a contact from day 76 on: one was watched to day 80. Incidence 1/5 + 3/5·1/2."""
    table = rates_table(counts(*FIVE), settings, labels, catalogue)
    row = rate_of(table)
    assert row["incidence"] == pytest.approx(0.5)
    assert row["incidence_low"] < 0.5 < row["incidence_high"]
    assert notes.NOT_WATCHED not in str(row["note"])


def test_nobody_watched_to_the_end_is_no_incidence_and_says_so(counts, settings, labels, catalogue):
    table = rates_table(counts(*FIVE), settings, labels, catalogue)
    row = rate_of(table, window=365)
    assert row[["incidence", "incidence_low", "incidence_high"]].isna().all()
    assert notes.NOT_WATCHED in row["note"]


def test_no_event_gives_an_upper_limit(counts, settings, labels, catalogue):
    """Exact limit for none of 5 watched: 1 - 0.025^(1/5) = 0.52182."""
    table = rates_table(counts([{"way": VISIT, "day": 365, "censored": 5}], []), settings, labels, catalogue)
    row = rate_of(table, window=365)
    assert (row["incidence"], row["incidence_low"]) == (0, 0)
    assert row["incidence_high"] == pytest.approx(0.52182, abs=1e-5)


def test_strata_have_curves_of_their_own(counts, settings, labels, catalogue):
    """Harbour 1 of 4, meadow 2 of 2, all 3 of 6, everyone watched to day 365."""
    leaving = [
        {"site": 0, "way": VISIT, "day": 365, "censored": 4},
        {"site": 1, "way": VISIT, "day": 365, "censored": 2},
    ]
    moved = [{"site": site, "category": ANY, "day": 10, "event": n} for site, n in ((0, 1), (1, 2))]
    moved += [{"site": site, "category": ANY, "day": 365, "censored": -n} for site, n in ((0, 1), (1, 2))]
    rows = [{"site": 0, "cases": 4}, {"site": 1, "cases": 2}]
    table = rates_table(counts(leaving, moved, rows), settings, labels, catalogue)
    assert rate_of(table, window=365)["incidence"] == pytest.approx(3 / 6)
    assert rate_of(table, window=365, stratum="site", value="harbour")["incidence"] == pytest.approx(1 / 4)
    assert rate_of(table, window=365, stratum="site", value="meadow")["incidence"] == pytest.approx(1)


def test_all_leaves_out_operations_where_it_cannot_occur(counts, settings, labels, catalogue):
    """1 of 4 where it can; two cases of the other operation do not dilute it."""
    defined = np.ones((3, 3), np.int8)
    defined[1, CRACK] = 0
    leaving = [{"group": group, "way": RECORDS, "day": 365, "censored": n} for group, n in ((0, 4), (1, 2))]
    moved = [{"category": CRACK, "day": 10, "event": 1}, {"category": CRACK, "day": 365, "censored": -1}]
    built = counts(leaving, moved, [{"cases": 4}, {"cases": 2, "group": 1}], defined)
    table = rates_table(built, settings, labels, catalogue)
    assert rate_of(table, "all", "crack", 365)["incidence"] == pytest.approx(1 / 4)
    assert pd.isna(rate_of(table, "bone_shift", "crack", 365)["incidence"])
    courses = event_free_table(built, settings, labels, catalogue)
    assert len(course_of(courses, "bone_shift", "crack")) == 0
    assert course_of(courses, "all", "crack")["at_risk"].max() == 4


def test_surgeons_of_fewer_than_ten_cases_have_no_incidence(counts_of, settings, labels, catalogue):
    table = rates_table(counts_of([{"cases": 9}, {"cases": 10, "surgeon": 1}]), settings, labels, catalogue)
    few, enough = (
        rate_of(table, window=365, stratum="surgeon", value=value) for value in ("harbour/1", "harbour/2")
    )
    assert few[["incidence", "incidence_low", "incidence_high"]].isna().all()
    assert enough["incidence"] == 0


def test_events_in_no_time_give_no_rate_over_time(counts_of, settings, labels, catalogue):
    table = rates_table(
        counts_of([{"cases": 5, "events": 5, "person_events": 5, "person_days": 0}]),
        settings,
        labels,
        catalogue,
    )
    row = rate_of(table)
    assert row[["rate_per_100py", "py_ci_low", "py_ci_high"]].isna().all()
    assert notes.NO_PERSON_TIME in row["note"]


@pytest.mark.parametrize("rows", [[], [{"cases": 0}], [{"cases": 1, "events": 1, "person_events": 0}]])
def test_next_to_nothing_never_gives_nan_that_is_not_empty(counts_of, settings, labels, catalogue, rows):
    built = counts_of(rows)
    until = np.array([30_000, 30_000])
    for table in (
        rates_table(built, settings, labels, catalogue), cohorts_table(built, settings, labels, catalogue, until),
        event_free_table(built, settings, labels, catalogue),
    ):  # fmt: skip
        assert not np.isinf(table.select_dtypes("number").to_numpy(float, na_value=0)).any()


def test_a_period_is_closed_when_the_window_of_its_last_day_is(counts_of, settings, labels, catalogue):
    """By year: 2026 ends on day 20,818 since 1970; the window of 365 days is judged 455 days after it."""
    built = counts_of([{"cases": 5, "events": 1, "period": 2026}, {"cases": 3, "site": 1, "period": 2026}])
    yearly = replace(settings, period="year")
    for until, closed in (([21_273, 21_273], True), ([21_273, 21_272], False)):
        table = cohorts_table(built, yearly, labels, catalogue, np.array(until))
        row = table[(table["window_days"] == 365) & (table["category"] == "any_complication")]
        assert set(row["closed"]) == {closed}
        assert set(table.loc[table["window_days"] == 90, "closed"]) == {True}
        assert set(table["period"]) == {"2026"}
        own = row[row["procedure"] == "anchor_loop"].iloc[0]
        assert (own["cases"], own["events"], own["stratum"], own["stratum_value"]) == (8, 1, "none", "")
    assert list(table.columns) == list(COHORTS.names)
    assert len(failures(COHORTS, typed(COHORTS, table))) == 0
