"""What could be found at all; values from outside are in tests/external."""

import itertools
import math

import numpy as np
import pytest
from scipy.stats import binom, chi2

from pipeline.estimate import power, two_arms
from pipeline.estimate.power import power_of, rejection_region
from pipeline.estimate.proportions import ImpossibleCounts

SMALL = [(5, 7), (8, 8), (9, 6), (12, 4), (1, 1), (1, 9)]


def rejects(region, x, y):
    return y <= region.few[x] or y >= region.many[x]


@pytest.mark.parametrize(("m", "n"), SMALL)
@pytest.mark.parametrize("alpha", [0.05, 0.2])
def test_it_rejects_where_the_test_that_is_used_does(m, n, alpha):
    region = rejection_region(m, n, alpha)
    for x, y in itertools.product(range(m + 1), range(n + 1)):
        assert rejects(region, x, y) == (two_arms.tests_of(x, m, y, n).exact < alpha), (x, y)


LARGER = [(14, 60, 4, 60), (13, 60, 4, 60), (3, 21, 0, 27), (5, 21, 0, 27), (25, 180, 9, 150)]


@pytest.mark.parametrize("table", LARGER, ids=str)
def test_it_rejects_larger_tables_where_the_test_does(table):
    x, m, y, n = table
    assert rejects(rejection_region(m, n, 0.05), x, y) == (two_arms.tests_of(*table).exact < 0.05)


@pytest.mark.parametrize(("m", "n"), [(201, 5), (203, 150), (250, 201)])
def test_above_two_hundred_it_rejects_where_the_chi_square_does(m, n):
    """The statistic written out for every table, against the ends that a quadratic gives."""
    x, y = np.arange(m + 1.0)[:, None], np.arange(n + 1.0)[None, :]
    events, total = x + y, m + n
    inside = (events > 0) & (events < total)
    above = (total - 1) * (x * (n - y) - y * (m - x)) ** 2
    statistic = np.divide(
        above, m * n * events * (total - events), out=np.zeros((m + 1, n + 1)), where=inside
    )
    region = rejection_region(m, n, 0.05)
    ours = (y <= region.few[:, None]) | (y >= region.many[:, None])
    np.testing.assert_array_equal(ours, chi2.sf(statistic, 1) < 0.05)


def test_power_is_the_chance_of_all_tables_that_reject():
    """Summed table by table, each judged by the test itself."""
    m, n, risk, increase = 9, 8, 2 / 17, 0.5
    chance = sum(
        binom.pmf(x, m, risk + increase) * binom.pmf(y, n, risk)
        for x, y in itertools.product(range(m + 1), range(n + 1))
        if two_arms.tests_of(x, m, y, n).exact < 0.05
    )
    found = power_of(1, m, 1, n, increase, 0.05)
    assert found.risk == pytest.approx(risk)
    assert found.chance == pytest.approx(chance, rel=1e-9)


@pytest.mark.parametrize(("m", "n"), [(21, 27), (60, 40), (250, 210)])
def test_without_a_difference_it_finds_one_no_more_often_than_alpha(m, n):
    """Boschloo's test keeps its level at every shared risk; the chi-square about."""
    region = rejection_region(m, n, 0.05)
    found = max(region.chance(risk, risk) for risk in np.linspace(0, 1, 41))
    assert found <= (0.05 + 1e-9 if max(m, n) <= 200 else 0.06)


def test_the_difference_seen_never_enters():
    assert power_of(6, 20, 0, 20, 0.1, 0.05) == power_of(0, 20, 6, 20, 0.1, 0.05)


def test_the_smallest_increase_is_found_with_a_chance_of_eighty_percent():
    found = power_of(4, 40, 4, 40, 0.1, 0.05)
    region = rejection_region(40, 40, 0.05)
    assert region.chance(0.1 + found.detectable, 0.1) == pytest.approx(0.8, abs=1e-9)
    assert region.chance(0.1 + found.detectable - 0.01, 0.1) < 0.8


def test_more_cases_find_more():
    chances, increases = zip(*((found.chance, found.detectable) for found in (
        power_of(cases // 10, cases, cases // 10, cases, 0.1, 0.05) for cases in (20, 50, 100, 200, 400)
    )), strict=True)  # fmt: skip
    assert list(chances) == sorted(chances)
    assert list(increases) == sorted(increases, reverse=True)


def test_an_arm_without_cases_has_no_power():
    found = power_of(0, 0, 1, 5, 0.1, 0.05)
    assert math.isnan(found.chance)
    assert math.isnan(found.detectable)
    assert found.why == power.NO_CASES


def test_a_risk_that_cannot_rise_so_far():
    found = power_of(95, 100, 95, 100, 0.1, 0.05)
    assert math.isnan(found.chance)
    assert found.why == f"{power.RISK_TOO_HIGH}; {power.NOTHING_DETECTABLE}"


def test_groups_in_which_nothing_would_be_found():
    """1 against 1: no table has p below 0.05."""
    found = power_of(0, 1, 0, 1, 0.1, 0.05)
    assert found.chance == 0
    assert math.isnan(found.detectable)
    assert found.why == power.NOTHING_DETECTABLE


@pytest.mark.parametrize(("events", "cases"), [(0, 30), (30, 30)], ids=["no event", "all events"])
def test_corners_of_the_risk(events, cases):
    found = power_of(events, cases, events, cases, 0.1, 0.05)
    if events:
        assert found.why == f"{power.RISK_TOO_HIGH}; {power.NOTHING_DETECTABLE}"
    else:
        assert 0 < found.chance < 1
        assert 0 < found.detectable < 1


def test_impossible_counts_raise():
    with pytest.raises(ImpossibleCounts):
        power_of(6, 5, 0, 5, 0.1, 0.05)


@pytest.mark.parametrize("cases", [200, 100_000])
def test_large_arms_are_quick(cases):
    import time

    rejection_region.cache_clear()
    started = time.perf_counter()
    power_of(cases // 10, cases, cases // 10, cases, 0.1, 0.05)
    assert time.perf_counter() - started < 3.0, (
        "about 0.2 s alone; one Boschloo test by scipy of 200 v 200 is as long"
    )
