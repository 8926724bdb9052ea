"""Properties and corners of comparisons of two arms; values from outside are in tests/external."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.estimate import two_arms
from pipeline.estimate.two_arms import Arms, odds_ratio, risk_difference, risk_ratio

arm = st.integers(1, 80).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
MEASURES = (risk_difference, risk_ratio, odds_ratio)


def arms(x, m, y, n):
    return Arms(*(np.array([each]) for each in (x, m, y, n)))


def numbers(estimate):
    return [float(each[0]) for each in (estimate.value, estimate.low, estimate.high)]


@given(arm, arm)
def test_a_difference_lies_within_its_interval(a, b):
    value, low, high = numbers(risk_difference(arms(*a, *b), 0.95))
    assert -1 <= low <= value <= high <= 1


@given(arm, arm)
def test_exchanging_the_arms_turns_the_difference_round(a, b):
    value, low, high = numbers(risk_difference(arms(*a, *b), 0.95))
    np.testing.assert_allclose(
        numbers(risk_difference(arms(*b, *a), 0.95)), (-value, -high, -low), atol=1e-12
    )


@given(arm, arm)
@pytest.mark.parametrize("measure", [risk_ratio, odds_ratio])
def test_exchanging_the_arms_inverts_a_ratio(measure, a, b):
    value, low, high = numbers(measure(arms(*a, *b), 0.95))
    inverted = numbers(measure(arms(*b, *a), 0.95))
    for one, other in ((value, inverted[0]), (low, inverted[2]), (high, inverted[1])):
        if one > 0 and other > 0:
            assert one * other == pytest.approx(1, rel=1e-6)


@given(arm, arm)
@pytest.mark.parametrize("measure", [risk_ratio, odds_ratio])
def test_a_ratio_lies_within_its_limits(measure, a, b):
    value, low, high = numbers(measure(arms(*a, *b), 0.95))
    assert not low > value
    assert not high < value


@given(arm, arm)
@pytest.mark.parametrize("measure", MEASURES)
def test_more_confidence_is_wider(measure, a, b):
    narrow, wide = (numbers(measure(arms(*a, *b), confidence)) for confidence in (0.8, 0.99))
    assert not wide[1] > narrow[1] + 1e-12
    assert not wide[2] < narrow[2] - 1e-12


@pytest.mark.parametrize("measure", MEASURES)
@pytest.mark.parametrize("table", [(0, 0, 3, 9), (3, 9, 0, 0), (0, 0, 0, 0)], ids=str)
def test_an_arm_without_cases_gives_no_number(measure, table):
    assert np.isnan(numbers(measure(arms(*table), 0.95))).all()


@pytest.mark.parametrize(
    ("table", "ratio"),
    [((0, 20, 3, 25), (0, 0, None)), ((3, 25, 0, 20), (math.nan, None, math.nan)),
     ((0, 9, 0, 9), (math.nan,) * 3), ((1, 1, 1, 1), (1, None, None)), ((9, 9, 7, 7), (1, None, None))],
    ids=["none in a", "none in b", "none in either", "1/1 v 1/1", "all in both"],
)  # fmt: skip
def test_corners_of_the_risk_ratio(table, ratio):
    for got, wanted in zip(numbers(risk_ratio(arms(*table), 0.95)), ratio, strict=True):
        if wanted is None:
            assert math.isfinite(got)
        else:
            np.testing.assert_equal(got, float(wanted))


def test_the_odds_ratio_of_large_arms_is_quick():
    import time

    started = time.perf_counter()
    odds_ratio(arms(5_000, 100_000, 7_000, 97_000), 0.95)
    assert time.perf_counter() - started < 1.0, "scipy needs about 3 s"


def test_boschloo_puts_the_groups_in_columns():
    """scipy's manual: columns are the groups. Turned round 1/20 v 7/20 gives another p (values of scipy)."""
    assert two_arms.tests_of(1, 20, 7, 20).exact == pytest.approx(0.0215020953, abs=1e-8)


@pytest.mark.parametrize(
    "table", [(0, 10, 0, 12), (10, 10, 12, 12), (0, 300, 0, 250), (300, 300, 250, 250)], ids=str
)
def test_nothing_to_test_gives_p_1(table):
    found = two_arms.tests_of(*table)
    assert (found.fisher, found.exact) == (1.0, 1.0)


def test_no_cases_no_test():
    assert math.isnan(two_arms.tests_of(0, 0, 1, 5).exact)
