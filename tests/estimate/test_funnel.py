"""Funnel limits and over-dispersion, by hand and in their corners."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.estimate.funnel import (
    additive_variance,
    funnel_limits,
    interpolated_limit,
    over_dispersion,
    target_of_others,
    widened_limits,
)


def test_interpolated_by_hand():
    """Of 2 at one half: P(X <= 1) = 0.75, P(X <= 2) = 1. 0.975 is nine tenths of the way: (2 - 0.1) / 2."""
    assert interpolated_limit(np.array([0.5]), np.array([2]), 0.975)[0] == pytest.approx(0.95)
    assert interpolated_limit(np.array([0.5]), np.array([2]), 0.5)[0] == pytest.approx(0.25)


@given(st.floats(0.001, 0.999), st.integers(1, 2000))
def test_limits_lie_around_the_target_and_widen(target, cases):
    inner, outer = (funnel_limits(target, np.array([cases]), width) for width in (0.95, 0.998))
    ends = [0, outer.low[0], inner.low[0], inner.high[0], outer.high[0], 1]
    assert ends == sorted(ends)
    # interpolation moves a limit by at most one case
    assert inner.low[0] <= target + 1 / cases
    assert inner.high[0] >= target - 1 / cases


def test_limits_narrow_with_cases():
    found = funnel_limits(0.2, np.array([20, 200, 2000]), 0.95)
    assert (np.diff(found.high - found.low) < 0).all()


def test_no_cases_no_limits_and_any_shape():
    found = funnel_limits(0.2, np.array([[0, 5], [7, 0]]), 0.95)
    assert np.isnan(found.low).tolist() == [[True, False], [False, True]]
    assert np.isnan(found.high).tolist() == [[True, False], [False, True]]


@pytest.mark.parametrize("target", [0.0, 1.0])
def test_nothing_or_all_happened(target):
    found = funnel_limits(target, np.array([10, 0]), 0.998)
    assert found.low[0] == found.high[0] == target
    assert np.isnan(found.low[1])


def test_no_over_dispersion_where_all_are_on_target():
    found = over_dispersion(np.full(10, 0.1), 0.1, np.full(10, 0.01))
    assert (found.phi, found.phi_winsorised, found.tau_squared, found.p_value) == (0, 0, 0, 1)


def test_by_hand():
    """Equal variances v: distances ±2 standard errors, φ = 4; τ² = v (I φ - (I - 1)) / (I - 1) = 31 v / 9."""
    value = 0.2 + 0.1 * np.tile([2, -2], 5)
    found = over_dispersion(value, 0.2, np.full(10, 0.01))
    assert found.phi == pytest.approx(4)
    assert found.phi_winsorised == pytest.approx(4)
    assert found.tau_squared == pytest.approx(0.01 * 31 / 9)


def test_one_far_out_is_drawn_in():
    value = 0.2 + 0.1 * np.array([1, -1, 1, -1, 1, -1, 1, -1, 1, 20])
    found = over_dispersion(value, 0.2, np.full(10, 0.01))
    assert found.phi == pytest.approx((9 + 400) / 10)
    # the type 7 quantile at 0.9 of ten values lies a tenth of the way from the ninth to the tenth: 1 + 0.1 · 19
    assert found.phi_winsorised == pytest.approx((9 + 2.9**2) / 10)


@pytest.mark.parametrize("units", [0, 1, 9])
def test_below_ten_units_nothing_is_said(units):
    found = over_dispersion(np.full(units, 0.5), 0.1, np.full(units, 0.01))
    assert np.isnan([found.phi, found.phi_winsorised, found.tau_squared, found.p_value]).all()


def test_variance_between_units_is_never_negative():
    assert additive_variance(0.5, np.full(10, 0.01)) == 0


def test_widened_limits():
    """Ratios to expected numbers: 1 ± 1.96 √(0.05 + 0.04) = 1 ± 0.588; and cut at 0."""
    found = widened_limits(1.0, np.array([0.05, 4.0]), 0.04, 0.95)
    assert [found.low[0], found.high[0]] == pytest.approx([0.412, 1.588], abs=1e-4)
    assert found.low[1] == 0


def test_target_without_own_cases():
    found = target_of_others(np.array([2, 4, 0]), np.array([20, 60, 20]))
    assert found == pytest.approx([4 / 80, 2 / 40, 6 / 80])
    assert np.isnan(target_of_others(np.array([2]), np.array([20])))
