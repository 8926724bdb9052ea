"""Properties and corners that every interval must have."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import CannotFinish, WrongUse
from pipeline.estimate.proportions import person_time_interval, proportion_interval

METHODS = ("wilson", "clopper-pearson")
counts = st.integers(0, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
method = st.sampled_from(METHODS)


def limits(events, cases, method, confidence=0.95):
    found = proportion_interval(np.array([events]), np.array([cases]), method, confidence)
    return float(found.low[0]), float(found.high[0])


@given(counts, method)
def test_the_rate_lies_within_its_interval_within_0_and_1(pair, method):
    x, n = pair
    low, high = limits(x, n, method)
    if n == 0:
        assert np.isnan([low, high]).all()
    else:
        assert 0 <= low <= x / n <= high <= 1


@given(counts, method)
def test_events_and_non_events_mirror_each_other(pair, method):
    x, n = pair
    low, high = limits(x, n, method)
    mirrored = limits(n - x, n, method)
    np.testing.assert_allclose(mirrored, (1 - high, 1 - low), atol=1e-12)


@given(counts.filter(lambda pair: pair[1] > 0), method)
def test_more_confidence_is_wider(pair, method):
    narrow, wide = limits(*pair, method, 0.8), limits(*pair, method, 0.99)
    assert wide[0] <= narrow[0]
    assert narrow[1] <= wide[1]
    assert wide[1] - wide[0] > narrow[1] - narrow[0]


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("n", [1, 2, 20, 100_000])
def test_ends_are_exact_at_none_and_at_all(method, n):
    assert limits(0, n, method)[0] == 0.0
    assert 0 < limits(0, n, method)[1] < 1
    assert limits(n, n, method)[1] == 1.0
    assert 0 < limits(n, n, method)[0] < 1


@pytest.mark.parametrize("method", METHODS)
def test_strata_are_worked_out_together_as_alone(method):
    x, n = np.array([0, 1, 5, 0, 7]), np.array([0, 1, 5, 30, 20])
    together = proportion_interval(x, n, method, 0.95)
    for place, pair in enumerate(zip(x, n, strict=True)):
        np.testing.assert_equal((together.low[place], together.high[place]), limits(*pair, method))
    assert (together.method, together.confidence) == (method, 0.95)


@pytest.mark.parametrize(("x", "n"), [(-1, 5), (6, 5), (1, 0)])
@pytest.mark.parametrize("method", METHODS)
def test_impossible_counts_are_refused(x, n, method):
    with pytest.raises(ValueError, match="Expected 0") as refused:
        limits(x, n, method)
    assert isinstance(refused.value, CannotFinish)


def test_a_method_that_does_not_exist_is_refused():
    with pytest.raises(WrongUse, match="Expected one of wilson, clopper-pearson"):
        limits(1, 2, "wils")


@given(st.integers(0, 500), st.floats(0.01, 1e5))
def test_person_time_limits_hold_the_rate(events, years):
    found = person_time_interval(np.array([events]), np.array([years]), 0.95)
    assert 0 <= found.low[0] <= events / years <= found.high[0]
    assert (found.low[0] == 0) == (events == 0)


def test_no_person_time_no_limits():
    found = person_time_interval(np.array([0, 3]), np.array([0.0, 0.0]), 0.95)
    assert np.isnan([found.low, found.high]).all()


@pytest.mark.parametrize(("events", "years"), [(-1, 1.0), (1, -1.0)])
def test_impossible_person_time_is_refused(events, years):
    with pytest.raises(CannotFinish, match="below 0"):
        person_time_interval(np.array([events]), np.array([years]), 0.95)
