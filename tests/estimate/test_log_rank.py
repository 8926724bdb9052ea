"""Log-rank by hand and its corners; values from outside are in tests/external."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.estimate.curves import leaving
from pipeline.estimate.log_rank import log_rank

EVENT, DEATH, CENSORED = range(3)
arm = st.lists(st.tuples(st.integers(0, 9), st.integers(0, 2)), min_size=1, max_size=30)


def compared(*arms, causes=("event",)):
    """Each arm a list of (last day, why), all of one comparison."""
    rows = np.array([(at, *row) for at, each in enumerate(arms) for row in each], int).reshape(-1, 3)
    counts = leaving(rows[:, 0], rows[:, 1], *np.eye(3, dtype=int)[rows[:, 2]].T, len(arms))
    return log_rank(counts, np.zeros(len(arms), int), np.arange(len(arms)), causes)


def test_by_hand():
    """a: event 1, censored 4; b: event 3, event 5. Day 1: 1 of 2 and 2, expected a 1/2, variance 1/4. Day 3: 1 and 2 at
    risk, expected 1/3, variance 2/9. Day 5: b alone. (1 - 5/6)² / (1/4 + 2/9) = 1/17."""
    found = compared([(1, EVENT), (4, CENSORED)], [(3, EVENT), (5, EVENT)])
    assert found.observed.tolist() == [[1, 2]]
    assert found.expected[0].tolist() == pytest.approx([5 / 6, 1 / 2 + 2 / 3 + 1])
    assert found.statistic[0] == pytest.approx(1 / 17)
    assert found.degrees.tolist() == [1]


def test_several_events_on_one_day():
    """a: 2 of 3 on day 1; b: 1 of 3. Expected 3·1/2, variance 3·(1/2·1/2)·(3/5) = 9/20; (1/2)² / (9/20) = 5/9."""
    found = compared([(1, EVENT)] * 2 + [(2, CENSORED)], [(1, EVENT)] + [(2, CENSORED)] * 2)
    assert found.statistic[0] == pytest.approx(5 / 9)


def test_a_death_censors_or_is_a_failure():
    a, b = [(1, DEATH), (4, CENSORED)], [(3, EVENT), (5, EVENT)]
    assert compared(a, b).observed.tolist() == [[0, 2]]
    assert compared(a, b, causes=("event", "competing")).observed.tolist() == [[1, 2]]


def test_within_bands_by_hand():
    """The first band is the one of `test_by_hand`: observed less expected of a 1/6, variance 17/36. In the second, a
    event 2, b event 2 of 2 each: expected 1, variance 2·(1/4)·(2/3) = 1/3, no difference. (1/6)² / (17/36 + 1/3) = 1/29."""
    rows = [
        *[(0, 1, EVENT), (0, 4, CENSORED), (1, 3, EVENT), (1, 5, EVENT)],
        *[(2, 2, EVENT), (2, 3, CENSORED), (3, 2, EVENT), (3, 3, CENSORED)],
    ]
    stratum, day, why = np.array(rows).T
    counts = leaving(stratum, day, *np.eye(3, dtype=int)[why].T, 4)
    found = log_rank(counts, np.zeros(4, int), np.array([0, 1, 0, 1]), ("event",), np.array([0, 0, 1, 1]))
    assert found.statistic[0] == pytest.approx(1 / 29)
    assert found.observed.tolist() == [[2, 3]]
    assert found.degrees.tolist() == [1]


@given(arm, arm)
def test_exchanging_the_arms_changes_nothing(a, b):
    one, other = compared(a, b), compared(b, a)
    np.testing.assert_allclose(one.statistic, other.statistic, atol=1e-9)
    assert not (one.p < 0).any()
    assert not (one.p > 1).any()


@given(arm, arm, arm)
def test_observed_and_expected_have_one_sum(a, b, c):
    found = compared(a, b, c)
    assert found.expected.sum() == pytest.approx(found.observed.sum())


@given(arm, arm)
def test_an_arm_without_cases_does_not_count(a, b):
    two, three = compared(a, b), compared(a, [], b)
    np.testing.assert_allclose(two.statistic, three.statistic, atol=1e-9)
    assert two.degrees.tolist() == three.degrees.tolist()


@pytest.mark.parametrize(
    "arms",
    [
        ([(3, CENSORED)], [(4, CENSORED)]),
        ([(3, EVENT)], []),
        ([(1, CENSORED)], [(4, EVENT)]),
        ([], []),
    ],
)
def test_nothing_to_compare(arms):
    """No event; one arm empty; one arm gone before the first event; no case."""
    found = compared(*arms)
    assert np.isnan([found.statistic[0], found.p[0]]).all()
    assert found.degrees[0] == 0


def test_many_comparisons_are_each_their_own():
    """Strata of one arm are added; stratum 4 takes no part; comparison 1 has no case."""
    draw = np.random.default_rng(1)
    stratum, day, why = draw.integers(0, 6, 300), draw.integers(0, 30, 300), draw.integers(0, 3, 300)
    counts = leaving(stratum, day, *np.eye(3, dtype=int)[why].T, 8)
    comparison, arm = np.array([0, 0, 0, 2, -1, 2, 1, 1]), np.array([0, 1, 1, 0, 0, 1, 0, 1])
    found = log_rank(counts, comparison, arm, ("event",))
    cases = [list(zip(day[stratum == at], why[stratum == at], strict=True)) for at in range(6)]
    first, third = compared(cases[0], cases[1] + cases[2]), compared(cases[3], cases[5])
    assert found.statistic[[0, 2]].tolist() == pytest.approx([first.statistic[0], third.statistic[0]])
    assert np.isnan(found.statistic[1])
