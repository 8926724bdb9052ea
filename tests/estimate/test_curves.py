"""Curves counted by hand, their corners and properties; values from outside are in tests/external."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import CannotFinish
from pipeline.estimate.curve_readings import medians, number_at_risk, read_at
from pipeline.estimate.curves import added_leaving, curves, leaving

EVENT, DEATH, CENSORED = range(3)
course = st.tuples(st.integers(0, 3), st.integers(0, 12), st.integers(0, 2))
courses = st.lists(course, min_size=1, max_size=60)


def counted(rows, strata=4):
    """One row a case: stratum, last day, why it ended."""
    table = np.array(rows, dtype=np.int64).reshape(-1, 3)
    causes = np.eye(3, dtype=np.int64)[table[:, 2]]
    return leaving(table[:, 0], table[:, 1], *causes.T, strata)


def one(*rows):
    return counted([(0, *row) for row in rows], strata=1)


def read(found, day, watched_to=None):
    watched = None if watched_to is None else np.array([watched_to])
    return read_at(found, np.array([0]), np.array([day]), watched)


# five cases: event on day 2, death on 3, censored on 3, event on 5, censored on 8
FIVE = [(2, EVENT), (3, DEATH), (3, CENSORED), (5, EVENT), (8, CENSORED)]


def test_counted_by_hand():
    """At risk 5, 4, 2, 1. Event-free 4/5, 4/5·3/4 = 3/5, 3/5·1/2 = 3/10. Incidence 1/5, 1/5, 1/5 + 3/5·1/2 = 1/2."""
    found = curves(one(*FIVE), 0.95)
    assert found.leaving.day.tolist() == [2, 3, 5, 8]
    assert found.leaving.at_risk.tolist() == [5, 4, 2, 1]
    assert found.event_free.share.tolist() == pytest.approx([0.8, 0.6, 0.3, 0.3])
    assert found.incidence.share.tolist() == pytest.approx([0.2, 0.2, 0.5, 0.5])
    assert found.competing_incidence.share.tolist() == pytest.approx([0, 0.2, 0.2, 0.2])


def test_variances_counted_by_hand():
    """Greenwood after day 5: 0.09 (1/20 + 1/12 + 1/2) = 0.057. Until someone is censored the incidence is a
    binomial share: 0.2 · 0.8 / 5 = 0.032 on days 2 and 3."""
    found = curves(one(*FIVE), 0.95)
    assert found.event_free.variance.tolist() == pytest.approx([0.032, 0.048, 0.057, 0.057])
    assert found.incidence.variance[:2].tolist() == pytest.approx([0.032, 0.032])


@pytest.mark.parametrize("cause", [EVENT, DEATH])
def test_where_all_have_failed_the_share_is_one_and_not_a_digit_more(cause):
    """For many numbers of cases, one a day, the steps of 1/n added up pass 1 in their last digit."""
    for cases in range(1, 60):
        found = curves(one(*((day, cause) for day in range(cases))), 0.95)
        failed = found.incidence if cause == EVENT else found.competing_incidence
        assert failed.share[-1] == pytest.approx(1.0, abs=1e-14)
        assert failed.share.max() <= 1.0
        assert failed.high.max() <= 1.0
        assert (failed.low <= failed.share).all()


def test_the_day_itself_counts():
    found = curves(one(*FIVE), 0.95)
    assert read(found, 4).event_free.share[0] == pytest.approx(0.6)
    assert read(found, 5).event_free.share[0] == pytest.approx(0.3)
    assert [read(found, day).at_risk[0] for day in (0, 2, 3, 4, 5, 6, 8, 9)] == [5, 5, 4, 2, 2, 1, 1, 0]


def test_a_curve_says_nothing_beyond_the_last_case_watched():
    found = curves(one(*FIVE), 0.95)
    assert read(found, 8).incidence.share[0] == pytest.approx(0.5)
    assert np.isnan(read(found, 9).incidence.share[0])
    assert np.isnan(read(found, 9).event_free.high[0])
    assert read(found, 9, watched_to=8).incidence.share[0] == pytest.approx(0.5)


def test_a_curve_in_which_everyone_had_an_event_goes_on():
    found = curves(one((1, EVENT), (2, DEATH)), 0.95)
    readings = read(found, 100)
    assert (readings.at_risk[0], readings.event_free.share[0]) == (0, 0)
    assert readings.incidence.share[0] == pytest.approx(0.5)
    assert 0 <= readings.incidence.low[0] <= 0.5 <= readings.incidence.high[0] <= 1


def test_nobody_has_an_event():
    """Ten cases watched to day 20 and ten to day 9: limit for 0 of 10 still watched, 1 - 0.025^(1/10) = 0.3085."""
    found = curves(one(*[(20, CENSORED)] * 10, *[(9, CENSORED)] * 10), 0.95)
    readings = read(found, 15)
    assert (readings.incidence.share[0], readings.incidence.low[0]) == (0, 0)
    assert readings.incidence.high[0] == pytest.approx(1 - 0.025 ** (1 / 10))
    assert readings.event_free.low[0] == pytest.approx(0.025 ** (1 / 10))
    assert (readings.event_free.share[0], readings.event_free.high[0]) == (1, 1)
    assert read(found, 5).incidence.high[0] == pytest.approx(1 - 0.025 ** (1 / 20))
    assert np.isnan(medians(found).day[0])


def test_everyone_has_the_event_at_once():
    """4 of 4 on day 0: incidence 1, at least 0.025^(1/4) = 0.398 (Clopper–Pearson)."""
    found = curves(one(*[(0, EVENT)] * 4), 0.95)
    assert (found.event_free.share[0], found.incidence.share[0]) == (0, 1)
    assert found.incidence.low[0] == pytest.approx(0.025**0.25)
    assert (found.incidence.high[0], found.event_free.low[0]) == (1, 0)
    assert found.event_free.high[0] == pytest.approx(1 - 0.025**0.25)
    assert medians(found).day[0] == 0
    assert np.isnan([medians(found).low[0], medians(found).high[0]]).all()


def test_an_event_on_day_0_counts():
    found = curves(one((0, EVENT), (10, CENSORED), (10, CENSORED), (10, CENSORED)), 0.95)
    assert read(found, 0).incidence.share[0] == pytest.approx(0.25)
    assert read(found, 0).at_risk[0] == 4
    assert read(found, 1).at_risk[0] == 3


def test_everyone_dies():
    """Nobody can have the event any more: incidence 0; it is not 1 less Kaplan–Meier of the event."""
    found = curves(one((1, DEATH), (2, DEATH), (3, DEATH)), 0.95)
    readings = read(found, 50)
    assert (readings.event_free.share[0], readings.incidence.share[0], readings.incidence.low[0]) == (0, 0, 0)
    assert 0 < readings.incidence.high[0] <= 1


def test_everyone_is_censored_on_day_0():
    found = curves(one((0, CENSORED), (0, CENSORED)), 0.95)
    assert read(found, 0).event_free.share[0] == 1
    assert np.isnan(read(found, 1).event_free.share[0])


def test_strata_without_cases_say_nothing():
    counts = counted([(2, 5, EVENT), (2, 6, CENSORED)])
    found = curves(counts, 0.95)
    assert counts.cases.tolist() == [0, 0, 2, 0]
    readings = read_at(found, np.arange(4), np.full(4, 5))
    assert np.isnan(readings.incidence.share).tolist() == [True, True, False, True]
    assert np.isnan(readings.event_free.low).tolist() == [True, True, False, True]
    assert readings.at_risk.tolist() == [0, 0, 2, 0]
    assert np.isnan(medians(found).day).tolist() == [True, True, False, True]


def test_no_case_at_all():
    found = curves(counted([], strata=2), 0.95)
    assert len(found.event_free.share) == 0
    assert np.isnan(read_at(found, np.array([0, 1]), np.array([3, 3])).incidence.share).all()
    assert np.isnan(medians(found).day).all()
    assert number_at_risk(found.leaving, np.array([0]), np.array([0])).tolist() == [0]


def test_a_median_is_the_first_day_of_a_half_or_less():
    """4 cases, one event a day: 3/4, 1/2 on day 20."""
    found = medians(curves(one((10, EVENT), (20, EVENT), (30, EVENT), (40, EVENT)), 0.95))
    assert found.day[0] == 20


@given(courses)
def test_the_three_shares_sum_to_1_and_lie_within_their_limits(rows):
    found = curves(counted(rows), 0.95)
    shares = found.event_free.share + found.incidence.share + found.competing_incidence.share
    np.testing.assert_allclose(shares, 1)
    for curve in (found.event_free, found.incidence, found.competing_incidence):
        assert np.isfinite([curve.share, curve.variance, curve.low, curve.high]).all()
        assert (curve.variance >= 0).all()
        assert (curve.low >= -1e-12).all()
        assert (curve.low <= curve.share + 1e-12).all()
        assert (curve.share <= curve.high + 1e-12).all()
        assert (curve.high <= 1 + 1e-12).all()


@given(courses)
def test_event_and_death_exchanged_exchange_their_curves(rows):
    found = curves(counted(rows), 0.95)
    turned = curves(counted([(s, day, {0: 1, 1: 0, 2: 2}[why]) for s, day, why in rows]), 0.95)
    for name in ("share", "variance", "low", "high"):
        np.testing.assert_allclose(getattr(found.incidence, name), getattr(turned.competing_incidence, name))
        np.testing.assert_allclose(getattr(found.event_free, name), getattr(turned.event_free, name))


@given(courses)
def test_without_deaths_incidence_is_what_is_not_event_free(rows):
    found = curves(counted([(s, day, EVENT if why == DEATH else why) for s, day, why in rows]), 0.95)
    np.testing.assert_allclose(found.incidence.share, 1 - found.event_free.share, atol=1e-12)
    np.testing.assert_allclose(found.incidence.variance, found.event_free.variance, atol=1e-12)
    np.testing.assert_allclose(found.incidence.low, 1 - found.event_free.high, atol=1e-9)
    np.testing.assert_allclose(found.incidence.high, 1 - found.event_free.low, atol=1e-9)


@given(courses)
def test_without_censoring_they_are_plain_shares(rows):
    """Counted case by case: events up to a day over all cases, binomial variance."""
    rows = [(0, day, why % 2) for _, day, why in rows]
    found = curves(counted(rows, strata=1), 0.95)
    days, why = np.array(rows)[:, 1], np.array(rows)[:, 2]
    had = np.array([((days <= day) & (why == EVENT)).mean() for day in found.leaving.day])
    np.testing.assert_allclose(found.incidence.share, had, atol=1e-12)
    np.testing.assert_allclose(found.incidence.variance, had * (1 - had) / len(rows), atol=1e-12)


@given(courses, st.integers(0, 59))
def test_parts_add_and_strata_do_not_touch_each_other(rows, cut):
    whole = counted(rows)
    parts = added_leaving([counted(rows[:cut]), counted(rows[cut:])])
    assert parts.day.tolist() == whole.day.tolist()
    assert parts.event.tolist() == whole.event.tolist()
    assert (counted(rows[:cut]) + counted(rows[cut:])).at_risk.tolist() == whole.at_risk.tolist()
    together, alone = curves(whole, 0.95), curves(counted([row for row in rows if row[0] == 2]), 0.95)
    here = whole.stratum == 2
    assert together.incidence.low[here].tolist() == alone.incidence.low.tolist()
    assert together.event_free.variance[here].tolist() == alone.event_free.variance.tolist()


@given(courses)
def test_more_confidence_is_wider(rows):
    narrow, wide = curves(counted(rows), 0.8), curves(counted(rows), 0.99)
    for name in ("event_free", "incidence"):
        assert (getattr(wide, name).low <= getattr(narrow, name).low + 1e-12).all()
        assert (getattr(wide, name).high >= getattr(narrow, name).high - 1e-12).all()


def test_a_row_may_take_back_what_another_gives():
    """Three cases censored on day 9; one of them had the event on day 4: three rows, as if counted at once."""
    zero = np.zeros(3, int)
    moved = leaving(zero, np.array([9, 9, 4]), np.array([0, 0, 1]), zero, np.array([3, -1, 0]), 1)
    whole = one((4, EVENT), (9, CENSORED), (9, CENSORED))
    for name in ("day", "event", "censored", "at_risk"):
        assert getattr(moved, name).tolist() == getattr(whole, name).tolist()
    allgone = leaving(zero[:2], np.array([9, 9]), zero[:2], zero[:2], np.array([3, -3]), 1)
    assert len(allgone.day) == 0


@pytest.mark.parametrize("bad", [(0, -1, 1), (0, 1, -1), (1, 1, 1), (-1, 1, 1)])
def test_what_cannot_be_is_refused(bad):
    stratum, day, event = (np.array([number]) for number in bad)
    with pytest.raises(CannotFinish, match="below 0, or a stratum"):
        leaving(stratum, day, event, np.array([0]), np.array([0]), 1)


def test_ten_thousand_strata_in_one_call():
    """No loop over strata: the first and the last of ten thousand are as if alone, within seconds."""
    draw = np.random.default_rng(2)
    strata, cases = 10_000, 200_000
    rows = draw.integers(0, [strata, 731, 3], (cases, 3))
    found = curves(counted(rows, strata), 0.95)
    readings = read_at(found, np.arange(strata), np.full(strata, 365))
    assert readings.at_risk.sum() == (rows[:, 1] >= 365).sum()
    for number in (0, strata - 1):
        mine = rows[rows[:, 0] == number] * [0, 1, 1]
        alone = read(curves(counted(mine, 1), 0.95), 365)
        assert readings.incidence.high[number] == alone.incidence.high[0]
