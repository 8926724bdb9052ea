"""The number of events by chance, against a recursion over single cases and against the binomial."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, norm

from pipeline.estimate.poisson_binomial import EXACT, NORMAL, chances


def one(risk, cases):
    risk = np.atleast_1d(np.asarray(risk, dtype=float))
    return chances(np.zeros(len(risk), int), risk, np.atleast_1d(cases), 1)


def case_by_case(risk, cases):
    """Adds one case after the other."""
    pmf = np.ones(1)
    for own in np.repeat(risk, cases):
        pmf = np.convolve(pmf, [1 - own, own])
    return pmf


@given(st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 40)), min_size=1, max_size=8))
def test_as_case_by_case(rows):
    risk, cases = np.array([r for r, _ in rows]) / 10_000, np.array([c for _, c in rows])
    found = one(risk, cases)
    known = np.cumsum(case_by_case(risk, cases))
    got = np.array([found.at_most(np.array([k]))[0] for k in range(cases.sum() + 1)])
    if found.exact[0]:
        np.testing.assert_allclose(got, known, atol=1e-11)
    else:
        np.testing.assert_allclose(got, known, atol=0.01)


@pytest.mark.parametrize(("n", "p"), [(1, 0.5), (14, 0.06), (400, 0.5), (5000, 0.01), (3000, 0.99)])
def test_equal_risks_are_binomial(n, p):
    found = one(p, n)
    assert found.method.tolist() == [EXACT]
    for events in range(max(0, int(n * p) - 30), min(n, int(n * p) + 30)):
        assert found.at_most(np.array([events]))[0] == pytest.approx(binom.cdf(events, n, p), abs=1e-11)
    for width in (0.95, 0.998):
        ends = binom.ppf([(1 - width) / 2, (1 + width) / 2], n, p)
        assert [each[0] for each in found.limits(width)] == ends.tolist()


def test_two_of_fourteen():
    """1 - 0.94^14 - 14 · 0.06 · 0.94^13, about 20 of 100."""
    found = one(0.06, 14)
    assert found.mean[0] == pytest.approx(0.84)
    more = 1 - 0.94**14 - 14 * 0.06 * 0.94**13
    exactly = 91 * 0.06**2 * 0.94**12
    assert found.at_least(np.array([2]))[0] == pytest.approx(more)
    assert found.mid_p(np.array([2]))[0] == pytest.approx(2 * (more - exactly / 2))


def test_mid_p_is_never_above_one():
    found = one(0.5, 2)
    assert found.mid_p(np.array([1]))[0] == pytest.approx(1)
    assert found.mid_p(np.array([0]))[0] == pytest.approx(0.25)


def test_a_large_variance_takes_the_normal_distribution():
    """406 cases of one half: variance 101.5."""
    found = one(0.5, 406)
    assert found.method.tolist() == [NORMAL]
    spread = np.sqrt(406) / 2
    assert found.at_most(np.array([210]))[0] == pytest.approx(norm.cdf((210.5 - 203) / spread))
    assert [each[0] for each in found.limits(0.95)] == binom.ppf([0.025, 0.975], 406, 0.5).tolist()
    assert found.at_most(np.array([406]))[0] == 1
    assert found.at_most(np.array([-1]))[0] == 0


def test_the_normal_limits_are_within_two_events_of_the_exact_ones():
    found = one(0.01, 12_000)
    assert found.method.tolist() == [NORMAL]
    for width in (0.95, 0.998):
        ends = binom.ppf([(1 - width) / 2, (1 + width) / 2], 12_000, 0.01)
        assert np.abs(np.concatenate(found.limits(width)) - ends).max() <= 2


def test_certain_and_impossible_cases():
    found = one([0.0, 1.0], [5, 3])
    assert [each[0] for each in found.limits(0.998)] == [3, 3]
    assert found.mid_p(np.array([3]))[0] == pytest.approx(1)
    assert found.at_least(np.array([4]))[0] == pytest.approx(0, abs=1e-12)


def test_rows_do_not_mix_and_a_row_may_have_no_cases():
    rows = chances(np.array([2, 0, 2]), np.array([0.1, 0.5, 0.3]), np.array([10, 4, 20]), 3)
    alone = one([0.1, 0.3], [10, 20])
    assert rows.cases.tolist() == [4, 0, 30]
    assert rows.at_most(np.array([1, 0, 5]))[2] == pytest.approx(alone.at_most(np.array([5]))[0], abs=1e-12)
    assert rows.at_most(np.array([1, 0, 5]))[0] == pytest.approx(5 / 16)
    assert rows.at_most(np.array([1, 0, 5]))[1] == 1
    assert [each[1] for each in rows.limits(0.95)] == [0, 0]


def test_no_rows():
    found = chances(np.zeros(0, int), np.zeros(0), np.zeros(0, int), 0)
    assert len(found.limits(0.95)[0]) == 0
