"""Every pair of small arms: no exception, nothing infinite, no estimate outside its interval.

All pairs up to 30 v 30 are 246,016. Exact odds ratios of all of them take half a minute: a plain run takes every
ninth, `EVERY_TABLE=all pytest tests/estimate/test_every_table.py` all.
"""

import os

import numpy as np
import pytest
from scipy.stats import hypergeom

from pipeline.estimate import two_arms
from pipeline.estimate.stratified import (
    adjusted_odds_ratio,
    adjusted_risk_difference,
    adjusted_risk_ratio,
    homogeneity,
)
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


def within_one_stratum(measure):
    """The same as a measure of two arms."""

    def crude(arms: Arms, confidence: float):
        return measure(Arms(*(each[:, None] for each in cells_of(arms))), confidence)

    crude.__name__ = measure.__name__
    return crude


def cells_of(arms: Arms):
    return arms.events_a, arms.cases_a, arms.events_b, arms.cases_b


adjusted_difference, adjusted_ratio, adjusted_odds = (
    within_one_stratum(each) for each in (adjusted_risk_difference, adjusted_risk_ratio, adjusted_odds_ratio)
)
CASES = [
    (risk_difference, 30), (risk_ratio, 30), (odds_ratio, 12), (odds_ratio, 30), (adjusted_difference, 30),
    (adjusted_ratio, 30), (adjusted_odds, 30),
]  # fmt: skip


def tried(measure, largest: int) -> Arms:
    arms = every_table(largest)
    if measure is not odds_ratio or largest < 30 or os.environ.get("EVERY_TABLE") == "all":
        return arms
    return Arms(*(each[::9] for each in cells_of(arms)))


@pytest.fixture(params=CASES, ids=lambda case: f"{case[0].__name__} up to {case[1]}", scope="module")
def worked_out(request):
    measure, largest = request.param
    arms = tried(measure, largest)
    return arms, measure, measure(arms, 0.95)


def test_how_many_are_tried():
    """Σ (m + 1) for m from 0 to 30 is 496; every ninth of 496² from the first are 27,336."""
    assert len(every_table(30).events_a) == 496**2
    if os.environ.get("EVERY_TABLE") != "all":
        assert len(tried(odds_ratio, 30).events_a) == 27_336


def test_a_ratio_has_all_figures_or_says_why():
    arms = every_table(12)
    none = (arms.events_a == 0) | (arms.events_b == 0)
    all_of_both = (arms.events_a == arms.cases_a) & (arms.events_b == arms.cases_b)
    found = within_one_stratum(adjusted_risk_ratio)(arms, 0.95)
    np.testing.assert_array_equal(found.why == "", arms.both & ~(none | all_of_both))
    np.testing.assert_array_equal(np.isnan(found.high), found.why != "")


def two_strata(largest: int) -> Arms:
    """All pairs of small tables as two strata of one comparison."""
    cells = np.stack(cells_of(every_table(largest)), axis=1)
    first, second = (
        grid.ravel() for grid in np.meshgrid(np.arange(len(cells)), np.arange(len(cells)), indexing="ij")
    )
    return Arms(*(np.stack([cells[first, at], cells[second, at]], axis=1) for at in range(4)))


@pytest.mark.parametrize("measure", [adjusted_risk_difference, adjusted_risk_ratio, adjusted_odds_ratio])
def test_every_pair_of_small_strata(measure):
    """10 arms up to 3 cases make 100 tables and 10,000 pairs of them."""
    found = measure(two_strata(3), 0.95)
    told = found.why == ""
    assert len(told) == 10_000
    assert told.sum() > 2_000
    assert np.isnan([found.value[~told], found.low[~told], found.high[~told]]).all()
    assert np.isfinite([found.value[told], found.low[told], found.high[told]]).all()
    within = 1e-12 * np.maximum(1, np.abs(found.value[told]))
    assert (found.low[told] <= found.value[told] + within).all()
    assert (found.value[told] <= found.high[told] + within).all()


def test_homogeneity_of_every_pair_of_small_strata():
    found = homogeneity(two_strata(3))
    told = found.why == ""
    assert told.sum() > 2_000
    assert (found.statistic[told] >= -1e-9).all()
    assert ((found.p[told] >= 0) & (found.p[told] <= 1)).all()
    assert np.isnan(found.p[~told]).all()


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


def without_value(measure, arms: Arms) -> np.ndarray:
    """bool: the measure has no value, written down from its definition."""
    none_in_b = arms.events_b == 0
    if measure is risk_ratio:
        return ~arms.both | none_in_b
    others_a, others_b = arms.cases_a - arms.events_a, arms.cases_b - arms.events_b
    if measure is odds_ratio:
        alike = ((arms.events_a + arms.events_b) == 0) | ((others_a + others_b) == 0)
        return ~arms.both | alike | none_in_b | (others_a == 0)
    alike = ((arms.events_a == 0) | (others_a == 0)) & (none_in_b | (others_b == 0))
    if measure is adjusted_difference:
        return ~arms.both | alike
    if measure is adjusted_ratio:
        return ~arms.both | none_in_b | (arms.events_a == 0) | ((others_a + others_b) == 0)
    if measure is adjusted_odds:
        return ~arms.both | (arms.events_a * others_b == 0) | (arms.events_b * others_a == 0)
    return ~arms.both


def test_a_value_is_missing_only_where_there_is_none(worked_out):
    arms, measure, found = worked_out
    np.testing.assert_array_equal(np.isnan(found.value), without_value(measure, arms))


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
