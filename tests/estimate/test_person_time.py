"""Corners and properties of rates over person-time; values from outside are in tests/external."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import CannotFinish, WrongUse
from pipeline.estimate.person_time import poisson_interval, rate_per_100_years, rate_ratio, rates_test

METHODS = ("garwood", "byar")


@given(st.integers(0, 500), st.integers(1, 100_000), st.sampled_from(METHODS))
def test_a_rate_lies_within_its_limits(events, days, method):
    found = rate_per_100_years([events], [days], 0.95, method)
    assert 0 <= found.low[0] <= found.rate[0] <= found.high[0] < math.inf
    assert found.rate[0] == pytest.approx(events / (days / 365.25) * 100)


@given(st.integers(0, 500), st.sampled_from(METHODS))
def test_more_confidence_is_wider(events, method):
    narrow, wide = (poisson_interval([events], [1.0], method, confidence) for confidence in (0.8, 0.99))
    assert wide.low[0] <= narrow.low[0]
    assert narrow.high[0] < wide.high[0]


def test_no_event_still_has_an_upper_limit():
    """exp(-m) = 0.025 at m = -log 0.025 = 3.689; 730.5 days are two years."""
    found = rate_per_100_years([0], [730.5 * 2], 0.95)
    assert (found.years[0], found.rate[0], found.low[0]) == (4, 0, 0)
    assert found.high[0] == pytest.approx(-math.log(0.025) / 4 * 100)


@pytest.mark.parametrize("method", METHODS)
def test_without_person_time_nothing_is_estimable(method):
    found = rate_per_100_years(np.array([0, 1]), np.array([0, 365]), 0.95, method)
    assert np.isnan([found.rate[0], found.low[0], found.high[0]]).all()
    assert np.isfinite([found.rate[1], found.low[1], found.high[1]]).all()


def test_what_cannot_be_is_refused():
    with pytest.raises(CannotFinish, match="no person-time"):
        rate_per_100_years([1], [0], 0.95)
    with pytest.raises(CannotFinish, match="below 0"):
        rate_per_100_years([-1], [10], 0.95)
    with pytest.raises(WrongUse, match="exact"):
        poisson_interval([1], [10.0], "exact", 0.95)


def test_byar_nears_the_exact_limits():
    events = np.array([20, 100, 1000])
    exact, byar = (poisson_interval(events, np.ones(3), method, 0.95) for method in METHODS)
    np.testing.assert_allclose(byar.low, exact.low, rtol=1e-3)
    np.testing.assert_allclose(byar.high, exact.high, rtol=1e-3)


arm = st.tuples(st.integers(0, 60), st.integers(1, 5000))


@given(arm, arm)
def test_exchanging_the_arms_inverts_the_ratio(a, b):
    one, other = (
        rate_ratio([a[0]], [a[1]], [b[0]], [b[1]], 0.95),
        rate_ratio([b[0]], [b[1]], [a[0]], [a[1]], 0.95),
    )
    for value, turned in ((one.value, other.value), (one.low, other.high), (one.high, other.low)):
        if value[0] > 0 and turned[0] > 0:
            assert value[0] * turned[0] == pytest.approx(1)
    assert rates_test(*a, *b) == pytest.approx(rates_test(*b, *a))


@given(arm, arm)
def test_a_ratio_lies_within_its_limits(a, b):
    found = rate_ratio([a[0]], [a[1]], [b[0]], [b[1]], 0.95)
    assert not found.low[0] > found.value[0]
    assert not found.high[0] < found.value[0]


def test_corners_of_the_ratio():
    """No event at all, none in b, none in a, no time in a, no time in b."""
    found = rate_ratio([0, 2, 0, 0, 2], [10, 10, 10, 0, 10], [0, 0, 3, 3, 0], [10, 10, 10, 10, 0], 0.95)
    assert np.isnan(found.value).tolist() == [True, True, False, True, True]
    assert np.isnan(found.low).tolist() == [True, False, False, True, True]
    assert np.isnan(found.high).tolist() == [True, True, False, True, True]
    assert (found.value[2], found.low[2]) == (0, 0)
    assert rates_test(0, 10, 0, 10) == 1
    assert math.isnan(rates_test(1, 0, 2, 10))


def test_one_event_more_or_less_likely():
    """One event in a tenth of the time: 0.1; the other way round both splits are as unlikely or likelier: 1."""
    assert rates_test(1, 1, 0, 9) == pytest.approx(0.1)
    assert rates_test(0, 1, 1, 9) == pytest.approx(1)
