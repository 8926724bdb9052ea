"""Discrimination counted pair by pair, calibration by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import expit, logit

from pipeline.estimate.model_checks import calibration, concordance


def test_by_pairs():
    """Events at 0.1, 0.3, 0.3; without at 0.1, 0.2: of six pairs four are right and one is a tie."""
    found = concordance(np.array([0.1, 0.2, 0.3]), np.array([1, 0, 2]), np.array([2, 1, 2]), 0.95)
    assert found.value == pytest.approx(4.5 / 6)
    assert found.low < found.value < found.high <= 1


@given(st.lists(st.tuples(st.integers(1, 5), st.integers(0, 4), st.integers(0, 4)), min_size=1, max_size=6))
def test_counted_one_by_one(rows):
    risk, events, others = (np.array(each) for each in zip(*rows, strict=True))
    found = concordance(risk / 10, events, events + others, 0.95)
    ill, well = np.repeat(risk, events), np.repeat(risk, others)
    if not len(ill) or not len(well):
        assert np.isnan([found.value, found.low, found.high]).all()
        return
    right = (ill[:, None] > well) + (ill[:, None] == well) / 2
    assert found.value == pytest.approx(right.mean())
    if min(len(ill), len(well)) < 2 or (np.ptp(right.mean(axis=0)) == 0 and np.ptp(right.mean(axis=1)) == 0):
        assert np.isnan([found.low, found.high]).all()
    else:
        # DeLong: each case's own share of pairs won
        spread = right.mean(axis=1).var(ddof=1) / len(ill) + right.mean(axis=0).var(ddof=1) / len(well)
        reach = 1.959963984540054 * np.sqrt(spread)
        assert found.low == pytest.approx(max(0, right.mean() - reach))
        assert found.high == pytest.approx(min(1, right.mean() + reach))


@pytest.mark.parametrize("events", [[0, 0], [4, 6]])
def test_no_pair_nothing_to_say(events):
    risk, cases = np.array([0.1, 0.2]), np.array([4, 6])
    assert np.isnan(concordance(risk, np.array(events), cases, 0.95).value)
    found = calibration(risk, np.array(events), cases)
    assert np.isnan([found.intercept, found.slope]).all()


def test_risks_of_a_fifth_where_half_happened():
    """One risk: the intercept is the difference of the log odds, and there is no slope."""
    found = calibration(np.array([0.2]), np.array([10]), np.array([20]))
    assert found.intercept == pytest.approx(0 - logit(0.2))
    assert np.isnan(found.slope)


def test_risks_too_far_apart():
    """Seen 20 % and 50 %; the risks stand for twice the log odds between and around 50 %."""
    risk = expit(2 * logit(np.array([0.2, 0.5])))
    assert calibration(risk, np.array([20, 50]), np.array([100, 100])).slope == pytest.approx(0.5)


def test_right_risks():
    found = calibration(np.array([0.2, 0.5]), np.array([20, 50]), np.array([100, 100]))
    assert [found.intercept, found.slope] == pytest.approx([0, 1], abs=1e-9)


def test_risks_that_part_all_cases_have_no_slope():
    found = calibration(np.array([0.2, 0.5, 1.0]), np.array([0, 4, 0]), np.array([6, 4, 0]))
    assert np.isnan(found.slope)
    assert not np.isnan(found.intercept)
