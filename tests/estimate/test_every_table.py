"""Every pair of small arms: no exception, nothing infinite, no estimate outside its interval."""

import numpy as np
import pytest
from scipy.stats import hypergeom

from pipeline.estimate import two_arms
from pipeline.estimate.two_arms import Arms, odds_ratio, risk_difference, risk_ratio


def every_table(largest: int) -> Arms:
    """All x of m against y of n with m and n from 0 to the largest."""
    arm = np.array([(x, m) for m in range(largest + 1) for x in range(m + 1)], np.int64)
    first, second = (
        grid.ravel() for grid in np.meshgrid(np.arange(len(arm)), np.arange(len(arm)), indexing="ij")
    )
    return Arms(arm[first, 0], arm[first, 1], arm[second, 0], arm[second, 1])


def test_how_many_there_are():
    """Σ (m + 1) for m from 0 to 12 is 91; 91² pairs."""
    assert len(every_table(12).events_a) == 91**2


CASES = [(risk_difference, 30), (risk_ratio, 30), (odds_ratio, 12)]


@pytest.fixture(params=CASES, ids=lambda case: f"{case[0].__name__} up to {case[1]}", scope="module")
def worked_out(request):
    measure, largest = request.param
    arms = every_table(largest)
    return arms, measure, measure(arms, 0.95)


def test_nothing_is_infinite(worked_out):
    found = worked_out[2]
    assert not any(np.isinf(each).any() for each in (found.value, found.low, found.high))


def test_estimates_lie_within_their_intervals(worked_out):
    found = worked_out[2]
    within = 1e-12 * np.maximum(1, np.abs(found.value))
    assert not (found.low > found.value + within).any()
    assert not (found.high < found.value - within).any()


def test_an_empty_arm_gives_no_number_and_two_arms_always_a_difference(worked_out):
    arms, measure, found = worked_out
    figures = np.stack([found.value, found.low, found.high])
    assert np.isnan(figures[:, ~arms.both]).all()
    if measure is risk_difference:
        assert not np.isnan(figures[:, arms.both]).any()
        assert (np.abs(figures[:, arms.both]) <= 1).all()


def test_which_ratios_have_no_value_and_which_no_limit():
    """Without events in b a risk ratio has no value and no upper limit; without events in either, nothing."""
    arms = every_table(12)
    found = risk_ratio(arms, 0.95)
    neither, none_in_b = (arms.events_a + arms.events_b) == 0, arms.events_b == 0
    np.testing.assert_array_equal(np.isnan(found.value[arms.both]), none_in_b[arms.both])
    np.testing.assert_array_equal(np.isnan(found.high[arms.both]), none_in_b[arms.both])
    np.testing.assert_array_equal(np.isnan(found.low[arms.both]), neither[arms.both])
    assert (found.low[arms.both & (arms.events_a == 0) & ~none_in_b] == 0).all()


def test_which_odds_ratios_have_no_value_and_which_no_limit():
    arms = every_table(12)
    found = odds_ratio(arms, 0.95)
    events, others = (
        arms.events_a + arms.events_b,
        arms.cases_a + arms.cases_b - arms.events_a - arms.events_b,
    )
    alike = (events == 0) | (others == 0)  # the margins leave one table
    highest = (arms.events_b == 0) | (arms.events_a == arms.cases_a)
    lowest = ((arms.events_a == 0) | (arms.events_b == arms.cases_b)) & ~alike
    np.testing.assert_array_equal(np.isnan(found.value[arms.both]), (alike | highest)[arms.both])
    np.testing.assert_array_equal(np.isnan(found.high[arms.both]), (alike | highest)[arms.both])
    np.testing.assert_array_equal(np.isnan(found.low[arms.both]), alike[arms.both])
    assert (found.value[arms.both & lowest] == 0).all()
    assert (found.low[arms.both & lowest] == 0).all()


def fisher_doubled(x: int, m: int, y: int, n: int) -> float:
    """Twice the smaller one-sided p of Fisher's test."""
    law = hypergeom(m + n, x + y, m)
    return min(1.0, 2 * min(law.cdf(x), law.sf(x - 1)))


def test_every_small_table_can_be_tested():
    """Boschloo's test takes Fisher's one-sided p as its statistic: doubled, it never exceeds Fisher's doubled."""
    arms = every_table(4)
    for table in zip(arms.events_a, arms.cases_a, arms.events_b, arms.cases_b, strict=True):
        x, m, y, n = (int(each) for each in table)
        found = two_arms.tests_of(x, m, y, n)
        if m and n:
            assert 0 < found.fisher <= 1
            assert 0 < found.exact <= fisher_doubled(x, m, y, n) + 1e-6
        else:
            assert np.isnan([found.fisher, found.exact]).all()
